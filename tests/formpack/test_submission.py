from __future__ import annotations

import io
import zipfile

import openpyxl
import pytest

from formpack.submission import Unread
from formpack.words import unpacked
from tests.received import Received, read

XML = (
    '<{p}data xmlns:{q}="http://x" id="bud_take" {v}="7"><{p}counts><{p}green> 40 </{p}green><{p}brown/></{p}counts>'
    "<orx:meta xmlns:orx='http://openrosa.org/xforms'><orx:instanceID>uuid:1</orx:instanceID>"
    "<orx:deprecatedID>uuid:0</orx:deprecatedID></orx:meta></{p}data>"
)


@pytest.mark.parametrize(("p", "q", "v"), [("", "o", "version"), ("o:", "o", "o:version")])
def test_xml_is_read_with_or_without_namespaces(p: str, q: str, v: str) -> None:
    (found,) = read(XML.format(p=p, q=q, v=v).encode(), "a.xml")
    assert found == Received("a.xml", "bud_take", "7", "uuid:1", "uuid:0", {"green": "40"})


@pytest.mark.parametrize("mark", ["/", "-", ".", ":"])
@pytest.mark.parametrize("prefix", ["", "counts", "data{m}counts"])
def test_a_column_is_known_by_its_last_part(mark: str, prefix: str) -> None:
    column = f"{prefix.format(m=mark)}{mark}green" if prefix else "green"
    (found,) = read(f"{column},meta{mark}instanceID\n40,uuid:1\n".encode(), "bud_take-2026-11-02.csv")
    assert isinstance(found, Received)
    assert (found.form_id, found.instance_id, found.answers) == ("bud_take-2026-11-02", "uuid:1", {"green": "40"})


def test_json_in_its_shapes() -> None:
    one = b'{"form_id": "loss", "counts": {"lost": 4, "loss_cause": "frost"}, "meta": {"instanceID": "uuid:1"}}'
    for content, name in (
        (one, "x.json"),
        (b"[" + one + b"]", "x.json"),
        (b'{"value": [' + one + b"]}", "x.json"),
        (one, "x.ndjson"),
    ):
        (found,) = read(content, name)
        assert isinstance(found, Received)
        assert (found.form_id, found.instance_id, found.answers) == ("loss", "uuid:1", {"lost": "4", "loss_cause": "frost"})


def test_numbers_in_json_stay_as_written() -> None:
    (found,) = read(b'{"a": 1e3, "b": NaN, "c": 1.0, "d": true, "e": null}', "x.json")
    assert isinstance(found, Received)
    assert found.answers == {"a": "1e3", "b": "NaN", "c": "1.0", "d": "true"}


def test_workbooks_give_days_and_whole_numbers() -> None:
    import datetime as dt

    book = openpyxl.Workbook()
    assert book.active is not None
    for row in (
        ["visit_date", "counted", "stem_mm", "KEY"],
        [dt.datetime(2026, 3, 2), 940, 8.5, "k"],
        [46083, 940.0, None, "l"],
    ):
        book.active.append(row)
    file = io.BytesIO()
    book.save(file)
    first, second = read(file.getvalue(), "stock_count.xlsx")
    assert isinstance(first, Received) and isinstance(second, Received)
    assert first.answers == {"visit_date": "2026-03-02", "counted": "940", "stem_mm": "8.5"}
    assert second.answers == {"visit_date": "46083", "counted": "940"}


def test_the_same_row_gets_the_same_identity() -> None:
    first, second, third = read(b"a,b\n1,2\n1,2\n1,3\n", "x.csv")
    assert isinstance(first, Received) and isinstance(second, Received) and isinstance(third, Received)
    assert first.instance_id == second.instance_id != third.instance_id
    assert first.instance_id.startswith("row:")


def test_repeated_keys_are_told() -> None:
    (found,) = read(b'{"green": 1, "green": 2, "x": 1, "x": 1}', "x.json")
    assert isinstance(found, Received)
    assert found.twice == ("green",)


