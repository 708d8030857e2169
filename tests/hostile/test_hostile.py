from __future__ import annotations

import hashlib
import json
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from formpack.submission import Unread
from pipeline import run
from pipeline.intake.ingest import digest_of
from pipeline.office.audit import proofs
from pipeline.report import write_report
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.conftest import ROOT, SAMPLES, copied, looked_at, new_workspace
from tests.hostile.corpus import OPENING, corpus
from tests.received import Received, read

CASES = corpus()
ODD = {"outside_expected", "stage_out_of_order"}  # counts of one day that differ; not what a case is about


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """All cases in one import, after the group was opened."""
    workspace = new_workspace(tmp_path_factory.mktemp("hostile"))
    (workspace.inbox / "0-opening.json").write_text(json.dumps(OPENING), encoding="utf-8")
    for name, (content, _) in CASES.items():
        (workspace.inbox / name).write_bytes(content)
    started = time.process_time()
    run.import_files(workspace, [workspace.inbox])
    assert time.process_time() - started < 60
    return workspace


def test_there_are_enough() -> None:
    assert len(CASES) >= 80


@pytest.fixture(scope="module")
def books(nursery: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A copy of the store, open for reading while the cases are looked at."""
    with looked_at(copied(nursery, Workspace(tmp_path_factory.mktemp("looked-at")))) as store:
        yield store


@pytest.mark.parametrize("name", CASES)
def test_each_case_ends_as_expected(name: str, books: Store) -> None:
    content, outcome = CASES[name]
    assert digest_of(books, sha := hashlib.sha256(content).hexdigest()) == sha, "the bytes are kept"
    mine = books.rows(
        "SELECT s.instance_id, s.state FROM submissions s WHERE s.source = $1 OR starts_with(s.source, $1 || ',')"
        " OR starts_with(s.source, $1 || ':')",
        [name],
    )
    found = []
    for instance_id, state in mine:
        rules = [r for (r,) in books.rows("SELECT DISTINCT rule FROM problems WHERE instance_id = ?", [instance_id])]
        found.append((state, ",".join(sorted(r for r in rules if r not in ODD))))
    if name.startswith("same-"):
        outcome, found = [], [f for f in found if f != ("quarantined", "two_versions")]
    if name == "big-number.json":
        found = [(state, "missing_answer" if "missing_answer" in rules else rules) for state, rules in found]
    assert Counter(found) == Counter(outcome)


def test_all_of_it_stays_under_a_gigabyte(nursery: Workspace, tmp_path: Path) -> None:
    """The whole corpus at once, in a process of its own."""
    again = new_workspace(tmp_path)
    code = (
        "import re, sys, time; from pathlib import Path;"
        "from pipeline import run; from pipeline.workspace import Workspace;"
        "started = time.process_time(); run.import_files(Workspace(Path(sys.argv[1])), [Path(sys.argv[2])]);"
        "most = re.search(r'VmHWM:\\s+(\\d+)', Path('/proc/self/status').read_text());"  # that of getrusage counts who began it
        "print(int(most[1]) // 1024, int(time.process_time() - started))"
    )
    command = [sys.executable, "-c", code, str(again.folder), str(nursery.inbox)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    megabytes, seconds = (int(x) for x in done.stdout.split())
    assert megabytes < 1000 and seconds < 10 + len(CASES) // 10, (megabytes, seconds)


def test_the_books_are_whole_and_the_report_reads(nursery: Workspace) -> None:
    with looked_at(nursery) as store:
        assert [name for name, _, places in proofs(store) if places] == []
        page, book, _ = write_report(store, nursery)
        assert "/etc/passwd" not in page.read_text(encoding="utf-8") and book.exists()
        (same,) = store.rows("SELECT state FROM submissions WHERE instance_id = 'same'")
        assert same == ("quarantined",)


ENDINGS = [".xml", ".csv", ".json", ".ndjson", ".zip", ".xlsx", "", ".jpg"]


@given(content=st.binary(max_size=400), ending=st.sampled_from(ENDINGS))
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_no_bytes_make_the_reader_fail(content: bytes, ending: str) -> None:
    for item in read(content, f"any{ending}"):
        assert isinstance(item, (Received, Unread))


@given(text=st.text(max_size=300), ending=st.sampled_from([".xml", ".csv", ".json", ".ndjson"]))
@settings(max_examples=300, deadline=None)
def test_no_text_makes_the_reader_fail(text: str, ending: str) -> None:
    for item in read(text.encode("utf-8", "surrogatepass"), f"any{ending}"):
        assert isinstance(item, (Received, Unread))


def _mutants(dice: random.Random) -> dict[str, bytes]:
    """Real submissions with a few bytes changed, cut, doubled or moved."""
    files = sorted(p for p in SAMPLES.glob("*_*/inbox/*") if p.suffix in (".xml", ".csv", ".zip"))
    made = {}
    for number in range(150):
        path = dice.choice(files)
        content = bytearray(path.read_bytes())
        for _ in range(dice.randint(1, 4)):
            at, length = dice.randrange(len(content)), dice.randint(1, 30)
            kind = dice.randrange(4)
            if kind == 0:
                content[at] = dice.randrange(256)
            elif kind == 1:
                del content[at : at + length]
            elif kind == 2:
                content[at:at] = content[at : at + length]
            else:
                content[at:at] = bytes(dice.choice(b"0123456789-<>&\"',;/eE.\xff\0") for _ in range(length))
            content = content or bytearray(b" ")
        made[f"{number}{path.suffix}"] = bytes(content)
    return made


@pytest.mark.parametrize("seed", [1, 2])
def test_changed_bytes_of_real_submissions_are_all_accounted_for(seed: int, tmp_path: Path) -> None:
    workspace = new_workspace(tmp_path)
    for name, content in _mutants(random.Random(seed)).items():
        (workspace.inbox / name).write_bytes(content)
    started = time.process_time()
    done = run.import_files(workspace, [workspace.inbox])
    assert time.process_time() - started < 30
    with looked_at(workspace) as store:
        assert [name for name, _, places in proofs(store) if places] == []
        assert sum(done.states.values()) == store.value("SELECT count(DISTINCT instance_id) FROM work.received")
        kept = store.value("SELECT count(*) FROM kept.raw_files")
        read_of = store.value("SELECT count(DISTINCT sha256) FROM work.received")
    assert kept - read_of <= 3, "a file whose every row was deleted may hold nothing; others give something"
