"""Some of the phones of receiver_bench, in a process of its own: `phones_at_once.py PORT SMALLEST LARGEST`, on standard input a
JSON list of [person, password, [path of a submission, ...]].

Each phone fetches the list of forms, manifests, and every form and file, then sends its submissions one after the other, each
with a photo, over one line. Says as JSON: [identity, status, seconds] of each, seconds of each fetch, and its own CPU seconds.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import random
import re
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF"
_IDENTITY = re.compile(rb"<instanceID>([^<]+)")
_NONCE = re.compile(rb'nonce="([^"]+)", opaque="([^"]+)"')
_ADDRESS = re.compile(rb"<(?:downloadUrl|manifestUrl)>http://[^/<]+([^<]+)<")


def _md5(text: str) -> str:
    return hashlib.md5(text.encode(), usedforsecurity=False).hexdigest()


@dataclass
class Phone:
    """One line to the receiver, with Digest as RFC 7616 has it."""

    port: int
    person: str
    password: str
    paths: list[str]
    photos: tuple[int, int] = (0, 0)
    """The bytes of a photo, at least and at most."""
    sent: list[tuple[str, int, float]] = field(default_factory=list)
    fetched: list[float] = field(default_factory=list)
    nonce: tuple[str, str] = ("", "")
    count: int = 0

    async def live(self) -> None:
        self.reader, self.writer = await asyncio.open_connection("127.0.0.1", self.port)
        dice = random.Random(self.person)
        noise = memoryview(dice.randbytes(self.photos[1]))
        asked, known = ["/formList"], {"/formList"}
        while asked:
            begun = time.perf_counter()
            status, content = await self.ask("GET", asked.pop())
            assert status == 200, status
            self.fetched.append(time.perf_counter() - begun)
            for path in (p.decode() for p in _ADDRESS.findall(content)):
                if path not in known:
                    known.add(path)
                    asked.append(path)
        for number, path in enumerate(self.paths):
            text = Path(path).read_bytes()
            begun = time.perf_counter()
            photo = (JPEG, noise[: dice.randint(*self.photos)], b"\r\n--x--\r\n")
            body = (_part("xml_submission_file", "s.xml", "text/xml"), text, _part("a", f"{number}.jpg", "image/jpeg"), *photo)
            status, _ = await self.ask("POST", f"/submission?deviceID={self.person}", body)
            found = _IDENTITY.search(text)
            assert found
            self.sent.append((found[1].decode(), status, time.perf_counter() - begun))
        self.writer.close()

    async def ask(self, method: str, path: str, body: Sequence[bytes | memoryview] = ()) -> tuple[int, bytes]:
        """Status and content; where the nonce is no longer good, with the new one."""
        status, head, content = await self._once(method, path, body)
        if status == 401 and (found := _NONCE.search(head)):
            self.nonce, self.count = (found[1].decode(), found[2].decode()), 0
            status, _, content = await self._once(method, path, body)
        return status, content

    async def _once(self, method: str, path: str, body: Sequence[bytes | memoryview]) -> tuple[int, bytes, bytes]:
        said = [f"{method} {path} HTTP/1.1", f"Host: 127.0.0.1:{self.port}", "X-OpenRosa-Version: 1.0"]
        if self.nonce[0]:
            said.append(f"Authorization: {self.digest(method, path)}")
        if body:
            said += ["Content-Type: multipart/form-data; boundary=x", f"Content-Length: {sum(map(len, body))}"]
        self.writer.writelines(["\r\n".join([*said, "", ""]).encode(), *body])
        await self.writer.drain()
        head = await self.reader.readuntil(b"\r\n\r\n")
        length = re.search(rb"(?i)\r\ncontent-length: (\d+)", head)
        content = await self.reader.readexactly(int(length[1])) if length else b""
        return int(head.split(maxsplit=2)[1]), head, content

    def digest(self, method: str, path: str) -> str:
        self.count += 1
        (nonce, opaque), count, own = self.nonce, f"{self.count:08x}", os.urandom(8).hex()
        kept = _md5(f"{self.person}:formpack:{self.password}")
        response = _md5(f"{kept}:{nonce}:{count}:{own}:auth:{_md5(f'{method}:{path}')}")
        return (
            f'Digest username="{self.person}", realm="formpack", nonce="{nonce}", uri="{path}", qop=auth, nc={count},'
            f' cnonce="{own}", opaque="{opaque}", algorithm=MD5, response="{response}"'
        )


def _part(name: str, file: str, kind: str) -> bytes:
    return (
        f'\r\n--x\r\nContent-Disposition: form-data; name="{name}"; filename="{file}"\r\nContent-Type: {kind}\r\n\r\n'
    ).encode()


async def _all(phones: list[Phone]) -> None:
    await asyncio.gather(*(phone.live() for phone in phones))


if __name__ == "__main__":
    port, smallest, largest = map(int, sys.argv[1:])
    of_all = [Phone(port, *given, (smallest, largest)) for given in json.load(sys.stdin)]
    asyncio.run(_all(of_all))
    sent = [one for phone in of_all for one in phone.sent]
    fetched = [seconds for phone in of_all for seconds in phone.fetched]
    print(json.dumps({"sent": sent, "fetched": fetched, "cpu": time.process_time()}))
