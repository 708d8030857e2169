"""What a body is given -> what it takes in, nursery by nursery: hand-overs, whose every file is proved, or raw submissions, on
which the nursery's own pipeline is run. One nursery is one task, here or on an executor, and none stops another.

What is taken in stands in `taken/` as hand-overs do, with a mark of what it came from in the place of the manifest; where that
is still the mark, nothing is done again.
"""

from __future__ import annotations

import datetime as dt
import functools
import hashlib
import json
import shutil
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from formpack import words
from formpack.words import marked, tr
from pipeline import run
from pipeline.body.codes import Codes, meanings
from pipeline.body.proved import MOST_BYTES, MOST_LETTERS, TOO_LARGE, prove
from pipeline.findings import Refused
from pipeline.harmless import one_line
from pipeline.office import hand_over
from pipeline.office.backup import content_of
from pipeline.office.hand_over import VERSION
from pipeline.outputs import alone, one_file
from pipeline.store import was_stopped
from pipeline.workspace import SETTINGS_NAME, Workspace

TAKEN, STORE = "taken", "combined.duckdb"
"""What stands in the workspace of a body."""
_OUT = "out"
_MOST_FILES = 20_000
_MOST_STOPS = 2
"""A task that was stopped so often on one content is not tried again."""
_RAW = ("lists", "forms")


@dataclass(frozen=True)
class Source:
    """One nursery as it is given: where, the bytes that it takes, and what tells it from another of its code."""

    nursery: str
    place: str
    size: int
    origin: str
    made_at: str
    is_raw: bool = False


@dataclass(frozen=True)
class Found:
    """What became of one nursery: `why` it was left out, '' where it was taken in; of what day its tables are; whether it was
    taken in already."""

    nursery: str
    place: str
    why: str = ""
    day: str = ""
    is_as_before: bool = False


@dataclass(frozen=True)
class How:
    """What every task needs: where the body's workspace is, the program, the language, the day of raw submissions, and what
    codes mean."""

    workspace: str
    program: str
    language: str
    as_of: str
    codes: Codes = ()


# -- what there is


def find(folders: Iterable[Path]) -> tuple[list[Source], list[Found]]:
    """The nurseries in these folders, the largest first, and what cannot be told. Raises Refused where a folder has none."""
    given: list[Source] = []
    odd: list[Found] = []
    for folder in dict.fromkeys(p.resolve() for p in folders):
        raw = [p for p in (folder, *sorted(folder.glob("*/"))) if (p / SETTINGS_NAME).exists()]
        codes = {p.stem for p in folder.glob("nursery=*.json")} | {p.name for p in folder.glob("*/nursery=*/")}
        if not raw and not codes:
            said = marked(
                "{folder} has no hand-over of a nursery (`formpack export --parquet`) and no folder with a nursery.toml."
            )
            raise Refused(tr(said, folder=folder))
        handed_over = sorted(code.removeprefix("nursery=") for code in codes)
        for name, read in [
            *((p.name, functools.partial(_raw, p)) for p in raw),
            *((code, functools.partial(_handed_over, folder, code)) for code in handed_over),
        ]:
            try:
                given.append(read())
            except Refused as wrong:
                place = folder if folder.name == name or not (folder / name).is_dir() else folder / name
                odd.append(Found(one_line(name), one_line(str(place)), _why(wrong)))
    of: dict[str, list[Source]] = {}
    for one in given:
        of.setdefault(one.nursery.casefold(), []).append(one)  # some disks do not tell a from A
    chosen = []
    for alike in of.values():
        nursery = alike[0].nursery
        if len({(one.nursery, one.origin) for one in alike}) > 1:
            said = marked("two nurseries go by the code {nursery}: {places}; give one of them another code")
            why = tr(said, nursery=nursery, places=", ".join(one.place for one in alike))
            odd += [Found(one.nursery, one.place, why) for one in alike]
        else:
            chosen.append(max(alike, key=lambda one: (one.is_raw, one.made_at, one.place)))
    return sorted(chosen, key=lambda one: (-one.size, one.nursery)), odd


def _raw(path: Path) -> Source:
    workspace = Workspace(path)
    if not workspace.settings.handover.nursery or not workspace.settings.handover.key:
        said = marked(
            "its nursery.toml has no [handover]; the nursery has to write it there itself (docs/BODY.md), so that its"
            " pseudonyms stay the same"
        )
        raise Refused(tr(said))
    how = hand_over.settings_of(workspace)
    size = sum(p.stat().st_size for p in _raw_files(path))
    return Source(how.nursery, str(path), size, hand_over.origin(how.key), "", is_raw=True)


def _handed_over(folder: Path, nursery: str) -> Source:
    said = _manifest(folder, nursery)
    return Source(nursery, str(folder), sum(f["size"] for f in said["files"].values()), said["origin"], said["made_at"])


def _raw_files(path: Path) -> list[Path]:
    """What a nursery's pipeline is run on: its settings, lists and forms, and what came in."""
    parts = [path / SETTINGS_NAME, *(p for name in (*_RAW, "inbox") for p in sorted((path / name).rglob("*")))]
    return [p for p in parts if p.is_file() and not p.name.startswith(".")]


