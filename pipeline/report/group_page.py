"""The life of one group as a page."""

from __future__ import annotations

import base64
import datetime as dt
import io
import warnings
from collections import Counter
from collections.abc import Sequence

from formpack.group_code import shown
from formpack.words import many, number, short_day, tr
from pipeline.office import photos
from pipeline.office.group_care import Care
from pipeline.office.group_life import Event, Flow, Life
from pipeline.office.group_words import cared, did, flow_in_words, head, in_month, printed_as, why_out
from pipeline.report.blocks import (
    Block,
    Chapter,
    Column,
    Drawing,
    Figure,
    Figures,
    Picture,
    Pictures,
    Says,
    Table,
    interval,
)
from pipeline.report.stock import course_of, in_stage
from pipeline.store import Store

MOST_PICTURES, _SIDE = 40, 480
"""Photos that are shown, and how wide and high they are at most."""
_MOST_PIXELS = {"JPEG": 60_000_000, "PNG": 16_000_000, "WEBP": 16_000_000}
"""How many pixels a photo may have before it is opened: cameras of phones make 12 to 50 million, as JPEG, which is unpacked at
an eighth of its size."""


def life_html(store: Store, life: Life, nursery: str) -> str:
    """The page. Its store is asked for photos and for what stood."""
    from pipeline.report.page import page_html

    about = tr("Group {group}", group=life.group)
    return page_html(nursery, life.day, _first(store, life), [*chapters_of(life), *_photos(store, life)], about=about)


def chapters_of(life: Life) -> list[Chapter]:
    """What happened, what the counts say, where it came from and went, where it stood: what there is something to say of."""
    return [c for c in (_events(life), _counts(life), _flows(life), _places(life)) if c]


def _first(store: Store, life: Life) -> Chapter:
    from pipeline.report.charts.course import course, has_band, key

    blocks: list[Block] = []
    if life.in_books:
        low, high = number(life.low or 0), number(life.high or 0)
        within = "" if low == high else tr("{low} to {high}", low=low, high=high)
        began, on = tr("Opened with"), short_day(life.opened_on) if life.opened_on else ""
        if life.lifted:
            began, on = tr("Planted"), tr("of {n} lifted, {day}", n=life.lifted, day=on)
        figures = [
            Figure(tr("Stands now"), number(life.estimate or 0), within),
            Figure(tr("By the book"), number(life.book or 0)),
            Figure(began, number(life.opened_with or 0), on),
        ]
        if life.last_count_on:
            figures.insert(2, Figure(tr("Last count"), number(life.last_count or 0), short_day(life.last_count_on)))
        blocks.append(Figures(figures))
    blocks += [Says(text) for text in head(life)]
    known = (Column(tr("what")), Column(tr("is")))
    about = Table("about", tr("What the group is"), known, facts(life))
    if not life.in_books:
        return Chapter("first", tr("What the group is"), [*blocks, about] if about.rows else blocks)
    line = course_of(store, life.code, life.name("locations", life.place))
    drawn = course(line, [(on, in_stage(stage)) for on, stage in life.stages])
    blocks += [Drawing(drawn, line.says, is_named=True), Says(key(has_band(line))), about]
    return Chapter("first", tr("What stands"), blocks)


def facts(life: Life) -> list[tuple[str, str]]:
    """What is known of the group beside its numbers: (what, as it is), only what is known."""
    scion = life.name("scions", life.scion)
    found = [
        (tr("rootstock"), life.name("rootstocks", life.rootstock)),
        (
            tr("scion"),
            tr("{scion} (plants budded and moved: {mix})", scion=scion, mix=life.mix) if life.mix and scion else scion,
        ),
        (tr("mix of scions"), life.mix if life.mix and not scion else ""),
        (tr("seed lot"), life.coded("seed_lots", life.seed_lot)),
        (tr("sown on"), short_day(life.sown_on) if life.sown_on else ""),
        (tr("sowing"), life.sowing or ""),
        (tr("stage"), in_stage(life.stage) if life.stage else ""),
        (tr("place"), life.name("locations", life.place)),
    ]
    return [(what, said) for what, said in found if said]


def _who(event: Event | Care) -> str:
    return f"{event.person} ({event.staff_code})" if event.person not in ("", event.staff_code) else event.staff_code


