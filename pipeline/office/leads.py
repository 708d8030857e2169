"""What no record of the books settles when plants are followed: where they may be all the same; records that are kept out."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from pipeline.office.tracks import Change, Edge, Tracks, reached, reached_within
from pipeline.store import Store

_HELD = """
WITH held AS (
    SELECT c.instance_id, c.form_id, s.state, c.group_code, c.visit_date, p.moves_to, p.moving, p.sets_buds, p.opens,
        coalesce(CASE $2 WHEN 'batch' THEN p.budwood_batch WHEN 'seed_lot' THEN p.seed_lot WHEN 'team' THEN p.team_code
            WHEN 'sowing' THEN upper(p.sowing_code) WHEN 'order' THEN p.order_ref END = $1, false) AS is_named
    FROM work.states s JOIN work.current c USING (instance_id) JOIN work.particulars p USING (reading_id)
    WHERE s.state IN ('quarantined', 'waiting')
)
"""
_BEGUN = f"""{_HELD}
SELECT group_code, min(visit_date) FROM held
WHERE is_named AND (sets_buds OR opens) AND group_code IS NOT NULL AND visit_date IS NOT NULL GROUP BY ALL
"""
_MOVED = f"""{_HELD}
SELECT visit_date, group_code, moves_to FROM held
WHERE moving > 0 AND moves_to IS NOT NULL AND group_code IS NOT NULL AND visit_date IS NOT NULL ORDER BY ALL
"""
_LISTED = f"""{_HELD},
said AS (
    SELECT instance_id, string_agg(DISTINCT message, ' ' ORDER BY message) AS why
    FROM problems WHERE severity = 'stop' OR starts_with(rule, 'waits') GROUP BY ALL
)
SELECT h.instance_id, h.form_id, h.state, h.group_code, h.visit_date, CASE WHEN is_named THEN 'named' ELSE 'group' END,
    coalesce(w.why, '')
FROM held h LEFT JOIN said w USING (instance_id)
WHERE is_named OR h.group_code IN (SELECT unnest($3)) OR h.moves_to IN (SELECT unnest($3))
ORDER BY NOT is_named, h.visit_date, h.instance_id
"""
_QUIET = """
SELECT since_on, on_date, other_group, group_code, size::BIGINT FROM work.unrecorded
WHERE other_group IS NOT NULL AND paired >= 0.5 AND missing < 0 ORDER BY ALL
"""
_SENT = """
SELECT m.group_code, m.on_date, a.order_ref, a.consignee, sum(m.quantity)::BIGINT
FROM work.movements m JOIN work.accepted a USING (instance_id)
WHERE m.kind = 'despatched' AND m.group_code IN (SELECT unnest($1)) GROUP BY ALL ORDER BY ALL
"""


@dataclass(frozen=True)
class Perhaps:
    """A group that no record of the books leads to, but that should be looked at all the same: by the `counts` about so many
    plants came from a group that was reached; a record that is `kept_out` says that they did, or that they were begun here; it
    depends on the `order` of two things of one day; or plants came `from` another group of this list. `sent` is what left it
    since, by order, consignee and trees."""

    group: str
    why: str
    from_group: str
    plants: int
    stands: int
    place: str | None
    sent: tuple[tuple[str | None, str | None, int], ...]


@dataclass(frozen=True)
class KeptOut:
    """A record that is not in the books and names what is traced (`named`) or a `group` that was reached; `message` is what
    keeps it out, as `formpack problems` says it."""

    instance_id: str
    form_id: str
    state: str
    group: str | None
    on_date: dt.date | None
    why: str
    message: str


def quiet_moves(store: Store) -> list[tuple[dt.date, dt.date, str, str, int]]:
    """Moves that nobody wrote down, as the counts of both groups show them: since, until, from, to, how many."""
    return store.rows(_QUIET)


def kept_out(store: Store, kind: str, code: str, groups: Iterable[str]) -> tuple[KeptOut, ...]:
    """The records about it, and about these groups, that are kept out of the books or wait."""
    return tuple(KeptOut(*row) for row in store.rows(_LISTED, [code, kind, sorted(groups)]))


def open_moves(edges: Sequence[Edge], some: Sequence[Change], tracks: Tracks) -> list[Edge]:
    """The moves less those of which it is known that no traced plant was in them: plants of failed buds of another lot."""
    settled: dict[Edge, bool] = {}
    for number, c in enumerate(some):
        if c.kind == "moved_out" and c.other_group:
            edge = (c.on_date, c.group, c.other_group)
            settled[edge] = settled.get(edge, True) and number in tracks.settled
    return [edge for edge in edges if not settled.get(edge, False)]


def perhaps(
    store: Store,
    kind: str,
    code: str,
    moves: tuple[Sequence[Edge], Sequence[Edge]],
    begun: Mapping[str, dt.date],
    inside: Mapping[str, dt.date],
) -> tuple[Perhaps, ...]:
    """Groups beyond those `inside` (or earlier than these were reached) that plants may have come to: by moves (all, and those
    of which it is not known that no traced plant was in them), and by what no record of the books says."""
    quiet = quiet_moves(store)
    held: list[Edge] = store.rows(_MOVED, [code, kind])
    begun_too = dict(store.rows(_BEGUN, [code, kind]))
    by_counts: list[Edge] = [(until, a, b) for _, until, a, b, _ in quiet]
    spans = [(since, until, a, b) for since, until, a, b, _ in quiet]
    starts = {g: min(begun.get(g, dt.date.max), begun_too.get(g, dt.date.max)) for g in begun.keys() | begun_too.keys()}
    # failed buds of another lot settle nothing of plants that came by a lead
    has_leads = bool(begun_too or reached_within([*moves[0], *held], spans, starts).keys() != reached(moves[0], begun).keys())
    edges = moves[0] if has_leads else moves[1]
    further = reached_within([*edges, *held], spans, starts)
    wanted = sorted(g for g, day in further.items() if g not in inside or day < inside[g])
    sent: dict[str, dict[tuple[str | None, str | None], int]] = defaultdict(lambda: defaultdict(int))
    for group, day, order_ref, consignee, trees in store.rows(_SENT, [wanted]):
        if further[group] <= day and (group not in inside or day < inside[group]):
            sent[group][order_ref, consignee] += trees
    stands = {
        group: rest
        for group, *rest in store.rows(
            "SELECT group_code, estimate, location FROM work.standing WHERE group_code IN (SELECT unnest($1))", [wanted]
        )
    }

    # of a group that is in no book, what came in about it says what should stand
    hidden = dict(store.rows("SELECT group_code, sum(plants)::BIGINT FROM work.held_back WHERE is_first GROUP BY ALL"))

    def into(group: str, some: Iterable[Edge]) -> list[str]:
        return [a for day, a, b in some if b == group and a in further and day >= further[a]]

    found = []
    for group in wanted:
        why, other, plants = "order", "", 0
        if group in begun_too:
            why = "begun"
        elif by := into(group, by_counts):
            why, other = "counts", by[0]
            plants = sum(n for _, _, a, b, n in quiet if (a, b) == (other, group))
        elif by := into(group, held):
            why, other = "kept_out", by[0]
        elif by := into(group, edges):
            why, other = ("from" if by[0] not in inside else "order"), by[0]
        to = tuple((order_ref, consignee, trees) for (order_ref, consignee), trees in sent[group].items())
        standing, place = stands.get(group) or (hidden.get(group, 0), None)
        if group in inside and not to:
            continue  # it is in the trace, and nobody got of it before
        found.append(Perhaps(group, why, other, plants, standing, place, to))
    return tuple(found)
