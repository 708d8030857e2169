"""What was traced, in words, tables and a drawing: shown on the screen and on a page of its own."""

from __future__ import annotations

from collections import defaultdict

from formpack.group_code import shown
from formpack.readers import Unreadable
from formpack.words import as_typed, listed, many, marked, number, tr, trn
from pipeline.formulas.tracing import Part
from pipeline.lists import typed
from pipeline.office.trace import KINDS, Backwards, Forwards, InGroup, Trace
from pipeline.rates.promises import Names
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Fold, Head, Says, Table
from pipeline.report.charts.flow import COLOURS, Band, Bar, flow, gathered
from pipeline.report.stock import STAGE_WORDS, place_names
from pipeline.store import Store
from pipeline.tables import names_of

_ABOUT = {
    "label": marked("on the list as {value}"),
    "scion": marked("scion {value}"),
    "rootstock": marked("rootstock {value}"),
    "source_block": marked("source block {value}"),
    "source_tree": marked("source tree {value}"),
    "cut_on": marked("cut on {value}"),
    "authorisation": marked("authorisation {value}"),
    "buds": marked("{value} buds on the list"),
    "supplier": marked("supplier {value}"),
    "received": marked("received on {value}"),
    "treated": marked("treated: {value}"),
    "seed_lot": marked("of seed lot {value}"),
    "sown_on": marked("sown on {value}"),
    "trays": marked("trays: {value}"),
    "litres": marked("litres of seed: {value}"),
    "seeds": marked("seeds: {value}"),
    "consignee": marked("for {value}"),
    "quantity": marked("{value} trees ordered"),
    "wanted_on": marked("wanted on {value}"),
}
GONE = {"culled": marked("culled"), "died": marked("found dead"), "lost": marked("lost")}
_SOURCES = {
    "seed_lot": marked("seed lot"),
    "sowing": marked("sowing"),
    "batch": marked("budwood batch"),
    "team": marked("team that budded"),
}
_LISTS = {"seed_lot": "seed_lots", "batch": "budwood_batches", "team": "teams"}
_OPTIONS = {"seed_lot": "--seed-lot", "sowing": "--sowing", "batch": "--batch", "team": "--team"}


def part_says(part: Part) -> str:
    """`763`, or `760 to 780`."""
    if part.is_certain:
        return number(part.low)
    return tr("{low} to {high}", low=part.low, high=part.high)


def chapters(store: Store, found: Trace, form_titles: dict[str, str]) -> tuple[Chapter, list[Chapter]]:
    """The first screen, which says what there is, and the chapters with each group, order and record."""
    first: list[Block] = []
    drawing: list[Block] = []
    if found.about:
        first.append(Says(_about(found), "lead"))
    rest: list[Chapter] = []
    if found.forwards:
        first += [Says(text) for text in _forwards_says(found, found.forwards)]
        if found.forwards.groups:
            drawing.append(_drawing(store, found, found.forwards))
        rest += _forwards(store, found.forwards, found.kind)
    if found.backwards:
        first += [Says(text) for text in _backwards_says(found, found.backwards)]
        rest += _backwards(store, found, found.backwards)
    if found.kept_out:
        n = len(found.kept_out)
        said = trn(
            "{n} record about it is not in the books and not counted here; `formpack problems` says what to do.",
            "{n} records about it are not in the books and not counted here; `formpack problems` says what to do.",
            n,
        )
        first.append(Says(said, "stop", "#kept_out"))
        rest.append(Chapter("kept_out", tr("Records that are not in the books"), [_kept_out(found, form_titles)]))
    if not found.is_exact:
        first.append(
            Says(tr("So many groups are mixed that the numbers are true but could be closer: the ends were not worked out."))
        )
    how = Fold(tr("What at least and at most mean"), [Says(text, "lead") for text in _how(found.kind)])
    return Chapter("first", tr("What was found"), [*first, *drawing, how]), rest


