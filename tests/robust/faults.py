"""Faults at every operation. A command is done in children that are killed, stopped, refused or out of room at their n-th
operation on files or on the store; what stands afterwards must be what stood before or after, whole.

`python -m tests.robust.faults FOLDER MANY SEED [CASE ...]`: so many faults in each case, all of them with 0.
"""

from __future__ import annotations

import builtins
import contextlib
import datetime as dt
import errno
import gc
import hashlib
import importlib
import io
import os
import pickle
import pkgutil
import random
import shutil
import sys
import traceback
import types
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pipeline
from pipeline import run, seals
from pipeline.cli import app
from pipeline.cli.frame import STOPPED, ended
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.robust.books import Books, books, books_in, nursery

WAYS = ("killed", "refused", "full", "stopped")
"""`killed`: at once, as by the loss of power. `refused`: this operation, once. `full`: from there on, all that needs room.
`stopped`: as by Ctrl-C."""
KILLED = 137
FEW = ("submissions", "movements")
_FILES = ("open", "os.rename", "os.link", "os.mkdir", "os.remove", "os.rmdir", "os.truncate")
_ROOM = ("open", "write", "os.link", "os.mkdir", "connect", "COMMIT", "CREATE", "INSERT", "UPDATE", "DELETE", "COPY")
"""What needs room. A query that only reads is not refused: where the disk does not give what stands there, it is damaged."""
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT


# -- operations, counted and made to fail


class Faults:
    """The operations of this process on files below a folder and on stores; the one with the number `at` fails."""

    def __init__(self, root: Path, way: str = "", at: int = 0, see: Callable[[Any], None] | None = None) -> None:
        self.root, self.way, self.at, self.see = os.path.realpath(root), way, at, see
        self.seen: list[str] = []

    def reach(self, kind: str, wrong: Callable[[bool], BaseException] | None) -> None:
        """An operation is about to be done. Raises what `wrong` gives (told whether there is no room) where it must fail."""
        self.seen.append(kind)
        number = len(self.seen)
        if number == self.at and self.way == "killed":
            os._exit(KILLED)
        if number == self.at and self.way == "stopped":
            raise KeyboardInterrupt
        is_full = self.way == "full" and number >= self.at > 0 and kind in _ROOM
        if wrong is not None and (is_full or (number == self.at and self.way == "refused")):
            raise wrong(is_full)

    def is_below(self, path: Any, folder: int = -1) -> bool:
        """Whether a path, said from an open folder or from this one, lies below the folder."""
        if isinstance(path, int):
            return False
        base = os.readlink(f"/proc/self/fd/{folder}") if folder >= 0 else os.getcwd()
        return os.path.join(base, os.fsdecode(path)).startswith(self.root)

    def watch(self) -> None:
        """Begin. It ends with the process."""

        def hook(event: str, given: tuple[Any, ...]) -> None:
            if event not in _FILES:
                return
            if event == "open" and (not isinstance(given[2], int) or not given[2] & _WRITING):
                return
            folders = [g for g in given[1:] if isinstance(g, int)] if event in ("os.remove", "os.rmdir") else []
            if self.is_below(given[0], folders[-1] if folders else -1):
                self.reach(event, lambda is_full: _denied(given[0], is_full))

        sys.addaudithook(hook)
        plain_open, plain_sync, plain_init, plain_connect = io.open, os.fsync, Store.__init__, duckdb.connect

        def open_(file: Any, mode: str = "r", *words: Any, **more: Any) -> Any:
            opened = plain_open(file, mode, *words, **more)
            if set(mode) & set("wax+") and self.is_below(file):
                try:
                    self.reach("write", lambda _: OSError(errno.ENOSPC, "x"))
                except OSError:  # what is written to it finds no room
                    full = os.open("/dev/full", os.O_WRONLY)
                    os.dup2(full, opened.fileno())
                    os.close(full)
            return opened

        def sync(number: int) -> None:
            self.reach("fsync", lambda _: OSError(errno.EIO, os.strerror(errno.EIO)))
            plain_sync(number)

        def connect(database: str = ":memory:", *words: Any, **more: Any) -> Any:
            if self.is_below(database):
                self.reach("connect", lambda _: _unstored())
            return plain_connect(database, *words, **more)

        def init(store: Store, connection: Any, *path: Any) -> None:
            plain_init(store, _Watched(connection, self), *path)  # type: ignore[arg-type]

        io.open = builtins.open = open_  # type: ignore[assignment]
        os.fsync = sync  # type: ignore[assignment]
        duckdb.connect = connect
        Store.__init__ = init  # type: ignore[method-assign, assignment]


