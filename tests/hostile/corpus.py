"""Bad and odd input of our own invention: file name -> (bytes, what becomes of each thing in it).

What becomes of it is a list of (state, rule): one for each submission or unreadable part, in any order; rule '' means
that nothing is found wrong. All cases stand in one nursery whose group GROUP is open with 960 plants.
"""

from __future__ import annotations

import io
import json
import re
import stat
import zipfile
from collections.abc import Iterable, Iterator

from formpack.group_code import check_digits, issue

GROUP, OTHER = issue(2026, 701, 2)
Outcome = list[tuple[str, str]]
GOOD: Outcome = [("accepted", "")]
_DIGIT = str((int(GROUP[4]) + 1) % 10)


def count(identity: str, **changed: object) -> dict[str, object]:
    """A sound stock count, with answers changed or (None) left out."""
    answers: dict[str, object] = {
        "form_id": "stock_count",
        "KEY": identity,
        "visit_date": "2026-04-01",
        "staff_code": "S01",
        "group_code": GROUP,
        "coverage": "whole",
        "counted": 958,
        "note": identity,
    }
    return {k: v for k, v in (answers | changed).items() if v is not None}


def xml(
    identity: str, inside: str = "<counted>958</counted>", root: str = 'data id="stock_count" version="2026112603"'
) -> bytes:
    """A sound stock count as XML, with its count or its root changed."""
    name = root.split()[0]
    return (
        f"<{root}><visit_date>2026-04-01</visit_date><staff_code>S01</staff_code><group_code>{GROUP}</group_code>"
        f"<coverage>whole</coverage>{inside}<note>{identity}</note><meta><instanceID>{identity}</instanceID></meta></{name}>"
    ).encode()


