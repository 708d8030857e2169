"""What the headline must say first: plants that are not in the numbers, because their records are kept out or wait."""

from __future__ import annotations

from formpack.group_code import shown
from formpack.words import many
from pipeline.store import Store

_MOST = 3


def not_in_this(store: Store) -> list[str]:
    """Sentences, the groups with the most plants first; none where nothing that is held back would change what stands."""
    hidden = store.rows(
        "SELECT group_code, plants, submissions, state, opens FROM work.held_back WHERE is_first AND plants > 0"
        " ORDER BY plants DESC, group_code"
    )
    said = []
    if hidden:
        total = sum(row[1] for row in hidden)
        groups = [
            f"{shown(code)} ({plants:,}, {_why(state, opens, submissions)})"
            for code, plants, submissions, state, opens in hidden[:_MOST]
        ]
        more = f" and {len(hidden) - _MOST} more" if len(hidden) > _MOST else ""
        said.append(f"About {many(total, 'plant')} of {many(len(hidden), 'group')} are not in this: {', '.join(groups)}{more}.")
    others = store.rows(
        "SELECT sum(abs(h.plants))::BIGINT, count(DISTINCT h.group_code) FROM work.held_back h"
        " WHERE h.is_known AND h.plants <> 0 AND NOT EXISTS (SELECT 1 FROM problems p"
        " WHERE p.instance_id = h.instance_id AND p.rule = 'double_entry')"
    )
    plants, groups_of = others[0]
    if plants:
        said.append(
            f"Records that take out or move {many(plants, 'plant')} of {many(groups_of, 'group')} are kept out or wait as well."
        )
    return [*said, "`formpack problems` says what to do."] if said else []


def _why(state: str, opens: bool, submissions: int) -> str:
    if not opens:
        return "no opening has come"
    others = f", {many(submissions - 1, 'record')} {'waits' if submissions == 2 else 'wait'} for it" if submissions > 1 else ""
    return f"its opening {'is kept out' if state == 'quarantined' else 'waits'}{others}"
