"""The life of a group: everything that the tables have of it, once, and nothing else; as text, JSON and page."""

from __future__ import annotations

import base64
import csv
import datetime as dt
import io
import json
import re
import struct
import zipfile
import zlib
from collections import Counter
from dataclasses import replace
from typing import Any

import lxml.etree
import lxml.html
import pytest
from PIL import ExifTags, Image

from formpack.group_code import shown
from pipeline import run
from pipeline.field.printed import keep_printed
from pipeline.intake import corrections
from pipeline.intake.corrections import Correction
from pipeline.office import group_life, group_words
from pipeline.office.group_life import Event, Life
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.book.test_reconcile import CODES, LAST, Bench
from tests.cli.test_cli import formpack
from tests.conftest import SAMPLES, looked_at, new_workspace, table

MARKUP = "<img src=x onerror=alert(1)> \u202enotes & more"
MAIN, ASIDE, LOOP, WAITING, DOUBTED, ISSUED, NEW = CODES[:7]
DAY = LAST.isoformat()


def photo() -> bytes:
    """A picture that lies on its side, as cameras write it: 60 wide, 30 high, to be turned a quarter (orientation 6 of EXIF,
    CIPA DC-008), with a place in its head."""
    picture, out = Image.new("RGB", (1200, 600), "green"), io.BytesIO()
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6
    exif[ExifTags.Base.ImageDescription] = "SECRET PLACE"
    picture.save(out, "JPEG", exif=exif)
    return out.getvalue()