def _about(found: Trace) -> str:
    read = found.about | typed(KINDS[found.kind][0], found.about)
    parts = [
        tr(_ABOUT[k], value=as_typed(v) if isinstance(v, float) else v)
        for k, v in read.items()
        if k in _ABOUT and v != found.code and v is not None and not isinstance(v, Unreadable)
    ]
    said = tr("{name}: {facts}.", name=found.name, facts="; ".join(parts))
    if found.alike:
        others = listed(found.alike, 12)
        said += " " + tr("Other batches from the same source tree: {batches}.", batches=others)
    return said


def _begun_says(found: Trace, f: Forwards) -> str:
    """How much of it there ever was."""
    code = found.code
    begun = [g for g in f.groups if g.source]
    none = {
        "batch": marked("No buds of batch {code} have been set, as far as the books go."),
        "seed_lot": marked("No group was opened from seed lot {code}, as far as the books go."),
        "sowing": marked("No group was opened from sowing {code}, as far as the books go."),
        "team": marked("Team {code} has set no buds, as far as the books go."),
        "group": marked("No plants ever stood in group {code}, as far as the books go."),
    }
    if not begun:
        return tr(none[found.kind], code=shown(code) if found.kind == "group" else code)
    some = {
        "batch": marked("{buds} of batch {code} were set in {groups}, the first on {first}; {ever} plants had one."),
        "seed_lot": marked("{plants} of seed lot {code} were opened in {groups}, the first on {first}."),
        "sowing": marked("{plants} of sowing {code} were opened in {groups}, the first on {first}."),
        "team": marked("Team {code} set {buds} in {groups}, the first on {first}; {ever} plants had one."),
        "group": marked("{ever} plants in all stood in group {code}, the first from {first} on."),
    }
    values = {
        "ever": part_says(f.ever),
        "plants": many(f.plants, "plant"),
        "groups": many(len(begun), "group"),
        "buds": many(f.plants, "bud"),
    }
    first = min(g.since for g in begun)
    return tr(some[found.kind], code=shown(code) if found.kind == "group" else code, first=first, **values)


def _forwards_says(found: Trace, f: Forwards) -> list[str]:
    said = [_begun_says(found, f)]
    if f.groups:
        standing = sum(1 for g in f.groups if g.here.high)
        said.append(
            tr(
                "Of these plants, {standing} stand now, in {groups}; {despatched} were despatched.",
                standing=part_says(f.standing),
                groups=many(standing, "group"),
                despatched=part_says(f.despatched),
            )
        )
    parts = [f"{part_says(part)} {tr(GONE[kind])}" for kind, part in f.gone]
    parts += [tr("{n} gone without a record, by the counts", n=part_says(f.vanished))] if f.vanished.high else []
    if parts:
        said.append(tr("The others: {parts}.", parts=listed(parts)))
    if unknown := [g for g in f.groups if g.unknown]:
        plants = many(sum(g.unknown for g in unknown), "plant")
        said.append(
            tr(
                "{plants} more left {groups}, or were budded there, than had come by then. Nobody wrote down where they were"
                " from: they may be of these, and count as that in at most.",
                plants=plants,
                groups=listed((shown(g.group) for g in unknown), 6),
            )
        )
    if f.unnamed:
        buds, groups = many(sum(n for _, n in f.unnamed), "bud"), listed((shown(g) for g, _ in f.unnamed), 6)
        said.append(tr("{buds} were set without a batch named, in {groups}: they may be of it.", buds=buds, groups=groups))
    if f.perhaps:
        said.append(
            trn(
                "No record leads to {n} other group, but look at it as well: a table below says why.",
                "No record leads to {n} other groups, but look at them as well: a table below says why.",
                len(f.perhaps),
            )
        )
    return said


