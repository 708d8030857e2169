"""The records themselves: what was done with plants, where they stand and where they went."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from formpack import shipped
from formpack.catalog import Form, text_in
from formpack.group_code import shown
from formpack.words import listed, many, marked, number, short_day, tr, trn
from pipeline.book.climate import said
from pipeline.book.log_records import amount, units
from pipeline.book.totals import MIXED
from pipeline.formulas.readings import ABOVE, BELOW, NO_LIMITS, WITHIN
from pipeline.report.blocks import Block, Cell, Chapter, Column, Says, Table, interval
from pipeline.report.chapters.treatments import closed_until
from pipeline.report.inspection.long import OF_STANDING, Long, Names, Period, folded, newest, unknown
from pipeline.report.inspection.source import opened_by_moves
from pipeline.report.months import cause_words
from pipeline.report.stock import in_stage
from pipeline.store import Store
from pipeline.workspace import Workspace

_PROPAGATION = """
WITH stated AS (
    SELECT a.group_code, a.team_code, a.attempt, string_agg(DISTINCT a.budwood_batch, ' ' ORDER BY a.budwood_batch) AS batches,
        string_agg(DISTINCT a.scion, ' ' ORDER BY a.scion) AS scions
    FROM work.accepted a JOIN work.bookings b USING (reading_id) WHERE b.word = 'set' GROUP BY ALL
)
SELECT l.budded_on, l.group_code, l.team_code, l.attempt, l.rootstock, s.scions, s.batches, p.location, l.buds_set, l.read_on,
    l.green
FROM work.lots l JOIN stated s USING (group_code, team_code, attempt)
LEFT JOIN work.lot_places p USING (group_code, team_code, attempt)
WHERE l.budded_on BETWEEN $1 AND $2 ORDER BY l.budded_on, l.group_code, l.team_code, l.attempt
"""
_STANDING = """
SELECT s.location, s.group_code, s.rootstock, s.scion, s.mix, s.stage, s.opened_on, s.book_count, s.estimate, s.low, s.high
FROM work.standing s WHERE s.stage <> 'gone' ORDER BY s.location NULLS LAST, s.group_code
"""
_MOVEMENTS = """
WITH stood AS (
    SELECT group_code, from_on, arg_max(location, from_ended) AS location FROM work.placings GROUP BY ALL
),
given AS (
    SELECT p.*, lag(p.location) OVER (PARTITION BY group_code ORDER BY from_on, from_ended) AS before, g.instance_id
    FROM work.placings p LEFT JOIN (
        SELECT group_code, from_on, from_ended, max(instance_id) AS instance_id FROM work.given_places GROUP BY ALL
    ) g USING (group_code, from_on, from_ended)
),
moved AS (
    SELECT on_date, CASE kind WHEN 'opened' THEN 'opened' ELSE 'moved' END AS what,
        CASE kind WHEN 'opened' THEN NULL ELSE group_code END AS from_group,
        CASE kind WHEN 'opened' THEN group_code ELSE other_group END AS to_group, quantity, instance_id
    FROM movements WHERE kind IN ('opened', 'moved_out')
),
placed AS (
    SELECT m.on_date, m.what, m.from_group, m.to_group, f.location AS from_place, t.location AS to_place, m.quantity,
        m.instance_id
    FROM moved m ASOF LEFT JOIN stood f ON f.group_code = m.from_group AND f.from_on <= m.on_date
    ASOF LEFT JOIN stood t ON t.group_code = m.to_group AND t.from_on <= m.on_date
    UNION ALL
    SELECT g.from_on, 'placed', g.group_code, g.group_code, g.before, g.location, NULL, g.instance_id
    FROM given g JOIN work.openings o USING (group_code)
    WHERE g.instance_id IS NOT NULL AND g.location IS DISTINCT FROM g.before
        AND (g.before IS NOT NULL OR g.from_on > o.opened_on)
)
SELECT * FROM placed WHERE on_date BETWEEN $1 AND $2 ORDER BY on_date, to_group, what, from_group, instance_id
"""
_MOVED = {
    "opened": marked("opened"),
    "moved": marked("moved to another group"),
    "placed": marked("the whole group, to another place"),
}
_DELIVERIES = """
WITH held AS (
    SELECT group_code, string_agg(code, ' ' ORDER BY code) AS batches FROM work.sources WHERE kind = 'batch' GROUP BY group_code
)
SELECT m.on_date, m.group_code, a.order_ref, coalesce(a.consignee, l.texts::JSON ->> 'consignee') AS consignee,
    sum(m.quantity)::BIGINT AS trees, s.rootstock, s.scion, s.mix, h.batches, m.instance_id