def _denied(path: object, is_full: bool) -> OSError:
    number = errno.ENOSPC if is_full else errno.EACCES
    return OSError(number, os.strerror(number), path)


def _unstored() -> duckdb.Error:
    return duckdb.IOException('IO Error: Could not write file "store.duckdb": No space left on device')


class _Watched:
    """A connection whose every query is an operation."""

    def __init__(self, connection: Any, faults: Faults) -> None:
        self.connection, self.faults = connection, faults

    def execute(self, query: str, *values: Any) -> Any:
        word = query.split()[0]
        self.faults.reach(word, (lambda _: _unstored()) if word in _ROOM else None)
        done = self.connection.execute(query, *values)
        if query == "COMMIT":
            if self.faults.see is not None:
                self.faults.see(self.connection)
            self.faults.reach("committed", None)
        return done

    def __getattr__(self, name: str) -> Any:
        return getattr(self.connection, name)


# -- children


def in_child(act: Callable[..., object], *words: object) -> int:
    """Fork and do it there; gives its exit code. The parent opens no store, so that no lock or thread is inherited."""
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            code = act(*words) or 0  # type: ignore[assignment]
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def command(words: Iterable[str], cwd: Path, said: Path) -> int:
    """Do it in this process as `formpack` would; what it prints goes into a file."""
    os.chdir(cwd)
    sys.argv = ["formpack", *words]
    plain = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    sys.stdout.flush()
    sys.stderr.flush()
    kept = [os.dup(1), os.dup(2)]
    for number in (1, 2):
        os.dup2(plain, number)
    try:
        return ended(app)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        for number, old in zip((1, 2), kept, strict=True):
            os.dup2(old, number)


class _Clock(type):
    def __instancecheck__(cls, one: object) -> bool:
        return isinstance(one, dt.datetime)


class _Noon(dt.datetime, metaclass=_Clock):
    """A clock that stands, so that when things came and were written is the same in every child."""

    @classmethod
    def now(cls, tz: dt.tzinfo | None = None) -> _Noon:
        return cls(2026, 11, 2, 12, tzinfo=tz)


def be_ready(modules: Iterable[str]) -> None:
    """All is imported that children need, and the clock of the program stands."""
    for name in modules:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    still = types.ModuleType("datetime")
    still.__dict__.update(vars(dt) | {"datetime": _Noon})
    for name, module in list(sys.modules.items()):
        if name.startswith("pipeline.") and getattr(module, "dt", None) is dt:
            module.dt = still  # type: ignore[attr-defined]
    gc.freeze()


# -- what stands


def _of_book(path: Path) -> Any:
    """What a workbook holds, but for when it was written."""
    with zipfile.ZipFile(path) as book:
        return [(i.filename, i.CRC) for i in book.infolist() if not i.filename.startswith("docProps")]


def files_in(root: Path) -> dict[str, Any]:
    """Every file but the store, what stands beside it by its SHA-256, and what is hidden."""
    found = {}
    for path in sorted(root.rglob("*")):
        name = path.relative_to(root)
        if path.is_file() and not any(p == "kept" or p.startswith((".", "store.duckdb")) for p in name.parts):
            found[name.as_posix()] = _of_book(path) if path.suffix == ".xlsx" else hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def left_over(root: Path) -> list[str]:
    """What commands hold aside and did not take away."""
    hidden = (p.relative_to(root).parts for p in root.rglob("*"))
    shown = set()
    for parts in hidden:
        if begins := [n for n, part in enumerate(parts) if part.startswith(".")]:
            shown.add("/".join(parts[: begins[0] + (2 if parts[begins[0]] == ".outputs" else 1)]))
    return sorted(shown - {w for w in shown if w.endswith((".outputs", ".outputs/lock", ".outputs/lock-journal"))})


# -- the cases


@dataclass
class Case:
    """A command, and the folder that it begins with: the nursery, and what is beside it."""

    name: str
    words: tuple[str, ...]
    begun: tuple[Callable[[Path], None], ...]
    """What makes the folder, one after the other."""
    root: Path = Path()
    operations: list[str] = field(default_factory=list)
    at: list[Books] = field(default_factory=list)
    """The books before it and after each of its commits."""
    files: list[dict[str, Any]] = field(default_factory=list)
    """What else stands, before and after it."""
    code: int = 0

    def fresh(self, folder: Path) -> Path:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.root, folder, symlinks=True)
        return folder


