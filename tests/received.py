"""What a file holds, submission by submission, as the intake takes it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field

from formpack.submission import Unread
from pipeline.intake.blocks import Gather


@dataclass(frozen=True)
class Received:
    """One submission as it came: answers are texts by question name; blank ones are left out."""

    place: str
    form_id: str
    form_version: str
    instance_id: str
    deprecated_id: str
    answers: dict[str, str] = field(hash=False)
    twice: tuple[str, ...] = ()


def read(content: bytes, name: str) -> Iterator[Received | Unread]:
    """Every submission in the bytes of a file called `name`, or what is wrong with it, in order."""
    gather = Gather()
    for _ in gather.add_file("0" * 64, name, content, dt.date(2026, 11, 2)):
        pass
    found: dict[int, Received | Unread] = {}
    for block in gather.drain():
        meta = {k: v.to_pylist() for k, v in block.meta.items()}
        for row in range(len(block)):
            item = meta["item"][row]
            assert item not in found
            if meta["rule"][row]:
                found[item] = Unread(meta["place"][row], meta["rule"][row], meta["why"][row])
            else:
                found[item] = Received(
                    meta["place"][row],
                    block.form_hint,
                    block.form_version,
                    meta["instance_id"][row],
                    meta["deprecated_id"][row],
                    block.answers(row),
                    tuple(meta["twice"][row].split()),
                )
    assert sorted(found) == list(range(len(found)))
    yield from (found[item] for item in sorted(found))