FROM movements m JOIN work.accepted a USING (instance_id, group_code)
LEFT JOIN work.list_rows l ON l.list_name = 'orders' AND l.code = a.order_ref
LEFT JOIN standing s USING (group_code) LEFT JOIN held h USING (group_code)
WHERE m.kind = 'despatched' AND m.on_date BETWEEN $1 AND $2
GROUP BY ALL ORDER BY m.on_date, m.group_code, m.instance_id
"""


def _scion(called: Names, scion: str | None, mix: str | None) -> str | None:
    return called.scions.get(scion, scion) if scion else tr(MIXED) if mix else None


def propagation(called: Names) -> Long:
    """Each lot that was budded."""

    def row(
        on: Any, group: str, team: str, attempt: int, rootstock: str, scions: str, lots: str, place: str, *rest: Any
    ) -> Any:
        return (
            *(on, shown(group), called.teams.get(team, team), attempt, called.rootstocks.get(rootstock, rootstock)),
            *(", ".join(called.scions.get(s, s) for s in (scions or "").split()), (lots or "").replace(" ", ", ")),
            *(called.places.get(place, place), *rest),
        )

    columns = [
        Column(tr("last day"), "day", tr("The last day on which buds of the lot were set.")),
        Column(tr("group"), "code"),
        Column(tr("team")),
        Column(tr("budding"), "number", tr("Which time buds were set on these plants.")),
        Column(tr("rootstock")),
        Column(tr("scion")),
        Column(tr("batch")),
        Column(tr("place")),
        Column(tr("buds set"), "number"),
        Column(tr("read on"), "day"),
        Column(tr("taken"), "number", tr("Buds read as alive.")),
    ]
    return Long("propagation", tr("Lots: what a team budded in a group"), columns, _PROPAGATION, row)


def standing(called: Names) -> Long:
    """Each group that stands, by place."""

    def row(place: str, group: str, rootstock: str, scion: str, mix: str, stage: str, opened: Any, *plants: int) -> Any:
        where = called.places.get(place, place) if place else Cell(None, tr("no place given"), is_marked=True)
        pair = (called.rootstocks.get(rootstock, rootstock), _scion(called, scion, mix))
        return (where, shown(group), *pair, in_stage(stage), opened, *plants)

    columns = [
        Column(tr("place")),
        Column(tr("group"), "code"),
        Column(tr("rootstock")),
        Column(tr("scion")),
        Column(tr("stage")),
        Column(tr("opened on"), "day"),
        Column(tr("by the book"), "number", tr("All recorded changes added up.")),
        Column(tr("standing"), "number", tr("The likeliest number, by the counts.")),
        *interval(),
    ]
    caption = tr("What stands, by place")
    return Long("standing", caption, columns, _STANDING, row, is_of_period=False, on_page=OF_STANDING, is_last=False)


def movements(called: Names) -> Long:
    """Openings, moves between groups, and groups that went to another place."""

    def row(on: Any, what: str, group: str, to: str, place: str, to_place: str, plants: int, _: str) -> Any:
        places = (called.places.get(p, p) for p in (place, to_place))
        from_group = shown(group) if group and group != to else None
        return (on, tr(_MOVED[what]), from_group, shown(to), *places, plants)

    columns = [
        Column(tr("day"), "day"),
        Column(tr("what")),
        Column(tr("from group"), "code"),
        Column(tr("to group"), "code", tr("Of a whole group that went to another place: the group.")),
        Column(tr("from place")),
        Column(tr("to place")),
        Column(tr("plants"), "number"),
    ]
    return Long("movements", tr("Openings and movements within the nursery"), columns, _MOVEMENTS, row)


def deliveries(called: Names) -> Long:
    """Each delivery."""

    def row(
        on: Any, group: str, order: str, who: str, trees: int, rootstock: str, scion: str, mix: str, lots: str, _: str
    ) -> Any:
        pair = (called.rootstocks.get(rootstock, rootstock), _scion(called, scion, mix))
        return (on, shown(group), unknown(order), unknown(who), trees, *pair, (lots or "").replace(" ", ", "))

    columns = [
        Column(tr("day"), "day"),
        Column(tr("group"), "code"),
        Column(tr("order")),
        Column(tr("consignee")),
        Column(tr("trees"), "number"),
        Column(tr("rootstock")),
        Column(tr("scion")),
        Column(
            tr("batches"),
            says=tr(
                "Batches whose living buds may grow in the trees; a batch that failed and was budded over is found by"
                " `formpack trace --batch`."
            ),
        ),
    ]
    return Long("deliveries", tr("Deliveries"), columns, _DELIVERIES, row)


_STERILISED = """
SELECT c.visit_date AS on_date, r.item, r.method, r.product, coalesce(r.started_at, r.done_at) AS started_at,
    CASE WHEN r.ended_at IS NOT NULL THEN c.visit_date + (coalesce(r.over_midnight, '') = 'yes')::INTEGER END AS ended_on,
    r.ended_at, r.temperature_c, r.pieces, r.team_code, r.location, c.staff_code, c.instance_id