def _morning(root: Path) -> None:
    """Files of all kinds, one of them with a wrong number, a photo and one that is too large for the store."""
    workspace = nursery(root / "nursery")
    bad = sorted(workspace.inbox.iterdir())[-1]
    bad.write_text(bad.read_text(encoding="utf-8").replace("<green>44", "<green>9944"), encoding="utf-8")
    (workspace.inbox / "photo.jpg").write_bytes(b"\xff\xd8 a photo")
    row = "KEY,visit_date,staff_code,group_code,coverage,counted\nk,2026-04-01,S01,26000135,whole,958\n"
    (workspace.inbox / "stock_count.csv").write_text(row, encoding="utf-8")
    (workspace.inbox / "large.json").write_bytes(b'{"form_id": "loss", "KEY": "large", "note": "' + b"x" * 2**20 + b'"}')


def _some_taken_in(root: Path) -> None:
    inbox = root / "nursery" / "inbox"
    run.import_files(Workspace(root / "nursery"), sorted(inbox.glob("*.xml"))[:2])


def _all_taken_in(root: Path) -> None:
    run.import_files(Workspace(root / "nursery"), [root / "nursery" / "inbox"])


def _decided(root: Path) -> None:
    import openpyxl

    from pipeline.office.problem_list import SHEET

    _done(root, "problems", "--to", "list.xlsx")
    book = openpyxl.load_workbook(root / "nursery" / "list.xlsx")
    head = [cell.value for cell in book[SHEET][1]]
    for column, text in (("decision", "withdraw"), ("reason", "a test")):
        book[SHEET].cell(2, head.index(column) + 1, text)
    book.save(root / "nursery" / "list.xlsx")


def _done(root: Path, *words: str) -> None:
    code = command(words, root / "nursery", root / "said")
    assert code in (0, 1), (root / "said").read_text(encoding="utf-8")
    (root / "said").unlink()


def _renamed(root: Path) -> None:
    houses = root / "nursery" / "lists" / "locations.csv"
    houses.write_text(houses.read_text(encoding="utf-8").replace("House 1", "House One"), encoding="utf-8")


def _handed_out(root: Path) -> None:
    """Phones have two forms, which are enough, and one of them asks something else now."""
    from tests.formpack.test_opening import own_form

    _two_forms()
    workspace = nursery(root / "nursery")
    own_form(workspace.folder, parameters="value=code label=label")
    run.import_files(workspace, [])
    _done(root, "forms")
    own_form(workspace.folder, parameters="value=code label=label", choice_filter="active != 'no'")


def _on_phones(root: Path) -> None:
    """Phones have a form, and so lists, which an import makes anew."""
    _two_forms()
    _done(root, "forms")


def _two_forms() -> None:
    from formpack import catalog, xform

    loss = catalog.load_forms()["loss"]
    xform.has_java = lambda: False
    catalog._shipped_forms = lambda: {"loss": loss}  # type: ignore[attr-defined]


def _backed_up(root: Path) -> None:
    _done(root, "export", "../backup")
    shutil.rmtree(root / "nursery")


def _of_age(root: Path) -> None:
    """An order, and a group of trees of age for it."""
    from tests.rates.test_lives import staffed
    from tests.rates.test_promises import grown, with_orders

    workspace = Workspace(root / "nursery")
    with_orders(workspace, "O9,O9,Farm,TAHITI,CARRIZO,40,2026-10-01")
    bench = staffed(workspace)
    grown(bench, 0, 60)
    bench.write()
    run.import_files(Workspace(workspace.folder), [workspace.inbox])


def _reported(root: Path) -> None:
    _done(root, "report")


def _inspected(root: Path) -> None:
    _done(root, "report", "--for-inspection", "--unchecked")


def _handed_over(root: Path) -> None:
    """A hand-over of the day before stands there."""
    with (root / "nursery" / "nursery.toml").open("a", encoding="utf-8") as file:
        file.write('\n[handover]\nnursery = "N1"\nkey = "0123456789abcdef0123456789abcdef"\n')
    _done(root, "export", "out", "--parquet", "--as-of", "2026-11-01")


