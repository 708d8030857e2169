"""`formpack receive` as the clerk meets it: slips, what it says when it begins and ends, the page of today, HTTPS, imports."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import json
import re
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import numpy as np
import pytest
import zxingcpp

from formpack.words import unpacked
from pipeline.field.receiver.doors import People
from pipeline.field.receiver.importer import Importer
from pipeline.field.receiver.spool import Spool, look_at
from pipeline.office import photos
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import DAY, SAMPLES, looked_at, new_workspace, table
from tests.field.test_signs import pictures, texts
from tests.receiver.office import JPEG, let_in, new_identity, put_forms, record
from tests.receiver.test_power_cut import begun
from tests.report.browser import Browser, needs

ADDRESS = "http://192.168.1.20:8417"
WIFI = r"""
[receiver]
address = "http://192.168.1.20:8417"
wifi_name = "Field; \"north\""
wifi_password = "to:bud\\ding"
"""
WIFI_TEXT = 'WIFI:T:WPA;S:Field\\; \\"north\\";P:to\\:bud\\\\ding;;'
"""As the format of the code has it: ; , : " and the backslash itself with a backslash before them."""


@pytest.fixture
def ours(tmp_path: Path) -> Workspace:
    workspace = new_workspace(tmp_path)
    put_forms(workspace)
    return workspace


def _set(workspace: Workspace, text: str) -> None:
    path = workspace.folder / "nursery.toml"
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")


def test_a_slip_has_all_that_a_phone_needs(ours: Workspace) -> None:
    _set(ours, WIFI)
    said = formpack("receive", "--add-person", "S01", "--to", "slip.pdf", cwd=ours.folder).splitlines()
    assert "Scenario nursery" in said[0] and said[2:4] == [f"address: {ADDRESS}", "name: S01"]
    password = said[4].removeprefix("password: ")
    assert len(password) == 19
    square = [line for line in said if set(line) <= set(" ▄▀█") and line]
    dots = np.array([[v for c in line for v in ["▀█".find(c) >= 0]] for line in square])
    lower = np.array([[v for c in line for v in ["▄█".find(c) >= 0]] for line in square])
    drawn = np.stack([dots, lower], 1).reshape(-1, dots.shape[1])
    shades = np.kron(drawn, np.ones((8, 8))).astype(np.uint8) * 255
    assert [found.text for found in zxingcpp.read_barcodes(shades)] == [WIFI_TEXT]
    (sheet,) = pictures(ours.folder / "slip.pdf")
    assert {found.text for found in zxingcpp.read_barcodes(sheet)} == {WIFI_TEXT, ADDRESS}
    assert password in texts(ours.folder / "slip.pdf")[0]
    assert password not in (ours.receiver / "people.json").read_text(encoding="utf-8")


def test_a_slip_that_cannot_be_written_leaves_the_old_password(ours: Workspace) -> None:
    people = People(ours.receiver / "people.json")
    let_in(people, "S01")
    before = people.path.read_bytes()
    (ours.folder / "slip.pdf").mkdir()
    said = formpack("receive", "--add-person", "S01", "--to", "slip.pdf", cwd=ours.folder, code=2)
    assert "slip.pdf could not be replaced" in said and people.path.read_bytes() == before
    said = formpack("receive", "--add-person", "S01", "--to", "gone/slip.pdf", cwd=ours.folder, code=2)
    assert "no folder gone" in said and people.path.read_bytes() == before


def test_a_network_without_a_password_and_none_at_all(ours: Workspace) -> None:
    said = json.loads(formpack("receive", "--add-person", "S01", "--listen", "10.0.0.5", "--json", cwd=ours.folder))
    assert (said["address"], said["wifi"]) == ("http://10.0.0.5:8417", "")
    assert "Phones cannot reach this address" in formpack("receive", "--add-person", "S01", cwd=ours.folder)
    _set(ours, '\n[receiver]\nwifi_name = "Open"\n')
    assert json.loads(formpack("receive", "--add-person", "S01", "--json", cwd=ours.folder))["wifi"] == "WIFI:S:Open;;"
    assert "can send no more" in formpack("receive", "--remove-person", "S01", cwd=ours.folder)
    assert "had no password" in formpack("receive", "--remove-person", "S01", cwd=ours.folder, code=2)