FROM work.sterilised r JOIN work.current c USING (reading_id) JOIN work.states s USING (instance_id), work.horizon h
WHERE s.state = 'accepted' AND c.visit_date BETWEEN $1 AND least($2, h.until_on)
ORDER BY c.visit_date, c.ended, c.instance_id
"""


def _ended(on: Any, ended_on: Any, at: str | None) -> str | None:
    """When work of a day ended: the time, with its day where that is a later one."""
    return f"{short_day(ended_on)} {at}" if ended_on and ended_on > on else at


def sterilised(workspace: Workspace, called: Names) -> Long:
    """Each record of what was sterilised or disinfected."""
    form = workspace.forms.get("sterilise")
    words = {c["name"]: text_in(c, "label") for rows in (form.choices.values() if form else ()) for c in rows}

    def row(on: Any, item: str, method: str, product: str, start: str, *rest: Any) -> Any:
        ended_on, ended, celsius, pieces, team, place, who, _ = rest
        how = (words.get(item, item), words.get(method, method), product, start, _ended(on, ended_on, ended), celsius, pieces)
        return (on, *how, called.teams.get(team, team), called.places.get(place, place), called.person(who) if who else None)

    columns = [
        Column(tr("day"), "day"),
        Column(tr("what")),
        Column(tr("how")),
        Column(tr("product")),
        Column(tr("from")),
        Column(tr("until")),
        Column(tr("°C"), "decimal", tr("Temperature at the coolest spot.")),
        Column(tr("pieces"), "number"),
        Column(tr("team")),
        Column(tr("place")),
        Column(tr("by")),
    ]
    return Long("sterilised", tr("What was sterilised and disinfected"), columns, _STERILISED, row)


_READINGS = """
SELECT read_on, read_at, location, what, value, limit_low, limit_high, state, staff_code, instance_id FROM readings
WHERE read_on BETWEEN $1 AND $2 ORDER BY read_on, read_at NULLS FIRST, location, what, instance_id
"""
_STATES = {WITHIN: marked("within"), BELOW: marked("below"), ABOVE: marked("above"), NO_LIMITS: marked("no limits")}


def readings(called: Names) -> Long:
    """Each reading of an instrument."""

    def row(on: Any, at: str, place: str, what: str, *rest: Any) -> Any:
        *numbers, state, who, _ = rest
        plain = [None if n is None else Cell(n, number(n, len(f"{n:.12g}".partition(".")[2]))) for n in numbers]
        where = called.places.get(place, place)
        return (on, unknown(at), where, said(what), *plain, tr(_STATES[state]), called.person(who))

    columns = [
        Column(tr("day"), "day"),
        Column(tr("time"), says=tr("As it was typed; else when the record was saved, if that was on the day.")),
        Column(tr("place")),
        Column(tr("what")),
        Column(tr("reading")),
        Column(tr("least")),
        Column(tr("most")),
        Column(tr("state")),
        Column(tr("who")),
    ]
    return Long("readings", tr("Readings of instruments"), columns, _READINGS, row)


def chapter_of(
    store: Store, long: Long, title: str, lead: str, nothing: str, is_page: bool, above: Sequence[Block] = ()
) -> Chapter:
    """A chapter of one long table, and what stands above it; `nothing` is said where it is empty."""
    if not long.count(store):
        return Chapter(long.name, title, [Says(nothing)])
    return Chapter(long.name, title, [Says(lead, "lead"), *above, *long.blocks(store, is_page)])


def mixed(store: Store, called: Names) -> list[Block]:
    """Groups that stand with more than one scion, and what is in them; and how many have no scion recorded."""
    rows = store.rows("SELECT group_code, mix FROM work.standing WHERE mix IS NOT NULL AND stage <> 'gone' ORDER BY group_code")
    if not rows:
        return [Says(tr("No group that stands is known to hold more than one scion."))]
    said = [
        (shown(group), ", ".join(f"{called.scions.get(scion, scion)} {plants}" for scion, _, plants in _parts(mix)))
        for group, mix in rows
    ]
    scions = Column(tr("scions, with plants"), says=tr("By plants budded and moved; losses may have changed the shares since."))
    caption = trn("{n} group holds more than one scion", "{n} groups hold more than one scion", len(rows))
    return [folded(Table("mixed", caption, [Column(tr("group"), "code"), scions], said))]


def followed(store: Store, period: Period, is_page: bool) -> list[Block]:
    """Groups that moves alone opened, with the seed lots that these lead to."""
    rows = [
        (moved.on, shown(moved.group), shown(moved.from_group), ", ".join(moved.lots or []), moved.plants)
        for moved in opened_by_moves(store, period)
        if moved.is_followed
    ]
    columns = [
        Column(tr("opened on"), "day"),
        Column(tr("group"), "code"),
        Column(tr("from group"), "code", tr("Of several: the first.")),
        Column(tr("seed lot"), says=tr("Of all plants that came to it.")),
        Column(tr("plants"), "number", tr("They stand or were delivered.")),
    ]
    caption = tr("Followed to their seed lot through moves")
    return newest(Table("followed", caption, columns, rows), is_page, least=0) if rows else []


def _parts(mix: str) -> list[tuple[str, str, str]]:
    return [part.rpartition(" ") for part in mix.split(", ")]


def _own(workspace: Workspace) -> dict[str, Form]:
    """The forms of the nursery's own."""
    return {name: f for name, f in workspace.forms.items() if not (shipped("forms") / name).is_dir()}


