"""The receiver as phones meet it: form list, manifest and submission as OpenRosa 1.0 has them, by clients that nobody here
wrote (curl, httpx)."""

from __future__ import annotations

import errno
import hashlib
import json
import re
import socket
import time
import zipfile
from collections.abc import Iterator
from email.utils import parsedate_to_datetime
from pathlib import Path

import pytest
from lxml import etree

from formpack.words import unpacked
from pipeline.field.receiver import app, server
from pipeline.field.receiver import spool as spooling
from pipeline.workspace import Workspace
from tests.conftest import new_workspace
from tests.receiver.office import JPEG, Office, left_halves, new_identity, put_forms, record, running

LISTS = {"x": "http://openrosa.org/xforms/xformsList", "m": "http://openrosa.org/xforms/xformsManifest"}
ANSWER = "{http://openrosa.org/http/response}message"


def _stored(office: Office) -> list[dict[str, bytes]]:
    """What is in each ZIP that waits."""
    found = []
    for path in office.spool.waits():
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None
            found.append({name: archive.read(name) for name in archive.namelist()})
    return found


def test_a_phone_fetches_forms_and_lists(office: Office) -> None:
    with office.client() as phone:
        answer = phone.get("/formList", headers={"X-OpenRosa-Version": "1.0"})
        assert (answer.status_code, answer.headers["content-type"]) == (200, "text/xml; charset=utf-8")
        assert answer.headers["x-openrosa-version"] == "1.0" and parsedate_to_datetime(answer.headers["date"])
        forms = etree.fromstring(answer.content).findall("x:xform", LISTS)
        said = [{child.tag.rpartition("}")[2]: child.text for child in form} for form in forms]
        assert [(s["formID"], s["name"], s["version"]) for s in said] == [
            ("loss", "Loss & more", "7"),
            ("stock_count", "Stock count", "7"),
        ]
        xform = phone.get(said[1]["downloadUrl"])
        assert xform.content == (office.workspace.phone / "stock_count.xml").read_bytes()
        assert said[1]["hash"] == "md5:" + hashlib.md5(xform.content).hexdigest()
        manifest = etree.fromstring(phone.get(said[1]["manifestUrl"]).content)
        files = {f.findtext("m:filename", None, LISTS): f for f in manifest.findall("m:mediaFile", LISTS)}
        assert list(files) == ["groups.csv", "bud.png"], "and not the one that is not there"
        for name, file in files.items():
            content = phone.get(str(file.findtext("m:downloadUrl", None, LISTS))).content
            assert content == (office.workspace.phone / str(name)).read_bytes()
            assert file.findtext("m:hash", None, LISTS) == "md5:" + hashlib.md5(content).hexdigest()
        only = etree.fromstring(phone.get("/formList?formID=loss").content)
        assert len(only) == 1
    (visitor,) = office.receiver.seen.day().visitors.values()
    assert visitor.person == "S01" and visitor.fetched
    assert "gone.csv" in unpacked(office.problems()[0])


def test_what_a_manifest_offers_is_what_comes(office: Office) -> None:
    """Also where an import makes the list anew between the two."""
    groups = office.workspace.phone / "groups.csv"
    with office.client() as phone:
        manifest = etree.fromstring(phone.get("/forms/loss.xml/manifest").content)
        (file,) = (f for f in manifest if f.findtext("m:filename", None, LISTS) == "groups.csv")
        groups.write_text("code,facts\n26120139,c d\n", encoding="utf-8")
        old = phone.get(str(file.findtext("m:downloadUrl", None, LISTS))).content
        assert file.findtext("m:hash", None, LISTS) == "md5:" + hashlib.md5(old).hexdigest()
        assert phone.get("/media/groups.csv").content == groups.read_bytes() != old
        assert phone.get("/media/secret.csv?md5=0").status_code == 404


def test_addresses_are_those_that_the_phone_asked(office: Office) -> None:
    said = office.curl("-H", "Host: nursery.example:99", f"{office.base}/formList")
    assert "<downloadUrl>http://nursery.example:99/forms/loss.xml</downloadUrl>" in said
    assert "HTTP/1.1 400" in office.curl("-H", "Host: a/b<c>", f"{office.base}/formList")


