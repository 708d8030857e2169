"""Received items -> typed readings, and every finding that one submission gives by itself.

Submissions are read in columns: each distinct answer goes once through the strict reader of its kind, and the form's own
rules in SQL say which submissions are clean. What is not clean is looked at by itself and explained by three judges: the
form's JSON Schema, the pandera schema over its frame, and the rules in SQL one by one.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import gc
import hashlib
import json
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from jsonschema.protocols import Validator

from formpack import expression
from formpack.answer_schema import answer_validator
from formpack.catalog import Form, Question, texts_of
from formpack.headings import Headings
from formpack.readers import READERS, Unreadable, Value
from formpack.submission import FILE_ENDINGS
from formpack.words import marked, pack, pack_texts, unpacked
from pipeline.findings import Finding
from pipeline.intake import ingest
from pipeline.intake.corrections import OF_ANSWERS, all_corrections, in_force, overlay
from pipeline.intake.days import OF_A_FILE
from pipeline.intake.trials import ALONE, BeingRead, Suspect, broken
from pipeline.stages import MOST_KEYS, Work, program_of
from pipeline.store import Store

PARSER = "5"
"""Raise it when parsing changes: every kept file is then parsed again."""
ROWS_AT_ONCE = 50_000
_END = object()
_SCHEMA_RULES = {"required": "missing_answer", "enum": "not_in_list", "relevant": "not_asked"}
Typed = tuple[dict[str, Value], list[Finding]]


def fingerprint(forms: dict[str, Form]) -> str:
    """Changes when any form asks, checks or books anything differently."""
    said = [[f.form_id, f.version, f.stage, list(f.rows), dict(f.choices)] for f in forms.values()]
    return hashlib.sha256(json.dumps(said, sort_keys=True, default=list).encode()).hexdigest()


def type_answers(form: Form, answers: Mapping[str, str], twice: Iterable[str], validator: Validator) -> Typed:
    """The typed answers of one submission, and what readers and JSON Schema find (instance left blank)."""
    typed: dict[str, Value] = {}
    findings: list[Finding] = [Finding("", "answered_twice", n) for n in twice if n in {q.name for q in form.kept}]
    bad = {f.field for f in findings}
    for q in form.kept:
        text = answers.get(q.name)
        if text is None or q.name in bad:
            continue
        value = READERS[q.value_type](text)
        if isinstance(value, Unreadable):
            if not q.is_metadata:
                findings.append(Finding("", value.rule, q.name, text, value.why))
                bad.add(q.name)
        else:
            typed[q.name] = value
    plain = {k: v.isoformat() if isinstance(v, dt.date) else v for k, v in typed.items()}
    for error in validator.iter_errors(plain):
        rule = _SCHEMA_RULES.get(str(error.validator), "impossible_value")
        named = re.match(r"'(\w+)' is a required", error.message) if error.validator == "required" else None
        name = named[1] if named else str(error.path[0])
        if name not in bad:
            findings.append(_finding("", form.question(name), rule, str(plain.get(name, ""))))
    return typed, _without_echoes(form, findings)


def _finding(instance_id: str, q: Question, rule: str, value: str) -> Finding:
    texts = texts_of(q.cells, "constraint_message") if rule == "impossible_value" else {}
    return Finding(
        instance_id, rule, q.name, value, q.list_name if rule == "not_in_list" else pack_texts(texts) if texts else ""
    )


def _without_echoes(form: Form, findings: list[Finding]) -> list[Finding]:
    """A sum that cannot be right because one of its numbers is missing or unreadable is no finding of its own."""
    bad = {f.field for f in findings if f.rule in ("missing_answer", "wrong_type", "answered_twice", "bad_code")}
    if not bad:
        return findings

    def speaks_of(q: Question, seen: frozenset[str] = frozenset()) -> set[str]:
        trees = [t for t in (q.constraint, q.relevant, q.calculation) if t is not None]
        names = {n.name for t in trees for n in expression.walk(t) if isinstance(n, expression.Answer) and n.name}
        inner = [form.question(n) for n in names - seen]
        return names.union(*(speaks_of(x, seen | names) for x in inner if x.calculation is not None))

    return [f for f in findings if f.rule != "impossible_value" or not bad & speaks_of(form.question(f.field))]


def _tests(form: Form) -> Iterator[tuple[Question, str, str]]:
    """(question, rule, SQL that is true where it is broken) over columns of the form's answers and `received_on`."""
    for q in form.kept:
        column = f'a."{q.name}"'
        scope = {k: (f"a.{v[0]}", v[1]) if isinstance(v, tuple) else v for k, v in form.scope(q).items()}
        asked = "true" if q.relevant is None else expression.to_sql(q.relevant, scope)[0]
        if q.required:
            yield q, "missing_answer", f"{column} IS NULL AND {asked}"
        if q.relevant is not None:
            yield q, "not_asked", f"{column} IS NOT NULL AND NOT {asked}"
        if q.constraint is not None:
            fits = expression.to_sql(q.constraint, scope)[0]
            yield q, "impossible_value", f"{column} IS NOT NULL AND {asked} AND NOT {fits}"
        if q.type == "select_one":
            codes = ", ".join(f"'{c}'" for c in form.codes(q.list_name))
            yield q, "not_in_list", f"coalesce({column} NOT IN ({codes}), false)"
        if q.type == "select_multiple":
            choices = "|".join(form.codes(q.list_name))
            yield q, "impossible_value", f"NOT coalesce(regexp_full_match({column}, '({choices})( ({choices}))*'), true)"


