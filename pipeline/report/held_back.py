"""What the headline must say first: plants that are not in the numbers, because their records are kept out or wait."""

from __future__ import annotations

from formpack.group_code import shown
from formpack.words import listed, many, tr, trn
from pipeline.store import Store

_MOST = 3


def hidden_groups(store: Store) -> tuple[int, int, str]:
    """Groups that stand in none of the numbers: their plants, how many they are, and the largest with the reason of each."""
    hidden = store.rows(
        "SELECT group_code, plants, submissions, state, opens FROM work.held_back WHERE is_first AND plants > 0"
        " ORDER BY plants DESC, group_code"
    )
    return sum(row[1] for row in hidden), len(hidden), listed([_which(*row) for row in hidden], _MOST)


def hidden_changes(store: Store) -> tuple[int, int]:
    """Plants that records of known groups take out or move while they are kept out or wait, and those groups; second entries
    are not counted."""
    ((plants, groups),) = store.rows(
        "SELECT coalesce(sum(abs(h.plants)), 0)::BIGINT, count(DISTINCT h.group_code) FROM work.held_back h"
        " WHERE h.is_known AND h.plants <> 0 AND NOT EXISTS (SELECT 1 FROM problems p"
        " WHERE p.instance_id = h.instance_id AND p.rule = 'double_entry')"
    )
    return plants, groups


def not_in_this(store: Store) -> list[str]:
    """Sentences, the groups with the most plants first; none where nothing that is held back would change what stands."""
    said = []
    hidden, groups, which = hidden_groups(store)
    if groups:
        said.append(
            trn(
                "About {n} plant of {groups} is not in this: {which}.",
                "About {n} plants of {groups} are not in this: {which}.",
                hidden,
                groups=many(groups, "group"),
                which=which,
            )
        )
    plants, groups_of = hidden_changes(store)
    if plants:
        said.append(
            tr(
                "Records that take out or move {plants} of {groups} are kept out or wait as well.",
                plants=many(plants, "plant"),
                groups=many(groups_of, "group"),
            )
        )
    return [*said, tr("`formpack problems` says what to do.")] if said else []


def _which(code: str, plants: int, submissions: int, state: str, opens: bool) -> str:
    """A group and why it is not in the numbers."""
    group = {"group": shown(code), "plants": plants}
    if not opens:
        return tr("{group} ({plants}, no opening has come)", **group)
    if submissions == 1:
        if state == "quarantined":
            return tr("{group} ({plants}, its opening is kept out)", **group)
        return tr("{group} ({plants}, its opening waits)", **group)
    if state == "quarantined":
        return trn(
            "{group} ({plants}, its opening is kept out, {n} record waits for it)",
            "{group} ({plants}, its opening is kept out, {n} records wait for it)",
            submissions - 1,
            **group,
        )
    return trn(
        "{group} ({plants}, its opening waits, {n} record waits for it)",
        "{group} ({plants}, its opening waits, {n} records wait for it)",
        submissions - 1,
        **group,
    )