def test_curl_sends_a_submission_with_a_photo(office: Office, tmp_path: Path) -> None:
    identity = new_identity()
    (tmp_path / "s.xml").write_bytes(record(identity=identity))
    (tmp_path / "1700.jpg").write_bytes(JPEG)
    parts = ["-F", f"xml_submission_file=@{tmp_path}/s.xml;type=text/xml", "-F", f"1700.jpg=@{tmp_path}/1700.jpg"]
    head = office.curl("-I", f"{office.base}/submission")
    assert "HTTP/1.1 204" in head and f"x-openrosa-accept-content-length: {office.receiver.most_bytes}" in head
    assert "HTTP/1.1 401" in office.curl("-I", f"{office.base}/submission", user="S01:wrong")
    answer = office.curl(*parts, f"{office.base}/submission?deviceID=phone-9")
    assert "HTTP/1.1 201" in answer and 'nature="submit_success"' in answer
    assert "x-openrosa-accept-content-length" in answer.rpartition("HTTP/1.1 201")[2]
    again = office.curl("-H", "Transfer-Encoding: chunked", *parts, f"{office.base}/submission")
    assert "HTTP/1.1 201" in again, "in pieces of no stated length, as the standard has servers take it"
    assert _stored(office) == [{"submission.xml": record(identity=identity), "1700.jpg": JPEG}]
    day = office.receiver.seen.day()
    assert day.forms == {"stock_count": 1} and ("S01", "phone-9") in day.visitors


def test_what_is_sent_in_parts_and_what_is_sent_twice(office: Office) -> None:
    identity = new_identity()
    one, other = JPEG + b"1", JPEG + b"2"
    assert office.post(record(identity=identity), {"a.jpg": one}).status_code == 201
    assert office.post(record(identity=identity), {"b.jpg": other}).status_code == 201
    repeated = office.post(record(identity=identity), {"b.jpg": other}, **{"Accept-Language": "pt-BR,pt;q=0.9"})
    assert repeated.status_code == 201 and repeated.headers["content-language"] == "pt"
    assert {tuple(sorted(files)) for files in _stored(office)} == {("a.jpg", "submission.xml"), ("b.jpg", "submission.xml")}
    assert len(office.spool.waits()) == 2
    assert office.receiver.seen.day().forms == {"stock_count": 1}
    changed = office.post(record(identity=identity, counted=6))
    assert changed.status_code == 202 and len(office.spool.waits()) == 3
    assert any("two different" in problem for problem in office.problems())


def test_only_what_a_new_sending_could_repair_is_refused(office: Office) -> None:
    for content in (b"", b"<data", b"no xml", b'<!DOCTYPE d [<!ENTITY e "x">]><data id="loss"><a>&e;</a></data>'):
        answer = office.post(content)
        assert answer.status_code == 400 and etree.fromstring(answer.content).find(ANSWER).get("nature") == "error"  # type: ignore[union-attr]
    assert office.spool.waits() == []
    for content in (record("nobody_s_form", new_identity()), record(), b'<data id="loss" encrypted="yes"><x/></data>'):
        assert office.post(content).status_code == 202, content
    assert len(office.spool.waits()) == 3
    with office.client() as phone:
        assert phone.post("/submission", content=record(), headers={"Content-Type": "text/xml"}).status_code == 400
        two = [("xml_submission_file", ("s.xml", record(), "text/xml"))] * 2
        assert phone.post("/submission", files=two).status_code == 400
        assert phone.post("/submission", files={"photo.jpg": JPEG}).status_code == 400
        cut = b'--x\r\nContent-Disposition: form-data; name="xml_submission_file"; filename="s"\r\n\r\n' + record()
        boundary = {"Content-Type": "multipart/form-data; boundary=x"}
        assert phone.post("/submission", content=cut, headers=boundary).status_code == 400, "its last boundary has not come"
        assert phone.post("/submission", content=cut + b"\r\n--x--\r\n", headers=boundary).status_code == 202
        unnamed = cut.replace(b'; filename="s"', b"")
        assert phone.post("/submission", content=unnamed + b"\r\n--x--\r\n", headers=boundary).status_code == 202


def test_photos_by_their_last_name_and_their_first_bytes(office: Office) -> None:
    files = {
        "../../evil.jpg": JPEG,
        "C:\\x\\two.JPG": JPEG,
        "page.jpg": b"<html>",
        "run.exe": b"MZ",
        "more.xml": record("loss"),
    }
    assert office.post(record(identity=new_identity()), files).status_code == 202
    (stored,) = _stored(office)
    assert sorted(stored) == ["evil.jpg", "submission.xml", "two.JPG"]
    aside = sorted(path.name for path in office.spool.aside.iterdir())
    assert len(aside) == 3 and all(name.endswith(".set-aside") and name.startswith("S01-uuid") for name in aside)
    assert len([p for p in office.problems() if "set aside" in p]) == 3
    doubled = [("a", ("a.jpg", JPEG, "image/jpeg")), ("a", ("A.JPG", JPEG + b"2", "image/jpeg"))]
    xml = ("xml_submission_file", ("s.xml", record(identity=new_identity()), "text/xml"))
    with office.client() as phone:
        assert phone.post("/submission", files=[xml, *doubled]).status_code == 201
    assert {"a.jpg", "2-A.JPG"} <= set().union(*_stored(office))


