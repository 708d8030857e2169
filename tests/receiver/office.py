"""A receiver that runs in this process, for tests that speak to it as phones do."""

from __future__ import annotations

import contextlib
import subprocess
import threading
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from pipeline.field.receiver import server
from pipeline.field.receiver.app import Receiver
from pipeline.field.receiver.doors import Doors, People, new_password
from pipeline.field.receiver.seen import Seen
from pipeline.field.receiver.spool import Spool
from pipeline.workspace import Workspace

JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(300)
XFORM = """<?xml version="1.0"?>
<h:html xmlns="http://www.w3.org/2002/xforms" xmlns:h="http://www.w3.org/1999/xhtml" xmlns:jr="http://openrosa.org/javarosa">
  <h:head><h:title>{title}</h:title><model><instance><data id="{form}" version="7"><counted/></data></instance>
  <instance id="groups" src="jr://file-csv/groups.csv"/><instance id="gone" src="jr://file-csv/gone.csv"/>
  <itext><translation lang="en"><text id="a"><value form="image">jr://images/bud.png</value></text></translation></itext>
  </model></h:head><h:body/>
</h:html>
"""


def record(form: str = "stock_count", identity: str | None = None, counted: int = 5) -> bytes:
    """A submission."""
    meta = f"<meta><instanceID>{identity}</instanceID></meta>" if identity else ""
    return f'<data id="{form}" version="7"><counted>{counted}</counted>{meta}</data>'.encode()


def new_identity() -> str:
    return f"uuid:{uuid.uuid4()}"


def let_in(people: People, code: str) -> str:
    """A password for a person."""
    password = new_password()
    people.add(code, password)
    return password


@dataclass
class Office:
    """The receiver at `base`; `password` is that of S01, `failures` is what it did not expect."""

    workspace: Workspace
    receiver: Receiver
    base: str
    port: int
    password: str
    failures: list[BaseException] = field(default_factory=list)

    @property
    def spool(self) -> Spool:
        return self.receiver.spool

    def client(self, person: str = "S01", password: str = "") -> httpx.Client:
        """An independent client with Digest."""
        auth = httpx.DigestAuth(person, password or self.password)
        return httpx.Client(base_url=self.base, auth=auth, timeout=30, trust_env=False)

    def post(self, content: bytes, files: dict[str, bytes] | None = None, **headers: str) -> httpx.Response:
        """One submission as S01."""
        parts = [("xml_submission_file", ("s.xml", content, "text/xml"))]
        parts += [(name, (name, data, "image/jpeg")) for name, data in (files or {}).items()]
        with self.client() as client:
            return client.post("/submission", files=parts, headers=headers)

    def curl(self, *arguments: str, user: str = "") -> str:
        """What curl prints, headers too, with Digest as S01."""
        command = ["curl", "-sS", "-i", "--digest", "--noproxy", "*", "-u", user or f"S01:{self.password}", *arguments]
        return subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout

    def problems(self) -> list[str]:
        return [e.about for e in self.receiver.seen.day().problems]


def put_forms(workspace: Workspace) -> None:
    """Two forms in phone/, with the files they ask for but one."""
    workspace.phone.mkdir(exist_ok=True)
    for form, title in (("stock_count", "Stock count"), ("loss", "Loss & more")):
        text = XFORM.format(form=form, title=title.replace("&", "&amp;"))
        (workspace.phone / f"{form}.xml").write_text(text, encoding="utf-8")
    (workspace.phone / "groups.csv").write_text("code,facts\n26120139,a b\n", encoding="utf-8")
    (workspace.phone / "bud.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(50))
    (workspace.phone / "secret.csv").write_text("nobody asks for it\n", encoding="utf-8")


@contextlib.contextmanager
def running(workspace: Workspace, most_bytes: int = 200_000) -> Iterator[Office]:
    """A receiver for the workspace, at a port that is free."""
    people, spool = People(workspace.receiver / "people.json"), Spool(workspace.receiver)
    spool.begin()
    password = let_in(people, "S01")
    failures: list[BaseException] = []

    seen = Seen(workspace.receiver / "seen")
    receiver = Receiver(workspace, spool, Doors(people), seen, most_bytes, failures.append)
    listening = server.bound("127.0.0.1", 0)
    port = listening.getsockname()[1]
    serving = server.server(receiver.app())
    thread = threading.Thread(target=serving.run, kwargs={"sockets": [listening]})
    thread.start()
    until = time.monotonic() + 20
    while not serving.started and time.monotonic() < until:
        time.sleep(0.01)
    try:
        yield Office(workspace, receiver, f"http://127.0.0.1:{port}", port, password, failures)
    finally:
        serving.should_exit = True
        thread.join(30)
        listening.close()


def left_halves(folder: Path) -> list[Path]:
    """What is half written."""
    return list(folder.rglob(".new-*"))
