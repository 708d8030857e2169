"""Hand-overs of many nurseries made of a few real ones: the tables that are put together, with other codes and numbers."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from pipeline.body.proved import NEEDED
from pipeline.office import hand_over


def as_handed_over(three: Path) -> Path:
    """What was taken in has a mark in the place of its manifest: one that would do."""
    folder = three / "as-handed-over"
    if not folder.exists():
        for path in (three / "here" / "taken").glob("nursery=*.json"):
            nursery = path.stem.removeprefix("nursery=")
            files = [
                p.relative_to(three / "here" / "taken") for p in (three / "here" / "taken").glob(f"*/{path.stem}/*/*.parquet")
            ]
            said = {
                "format": hand_over.FORMAT,
                "version": hand_over.VERSION,
                "nursery": nursery,
                "origin": "0" * 16,
                "name": None,
                "day": "2026-11-02",
                "made_at": "2026-11-02T06:00:00+00:00",
                "program": "formpack",
                "people": "pseudonyms",
                "season_begins": 1,
                "tables": {},
                "files": {f.as_posix(): {} for f in files},
            }
            folder.mkdir(exist_ok=True)
            for f in files:
                (folder / f).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(three / "here" / "taken" / f, folder / f)
            (folder / path.name).write_text(json.dumps(said), encoding="utf-8")
    return folder


def clone(source: Path, nursery: str, to: Path, code: str, seed: int, is_whole: bool = False) -> None:
    """A hand-over like that of `nursery` in `source`, under another code into `to`: green buds and losses are others. Where it
    is whole, with the tables too that are not put together."""
    dice = np.random.default_rng(seed)
    said: dict[str, Any] = json.loads((source / f"nursery={nursery}.json").read_text(encoding="utf-8"))
    files = {}
    for name in said["files"]:
        if (table := name.partition("/")[0]) not in NEEDED and not is_whole:
            continue
        rows = parquet.ParquetFile(source / name).read()
        if table == "lots":
            green, read = (np.asarray(rows[c].fill_null(0)) for c in ("green", "brown"))
            moved = dice.binomial(green, dice.uniform(0.0, 0.1))
            for column, values in (("green", green - moved), ("brown", read + moved)):
                known = pa.array(values, mask=np.asarray(rows[column].is_null()))
                rows = rows.set_column(rows.column_names.index(column), column, known)
        if table == "sums_of_losses":
            lost = np.asarray(rows["lost"])
            rows = rows.set_column(
                rows.column_names.index("lost"), "lost", pa.array(dice.poisson(lost * dice.uniform(0.8, 1.2)))
            )
        path = to / name.replace(f"nursery={nursery}", f"nursery={code}")
        path.parent.mkdir(parents=True, exist_ok=True)
        parquet.write_table(rows, path)
        content = path.read_bytes()
        files[path.relative_to(to).as_posix()] = {"size": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    said |= {"nursery": code, "origin": f"{seed:016x}", "files": files}
    (to / f"nursery={code}.json").write_text(json.dumps(said), encoding="utf-8")
