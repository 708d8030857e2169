"""nursery.toml -> frozen settings, with the trade's common practice where the file is silent."""

from __future__ import annotations

import datetime as dt
import tomllib
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from pipeline.findings import Refused


@dataclass(frozen=True)
class Intervals:
    """Days (or months) between the steps; common practice, no published source."""

    bud_take: int = 21
    earliest_bud_take: int = 18
    latest_bud_take: int = 35
    cut_back: int = 7
    stake: int = 42
    top_months: int = 12
    despatch_months: int = 18
    stock_count: int = 90


@dataclass(frozen=True)
class Tolerances:
    """When a number is odd enough to be shown."""

    count_share: float = 0.02
    """A count further than this share (and `count_plants`) from what was expected asks for a recount."""
    count_plants: int = 5
    lot_read_share: float = 0.9
    """Share of the buds set in a lot that must have been read before nothing is left to read."""
    remainder: int = 20
    """What is left of a group, up to so many plants, is cleared out; it has no other tasks."""
    thin_stem_mm: float = 6.0
    old_list_days: int = 7


@dataclass(frozen=True)
class Counting:
    """Rates of counting and of unrecorded loss that the nursery fixes; what is not given is learned from its counts."""

    exact: float | None = None
    """Share of counts that are exact, for everybody."""
    error: float | None = None
    """Standard deviation of a near count, as a share of what stands."""
    gross: float | None = None
    """Share of counts that are quite wrong."""
    loss: float | None = None
    """Plants lost without a record per day of a group of a thousand."""
    large: float | None = None
    """Large unrecorded losses per day of a group of a thousand."""
    gain: float | None = None
    """Unrecorded gains per day of a group of a thousand."""


@dataclass(frozen=True)
class Phone:
    """What the phones show."""

    show_expected: bool = False
    """Whether the number that is expected stands there before one is typed; people copy numbers they are shown."""


@dataclass(frozen=True)
class Walk:
    """How long a round of counting takes; common practice, no published source."""

    plants_per_hour: int = 2000
    """Plants that a person counts in an hour."""
    minutes_per_group: float = 3.0
    """Minutes that each group takes beside: walking there, scanning the sign, typing."""
    minutes_per_house: float = 10.0
    """Minutes until the first group of a house is reached."""
    hours: float = 4.0
    """Hours of the round that the report proposes."""


@dataclass(frozen=True)
class Settings:
    name: str = "Our nursery"
    language: str = "English (en)"
    group_size: int = 1000
    crate_size: int = 20
    today: dt.date | None = None
    """A fixed day in place of the calendar's, for a demo or a drill."""
    intervals: Intervals = field(default_factory=Intervals)
    tolerances: Tolerances = field(default_factory=Tolerances)
    counting: Counting = field(default_factory=Counting)
    phone: Phone = field(default_factory=Phone)
    walk: Walk = field(default_factory=Walk)


def _section(kind: type, given: Any, place: str) -> Any:
    known = {f.name: f for f in fields(kind)}
    parts: dict[str, Any] = {f.name: f.default_factory for f in fields(kind) if isinstance(f.default_factory, type)}
    values: dict[str, Any] = {}
    if not isinstance(given, dict):
        raise Refused(f"{place} must be a section of settings.")
    for key, value in given.items():
        if key not in known:
            raise Refused(f"{place}: {key} is not a setting; the settings are {', '.join(known)}.")
        if key in parts:
            values[key] = _section(parts[key], value, f"{place} [{key}]")
            continue
        if known[key].type == "bool":
            if not isinstance(value, bool):
                raise Refused(f"{place}: {key} must be true or false.")
            values[key] = value
            continue
        wanted: Any = {"int": int, "float": float, "float | None": float, "str": str}.get(str(known[key].type), dt.date)
        if wanted is float and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if not isinstance(value, wanted) or isinstance(value, bool):
            raise Refused(f"{place}: {key} must be a {'day such as 2026-03-02' if wanted is dt.date else wanted.__name__}.")
        if wanted in (int, float) and not 0 <= value <= 10_000:
            raise Refused(f"{place}: {key} must be a number from 0 to 10,000.")
        if kind is Walk and value < (0.1 if key == "hours" else 1 if key == "plants_per_hour" else 0):
            raise Refused(f"{place}: {key} must be more than 0.")
        if kind is Counting and not 0.0001 <= value <= (0.99 if key in ("exact", "gross", "error") else 100):
            raise Refused(f"{place}: {key} must lie between 0.0001 and {0.99 if key in ('exact', 'gross', 'error') else 100}.")
        values[key] = value
    return kind(**values)


def read_settings(path: Path) -> Settings:
    """The settings of a workspace. Raises Refused with the place of what is wrong."""
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise Refused(f"{path.parent} is no workspace (it has no {path.name}); make one with `formpack init`.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as wrong:
        raise Refused(f"{path.name} cannot be read: {wrong}.") from None
    settings: Settings = _section(Settings, given, path.name)
    return settings