def _told(life: Life, event: Event) -> list[str]:
    """An event in lines: what was found and done, why it is not in the books, the note, photos, corrections."""
    found = "; ".join(did(life, event))
    said = [found] if found else []
    if not event.in_books:
        said.append(why_out(life, event))
    if event.of_group:
        said.append(tr("filled in for group {group}", group=shown(event.of_group)))
    if event.note:
        said.append(tr("note: {note}", note=event.note))
    said += [tr("photo {name}", name=photo.name) for photo in event.photos]
    return [*said, *event.corrections]


def _events(life: Life) -> Chapter | None:
    events: list[Care | Event] = sorted([*life.care, *life.events], key=lambda e: e.on)
    if not events:
        return None
    columns = (
        Column(tr("day"), "day"),
        Column(tr("form")),
        Column(tr("by")),
        Column(tr("book"), "number", tr("What the book says after it.")),
        Column(tr("submission"), "text", tr("The beginning of its identity; `formpack history` shows all of it.")),
        Column(tr("what was found and done")),
    )
    rows = [
        (e.on, e.form, _who(e), e.book, e.short, "\n".join(_told(life, e)) or None)
        if isinstance(e, Event)
        else (e.on, e.form, _who(e), None, e.short, "; ".join(cared(life, e)))
        for e in events
    ]
    out = frozenset(i for i, e in enumerate(events) if isinstance(e, Event) and not e.in_books)
    table = Table("events", tr("What happened"), columns, rows, marked=out, mark_says=tr("not in the books"))
    said = many(len(events), "submission")
    return Chapter("events", tr("What happened"), [table], tr("{submissions}, the first first.", submissions=said))


def _counts(life: Life) -> Chapter | None:
    if not life.steps:
        return None
    gone = tr("Plants that went since the row before without a record; with a minus, that came.")
    columns = (
        Column(tr("day"), "day"),
        Column(tr("counted"), "number"),
        Column(tr("expected"), "number", tr("What all the other counts and the book say should have been found.")),
        *interval(),
        Column(tr("gone without a record"), "number", gone),
        Column(tr("stood after it"), "number", tr("What is believed to have stood, less what was taken out then.")),
        *interval(),
    )
    steps = [s for s in life.steps if s.kind in ("count", "end") or s.unrecorded]
    rows = [
        (s.on, s.counted, s.expected, s.expected_low, s.expected_high, s.unrecorded, s.stands, s.stands_low, s.stands_high)
        for s in steps
    ]
    doubted = frozenset(i for i, s in enumerate(steps) if s.is_doubted)
    counts = Table("counts", tr("Each count, and what stood then"), columns, rows, marked=doubted, mark_says=tr("doubted"))
    blocks: list[Block] = [counts]
    if any(s.kind != "count" for s in steps):
        blocks.append(
            Says(
                tr("A row without a count rests on other records: buds set or read, a merge, or the last record of all."),
                "soft",
            )
        )
    if life.doubts:
        heads = (
            Column(tr("day"), "day"),
            Column(tr("likely cause")),
            Column(tr("how sure"), "share", tr("The chance that this is so.")),
            Column(tr("what is believed, and what to do")),
        )
        told = [(d.on, tr(d.cause), d.chance, d.advice) for d in life.doubts]
        blocks.append(Table("doubts", tr("Counts and changes that do not fit"), heads, told))
        said = tr("Something does not fit.")
    else:
        said = (
            tr("All of it fits.") if any(s.counted is not None for s in life.steps) else tr("It was never counted as a whole.")
        )
    return Chapter("counts", tr("What the counts say"), blocks, said)


def _flow_rows(life: Life, flows: Sequence[Flow]) -> list[tuple[str, int, dt.date | None, dt.date | None]]:
    return [(flow_in_words(life, f), f.plants, f.first_on, f.last_on if f.last_on != f.first_on else None) for f in flows]


