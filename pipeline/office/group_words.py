"""The life of a group in words: what each submission did, and what stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from formpack.group_code import shown
from formpack.words import as_typed, many, marked, number, tr, trn
from pipeline.book.climate import said as measured
from pipeline.book.log_records import amount
from pipeline.office.group_care import Care, Month
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
        said += _of_cut(event)
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
    said += _of_blades(event)
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


def _sown(life: Life, about: Mapping[str, Any]) -> list[str]:
    amount = tr("seeds not counted")
    if about["litres"] is not None:
        amount = tr("{litres} litres of seed", litres=number(about["litres"], 2))
    elif about["seeds"] is not None:
        amount = trn("{n} seed", "{n} seeds", about["seeds"])
    said = [tr("{code}: {amount}", code=about["sowing_code"], amount=amount)]
    if about["trays"]:
        said.append(trn("{n} tray", "{n} trays", about["trays"]))
    if about["location"]:
        said.append(tr("at {place}", place=life.name("locations", about["location"])))
    if about["medium"]:
        said.append(tr("medium: {medium}", medium=life.name("mediums", about["medium"])))
    if about["soak_min"]:
        said.append(tr("soaked for {n} minutes", n=about["soak_min"]))
    if about["treated"]:
        said.append(tr("treated, by the list of seed lots: {treated}", treated=about["treated"]))
    if (about["groups"] or 0) > 1:
        said.append(tr("{n} groups were lifted from it", n=about["groups"]))
    return said


def _came_up(life: Life, about: Mapping[str, Any]) -> list[str]:
    seedlings = trn("{n} seedling", "{n} seedlings", about["emerged"])
    said = [tr("{seedlings} in {read} of {trays} trays", seedlings=seedlings, read=about["trays_read"], trays=about["trays"])]
    if about["multiple"]:
        said.append(trn("{n} seed gave more than one", "{n} seeds gave more than one", about["multiple"]))
    return said


def _treated(life: Life, about: Mapping[str, Any]) -> list[str]:
    product, active = about["product"], about["active_ingredient"]
    said = [tr("{product} ({ingredient})", product=product, ingredient=active) if product and active else product or active]
    said.append(amount(about["dose"], about["dose_unit"], life.names["dose_units"]))
    said.append(tr("at {place}", place=life.name("locations", about["location"])))
    if about["target"]:
        said.append(tr("against {pest}", pest=life.name("pests", about["target"])))
    if about["applicator"]:
        said.append(tr("applied by {person}", person=life.coded("staff", about["applicator"])))
    return [text for text in said if text]


_CARED = {"sowing": _sown, "emergence": _came_up, "treatment": _treated}


def cared(life: Life, care: Care) -> list[str]:
    """What a record of its seed or of a treatment says, each thing in words."""
    return _CARED[care.form_id](life, care.says)


def _of_cut(event: Event) -> list[str]:
    """Where and when the budwood was cut."""
    cut, said = event.cut, []
    if cut is None:
        return []
    if cut.cut_on and cut.cut_on <= event.on:
        said.append(tr("cut on {day}, {days} before", day=cut.cut_on, days=many((event.on - cut.cut_on).days, "day")))
    elif cut.cut_on:
        said.append(tr("cut on {day}, which is later", day=cut.cut_on))
    said += [tr("source block {value}", value=cut.source_block)] if cut.source_block else []
    said += [tr("source tree {value}", value=cut.source_tree)] if cut.source_tree else []
    said.append(tr("authorisation {value}", value=cut.authorisation) if cut.authorisation else tr("no authorisation recorded"))
    said += [tr("{buds} cut", buds=many(cut.buds, "bud"))] if cut.buds is not None else []
    return said


def _of_blades(event: Event) -> list[str]:
    if event.blades is None:
        return []
    n, bare = event.blades.disinfections, event.blades.not_between
    said = [
        trn("blades disinfected {n} time that day", "blades disinfected {n} times that day", n)
        if n
        else tr("no disinfecting of blades recorded that day")
    ]
    if n and bare:
        said.append(
            trn(
                "{n} change of cultivar that day without disinfecting",
                "{n} changes of cultivar that day without disinfecting",
                bare,
            )
        )
    return said


def in_month(life: Life, month: Month) -> list[str]:
    """What was done and seen in a month at a place, in lines: all that was recorded, then each thing that was outside."""
    name = life.name
    said = [
        tr("{form}: {records}", form=name("forms", form_id), records=many(n, "record")) for form_id, n in month.forms.items()
    ]
    for pest, examined, affected in month.pests:
        about = {"pest": name("pests", pest), "affected": affected, "examined": examined}
        if affected:
            said.append(tr("{pest}: {affected} of {examined} plants", **about))
        elif pest == "none":
            said.append(tr("nothing found among {examined} plants", **about))
        else:
            said.append(tr("{pest}: none found among {examined} plants", **about))
    lines = ["; ".join(said)]
    for o in month.outside:
        for n, limit, most, text in (
            (o.below, o.limit_low, o.lowest, marked("{what}: {n} of {readings} readings below {limit}, down to {most}")),
            (o.above, o.limit_high, o.highest, marked("{what}: {n} of {readings} readings above {limit}, up to {most}")),
        ):
            if n and limit is not None:
                values = {"n": n, "readings": o.readings, "limit": as_typed(limit), "most": as_typed(most)}
                lines.append(tr(text, what=measured(o.what), **values))
    return lines
