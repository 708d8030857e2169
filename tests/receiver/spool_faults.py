"""A submission is put on the disk in children that are killed, refused or out of room at each operation on files, one after the
other: `python -m tests.receiver.spool_faults FOLDER` says what came of each."""

from __future__ import annotations

import errno
import os
import shutil
import sys
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from pipeline.field.receiver import spool as spooling
from pipeline.field.receiver.spool import Spool, Stored, look_at
from tests.conftest import new_workspace
from tests.receiver.office import JPEG, left_halves, new_identity, put_forms, record, running
from tests.robust.faults import KILLED, Faults, in_child

RECORD, FILES = record(identity=new_identity()), {"a.jpg": JPEG + os.urandom(30_000), "odd.jpg": b"<html>"}


def kept(folder: Path) -> Stored:
    spool = Spool(folder)
    files = {}
    for name, content in FILES.items():
        (folder.parent / name).write_bytes(content)
        files[name] = (folder.parent / name).open("rb")
    return spool.keep("S01", look_at(RECORD), RECORD, files)


def dies(folder: Path, at: int, target: Path) -> int:
    """Killed at an operation; without one it notes what there are."""
    faults = Faults(folder, "killed" if at else "", at)
    faults.watch()
    stored = kept(folder)
    target.write_text("\n".join(faults.seen), encoding="utf-8")
    return int(stored.was_there)


class Full(Faults):
    """A disk that has no room from an operation on, whatever it is; what is there can be removed."""

    def reach(self, kind: str, wrong: Callable[[bool], BaseException] | None) -> None:
        self.seen.append(kind)
        if 0 < self.at <= len(self.seen) and kind != "os.remove":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def answers(folder: Path, many: int) -> None:
    """What a phone is told where there is no room from each operation on, and what is left; then it sends again."""
    workspace = new_workspace(folder)
    put_forms(workspace)
    with running(workspace) as office:
        faults = Full(office.spool.folder)
        faults.watch()
        for at in range(1, many + 1):
            faults.seen.clear()
            faults.at = at
            told, halves, waits = office.post(RECORD, FILES).status_code, left_halves(folder), whole(office.spool)
            faults.at = 0
            print("full", at, told, len(halves), len(waits), office.post(RECORD, FILES).status_code, len(whole(office.spool)))
            shutil.rmtree(office.spool.waiting / "S01")
        assert office.failures == []


def whole(spool: Spool) -> list[Path]:
    """What an import would take, all of it whole."""
    found = spool.waits()
    assert all(zipfile.ZipFile(path).testzip() is None for path in found)
    return found


def main(where: Path) -> None:
    folder, noted = where / "receiver", where / "noted"

    def fresh() -> Spool:
        shutil.rmtree(folder, ignore_errors=True)
        spool = Spool(folder)
        spool.begin()
        return spool

    fresh()
    assert in_child(dies, folder, 0, noted) == 0
    operations = noted.read_text(encoding="utf-8").splitlines()
    print("operations", *operations, flush=True)
    ends: Counter[str] = Counter()
    spooling._OLD_SECONDS = -1  # so that what is left is old at once
    for at in range(1, len(operations) + 1):
        spool = fresh()
        assert in_child(dies, folder, at, noted) == KILLED
        waits = whole(spool)
        assert len(waits) <= 1, at
        again = in_child(dies, folder, 0, noted)
        assert again == len(waits) and len(whole(spool)) == 1, "the next sending makes it the same"
        spool.begin()
        assert not left_halves(folder) and len(spool.waits()) == 1
        ends["whole" if waits else "nothing"] += 1
    print("killed", *sorted(ends.items()), flush=True)
    answers(where / "nursery", len(operations))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