_IN_ALL, _AT_MOST = "{whole} - {taken} = {left}", marked("at most {whole} - {taken} = {left}")


def _sum_sql(form: Form, q: Question) -> str:
    """SQL of the packed words `1,092 - 194 = 898` (empty where there is nothing to add up): of a constraint that says what this
    answer and others are together, what was left for this one."""

    def terms(node: expression.Node) -> list[expression.Node]:
        is_sum = isinstance(node, expression.Operation) and node.operator == "+"
        return terms(node.left) + terms(node.right) if is_sum else [node]  # type: ignore[union-attr]

    own = expression.Answer(None)
    scope = {k: (f"a.{v[0]}", v[1]) if isinstance(v, tuple) else v for k, v in form.scope(q).items()}
    for part in expression.conjuncts(q.constraint) if q.constraint is not None else []:
        if isinstance(part, expression.Operation) and part.operator in ("=", ">=") and own in terms(part.right):
            others = [t for t in terms(part.right) if t != own]
            said = [expression.to_sql(t, scope) for t in (part.left, *others)]
            if others and all(kind == "number" for _, kind in said):
                whole, *rest = (f"CAST(coalesce({sql}, 0) AS BIGINT)" for sql, _ in said)
                taken = " + ".join(rest)
                words = _AT_MOST if part.operator == ">=" else _IN_ALL
                return f"pack('{words}', ['whole=#' || {whole}, 'taken=#' || ({taken}), 'left=#' || ({whole} - ({taken}))])"
    return "''"


def is_broken_sql(form: Form, unasked: Collection[str] = ()) -> str:
    """Whether a row `a` of the form's answers breaks any rule of the sheet. Questions that its version did not ask yet are not
    missed."""
    tests = [test for q, rule, test in _tests(form) if rule != "missing_answer" or q.name not in unasked]
    return " OR ".join(f"({test})" for test in tests) or "false"


def rules_sql(form: Form, source: str, number: str) -> str:
    """One query over rows of the form's answers: (number, rule, field, value, total) of every rule of the sheet that is broken;
    `total` is what the answer had to be, where it must add up with others."""
    cases = [
        f"CASE WHEN {test} THEN {{'rule': '{rule}', 'field': '{q.name}', 'value': coalesce(a.\"{q.name}\"::VARCHAR, ''),"
        f" 'total': {_sum_sql(form, q) if rule == 'impossible_value' else chr(39) * 2}}} END"
        for q, rule, test in _tests(form)
    ]
    return (
        f"SELECT number, broken.rule, broken.field, broken.value, broken.total FROM (SELECT {number} AS number,"
        f" unnest([{', '.join(cases)}]) AS broken FROM {source} a) WHERE broken IS NOT NULL"
    )


