"""The code that is measured: a folder with `pipeline` and `formpack` in it, and the stores that it has prepared."""

from __future__ import annotations

import hashlib
import io
import shutil
import subprocess
import tarfile
from dataclasses import dataclass
from pathlib import Path

from tests.bench.measure import Child, run

ROOT = Path(__file__).resolve().parents[2]
FORMER = "9ac65b6"
MAIN = "from pipeline.cli import main; main()"
PARTS = ("formpack", "pipeline", "forms")


@dataclass(frozen=True)
class Checkout:
    label: str
    folder: Path
    data: Path
    limit: float

    @property
    def digest(self) -> str:
        """What the code is, by content: stores are prepared anew when it changes."""
        files = sorted(
            p for part in PARTS for p in (self.folder / part).rglob("*") if p.suffix in (".py", ".sql", ".csv", ".html")
        )
        return hashlib.sha256(b"\0".join(str(p).encode() + p.read_bytes() for p in files)).hexdigest()[:16]

    @property
    def commit(self) -> str:
        asked = subprocess.run(["git", "-C", self.folder, "rev-parse", "--short", "HEAD"], capture_output=True, text=True)
        changed = subprocess.run(
            ["git", "-C", self.folder, "status", "--porcelain", "--", *PARTS], capture_output=True, text=True
        )
        return (asked.stdout.strip() or FORMER) + (" with changes" if changed.stdout.strip() else "")

    def command(self, workspace: Path, *arguments: object) -> Child:
        """The command line `formpack ...` in a workspace."""
        return Child(("-c", MAIN, *map(str, arguments)), workspace, self.folder)

    def states_only(self, workspace: Path, *paths: Path) -> Child:
        """An import that brings up the table of states and no other."""
        script = ROOT / "tests" / "bench" / "states_only.py"
        return Child(("-P", str(script), str(workspace), *map(str, paths)), workspace, self.folder)

    def workspace(self, of: Path, at: Path) -> Path:
        """A new workspace at `at` with the settings and lists of a set."""
        at.mkdir(parents=True, exist_ok=True)
        shutil.copy(of / "nursery.toml", at)
        shutil.copytree(of / "lists", at / "lists")
        return at

    def prepared(self, of: Path, kind: str, *paths: Path) -> Path:
        """A workspace into which the files have been imported: everything (`all`) or states only (`states`). Made once."""
        at = self.data / "stores" / f"{self.label}-{of.name}-{kind}"
        mark = at.with_suffix(".digest")
        if not (mark.exists() and mark.read_text() == self.digest):
            shutil.rmtree(at, ignore_errors=True)
            mark.unlink(missing_ok=True)
            digest = self.digest
            self.workspace(of, at)
            if kind == "all":
                run(self.command(at, "import", *paths), self.limit)
                run(self.command(at, "due"), self.limit)
            else:
                run(self.states_only(at, *paths), self.limit)
            mark.write_text(digest)
        return at


def former(given: Path | None, data: Path, limit: float) -> Checkout:
    """The former code: the checkout given, or one made of its commit."""
    folder = given or data / f"former-{FORMER}"
    if not folder.exists():
        folder.mkdir(parents=True)
        archive = subprocess.run(["git", "-C", ROOT, "archive", FORMER], capture_output=True, check=True)
        with tarfile.open(fileobj=io.BytesIO(archive.stdout)) as files:
            files.extractall(folder, filter="data")
    return Checkout("former", folder.resolve(), data, limit)