def _how(kind: str) -> list[str]:
    what = {
        "batch": tr("A plant counts once a bud of the batch was set in it, whether that bud took or not."),
        "team": tr("A plant counts once the team set a bud in it, whether that bud took or not."),
        "seed_lot": tr("A plant counts if it was opened from the seed lot."),
        "sowing": tr("A plant counts if it was opened from the sowing."),
        "group": tr("A plant counts if it ever stood in the group."),
        "order": tr("Trees of a group that took in plants of several sources may be of any of them."),
    }
    return [
        what[kind],
        tr(
            "Plants of a group cannot be told apart. Where only some of them count and some left, nobody wrote down which: at"
            " least is the fewest and at most the most that can have gone that way by the records. Plants whose buds failed are"
            " of the lot they were read in."
        ),
        tr(
            "What stands is what the counts let expect (within the interval of 95 of 100), so plants that vanished without a"
            " record may have been any. Records that were never made, or name the wrong batch or group, nobody can follow."
        ),
    ]


def _pieces(g: InGroup, kind: str) -> str:
    parts = [tr("{plants} moved from {group}", plants=part_says(part), group=shown(other)) for other, _, part in g.came]
    if g.source and kind != "group":
        begun = marked("{n} opened here") if kind in ("seed_lot", "sowing") else marked("{n} budded here")
        parts.insert(0, tr(begun, n=g.source))
    return listed(parts, 4)


def _forwards(store: Store, f: Forwards, kind: str) -> list[Chapter]:
    found = []
    if f.groups:
        found.append(Chapter("groups", tr("Groups"), [_groups(store, f, kind)]))
    if f.sent:
        found.append(Chapter("sent", tr("Despatched"), [_sent(f)]))
    if f.perhaps:
        found.append(Chapter("perhaps", tr("Look at these as well"), [_perhaps(store, f)]))
    return found


def _groups(store: Store, f: Forwards, kind: str) -> Table:
    places, names = place_names(store), Names.read(store)
    columns = (
        *(Column(tr("group"), "code"), Column(tr("place")), Column(tr("plants standing"), "number"), *_ends()),
        *(Column(tr("pair"), is_aside=True), Column(tr("stage"), is_aside=True), Column(tr("since"), "day", is_aside=True)),
        Column(tr("how they came")),
    )
    # what stands first, in the order of a walk
    ordered = sorted(f.groups, key=lambda g: (not g.here.high, g.place or "" if g.here.high else "", g.group))
    rows = [
        (
            *(shown(g.group), places.get(g.place or "", g.place) if g.high else None, _within(g), g.here.low, g.here.high),
            *(names.growing(g.rootstock, g.scion), tr(STAGE_WORDS.get(g.stage, g.stage)), g.since, _pieces(g, kind)),
        )
        for g in ordered
    ]
    total = [tr("together"), None, sum(g.stands for g in f.groups), f.standing.low, f.standing.high, *[None] * 4]
    return Table("groups", tr("Every group it reached"), columns, rows, total)


def _got(order_ref: str | None, consignee: str | None, trees: int) -> str:
    whom = " ".join(filter(None, (order_ref, consignee))) or tr("not recorded")
    return tr("{group} ({n})", group=whom, n=trees)


def _within(g: InGroup) -> Cell | int:
    """What stands in a group, with its interval where it is not certain."""
    if g.low == g.high:
        return g.stands
    return Cell(g.stands, tr("{n} ({low} to {high})", n=g.stands, low=g.low, high=g.high))


def _sent(f: Forwards) -> Table:
    columns = (
        *(Column(tr("order"), "code"), Column(tr("consignee")), Column(tr("trees of these groups"), "number"), *_ends()),
        *(Column(tr("from"), "day", is_aside=True), Column(tr("to"), "day"), Column(tr("groups, with their trees"))),
    )
    nobody = tr("not recorded")
    rows = [
        (
            *(s.order_ref or nobody, s.consignee or nobody, s.trees, s.part.low, s.part.high, s.first_on, s.last_on),
            listed((tr("{group} ({n})", group=shown(g), n=trees) for g, trees, _ in s.groups), 6),
        )
        for s in f.sent
    ]
    total = [tr("together"), None, sum(s.trees for s in f.sent), f.despatched.low, f.despatched.high, *[None] * 3]
    return Table("sent", tr("Who got of it"), columns, rows, total)


