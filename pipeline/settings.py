"""nursery.toml -> frozen settings, with the trade's common practice where the file is silent."""

from __future__ import annotations

import datetime as dt
import tomllib
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from formpack.readers import MISSING, READERS, Unreadable, has_control, text_of
from formpack.words import marked, tr
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
class Climate:
    """How readings of temperature, feeding and the like are held together; common practice, no published source."""

    gap_hours: float = 24.0
    """Readings of a place that are further apart are not joined: nothing is said of the time between them."""


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
class Hygiene:
    """What the nursery asks of itself; no rule is made up where it says nothing."""

    steam_minutes: int = 30
    steam_celsius: float = 60.0
    """Growing medium and trays: 140 F (60 C) at the coolest spot for 30 minutes (UC Davis, Air Nursery, Heat treatment)."""
    knives_groups: int | None = None
    """Groups that may be worked in before knives are disinfected again."""
    at_change_of_cultivar: bool = True
    """Whether knives are to be disinfected where another cultivar comes next."""
    budwood_days: int | None = None
    """Days from cutting within which budwood is to be used."""


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
class Costs:
    """What was put into a plant by the time it is in trays, in bags and so on; None where it is not given."""

    tray: float | None = None
    bag: float | None = None
    budded: float | None = None
    read: float | None = None
    cut_back: float | None = None
    staked: float | None = None
    topped: float | None = None


@dataclass(frozen=True)
class Prices:
    """Money: nothing is said of it where nothing is given, and nothing is made up."""

    currency: str = ""
    """How amounts are marked."""
    tree: float | None = None
    """The price of any tree that `trees` does not name."""
    cost: Costs = field(default_factory=Costs)
    trees: dict[str, float] = field(default_factory=dict)
    """The price of a tree by ROOTSTOCK+SCION, or by scion."""

    @property
    def are_given(self) -> bool:
        return self.tree is not None or bool(self.trees) or self.cost != Costs()

    def of_tree(self, rootstock: str, scion: str) -> float | None:
        """The price of a tree of a pair; None where none is given."""
        return self.trees.get(f"{rootstock}+{scion}", self.trees.get(scion, self.tree))


@dataclass(frozen=True)
class Passport:
    """What a nursery that is registered for plant passports prints on them; none is printed where it is not given."""

    country: str = ""
    """ISO 3166-1 alpha-2 code of the state where the operator is registered; GB for Great Britain."""
    registration: str = ""
    origin: str = ""
    """Where the plants are from: a two-letter code, or the name of a third country."""
    local_title: str = ""
    """The title in the nursery's own language, beside the English one."""

    @property
    def is_on(self) -> bool:
        return bool(self.country and self.registration and self.origin)


@dataclass(frozen=True)
class Receiver:
    """What `formpack receive` puts on slips, and how much it takes at once."""

    address: str = ""
    """The address that phones are given, as `http://192.168.1.20:8417`; '' is where it listens."""
    wifi_name: str = ""
    wifi_password: str = ""
    most_mb: int = 10
    """Largest submission with its photos, in megabytes, that is taken in one piece."""


@dataclass(frozen=True)
class Scouting:
    """How little a walk of scouting is to find; common practice, no published source, for the two shares."""

    level: float = 0.01
    """The smallest share of affected plants that is to be found."""
    confidence: float = 0.95
    """How surely."""
    efficacy: float = 1.0
    """The chance that an affected plant that is examined is seen to be so."""


@dataclass(frozen=True)
class Records:
    """How long records are to be kept. Nothing is ever deleted by this program, whatever stands here."""

    keep_years: int = 3


@dataclass(frozen=True)
class HandOver:
    """How the nursery is known to a body that gathers many, and with what its people's names are hidden."""

    nursery: str = ""
    """The code under which the body knows the nursery."""
    key: str = ""
    """A secret of the nursery: with it, and not without it, a pseudonym is tied to its code."""
    season_begins: int = 1
    """The month with which a season begins; it is called by the year in which it does."""


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
    climate: Climate = field(default_factory=Climate)
    counting: Counting = field(default_factory=Counting)
    hygiene: Hygiene = field(default_factory=Hygiene)
    phone: Phone = field(default_factory=Phone)
    walk: Walk = field(default_factory=Walk)
    prices: Prices = field(default_factory=Prices)
    passport: Passport = field(default_factory=Passport)
    receiver: Receiver = field(default_factory=Receiver)
    scouting: Scouting = field(default_factory=Scouting)
    records: Records = field(default_factory=Records)
    handover: HandOver = field(default_factory=HandOver)