_WHOLE = (_morning, _all_taken_in)
CASES = (
    Case("a first import", ("import",), (_morning,)),
    Case("the page of a group", ("history", "26070109", "--to", "life.html"), (*_WHOLE, _renamed)),
    Case("another import", ("import",), (_morning, _some_taken_in)),
    Case("an import with phones", ("import",), (_morning, _on_phones)),
    Case("decisions", ("correct", "list.xlsx", "--by", "S01"), (*_WHOLE, _decided)),
    Case("a rebuilding", ("rebuild",), (*_WHOLE, _renamed)),
    Case("forms", ("forms",), (_handed_out, _renamed)),
    Case("signs", ("signs", "--changed"), _WHOLE),
    Case("a report", ("report",), (*_WHOLE, _reported, _renamed)),
    Case("sheets of what is due", ("due", "--to", "due.pdf", "--ics", "due.ics"), (*_WHOLE, _renamed)),
    Case("a despatch paper", ("despatch", "O9", "--print"), (*_WHOLE, _of_age)),
    Case("an inspection", ("report", "--for-inspection", "--unchecked"), (*_WHOLE, _inspected, _renamed)),
    Case("a backup", ("export", "../backup"), _WHOLE),
    Case("a hand-over", ("export", "out", "--parquet"), (*_WHOLE, _handed_over)),
    Case("a restoring", ("rebuild", "--from", "backup", "--workspace", "nursery"), (*_WHOLE, _backed_up)),
)


def _cwd(case: Case, root: Path) -> Path:
    return root / ("nursery" if "nursery" not in case.words else "")


def _trace(case: Case, root: Path, target: Path) -> None:
    """Do it once in full, noting its operations and the books after every commit."""
    if case.name == "forms":
        _two_forms()
    said = target.with_name("said")
    case.files.append(files_in(root))
    case.at.append(books_in(root / "nursery"))
    is_looked_at = [case.name != "a restoring"]  # which is made beside, and stands there at once
    faults = Faults(root, see=lambda connection: case.at.append(books(Store(connection))) if is_looked_at[0] else None)
    faults.watch()
    case.code = command(case.words, _cwd(case, root), said)
    assert case.code in (0, 1), said.read_text(encoding="utf-8")
    case.operations, is_looked_at[0] = faults.seen.copy(), False
    if case.name == "a restoring":
        case.at.append(books_in(root / "nursery"))
    case.files.append(files_in(root))
    target.write_bytes(pickle.dumps((case.operations, case.at, case.files, case.code, [*sys.modules])))


def prepared(case: Case, where: Path) -> None:
    """What the case begins with, and what it does."""
    for number in range(1, len(case.begun) + 1):
        acts = case.begun[:number]
        folder = where / "begun" / "-".join(act.__name__ for act in acts)
        if not folder.exists():
            shutil.copytree(case.root, folder) if number > 1 else folder.mkdir(parents=True)
            assert in_child(acts[-1], folder) == 0, case.name
        case.root = folder
    assert in_child(_trace, case, case.fresh(where / "root"), where / "trace") == 0, case.name
    case.operations, case.at, case.files, case.code, modules = pickle.loads((where / "trace").read_bytes())
    be_ready(modules)


# -- a fault, and what is left


def _fail(case: Case, root: Path, way: str, at: int, said: Path) -> int:
    if case.name == "forms":
        _two_forms()
    Faults(root, way, at).watch()
    return command(case.words, _cwd(case, root), said)


def _differing(some: dict[str, Any], others: dict[str, Any], but: Iterable[str] = ()) -> dict[str, Any]:
    """What is in one and not in the other, or otherwise there."""
    found = {}
    for name in sorted({*some, *others} - {*but}):
        mine, other = some.get(name), others.get(name)
        if mine != other:
            lists = isinstance(mine, list) and isinstance(other, list)
            found[name] = [[x for x in mine if x not in other], [x for x in other if x not in mine]] if lists else (mine, other)
    return found


def _look(case: Case, root: Path, way: str, code: int, said: str, target: Path) -> None:
    """What stands is what may. Writes which of the books it is, which files, whether all is done, and what is left beside."""
    from pipeline.outputs import settle

    held = left_over(root)
    for folder in (root / "nursery", root / "nursery" / "out"):
        settle(folder)
    left = [name for name in left_over(root) if not name.endswith(".being-read")]  # which is how a run says what it was at
    found, files = books_in(root / "nursery"), files_in(root)
    which = next((n for n, some in reversed([*enumerate(case.at)]) if some == found), -1)
    assert which >= 0, [_differing(found, some) for some in case.at]
    assert files in case.files, [_differing(files, some) for some in case.files]
    if found:
        assert not (wrong := _unproved(root / "nursery")), wrong
    number = int(files == case.files[1])
    is_done = which == len(case.at) - 1 and number == 1
    if code != KILLED:
        assert not left, left
        assert code in (2, case.code), (code, said)
        if code == case.code:
            assert is_done or "the lists for phones are as they were" in said, (which, number)
        else:
            assert said.count("\n") == 1 and (way != "stopped" or said.strip() == STOPPED)
            if is_done and (case.at[0], case.files[0]) != (found, files):
                print(f"  done, though it says: {said}", end="")
    names = tuple(sorted({p.split("/")[-1].split("-")[0] for p in held}))
    target.write_bytes(pickle.dumps((which, number, is_done, names)))


