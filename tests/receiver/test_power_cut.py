"""A receiver that is killed at any moment: whatever was answered is there, whole, and an import finds no half file."""

from __future__ import annotations

import os
import random
import socket
import subprocess
import sys
import threading
import time
import zipfile
from pathlib import Path

import httpx
import pytest

from pipeline.field.receiver.doors import People
from pipeline.field.receiver.spool import Spool
from pipeline.workspace import Workspace
from tests.conftest import ROOT, new_workspace
from tests.receiver.office import JPEG, let_in, new_identity, put_forms, record

COMMAND = (sys.executable, "-c", "from pipeline.cli import main; main()", "receive", "--import-every", "0")


def two_ports() -> int:
    """A port that is free, and the next one too."""
    while True:
        with socket.socket() as one, socket.socket() as next_one:
            one.bind(("127.0.0.1", 0))
            port: int = one.getsockname()[1]
            try:
                next_one.bind(("127.0.0.1", port + 1))
            except OSError:
                continue
            return port


def begun(workspace: Workspace, *more: str) -> tuple[subprocess.Popen[str], int]:
    """The command, once it answers, and its port."""
    port = two_ports()
    command = [*COMMAND, "--port", str(port), "--workspace", str(workspace.folder), *more]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)}
    )
    until = time.monotonic() + 60
    while time.monotonic() < until:
        try:
            httpx.get(f"http{'s' * ('--key' in more)}://127.0.0.1:{port}/formList", timeout=5, verify=False, trust_env=False)
            return process, port
        except httpx.HTTPError:
            assert process.poll() is None, process.stdout and process.stdout.read()
            time.sleep(0.05)
    raise AssertionError("it does not listen")


def _send(port: int, password: str, answered: list[tuple[str, int]], stop: threading.Event) -> None:
    auth = httpx.DigestAuth("S01", password)
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", auth=auth, timeout=5, trust_env=False) as client:
        while not stop.is_set():
            identity = new_identity()
            files = [
                ("xml_submission_file", ("s.xml", record(identity=identity), "text/xml")),
                ("a.jpg", ("a.jpg", JPEG + os.urandom(40_000), "image/jpeg")),
            ]
            try:
                answered.append((identity, client.post("/submission", files=files).status_code))
            except httpx.HTTPError:
                return


@pytest.mark.parametrize("turn", range(2))
def test_what_was_answered_is_there(turn: int, tmp_path: Path) -> None:
    workspace = new_workspace(tmp_path)
    put_forms(workspace)
    password = let_in(People(workspace.receiver / "people.json"), "S01")
    process, port = begun(workspace)
    answered: list[tuple[str, int]] = []
    stop = threading.Event()
    senders = [threading.Thread(target=_send, args=(port, password, answered, stop)) for _ in range(4)]
    for sender in senders:
        sender.start()
    until = time.monotonic() + 60
    while len(answered) < 20 and time.monotonic() < until:
        time.sleep(0.01)
    time.sleep(random.Random(turn).uniform(0, 0.2))
    process.kill()
    process.communicate(timeout=30)
    stop.set()
    for sender in senders:
        sender.join(30)
    assert len(answered) >= 20 and {code for _, code in answered} == {201}
    there = set()
    for path in Spool(workspace.receiver).waits():
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None and set(archive.namelist()) == {"submission.xml", "a.jpg"}
            there.add(archive.read("submission.xml").partition(b"<instanceID>")[2].partition(b"<")[0].decode())
    assert {identity for identity, _ in answered} <= there
    assert len(there) <= len(answered) + len(senders), "at most one each whose answer was cut off"