def archive(*members: tuple[str | zipfile.ZipInfo, bytes]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in members:
            made.writestr(name, content)
    return file.getvalue()


def _answers() -> Iterator[tuple[str, dict[str, object], Outcome]]:
    stop = "quarantined"
    tries: dict[str, list[tuple[object, str]]] = {
        "counted": [
            ("-1", "impossible_value"),
            ("20001", "impossible_value"),
            ("1e3", "wrong_type"),
            ("NaN", "wrong_type"),
            ("inf", "wrong_type"),
            ("12.0", "wrong_type"),
            ("1,000", "wrong_type"),
            ("1 000", "wrong_type"),
            ("٩٤٠", "wrong_type"),
            ("９４０", "wrong_type"),
            ("9" * 19, "wrong_type"),
            ("9223372036854775807", "wrong_type"),
            ("-9223372036854775808", "wrong_type"),
            ("9" * 18, "impossible_value"),
            ("0x10", "wrong_type"),
            ("1_000", "wrong_type"),
            ("+5", "wrong_type"),
            ("", "missing_answer"),
            (None, "missing_answer"),
            (True, "wrong_type"),
            ("95O", "wrong_type"),
            ([1, 2], "wrong_type"),
            ([940], "wrong_type"),
            ([[940]], "wrong_type"),
            ({"a": {"b": 3}}, "missing_answer"),
            ("958'--", "wrong_type"),
            (9.58e2, "wrong_type"),
        ],
        "visit_date": [
            ("2/3/26", "wrong_type"),
            ("46083", "wrong_type"),
            ("2026-02-30", "wrong_type"),
            ("2026-3-2", "wrong_type"),
            ("0001-01-01", "impossible_value"),
            ("9999-12-31", "impossible_value"),
            ("2026-04-01T00:00:00", "wrong_type"),
            ("tomorrow", "wrong_type"),
            ("2027-01-01", "impossible_value"),
            ("２０２６-04-01", "wrong_type"),
            ("2026-01-01", "before_opening"),
            ("99999", "wrong_type"),
            ("", "missing_answer"),
        ],
        "group_code": [
            (GROUP[:4] + _DIGIT + GROUP[5:], "bad_code"),
            (GROUP[:7], "bad_code"),
            ("ABCDEFGH", "bad_code"),
            ("２" + GROUP[1:], "bad_code"),
            ("", "missing_answer"),
            (f"{GROUP}9", "bad_code"),
            ("' OR 1=1 --", "bad_code"),
            (next(f"{n:06d}00" for n in range(260_000, 270_000) if check_digits(f"{n:06d}") == "97"), "bad_code"),
        ],
        "staff_code": [
            ("S99", "not_in_list"),
            ("s01", "not_in_list"),
            ("'; DROP TABLE kept.raw_files; --", "not_in_list"),
            ("S01 S02", "not_in_list"),
            ("=S01", "not_in_list"),
            ("\u202eS01", "not_in_list"),
        ],
        "coverage": [("all", "not_in_list"), ("WHOLE", "not_in_list"), ("whole part", "not_in_list")],
    }
    for field, values in tries.items():
        for number, (value, rule) in enumerate(values):
            identity = f"{field}-{number}"
            yield identity, count(identity, **{field: value}), [(stop, rule)]
    odd = [
        "'; DELETE FROM answers.stock_count; --",
        "=cmd|' /C calc'!A0",
        "+1+1",
        "@SUM(A1)",
        "\u202e\u2066reversed",
        "x" * 1_000_000,
        "{label} {value} %s",
        "<b>&amp;</b>",
        "line\nline\r\nline",
        "é" * 1000,
        '"',
        "\\",
        "\t",
    ]
    for number, text in enumerate(odd):
        yield f"note-{number}", count(f"note-{number}", visit_date=f"2026-05-{number + 1:02d}", note=f"n{number}{text}"), GOOD
    yield "note-nul", count("note-nul", note="a\0b"), [(stop, "wrong_type")]
    yield "spaces", count("spaces", counted="  958  ", visit_date="2026-06-01"), GOOD
    yield "unknown", {"form_id": "watering", "KEY": "unknown", "litres": 5}, [(stop, "unknown_form")]
    yield "odd-form", {"form_id": "../x'; --", "KEY": "odd-form"}, [(stop, "unknown_form")]
    yield "elsewhere", count("elsewhere", group_code=OTHER), [("waiting", "waits_for_group")]
    yield "itself", count("itself", deprecatedID="itself"), [(stop, "edit_loop")]
    yield "surplus", count("surplus", counted="940", visit_date="2026-06-02", phase_of_moon="full"), GOOD


def _files() -> Iterator[tuple[str, bytes, Outcome]]:
    def out(rule: str) -> Outcome:
        return [("quarantined", rule)]

    unreadable, refused = out("unreadable_file"), out("refused_file")
    yield "empty.xml", b"", unreadable
    yield "blank.csv", b"\n \n", unreadable
    yield "cut.xml", xml("cut")[:120], unreadable
    yield "deep.xml", b"<a>" * 100_000, refused
    yield "deep-and-closed.xml", b"<a>" * 3000 + b"</a>" * 3000, refused
    yield "entities.xml", b'<!DOCTYPE d [<!ENTITY a "aaaa">]><data id="loss">&a;</data>', refused
    laughs = b"".join(b'<!ENTITY l%d "%s">' % (n, b"&l%d;" % (n - 1) * 10) for n in range(1, 10))
    yield "laughs.xml", b'<!DOCTYPE d [<!ENTITY l0 "ha">' + laughs + b"]><d>&l9;</d>", refused
    yield "outside.xml", b'<!DOCTYPE d [<!ENTITY x SYSTEM "file:///etc/passwd">]><d>&x;</d>', refused
    yield "dtd.xml", b'<!DOCTYPE d SYSTEM "http://192.0.2.1/d.dtd"><d/>', refused
    yield "wrong-encoding.xml", b'<?xml version="1.0" encoding="utf-8"?><d>\xff\xfe</d>', unreadable
    yield "no-encoding.xml", b'<?xml version="1.0" encoding="klingon"?><d/>', unreadable
    yield (
        "sixteen.xml",
        b'<?xml version="1.0" encoding="utf-16"?>'.decode().encode("utf-16") + xml("sixteen").decode().encode("utf-16-le"),
        GOOD,
    )
    yield (
        "latin.xml",
        b'<?xml version="1.0" encoding="iso-8859-1"?>'
        + xml("latin", "<counted>957</counted><x>é</x>").decode().encode("latin-1"),
        GOOD,
    )
    yield "locked.xml", b'<data id="loss" encrypted="yes"><media/></data>', unreadable
    yield (
        "namespaced.xml",
        xml("namespaced", "<counted>956</counted>", 'o:data xmlns:o="http://openrosa.org/xforms" id="stock_count"'),
        GOOD,
    )
    yield "twice.xml", xml("twice", "<counted>958</counted><again><counted>985</counted></again>"), out("answered_twice")
    yield (
        "no-identity.xml",
        xml("no-identity", "<counted>955</counted>").replace(b"<instanceID>no-identity</instanceID>", b""),
        [("accepted", "no_identity")],
    )
    yield "html.xml", b"<!doctype html><html><p>Log in</p></html>", unreadable
    yield "binary.xml", bytes(range(256)), unreadable
    yield "comment-bomb.xml", b"<!--" + b"-" * 100_000 + b"--><d/>", unreadable
    yield "semicolons.csv", b"KEY;visit_date\nk;2026-04-01\n", unreadable
    yield "ragged-stock_count.csv", b"KEY,visit_date\nk\n", out("unreadable_row")
    yield "quote.csv", b'KEY,note\nk,"never closed\n', out("unreadable_row")
    yield "latin.csv", "KEY,note\nk,Jos\xe9\n".encode("latin-1"), unreadable
    yield "sixteen.csv", "KEY,note\nk,x\n".encode("utf-16"), unreadable
    yield "nul.csv", b"KEY,note\nk,\0\n", out("unknown_form")
    yield "header-only.csv", b"KEY,visit_date\n", unreadable
    yield "xml-called.csv", xml("xml-called"), unreadable
    yield "nothing.json", b"[]", unreadable
    yield "stock_count-bom.csv", b"\xef\xbb\xbf" + _row("bom", 954).encode(), GOOD
    yield "stock_count-crlf.csv", _row("crlf", 953).replace("\n", "\r\n").encode(), GOOD
    yield (
        "stock_count-columns-twice.csv",
        _row("columns", 952).replace("note", "x/counted").replace("columns\n", "951\n").encode(),
        out("answered_twice"),
    )
    yield "broken.json", b"{", unreadable
    yield "list-of-numbers.json", b"[1, 2]", out("unreadable_row") * 2
    yield "deep.json", b'{"a":' * 100_000, refused
    yield "deep-list.json", b"[" * 100_000 + b"]" * 100_000, refused
    yield (
        "keys-twice.json",
        json.dumps(count("keys-twice")).replace('"counted": 958', '"counted": 958, "counted": 859').encode(),
        out("answered_twice"),
    )
    yield "surrogate.json", json.dumps(count("surrogate")).replace("958", '"\\ud800"').encode(), out("wrong_type")
    yield "big-number.json", b'{"form_id": "stock_count", "counted": ' + b"9" * 5000 + b"}", [("quarantined", "missing_answer")]
    yield (
        "half.ndjson",
        json.dumps(count("half", counted=950)).encode() + b'\n{"form_id": \n',
        [("accepted", ""), ("quarantined", "unreadable_row")],
    )
    yield "not.zip", b"PK\3\4 not really", refused
    yield "up.zip", archive(("../up.xml", xml("up"))), refused
    yield "root.zip", archive(("/root.xml", xml("root"))), refused
    yield "drive.zip", archive(("C:\\drive.xml", xml("drive"))), refused
    yield "nested.zip", archive(("inner.zip", archive(("a.xml", xml("nested"))))), refused
    link = zipfile.ZipInfo("link.xml")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    yield "link.zip", archive((link, b"/etc/passwd")), refused
    yield "bomb.zip", archive(*((f"{n}.csv", b"0" * 60_000_000) for n in range(9))), refused
    yield "large-member.zip", archive(("a.xml", b" " * 70_000_000)), refused
    damaged = bytearray(archive(("a.xml", xml("damaged") * 50)))
    damaged[60:90] = b"\0" * 30
    yield "damaged.zip", bytes(damaged), unreadable
    yield (
        "mixed.zip",
        archive(("1.xml", xml("mixed", "<counted>949</counted>")), ("2.xml", b"<x"), ("photo.jpg", b"\xff")),
        [("accepted", ""), ("quarantined", "unreadable_file")],
    )
    yield "not.xlsx", b"PK\3\4 nor really", refused
    yield "empty.xlsx", archive(("a", b"")), unreadable
    yield "stock_count-claims.xlsx", workbook(_cells(955), "A1:XFD1048576"), GOOD
    yield (
        "stock_count-stray.xlsx",
        workbook([*_cells(954), _cell("XFD3")], "A1:XFD3"),
        [
            ("accepted", ""),
            ("quarantined", "missing_answer"),
        ],
    )
    yield "stock_count-scattered.xlsx", workbook(_cell(f"XFD{n}") for n in range(1, 10_000)), refused
    yield "stock_count-far.xlsx", workbook([_cell("A1"), _cell("A99999999999")]), refused
    yield "stock_count-row.xlsx", workbook([_cell("A1"), _cell("A2") + "<c/>" * 600_000]), refused
    yield "stock_count-wide.xlsx", workbook([_cell("A1") + _cell("XFD1"), _cell("A2")]), refused
    yield "ones.json", b"[" + b",".join([b"1"] * 200_000) + b"]", out("unreadable_row") * 1001
    yield "empty-members.zip", archive(*((f"{n}.xml", b"") for n in range(10_000))), unreadable
    yield "elements.xml", b'<data id="loss">' + b"<a/>" * 300_000 + b"</data>", refused
    yield "columns.csv", b"," * 3000 + b"\n" + b"," * 3000 + b"\n", refused
    yield "one-row.csv", b"KEY,note\n" + b"," * 2_000_000 + b"\n", out("unreadable_row")
    for number, form_id in enumerate(("stock_count_plan", "stock_count-DRAFT", "stock_count'; DELETE FROM kept.raw_files; --")):
        root = f'data id="{form_id}" version="1"'
        yield f"not-{number}.xml", xml(f"not-{number}", "<counted>950</counted>", root), out("unknown_form")
    yield "not.json", json.dumps(count("not-json", form_id="stock_count-DRAFT")).encode(), out("unknown_form")
    yield (
        "not.csv",
        _row("not-csv", 950).replace("KEY", "form_id,KEY").replace("not-csv,", "loss2,not-csv,", 1).encode(),
        out("unknown_form"),
    )
    yield "stock_count_plan.csv", _row("plan", 950).encode(), out("unknown_form")
    yield "letter.pdf", b"%PDF-1.4", unreadable
    yield "photo.jpg", b"\xff\xd8\xff", []
    yield "no-ending", xml("no-ending", "<counted>948</counted>"), GOOD
    yield "same-1.xml", xml("same", "<counted>947</counted>"), []
    yield "same-2.xml", xml("same", "<counted>946</counted>"), out("two_versions")
    loop = [
        count("loop-a", deprecatedID="loop-c"),
        count("loop-b", deprecatedID="loop-a"),
        count("loop-c", deprecatedID="loop-b"),
    ]
    yield "loop.json", json.dumps(loop).encode(), out("edit_loop") * 3
    yield (
        "other-form.json",
        json.dumps(count("other-form", counted=945, deprecatedID="opening")).encode(),
        out("edit_of_other_form"),
    )


def _cell(place: str, text: str = "x") -> str:
    return f'<c r="{place}" t="inlineStr"><is><t>{text}</t></is></c>'


def _cells(counted: int) -> list[str]:
    """A heading and a sound count, as the cells of two rows."""
    said = ("visit_date", "2026-06-03"), ("staff_code", "S01"), ("group_code", GROUP), ("coverage", "whole")
    answers = (*said, ("counted", str(counted)))
    return ["".join(_cell(f"{'ABCDE'[i]}{row + 1}", answer[row]) for i, answer in enumerate(answers)) for row in range(2)]


def workbook(rows: Iterable[str], claims: str = "A1") -> bytes:
    """A workbook with one sheet of these cells, each in a row of its own, that claims to be of a size."""
    import openpyxl

    made = io.BytesIO()
    openpyxl.Workbook().save(made)
    inside = "".join(f'<row r="{re.findall("[A-Z]([0-9]+)", row)[0]}">{row}</row>' for row in rows)
    sheet = (
        '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        f'<dimension ref="{claims}"/><sheetData>{inside}</sheetData></worksheet>'
    )
    with zipfile.ZipFile(made) as book:
        members = [(n, sheet.encode() if n.endswith("sheet1.xml") else book.read(n)) for n in book.namelist()]
    return archive(*members)


def _row(identity: str, counted: int) -> str:
    head = "KEY,visit_date,staff_code,group_code,coverage,counted,note"
    return f"{head}\n{identity},2026-04-01,S01,{GROUP},whole,{counted},{identity}\n"


OPENING = {
    "form_id": "open_group",
    "KEY": "opening",
    "visit_date": "2026-03-02",
    "staff_code": "S01",
    "group_code": GROUP,
    "seed_lot": "L2601-CARR",
    "rootstock": "CARRIZO",
    "sow_date": "2025-12-01",
    "lifted": 960,
    **dict.fromkeys("cull_off_type cull_bent_root cull_etiolated cull_weak cull_other".split(), 0),
    "planted": 960,
    "location": "H1",
}


def corpus() -> dict[str, tuple[bytes, Outcome]]:
    """Every case by its file name."""
    cases = {f"{name}.answer.json": (json.dumps(answers).encode(), outcome) for name, answers, outcome in _answers()}
    return cases | {name: (content, outcome) for name, content, outcome in _files()}
