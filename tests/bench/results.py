"""What was measured, as lines for people, as a Markdown table, and as JSON for programs."""

from __future__ import annotations

import datetime as dt
import json
import os
import platform
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path
from typing import Any

from tests.bench.benches import Bench, Goal

HEAD = ("what", "n", "rounds", "CPU s", "peak MB", "beside", "CPU s", "ratio", "goal", "met")


def machine() -> dict[str, Any]:
    """Where it was measured."""
    models = [line.partition(":")[2].strip() for line in Path("/proc/cpuinfo").read_text().splitlines() if "model name" in line]
    return {
        "cores": os.cpu_count(),
        "cpu": models[0] if models else platform.processor(),
        "python": platform.python_version(),
        "duckdb": version("duckdb"),
        "load_1_min": round(os.getloadavg()[0], 2),
        "on": dt.datetime.now().isoformat("T", "minutes"),
    }


def rows(bench: Bench) -> list[dict[str, Any]]:
    """A row for each side that the first is held against; the goals of the first alone stand in its first row."""
    first, others = bench.sides[0], bench.sides[1:]
    what = bench.what + (" (with everything: this code knows no less)" if "(with everything)" in first.used[0].said else "")
    found = []
    for at, other in enumerate(others or [None]):
        goals = [g for g in bench.goals if (other is not None and g.against == other.name) or (at == 0 and not g.against)]
        ratio = first.cpu / other.cpu if other else None
        found.append(
            {
                "bench": bench.name,
                "what": what,
                "n": bench.many,
                "rounds": len(first.used),
                "cpu": first.cpu,
                "memory_mib": first.memory,
                "side": first.name,
                "beside": other.name if other else "",
                "beside_cpu": other.cpu if other else None,
                "ratio": ratio,
                "goals": [_said(g) for g in goals],
                "met": all(_kept(g, ratio, first.cpu, first.memory) for g in goals) if goals else None,
            }
        )
    return found


def _kept(goal: Goal, ratio: float | None, cpu: float, memory: int) -> bool:
    bars = ((goal.ratio, ratio), (goal.cpu, cpu), (goal.memory, memory))
    return all(bar is None or (found is not None and found <= bar) for bar, found in bars)


def _said(goal: Goal) -> str:
    parts = []
    if goal.ratio is not None:
        parts.append(f"{goal.ratio:g} times" + (f" (stretch {goal.stretch:g})" if goal.stretch else ""))
    if goal.cpu is not None:
        parts.append(f"{goal.cpu:g} s")
    if goal.memory is not None:
        parts.append(f"{goal.memory:,} MB")
    return ", ".join(parts)


def markdown(found: Iterable[dict[str, Any]]) -> str:
    """A table ready for DEVELOPERS.md."""
    lines = ["| " + " | ".join(HEAD) + " |", "| " + " | ".join("---" for _ in HEAD) + " |"]
    for row in found:
        if "failed" in row:
            lines.append(f"| {row['what']} | | | | | failed: {row['failed']} | | | | no |")
            continue
        beside = ("", "") if row["beside_cpu"] is None else (f"{row['beside_cpu']:.3g}", f"{row['ratio']:.3g}")
        met = {True: "yes", False: "no", None: ""}[row["met"]]
        cells = (
            row["what"],
            f"{row['n']:,}",
            row["rounds"],
            f"{row['cpu']:.3g}",
            f"{row['memory_mib']:,}",
            row["beside"],
            *beside,
            ", ".join(row["goals"]),
            met,
        )
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines)


def write(path: Path, where: dict[str, Any], commit: str, found: list[dict[str, Any]], benches: list[Bench]) -> None:
    """Everything, with the figure of every round."""
    every = {
        b.name: {s.name: [{"cpu": u.cpu, "wall": round(u.wall, 4), "memory_mib": u.memory} for u in s.used] for s in b.sides}
        for b in benches
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(
        json.dumps({"commit": commit, "machine": where, "rows": found, "rounds": every}, indent=2) + "\n", encoding="utf-8"
    )
