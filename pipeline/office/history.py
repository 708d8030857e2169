"""The life of one submission: what it said, what was decided about it, the states it went through."""

from __future__ import annotations

from typing import Any

from pipeline.findings import Refused
from pipeline.intake.corrections import all_corrections
from pipeline.intake.days import FILES, OF_A_FILE
from pipeline.store import Store

_ANSWERS = """
SELECT map_from_entries(list_zip(heading::JSON::VARCHAR[], texts))
FROM work.received
JOIN kept.raw_files USING (sha256)
WHERE instance_id = ?
ORDER BY received_at, sha256
"""


def history_of(store: Store, submission: str) -> dict[str, Any]:
    """Answers as they came and events in order of time. Raises Refused unless exactly one submission is meant."""
    found = store.rows(
        "SELECT instance_id, form_id, received_at, source FROM submissions WHERE instance_id = $1"
        " OR starts_with(instance_id, $1) OR starts_with(instance_id, 'uuid:' || $1) ORDER BY instance_id <> $1, instance_id",
        [submission],
    )
    if not found or (len(found) > 1 and found[0][0] != submission):
        said = (
            f"{len(found)} submissions begin with {submission!r}; give more of it"
            if found
            else f"No submission is {submission!r}"
        )
        raise Refused(f"{said}. `formpack problems` and the table submissions name them.")
    instance_id, form_id, received_at, source = found[0]
    answers = store.value(_ANSWERS, [instance_id])
    events = [
        (at, 1, f"became {state}")
        for at, state in store.rows(
            "SELECT changed_at, state FROM kept.state_changes WHERE instance_id = ? ORDER BY rowid", [instance_id]
        )
    ]
    came = "SELECT DISTINCT f.sha256, f.name, f.received_on FROM work.received JOIN {} f USING (sha256) WHERE instance_id = ?"
    files = {f"{OF_A_FILE}{sha}": (name, day) for sha, name, day in store.rows(came.format(FILES), [instance_id])}
    for r in all_corrections(store):
        if r.instance_id in files:
            again, why = " again" if r.kind == "uncorrect" else "", f" by {r.made_by}: {r.reason}"
            events.append(
                (r.made_at, 0, f"{files[r.instance_id][0]} came in on {r.new_answer}{again}, not {r.old_answer},{why}")
            )
        elif r.instance_id == instance_id:
            what = {
                "correct": f"{r.field} corrected from {r.old_answer or 'nothing'} to {r.new_answer or 'nothing'}",
                "uncorrect": f"undone: {r.field} is {r.new_answer or 'nothing'} again, not {r.old_answer or 'nothing'},",
                "accept": f"the finding {r.rule} accepted as it is",
                "unaccept": f"undone: the finding {r.rule} is no longer accepted,",
                "withdraw": "withdrawn",
                "restore": "undone: it is no longer withdrawn,",
            }[r.kind]
            events.append((r.made_at, 0, f"{what} by {r.made_by}: {r.reason}"))
    return {
        "instance_id": instance_id,
        "form_id": form_id,
        "received_at": received_at,
        "received_on": min(day for _, day in files.values()),
        "source": source,
        "answers": {k: v for k, v in answers.items() if v is not None},
        "events": [(at, what) for at, _, what in sorted(events, key=lambda e: e[:2])],
    }
