"""A phone's stand-in: curl fetches and sends, the native form engine fills in. As a program, in a second window beside
`formpack receive`: `python -m tests.receiver.stand_in http://127.0.0.1:8417 S01 PASSWORD`. It fetches all forms and lists into
a folder of its own, notes the loss of one plant of the first group of its list, and sends that."""

from __future__ import annotations

import csv
import hashlib
import subprocess
import sys
import tempfile
from pathlib import Path

from lxml import etree

from tests.engine.phone import Phone

_NAMES = {"x": "http://openrosa.org/xforms/xformsList", "m": "http://openrosa.org/xforms/xformsManifest"}


def _curl(user: str, *arguments: str) -> bytes:
    command = ["curl", "-sS", "--fail-with-body", "--digest", "--noproxy", "*", "-u", user, "-H", "X-OpenRosa-Version: 1.0"]
    return subprocess.run([*command, *arguments], capture_output=True, timeout=120, check=True).stdout


def _fetched(user: str, entry: etree._Element, space: str) -> bytes:
    """What an entry of a list names, held against its hash."""
    content = _curl(user, str(entry.findtext(f"{space}:downloadUrl", None, _NAMES)))
    assert entry.findtext(f"{space}:hash", None, _NAMES) == "md5:" + hashlib.md5(content).hexdigest()
    return content


def fetch(base: str, person: str, password: str, folder: Path) -> list[str]:
    """Every form with the files that its manifest names, into the folder; the ids of the forms."""
    user, found = f"{person}:{password}", []
    for form in etree.fromstring(_curl(user, f"{base}/formList?deviceID=stand-in")).findall("x:xform", _NAMES):
        form_id = str(form.findtext("x:formID", None, _NAMES))
        (folder / f"{form_id}.xml").write_bytes(_fetched(user, form, "x"))
        if manifest := form.findtext("x:manifestUrl", None, _NAMES):
            for file in etree.fromstring(_curl(user, manifest)).findall("m:mediaFile", _NAMES):
                path = folder / str(file.findtext("m:filename", None, _NAMES))
                if not path.exists():
                    path.write_bytes(_fetched(user, file, "m"))
        found.append(form_id)
    return found


def send(base: str, person: str, password: str, record: Path, *photos: Path) -> str:
    """One record and its photos; what the receiver says, the number of its answer first."""
    user, address = f"{person}:{password}", f"{base}/submission?deviceID=stand-in"
    assert b" 204 " in _curl(user, "-I", address)
    parts = [f"xml_submission_file=@{record};type=text/xml", *(f"{p.name}=@{p};type=image/jpeg" for p in photos)]
    said = _curl(user, *(word for part in parts for word in ("-F", part)), "-w", "%{http_code}", address)
    return f"{said[-3:].decode()} {etree.fromstring(said[:-3]).findtext('{*}message')}"


def main(base: str, person: str, password: str) -> None:
    with tempfile.TemporaryDirectory() as held, Phone() as engine:
        folder = Path(held)
        print(f"fetched: {', '.join(fetch(base, person, password, folder))}")
        with (folder / "groups.csv").open(encoding="utf-8", newline="") as file:
            code = next(csv.DictReader(file))["code"]
        answers = {"staff_code": person, "code_scanned": code, "lost": "1", "loss_cause": "mechanical"}
        refused = engine.fill(folder / "loss.xml", answers)
        assert not refused, refused
        record = folder / "record.xml"
        record.write_text(engine.ask("XML")[1], encoding="utf-8")
        print(f"sent one lost plant of {code}: {send(base, person, password, record)}")


if __name__ == "__main__":
    main(*sys.argv[1:])
