"""Named points of the work, said by a process that patches itself; nothing of this is in the product."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable
from typing import Any

from pipeline.intake import ingest, validate
from pipeline.stages import Runner
from pipeline.store import Store

Reach = Callable[[str, Any], None]
"""Is given the name of a point at which the work is, and the connection to the store where there is one."""


class _Watched:
    """A connection that says when it commits, and when it notes the layout of a new store."""

    def __init__(self, connection: Any, say: Reach, number: Callable[[], int]) -> None:
        self.connection, self.say, self.number = connection, say, number

    def execute(self, query: str, *values: Any) -> Any:
        if query == "COMMIT":
            name = f"commit {self.number()}"
        elif query.startswith("INSERT INTO kept.layout"):
            name = "layout"
        else:
            return self.connection.execute(query, *values)
        self.say(f"before {name}", self.connection)
        done = self.connection.execute(query, *values)
        self.say(f"after {name}", self.connection)
        return done

    def __getattr__(self, name: str) -> Any:
        return getattr(self.connection, name)


def watch(reach: Reach, patch: Callable[[Any, str, Any], None] = setattr) -> None:
    """Have `reach` called at every point that this process comes to, the first time that it does."""
    said: set[str] = set()

    def say(point: str, connection: Any = None) -> None:
        if point not in said:
            said.add(point)
            reach(point, connection)

    def around(owner: Any, name: str, what: Callable[..., str]) -> None:
        plain = getattr(owner, name)

        def wrapped(*given: Any, **named: Any) -> Any:
            point = what(*given)
            say(f"before {point}")
            done = plain(*given, **named)
            say(f"after {point}")
            return done

        patch(owner, name, wrapped)

    def counted(name: str) -> Callable[..., str]:
        numbers = itertools.count(1)
        return lambda *_: f"{name} {next(numbers)}"

    commits = itertools.count(1)
    plain_init = Store.__init__

    def init(store: Store, connection: Any, *more: Any) -> None:
        plain_init(store, _Watched(connection, say, lambda: next(commits)), *more)  # type: ignore[arg-type]

    patch(Store, "__init__", init)
    around(os, "link", lambda *_: "link")
    around(Store, "make_schema", lambda *_: "schema")
    around(Store, "__enter__", lambda *_: "opened")
    around(ingest._Keeper, "keep", counted("file"))
    around(ingest._Keeper, "write", counted("files"))
    around(validate._Reader, "take", counted("block"))
    around(Runner, "_run", lambda runner, stage, stale: f"stage {stage.name}")
