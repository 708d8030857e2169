"""What an attack round found open, and must stay shut; DEVELOPERS.md lists all that was tried."""

from __future__ import annotations

import asyncio
import gc
import io
import logging
import os
import socket
import subprocess
import sys
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest

from pipeline.cli import receive
from pipeline.field.receiver import app, doors, seen, server
from pipeline.field.receiver.doors import People
from pipeline.field.receiver.importer import Importer
from pipeline.field.receiver.spool import base_name
from tests.cli.test_cli import formpack
from tests.conftest import ROOT, new_workspace
from tests.receiver.office import JPEG, Office, let_in, new_identity, record, running
from tests.receiver.test_doors import ADDRESS, TARGET, Phone


@pytest.fixture
def phone(tmp_path: Path) -> Phone:
    return Phone(tmp_path)


def test_a_new_slip_opens_what_the_old_password_locked(phone: Phone) -> None:
    """The phone is told so: wait, or ask the office for a new slip."""
    nonce = phone.challenge()["nonce"]
    for n in range(doors.FAILURES):
        phone.judge(phone.header(nonce, n + 1, password="wrong"))
    assert phone.judge(phone.header(nonce, 50)).is_locked
    phone.password = let_in(phone.people, "S01")
    assert phone.judge(phone.header(nonce, 51)).person == "S01"


def test_wrong_passwords_from_many_addresses_take_no_memory_without_end(phone: Phone, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doors, "MOST_ADDRESSES", 3)
    nonce = phone.challenge()["nonce"]
    for n in range(20):
        phone.judge(phone.header(nonce, name="x" * 900, password="x"), address=f"fd00::{n}")
    assert list(phone.doors._failures) == ["fd00::17", "fd00::18", "fd00::19"]
    for n in range(3 * doors.FAILURES_OF_ADDRESS):
        phone.judge(phone.header(nonce, name=f"X{n}", password="x"))
    assert len(phone.doors._failures[ADDRESS]) == doors.FAILURES_OF_ADDRESS


def test_a_count_in_capitals_is_hashed_as_it_came_and_still_counts_once(phone: Phone) -> None:
    """RFC 7616 writes small letters; a client that does not must not be locked out at its tenth request."""
    nonce = phone.challenge()["nonce"]
    given = {
        "username": "S01",
        "realm": doors.REALM,
        "nonce": nonce,
        "uri": TARGET,
        "nc": "0000000A",
        "cnonce": "c",
        "qop": "auth",
    }
    kept = doors._md5(f"S01:{doors.REALM}:{phone.password}")
    given["response"] = doors._response(kept, "POST", given)
    assert phone.judge("Digest " + ", ".join(f'{k}="{v}"' for k, v in given.items())).person == "S01"
    assert phone.judge(phone.header(nonce, 10)).is_stale


def test_an_answer_with_a_count_is_not_good_as_one_without(phone: Phone) -> None:
    """Both are hashes of texts joined by colons (RFC 2617, 3.2.2.1); only the mark of a nonce tells them apart."""
    nonce = phone.challenge()["nonce"]
    heard = phone.header(nonce)
    response = heard.rpartition('response="')[2]
    forged = f'Digest username="S01", realm="{doors.REALM}", nonce="{nonce}:00000001:abc:auth", uri="{TARGET}"'
    assert phone.judge(f'{forged}, response="{response}').person == ""
    assert phone.judge(heard).person == "S01"


def test_the_hash_made_up_for_a_name_that_nobody_has_opens_nothing(phone: Phone) -> None:
    """It is made of what each challenge tells."""
    challenge = phone.challenge()
    given = {"username": "ghost", "realm": doors.REALM, "nonce": challenge["nonce"], "uri": TARGET}
    given["response"] = doors._response(doors._md5(f"ghost:{doors.REALM}:{challenge['opaque']}"), "POST", given)
    assert phone.judge("Digest " + ", ".join(f'{k}="{v}"' for k, v in given.items())).failed == "ghost"


def test_nobody_is_sent_to_an_address_of_their_own_making(office: Office) -> None:
    for path in ("/formList/", "/submission/", "/media/"):
        answer = httpx.get(office.base + path, headers={"Host": "elsewhere.example"}, trust_env=False)
        assert answer.status_code == 404 and "elsewhere" not in answer.text + str(answer.headers), path