def unasked_of(work: Work, forms: Mapping[str, Form]) -> dict[tuple[str, str], list[str]]:
    """The questions that are required now and that a known version of a form did not ask, by form and version."""
    found = {}
    for form_id, version, asked in work.rows("SELECT form_id, version, asked FROM work.form_versions"):
        now = sorted(q.name for q in forms[form_id].kept if q.required) if form_id in forms else []
        if lacking := sorted(set(now) - set(json.loads(asked))):
            found[form_id, version] = lacking
    return found


# -- in columns


def read_answers(work: Work) -> None:
    """Parse what was kept and not parsed yet, and turn every received item that has no reading into one: a typed row in
    its form's table, and findings. Notes the readings and identities that are new or gone."""
    store, forms = work.store, work.context.workspace.forms
    run = store.connection.execute
    run("CREATE OR REPLACE TEMP TABLE touched_readings (reading_id UUID, instance_id VARCHAR)")
    asked = fingerprint(forms)
    is_parsed = store.get("parser") == PARSER
    asked += repr(sorted(unasked_of(work, forms).items()))
    everything = not is_parsed or store.get("forms") != asked
    if not is_parsed:
        run("DELETE FROM work.parsed_files; DELETE FROM work.received")
    if everything:  # what the columns of tables mean is seen anew
        for table in ("received", "parsed_files"):
            run(f"DELETE FROM work.{table} WHERE sha256 IN (SELECT sha256 FROM work.headings)")
        run("DELETE FROM work.headings")
        run("UPDATE work.received SET reading_id = NULL; DELETE FROM work.readings; DELETE FROM work.reading_findings")
        for (table,) in store.rows("SELECT table_name FROM information_schema.tables WHERE table_schema = 'answers'"):
            run(f'DROP TABLE answers."{table}"')
        store.put("parser", PARSER)
        store.put("forms", asked)
    for form in forms.values():
        columns = "".join(f', "{q.name}" {q.sql_type}' for q in form.kept)
        run(f'CREATE TABLE IF NOT EXISTS answers."{form.form_id}" (reading_id UUID{columns})')
    files = _Files(store, Headings(forms))
    to_read_anew = sorted(files.read_otherwise() | files.suspects)
    _forget_files(work, to_read_anew)
    corrections = all_corrections(store)
    last = int(store.get("corrections_seen") or 0)
    corrected = sorted({r.instance_id for r in corrections if r.kind in OF_ANSWERS and r.number > last})
    moved = [i.removeprefix(OF_A_FILE) for i in corrected if i.startswith(OF_A_FILE)]  # they came in on another day
    of_files = store.rows("SELECT DISTINCT instance_id FROM work.received WHERE sha256 IN (SELECT unnest(?))", [moved])
    _forget(work, [*corrected, *(i for (i,) in of_files)])
    store.put("corrections_seen", str(max([r.number for r in corrections], default=0)))
    reader = _Reader(work, forms, in_force(corrections).answers)
    reader.read_again()
    with _no_garbage_collection(), contextlib.closing(files.being_read):
        reader.read_new(files)
    touched = reader.touched or store.value("SELECT count(*) FROM touched_readings")
    everything = everything or reader.touched > MOST_KEYS
    if everything or reader.headings or to_read_anew:
        work.note("headings", None)
    noted = {"received": "instance_id", "readings": "instance_id", "answers": "reading_id", "reading_findings": ""}
    for name, column in noted.items() if everything or touched else ():
        keys = {column: f"SELECT DISTINCT {column} AS key FROM touched_readings"} if column else {}
        work.note(name, None if everything else keys)