@functools.cache
def _judge() -> Any:
    from jsonschema import Draft202012Validator

    return Draft202012Validator(hand_over.schema())


def _manifest(folder: Path, nursery: str) -> dict[str, Any]:
    """The manifest of a hand-over. Raises Refused where it is none of this version."""
    path = hand_over.manifest_of(folder, nursery)
    shown = one_line(path.name)
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        what = marked(
            "{file} is missing: it was not written to its end, or not copied whole; copy it again, or have it handed over again"
        )
        raise Refused(tr(what, file=shown)) from None
    except (OSError, ValueError, RecursionError):
        raise Refused(tr("{file} cannot be read; have it handed over again", file=shown)) from None
    number = said.get("version") if isinstance(said, dict) and said.get("format") == hand_over.FORMAT else None
    if isinstance(number, int) and number > VERSION:
        what = marked("it is of version {n} of the hand-over, and this program knows {known}; update formpack here")
        raise Refused(tr(what, n=min(number, 10**9), known=VERSION))
    wheres = (".".join(map(str, wrong.absolute_path)) or "{}" for wrong in _judge().iter_errors(said))
    if where := "version" if isinstance(number, int) and number != VERSION else next(wheres, "") or _odd_part(said, nursery):
        where = one_line(where)[:MOST_LETTERS]
        raise Refused(tr("{file} is not as a hand-over has it, at {place}; have it handed over again", file=shown, place=where))
    if said["nursery"] != nursery:
        raise Refused(tr("{file} is of the nursery {other}; have it handed over again", file=shown, other=said["nursery"]))
    return dict(said)


def _odd_part(said: dict[str, Any], nursery: str) -> str:
    """What of a manifest its JSON Schema cannot refuse: a day of no calendar, files of another nursery, sizes without end."""
    try:
        dt.date.fromisoformat(said["day"])
    except ValueError:
        return "day"
    own = f"/nursery={nursery}/"
    if len(said["files"]) > _MOST_FILES or not all(own in name and name.isprintable() for name in said["files"]):
        return "files"
    return "files" if sum(told["size"] for told in said["files"].values()) > 2**62 else ""


# -- one nursery


def take_in(source: Source, how: How) -> Found:
    """Take in one nursery; whatever is wrong with it is said of it alone."""
    words.use(how.language)
    taken = Path(how.workspace) / TAKEN
    begun = _begun(source, how)
    try:
        mark = _mark(source, how)
        before = _read(hand_over.manifest_of(taken, source.nursery))
        if before.get("mark") == mark and before.get("taken") == _digest(taken, _files_of(taken, source.nursery)):
            return Found(source.nursery, source.place, day=before["day"], is_as_before=True)
        stops = _stops(begun, mark)
        if stops >= _MOST_STOPS:
            what = marked("the work on it was stopped {n} times, by want of memory or by what is in it; look at it by itself")
            raise Refused(tr(what, n=stops))
        begun.write_text(json.dumps({"mark": mark, "stops": stops + 1}), encoding="utf-8")
        with tempfile.TemporaryDirectory(prefix=f".{source.nursery}-", dir=taken) as aside:
            day = (_run_raw if source.is_raw else _copy)(source, Path(aside), how)
            out = Path(aside) / _OUT
            prove(out, meanings(how.codes, source.nursery))
            kept = _digest(out, _files_of(out, source.nursery))
            put(out, taken, source.nursery, {"mark": mark, "day": day, "taken": kept})
    except Refused as wrong:
        found = Found(source.nursery, source.place, _why(wrong))
    except (Exception, KeyboardInterrupt) as wrong:  # whatever it is, it is of this nursery alone
        if was_stopped(wrong):  # by a person, not by what is in it
            begun.unlink(missing_ok=True)
            raise
        said = tr("the program failed on it ({kind}: {why})", kind=type(wrong).__name__, why=" ".join(str(wrong).split())[:200])
        found = Found(source.nursery, source.place, said)
    else:
        found = Found(source.nursery, source.place, day=day)
    begun.unlink(missing_ok=True)
    return found


def _begun(source: Source, how: How) -> Path:
    """What stands while a nursery is at work."""
    return Path(how.workspace) / TAKEN / f".begun-{source.nursery}"


def was_begun(source: Source, how: How) -> bool:
    """Whether the work on a nursery was begun and did not come to an end."""
    return _begun(source, how).exists()


def _why(wrong: Refused) -> str:
    """What is wrong as a part of a sentence."""
    return str(wrong).strip().removesuffix(".")