def _perhaps(store: Store, f: Forwards) -> Table:
    places = place_names(store)
    why = {
        "counts": marked("by the counts about {n} plants came from {group} without a record"),
        "kept_out": marked("a record that is kept out says that plants came from {group}"),
        "begun": marked("a record that is kept out says that it was opened or budded here"),
        "order": marked("plants came from {group}, perhaps after it was reached: two things of one day"),
        "from": marked("plants came from {group}, which is in this table"),
    }
    columns = (
        *(Column(tr("group"), "code"), Column(tr("place")), Column(tr("plants standing"), "number")),
        *(Column(tr("why")), Column(tr("who got trees of it"))),
    )
    rows = [
        (
            *(shown(p.group), places.get(p.place or "", p.place), p.stands),
            tr(why[p.why], n=p.plants, group=shown(p.from_group) if p.from_group else "?"),
            listed((_got(*to) for to in p.sent), 6),
        )
        for p in f.perhaps
    ]
    return Table("perhaps", tr("Groups that no record leads to, to be looked at as well"), columns, rows)


def _ends() -> tuple[Column, Column]:
    return Column(tr("of it, at least"), "number"), Column(tr("at most"), "number")


def _backwards_says(found: Trace, b: Backwards) -> list[str]:
    if not b.plants:
        return [tr("Nothing has left for order {code} yet.", code=found.code)] if found.kind == "order" else []
    unknown = []
    if b.unknown:
        lacks = marked("At most {n} of them are of no known origin: more left a group than had come by then.")
        unknown = [tr(lacks, n=b.unknown)]
    for group, origin, plants in b.quiet:
        moved = marked("By the counts about {n} plants came to {group} from {other} without a record; the table lacks them.")
        unknown.append(tr(moved, n=plants, group=shown(group), other=shown(origin)))
    if found.kind == "order":
        said = [tr("{trees} left for order {code}.", trees=many(b.plants, "tree"), code=found.code)]
        if other := sum(part.trees for part in b.left if part.is_other):
            more = marked("{trees} of these are not of the pair that was ordered, and do not count as delivered.")
            said.append(tr(more, trees=many(other, "tree")))
        return [*said, *unknown]
    about = marked("{plants} stand in the group; the table of sources says what they are of.")
    if b.is_of_those_that_left:
        about = marked("Nothing stands in the group; the table of sources says what the {plants} that left it were of.")
    return [tr(about, plants=many(b.plants, "plant")), *unknown]


def _backwards(store: Store, found: Trace, b: Backwards) -> list[Chapter]:
    if not b.sources:
        return []
    rows = []
    for s in b.sources:
        label = names_of(store, _LISTS[s.kind]).get(s.code, "") if s.kind in _LISTS else ""
        rows.append((tr(_SOURCES[s.kind]), s.code, "" if label == s.code else label, s.part.low, s.part.high))
    columns = (Column(tr("source")), Column(tr("code"), "code"), Column(tr("name")), *_ends())
    twice = tr("What was budded twice counts for both batches and both teams; lots of one group cannot be told apart.")
    blocks: list[Block] = [*_left(store, b), Table("sources", tr("What they are of"), columns, rows), Says(twice, "soft")]
    batches = [s for s in b.sources if s.kind == "batch"] or b.sources
    followed = max(batches, key=lambda s: (s.part.low, s.part.high))
    command = f"formpack trace {_OPTIONS[followed.kind]} {followed.code}"
    blocks.append(Says(tr("To follow one of them to where else it went: `{command}`.", command=command), "soft"))
    others = [g for g in b.through if g != found.code]
    if others:
        blocks += [Head(tr("Groups they can have stood in")), Says(listed(map(shown, others), 60))]
    return [Chapter("sources", tr("Where they came from"), blocks)]


def _left(store: Store, b: Backwards) -> list[Block]:
    """What left for an order, group by group."""
    if not b.left:
        return []
    names = Names.read(store)
    columns = (
        *(Column(tr("day"), "day"), Column(tr("group"), "code"), Column(tr("trees"), "number"), Column(tr("pair"))),
        Column(tr("consignee")),
    )
    rows = [
        (
            *(left.on_date, shown(left.group), left.trees),
            names.growing(left.rootstock, left.scion),
            left.consignee or tr("not recorded"),
        )
        for left in b.left
    ]
    others = frozenset(i for i, left in enumerate(b.left) if left.is_other)
    mark = tr("not of the pair that was ordered")
    return [Table("left", tr("What left for it"), columns, rows, marked=others, mark_says=mark)]