def test_what_cannot_be_done_at_an_address_says_what_can(office: Office) -> None:
    """RFC 9110, 15.5.6: an answer 405 has the header Allow."""
    answer = httpx.request("TRACE", office.base + "/formList", trust_env=False)
    assert answer.status_code == 405 and "GET" in answer.headers["allow"]


def test_names_without_end_are_kept_short_where_they_are_shown(office: Office) -> None:
    """A form id of 1 MB made the page for the clerk 1 MB larger; a name with steering letters could pass for another."""
    form, device = "x" * 60_000, "%1b%5b31m%02%e2%80%ae%0a" + "y" * 100
    with office.client() as phone:
        files = [("xml_submission_file", ("s.xml", record(form, "i" * 60_000), "text/xml"))]
        assert phone.post(f"/submission?deviceID={device}", files=files).status_code == 202
    day = office.receiver.seen.day()
    assert day.forms == {"x" * 60: 1}
    ((_, shown),) = day.visitors
    assert len(shown) == 60 and shown.isprintable()
    assert sum(map(len, office.receiver._contents)) == 64


def test_who_is_refused_for_sending_too_much_is_not_refused_for_trying(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app, "AN_HOUR", 1)
    for _ in range(5):
        office.post(record(identity=new_identity()))
    assert len(office.receiver._sent["S01"]) == 1


def test_long_names_in_any_script_are_no_full_disk(office: Office) -> None:
    """80 letters of 3 bytes made a name that no disk takes, and the phone was told that there is no room."""
    answer = office.post(record("文" * 90, "文" * 90), {"文" * 90 + ".exe": b"x", "文" * 90 + ".jpg": JPEG})
    assert answer.status_code == 202
    (aside,) = office.spool.aside.iterdir()
    (waiting,) = office.spool.waits()
    assert max(len(path.name.encode()) for path in (aside, waiting)) < 233
    with zipfile.ZipFile(waiting) as archive:
        assert [Path(name).suffix for name in archive.namelist()] == [".xml", ".jpg"]


def test_half_of_a_submission_that_says_it_is_encrypted_stays_on_the_phone(office: Office) -> None:
    whole = b'<data id="loss" encrypted="yes"><x>text</x></data>'
    assert office.post(whole).status_code == 202
    for half in (whole[:-4], b'<!-- <a encrypted="yes" -->', b"\x00" + whole):
        assert office.post(half).status_code == 400


@pytest.mark.skipif(os.name == "nt", reason="rights are others there")
def test_nobody_else_can_look_into_what_is_made_whatever_the_rights_are(tmp_path: Path) -> None:
    former = os.umask(0)
    try:
        workspace = new_workspace(tmp_path)
        let_in(People(workspace.receiver / "people.json"), "S01")
        assert workspace.receiver.stat().st_mode & 0o777 == 0o700
        formpack("receive", "--add-person", "S01", "--to", "slip.pdf", cwd=workspace.folder)
        written = (workspace.folder / "slip.pdf", workspace.receiver / "people.json")
        assert [path.stat().st_mode & 0o777 for path in written] == [0o600, 0o600]
        with running(workspace) as office:
            office.post(record(identity=new_identity()))
            made = [workspace.receiver, *workspace.receiver.rglob("*")]
        assert [path.name for path in made if path.is_dir() and path.stat().st_mode & 0o077] == []
    finally:
        os.umask(former)


