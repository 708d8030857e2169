"""Debian's chromium without a window, driven over its protocol (Chrome DevTools Protocol 1.3) on two pipes."""

from __future__ import annotations

import base64
import fcntl
import itertools
import json
import os
import select
import shutil
import subprocess
from pathlib import Path
from types import TracebackType
from typing import Any

import pytest


def needs(what: str, has_it: object) -> None:
    """Skip where it is not there; in CI its absence is a failure."""
    if not has_it:
        if os.environ.get("CI"):
            pytest.fail(f"CI must have {what}")
        pytest.skip(f"no {what} on this machine; CI runs this test")


class Browser:
    """One page at a time; `width` by `height` px of it are seen."""

    def __init__(self, folder: Path) -> None:
        needs("chromium", shutil.which("chromium"))
        (hears, self._says), (self._hears, says) = os.pipe(), os.pipe()
        inner = [fcntl.fcntl(end, fcntl.F_DUPFD, 10) for end in (hears, says)]  # chromium wants them as 3 and 4
        options = f"--headless --no-sandbox --disable-gpu --hide-scrollbars --remote-debugging-pipe --user-data-dir={folder}"
        command = ["bash", "-c", f'exec chromium "$@" 3<&{inner[0]} 4>&{inner[1]}', "bash", *options.split()]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": os.environ | {"HOME": str(folder)}}
        self._process = subprocess.Popen(command, pass_fds=inner, **quiet)
        for end in (hears, says, *inner):
            os.close(end)
        self._heard = b""
        self._numbers = itertools.count(1)
        self._session = ""
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self.ask("Page.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        os.close(self._says)
        os.close(self._hears)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._heard:
            assert select.select([self._hears], [], [], 60)[0], "chromium says nothing"
            more = os.read(self._hears, 1 << 20)
            assert more, "chromium has ended"
            self._heard += more
        message, _, self._heard = self._heard.partition(b"\0")
        said: dict[str, Any] = json.loads(message)
        return said

    def ask(self, method: str, **values: Any) -> dict[str, Any]:
        """What the method gives back."""
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": values} | ({"sessionId": self._session} if self._session else {})
        left = json.dumps(message).encode() + b"\0"
        while left:
            left = left[os.write(self._says, left) :]
        while (said := self._next()).get("id") != number:
            pass
        assert "error" not in said, (method, said["error"])
        result: dict[str, Any] = said["result"]
        return result

    def show(self, page: Path | str, width: int, height: int = 844, script: bool = True) -> None:
        """Open the page, a file or an address, and wait until it is there."""
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 500)
        self.ask("Emulation.setScriptExecutionDisabled", value=not script)
        self.ask("Page.navigate", url="about:blank")
        self.ask("Page.navigate", url=page if isinstance(page, str) else page.resolve().as_uri())
        while self._next().get("method") != "Page.loadEventFired":
            pass

    def value(self, script: str) -> Any:
        """What the script comes to in the page, when its promise is kept."""
        said = self.ask("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in said, said["exceptionDetails"]
        return said["result"].get("value")

    def paper(self) -> bytes:
        """The page as a PDF of A4 sheets, by its own rules of paper."""
        return base64.b64decode(self.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=False)["data"])