def _unproved(shop: Path) -> list[str]:
    """What is not as it was sealed, or made, and what beside the store is not what its name says, or missing."""
    there = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in shop.glob("kept/??/*")}
    wrong = [sha for sha, digest in there.items() if sha != digest]
    with Store.open(shop / "store.duckdb", is_read_only=True) as store:
        if not store.is_current:
            return wrong
        apart = store.rows("SELECT sha256 FROM kept.raw_files WHERE content IS NULL")
        return wrong + [sha for (sha,) in apart if sha not in there] + seals.faults(store.connection) + run.damaged(store)


def fewer_tables() -> None:
    """Importing and rebuilding make a few tables, and come to fewer operations that are all of one kind."""
    for what in (run.import_files, run.refresh):
        names = tuple(FEW if d in (("submissions", "problems"), run.EVERYTHING) else d for d in what.__defaults__ or ())
        what.__defaults__ = names  # type: ignore[attr-defined]


def _end(case: Case, root: Path, is_done: bool, is_checked: bool, said: Path) -> None:
    """The command done again ends in what stands after it, with nothing left beside, and all proofs hold."""
    if case.name == "forms":
        _two_forms()
    if not is_done or left_over(root):
        code = command(case.words, _cwd(case, root), said)
        assert code == case.code, said.read_text(encoding="utf-8")
    assert not (other := _differing(books_in(root / "nursery"), case.at[-1], but=("marks", "changes"))), other
    assert not (other := _differing(files_in(root), case.files[1])), other
    assert not left_over(root), left_over(root)
    assert not (wrong := _unproved(root / "nursery")), wrong
    if is_checked:
        assert command(("check",), root / "nursery", said) == 0, said.read_text(encoding="utf-8")


def chosen(case: Case, dice: random.Random, many: int) -> list[tuple[str, int]]:
    """So many faults, of all ways, each at an operation of another kind as far as there are such. With 0 all that can be: in
    each way at each operation, but for plain queries, of which there are a thousand: of these one in twenty."""
    wanted = []
    done = max((n for n, kind in enumerate(case.operations) if kind == "COMMIT"), default=len(case.operations))
    for way, share in zip(WAYS, (4, 3, 2, 1), strict=True):
        numbers = [n for n, kind in enumerate(case.operations, start=1) if way != "full" or kind in _ROOM]
        if way == "stopped":
            numbers = [n for n in numbers if n <= done]
        met: Counter[str] = Counter()
        turn: dict[int, int] = {}
        for n in dice.sample(numbers, len(numbers)):
            met[case.operations[n - 1]] += 1
            turn[n] = met[case.operations[n - 1]]
        if way == "refused":
            turn = {n: t for n, t in turn.items() if not case.operations[n - 1].isupper() or case.operations[n - 1] in _ROOM}
        if many:
            wanted += [(way, n) for n in sorted(turn, key=lambda n: turn[n])[: max(1, many * share // 10)]]
        else:
            plain = {n for n, kind in enumerate(case.operations, start=1) if kind.isupper() and kind != "COMMIT"}
            wanted += [(way, n) for n in sorted(turn) if n not in plain or turn[n] % 20 == 1]
    return wanted


def main(where: Path, many: int, seed: int, names: list[str]) -> None:
    be_ready(m.name for m in pkgutil.walk_packages(pipeline.__path__, "pipeline."))
    fewer_tables()
    wrong = 0
    for case in (c for c in CASES if not names or c.name in names):
        prepared(case, where)
        met: set[tuple[Any, ...]] = set()
        tried = chosen(case, random.Random(f"{seed} {case.name}"), many)
        for way, at in tried:
            root = case.fresh(where / "root")
            code = in_child(_fail, case, root, way, at, where / "said")
            said = (where / "said").read_text(encoding="utf-8")
            place = f"{case.name}, {way} at operation {at} of {len(case.operations)}, {case.operations[at - 1]}"
            if in_child(_look, case, root, way, code, said, where / "looked"):
                print(f"NOT WHOLE {place}; it ended with {code} and said: {said}", flush=True)
                wrong += 1
                continue
            state = pickle.loads((where / "looked").read_bytes())
            if state not in met:  # what stands is the same to the last row, and so is what comes of it
                if in_child(_end, case, root, state[2], not many, where / "said"):
                    print(f"NOT MENDED {place}; {state}", flush=True)
                    wrong += 1
                met.add(state)
        print(f"{case.name}: {len(tried)} faults in {len(case.operations)} operations, {len(met)} kinds of end", flush=True)
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), sys.argv[4:])
