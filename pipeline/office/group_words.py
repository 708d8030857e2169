"""The life of a group in words: what each submission did, and what stands."""

from __future__ import annotations

from formpack.group_code import shown
from formpack.words import many, marked, number, tr, trn
from pipeline.office.group_life import Change, Event, Flow, Life, Printed

_CHANGED = {
    "opened": marked("{plants} lifted, {planted} planted"),
    "moved_in": marked("{plants} came from {group}: {reason}"),
    "moved_out": marked("{plants} moved to {group}: {reason}"),
    "culled": marked("{plants} culled: {cause}"),
    "lost": marked("{plants} lost: {cause}"),
    "died": marked("{plants} found dead: {cause}"),
    "despatched": marked("{plants} despatched"),
}
_UNREASONED = {"moved_in": marked("{plants} came from {group}"), "moved_out": marked("{plants} moved to {group}")}
_SUMS = {
    "opened": marked("lifted"),
    "moved_in": marked("came from {group}"),
    "moved_out": marked("moved to {group}"),
    "culled": marked("culled: {cause}"),
    "lost": marked("lost: {cause}"),
    "died": marked("found dead: {cause}"),
    "despatched": marked("despatched"),
}


def _changed(life: Life, event: Event, change: Change) -> str:
    """`55 plants moved to 26-0702-06: bud failed, set aside`."""
    about = {
        "plants": many(change.plants, "plant"),
        "planted": change.plants - sum(c.plants for c in event.changes if c.kind not in ("opened", "moved_in")),
        "group": shown(change.other_group or ""),
        "reason": life.name("reasons", event.transfer_reason),
        "cause": life.name("causes", change.cause),
        "order": event.order or "",
        "consignee": event.consignee or "",
    }
    said = _CHANGED[change.kind]
    if change.kind in _UNREASONED and not event.transfer_reason:
        said = _UNREASONED[change.kind]
    elif change.kind == "despatched" and event.order and event.consignee:
        said = marked("{plants} despatched for order {order} to {consignee}")
    elif change.kind == "despatched" and event.order:
        said = marked("{plants} despatched for order {order}")
    elif change.kind == "despatched" and event.consignee:
        said = marked("{plants} despatched to {consignee}")
    return tr(said, **about)


def flow_in_words(life: Life, flow: Flow) -> str:
    """`moved to 26-0702-06`."""
    about = {
        "group": shown(flow.group or ""),
        "cause": life.name("causes", flow.cause),
        "order": flow.order or "",
        "consignee": flow.consignee or "",
    }
    said = _SUMS[flow.kind]
    if flow.kind == "despatched" and flow.order and flow.consignee:
        said = marked("despatched for order {order} to {consignee}")
    elif flow.kind == "despatched" and flow.order:
        said = marked("despatched for order {order}")
    elif flow.kind == "despatched" and flow.consignee:
        said = marked("despatched to {consignee}")
    return tr(said, **about)


_COVERED = {
    "whole": marked("{plants} counted"),
    "part": marked("{plants} counted in a part of the group"),
    "last_part": marked("{plants} counted in the last part of the group"),
}


def did(life: Life, event: Event) -> list[str]:
    """What an event did, each thing in words: what was counted and read first, then what changed, then the place."""
    name, said = life.name, []
    if event.counted is not None:
        said.append(tr(_COVERED.get(event.coverage or "", _COVERED["whole"]), plants=many(event.counted, "plant")))
    about = {"team": life.coded("teams", event.team), "attempt": event.attempt or 0}
    if event.buds_set is not None:
        said.append(tr("{buds} set by {team}, budding {attempt}", buds=many(event.buds_set, "bud"), **about))
        said += [tr("scion {scion}", scion=name("scions", event.scion))] if event.scion else []
        said += [tr("batch {batch}", batch=life.coded("budwood_batches", event.batch))] if event.batch else []
    if event.green is not None:
        read = {"green": event.green, "brown": event.brown or 0, "unsure": event.unsure or 0, "missing": event.missing or 0}
        said.append(
            tr(
                "buds of {team}, budding {attempt}: {green} green, {brown} brown, {unsure} unsure, {missing} missing",
                **read,
                **about,
            )
        )
    said += [_changed(life, event, change) for change in event.changes]
    if event.place and event.place_before and event.place_before != event.place:
        said.append(
            tr(
                "moved from {before} to {place}",
                before=name("locations", event.place_before),
                place=name("locations", event.place),
            )
        )
    elif event.place:
        said.append(tr("stands at {place}", place=name("locations", event.place)))
    said += [tr("{question}: {answer}", question=question, answer=text) for question, text in event.answers]
    return said


