"""Which scions grow in a group: what was budded in it, and what came with plants that were moved into it."""

from __future__ import annotations

from collections import defaultdict

from pipeline.stages import Work

_LEAST, _ONE = 0.5, 0.98
"""Of a scion with fewer plants than this nothing grows; a group is of one scion where so much of it is."""


def follow_scions(work: Work) -> None:
    """work.growing: one row a group in which buds were set or came with plants: the scion where it is one, and the `mix` in
    words where others grow there too, the most first, by plants budded and moved (losses may have changed the shares since)."""
    growing: dict[str, dict[str, float]] = defaultdict(dict)
    rows = work.rows(
        "SELECT group_code, word, scion, to_group, is_set_aside, quantity FROM work.growing_events"
        " ORDER BY on_date, ended, CASE word WHEN 'set' THEN 0 WHEN 'failed' THEN 1 ELSE 2 END, instance_id, scion"
    )
    for group, word, scion, to_group, is_set_aside, quantity in rows:
        here = growing[group]
        if word == "set":
            here[scion] = here.get(scion, 0.0) + quantity
            continue
        left = min(1.0, quantity / total) if (total := sum(here.values())) else 0.0
        for name in here:
            gone = here[name] * left
            here[name] -= gone
            if word == "moves" and not is_set_aside:
                growing[to_group][name] = growing[to_group].get(name, 0.0) + gone
    said = []
    for group, parts in sorted(growing.items()):
        live = sorted(((-plants, name) for name, plants in parts.items() if plants >= _LEAST))
        if live:
            mix = ", ".join(f"{name} {-plants:.0f}" for plants, name in live) if len(live) > 1 else None
            is_one = live[0][0] <= _ONE * sum(plants for plants, _ in live)
            said.append((group, live[0][1] if is_one else None, mix))
    work.put("growing", dict.fromkeys(("group_code", "scion", "mix"), "VARCHAR"), said)