@pytest.mark.parametrize(
    "words, says",
    [
        (("--add-person", "NOBODY"), "no such code in lists/staff.csv"),
        (("--add-person", "S02"), "not active"),
        (("--add-person", "S/3"), "letters, digits"),
        (("--to", "x.pdf"), "give --add-person too"),
        (("--add-person", "S01", "--remove-person", "S01"), "one after the other"),
        (("--listen", "nursery"), "as 192.168.1.20"),
        (("--listen", "8.8.8.8"), "from outside"),
        (("--listen", "192.0.2.99"), "this computer has no such address; it has"),
        (("--add-person", "S01", "--to", "x.txt"), "must end in .pdf"),
        (("--certificate", "c.pem"), "give both"),
        (("--certificate", "c.pem", "--key", "k.pem"), "The certificate and the key cannot be used"),
        (("--port", "0"), "from 1 to 65534"),
        (("--import-every", "-1"), "from 0 to"),
    ],
    ids=lambda given: " ".join(given) if isinstance(given, tuple) else "",
)
def test_what_cannot_be_done_is_said(words: tuple[str, ...], says: str, ours: Workspace) -> None:
    (ours.lists / "staff.csv").write_text("code,label,active\nS01,Ana,\nS02,Bea,no\nS/3,Cy,\n", encoding="utf-8")
    said = formpack("receive", *words, cwd=ours.folder, code=2)
    assert says in said and len(said.splitlines()) == 1


@contextlib.contextmanager
def serving(workspace: Workspace, *more: str) -> Iterator[tuple[int, subprocess.Popen[str]]]:
    process, port = begun(workspace, *more)
    try:
        yield port, process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=30)


def test_it_begins_and_ends_with_plain_sentences(ours: Workspace) -> None:
    with serving(ours) as (port, process):
        taken = formpack("receive", "--port", str(port), cwd=ours.folder, code=2)
        assert f"at port {port}" in taken and "Another program may be there" in taken
        process.send_signal(signal.SIGINT)
        said, _ = process.communicate(timeout=30)
    assert process.returncode == 0
    lines = said.splitlines()
    assert f"http://127.0.0.1:{port}" in lines[0] and f"http://127.0.0.1:{port + 1}/" in said
    assert "today is 2 November 2026" in said, "phones have the real day"
    assert "Nobody can send yet" in said and "formpack import" in said and lines[-1] == "Stopped. What came stays."


def test_plain_http_on_the_network_is_warned_of(ours: Workspace) -> None:
    with serving(ours, "--listen", "127.0.0.1") as (_, process):
        process.send_signal(signal.SIGINT)
        said, _ = process.communicate(timeout=30)
    assert "plain HTTP" in said and "--certificate" in said


def test_https_with_a_certificate_of_ones_own(ours: Workspace, tmp_path: Path) -> None:
    needs("openssl", shutil.which("openssl"))
    certificate, key = tmp_path / "c.pem", tmp_path / "k.pem"
    command = "openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=nursery -addext subjectAltName=IP:127.0.0.1"
    subprocess.run([*command.split(), "-keyout", key, "-out", certificate], check=True, capture_output=True)
    password = let_in(People(ours.receiver / "people.json"), "S01")
    with serving(ours, "--certificate", str(certificate), "--key", str(key)) as (port, _):
        curl = ["curl", "-sS", "--digest", "--noproxy", "*", "-u", f"S01:{password}", f"https://127.0.0.1:{port}/formList"]
        listed = subprocess.run([*curl, "--cacert", certificate], capture_output=True, text=True, check=True, timeout=60)
        assert f"<downloadUrl>https://127.0.0.1:{port}/forms/loss.xml</downloadUrl>" in listed.stdout
        refused = subprocess.run(curl, capture_output=True, text=True, check=False, timeout=60)
        assert refused.returncode == 60, "curl trusts no certificate that nobody vouches for"


def test_the_page_of_today_in_a_browser(ours: Workspace, tmp_path: Path) -> None:
    password = let_in(People(ours.receiver / "people.json"), "S01")
    with serving(ours) as (port, _), Browser(tmp_path / "chromium") as browser:
        auth = httpx.DigestAuth("S01", password)
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", auth=auth, trust_env=False) as phone:
            phone.get("/formList?deviceID=phone-7")
            phone.get("/media/groups.csv?deviceID=phone-7")
            for form in ("loss", "loss", "stock_count"):
                files = {"xml_submission_file": ("s.xml", record(form, new_identity()), "text/xml")}
                assert phone.post("/submission?deviceID=phone-7", files=files).status_code == 201
            cut = {"xml_submission_file": ("s.xml", b"<cut", "text/xml"), "x.jpg": ("x.jpg", JPEG, "image/jpeg")}
            assert phone.post("/submission?deviceID=phone-7", files=cut).status_code == 400
        page = f"http://127.0.0.1:{port + 1}/"
        browser.show(page, 1000)
        text = browser.value("document.body.innerText")
        assert "Phones today" in text and "phone-7" in text and "Abel" in text and "refused, and still on the phone" in text
        figures = browser.value("[...document.querySelectorAll('dd.value')].map(e => e.innerText)")
        assert figures == ["3", "3", "1"]
        rows = browser.value("[...document.querySelectorAll('#table-forms tbody tr')].map(r => r.innerText.split('\\t'))")
        assert [row[-1] for row in rows] == ["2", "1"]
        asked = httpx.get(page, trust_env=False)
        assert asked.headers["refresh"] == "20" and password not in asked.text
        other = httpx.get(page, headers={"Host": "nursery.example"}, trust_env=False)
        assert other.status_code == 400, "a page of another name cannot ask it in the browser's place"