def _kept_out(found: Trace, form_titles: dict[str, str]) -> Table:
    why = {"named": marked("names {code}"), "group": marked("about a group that was reached")}
    columns = (
        *(Column(tr("day"), "day"), Column(tr("form")), Column(tr("group"), "code"), Column(tr("state"))),
        *(Column(tr("why it is listed")), Column(tr("what keeps it out")), Column(tr("submission"), "code")),
    )
    rows = [
        (
            *(k.on_date, form_titles.get(k.form_id, k.form_id), shown(k.group) if k.group and len(k.group) == 8 else k.group),
            *(tr(k.state), tr(why[k.why], code=found.code), k.message, k.instance_id),
        )
        for k in found.kept_out
    ]
    return Table("kept_out", tr("Records that are not in the books"), columns, rows)


def _drawing(store: Store, found: Trace, f: Forwards) -> Drawing:
    """From what is traced through its groups to where they are."""
    columns = _columns(f)
    last = max(columns.values()) + 1
    where: dict[str, str] = {}
    houses = dict(store.rows("SELECT location, house FROM work.houses"))
    places = place_names(store)
    bars = [Bar("source", 0, found.code if found.kind != "group" else shown(found.code), float(f.plants), "source", found.name)]
    bands: list[Band] = []
    ends: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    kinds: dict[str, str] = {}

    def end(group: str, key: str, kind: str, label: str, part: Part) -> None:
        if part.high:
            kinds[key], where[key] = kind, label
            ends[key][0] += part.about or 0.5
            ends[key][1] += part.low
            bands.append(Band(group, key, part.about or 0.5, part.low))

    for g in f.groups:
        through = g.source + sum(part.about for _, _, part in g.came)
        bars.append(Bar(g.group, columns[g.group], shown(g.group), through, "group", f"{shown(g.group)}: {number(through)}"))
        if g.source:
            bands.append(Band("source", g.group, g.source, g.source))
        house = houses.get(g.place or "", g.place) or ""
        end(g.group, f"house {house}", "stands", tr("in {place}", place=places.get(house, house) or "?"), g.here)
        end(g.group, "gone", "gone", tr("gone"), g.gone)
    for a, b, _, part in f.flows:
        bands.append(Band(a, b, part.about or 0.5, part.low))
    for s in f.sent:
        for group, _, part in s.groups:
            whom = " ".join(filter(None, (s.order_ref, s.consignee))) or tr("not recorded")
            end(group, f"order {s.order_ref} {s.consignee}", "sent", whom, part)
    for key in sorted(ends, key=lambda k: (list(COLOURS).index(kinds[k]), k)):
        says = f"{where[key]}: {number(ends[key][0])}"
        bars.append(Bar(key, last, where[key], ends[key][0], kinds[key], says))
    counts = {n: trn("{n} other", "{n} others", n) for n in range(len(bars) + 1)}
    kept, joined = gathered(bars, bands, counts)
    said = marked("{name}: its groups, where their plants stand, and who got of them. Dark: certainly; light: perhaps.")
    text = tr(said, name=found.name)
    return Drawing(flow(kept, joined, text), text)


def _columns(f: Forwards) -> dict[str, int]:
    """In which column of the drawing each group stands: those where it began first, then what came from those."""
    at = {g.group: 1 for g in f.groups if g.source}
    for _ in range(2):
        for a, b, _, _ in f.flows:
            if a in at and b not in at:
                at[b] = min(3, at[a] + 1)
    return {g.group: at.get(g.group, 3) for g in f.groups}


def page_about(found: Trace) -> str:
    """What heads the page."""
    return tr("Where it went: {name}", name=found.name) if found.forwards else tr("Where it came from: {name}", name=found.name)