def _titles(workspace: Workspace) -> dict[str, str]:
    return {name: form.title_spoken for name, form in workspace.forms.items()}


def losses(store: Store, workspace: Workspace, period: Period) -> Chapter:
    """Losses by cause, and what is recorded of treatments."""
    words = cause_words()
    rows = store.rows(
        "SELECT kind, cause, count(DISTINCT instance_id), count(DISTINCT group_code), sum(quantity)::BIGINT FROM movements"
        " WHERE kind IN ('culled', 'died', 'lost') AND on_date BETWEEN $1 AND $2 GROUP BY ALL ORDER BY 5 DESC, 1, 2",
        period.values,
    )
    kinds = {"culled": tr("taken out"), "died": tr("found dead"), "lost": tr("lost")}
    columns = [
        Column(tr("what")),
        Column(tr("cause")),
        Column(tr("records"), "number"),
        Column(tr("groups"), "number"),
        Column(tr("plants"), "number"),
    ]
    made = [(kinds[kind], words.get(cause, cause) if cause else None, *rest) for kind, cause, *rest in rows]
    total = (tr("together"), None, None, None, sum(row[4] for row in made))
    blocks: list[Block] = [
        Table("losses", tr("Plants taken out, dead or lost, by cause"), columns, made, total)
        if made
        else Says(tr("No loss is recorded in this period."))
    ]
    treated = store.value("SELECT count(*) FROM work.list_seed_lots WHERE coalesce(treated, '') <> ''")
    blocks.append(
        Says(
            tr(
                "Whether seed was treated the list of seed lots says ({lots}). Treatments with products have a chapter of"
                " their own.",
                lots=trn("{n} lot says so", "{n} lots say so", treated),
            )
        )
    )
    own = _own(workspace)
    if own:
        counts = dict(store.rows("SELECT form_id, count(*) FROM submissions WHERE state = 'accepted' GROUP BY form_id"))
        said = [f"{f.title_spoken}: {many(counts.get(name, 0), 'submission')} (answers_{name})" for name, f in own.items()]
        blocks.append(
            Says(
                tr(
                    "Forms of the nursery's own, which may hold more, with the table of `formpack report` that has their"
                    " answers: {forms}.",
                    forms=listed(said),
                )
            )
        )
    return Chapter("losses", tr("Losses"), blocks)