def bomb(side: int) -> bytes:
    """A PNG of some hundred bytes whose head says that it is `side` pixels wide and high."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(100))) + chunk(b"IEND", b"")


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """One group with all that can happen to it, one that only moves opened, one in a circle with the first, one that waits, one
    with a doubted count, a code that was issued, and one opened on the day that is looked at."""
    workspace = new_workspace(tmp_path_factory.mktemp("life") / "nursery")
    bench = Bench(workspace)
    bench.open(0, 1000)
    bench.open(2, 300)
    bench.open(4, 1000)
    bench.count("03-10", 0, 995)
    lost = {"lost": 3, "loss_cause": "frost"}
    bench.note("loss", "03-20", 0, **lost, photo="a.jpg", note=f'"{MARKUP}"')
    bench.note("loss", "03-21", 0, **lost | {"lost": 2, "photo": "bomb.png", "note": ""})
    bench.note("loss", "03-21", 0, "10:01", **lost | {"lost": 1, "photo": "none.jpg", "note": ""})
    bench.note("loss", "03-22", 0, **lost | {"lost": 9, "photo": "", "note": "withdrawn"})
    bench.note("loss", "03-23", 0, **lost | {"lost": 8, "photo": "large.png", "note": "of group 2"})
    bench.note("relocate", "04-01", 0, location="Y1", note="")
    lot = {"team_code": "T02", "attempt": 1, "scion": "TAHITI", "budwood_batch": "B-TAH"}
    bench.note("budding", "04-10", 0, **lot, buds_set=900, passed_over=0, stem_mm=8.0)
    read = {"team_code": "T02", "attempt": 1, "green": 830, "brown": 65, "unsure": 0, "missing": 5}
    bench.note("bud_take", "05-02", 0, **read, brown_moved="yes", set_aside_to=ASIDE)
    bench.note("budding", "05-20", 1, **lot | {"attempt": 2}, buds_set=60, passed_over=5, stem_mm=8.0)
    bench.note("transfer", "06-10", 0, to_group=LOOP, moved=100, transfer_reason="regrade", recount="yes")
    bench.note("transfer", "06-20", 2, to_group=MAIN, moved=20, transfer_reason="merge", recount="yes")
    bench.note("despatch", "07-20", 0, despatched=30, order_ref="O001", consignee="Alder Grove Farm", recount="yes")
    bench.count("07-25", 0, 400, coverage="part")
    bench.count("07-26", 0, 405, coverage="last_part")
    bench.count("08-01", 3, 50)
    bench.counts(4, 948, 944, 940, 904, 937, 937)
    bench.open(6, 10, day="08-31")
    bench.write()
    for name, content in {"a.jpg": photo(), "bomb.png": bomb(60_000), "large.png": bomb(5_000)}.items():
        (workspace.inbox / name).write_bytes(content)
    run.import_files(workspace, [workspace.inbox], LAST)
    with Store.open(workspace.store_file) as store, store.transaction():
        at = dt.datetime(2026, 8, 1, 9)
        made = Correction(1, at, "S02", "uuid:loss-5", "correct", "lost", "3", "4", "", "counted again")
        changed = [made, made.opposite(2, at, "S03", "it was 3")]
        changed += [replace(made, number=3, instance_id="uuid:loss-8", kind="withdraw", field="", reason="never was")]
        away = {
            "instance_id": "uuid:loss-9",
            "field": "group_code",
            "old_answer": MAIN,
            "new_answer": LOOP,
            "reason": "wrong sign",
        }
        corrections.add(store, [*changed, replace(made, number=4, **away)])
        store.connection.execute("INSERT INTO kept.codes VALUES (?, ?, ?)", [ISSUED, at, at.date()])
        keep_printed(store, at.date(), "stake", {MAIN: {"rootstock": "CARRIZO"}})
        keep_printed(store, at.date(), "despatch", {"O001": {"leaves": [{"group_code": MAIN, "trees": 30}], "known": []}})
    return workspace


def life_of(workspace: Workspace, code: str, day: dt.date = LAST) -> Life:
    with run.opened(workspace, group_life.TABLES, day) as (store, on):
        return group_life.gather(store, code, workspace.forms, on)


def told(workspace: Workspace, code: str, *words: str) -> str:
    return formpack("history", code, "--as-of", DAY, *words, cwd=workspace.folder)


def event_of(life: Life, key: str) -> Event:
    (found,) = [e for e in life.events if e.submission == f"uuid:{key}"]
    return found


@pytest.mark.parametrize("code", (MAIN, ASIDE, LOOP, WAITING, DOUBTED, NEW))
def test_everything_of_the_tables_is_told_once(nursery: Workspace, code: str) -> None:
    """Beside the tables of the contract, the answers as they are kept, and the rows that were typed."""
    life, of = life_of(nursery, code), f"group_code = '{code}'"
    columns = "instance_id, kind, quantity, cause, other_group"
    moved = Counter((e.submission, c.kind, c.plants, c.cause, c.other_group) for e in life.events for c in e.changes)
    assert moved == Counter(table(nursery, "movements", columns, of))
    sent = {i for (i,) in table(nursery, "submissions", "instance_id", of)}
    assert len(life.events) == len({e.submission for e in life.events})
    assert {e.submission for e in life.events if e.of_group is None} == sent
    assert [(e.on, e.submission) for e in life.events] == sorted((e.on, e.submission) for e in life.events)
    kept = {e.submission: e for e in life.events if e.in_books and not e.of_group}
    counted = table(nursery, "answers_stock_count", "instance_id, counted", of)
    assert {i: e.counted for i, e in kept.items() if e.counted is not None} == dict(counted)
    with looked_at(nursery, ("accepted", "chain_nodes")) as store:
        placed = dict(store.rows(f"SELECT instance_id, location FROM work.given_places WHERE {of}"))
        nodes = store.rows(f"SELECT kind, counted FROM work.chain_nodes WHERE {of} ORDER BY position")
    assert {i: e.place for i, e in kept.items() if e.place} == placed
    assert [(s.kind, s.counted) for s in life.steps] == nodes
    buds = {(e.team, e.attempt): e.buds_set for e in kept.values() if e.buds_set}
    assert buds == {tuple(lot): buds_set for *lot, buds_set in table(nursery, "lots", "team_code, attempt, buds_set", of)}
    doubts = table(nursery, "discrepancies", "on_date, likely_cause", of)
    assert sorted((d.on, d.cause) for d in life.doubts) == sorted(doubts)
    if not life.in_books:
        assert code == WAITING and not table(nursery, "standing", "1", of) and not life.came + life.went
        return
    ((book, estimate),) = table(nursery, "standing", "book_count, estimate", of)
    assert sum(f.plants for f in life.came) - sum(f.plants for f in life.went) == life.book == book
    assert [e.book for e in life.events if e.book is not None][-1] == book and life.estimate == estimate


def test_the_head_says_what_it_is(nursery: Workspace) -> None:
    main, aside, waits = life_of(nursery, MAIN), life_of(nursery, ASIDE), life_of(nursery, WAITING)
    assert (main.rootstock, main.scion, main.seed_lot, main.place) == ("CARRIZO", "TAHITI", "L2601-CARR", "Y1")
    assert main.opened_on == dt.date(2026, 2, 2) and main.opened_with == 1000 and not main.by_transfer
    assert aside.by_transfer and [(d.group, d.from_group, d.plants) for d in aside.descent] == [(ASIDE, MAIN, 65)]
    assert "It has no opening of its own: it began with plants that were moved into it." in told(nursery, ASIDE)
    assert not waits.in_books and "Nothing of this group is in the books" in told(nursery, WAITING)
    assert [(p.place, p.until) for p in main.places] == [("H1", dt.date(2026, 4, 1)), ("Y1", None)]
    assert [p.kind for p in main.printed] == ["stake", "despatch"]
    assert [p.kind for p in life_of(nursery, LOOP).printed] == []


def test_what_is_not_in_the_books_says_why(nursery: Workspace) -> None:
    life = life_of(nursery, MAIN)
    out = {e.submission: (e.state, e.why) for e in life.events if not e.in_books}
    assert out == {
        "uuid:loss-8": ("withdrawn", ()),
        "uuid:loss-9": ("accepted", (f"it is about group {shown(LOOP)} now",)),
    }
    assert ("Plants dead, damaged or gone", "9") in event_of(life, "loss-8").answers
    ((state, why, changes),) = [(e.state, e.why, e.changes) for e in life_of(nursery, WAITING).events]
    assert state == "waiting" and "has no opening" in why[0] and changes == ()
    said = told(nursery, MAIN)
    assert "\n    withdrawn\n" in said and "never was" in said and f"2 of {len(life.events)} submissions about it" in said
    before = told(nursery, MAIN, "--as-of", "2026-04-30")
    assert "dated after the day that is looked at" in before and "65 plants moved" not in before


def test_corrections_and_what_was_undone(nursery: Workspace) -> None:
    corrected, undone = event_of(life_of(nursery, MAIN), "loss-5").corrections
    assert "corrected from 3 to 4 by S02: counted again" in corrected and corrected.startswith("1 August 2026: ")
    assert "is 3 again, not 4, by S03: it was 3" in undone


def test_the_loop_and_the_origin_end(nursery: Workspace) -> None:
    """Plants went to a group that gave some back; both have an opening, and neither text goes on for ever."""
    assert life_of(nursery, MAIN).descent == () and life_of(nursery, LOOP).descent == ()
    assert [(f.kind, f.group, f.plants) for f in life_of(nursery, LOOP).went] == [
        ("moved_out", MAIN, 20),
        ("lost", None, 8),
    ]
    assert "20 plants came from" in told(nursery, MAIN)


def test_a_circle_of_groups_without_an_opening(workspace: Workspace) -> None:
    """The tables know no origin of it; what is walked back ends where it closes."""
    bench = Bench(workspace)
    bench.open(0, 500)
    moves = (("03-02", 0, 1, 90), ("03-03", 1, 2, 80), ("03-04", 2, 1, 70))
    for day, group, to, moved in moves:
        bench.note("transfer", day, group, to_group=CODES[to], moved=moved, transfer_reason="split", recount="yes")
    bench.take_in()
    with run.opened(workspace, group_life.TABLES, LAST) as (store, _):
        assert [d.from_group for d in group_life._descent(store, CODES[2])] == [CODES[1], CODES[0]]
    with Store.open(workspace.store_file) as store:
        store.connection.execute("UPDATE work.origins SET from_group = ? WHERE group_code = ?", [CODES[2], CODES[1]])
        assert [d.from_group for d in group_life._descent(store, CODES[2])] == [CODES[1], CODES[2]]


def test_doubted_counts_are_marked(nursery: Workspace) -> None:
    life = life_of(nursery, DOUBTED)
    assert [s.counted for s in life.steps if s.is_doubted] == [904]
    said = told(nursery, DOUBTED)
    (line,) = [line for line in said.splitlines() if "  904  " in line]
    assert line.endswith("  yes") and "probably has two digits swapped" in said.replace("\n    ", " ")


def test_codes_that_nobody_knows(nursery: Workspace) -> None:
    def refused(code: str) -> str:
        return formpack("history", code, cwd=nursery.folder, code=2)

    assert refused(CODES[8]).startswith(f"No group is {shown(CODES[8])}: nothing about it has come in")
    wrong = shown(MAIN)[:-1] + str((int(MAIN[-1]) + 1) % 10)
    assert refused(wrong) == f"{wrong} is no code of a group: a digit is wrong, or two are swapped; {shown(MAIN)}?\n"
    assert refused(MAIN[:7]) == f"{MAIN[:7]} is no code of a group, which has eight digits, and no submission; {shown(MAIN)}?\n"
    assert "No submission is 'nobody'" in refused("nobody")
    assert "--to writes the page of a group" in formpack("history", "loss-5", "--to", "x.html", cwd=nursery.folder, code=2)
    assert "must end in .html" in formpack("history", MAIN, "--to", "x.pdf", cwd=nursery.folder, code=2)
    assert formpack("history", MAIN, "--to", "no/x.html", cwd=nursery.folder, code=2).startswith("There is no folder no; ")
    assert "Its code was issued on 1 August 2026; nothing about it has come in yet." in told(nursery, ISSUED)
    assert "Its code was issued" in page_of(nursery, ISSUED)[0]
    assert "uuid:loss-5, loss, came on" in formpack("history", "loss-5", cwd=nursery.folder)


def test_a_submission_that_begins_like_a_code(workspace: Workspace) -> None:
    """Known, the group is meant; else the submission."""
    bench = Bench(workspace)
    bench.open(0, 100)
    text = "KEY,visit_date,staff_code,group_code,lost,loss_cause\n"
    keys = (f"{CODES[0]}-aaaa", f"{CODES[1]}-bbbb")
    rows = "".join(f"{key},2026-03-0{n},S01,{CODES[0]},{n},frost\n" for n, key in enumerate(keys, start=1))
    (workspace.inbox / "loss.csv").write_text(text + rows, encoding="utf-8")
    bench.take_in()
    assert formpack("history", CODES[0], cwd=workspace.folder).startswith(f"Group {shown(CODES[0])}\n")
    assert formpack("history", CODES[1], cwd=workspace.folder).startswith(f"{keys[1]}, loss, came on ")
    shorts = [e.short for e in life_of(workspace, CODES[0]).events]
    for short in shorts:
        assert short.startswith(CODES[0]) or short in formpack("history", short, cwd=workspace.folder)


def page_of(workspace: Workspace, code: str, *words: str) -> tuple[str, Any]:
    told(workspace, code, "--to", "life.html", *words)
    text = (workspace.folder / "life.html").read_text(encoding="utf-8")
    return text, lxml.html.fromstring(text)


def test_the_page_shows_photos_small_and_without_their_head(nursery: Workspace) -> None:
    text, page = page_of(nursery, MAIN)
    (image,) = page.xpath("//img")
    content = base64.b64decode(image.get("src").removeprefix("data:image/jpeg;base64,"))
    with Image.open(io.BytesIO(content)) as picture:
        assert (picture.size, picture.format) == ((240, 480), "JPEG") and not picture.getexif()
    assert b"SECRET" not in content and "; img-src data:" in text
    captions = [c.text_content() for c in page.xpath("//div[@class='pictures']//figcaption")]
    assert captions[0] == "20 March 2026, Lossa.jpg" and len(captions) == 4
    assert "too large to be shown" in captions[1] and captions[1].endswith("bomb.png")
    assert "has not come in" in captions[2] and "too large to be shown" in captions[3]
    assert all(f"photo {name}" in told(nursery, MAIN) for name in ("a.jpg", "bomb.png", "none.jpg"))
    other, _ = page_of(nursery, DOUBTED)
    assert "img-src" not in other and "<img" not in other


def test_a_photo_in_the_archive_of_its_submission(workspace: Workspace) -> None:
    """As apps give a day back: a folder a submission, and pictures of one name in two of them."""
    bench = Bench(workspace)
    bench.open(0, 100)
    bench.write()
    loss = (
        '<data id="loss"><visit_date>2026-03-0{n}</visit_date><staff_code>S01</staff_code><group_code>{code}</group_code>'
        "<lost>{n}</lost><loss_cause>frost</loss_cause><photo>p.jpg</photo><found>{n}</found><is_whole>no</is_whole>"
        "<meta><instanceID>uuid:{n}</instanceID></meta></data>"
    )
    with zipfile.ZipFile(workspace.inbox / "day.zip", "w") as archive:
        for n in (1, 2):
            archive.writestr(f"day/{n}/submission.xml", loss.format(n=n, code=CODES[0]))
            archive.writestr(f"day/{n}/p.jpg", photo() if n == 1 else bomb(10_000))
    bench.take_in()
    life = life_of(workspace, CODES[0])
    assert [p.member for e in life.events for p in e.photos] == ["day/1/p.jpg", "day/2/p.jpg"]
    _, page = page_of(workspace, CODES[0])
    captions = [c.text_content() for c in page.xpath("//div[@class='pictures']//figcaption")]
    assert len(page.xpath("//img")) == 1 and "too large to be shown" in captions[1]


def test_text_of_people_is_text(nursery: Workspace) -> None:
    text, page = page_of(nursery, MAIN)
    assert "<img src=x" not in text and "\u202e" not in text
    assert "<img src=x onerror=alert(1)> \\u202enotes & more" in page.text_content()
    assert "\\u202enotes" in told(nursery, MAIN)
    assert "aria-label" in text and page.xpath("//h1")[0].text_content() == f"Group {shown(MAIN)}"


def test_json_has_plain_keys(nursery: Workspace) -> None:
    document, life = json.loads(told(nursery, MAIN, "--json")), life_of(nursery, MAIN)
    assert [e["submission"] for e in document["events"]] == [e.submission for e in life.events]
    assert document["events"][0]["changes"][0] == {"kind": "opened", "plants": 1000, "cause": None, "other_group": None}
    assert document["names"]["orders"] == {"O001": "O001 Alder Grove Farm"}
    assert document["names"]["causes"] == {"frost": "Frost", "missing": "Gone missing"}


@pytest.mark.parametrize("code", (MAIN, ASIDE, LOOP, DOUBTED, NEW))
def test_what_came_went_or_stands(nursery: Workspace, code: str) -> None:
    """Both tables of plants end with one sum, down to what the table standing has."""
    _, page = page_of(nursery, code)
    sums, stands = [], 0
    for name in ("came", "went"):
        rows = page.xpath(f"//div[@id='table-{name}']//tr[td]")
        numbers = [int(row.xpath("td")[0].text_content().replace(",", "")) for row in rows]
        assert sum(numbers[:-1]) == numbers[-1]
        sums.append(numbers[-1])
        stands = numbers[-2]
    assert sums[0] == sums[1] and [(stands,)] == table(nursery, "standing", "estimate", f"group_code = '{code}'")


def test_an_opening_that_is_kept_out_is_said_once(workspace: Workspace) -> None:
    """200 lifted, 150 planted, none taken out: kept out by the form's own rule."""
    bench = Bench(workspace)
    bench.open(0, 200)
    bench.rows["open_group"][0]["planted"] = 150
    for number in range(1, 4):
        bench.note("loss", f"03-0{number}", 0, lost=1500, loss_cause="frost")
    bench.write()
    run.import_files(workspace, [workspace.inbox], LAST)
    said = told(workspace, CODES[0])
    assert said.count("Lifted must equal planted") == 1 and said.count("has no opening") == 0
    assert "3 submissions wait until an opening of it is accepted." in said and said.count("\n    waiting\n") == 3
    assert said.count("not in the books") == 2 and "Plants dead, damaged or gone: 1,500; What was the cause: Frost" in said
    assert "Seed lot: L2601-CARR (Carrizo 2026-01)" in re.sub(r"\n +", " ", said)


