"""The life of one submission: what it said, what was decided about it, the states it went through."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from formpack.group_code import is_group_code, shown
from formpack.words import marked, tr
from pipeline.findings import Refused
from pipeline.intake.corrections import Correction, all_corrections
from pipeline.intake.days import FILES, OF_A_FILE
from pipeline.intake.states import STATE_WORDS
from pipeline.store import Store

_ANSWERS = """
SELECT map_from_entries(list_zip(heading::JSON::VARCHAR[], texts))
FROM work.received
JOIN kept.raw_files USING (sha256)
WHERE instance_id = ?
ORDER BY received_at, sha256
"""


_SAID = {
    "correct": marked("{field} corrected from {old} to {new} by {person}: {reason}"),
    "uncorrect": marked("undone: {field} is {new} again, not {old}, by {person}: {reason}"),
    "accept": marked("the finding {rule} accepted as it is by {person}: {reason}"),
    "unaccept": marked("undone: the finding {rule} is no longer accepted, by {person}: {reason}"),
    "withdraw": marked("withdrawn by {person}: {reason}"),
    "restore": marked("undone: it is no longer withdrawn, by {person}: {reason}"),
}
"""What each kind of record did."""


def _of(record: Correction, said: str, **values: str) -> str:
    return tr(said, person=record.made_by, reason=record.reason, **values)


def said_of(record: Correction, names: Mapping[str, str] | None = None) -> str:
    """What a record about one submission did, in a sentence. `names` are what questions are called where not by their name."""
    nothing, field = tr("nothing"), (names or {}).get(record.field, record.field)
    old, new = (shown(a) if is_group_code(a) else a or nothing for a in (record.old_answer, record.new_answer))
    values = {"field": field, "rule": record.rule, "old": old, "new": new}
    return _of(record, _SAID[record.kind], **values)


def beginning_with(store: Store, submission: str) -> list[tuple[Any, ...]]:
    """(identity, form, when it came, place) of the submissions that may be meant: the one of that identity first."""
    return store.rows(
        "SELECT instance_id, form_id, received_at, source FROM submissions WHERE instance_id = $1"
        " OR starts_with(instance_id, $1) OR starts_with(instance_id, 'uuid:' || $1) ORDER BY instance_id <> $1, instance_id",
        [submission],
    )


def history_of(store: Store, submission: str) -> dict[str, Any]:
    """Answers as they came and events in order of time. Raises Refused unless exactly one submission is meant."""
    found = beginning_with(store, submission)
    if not found or (len(found) > 1 and found[0][0] != submission):
        many = marked("Several submissions ({n}) begin with {given}; give more of it.")
        said = tr(many if found else marked("No submission is {given}."), n=len(found), given=repr(submission))
        raise Refused(" ".join((said, tr("`formpack problems` and the table submissions name them."))))
    instance_id, form_id, received_at, source = found[0]
    answers = store.value(_ANSWERS, [instance_id])
    events = [
        (at, 1, tr("became {state}", state=tr(STATE_WORDS.get(state, state))))
        for at, state in store.rows(
            "SELECT changed_at, state FROM kept.state_changes WHERE instance_id = ? ORDER BY rowid", [instance_id]
        )
    ]
    came = "SELECT DISTINCT f.sha256, f.name, f.received_on FROM work.received JOIN {} f USING (sha256) WHERE instance_id = ?"
    files = {f"{OF_A_FILE}{sha}": (name, day) for sha, name, day in store.rows(came.format(FILES), [instance_id])}
    for r in all_corrections(store):
        if r.instance_id in files:
            said = marked("{file} came in on {new}, not {old}, by {person}: {reason}")
            if r.kind == "uncorrect":
                said = marked("{file} came in on {new} again, not {old}, by {person}: {reason}")
            events.append((r.made_at, 0, _of(r, said, file=files[r.instance_id][0], new=r.new_answer, old=r.old_answer)))
        elif r.instance_id == instance_id:
            events.append((r.made_at, 0, said_of(r)))
    return {
        "instance_id": instance_id,
        "form_id": form_id,
        "received_at": received_at,
        "received_on": min(day for _, day in files.values()),
        "source": source,
        "answers": {k: v for k, v in answers.items() if v is not None},
        "events": [(at, what) for at, _, what in sorted(events, key=lambda e: e[:2])],
    }
