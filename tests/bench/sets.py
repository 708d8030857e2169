"""The sets of submissions that the benches use, each in a folder of its own, made where it is not there yet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tests.bench.checkout import ROOT
from tests.bench.measure import Child, run

MORE = 500
QUICK = {27_000: 1_500, 100_000: 2_000, 1_000_000: 10_000}


@dataclass(frozen=True)
class Sets:
    data: Path
    quick: bool

    def size(self, wanted: int) -> int:
        return QUICK[wanted] if self.quick else wanted

    @property
    def more(self) -> int:
        return MORE // 10 if self.quick else MORE

    def nursery(self, wanted: int) -> Path:
        """A nursery of so many submissions: csv/, xml.zip (up to 100,000), more.zip."""
        size = self.size(wanted)
        years = 3 if size < 50_000 else 7
        kinds = ("--as", "csv", *(("--as", "zip") if size <= 100_000 else ()))
        return self._made(str(size), ("--submissions", str(size), "--years", str(years), *kinds, "--more", str(self.more)))

    def counts(self, wanted: int) -> Path:
        """So many stock counts in counts/, the openings of their groups in csv/."""
        size = self.size(wanted)
        return self._made(f"counts-{size}", ("--counts", str(size)))

    def _made(self, name: str, options: tuple[str, ...]) -> Path:
        folder = self.data / name
        if not folder.exists():
            building = self.data / f"{name}.part"
            run(Child(("-m", "tests.bench.nursery", str(building), *options), ROOT, ROOT), 1200)
            building.rename(folder)
        for path in (p for p in folder.rglob("*") if p.is_file()):  # into the file cache, a little at a time
            with path.open("rb") as file:
                while file.read(2**20):
                    pass
        return folder
