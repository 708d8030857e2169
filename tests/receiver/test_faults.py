"""Slow, cut, doubled and crowded lines, full disks, wrong clocks, imports that take long: nobody waits for another, and nothing
is half. No test here looks at a clock to pass; times are only how long it waits before it gives up."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import random
import socket
import struct
import threading
import time
import zipfile
from pathlib import Path

import httpx
import psutil
import pytest
from python_multipart.multipart import File

from pipeline.field.receiver import app, importer
from pipeline.field.receiver.doors import People
from pipeline.field.receiver.importer import Importer
from pipeline.field.receiver.spool import Spool, look_at
from tests.bench.phones_at_once import Phone
from tests.cli.test_cli import formpack
from tests.conftest import SAMPLES, table
from tests.receiver.office import JPEG, Office, left_halves, let_in, new_identity, record
from tests.robust.books import module_run

A_WHILE = 60


def part(name: str, content: bytes, file: str = "") -> bytes:
    named = f'; filename="{file}"' if file else ""
    return f'--x\r\nContent-Disposition: form-data; name="{name}"{named}\r\n\r\n'.encode() + content + b"\r\n"


def xml(identity: str) -> bytes:
    return part("xml_submission_file", record(identity=identity), "s.xml")


END = b"--x--\r\n"


def asked(office: Office, body: bytes, person: str = "S01", password: str = "", length: int = -1) -> bytes:
    """A whole request with a Digest of its own."""
    phone = Phone(office.port, person, password or office.password, [])
    challenge = office.receiver.doors.challenge()
    phone.nonce = challenge.partition('nonce="')[2].partition('"')[0], challenge.partition('opaque="')[2].partition('"')[0]
    head = f"POST /submission HTTP/1.1\r\nHost: x\r\nAuthorization: {phone.digest('POST', '/submission')}\r\n"
    head += f"Content-Type: multipart/form-data; boundary=x\r\nContent-Length: {len(body) if length < 0 else length}\r\n\r\n"
    return head.encode() + body


def line(office: Office, source: str = "127.0.0.1") -> socket.socket:
    return socket.create_connection(("127.0.0.1", office.port), A_WHILE, (source, 0))


def whole(office: Office) -> list[str]:
    """The identities of what waits; all of it must be whole."""
    found = []
    for path in office.spool.waits():
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None
            found.append(look_at(archive.read("submission.xml")).instance_id)
    assert not left_halves(office.workspace.folder)
    return found


def test_slow_lines_keep_nobody_waiting(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app, "SILENT_SECONDS", 10.0 * A_WHILE)
    monkeypatch.setattr(app, "SLOW_AFTER", 10.0 * A_WHILE)
    names = [f"D{n:02}" for n in range(20)]
    with (office.workspace.lists / "staff.csv").open("a", encoding="utf-8") as staff:
        staff.writelines(f"{name},Drip,yes\n" for name in names)
    people = People(office.workspace.receiver / "people.json")
    with contextlib.ExitStack() as stack:
        drips = []
        for name in names:
            drip = stack.enter_context(line(office))
            drip.sendall(asked(office, part("a", b"a")[:-2], name, let_in(people, name), 5000))
            drips.append(drip)
        identities = [new_identity() for _ in range(10)]
        for identity in identities:
            for drip in drips:
                drip.sendall(b"a")
            assert office.post(record(identity=identity), {"a.jpg": JPEG}).status_code == 201
        for drip in drips:
            drip.setblocking(False)
            with pytest.raises(BlockingIOError):
                drip.recv(1)
    assert sorted(whole(office)) == sorted(identities)


def test_who_takes_much_room_waits_for_it() -> None:
    """Nobody has more than there is, whoever takes more than that gets all of it, and all are done in the end."""
    most = 0

    async def take(room: app.Room, size: int) -> None:
        nonlocal most
        async with room.taken(size):
            most = max(most, 100 - room._free)
            await asyncio.sleep(0)

    async def all_of_them() -> None:
        room = app.Room(100)
        sizes = random.Random(1).choices((1, 30, 60, 100, 1000), k=200)
        await asyncio.wait_for(asyncio.gather(*(take(room, size) for size in sizes)), A_WHILE)
        assert room._free == 100

    asyncio.run(all_of_them())
    assert most == 100


def test_lines_cut_anywhere_leave_nothing_half(office: Office) -> None:
    dice = random.Random(20261102)
    for turn in range(40):
        body = xml(new_identity()) + part("a", JPEG + dice.randbytes(dice.randrange(100_000)), "a.jpg") + END
        request = asked(office, body)
        with line(office) as cut:
            if turn % 2:  # as by a line that breaks, and not one that is closed
                cut.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            cut.sendall(request[: dice.randrange(1, len(request) - 1)])
    identity = new_identity()
    assert office.post(record(identity=identity), {"a.jpg": JPEG}).status_code == 201
    assert whole(office) == [identity]
    unheard = new_identity()
    with line(office) as cut:
        cut.sendall(asked(office, xml(unheard) + END))
        until = time.monotonic() + A_WHILE
        while len(office.spool.waits()) < 2 and time.monotonic() < until:
            time.sleep(0.01)
    assert office.post(record(identity=unheard)).status_code == 201, "an answer that was not heard is asked for again"
    assert sorted(whole(office)) == sorted([identity, unheard])


def test_a_full_disk_and_a_kill_at_every_operation(tmp_path: Path) -> None:
    """What is told where it succeeds is 202, as one of the files is set aside. Where the last `fsync` fails the phone is told
    so, though an import may find the submission, whole; the next sending makes the same file."""
    said = [line.split() for line in module_run("tests.receiver.spool_faults", tmp_path).splitlines()]
    operations = said[0][1:]
    assert [operations.count(kind) for kind in ("write", "fsync", "os.rename", "os.mkdir")] == [2, 5, 2, 1]
    assert said[1] == ["killed", "('nothing',", "16)", "('whole',", "2)"]
    renamed = len(operations) - operations[::-1].index("os.rename")
    for number, (way, at, told, halves, waits, then, there) in enumerate(said[2:], start=1):
        assert (way, int(at), told, halves, then, there) == ("full", number, "507", "0", "202", "1")
        assert int(waits) == (number > renamed)
    assert len(said) == 2 + len(operations)


def test_a_person_who_sends_several_at_once_for_the_first_time(tmp_path: Path) -> None:
    spool = Spool(tmp_path)
    spool.begin()
    for person in range(20):
        ready, failed = threading.Barrier(3), list[Exception]()

        def keep(person: int, ready: threading.Barrier, failed: list[Exception]) -> None:
            content = record(identity=new_identity())
            ready.wait()
            try:
                spool.keep(f"P{person}", look_at(content), content, {})
            except Exception as wrong:
                failed.append(wrong)

        threads = [threading.Thread(target=keep, args=(person, ready, failed)) for _ in range(3)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert failed == []
    assert len(spool.waits()) == 60


def test_parts_in_another_order_and_twice(office: Office) -> None:
    def told(*parts: bytes) -> str:
        with line(office) as phone:
            phone.sendall(asked(office, b"".join(parts) + END))
            return phone.recv(4096).split()[1].decode()

    identity = new_identity()
    one, two = part("one", JPEG + b"1", "one.jpg"), part("two", JPEG + b"2", "two.jpg")
    assert told(xml(identity), one, two) == "201"
    assert told(one, two, xml(identity)) == told(two, xml(identity), one) == "201"
    assert whole(office) == [identity], "the same files in any order are the same submission"
    assert told(xml(identity), one, one) == "201"
    assert told(two, xml(identity)) == "201"
    assert whole(office) == [identity] * 3
    assert told(xml(identity), xml(identity)) == "400" and told(xml(identity), one, xml(new_identity())) == "400"
    assert office.receiver.seen.day().forms == {"stock_count": 1}


def _a_year_ahead(text: str, number: int) -> bytes:
    return text.replace("2026-", "2027-").replace("000000000001<", f"{number:012}<").encode()


def test_a_phone_whose_clock_is_a_year_ahead(office: Office) -> None:
    """It is told to the clerk at once; what others sent goes in, and what it dated is kept out until somebody looks."""
    inbox = SAMPLES / "two_groups_are_put_together" / "inbox"
    texts = [path.read_text(encoding="utf-8") for path in sorted(inbox.iterdir())]
    for text in texts:
        assert office.post(text.encode()).status_code in (201, 202)
    ahead = texts[0].replace("2026-", "2027-").replace("00000000-0000", "00000000-1111").encode()
    assert office.post(ahead, Date="Sat, 06 Nov 2027 08:00:00 GMT").status_code in (201, 202)
    assert any("clock" in problem and "2027-11-06" in problem for problem in office.problems())
    done = json.loads(formpack("import", str(office.spool.waiting), "--json", cwd=office.workspace.folder, code=1))
    assert done["states"]["accepted"] == len(texts) and done["states"]["quarantined"] == 1
    (stopped,) = table(office.workspace, "problems", "rule, field, value", "severity = 'stop'")
    assert stopped == ("impossible_value", "visit_date", "2027-03-02")


def test_thousands_of_lines_that_come_and_go(office: Office) -> None:
    assert office.post(record(identity=new_identity())).status_code == 201
    held = psutil.Process().num_fds()
    for number in range(3000):
        with line(office, f"127.0.0.{2 + number % 100}") as one:
            with contextlib.suppress(ConnectionError):  # too many are open, and this one was turned away
                one.sendall(b"GET /formList HTTP/1.1\r\nHost: x\r\n\r\n"[: number % 40])
            if number % 2:
                one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    until = time.monotonic() + A_WHILE
    identity, told = new_identity(), 0
    while told != 201 and time.monotonic() < until:  # while too many are open a phone is turned away, and tries again
        with contextlib.suppress(httpx.TransportError):
            told = office.post(record(identity=identity)).status_code
    assert told == 201
    while psutil.Process().num_fds() > held + 5 and time.monotonic() < until:
        time.sleep(0.01)
    assert psutil.Process().num_fds() <= held + 5, "none is held for nothing"
    assert len(whole(office)) == 2


def test_lines_that_say_nothing_keep_nobody_out(office: Office) -> None:
    with contextlib.ExitStack() as stack:
        for number in range(300):
            stack.enter_context(line(office, f"127.0.0.{2 + number % 3}"))
        for _ in range(3):
            assert office.post(record(identity=new_identity()), {"a.jpg": JPEG}).status_code == 201
    assert len(whole(office)) == 3


def test_an_import_that_takes_long_keeps_nobody_waiting(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    done = office.workspace.folder / "go-on"
    script = f"import pathlib, time\nwhile not pathlib.Path({str(done)!r}).exists(): time.sleep(0.02)\nprint('{{}}')"
    monkeypatch.setattr(importer, "_COMMAND", ("-c", script))
    running_beside = Importer(office.workspace.folder, office.spool, 60)
    running_beside.start()
    until = time.monotonic() + A_WHILE
    while not running_beside.is_running and time.monotonic() < until:
        time.sleep(0.01)
    identities = [new_identity() for _ in range(5)]
    for identity in identities:
        assert office.post(record(identity=identity)).status_code == 201
    with office.client() as phone:
        assert phone.get("/formList").status_code == phone.get("/media/groups.csv").status_code == 200
    assert running_beside.is_running and not running_beside.ended_at
    running_beside.stop()
    done.touch()
    while running_beside.is_running and time.monotonic() < until:
        time.sleep(0.01)
    assert running_beside.ended_at and running_beside.refused == ""
    assert sorted(whole(office)) == sorted(identities)


def test_nothing_that_came_is_held_once_it_is_answered(office: Office) -> None:
    """Without looking for rings of what holds each other, which Python does seldom: photos are large."""

    def held() -> int:
        return sum(isinstance(it, File) for it in gc.get_objects())

    gc.collect()
    gc.disable()
    try:
        before = held()
        for _ in range(3):
            assert office.post(record(identity=new_identity()), {"a.jpg": JPEG, "b.jpg": JPEG}).status_code == 201
        request = asked(office, xml(new_identity()) + part("a", JPEG, "a.jpg") + END)
        with line(office) as cut:
            cut.sendall(request[:-20])
        until = time.monotonic() + A_WHILE
        while held() > before and time.monotonic() < until:
            time.sleep(0.01)
        assert held() == before
    finally:
        gc.enable()