def test_a_line_on_which_answers_are_not_read_is_closed(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    """120 of them, of somebody without any name, kept all other phones of an address out for good."""
    monkeypatch.setattr(server, "UNREAD_SECONDS", 0.2)
    monkeypatch.setattr(server, "UNREAD_BYTES", 10**6)
    with socket.socket() as line:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        line.connect(("127.0.0.1", office.port))
        line.settimeout(20)
        asked = b"GET /formList HTTP/1.1\r\nHost: x\r\n\r\n" * 200
        until = time.monotonic() + 20
        with pytest.raises(ConnectionError):
            while time.monotonic() < until:
                line.sendall(asked)
    with office.client() as phone:  # and who reads gets all of it
        assert phone.get("/formList").status_code == 200


def test_a_slow_reader_gets_a_long_answer(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "UNREAD_SECONDS", 1.0)
    monkeypatch.setattr(server, "UNREAD_BYTES", 10**6)
    content = b"code,facts\n" + b"26120139,a b\n" * 200_000
    (office.workspace.phone / "groups.csv").write_bytes(content)
    got = b""
    with office.client() as phone, phone.stream("GET", "/media/groups.csv") as answer:
        for piece in answer.iter_bytes(2**18):
            time.sleep(0.05)
            got += piece
    assert got == content


def test_a_broken_message_is_not_told_on_the_screen(office: Office, caplog: pytest.LogCaptureFixture) -> None:
    with office.client() as phone:
        headers = {"Content-Type": "multipart/form-data; boundary=x"}
        assert phone.post("/submission", content=b"nothing of the kind", headers=headers).status_code == 400
    assert caplog.records == []


@pytest.mark.skipif(sys.platform == "win32", reason="files are not counted there")
def test_there_are_files_enough_for_all_lines() -> None:
    """With 128 files 130 lines were enough, and the screen filled with 50,000 lines a second."""
    code = "import resource as r; r.setrlimit(r.RLIMIT_NOFILE, (100, r.getrlimit(r.RLIMIT_NOFILE)[1]))"
    code += "; from pipeline.field.receiver import server; server.server(print); print(r.getrlimit(r.RLIMIT_NOFILE)[0])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60, check=True)
    assert int(done.stdout) > server.MOST_CONNECTIONS
    said = logging.LogRecord("asyncio", logging.ERROR, "", 0, "socket.accept() out of system resource", None, None)
    assert not server._is_told(said)


def test_strangers_do_not_hide_what_is_wrong_with_phones(tmp_path: Path) -> None:
    """500 wrong names, from anywhere, and no other problem of that day was noted."""
    noted = seen.Seen(tmp_path / "seen")
    noted.note("S01", "", "problem", "a file set aside")
    for n in range(600):
        noted.note("", "", "stranger", f"a wrong name, {n}")
    noted.note("S02", "", "problem", "two different submissions")
    said = [event.about for event in noted.day().problems]
    assert len(said) == seen.MOST_OF_STRANGERS + 2 and said[0] == "a file set aside" and said[-1] == "two different submissions"


def test_a_phone_that_makes_up_names_fills_neither_page_nor_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(seen, "MOST_LINES", 700)
    noted = seen.Seen(tmp_path / "seen")
    for n in range(1000):
        noted.note("S01", f"phone {n}", "received", f"form {n}")
    day = noted.day()
    assert len(day.visitors) <= seen.MOST_VISITORS + 1 and len(day.forms) <= seen.MOST_FORMS + 1
    assert sum(day.forms.values()) == sum(v.submissions for v in day.visitors.values()) == 1000
    (file,) = (tmp_path / "seen").iterdir()
    assert len(file.read_text(encoding="utf-8").splitlines()) == 700
    again = seen.Seen(tmp_path / "seen")
    again.note("S01", "phone 1", "list")
    assert len(file.read_text(encoding="utf-8").splitlines()) == 700


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "::ffff:0.0.0.0", "224.0.0.1", "::ffff:8.8.8.8", "8.8.8.8", "office"])
@pytest.mark.parametrize("more", [[], ["--add-person", "S01"]], ids=["serve", "slip"])
def test_it_listens_on_one_network_that_phones_can_be_told(address: str, more: list[str], tmp_path: Path) -> None:
    """All networks at once (0.0.0.0) are the one outside too, and stood on slips as where to send."""
    folder = new_workspace(tmp_path).folder
    assert "--listen" in formpack("receive", "--listen", address, *more, cwd=folder, code=2)
    assert not (folder / "receiver" / "people.json").exists()


def test_the_page_says_what_cannot_be_read(office: Office) -> None:
    importer = Importer(office.workspace.folder, office.spool, 0)
    people = People(office.workspace.receiver / "people.json")
    served = receive._status(office.workspace, importer, office.spool, office.receiver.seen, people)

    def page(host: str = "localhost") -> httpx.Response:
        async def asked() -> httpx.Response:
            async with httpx.AsyncClient(transport=httpx.ASGITransport(app=served), base_url="http://localhost") as browser:
                return await browser.get("/", headers={"Host": host})

        return asyncio.run(asked())

    assert page().status_code == 200
    staff = office.workspace.lists / "staff.csv"
    staff.write_text('code,label\n"broken', encoding="utf-8")
    said = page()
    assert said.status_code == 503 and "staff.csv" in said.text
    staff.unlink()
    assert page().status_code == 503
    assert page("elsewhere.example").status_code == 400, "a name that was made to mean this computer"