@contextlib.contextmanager
def _no_garbage_collection() -> Iterator[None]:
    """What is gathered holds no cycles; to look through it again and again for some costs as much as to read it."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


class _Files:
    """How kept files are to be read: under which of their names, and which of them not at all."""

    def __init__(self, store: Store, headings: Headings) -> None:
        self.store, self.headings, self.being_read = store, headings, BeingRead(store)
        self.program = program_of("intake")
        several = store.rows(
            "SELECT sha256, list(name ORDER BY seen_at, name), coalesce(any_value(form_id), '') FROM kept.file_names"
            " LEFT JOIN kept.named_forms USING (sha256) GROUP BY sha256 HAVING count(*) > 1 OR any_value(form_id) <> ''"
        )
        self._read_as = {sha: (self._best(names), form) for sha, names, form in several}
        before = store.rows("SELECT sha256 FROM kept.passed_over WHERE program <> ?", [self.program])
        self.suspects = {sha for (sha,) in before} | set(self.being_read.found)
        """Files that broke a run of another program, or that a run was reading when it ended."""

    def _best(self, names: Sequence[str]) -> str:
        """Of the names that a content came under, the last one that says how it is to be read."""

        def says(name: str) -> int:
            stem, _, ending = name.rpartition(".")
            is_table = f".{ending.lower()}" not in (".xml", ".zip")
            return 0 if not name.lower().endswith(FILE_ENDINGS) else 1 if is_table and not self.headings.form_of(stem) else 2

        return max(enumerate(names), key=lambda n: (says(n[1]), n[0]))[1]

    def read_as(self, sha256: str, name: str) -> tuple[str, str]:
        """The name that a file is read under, and what form its tables are said to be."""
        return self._read_as.get(sha256, (name, ""))

    def read_otherwise(self) -> set[str]:
        """The files that were read under another name, or as another form, than they are to be."""
        before = self.store.rows(
            "SELECT sha256, read_as FROM work.parsed_files WHERE sha256 IN (SELECT unnest(?))", [list(self._read_as)]
        )
        return {sha for sha, read_as in before if read_as != "\n".join(self._read_as[sha])}

    def passed_over(self, folder: Path, waiting: Sequence[tuple[str, str, str]]) -> dict[str, str]:
        """The files that are not read, each with why; suspects are tried first."""
        passed = dict(self.store.rows("SELECT sha256, why FROM kept.passed_over WHERE program = ?", [self.program]))
        suspects = [Suspect(*w) for w in waiting if w[0] in self.suspects]
        alone = {s.sha256: ALONE for s in suspects if self.being_read.found.get(s.sha256, 0) > 1}
        to_try = [s for s in suspects if s.sha256 not in alone]
        found = alone | (broken(self.store, folder, to_try) if to_try else {})
        tried = [s.sha256 for s in suspects]
        self.store.connection.execute("DELETE FROM kept.passed_over WHERE sha256 IN (SELECT unnest(?))", [tried])
        return passed | {sha: self.pass_over(sha, what) for sha, what in found.items()}

    def pass_over(self, sha256: str, what: str) -> str:
        """Keep that a file is passed over, and give back why."""
        row = [sha256, what, self.program, dt.datetime.now()]
        self.store.connection.execute("INSERT OR REPLACE INTO kept.passed_over VALUES (?, ?, ?, ?)", row)
        return what


def _forget(work: Work, instance_ids: list[str]) -> None:
    """Drop what was read of these submissions, so that it is read again from what came in and its corrections."""
    if instance_ids:
        work.store.connection.execute(
            "CREATE OR REPLACE TEMP TABLE forgotten AS SELECT reading_id, instance_id, form_id"
            " FROM work.readings WHERE instance_id IN (SELECT unnest(?))",
            [instance_ids],
        )
        _drop_forgotten(work)
        work.store.connection.execute(
            "UPDATE work.received SET reading_id = NULL WHERE reading_id IN (SELECT reading_id FROM forgotten)"
        )


def _forget_files(work: Work, files: list[str]) -> None:
    """Drop what was parsed of these files, so that they are parsed again."""
    if not files:
        return
    of_files = work.store.rows("SELECT DISTINCT instance_id FROM work.received WHERE sha256 IN (SELECT unnest(?))", [files])
    _forget(work, [i for (i,) in of_files])
    for table in ("received", "parsed_files", "headings"):
        work.store.connection.execute(f"DELETE FROM work.{table} WHERE sha256 IN (SELECT unnest(?))", [files])


def _drop_forgotten(work: Work) -> None:
    run = work.store.connection.execute
    run("INSERT INTO touched_readings SELECT reading_id, instance_id FROM forgotten")
    for (form_id,) in work.store.rows("SELECT DISTINCT form_id FROM forgotten"):
        if form_id in work.context.workspace.forms:
            run(f'DELETE FROM answers."{form_id}" WHERE reading_id IN (SELECT reading_id FROM forgotten)')
    for table in ("reading_findings", "readings"):
        run(f"DELETE FROM work.{table} WHERE reading_id IN (SELECT reading_id FROM forgotten)")


class _Reader:
    """Reads blocks of received items."""

    def __init__(self, work: Work, forms: dict[str, Form], corrected: Mapping[str, Mapping[str, str]]) -> None:
        self.work, self.store, self.forms, self.corrected = work, work.store, forms, corrected
        self.run = work.store.connection.execute
        self.values: dict[str, dict[str, Any]] = {}
        self.touched = self.headings = 0
        self.unasked = unasked_of(work, forms)

    def read_new(self, files: _Files) -> None:
        """Parse the files that were kept and not parsed yet, some rows at a time. What breaks the program is passed over."""
        from pipeline.intake.blocks import Gather

        waiting = [(sha, *files.read_as(sha, name), on) for sha, name, on in ingest.not_parsed(self.store)]
        passed = files.passed_over(self.work.context.workspace.folder, [w[:3] for w in waiting])
        gather, being_read = Gather(files.headings), files.being_read

        def take() -> None:
            for block in gather.drain():
                self.take(block, is_new=True)
            being_read.clear()

        def stepped(steps: Iterator[None]) -> bool:
            """Whether there was one more step of a file; a person who stops it stops this file alone."""
            try:
                return next(steps, _END) is not _END
            except KeyboardInterrupt:
                being_read.clear()
                being_read.say(sha)
                raise

        for number, ((sha, name, form, received_on), source) in enumerate(ingest.sources(self.store, waiting), start=1):
            self.work.context.progress("reading", number, len(waiting))
            if sha in passed:
                gather.pass_over(sha, name, received_on, passed[sha])
                continue
            if is_alone := being_read.found.get(sha, 0) > 0:
                take()
            being_read.say(sha)
            steps = gather.add_file(sha, name, source, received_on, form)
            while True:
                try:
                    if not stepped(steps):
                        break
                except Exception as wrong:
                    what = unpacked(f"{type(wrong).__name__}: {wrong}")[:200]
                    if isinstance(wrong, OSError):
                        said = marked("its kept bytes cannot be had: {why}; `formpack check` names it, a backup has it")
                        what = pack(said, why=wrong.strerror)
                    _forget_files(self.work, [sha])
                    gather.pass_over(sha, name, received_on, files.pass_over(sha, what))
                    break
                if gather.rows >= ROWS_AT_ONCE:
                    take()
            if is_alone:
                take()
        take()
        read_as = [(sha, f"{name}\n{form}") for sha, name, form, _ in waiting]
        self.store.insert("work.parsed_files", ("sha256", "read_as"), read_as)
        tables = [
            (*key, why, json.dumps(c.strange, ensure_ascii=False), json.dumps(c.absent))
            for key, (why, c) in gather.tables.items()
        ]
        self.store.insert("work.headings", ("sha256", "place", "form_id", "why", "strange", "absent"), tables)
        self.headings = len(tables)

    def read_again(self) -> None:
        """Read what was received and has no reading (a form changed, or an answer was corrected)."""
        from pipeline.intake.blocks import kept_blocks

        if not self.store.value("SELECT count(*) FROM work.received WHERE reading_id IS NULL"):
            return
        self.run("CREATE OR REPLACE TEMP TABLE unread AS SELECT * FROM work.received WHERE reading_id IS NULL")
        for block in kept_blocks(self.store, ROWS_AT_ONCE):
            self.take(block, is_new=False)

    def take(self, block: Any, is_new: bool) -> None:
        """One block: its rows into work.received (where new), its readings where they are not known yet."""
        import pyarrow as pa
        from pyarrow import compute

        if not len(block):
            return
        ids = block.meta["instance_id"]
        rows = compute.indices_nonzero(compute.is_in(ids, value_set=pa.array(list(self.corrected), pa.string())))
        for row in rows:
            one = block.take(pa.array([row.as_py()]))
            self._take(one, self._overlaid(one), is_new)
        if len(rows):
            block = block.take(pa.array(sorted(set(range(len(block))) - set(rows.to_pylist())), pa.int64()))
        if len(block):
            self._take(block, block, is_new)

    def _take(self, block: Any, corrected: Any, is_new: bool) -> None:
        self._read(corrected)
        if is_new:
            self._keep_texts(block)
        else:
            self.run(
                "UPDATE work.received r SET reading_id = b.reading_id FROM block b"
                " WHERE r.sha256 = b.m_sha256 AND r.item = b.m_item"
            )

    def _overlaid(self, block: Any) -> Any:
        """A block of one submission with its corrected answers."""
        import pyarrow as pa

        given = self.corrected[block.meta["instance_id"][0].as_py()]
        texts = {k: pa.array([v], pa.string()) for k, v in overlay(block.answers(0), given).items()}
        twice = " ".join(name for name in block.meta["twice"][0].as_py().split() if name not in given)
        return replace(block, texts=texts, meta={**block.meta, "twice": pa.array([twice], pa.string())})

    def _keep_texts(self, block: Any) -> None:
        """The rows of a block that was just read into work.received."""
        import pyarrow as pa

        texts = {f"t{i}": column for i, column in enumerate(block.texts.values())}
        self.store.connection.register(
            "incoming", pa.table({"n": pa.array(range(len(block)), pa.int32()), **texts, **block.meta})
        )
        listed = f"[{', '.join(f'i.{t}' for t in texts)}]" if texts else "[]::VARCHAR[]"
        self.run(
            "INSERT INTO work.received SELECT i.sha256, i.item, i.place, $1, $2, i.instance_id, i.deprecated_id, $3,"
            f" {listed}, i.twice, i.rule, i.why, b.reading_id FROM incoming i JOIN block b USING (n)",
            [block.form_hint, block.form_version, json.dumps(list(block.texts), ensure_ascii=False)],
        )
        self.store.connection.unregister("incoming")

    def _read(self, block: Any) -> None:
        import pyarrow as pa
        from pyarrow import compute

        from pipeline.intake.blocks import said_of

        form = self.forms.get(block.form_hint)
        # a form may have a question `item` or `place`, so what comes with the submissions has names of its own
        meta = {f"m_{name}": values for name, values in block.meta.items()}
        columns: dict[str, Any] = {"n": pa.array(range(len(block)), pa.int32()), **meta}
        odd: set[int] = set()
        raw: list[str] = []
        if form is not None:
            for q in form.kept:
                typed, bad = self._typed(q, block.texts.get(q.name), len(block))
                columns[f"a_{q.name}"] = typed
                if bad is not None:
                    columns[f"raw_{q.name}"] = block.texts[q.name]
                    raw.append(q.name)
                    if not q.is_metadata:
                        odd |= set(compute.indices_nonzero(bad).to_pylist())
            if compute.any(compute.not_equal(block.meta["twice"], "")).as_py():
                odd |= set(compute.indices_nonzero(compute.not_equal(block.meta["twice"], "")).to_pylist())
            said = _said_sql(form, block.texts, set(raw))
        else:
            columns["said_by"] = said_of(block)
            said = "said_by"
        self.store.connection.register("incoming", pa.table(columns))
        answers = ", ".join(f'"a_{q.name}" AS "{q.name}"' for q in form.kept) + ", " if form else ""
        self.run(
            "CREATE OR REPLACE TEMP TABLE block AS SELECT *, left(sha256(concat(m_instance_id, chr(10), m_deprecated_id,"
            f" chr(10), said::VARCHAR)), 32)::UUID AS reading_id FROM (SELECT n, {', '.join(meta)},"
            f" {answers}DATE '{block.received_on}' AS received_on, left(sha256({said}), 32)::UUID AS said FROM incoming)"
        )
        self.store.connection.unregister("incoming")
        fresh = "SELECT min(n) AS n FROM block ANTI JOIN work.readings USING (reading_id) GROUP BY reading_id"
        self.run(f"CREATE OR REPLACE TEMP TABLE fresh AS {fresh}")
        if self.store.value("SELECT count(*) FROM fresh") < len(block):  # of two arrivals of a reading the earlier decides
            self.run(
                "CREATE OR REPLACE TEMP TABLE forgotten AS SELECT DISTINCT reading_id, r.instance_id, form_id"
                " FROM work.readings r JOIN block b USING (reading_id)"
                " WHERE (b.received_on, b.m_sha256, b.m_item) < (r.received_on, r.sha256, r.item)"
            )
            if self.store.value("SELECT count(*) FROM forgotten"):
                _drop_forgotten(self.work)
                self.run(f"CREATE OR REPLACE TEMP TABLE fresh AS {fresh}")
        if form is not None:
            self._explain(form, block, odd)
            names = ", ".join(f'"{q.name}"' for q in form.kept)
            self.run(
                f'INSERT INTO answers."{form.form_id}" (reading_id, {names})'
                f" SELECT reading_id, {names} FROM block SEMI JOIN fresh USING (n)"
            )
        else:
            self.run(
                "INSERT INTO work.reading_findings"
                " SELECT reading_id, CASE WHEN m_rule = '' THEN 'unknown_form' ELSE m_rule END, '',"
                " CASE WHEN m_rule = '' THEN $1 ELSE m_place END, m_why FROM block SEMI JOIN fresh USING (n)",
                [block.form_hint],
            )
        ended = '"end"' if form and any(q.name == "end" for q in form.kept) else "NULL"
        group = "group_code" if form and form.has_group else "NULL"
        of_form = f"{group}, visit_date, staff_code, {ended}" if form else "NULL, NULL, NULL, NULL"
        self.run(
            f"INSERT INTO work.readings SELECT reading_id, m_instance_id, $1, m_deprecated_id, said, {of_form}, received_on,"
            " m_sha256, m_item, m_place, $2 FROM block SEMI JOIN fresh USING (n)",
            [form.form_id if form else block.form_hint, block.form_version],
        )
        self.touched += len(block)
        if self.touched <= MOST_KEYS:
            self.run("INSERT INTO touched_readings SELECT reading_id, m_instance_id FROM block")

    def _typed(self, q: Question, texts: Any, many: int) -> tuple[Any, Any]:
        """A column of answers by the strict reader of its kind, each distinct text read once; and which could not be read (None
        where all could)."""
        import pyarrow as pa
        from pyarrow import compute

        kind = getattr(pa, _ARROW[q.sql_type])()
        if texts is None:
            return pa.nulls(many, kind), None
        if q.value_type == "text":
            bad = compute.match_substring(texts, "\ufffd")
            if not compute.any(bad).as_py():
                return texts, None
            return compute.if_else(bad, pa.scalar(None, pa.string()), texts), compute.fill_null(bad, False)
        coded = texts.dictionary_encode()
        known, read = self.values.setdefault(q.value_type, {}), READERS[q.value_type]
        values = [known[t] if t in known else known.setdefault(t, read(t)) for t in coded.dictionary.to_pylist()]
        if len(known) > 1_000_000:
            known.clear()
        wrong = [isinstance(v, Unreadable) for v in values]
        typed = pa.array([None if w else v for v, w in zip(values, wrong, strict=True)], type=kind).take(coded.indices)
        if not any(wrong):
            return typed, None
        return typed, compute.fill_null(pa.array(wrong).take(coded.indices), False)

    def _explain(self, form: Form, block: Any, odd: set[int]) -> None:
        """Findings of what is not clean, each submission by itself."""
        unasked = self.unasked.get((form.form_id, block.form_version), ())
        self.run(
            "CREATE OR REPLACE TEMP TABLE broken AS SELECT n FROM block a SEMI JOIN fresh USING (n)"
            f" WHERE {is_broken_sql(form, unasked)}"
        )
        fresh = (
            {n for (n,) in self.store.rows("SELECT n FROM fresh WHERE n IN (SELECT unnest(?))", [sorted(odd)])}
            if odd
            else set()
        )
        numbers = sorted(fresh | {n for (n,) in self.store.rows("SELECT n FROM broken")})
        if not numbers:
            return
        from pipeline.intake.frame_schema import answer_frame, frame_failures

        validator = answer_validator(form, block.received_on)
        ids = dict(self.store.rows("SELECT n, reading_id FROM block WHERE n IN (SELECT unnest(?))", [numbers]))
        found: dict[int, list[Finding]] = {}
        frame = []
        for n in numbers:
            typed, found[n] = type_answers(form, block.answers(n), block.meta["twice"][n].as_py().split(), validator)
            frame.append({**typed, "received_on": block.received_on})
        broken = [
            (numbers[at], rule, name, str(frame[at].get(name, "")))
            for at, rule, name in sorted(frame_failures(form, answer_frame(form, frame)))
        ]
        by_rules = self.store.rows(rules_sql(form, "(SELECT * FROM block SEMI JOIN broken USING (n))", "n") + " ORDER BY ALL")
        totals = {(n, rule, name): total for n, rule, name, _, total in by_rules}
        broken += [row[:4] for row in by_rules]
        for n, rule, name, value in broken:
            if name not in {f.field for f in found[n]}:
                new = _finding("", form.question(name), rule, value)
                if new in _without_echoes(form, [*found[n], new]):
                    found[n].append(new)
        for n, rule, name in (key for key, total in totals.items() if total):
            found[n] = [
                replace(f, detail=pack("{said} ({sum})", said=f.detail, sum=totals[n, rule, name]))
                if (f.rule, f.field) == (rule, name)
                else f
                for f in found[n]
            ]
        rows = [
            (str(ids[n]), f.rule, f.field, f.value, f.detail)
            for n in numbers
            for f in sorted(set(found[n]))
            if f.rule != "missing_answer" or f.field not in unasked
        ]
        self.store.insert("work.reading_findings", ("reading_id", "rule", "field", "value", "detail"), rows)


_ARROW = {"BIGINT": "int64", "DOUBLE": "float64", "DATE": "date32", "VARCHAR": "string"}


def _said_sql(form: Form, texts: Mapping[str, Any], raw: set[str]) -> str:
    """What a submission says, alike for every container it may come in and whatever comes with it; metadata left out. Texts
    have their length before them, so that none can say what others say."""
    parts = []
    for q in sorted(form.kept, key=lambda q: q.name):
        if q.name in texts and not q.is_metadata:
            value = f'"a_{q.name}"::VARCHAR'
            said = f"'{q.name}=' || {value}"
            if q.value_type == "text":
                said = f"'{q.name}=' || length({value}) || ':' || {value}"
            if q.name in raw:
                said = f"coalesce({said}, '{q.name}?' || length(\"raw_{q.name}\") || ':' || \"raw_{q.name}\")"
            parts.append(said)
    return f"concat_ws(chr(31), '{form.form_id}', {', '.join(parts)})" if parts else f"'{form.form_id}'"


def find_unlisted(work: Work) -> None:
    """work.unlisted: (reading_id, field, value, list_name) of answers whose code is and was in no list; work.lapsed: the same
    of answers whose code is not in its list any more, or is no longer offered."""
    nothing = "SELECT NULL::UUID AS reading_id, '' AS field, '' AS value, '' AS list_name WHERE false"
    unlisted, lapsed = [nothing], [nothing]
    part = " AND reading_id IN (SELECT key FROM touched)" if work.is_part else ""
    for form in work.context.workspace.forms.values():
        for q in form.kept:
            if q.type == "select_one_from_file":
                codes = f"SELECT code FROM work.list_rows WHERE list_name = '{q.list_name}'"
                said = f"SELECT reading_id, '{q.name}', \"{q.name}\", '{q.list_name}' FROM answers.\"{form.form_id}\""
                # NULL is not in a list that is empty
                unlisted.append(f'{said} WHERE "{q.name}" IS NOT NULL AND "{q.name}" NOT IN ({codes}){part}')
                lapsed.append(f'{said} WHERE "{q.name}" IN ({codes} AND inactive_since IS NOT NULL){part}')
    work.put_query("unlisted", " UNION ALL ".join(unlisted))
    work.put_query("lapsed", " UNION ALL ".join(lapsed))