_TREATED = """
SELECT on_date, location, label AS product, active_ingredient, dose, dose_unit, area_m2, volume_l, target, applicator,
    started_at, ended_on, ended_at, reentry_on, reentry_at, weather, staff_code AS recorded_by, instance_id
FROM treatments WHERE state = 'accepted' AND on_date BETWEEN $1 AND $2 ORDER BY on_date, started_at, instance_id
"""
_SCOUTED = """
SELECT on_date, location, staff_code, pest, examined, affected, traps, trap_count, instance_id
FROM work.walks WHERE on_date BETWEEN $1 AND $2 ORDER BY on_date, location, pest, instance_id
"""


def treatments(workspace: Workspace, called: Names) -> Long:
    """Each treatment with a product."""
    in_units = units(workspace.forms)

    def row(on: Any, place: str, *rest: Any) -> Any:
        product, active, dose, unit, area, litres, target, who, began, ended_on, ended, until, at, weather, by, _ = rest
        what = (unknown(product), active, amount(dose, unit, in_units), area, litres, called.pests.get(target, target))
        times = (called.person(who), began, _ended(on, ended_on, ended), closed_until(until, at))
        return (on, called.places.get(place, place), *what, *times, weather, called.person(by))

    columns = [
        Column(tr("day"), "day"),
        Column(tr("place")),
        Column(tr("product")),
        Column(tr("active ingredient")),
        Column(tr("dose")),
        Column(tr("square metres"), "decimal"),
        Column(tr("litres"), "decimal"),
        Column(tr("against")),
        Column(tr("applied by")),
        Column(tr("begun")),
        Column(tr("ended")),
        Column(tr("nobody goes in until"), says=tr("As was taken from the label.")),
        Column(tr("weather")),
        Column(tr("recorded by")),
    ]
    return Long("treatments", tr("Treatments with products"), columns, _TREATED, row)


def scouting(called: Names) -> Long:
    """Each record of scouting."""

    def row(on: Any, place: str, who: str, pest: str, *rest: Any) -> Any:
        *numbers, _ = rest
        return (on, called.places.get(place, place), called.person(who), called.pests.get(pest, pest), *numbers)

    columns = [
        Column(tr("day"), "day"),
        Column(tr("place")),
        Column(tr("by")),
        Column(tr("pest or symptom"), says=tr("A name is what somebody saw, no diagnosis.")),
        Column(tr("examined"), "number"),
        Column(tr("affected"), "number"),
        Column(tr("traps"), "number"),
        Column(tr("caught"), "number"),
    ]
    return Long("scouting", tr("What was looked for, and found"), columns, _SCOUTED, row)


_DONE = """
WITH done AS (
    SELECT c.form_id, date_trunc('month', c.visit_date)::DATE AS month, count(*) AS records,
        count(DISTINCT c.staff_code) AS people, count(DISTINCT c.group_code) AS groups
    FROM work.states s JOIN work.current c USING (instance_id), work.horizon h
    WHERE s.state = 'accepted' AND c.visit_date BETWEEN $1 AND least($2, h.until_on) GROUP BY ALL
),
counted AS (
    SELECT form_id, date_trunc('month', on_date)::DATE AS month, count(*) AS counts, count(*) FILTER (flagged) AS doubtful
    FROM counts WHERE on_date BETWEEN $1 AND $2 GROUP BY ALL
)
SELECT d.month, d.form_id, d.records, d.people, d.groups, coalesce(c.counts, 0) AS counts, coalesce(c.doubtful, 0) AS doubtful
FROM done d LEFT JOIN counted c USING (form_id, month) ORDER BY d.month, d.form_id
"""


