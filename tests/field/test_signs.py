"""Signs are printed to a picture, looked at and decoded; codes are issued once, whatever happens."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
import zxingcpp
from stdnum.iso7064 import mod_97_10

from formpack.group_code import check_digits, issue, shown
from pipeline.field.sign_layouts import HEADINGS, KINDS, Sign, can_show, draw, sheets
from pipeline.outputs import settle
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.book.test_reconcile import CODES, CULLS, Bench
from tests.cli.test_cli import formpack
from tests.conftest import ROOT, new_workspace
from tests.robust.faults import KILLED, Faults, command, in_child

DPI = 200
FULL: dict[str, Any] = {
    "rootstock": "Carrizo citrange",
    "scion": ["Tahiti lime"],
    "batch": ["B-TAH"],
    "seed_lot": "L2601-CARR",
    "place": "House 1",
    "sown": "2025-12-01",
    "planted": "2026-02-02",
    "bagged": "2026-03-10",
    "budded": "2026-06-30",
}
PASSPORT = {"title": "Plant Passport", "flag": True, "A": "Citrus × latifolia, Tahiti", "B": "XX-12", "C": "", "D": "XX"}
ON = '\n[passport]\ncountry = "XX"\nregistration = "AB12"\norigin = "XX"\nlocal_title = "Pasaporte fitosanitario"\n'


def _signs(kind: str, many: int, shows: dict[str, Any] = FULL) -> list[Sign]:
    return [
        Sign(code, PASSPORT | {"C": shown(code)} if kind == "passport" else shows if n % 2 == 0 else dict.fromkeys(HEADINGS))
        for n, code in enumerate(issue(2026, 1201, many))
    ]


def pictures(document: bytes | Path) -> list[np.ndarray]:
    """Each sheet in shades of grey, as a printer of 200 dots an inch would have it."""
    return [np.asarray(page.render(scale=DPI / 72).to_pil().convert("L")) for page in pypdfium2.PdfDocument(document)]


def texts(document: bytes | Path) -> list[str]:
    """The lines of each sheet."""
    return [page.get_textpage().get_text_bounded().replace("\r\n", "\n") for page in pypdfium2.PdfDocument(document)]


def decoded(document: bytes | Path) -> list[str]:
    """What a decoder reads on all sheets."""
    return sorted(one.text for picture in pictures(document) for one in zxingcpp.read_barcodes(picture))


def _mm(length: float) -> int:
    return round(length / 25.4 * DPI)


@pytest.mark.parametrize("kind", KINDS)
def test_every_qr_code_is_read_back_from_a_picture(kind: str) -> None:
    """Decoder: zxing-cpp. ISO/IEC 18004: the quiet zone round a QR code is four modules wide."""
    signs = _signs(kind, KINDS[kind].columns * KINDS[kind].rows + 1)
    document = draw(kind, signs, "Signs")
    found = [(p, one) for p in pictures(document) for one in zxingcpp.read_barcodes(p)]
    assert len(pictures(document)) == sheets(kind, len(signs)) == 2
    assert sorted(one.text for _, one in found) == [s.code for s in signs]
    for picture, one in found:
        assert (one.format, one.ec_level) == (zxingcpp.BarcodeFormat.QRCode, "Q")
        left, top, right = one.position.top_left.x, one.position.top_left.y, one.position.top_right.x
        zone = (right - left) / 21 * 4 - 2  # a version 1 symbol has 21 modules; two dots are lost to rounding
        outer = picture[round(top - zone) : round(top + right - left + zone), round(left - zone) : round(right + zone)]
        inner = round(zone - 1)
        assert min(outer[:inner].min(), outer[-inner:].min(), outer[:, :inner].min(), outer[:, -inner:].min()) > 200
    assert document == draw(kind, signs, "Signs") and document.count(b"/FontFile2") <= 2  # however many signs there are


@pytest.mark.parametrize(
    ("kind", "left", "above", "least"), [("sheet", 12, 0, 20), ("stake", 58, 24.5, 12), ("tree", 30, 20, 6.5)]
)
def test_digits_are_as_large_as_they_must_be(kind: str, left: float, above: float, least: float) -> None:
    """1 mm of height for each 100 to 200 mm of distance: common practice, no published source. Measured in the picture."""
    (picture,) = pictures(draw(kind, _signs(kind, 1), "Signs"))
    column = picture[_mm(above) : _mm(above + 49 if kind != "tree" else above + 19), _mm(left) : _mm(left + 50)]
    dark = (column < 128).sum(axis=1) > 3
    edges = np.flatnonzero(np.diff(np.concatenate(([0], dark, [0]))))
    heights = (edges[1::2] - edges[::2]) / DPI * 25.4
    assert least <= heights.max() <= least * 1.2


LONG = ("A label of a rootstock that somebody wrote in full, with its whole name and year " * 2)[:80]


@pytest.mark.parametrize("label", [LONG, "W" * 80, "26-0012-39 " * 7, "Ñandú çãõ"])
@pytest.mark.parametrize("kind", ["sheet", "stake", "tree"])
def test_long_labels_do_not_overlap(kind: str, label: str) -> None:
    shows = FULL | {"rootstock": label, "scion": [label, label], "batch": [label[:40]] * 5, "seed_lot": label, "place": label}
    document = draw(kind, [Sign(code, shows) for code in issue(2026, 1, 2)], "Signs")
    (page,) = pypdfium2.PdfDocument(document)
    lines = page.get_textpage()
    boxes = [lines.get_rect(n) for n in range(lines.count_rects())]
    assert len(boxes) > 15
    for n, (left, low, right, high) in enumerate(boxes):
        assert 0 < left < right < 210 / 25.4 * 72
        for a, b, c, d in boxes[:n]:
            assert min(right, c) - max(left, a) < 0.5 or min(high, d) - max(low, b) < 0.5
    assert decoded(document) == issue(2026, 1, 2)


def test_letters_that_cannot_be_printed_are_told() -> None:
    assert can_show("Ñandú çãõ × “Tahiti”") and can_show("\u200f")  # which is shown by its number
    assert not can_show("ליים") and not can_show("ليمون") and not can_show("柚子")


# -- a nursery with a group that is opened, one that is budded, and codes of others


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    made = Bench(new_workspace(tmp_path_factory.mktemp("begun") / "nursery"))
    made.open(0, 1000, "H1B1")
    made.open(1, 900, "Y1")
    made.note("bag_up", "03-10", 1, coverage="whole", bagged=900, any_out="no", location="Y1")
    _bud(made, 1, "06-20")
    made.take_in()
    formpack("signs", "--group", CODES[0], "--to", "../first.pdf", cwd=made.workspace.folder)  # all tables that signs need
    return made


@pytest.fixture
def bench(begun: Bench, tmp_path: Path) -> Bench:
    """The same nursery for each, before anything was printed."""
    made = Bench(Workspace(tmp_path / "nursery"))
    shutil.copytree(begun.workspace.folder, made.workspace.folder)
    made.number = begun.number
    with Store.open(made.workspace.store_file) as store, store.transaction(lets_go=True):
        store.connection.execute("DELETE FROM kept.printed")
    return made


def _bud(bench: Bench, group: int, day: str) -> None:
    lot = {"team_code": "T02", "attempt": 1, "scion": "TAHITI", "budwood_batch": "B-TAH", "buds_set": 900, "passed_over": 0}
    bench.note("budding", day, group, "11:00", **lot)


def signs(bench: Bench, *words: str, code: int = 0) -> dict[str, Any]:
    said: dict[str, Any] = json.loads(formpack("signs", *words, "--json", cwd=bench.workspace.folder, code=code))
    return said


def refused(bench: Bench, *words: str) -> str:
    said = formpack("signs", *words, cwd=bench.workspace.folder, code=2)
    assert said.count("\n") == 1
    return said.strip()


def kept(bench: Bench, query: str) -> list[tuple[Any, ...]]:
    with Store.open(bench.workspace.store_file, is_read_only=True) as store:
        return store.rows(query)


def test_a_sign_shows_what_the_books_say(bench: Bench) -> None:
    made = signs(bench, "--group", shown(CODES[1]), "--group", CODES[0], "--group", CODES[1])
    assert (made["file"], made["signs"], made["sheets"]) == ("paper/signs-sheet-1.pdf", 2, 1)
    (said,) = texts(bench.workspace.folder / made["file"])
    first, second = said.split(shown(CODES[0]), 1)
    for word in (shown(CODES[1]), "Carrizo citrange", "Tahiti lime", "B-TAH", "L2601-CARR", "Yard 1", *HEADINGS.values()):
        assert word in first, word
    assert re.findall(r"\d+ \w{3} 20\d\d", first) == ["1 Dec 2025", "2 Feb 2026", "10 Mar 2026", "20 Jun 2026"]
    assert "House 1 bench 1" in second and "Tahiti" not in second and re.findall(r"\d+ \w{3} 20\d\d", second)[2:] == []
    assert decoded(bench.workspace.folder / made["file"]) == sorted(CODES[:2])
    made = signs(bench, "--group", CODES[1], "--language", "es")
    assert "10 mar 2026" in texts(bench.workspace.folder / made["file"])[0]
    assert kept(bench, "SELECT kind, about FROM kept.printed ORDER BY number") == [
        ("sheet", CODES[1]),
        ("sheet", CODES[0]),
        ("sheet", CODES[1]),
    ]


def test_a_place_has_what_is_part_of_it(bench: Bench) -> None:
    assert [g["group_code"] for g in signs(bench, "--place", "H1", "--kind", "stake")["groups"]] == [CODES[0]]
    assert refused(bench, "--place", "House 1") == "--place House 1 is not in lists/locations.csv; H1?"
    with (bench.workspace.lists / "locations.csv").open("a", encoding="utf-8") as file:
        file.write("H3,House 3,H4\nH4,House 4,H3\n")
    assert refused(bench, "--place", "H3") == "No group stands in House 3, so there is no sign to print."


def test_batches_go_with_plants_that_are_moved_but_not_with_failed_buds(bench: Bench) -> None:
    bench.note("transfer", "07-05", 1, to_group=CODES[0], moved=100, transfer_reason="regrade")
    bench.note("transfer", "07-06", 1, to_group=CODES[2], moved=10, transfer_reason="set_aside")
    bench.take_in()
    first, second = signs(bench, "--group", CODES[0], "--group", CODES[2])["groups"]
    assert (first["batch"], first["scion"], first["budded"], first["bagged"]) == (
        ["B-TAH"],
        ["Tahiti lime"],
        "2026-06-20",
        None,
    )
    assert (second["batch"], second["scion"], second["budded"]) == (None, None, None)
    assert (second["planted"], second["bagged"], second["place"]) == ("2026-02-02", "2026-03-10", "Yard 1")


def test_changed_is_what_the_last_sign_does_not_say(bench: Bench) -> None:
    def codes(*words: str) -> list[str]:
        return [g["group_code"] for g in signs(bench, "--changed", *words)["groups"]]

    (fresh,) = signs(bench, "--new", "1", "--year", "2025")["issued"]
    assert sorted(codes()) == sorted(CODES[:2]) and codes() == []
    assert codes("--kind", "stake") == []
    _bud(bench, 0, "07-02")
    bench.note("relocate", "07-03", 1, location="H1")
    opening = dict(bench.rows["relocate"][0]) | {"KEY": "uuid:fresh", "group_code": fresh, "seed_lot": "L2601-CARR"}
    plants = {"rootstock": "CARRIZO", "sow_date": "2025-12-01", "lifted": 9, "planted": 9, "location": "Y1"}
    bench.rows["open_group"] = [opening | plants | dict.fromkeys(CULLS.split(","), 0)]
    bench.take_in()
    assert sorted(codes("--kind", "tree")) == sorted([CODES[0], fresh])
    assert sorted(codes()) == sorted([CODES[0], CODES[1], fresh])  # of a move the strips of trees say nothing
    assert codes() == []
    houses = bench.workspace.lists / "locations.csv"
    houses.write_text(houses.read_text(encoding="utf-8").replace("House 1,", "ליים,"), encoding="utf-8")
    (moved,) = signs(bench, "--changed")["groups"]
    assert (moved["group_code"], moved["place"]) == (CODES[1], "H1")  # its letters cannot be printed


def test_new_codes_are_in_order_and_beyond_all_that_came(bench: Bench) -> None:
    """Check digits by python-stdnum."""
    others = [p + check_digits(p) for p in ("260900", "260901", "260902")]
    bench.count("07-01", 0, 1)  # quarantined below: its group is not known
    bench.rows["stock_count"][-1] |= {"group_code": others[0], "staff_code": "nobody"}
    bench.note("transfer", "07-02", 0, to_group=others[1], moved=5, transfer_reason="regrade")
    bench.note("relocate", "07-03", 0, location=shown(others[2]))
    bench.write()
    formpack("import", cwd=bench.workspace.folder, code=1)
    first = signs(bench, "--new", "3")
    assert [c[:6] for c in first["issued"]] == ["260903", "260904", "260905"]
    assert [g["scion"] for g in first["groups"]] == [None] * 3
    second = signs(bench, "--new", "2", "--kind", "tree", "--copies", "20")
    assert [c[:6] for c in second["issued"]] == ["260906", "260907"] and (second["signs"], second["sheets"]) == (40, 4)
    assert all(mod_97_10.is_valid(code) for code in first["issued"] + second["issued"])
    named = "-to-".join(map(shown, second["issued"]))
    assert second["file"] == f"paper/signs-new-{named}.pdf", "a file of their own, which no later print replaces"
    assert decoded(bench.workspace.folder / second["file"]) == sorted(second["issued"] * 20)
    assert texts(bench.workspace.folder / second["file"])[0].count("loop") == 13
    assert signs(bench, "--group", first["issued"][0])["groups"][0]["place"] is None
    said = formpack("signs", "--new", "2", "--year", "2027", cwd=bench.workspace.folder)
    assert refused(bench, "--new", "1", "--year", "2100") == "--year takes a number from 2000 to 2099."
    first_of, last_of = (shown(p + mod_97_10.calc_check_digits(p)) for p in ("270001", "270002"))
    assert f"2 codes were issued and will not be issued again: {first_of} to {last_of}." in said
    assert "`formpack signs --group CODE` prints an issued code again." in said
    formpack("check", cwd=bench.workspace.folder)


def test_codes_run_out(workspace: Workspace) -> None:
    bench = Bench(workspace)
    signs(bench, "--new", "1")
    with Store.open(workspace.store_file) as store, store.transaction():
        store.insert("kept.codes", ("code",), [(code,) for code in issue(2026, 4, 9994)])
    assert refused(bench, "--new", "5") == (
        "4 codes of 2026 are left, fewer than 5, so none was issued; name another --year, or ask for fewer."
    )
    assert [code[2:6] for code in signs(bench, "--new", "4")["issued"]] == ["9998", "9999", "0002", "0003"]
    assert refused(bench, "--new", "1").startswith("0 codes of 2026 are left")
    assert refused(bench, "--new", "0") == "--new takes a number from 1 to 5,000."
    assert kept(bench, "SELECT count(*) FROM kept.codes") == [(9999,)]


def test_two_at_once_get_codes_of_their_own(workspace: Workspace) -> None:
    signs(Bench(workspace), "--new", "1")

    def begin(to: str) -> subprocess.Popen[str]:
        line = "from pipeline.cli import main; main()"
        words = [sys.executable, "-c", line, "signs", "--new", "30", "--kind", "tree", "--to", to, "--json"]
        env = os.environ | {"PYTHONPATH": str(ROOT)}
        return subprocess.Popen(words, cwd=workspace.folder, env=env, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    issued: list[str] = []
    for child, to in [(begin(to), to) for to in ("a.pdf", "b.pdf")]:
        out, err = child.communicate(timeout=120)
        if child.returncode:  # a slow machine: the second waited for five seconds
            assert err == "Another command is using the store; wait until it ends and try again.\n"
            out, err = begin(to).communicate(timeout=120)
        issued += json.loads(out)["issued"]
        assert set(decoded(workspace.folder / to)) == set(json.loads(out)["issued"])
    assert len(set(issued)) == 60 and sorted(c[2:6] for c in issued) == [f"{n:04d}" for n in range(2, 62)]


def test_where_the_file_cannot_be_written_nothing_is_kept(workspace: Workspace) -> None:
    bench = Bench(workspace)
    named = "-to-".join(shown(issue(2026, n, 1)[0]) for n in (1, 3))
    for blocked, to in ((f"paper/signs-new-{named}.pdf", ()), ("here.pdf", ("--to", "here.pdf"))):
        (workspace.folder / blocked).mkdir(parents=True)
        assert "could not be replaced" in refused(bench, "--new", "3", *to)
        assert "There is no folder nowhere" in refused(bench, "--new", "3", "--to", "nowhere/x.pdf")
        assert kept(bench, "SELECT code FROM kept.codes UNION SELECT about FROM kept.printed") == []
        shutil.rmtree(workspace.folder / blocked)
        formpack("check", cwd=workspace.folder)
    assert [code[2:6] for code in signs(bench, "--new", "1")["issued"]] == ["0001"]


class _FewFaults(Faults):
    """Fails only where the store or the file becomes what it is to be."""

    def reach(self, kind: str, wrong: Any) -> None:
        if kind in ("COMMIT", "committed", "os.rename"):
            super().reach(kind, wrong)


def _fail(folder: Path, way: str, at: int) -> int:
    faults = _FewFaults(folder, way, at)
    faults.watch()
    code = command(("signs", "--new", "2"), folder, folder.parent / "said")
    return code if len(faults.seen) >= at else 77


@pytest.mark.parametrize("way", ["killed", "refused", "stopped"])
def test_no_code_stands_on_two_signs_whatever_fails(way: str, workspace: Workspace, tmp_path: Path) -> None:
    signs(Bench(workspace), "--new", "1", "--kind", "tree")
    ends = set()
    for at in range(1, 40):
        folder = tmp_path / f"{way}-{at}"
        shutil.copytree(workspace.folder, folder)
        if (code := in_child(_fail, folder, way, at)) == 77:
            break
        assert code in (KILLED, 2, 0)
        bench = Bench(Workspace(folder))
        settle(folder)  # so the next command finishes what was decided
        printed = workspace_signs(folder)
        issued = {c for (c,) in kept(bench, "SELECT code FROM kept.codes")}
        assert printed <= issued
        if (len(printed), len(issued)) not in ends:
            assert not printed & set(signs(bench, "--new", "2", "--to", str(tmp_path / "next.pdf"))["issued"])
        ends.add((len(printed), len(issued)))
    assert at > 5 and ends >= {(0, 1), (2, 3)}, ends


def workspace_signs(folder: Path) -> set[str]:
    return {code for path in (folder / "paper").glob("signs-new-*-to-*.pdf") for code in decoded(path)}


def test_what_cannot_be_printed_is_said_in_a_sentence(bench: Bench) -> None:
    (name,) = (shown(c) for c in CODES[:1])
    ways = "Say which signs, in one way: --group CODE, --place CODE, --changed or --new N."
    assert refused(bench) == refused(bench, "--changed", "--place", "H1") == ways
    assert refused(bench, "--group", f"{name[:-1]}0") == (
        f"{name[:-1]}0 is no code of a group: a digit is wrong, or two are swapped; {name}?"
    )
    assert refused(bench, "--group", "house") == "house is no code of a group, which has eight digits, and no submission."
    assert "Group 26-0012-39 is not in the books" in refused(bench, "--group", "26001239")
    assert refused(bench, "--changed", "--kind", "poster") == "--kind poster: the kinds are sheet, stake, tree, passport."
    assert refused(bench, "--changed", "--year", "2026").startswith("--year goes with --new")
    assert refused(bench, "--changed", "--to", "x.png") == "x.png must end in .pdf."
    assert (
        refused(bench, "--new", "5000", "--copies", "5") == "That is 25,000 signs, and one print takes 20,000; ask for fewer."
    )
    assert kept(bench, "SELECT * FROM kept.codes") == []
    bench.count("08-01", 0, 0)
    bench.take_in()
    assert refused(bench, "--group", name) == f"Of group {name} nothing stands any more, so it needs no sign."


# -- plant passports: Regulation (EU) 2016/2031, Annex VII Part A


def _passport(bench: Bench, text: str = ON, botanical: str = "Citrus × latifolia") -> None:
    settings = bench.workspace.folder / "nursery.toml"
    settings.write_text(settings.read_text(encoding="utf-8").split("\n[passport]")[0] + text, encoding="utf-8")
    scions = f"code,label,botanical_name\nTAHITI,Tahiti lime,{botanical}\n"
    (bench.workspace.lists / "scions.csv").write_text(scions, encoding="utf-8")


def test_a_passport_has_the_four_elements_and_nothing_else(bench: Bench) -> None:
    off = "Plant passports are off: set country, registration and origin of your own under [passport] in nursery.toml"
    assert refused(bench, "--group", CODES[1], "--kind", "passport") == f"{off} to print them."
    _passport(bench)
    said = formpack("signs", "--group", CODES[1], "--kind", "passport", "--copies", "2", cwd=bench.workspace.folder)
    assert "The operator answers for what a plant passport says" in said
    file = bench.workspace.paper / "signs-passport-1.pdf"
    elements = ["A. Citrus × latifolia, Tahiti lime", "B. XX-AB12", f"C. {shown(CODES[1])}", "D. XX"]
    assert " ".join(texts(file)[0].split()) == " ".join(["Plant Passport / Pasaporte fitosanitario", *elements] * 2)
    assert decoded(file) == [CODES[1]] * 2
    # the flag at the top left: twelve stars in a circle, as the graphics guide to the European emblem draws it
    page = pypdfium2.PdfDocument(file)[0]
    colours = np.asarray(page.render(scale=DPI / 72).to_pil().convert("RGB")).astype(int)
    middle = (15 + 6 + 7.5, 13.5 + 6 + 5)  # of the first passport, in mm from the left and from the top of the sheet
    at = [(middle[0] + 10 / 3 * np.sin(n * np.pi / 6), middle[1] - 10 / 3 * np.cos(n * np.pi / 6)) for n in range(12)]
    stars = [colours[_mm(y), _mm(x)] for x, y in at]
    assert all(np.abs(star - (255, 204, 0)).max() < 40 for star in stars)
    assert np.abs(colours[_mm(middle[1]), _mm(middle[0])] - (0, 51, 153)).max() < 5


def test_a_passport_of_great_britain(bench: Bench) -> None:
    _passport(bench, ON.replace("XX", "GB"))
    signs(bench, "--group", CODES[1], "--kind", "passport")
    file = bench.workspace.paper / "signs-passport-1.pdf"
    elements = ["UK Plant Passport", "A. Citrus × latifolia, Tahiti lime", "B. AB12", f"C. {shown(CODES[1])}", "D. GB"]
    assert " ".join(texts(file)[0].split()) == " ".join(elements)
    (picture,) = (page.render(scale=1).to_pil().convert("RGB") for page in pypdfium2.PdfDocument(file))
    colours = np.asarray(picture).astype(int)
    assert np.ptp(colours, axis=2).max() < 10  # no flag


def test_what_a_passport_lacks_is_said(bench: Bench) -> None:
    _passport(bench, botanical="")
    said = formpack("signs", "--place", "Y1", "--kind", "passport", cwd=bench.workspace.folder, code=1)
    code = shown(CODES[1])
    assert said == (f"{code} gets no passport: lists/scions.csv has no botanical_name of TAHITI.\nNo passport was printed.\n")
    said = signs(bench, "--group", CODES[0], "--kind", "passport", code=1)["left_out"]
    assert said == [f"{shown(CODES[0])} gets no passport: no scion is recorded in it."]
    for wrong, why in (
        (ON.replace('country = "XX"', 'country = "xx"'), "country is 'xx'; write the two capital letters of ISO 3166-1."),
        (ON.replace("AB12", "AB 12"), "registration is 'AB 12'; write letters and digits alone."),
        (ON.replace('country = "XX"', 'country = "GB"'), "origin is 'XX'; on a UK plant passport it is GB."),
        (ON.replace("Pasaporte", "דרכון"), "local_title has letters that cannot be printed here; write it in Latin letters."),
    ):
        _passport(bench, wrong)
        assert refused(bench, "--place", "Y1", "--kind", "passport") == f"nursery.toml [passport]: {why}"
    assert refused(bench, "--new", "2", "--kind", "passport").startswith("Plant passports are printed of groups that grow")
    assert not (bench.workspace.paper / "signs-passport-1.pdf").exists()
