"""By hand: `python tests/bench/receiver_bench.py [--phones 50] [--each 200] [--folder FOLDER]`. All phones of a nursery come
into the network at once and send what a long day gave, each submission with a photo of 40 to 120 kB; the real commands, each in
a process of its own.

Rounds on new workspaces: a tenth of the submissions, all, all while imports run beside, and few with large photos. Of each:
that nothing is lost (what was answered 201 is on the disk, whole, and an import takes in as many), how long answers took, the
memory and CPU of the receiver, and how many were taken in a second, beside what the disk gives: files of the same sizes
written, brought to the disk and renamed one after the other by a bare loop, before and after.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from pipeline.field.receiver.doors import People  # noqa: E402
from pipeline.intake import ingest  # noqa: E402
from pipeline.store import Store  # noqa: E402
from tests.bench.checkout import MAIN  # noqa: E402
from tests.bench.measure import Child, run  # noqa: E402
from tests.bench.results import machine  # noqa: E402
from tests.receiver.test_power_cut import two_ports  # noqa: E402

HEAD = ("round", "sent", "answered 201", "lost", "p50 s", "p95 s", "p99 s", "longest", "fetch p99 s", "a second", "of the disk")
HEAD += ("CPU ms each", "of phones", "peak MB", "imports beside", "imported")
PROCESSES = 2
SMALL, LARGE = (40_000, 120_000), (2_000_000, 5_000_000)
"""Bytes of photos, at least and at most."""
ROUNDS = (
    ("a tenth", 10, 0.0, SMALL),
    ("all", 1, 0.0, SMALL),
    ("all, imports beside", 1, 0.1, SMALL),
    ("large photos", 20, 0.0, LARGE),
)
"""What it is called, of how many submissions one is sent, minutes between imports beside, and photos."""


def bare_loop(folder: Path, many: int, photos: tuple[int, int]) -> float:
    """Files a second of the sizes of photos, in turn written, brought to the disk and renamed, and their folder too."""
    folder.mkdir()
    dice, noise = random.Random(3), random.Random(4).randbytes(photos[1])
    begun = time.perf_counter()
    for number in range(many):
        beside = folder / ".new"
        with beside.open("wb") as file:
            file.write(noise[: dice.randint(*photos)])
            file.flush()
            os.fsync(file.fileno())
        beside.rename(folder / f"{number}.zip")
        handle = os.open(folder, os.O_RDONLY)
        os.fsync(handle)
        os.close(handle)
    taken = time.perf_counter() - begun
    shutil.rmtree(folder)
    return many / taken


@dataclass
class Office:
    """A workspace whose phones have forms, and passwords of so many people."""

    folder: Path
    passwords: dict[str, str]

    @property
    def waiting(self) -> Path:
        return self.folder / "receiver" / "waiting"


def office(folder: Path, made: Path, phones: int) -> Office:
    shutil.copytree(made, folder)
    with (folder / "lists" / "staff.csv").open("a", encoding="utf-8") as staff:
        staff.writelines(f"P{n:03},Phone {n},yes\n" for n in range(phones))
    people = People(folder / "receiver" / "people.json")
    return Office(folder, {f"P{n:03}": people.add(f"P{n:03}") for n in range(phones)})


class Watched:
    """The receiver, and how much memory it had at most."""

    def __init__(self, at: Office, minutes: float) -> None:
        self.port = two_ports()
        words = ("receive", "--port", str(self.port), "--import-every", str(minutes), "--workspace", str(at.folder))
        child = Child(("-c", MAIN, *words), at.folder, ROOT)
        self.process = subprocess.Popen(
            [sys.executable, *child.arguments], env=child.environment, cwd=at.folder, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout
        for line in self.process.stdout:
            if "Ctrl+C" in line:
                break
        time.sleep(1)
        self.known = psutil.Process(self.process.pid)
        self.peak, self.at_first = 0.0, self.known.memory_info().rss / 2**20
        self._stop = threading.Event()
        self._watcher = threading.Thread(target=self._watch)
        self._watcher.start()

    def _watch(self) -> None:
        while not self._stop.wait(0.05):
            self.peak = max(self.peak, self.known.memory_info().rss / 2**20)

    @property
    def cpu(self) -> float:
        used = self.known.cpu_times()
        return used.user + used.system

    def end(self) -> None:
        self._stop.set()
        self._watcher.join()
        imports = self.known.children()
        self.process.terminate()
        self.process.communicate(timeout=60)
        psutil.wait_procs(imports, timeout=600)  # one that has begun goes on to its end


def sent_by_all(at: Office, port: int, texts: list[Path], photos: tuple[int, int]) -> tuple[list[dict[str, Any]], float]:
    """What the processes of phones say, and seconds until the last was done."""
    people = sorted(at.passwords)
    shares = [(person, at.passwords[person], [str(t) for t in texts[n :: len(people)]]) for n, person in enumerate(people)]
    script = [str(ROOT / "tests" / "bench" / "phones_at_once.py"), *map(str, (port, *photos))]
    begun = time.perf_counter()
    running = []
    for number in range(PROCESSES):
        process = subprocess.Popen([sys.executable, *script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert process.stdin
        process.stdin.write(json.dumps(shares[number::PROCESSES]))
        process.stdin.close()
        process.stdin = None
        running.append(process)
    with_all = [process.communicate()[0] for process in running]
    return [json.loads(said) for said in with_all], time.perf_counter() - begun


def identity_in(archive: BinaryIO | Path) -> str:
    """The identity of a submission that lies on the disk with its photo, whole."""
    with zipfile.ZipFile(archive) as opened:
        assert opened.testzip() is None and len(opened.namelist()) == 2
        text = opened.read("submission.xml").decode()
    return text.partition("<instanceID>")[2].partition("<")[0]


def in_books(at: Office) -> tuple[set[str], int]:
    """The identities of all that was taken in, whole; and in how many imports."""
    if not (at.folder / "store.duckdb").exists():
        return set(), 0
    with Store.open(at.folder / "store.duckdb", is_read_only=True) as store:
        files = store.rows("SELECT sha256 FROM kept.raw_files")
        sources = (source for _, source in ingest.sources(store, files))
        found = {identity_in(io.BytesIO(s) if isinstance(s, bytes) else s) for s in sources}
        return found, store.value("SELECT count(DISTINCT received_at) FROM kept.raw_files")


def one_round(name: str, at: Office, texts: list[Path], minutes: float, photos: tuple[int, int]) -> None:
    many = min(1000, len(texts) // 2)
    disk = [bare_loop(at.folder.with_name("bare"), many, photos)]
    receiver = Watched(at, minutes)
    try:
        before = receiver.cpu
        said, seconds = sent_by_all(at, receiver.port, texts, photos)
        cpu = receiver.cpu - before
    finally:
        receiver.end()
    disk.append(bare_loop(at.folder.with_name("bare"), many, photos))
    answered = {identity for one in said for identity, status, _ in one["sent"] if status == 201}
    taken_in, imports = in_books(at)
    lost = answered - taken_in - {identity_in(path) for path in at.waiting.glob("*/*.zip")}
    done = run(Child(("-c", MAIN, "import", str(at.waiting), "--json"), at.folder, ROOT), 1800)
    received = sum(json.loads(done.said)["states"].values())
    lost |= answered - in_books(at)[0]
    times = sorted(seconds for one in said for _, _, seconds in one["sent"])
    fetched = sorted(seconds for one in said for seconds in one["fetched"])

    def at_share(of: list[float], share: float) -> str:
        return f"{of[min(len(of) - 1, int(share * len(of)))]:.2f}"

    rate = len(times) / seconds
    cells = (name, len(times), len(answered), len(lost), *(at_share(times, s) for s in (0.5, 0.95, 0.99, 1)))
    cells += (at_share(fetched, 0.99), f"{rate:.0f}", f"{rate / (sum(disk) / 2):.2f} ({disk[0]:.0f}, {disk[1]:.0f})")
    cells += (f"{1000 * cpu / len(times):.1f}", f"{1000 * sum(one['cpu'] for one in said) / len(times):.1f}")
    cells += (f"{receiver.peak:.0f} ({receiver.at_first:.0f} at first)", imports, f"{received} in {done.wall:.0f} s")
    print("| " + " | ".join(map(str, cells)) + " |", flush=True)


def main() -> None:
    known = argparse.ArgumentParser(description=__doc__)
    known.add_argument("--phones", type=int, default=50)
    known.add_argument("--each", type=int, default=200)
    known.add_argument("--folder", type=Path, help="where to work; what is made there goes at the end")
    known.add_argument("--only", type=int, choices=(1, 2, 3, 4), action="append", help="only these rounds")
    given = known.parse_args()
    print(machine())
    print("| " + " | ".join(HEAD) + " |\n|" + " --- |" * len(HEAD))
    with tempfile.TemporaryDirectory(dir=given.folder) as scratch:
        made, many = Path(scratch) / "made", given.phones * given.each
        run(Child(("-m", "tests.bench.nursery", str(made), "--submissions", str(many), "--as", "files"), ROOT, ROOT), 1200)
        texts = sorted((made / "xml").rglob("*.xml"))
        texts_at = made.with_name("xml")
        (made / "xml").rename(texts_at)
        texts = [texts_at / t.relative_to(made / "xml") for t in texts]
        run(Child(("-c", MAIN, "forms", "--workspace", str(made)), made, ROOT), 600)
        for number, (name, share, minutes, photos) in enumerate(ROUNDS, 1):
            if number in (given.only or (number,)):
                at = office(Path(scratch) / "round", made, given.phones)
                one_round(name, at, texts[: many // share], minutes, photos)
                shutil.rmtree(at.folder)


if __name__ == "__main__":
    main()