def test_too_large_in_one_piece_or_in_many(office: Office) -> None:
    photo = JPEG + bytes(office.receiver.most_bytes)
    answer = office.post(record(identity=new_identity()), {"a.jpg": photo})
    assert answer.status_code == 413 and answer.headers["x-openrosa-accept-content-length"] == "200000"

    def pieces() -> Iterator[bytes]:
        yield b'--x\r\nContent-Disposition: form-data; name="xml_submission_file"; filename="s"\r\n\r\n'
        for _ in range(50):
            yield bytes(10_000)

    with office.client() as phone:
        nonce = phone.get("/formList")  # so that the pieces are sent once
        assert nonce.status_code == 200
        headers = {"Content-Type": "multipart/form-data; boundary=x"}
        assert phone.post("/submission", content=pieces(), headers=headers).status_code == 413
    assert office.spool.waits() == [] and not left_halves(office.workspace.folder)


def test_nobody_sees_more_than_forms(office: Office) -> None:
    phone = office.workspace.phone
    (phone / "link.png").symlink_to(office.workspace.folder / "nursery.toml")
    with office.client() as client:
        assert client.get("/").text.startswith("This is the right address.")
        for path in (
            "/submission",
            "/media/secret.csv",
            "/media/..%2f..%2fnursery.toml",
            "/media/people.json",
            "/forms/..%2fgroups.xml",
            "/forms/nothing.xml",
            "/forms/nothing.xml/manifest",
            "/media/link.png",
            "/receiver/people.json",
            "/forms/%00.xml",
        ):
            answer = client.get(path)
            assert answer.status_code in (404, 405), (path, answer.status_code)
            assert "OpenRosaResponse" in answer.text and "Traceback" not in answer.text
        assert client.put("/submission").status_code == 405
    for path in ("/formList", "/forms/loss.xml", "/media/groups.csv", "/forms/loss.xml/manifest"):
        assert "HTTP/1.1 200" not in office.curl(f"{office.base}{path}", user="S09:guess")


def test_who_is_no_longer_staff_sends_no_more(office: Office) -> None:
    staff = office.workspace.lists / "staff.csv"
    staff.write_text("code,label,active\nS01,Ana,no\n", encoding="utf-8")
    answer = office.post(record(identity=new_identity()))
    assert answer.status_code == 403 and office.spool.waits() == []
    staff.write_text("code,label,active\nS01,Ana,\n", encoding="utf-8")
    assert office.post(record(identity=new_identity())).status_code == 201
    staff.write_bytes(b"\xff\xfe\x00")
    answer = office.post(record(identity=new_identity()))
    assert answer.status_code == 503 and any("staff.csv" in unpacked(p) for p in office.problems())