def _flows(life: Life) -> Chapter | None:
    if not (life.came or life.went):
        return None
    columns = (Column(tr("what")), Column(tr("plants"), "number"), Column(tr("on"), "day"), Column(tr("until"), "day"))
    blocks: list[Block] = []
    went, came = _flow_rows(life, life.went), _flow_rows(life, life.came)
    if life.gone > 0:
        went.append((tr("gone without a record"), life.gone, None, None))
    elif life.gone < 0:
        came.append((tr("came without a record"), -life.gone, None, None))
    went.append((tr("stands now"), life.estimate or 0, None, None))
    for name, caption, rows in (("came", tr("What it came from"), came), ("went", tr("What became of it"), went)):
        total = (tr("together"), sum(n for _, n, _, _ in rows), None, None)
        blocks.append(Table(name, caption, columns, rows, total))
    if life.descent:
        heads = (
            Column(tr("group"), "code"),
            Column(tr("came from"), "code"),
            Column(tr("on"), "day"),
            Column(tr("plants"), "number"),
        )
        back = [(shown(d.group), shown(d.from_group), d.on, d.plants) for d in life.descent]
        blocks.append(Table("descent", tr("Where the first plants of each group came from, back to the opening"), heads, back))
    says = tr(
        "{came} came in, {went} went out by the records, {book} are left in the book.",
        came=sum(f.plants for f in life.came),
        went=sum(f.plants for f in life.went),
        book=life.book or 0,
    )
    return Chapter("flows", tr("Where it came from, and what became of it"), blocks, says)


def _places(life: Life) -> Chapter | None:
    if not (life.places or life.printed or life.months):
        return None
    blocks: list[Block] = []
    if life.places:
        where = (Column(tr("place")), Column(tr("from"), "day"), Column(tr("until"), "day"))
        stays = [(life.name("locations", p.place), p.since, p.until) for p in life.places]
        blocks.append(Table("places", tr("Where it stood"), where, stays))
    if life.months:
        heads = (Column(tr("place")), Column(tr("month"), "month"), Column(tr("what was done and seen")))
        done = [(life.name("locations", m.place), m.month, "\n".join(in_month(life, m))) for m in life.months]
        blocks.append(Table("months", tr("What else was done and seen where it stood, by month"), heads, done))
        blocks.append(Says(tr("This shows what was done and seen there. It shows no cause."), "soft"))
    if life.printed:
        columns = (Column(tr("printed on"), "day"), Column(tr("what")), Column(tr("times"), "number"))
        alike = Counter((p.on, printed_as(p)) for p in life.printed)
        blocks.append(Table("printed", tr("What was printed of it"), columns, [(*what, n) for what, n in alike.items()]))
    last = tr("It stands at {place}.", place=life.name("locations", life.place)) if life.place and life.estimate else ""
    return Chapter("places", tr("Where it stood"), blocks, last)


def _photos(store: Store, life: Life) -> list[Chapter]:
    taken = [(e, photo) for e in life.events for photo in e.photos]
    if not taken:
        return []
    pictures = []
    for at, (event, photo) in enumerate(taken):
        says = tr("{day}, {form}", day=event.on, form=event.form)
        content = photos.read(store, photo) if at < MOST_PICTURES else tr("beyond the first {n}", n=MOST_PICTURES)
        small = content if isinstance(content, str) else _small(content)
        if isinstance(small, bytes):
            pictures.append(Picture(photo.name, says, f"data:image/jpeg;base64,{base64.b64encode(small).decode()}"))
        else:
            pictures.append(Picture(photo.name, tr("{what}: {why}", what=says, why=small)))
    not_shown = sum(not p.data for p in pictures)
    says = tr("{shown} of {n} shown.", shown=len(pictures) - not_shown, n=len(pictures))
    return [Chapter("photos", tr("Photos"), [Pictures(pictures)], says)]


def _small(content: bytes) -> bytes | str:
    """A picture as a small JPEG, turned as it was taken and without anything else that stood in its file; or why it cannot be
    shown. It is measured by its head before a pixel of it is unpacked."""
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(content), formats=list(_MOST_PIXELS)) as picture:
                if picture.width * picture.height > _MOST_PIXELS[picture.format or ""]:
                    return tr("too large to be shown")
                picture.draft("RGB", (_SIDE * 2, _SIDE * 2))
                turned = ImageOps.exif_transpose(picture)
                turned.thumbnail((_SIDE, _SIDE))
                flat = Image.new("RGB", turned.size, "white")
                whole = turned.convert("RGBA")
                flat.paste(whole, mask=whole.getchannel("A"))
                out = io.BytesIO()
                flat.save(out, "JPEG", quality=80)
                return out.getvalue()
    except Image.DecompressionBombError:
        return tr("too large to be shown")
    except Exception:  # a damaged picture makes Pillow raise almost anything
        return tr("no picture that can be shown")