def test_alike_papers_stand_together(workspace: Workspace) -> None:
    bench = Bench(workspace)
    bench.open(0, 200)
    bench.take_in()
    leaves, other = ({"leaves": [{"group_code": code, "trees": 30}], "known": []} for code in (CODES[0], CODES[1]))
    with Store.open(workspace.store_file) as store, store.transaction():
        for kind, shows in [("passport", {CODES[0]: {}})] * 3 + [("despatch", {"O001": of}) for of in (other, leaves)]:
            keep_printed(store, LAST, kind, shows)
    said = told(workspace, CODES[0])
    rows = [line.split("  ") for line in said.partition("What was printed of it:\n")[2].splitlines()[1:]]
    assert [[cell.strip() for cell in row if cell] for row in rows] == [
        ["31 Aug 2026", "plant passport", "3"],
        ["31 Aug 2026", "despatch paper O001/2", "1"],
    ]


@pytest.mark.parametrize("code", (MAIN, ASIDE, WAITING, NEW))
def test_text_and_page_tell_the_same_events(nursery: Workspace, code: str) -> None:
    life, said = life_of(nursery, code), told(nursery, code)
    rows = page_of(nursery, code)[1].xpath("//div[@id='table-events']//tbody/tr")
    assert len(rows) == len(life.events) > 0
    for event, row in zip(life.events, rows, strict=True):
        cells = "".join(row.itertext())
        assert event.short in cells and said.count(f"  {event.short}\n") + said.count(f"  {event.short}  ") == 1
        for clause in group_words.did(life, event):
            assert clause in cells and clause in re.sub(r"\n +", " ", said)