def _zip(*members: tuple[str, bytes]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            archive.writestr(name, content)
    return file.getvalue()


def _link() -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        entry = zipfile.ZipInfo("a.xml")
        entry.external_attr = 0o120777 << 16
        archive.writestr(entry, "/etc/passwd")
    return file.getvalue()


def test_archives_give_what_is_in_them() -> None:
    inside = XML.format(p="", q="o", v="version").encode()
    found = list(read(_zip(("1/a.xml", inside), ("1/photo.jpg", b"\xff\xd8"), ("t/loss.csv", b"lost\n3\n")), "day.zip"))
    assert [f.place for f in found] == ["day.zip: 1/a.xml", "day.zip: t/loss.csv, row 2"]
    assert all(isinstance(f, Received) for f in found)


@pytest.mark.parametrize(
    ("name", "content", "rule", "says"),
    [
        ("a.xml", b"<data", "unreadable_file", "cannot be read"),
        ("a.xml", b"", "unreadable_file", "empty"),
        ("a.xml", b'<!DOCTYPE a SYSTEM "x"><a/>', "refused_file", "document type"),
        ("a.xml", b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "refused_file", "entities"),
        ("a.xml", b"<a>" * 100_000, "refused_file", "deep"),
        ("a.xml", b'<?xml version="1.0" encoding="utf-16"?><a/>', "unreadable_file", "cannot be read"),
        ("a.xml", b"<data><note>\xff\xfe</note></data>", "unreadable_file", "cannot be read"),
        ("a.xml", b'<data encrypted="yes" id="x"><media/></data>', "unreadable_file", "encrypted"),
        ("a.csv", b"a;b\n1;2\n", "unreadable_file", "semicolons"),
        ("a.csv", b"a,b\n1\n", "unreadable_row", "header has: 1 instead of 2"),
        ("a.csv", b'a,b\n"1,2\n', "unreadable_row", "cannot be read"),
        ("a.csv", "é".encode("latin-1"), "unreadable_file", "UTF-8"),
        ("a.csv", "a,b\n1,2".encode("utf-16"), "unreadable_file", "UTF-8"),
        ("a.json", b"{", "unreadable_file", "cannot be read"),
        ("a.json", b"[1]", "unreadable_row", "object"),
        ("a.json", b"[" * 100_000, "refused_file", "deep"),
        ("a.ndjson", b'{"a":1\n', "unreadable_row", "cannot be read"),
        ("a.zip", b"PK not", "refused_file", "cannot be opened"),
        ("a.zip", _zip(("../a.xml", b"<a/>")), "refused_file", "outside"),
        ("a.zip", _zip(("/a.xml", b"<a/>")), "refused_file", "outside"),
        ("a.zip", _zip(("C:\\a.xml", b"<a/>")), "refused_file", "outside"),
        ("a.zip", _zip(("b.zip", _zip(("a.xml", b"<a/>")))), "refused_file", "inside an archive"),
        ("a.zip", _link(), "refused_file", "link"),
        ("a.xlsx", b"PK not", "refused_file", "cannot be opened"),
        ("a.xlsx", _zip(("x", b"")), "unreadable_file", "cannot be opened"),
        ("a.pdf", b"%PDF", "unreadable_file", "not read"),
    ],
)
def test_bad_files_end_in_a_sentence(name: str, content: bytes, rule: str, says: str) -> None:
    found = list(read(content, name))
    assert len(found) == 1
    assert isinstance(found[0], Unread)
    assert found[0].rule == rule
    assert says in unpacked(found[0].why)


def test_archives_that_would_unpack_to_too_much_are_refused_unread() -> None:
    bomb = _zip(*((f"{n}.csv", b"0" * 60_000_000) for n in range(9)))
    (found,) = read(bomb, "bomb.zip")
    assert isinstance(found, Unread)
    assert "unpack" in found.why


def test_characters_that_no_store_keeps_are_marked() -> None:
    (found,) = read(b'{"note": "a\\u0000b\\ud800"}', "x.json")
    assert isinstance(found, Received)
    assert found.answers == {"note": "a\ufffdb\ufffd"}


def test_a_bad_row_leaves_the_others() -> None:
    found = list(read(b"a,b\n1,2\n3\n4,5\n", "x.csv"))
    assert [type(f).__name__ for f in found] == ["Received", "Unread", "Received"]


def test_one_element_with_very_many_attributes_is_not_parsed() -> None:
    """The parser takes the square of their number: 2 MB took minutes. In a workbook too, and written otherwise."""
    many = " ".join(f'a{n}="1"' for n in range(50_000))
    text = f"<data id='stock_count' {many}/>"
    seven = "<?xml version='1.0' encoding='utf-7'?>" + text.replace("<", "+ADw-").replace("=", "+AD0-")
    for content in (text.encode(), text.encode("utf-16"), seven.encode()):
        (found,) = read(content, "a.xml")
        assert isinstance(found, Unread) and found.rule == "refused_file" and "attributes" in found.why
    book, file = openpyxl.Workbook(), io.BytesIO()
    book.save(file)
    for put, says in (
        (f"<styleSheet {many} ", "has an element"),
        ("<a/>" * 700_000 + "<styleSheet ", "has more than 300,000 elements"),
    ):
        (found,) = read(_restyled(file, put), "stock_count.xlsx")
        assert isinstance(found, Unread) and f"xl/styles.xml in the workbook {says}" in unpacked(found.why)


def _restyled(file: io.BytesIO, put: str) -> bytes:
    laden = io.BytesIO()
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(laden, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b"<styleSheet ", put.encode()))
    return laden.getvalue()


def test_a_very_long_cell_of_a_table_is_read() -> None:
    long = "x" * 20_000_000
    _, found = read(f"visit_date,note\n2026-04-01,{long}\n2026-04-02,short\n".encode(), "stock_count.csv")
    assert isinstance(found, Received) and found.answers["note"] == "short"