def test_a_full_disk_leaves_the_record_on_the_phone(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(spooling, "to_disk", full)
        assert office.post(record(identity=new_identity()), {"a.jpg": JPEG}).status_code == 507
    with monkeypatch.context() as patched:
        patched.setattr(spooling, "LEAST_FREE", 2**60)
        assert office.post(record(identity=new_identity())).status_code == 507
    assert office.spool.waits() == [] and not left_halves(office.workspace.folder)
    assert any("cannot be put on the disk" in problem for problem in office.problems())
    assert office.post(record(identity=new_identity())).status_code == 201


def test_what_goes_wrong_inside_stays_inside(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("the secret of this house")

    with monkeypatch.context() as patched:
        patched.setattr(type(office.spool), "keep", broken)
        answer = office.post(record(identity=new_identity()))
    assert answer.status_code == 500 and "secret" not in answer.text and "Error" not in answer.text
    assert [type(f) for f in office.failures] == [ZeroDivisionError]
    office.failures.clear()


def _closed_after(office: Office, *pieces: bytes) -> tuple[float, bytes]:
    """How long until the line is closed, and what was said on it."""
    with socket.create_connection(("127.0.0.1", office.port), timeout=20) as line:
        begun = time.monotonic()
        for piece in pieces:
            line.sendall(piece)
        said = b""
        try:
            while more := line.recv(4096):
                said += more
        except ConnectionResetError:
            pass
        return time.monotonic() - begun, said


def test_slow_and_silent_lines_are_cut(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "HEAD_SECONDS", 0.2)
    monkeypatch.setattr(server, "REST_SECONDS", 0.2)
    monkeypatch.setattr(app, "SILENT_SECONDS", 0.2)
    head = b"POST /submission HTTP/1.1\r\nHost: x\r\nContent-Type: multipart/form-data; boundary=x\r\n"
    halves = (
        b"",
        b"GET /form",
        head,
        head + b"Content-Length: 1000\r\n\r\nabc",
        head + b"Transfer-Encoding: chunked\r\n\r\n5\r\n",
    )
    for pieces in halves:
        seconds, said = _closed_after(office, pieces)
        assert seconds < 15, pieces
        assert said == b"" or b"408" in said.split(b"\r\n")[0], said
    _, said = _closed_after(office, head + b"Content-Length: 900000\r\n\r\nabc")
    assert b" 413 " in said.split(b"\r\n")[0], "answered at once, and the rest is not waited for"
    monkeypatch.setattr(app, "SILENT_SECONDS", 20.0)
    monkeypatch.setattr(app, "SLOW_AFTER", 0.0)
    monkeypatch.setattr(app, "SLOW_BYTES", 10**9)
    _, said = _closed_after(office, head + b"Content-Length: 1000\r\n\r\n", b"a" * 500)
    assert b" 408 " in said.split(b"\r\n")[0]
    assert office.spool.waits() == [] and not left_halves(office.workspace.folder)


def test_a_line_that_breaks_in_the_middle_leaves_nothing(office: Office) -> None:
    with socket.create_connection(("127.0.0.1", office.port)) as line:
        line.sendall(b"POST /submission HTTP/1.1\r\nHost: x\r\nContent-Length: 5000\r\n\r\nabc")
    with socket.create_connection(("127.0.0.1", office.port)) as line:
        line.sendall(b"\x16\x03\x01\x02\x00\x01\x00garbage\r\n\r\n")
        said = line.recv(4096)
    assert said == b"" or b" 400 " in said
    assert office.post(record(identity=new_identity())).status_code == 201
    assert len(office.spool.waits()) == 1 and not left_halves(office.workspace.folder)


def test_one_address_cannot_take_all_lines(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "MOST_OF_ADDRESS", 5)
    lines = [socket.create_connection(("127.0.0.1", office.port), timeout=5) for _ in range(8)]
    try:
        closed = 0
        for line in lines[5:]:
            try:
                closed += line.recv(1) == b""
            except ConnectionResetError:
                closed += 1
        assert closed == 3
    finally:
        for line in lines:
            line.close()


def test_one_person_cannot_send_without_end(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app, "AN_HOUR", 3)
    codes = [office.post(record(identity=new_identity())).status_code for _ in range(5)]
    assert codes == [201, 201, 201, 503, 503] and len(office.spool.waits()) == 3


def test_a_wrong_clock_is_pointed_out(office: Office) -> None:
    assert office.post(record(identity=new_identity()), Date="Tue, 26 Nov 2030 10:00:00 GMT").status_code == 201
    assert any("26 November 2030" in unpacked(p) for p in office.problems())
    assert office.post(record(identity=new_identity()), Date="no day at all").status_code == 201
    assert len(office.problems()) == 1


def test_what_was_seen_today_outlives_the_receiver(tmp_path: Path) -> None:
    workspace = new_workspace(tmp_path)
    put_forms(workspace)
    with running(workspace) as office:
        office.post(record(identity=new_identity()))
        seen = office.receiver.seen.day()
    (file,) = (workspace.receiver / "seen").iterdir()
    file.write_text(file.read_text(encoding="utf-8") + '{"at": "cut', encoding="utf-8")
    with running(workspace) as office:
        again = office.receiver.seen.day()
        assert again.forms == seen.forms == {"stock_count": 1} and again.visitors == seen.visitors
        assert all(json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()[:-1])


def test_lock_out_is_told_over_http(office: Office) -> None:
    for _ in range(8):
        office.curl(f"{office.base}/formList", user="S01:wrong")
    said = office.curl(f"{office.base}/formList")
    assert re.search(r"HTTP/1.1 403", said) and "ten minutes" in said


def test_the_workspace_can_be_looked_into_by_its_owner_alone(office: Office, workspace: Workspace) -> None:
    office.post(record(identity=new_identity()))
    for path in (office.spool.folder, office.spool.waiting, office.spool.aside):
        assert path.stat().st_mode & 0o077 == 0
    assert office.spool.waits()[0].stat().st_mode & 0o077 == 0