_SHARE, _RATE, _MONEY = (0.0001, 0.99), (0.0001, 100), (0, 1_000_000_000)
_LIMITS: dict[str, tuple[float, float]] = {
    "group_size": (1, 10_000),
    "crate_size": (1, 10_000),
    "count_share": (0, 1),
    "lot_read_share": (0, 1),
    "plants_per_hour": (1, 10_000),
    "hours": (0.1, 1000),
    "most_mb": (1, 100),
    "steam_celsius": (0, 250),
    "knives_groups": (1, 10_000),
    "level": (0.0001, 0.5),
    "confidence": (0.5, 0.9999),
    "efficacy": (0.05, 1),
    "keep_years": (1, 100),
    "season_begins": (1, 12),
    **dict.fromkeys(("exact", "error", "gross"), _SHARE),
    **dict.fromkeys(("loss", "large", "gain"), _RATE),
}
"""The least and the most of a number; from 0 to 10,000 where nothing is said here."""
_LONGEST = 100
_SHORT = {"currency": 12}
"""Texts that must be shorter."""


def text_fault(key: str, value: str) -> str:
    """What is wrong with a text of the settings; '' where nothing is."""
    most = _SHORT.get(key, _LONGEST)
    if value.strip() and len(value) <= most and not has_control(value):
        return ""
    return tr("{key} must be words on one line, at most {most} letters", key=key, most=most)


def _fault(key: str, kind: str, value: Any, limits: tuple[float, float] | None = None) -> str:
    """What is wrong with the value of a setting; '' where nothing is. In Python true is a number, and a time of day a day."""
    if kind == "bool":
        return "" if isinstance(value, bool) else tr("{key} must be true or false", key=key)
    if kind == "str":
        return text_fault(key, value) if isinstance(value, str) else tr("{key} must be text in quotes", key=key)
    if kind.startswith("dt.date"):
        if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
            return tr("{key} must be a day such as 2026-03-02, without a time and without quotes", key=key)
        found = READERS["date"](value.isoformat())
        if not isinstance(found, Unreadable):
            return ""
        return tr("{key} is {value}, which {why}", key=key, value=value.isoformat(), why=found.why)
    least, most = limits or _LIMITS.get(key, (0, 10_000))
    kind = kind.removesuffix(" | None")
    is_number = isinstance(value, int if kind == "int" else int | float) and not isinstance(value, bool)
    if is_number and least <= value <= most:
        return ""
    said = marked("{key} must be a number from {least} to {most}")
    if kind == "int":
        said = marked("{key} must be a whole number from {least} to {most}")
    return tr(said, key=key, least=least, most=most)


def _named(key: str) -> str:
    return key if key.isprintable() and len(key) <= _LONGEST else tr("one of its names")


def _amounts(given: Any, place: str) -> dict[str, float]:
    """Amounts of money under names of the nursery's own."""
    if not isinstance(given, dict):
        raise Refused(tr("{place} must be a section of settings.", place=place))
    for key, value in given.items():
        if fault := _fault(_named(key), "float", value, _MONEY):
            raise Refused(tr("{place}: {fault}.", place=place, fault=fault))
    return {key: float(value) for key, value in given.items()}


def _section(kind: type, given: Any, place: str) -> Any:
    known = {f.name: f for f in fields(kind)}
    parts: dict[str, Any] = {f.name: f.default_factory for f in fields(kind) if isinstance(f.default_factory, type)}
    values: dict[str, Any] = {}
    if not isinstance(given, dict):
        raise Refused(tr("{place} must be a section of settings.", place=place))
    for key, value in given.items():
        if key not in known:
            what = marked("{place}: {name} is not a setting; the settings are {known}.")
            raise Refused(tr(what, place=place, name=_named(key), known=", ".join(known)))
        if key in parts:
            own = f"{place} [{key}]"
            values[key] = _amounts(value, own) if parts[key] is dict else _section(parts[key], value, own)
            continue
        if fault := _fault(key, str(known[key].type), value, _MONEY if kind in (Costs, Prices) else None):
            raise Refused(tr("{place}: {fault}.", place=place, fault=fault))
        values[key] = float(value) if str(known[key].type).startswith("float") else value
    return kind(**values)


def read_settings(path: Path) -> Settings:
    """The settings of a workspace. Raises Refused with the place of what is wrong."""
    text = text_of(path, most=1)
    if isinstance(text, Unreadable):
        if text.why == MISSING:
            said = marked("{folder} is no workspace (it has no {file}); make one with `formpack init`.")
            raise Refused(tr(said, folder=path.parent, file=path.name))
        raise Refused(tr("{file} {why}.", file=path.name, why=text.why))
    try:
        given = tomllib.loads(text)
    except (ValueError, RecursionError) as wrong:  # of a number too long, a bare ValueError
        raise Refused(tr("{file} cannot be read: {why}.", file=path.name, why=str(wrong).splitlines()[0])) from None
    settings: Settings = _section(Settings, given, path.name)
    return settings