def test_failed_buds_are_set_aside_and_budded_again(workspace: Workspace) -> None:
    """The text beside what the files of the scenario say."""
    folder = SAMPLES / "failed_buds_are_set_aside_and_budded_again"
    run.import_files(workspace, [folder / "inbox"])
    sent = [lxml.etree.parse(path) for path in sorted((folder / "inbox").glob("*.xml"))]
    said: dict[str, str] = {}
    for code in ("26070109", "26070206"):
        said[code] = re.sub(r"\n +", " ", formpack("history", code, cwd=workspace.folder))
    with (SAMPLES / "lists" / "teams.csv").open(encoding="utf-8", newline="") as file:
        teams = {row["code"]: row["label"] for row in csv.DictReader(file)}
    for file in sent:
        a = {e.tag: (e.text or "").strip() for e in file.getroot().iter() if not len(e)}
        text, lot = (
            said[a["group_code"]],
            f"{a.get('team_code')} ({teams.get(a.get('team_code', ''))}), budding {a.get('attempt')}",
        )
        if "lifted" in a:
            assert (
                f"{int(a['lifted']):,} plants lifted, {a['planted']} planted; {a['cull_off_type']} plants culled: Off-type"
                in text
            )
            assert " (S03)" in text and "stands at House 1" in text and "sown on: 1 Dec 2025" in text
        elif "buds_set" in a:
            assert text.count(f"{a['buds_set']} buds set by {lot}; scion ") == 1
        else:
            read = f"{a['green']} green, {a['brown']} brown, {a['unsure']} unsure, {a['missing']} missing"
            assert text.count(f"buds of {lot}: {read}") == 1
    assert said["26070109"].count("55 plants moved to 26-0702-06: Bud failed, set aside") == 1
    assert said["26070206"].count("55 plants came from 26-0701-09: Bud failed, set aside") == 1
    assert "the book says 900" in said["26070109"] and "1,000 came in" not in said["26070206"]