_PRINTED = {
    "sheet": marked("sign on a sheet"),
    "stake": marked("sign for a stake"),
    "tree": marked("signs for trees"),
    "passport": marked("plant passport"),
    "despatch": marked("despatch paper {paper}"),
}


def printed_as(one: Printed) -> str:
    """What was printed, in words; a paper by its number."""
    return tr(_PRINTED.get(one.kind, one.kind), paper=one.paper)


def why_out(life: Life, event: Event) -> str:
    """The state of an event that is not in the books, and why; its state alone where the head says why of all that wait."""
    states = [] if event.state == "accepted" else [tr(event.state)]
    said_above = not life.in_books and event.of_group is None and (event.opens or event.state == "waiting")
    return "; ".join(states if said_above and states else [*states, *event.why])


def head(life: Life) -> list[str]:
    """What the group is and what stands now, in sentences."""
    if not life.in_books:
        return [_not_in_books(life), *_opening_kept_out(life), *_kept_out(life)]
    said = []
    if life.estimate:
        about = {"plants": many(life.estimate, "plant"), "low": life.low or 0, "high": life.high or 0, "book": life.book or 0}
        if life.low == life.high:
            said.append(tr("{plants} stand now; the book says {book}.", **about))
        else:
            said.append(tr("{plants} stand now ({low} to {high}); the book says {book}.", **about))
    else:
        said.append(tr("It is gone: nothing of it stands any more; the book says {book}.", book=life.book or 0))
    if life.last_count_on is None:
        said.append(tr("It was never counted as a whole."))
    else:
        said.append(tr("It was last counted on {day}: {n}.", day=life.last_count_on, n=life.last_count or 0))
    if life.state == "recount":
        said.append(tr("It is to be counted again."))
    elif life.state == "impossible":
        said.append(tr("Its records cannot all be right: more went out than ever came in, or more was counted."))
    if life.by_transfer:
        said.append(tr("It has no opening of its own: it began with plants that were moved into it."))
    return [*said, *_kept_out(life)]


def _not_in_books(life: Life) -> str:
    if life.events:
        return tr("Nothing of this group is in the books: no opening of it, or move into it, has been accepted.")
    if life.issued_on is None:
        return tr("Nothing about this group has come in.")
    return tr("Its code was issued on {day}; nothing about it has come in yet.", day=life.issued_on)


def _opening_kept_out(life: Life) -> list[str]:
    said = [
        tr(
            "Its opening (submission {submission}) is kept out of the books: {why}.",
            submission=e.short,
            why="; ".join([*([] if e.state == "accepted" else [tr(e.state)]), *e.why]),
        )
        for e in life.events
        if e.opens and e.of_group is None
    ]
    if waiting := sum(e.state == "waiting" and e.of_group is None for e in life.events):
        said.append(
            trn(
                "{n} submission waits until an opening of it is accepted.",
                "{n} submissions wait until an opening of it is accepted.",
                waiting,
            )
        )
    return said


def _kept_out(life: Life) -> list[str]:
    if not (out := sum(not e.in_books for e in life.events)):
        return []
    said = trn(
        "{n} of {submissions} about it is not in the books.",
        "{n} of {submissions} about it are not in the books.",
        out,
        submissions=many(len(life.events), "submission"),
    )
    return [said]


def seed_in_words(life: Life) -> list[tuple[str, str]]:
    """The sowing that the group was opened from, and what came up of it: (what, as it is)."""
    s = life.sowing
    if s is None:
        return []
    amount = tr("seeds not counted")
    if s.litres is not None:
        amount = tr("{litres} litres of seed", litres=number(s.litres, 2))
    elif s.seeds is not None:
        amount = trn("{n} seed", "{n} seeds", s.seeds)
    trays = trn("{n} tray", "{n} trays", s.trays)
    about = {"code": s.code, "amount": amount, "trays": trays, "place": life.name("locations", s.place)}
    said = [tr("{code}: {amount} in {trays} at {place}", **about)]
    if s.soak_min:
        said.append(tr("soaked for {n} minutes", n=s.soak_min))
    if s.treated:
        said.append(tr("treated, by the list of seed lots: {treated}", treated=s.treated))
    found = [(tr("sowing"), "; ".join(said))]
    if s.counted_on is not None:
        trays = trn("{n} tray", "{n} trays", s.trays_read or 0)
        came = trn("{n} seedling", "{n} seedlings", s.emerged or 0)
        counted = tr("{seedlings} in {trays}, counted on {day}", seedlings=came, trays=trays, day=s.counted_on)
        found.append((tr("came up"), counted))
    return found