def test_a_receiver_imports_by_itself(ours: Workspace) -> None:
    _kept(ours, "S01", {}, _loss(DAY))
    with serving(ours, "--import-every", "0.01"):
        until = time.monotonic() + 120
        while Spool(ours.receiver).waits() and time.monotonic() < until:
            time.sleep(0.1)
    assert Spool(ours.receiver).waits() == []


def test_what_waits_is_imported_by_itself_and_leaves_the_spool(ours: Workspace) -> None:
    spool = Spool(ours.receiver)
    spool.begin()
    for path in sorted((SAMPLES / "two_groups_are_put_together" / "inbox").iterdir()):
        content = path.read_bytes()
        spool.keep("S01", look_at(content), content, {})
    assert len(spool.waits()) == 3
    importer = Importer(ours.folder, spool, 0)
    importer.run()
    assert (importer.refused, importer.last["new_submissions"]) == ("", 3) and importer.ended_at
    assert spool.waits() == []
    assert len(table(ours, "standing")) == 2
    (ours.folder / "nursery.toml").write_text("name = 5\n", encoding="utf-8")
    importer.run()
    assert "name must be text" in unpacked(importer.refused), "said on the page, and tried again"


def _kept(workspace: Workspace, person: str, files: dict[str, bytes], *records: bytes) -> None:
    spool = Spool(workspace.receiver)
    spool.begin()
    for content in records:
        spool.keep(person, look_at(content), content, {name: io.BytesIO(data) for name, data in files.items()})


def _loss(day: dt.date, photo: str = "") -> bytes:
    photo = f"<photo>{photo}</photo>" if photo else ""
    return (
        f'<data id="loss" version="2026112603"><visit_date>{day}</visit_date><staff_code>S01</staff_code>'
        f"<group_code>26070109</group_code><lost>3</lost><loss_cause>frost</loss_cause>{photo}"
        f"<meta><instanceID>{new_identity()}</instanceID></meta></data>"
    ).encode()


def test_a_phone_whose_clock_is_a_year_ahead_keeps_nobody_else_back(ours: Workspace) -> None:
    settings = ours.folder / "nursery.toml"
    settings.write_text(re.sub("today = .*", "", settings.read_text(encoding="utf-8")), encoding="utf-8")
    today = dt.date.today()
    _kept(ours, "S01", {}, *(_loss(today + dt.timedelta(days=365)) for _ in range(8)))
    _kept(ours, "S02", {}, _loss(today), _loss(today))
    importer = Importer(ours.folder, Spool(ours.receiver), 0)
    importer.run()
    assert importer.refused == "" and importer.last["new_submissions"] == 2
    (left,) = importer.last["left_waiting"]
    assert left.startswith("What S01 sent waits. Nothing was taken in. Today is taken to be") and "8 of 8" in left
    assert {path.parent.name for path in Spool(ours.receiver).waits()} == {"S01"}, "nothing of it is lost"
    assert "are dated after it" in formpack("import", cwd=ours.folder, code=2), "a clerk is asked, as with any file"
    formpack("import", "--as-of", today.isoformat(), "--sure", cwd=ours.folder, code=1)
    assert Spool(ours.receiver).waits() == [] and ("day_of_import",) in table(ours, "problems", "rule")


def test_photos_that_came_in_parts_are_found(ours: Workspace) -> None:
    one = _loss(DAY, "b.jpg")
    identity = one.partition(b"<instanceID>")[2].partition(b"<")[0].decode()
    _kept(ours, "S01", {"a.jpg": JPEG}, one)
    _kept(ours, "S01", {"b.jpg": JPEG + b"2"}, one)
    formpack("import", cwd=ours.folder, code=1)
    assert len(table(ours, "submissions")) == 1
    with looked_at(ours) as store:
        (photo,) = photos.find(store, {identity: ["b.jpg"]})[identity]
        assert photos.read(store, photo) == JPEG + b"2"


def test_what_is_damaged_on_the_disk_is_said(ours: Workspace) -> None:
    _kept(ours, "S01", {}, _loss(DAY))
    (path,) = Spool(ours.receiver).waits()
    formpack("import", cwd=ours.folder, code=1)
    assert not path.exists() and len(table(ours, "submissions")) == 1
    path.write_bytes(b"PK half a file")
    formpack("import", cwd=ours.folder, code=1)
    assert ("unreadable_file",) in table(ours, "problems", "rule") or ("refused_file",) in table(ours, "problems", "rule")
    assert not path.exists(), "its bytes are kept, whatever they are"