def _read(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _stops(begun: Path, mark: str) -> int:
    said = _read(begun)
    return int(said["stops"]) if said.get("mark") == mark else 0


def _mark(source: Source, how: How) -> str:
    """What the outcome is a function of: what came in, the program, and of raw submissions the day."""
    place, digest = Path(source.place), hashlib.sha256(f"{how.program} {how.codes}".encode())
    if not source.is_raw:
        digest.update(hand_over.manifest_of(place, source.nursery).read_bytes())
        return digest.hexdigest()
    digest.update(run.the_day(Workspace(place).settings, _day(how)).isoformat().encode())
    digest.update(_digest(place, _raw_files(place)).encode())
    return digest.hexdigest()


def _digest(folder: Path, paths: Iterable[Path]) -> str:
    """Of the names and contents of files in a folder."""
    digest = hashlib.sha256()
    for path in paths:
        digest.update(f"{path.relative_to(folder).as_posix()}\0{content_of(path)['sha256']}\n".encode())
    return digest.hexdigest()


def _files_of(folder: Path, nursery: str) -> list[Path]:
    """The files of a nursery's tables: what was altered among those that were taken in, or is gone, is taken in anew."""
    return sorted(folder.glob(f"*/nursery={nursery}/*/*.parquet"))


def _day(how: How) -> dt.date | None:
    return dt.date.fromisoformat(how.as_of) if how.as_of else None


def _copy(source: Source, aside: Path, how: How) -> str:
    """A hand-over, every file of it proved, into a folder aside; returns the day that it is of."""
    place = Path(source.place)
    said = _manifest(place, source.nursery)
    for name, told in said["files"].items():
        path, copy = place / name, aside / _OUT / name
        if not path.is_file():
            raise Refused(tr("{file} is missing; have it handed over again", file=name))
        if path.stat().st_size > MOST_BYTES:
            raise Refused(tr(TOO_LARGE, file=name))
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, copy)
        if content_of(copy) != {key: told[key] for key in ("size", "sha256")}:
            raise Refused(tr("{file} is damaged: it is not what was written; have it handed over again", file=name))
    return str(said["day"])


def _run_raw(source: Source, aside: Path, how: How) -> str:
    """The nursery's own pipeline on what came in, in a workspace that is gone afterwards, and its hand-over."""
    place, own = Path(source.place), Workspace(aside / "nursery")
    own.folder.mkdir()
    shutil.copyfile(place / SETTINGS_NAME, own.folder / SETTINGS_NAME)
    for name in _RAW:
        if (place / name).is_dir():
            shutil.copytree(place / name, own.folder / name)
    if not any(path.is_relative_to(place / "inbox") for path in _raw_files(place)):
        raise Refused(tr("it has no submissions: its inbox/ is missing or empty"))
    run.import_files(own, [place / "inbox"], _day(how), run.no_progress, show=run.EVERYTHING)
    with run.opened(own, as_of=_day(how)) as (store, day):
        hand_over.hand_over(store, own, aside / _OUT, day)
    return str(day.isoformat())


# -- all of them


Each = Callable[[Callable[[Source, How], Found], Sequence[Source], How], list[Found]]
"""How an engine gives every nursery its task."""


def taken_before(workspace: Path) -> set[str]:
    """The nurseries of which an earlier combining took in anything."""
    there = (p for depth in ("", "*/") for p in (workspace / TAKEN).glob(f"{depth}nursery=*"))
    return {p.name.removeprefix("nursery=").removesuffix(".json") for p in there}


def take_all(sources: Sequence[Source], how: How, each: Each) -> list[Found]:
    """Take in every nursery, and put away what was taken in before and is not given now."""
    taken = Path(how.workspace) / TAKEN
    taken.mkdir(parents=True, exist_ok=True)
    with alone(taken, 0):
        return _take_all(sources, how, each, taken)


def _take_all(sources: Sequence[Source], how: How, each: Each, taken: Path) -> list[Found]:
    for left in taken.glob(".*-*/"):  # of a command that was killed
        shutil.rmtree(left, ignore_errors=True)
    for nursery in sorted(taken_before(taken.parent) - {one.nursery for one in sources}):
        remove(taken, nursery)
    found = each(take_in, sources, how)
    for one in found:
        if one.why:
            remove(taken, one.nursery)
    return found


def put(beside: Path, taken: Path, nursery: str, said: dict[str, Any]) -> None:
    """Tables written as `beside`/TABLE/nursery=CODE into their places, in the place of former ones: the mark goes first and
    comes last, so that half a change is seen to be one."""
    remove(taken, nursery)
    for path in sorted(beside.glob(f"*/nursery={nursery}")):
        target = taken / path.relative_to(beside)
        target.parent.mkdir(parents=True, exist_ok=True)
        path.rename(target)
    with one_file(hand_over.manifest_of(taken, nursery)) as new:
        new.write_text(json.dumps(said), encoding="utf-8")


def remove(taken: Path, nursery: str) -> None:
    """Take out what was taken in of a nursery."""
    hand_over.manifest_of(taken, nursery).unlink(missing_ok=True)
    for path in taken.glob(f"*/nursery={nursery}"):
        shutil.rmtree(path)


def program_mark() -> str:
    """A digest of this program: what another made is made again."""
    here = Path(__file__).parents[2]
    every = (p for name in ("formpack", "pipeline") for p in (here / name).rglob("*"))
    return _digest(here, sorted(p for p in every if p.suffix in (".py", ".sql", ".json")))