# what is found is what is counted, kept, taken out or read; a record that says nothing of that may yet be one of a form of the
# nursery's own. Of a form that asks what was taken out and counts, nothing taken out is 0
_FOUND = """
WITH said AS (
    SELECT reading_id, coalesce(sum(quantity) FILTER (WHERE word = 'counted'),
            sum(quantity) FILTER (WHERE word = 'kept') + coalesce(sum(quantity) FILTER (WHERE word = 'leaves'), 0)) AS counted,
        sum(quantity) FILTER (WHERE word IN ('took', 'failed', 'unsure')) AS buds_read,
        sum(quantity) FILTER (WHERE word = 'took') AS taken,
        bool_or(word IN ('counted', 'kept', 'leaves', 'took', 'failed', 'unsure')) AS finds
    FROM work.bookings GROUP BY reading_id
),
gone AS (
    SELECT instance_id, sum(quantity) FILTER (WHERE kind = 'culled') AS culled,
        sum(quantity) FILTER (WHERE kind = 'died') AS died, sum(quantity) FILTER (WHERE kind = 'lost') AS lost,
        string_agg(cause || ' ' || quantity, ', ' ORDER BY quantity DESC, cause) FILTER (WHERE kind <> 'died') AS causes
    FROM (SELECT instance_id, kind, cause, sum(quantity)::BIGINT AS quantity FROM movements
        WHERE kind IN ('culled', 'died', 'lost') GROUP BY ALL) GROUP BY instance_id
)
SELECT c.visit_date AS on_date, c.staff_code, c.group_code, c.form_id, s.counted::BIGINT AS counted,
    coalesce(g.culled, z.none)::BIGINT AS culled, coalesce(g.died, z.none)::BIGINT AS died, g.lost::BIGINT AS lost,
    s.buds_read::BIGINT AS buds_read, s.taken::BIGINT AS taken, g.causes, c.instance_id
FROM work.states t JOIN work.current c USING (instance_id) LEFT JOIN said s USING (reading_id)
LEFT JOIN gone g USING (instance_id)
LEFT JOIN (SELECT 0 AS none) z ON s.counted IS NOT NULL AND c.form_id IN (SELECT unnest({takes}::VARCHAR[])), work.horizon h
WHERE t.state = 'accepted' AND c.visit_date BETWEEN $1 AND least($2, h.until_on)
    AND (s.finds OR c.form_id IN (SELECT unnest({own}::VARCHAR[])))
ORDER BY c.visit_date, c.ended, c.instance_id
"""


def inspections(workspace: Workspace, called: Names) -> Long:
    """Each accepted record of what somebody found: who looked at which group, on which day."""
    titles, words = _titles(workspace), cause_words()

    def row(on: Any, who: str, group: str, form: str, *rest: Any) -> Any:
        *numbers, causes, _ = rest
        why = ", ".join(f"{words.get(cause, cause)} {n}" for cause, _, n in _parts(causes)) if causes else None
        by = called.person(who) if who else None
        return (on, by, shown(group) if group else None, titles.get(form, form), *numbers, why)

    columns = [
        Column(tr("day"), "day"),
        Column(tr("by")),
        Column(tr("group"), "code"),
        Column(tr("form")),
        Column(tr("counted"), "number", tr("What was there, with what was then taken out.")),
        Column(tr("culled"), "number"),
        Column(tr("found dead"), "number"),
        Column(tr("lost"), "number"),
        Column(tr("buds read"), "number"),
        Column(tr("taken"), "number", tr("Buds read as alive.")),
        Column(tr("cause")),
    ]
    caption = tr("Who looked at which group, and what was found")
    takes = sorted(name for name, form in workspace.forms.items() if form.with_ledger("leaves"))
    return Long("inspections", caption, columns, _FOUND.format(own=sorted(_own(workspace)), takes=takes), row)


def by_month(store: Store, workspace: Workspace, period: Period, is_page: bool) -> list[Block]:
    """Accepted records of all forms by month and form."""
    titles = _titles(workspace)
    columns = [
        Column(tr("month"), "month"),
        Column(tr("form")),
        Column(tr("records"), "number"),
        Column(tr("people"), "number"),
        Column(tr("groups"), "number"),
        Column(tr("whole counts"), "number", tr("Counts of a whole group, those made in parts as one.")),
        Column(tr("doubtful"), "number", tr("Whole counts that are probably off by more than an ordinary miscount.")),
    ]
    rows = [(month, titles.get(form, form), *rest) for month, form, *rest in store.rows(_DONE, period.values)]
    return newest(Table("inspections_by_month", tr("Inspections and counts, by month and form"), columns, rows), is_page)
