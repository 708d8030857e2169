"""Proofs that the books are whole, each a query: (name, what it proves, the places where it does not hold: kind and name)."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

from formpack.words import marked, tr
from pipeline import seals
from pipeline.intake import ingest
from pipeline.store import Store

_PLACES = {
    "submission": marked("submission {name}"),
    "state": marked("state {name}"),
    "file": marked("file {name}"),
    "group": marked("group {name}"),
    "all submissions": marked("all submissions"),
    "all groups": marked("all groups"),
    "standing": marked("groups that stand"),
    "gone": marked("groups that are gone"),
    "level": marked("level {name}"),
}
_QUERIES: dict[str, tuple[str, str]] = {
    "accounted": (
        marked("every submission received has one state, and every file kept has been read"),
        "SELECT 'submission', instance_id FROM work.readings WHERE instance_id NOT IN (SELECT instance_id FROM work.states)"
        " UNION ALL SELECT 'submission', instance_id FROM work.states GROUP BY instance_id HAVING count(*) > 1"
        " UNION ALL SELECT 'submission', instance_id FROM work.received WHERE reading_id IS NULL"
        " UNION ALL SELECT 'state', state FROM work.states WHERE state NOT IN"
        " ('accepted', 'waiting', 'quarantined', 'superseded', 'withdrawn')"
        " UNION ALL SELECT 'file', name FROM kept.raw_files WHERE sha256 NOT IN (SELECT sha256 FROM work.parsed_files)",
    ),
    "states_add_up": (
        marked("received = accepted + waiting + quarantined + superseded + withdrawn"),
        "SELECT 'all submissions', '' WHERE (SELECT count(DISTINCT instance_id) FROM work.received) <>"
        " (SELECT count(*) FROM submissions WHERE state IN"
        " ('accepted', 'waiting', 'quarantined', 'superseded', 'withdrawn'))",
    ),
    "moves_balance": (
        marked("what moves out of one group moves into another, under one submission"),
        "SELECT 'submission', instance_id FROM movements WHERE kind IN ('moved_in', 'moved_out') GROUP BY instance_id"
        " HAVING sum(CASE kind WHEN 'moved_in' THEN quantity ELSE -quantity END) <> 0",
    ),
    "book_adds_up": (
        marked("the book of each group is what came in less what left"),
        "SELECT 'group', s.group_code FROM standing s LEFT JOIN (SELECT group_code, sum(CASE WHEN kind IN"
        " ('opened', 'moved_in') THEN quantity ELSE -quantity END) AS net FROM movements GROUP BY group_code) m"
        " USING (group_code) WHERE coalesce(m.net, 0) <> s.book_count",
    ),
    "plants_are_whole": (
        marked("all plants that came are standing in a book or in an account of what left"),
        "SELECT 'all groups', '' WHERE (SELECT coalesce(sum(quantity), 0) FROM movements WHERE kind = 'opened') <>"
        " (SELECT coalesce(sum(quantity), 0) FROM movements WHERE kind IN ('culled', 'died', 'lost', 'despatched'))"
        " + (SELECT coalesce(sum(book_count), 0) FROM standing)",
    ),
    "walk_adds_up": (
        marked("the walk from what was opened comes to the books, to the likeliest numbers of all groups, and to what stands"),
        "SELECT groups, '' FROM (SELECT CASE WHEN stage = 'gone' THEN 'gone' ELSE 'standing' END AS groups,"
        " sum(book_count) AS book, sum(estimate) AS plants FROM standing GROUP BY ALL) s FULL JOIN (SELECT groups,"
        " sum(plants) FILTER (step IN ('opened', 'lost', 'despatched', 'moved')) AS book,"
        " sum(plants) FILTER (step NOT IN ('expected', 'rounding', 'stands')) AS plants"
        " FROM bridge WHERE \"by\" = 'all' GROUP BY ALL) w USING (groups)"
        " WHERE (coalesce(s.book, 0), coalesce(s.plants, 0)) <> (coalesce(w.book, 0), coalesce(w.plants, 0)) UNION ALL"
        " SELECT 'level', concat_ws(' ', \"by\", level) FROM bridge WHERE step <> 'rounding' GROUP BY \"by\", level"
        " HAVING sum(CASE step WHEN 'stands' THEN -plants ELSE plants END) <> 0",
    ),
    "bookings_moved": (
        marked("the movements are all that the accepted submissions say left, came or moved, and no more"),
        "SELECT 'submission', instance_id FROM (SELECT a.instance_id, sum(b.quantity) AS quantity FROM work.accepted a"
        " JOIN work.bookings b USING (reading_id) WHERE b.quantity > 0 AND (b.word IN ('opens', 'leaves', 'despatched')"
        " OR (b.word IN ('moves', 'failed') AND a.moves_to IS NOT NULL)) GROUP BY ALL) said FULL JOIN (SELECT instance_id,"
        " sum(quantity) AS quantity FROM movements WHERE kind <> 'moved_in' GROUP BY ALL) moved USING (instance_id)"
        " WHERE said.quantity IS DISTINCT FROM moved.quantity",
    ),
}


Proof = tuple[str, str, list[str]]


@dataclass(frozen=True)
class Verdict:
    """What `formpack check` finds: the proofs; the ways out where what is kept, or the tables made of it, were altered (the
    books are not looked at then); and the last seal, '' where there are such ways."""

    proofs: list[Proof]
    ways: list[str]
    last_seal: str

    @property
    def failing(self) -> int:
        return sum(bool(places) for _, _, places in self.proofs)


_IS_LARGE = "content IS NULL OR size > 1_000_000"
"""Which files are looked at one by one."""


def proofs_of_kept(store: Store, seal: str = "") -> list[Proof]:
    """Proofs of what came in and was decided, each with the places where it fails; `seal` is one that was written down."""
    with Store.in_memory() as new:
        shapes = store.shapes()
        others = [name for name, shape in new.shapes().items() if name.startswith("kept.") and shapes.get(name) != shape]
    faults = seals.faults(store.connection) + [tr("{table}, whose columns are others", table=name) for name in others]
    if seal and not seals.has(store.connection, seal):
        faults.append(tr("seal {seal}, which this store never had", seal=seal))
    what = tr("what is kept is what was sealed, row by row, in one chain of seals")
    return [("kept_whole", what, faults), bytes_kept(store)]


def bytes_kept(store: Store) -> Proof:
    """Proof of the bytes of every file, with the files whose bytes are gone or altered."""
    try:
        damaged = store.rows(f"SELECT sha256, name FROM kept.raw_files WHERE NOT ({_IS_LARGE}) AND sha256(content) <> sha256")
        others = store.rows(f"SELECT sha256, name FROM kept.raw_files WHERE {_IS_LARGE}")
        damaged += [(sha, name) for sha, name in others if ingest.digest_of(store, sha) != sha]
        places = sorted(tr("file {name}", name=name) for _, name in damaged)
    except duckdb.Error:
        places = [tr("{table}, which cannot be read", table="kept.raw_files")]
    return "bytes_kept", tr("the bytes kept are the bytes that came, by their SHA-256"), places


def proofs(store: Store) -> list[Proof]:
    """Every proof of the books, with the places where it fails (none, when they are whole)."""
    found = [bytes_kept(store)]
    for name, (what, query) in _QUERIES.items():
        found.append((name, tr(what), [tr(_PLACES[kind], name=place) for kind, place in store.rows(query + " ORDER BY ALL")]))
    return found