def test_two_phones_of_one_person_begin_at_once(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    """One of them was told that the disk is full, where both found that the person had no folder yet."""
    exists = Path.exists
    monkeypatch.setattr(Path, "exists", lambda it, **how: it.parent.name != "waiting" and exists(it, **how))
    assert [office.post(record(identity=new_identity())).status_code for _ in range(2)] == [201, 201]


def test_an_honest_phone_is_never_turned_away(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nonces that end in the middle of what is sent; requests at once with one nonce, the later count first; an answer that was
    lost on its way, and a client that says a wrong password once and then the right one."""
    monkeypatch.setattr(doors, "NONCE_SECONDS", 0.05)
    with office.client() as phone:
        files = [[("xml_submission_file", ("s.xml", record(identity=new_identity()), "text/xml"))] for _ in range(30)]
        assert {phone.post("/submission", files=file).status_code for file in files} == {201}
        assert {phone.post("/submission", files=file).status_code for file in files} == {201}
    monkeypatch.undo()
    challenge = httpx.get(office.base + "/formList", trust_env=False).headers["www-authenticate"]
    nonce = challenge.partition('nonce="')[2].partition('"')[0]
    kept = doors._md5(f"S01:{doors.REALM}:{office.password}")

    def fetch(count: int) -> int:
        given = {"username": "S01", "realm": doors.REALM, "nonce": nonce, "uri": "/formList", "nc": f"{count:08x}"}
        given |= {"cnonce": "c", "qop": "auth"}
        given["response"] = doors._response(kept, "GET", given)
        said = "Digest " + ", ".join(f'{k}="{v}"' for k, v in given.items())
        return httpx.get(office.base + "/formList", headers={"Authorization": said}, trust_env=False).status_code

    with ThreadPoolExecutor(8) as threads:
        assert set(threads.map(fetch, range(40, 0, -1))) == {200}
    for _ in range(3 * doors.FAILURES):
        with office.client(password="wrong") as phone:
            assert phone.get("/formList").status_code == 401
        with office.client() as phone:
            assert phone.get("/formList").status_code == 200
    assert len(office.spool.waits()) == 30


def test_photos_keep_the_names_by_which_submissions_know_them(office: Office) -> None:
    """OpenRosa: a file is named as the submission names it. Some cameras write brackets."""
    names = ["IMG (1).jpg", "bud's & scion, 50%.jpg", "Überwurf é.jpg"]
    assert office.post(record(identity=new_identity()), dict.fromkeys(names, JPEG)).status_code == 201
    with zipfile.ZipFile(office.spool.waits()[0]) as archive:
        assert archive.namelist()[1:] == sorted(names)
    assert [base_name(name) for name in ("../a:b?.jpg", "C:\\x\\con\0.jpg", "\u202egpj.exe", "\x1b[2J.jpg", " .. ")] == [
        "a_b_.jpg",
        "con_.jpg",
        "_gpj.exe",
        "_[2J.jpg",
        "",
    ]


def test_what_came_is_let_go_at_once(office: Office) -> None:
    """48 submissions of 10 MB took 1.3 GB: what reads them held itself, and them, until Python looked for such rings."""
    gc.collect()
    gc.disable()
    try:
        photo = JPEG + bytes(90_000)
        assert {office.post(record(identity=new_identity()), {"a.jpg": photo}).status_code for _ in range(3)} == {201}
        with office.client() as phone:
            broken = b'--x\r\nContent-Disposition: form-data; name="a"; filename="a"\r\n\r\n' + photo
            answer = phone.post("/submission", content=broken, headers={"Content-Type": "multipart/form-data; boundary=x"})
            assert answer.status_code == 400
        held = [it for it in gc.get_objects() if type(it) is io.BytesIO and not it.closed and len(it.getvalue()) > 80_000]
        assert held == []
    finally:
        gc.enable()


def test_answers_too_long_for_an_import_stay_on_the_phone(office: Office) -> None:
    """48 submissions with an answer of 9 MB each filled the memory of the store, and no import of anything came to its end."""
    assert office.post(record(identity="x" * app.MOST_XML)).status_code == 413
    assert office.post(record(identity="x" * (app.MOST_XML - 200))).status_code == 201
    assert len(office.spool.waits()) == 1


def test_a_submission_without_answers_does_not_stop_the_imports_of_a_nursery_without_lists(tmp_path: Path) -> None:
    """NULL is not in a list that is empty, said the database, and the finding without a value broke every import."""
    formpack("init", "n", cwd=tmp_path)
    (tmp_path / "n" / "inbox" / "s.xml").write_bytes(record(identity=new_identity()))
    assert "1 new submission" in formpack("import", cwd=tmp_path / "n", code=1)
