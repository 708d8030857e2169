"""From the book to what stands, and from what was opened to what stands: the steps of the table bridge."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from formpack.words import many, marked, tr
from pipeline.rates.losses import STAGES
from pipeline.report.blocks import Block, Chapter, Column, Drawing, Fold, Head, Says, Table
from pipeline.report.charts.bridge import Step, walk
from pipeline.report.months import cause_words
from pipeline.report.stock import in_stage, place_names
from pipeline.store import Store
from pipeline.workspace import Workspace

BOOK = ("opened", "lost", "despatched", "moved")
"""The steps that make the book."""
REASONS = {
    "not_recorded": marked("gone without a record"),
    "unrecorded_move": marked("moves nobody wrote down"),
    "noted_wrong": marked("noted twice or never made"),
    "opening_wrong": marked("opening number was wrong"),
    "more_found": marked("more found than the book"),
    "since_count": marked("since the last count"),
    "expected": marked("losses that may not be seen yet"),
}
"""Why less stands than the book has, or more."""
_SAYS = {
    "not_recorded": marked("The counts show them to be gone, and nobody noted it."),
    "unrecorded_move": marked("The counts of two groups show that plants went from one to the other."),
    "noted_wrong": marked("The counts show that a movement in the book was noted twice, or never made."),
    "opening_wrong": marked("The counts show that another number was opened than was written."),
    "more_found": marked("The counts find more than there can be by the book."),
    "since_count": marked("Not counted yet: as many as usually go in that time."),
    "expected": marked(
        "The likeliest number of each group, added up, is more than is to be expected of all: something large may be"
        " gone somewhere."
    ),
}
_MOST_CAUSES = 7


def _sums(store: Store, by: str, groups: str) -> dict[str | None, dict[str, int]]:
    """Plants by level and step of the groups that stand, or of those that are gone."""
    found: dict[str | None, dict[str, int]] = defaultdict(dict)
    for level, step, plants in store.rows(
        'SELECT level, step, sum(plants)::BIGINT FROM bridge WHERE "by" = ? AND groups = ? GROUP BY ALL', [by, groups]
    ):
        found[level][step] = plants
    return found


def _book(walked: Mapping[str, int]) -> int:
    return sum(walked.get(step, 0) for step in BOOK)


def _from_the_book(walked: Mapping[str, int]) -> list[Block]:
    book, stands = _book(walked), walked.get("stands", 0)
    reasons = [(step, n) for step in REASONS if (n := walked.get(step, 0))]
    steps = [
        Step(tr("the book"), book, True),
        *(Step(tr(REASONS[step]), n) for step, n in reasons),
        Step(tr("stands"), stands, True),
    ]
    says = tr(
        "From {book} plants in the book to {stands} that stand, reason by reason: so many less or more than the book.",
        book=book,
        stands=stands,
    )
    rows = [
        (tr("in the book, of groups that stand"), book, tr("All that came into these groups, less all that was noted.")),
        *((tr(REASONS[step]), n, tr(_SAYS[step])) for step, n in reasons),
    ]
    total = (tr("stands"), stands, "")
    columns = (Column(tr("step")), Column(tr("plants"), "number"), Column(tr("what it is")))
    return [
        Drawing(walk(steps, says, is_beside=True), says),
        Table("from_the_book", tr("From the book to what stands"), columns, rows, total),
    ]


def _opened(walked: Mapping[str, int], lost: Sequence[tuple[str, int]]) -> list[Block]:
    """The walk of all groups. In the drawing, causes beyond the largest are put together."""
    named = cause_words()
    others = [(step, n) for step in REASONS if step != "not_recorded" and (n := walked.get(step, 0))]
    opened, gone, sent, stands = (walked.get(step, 0) for step in ("opened", "not_recorded", "despatched", "stands"))
    by_cause = [Step(named.get(cause, cause), n) for cause, n in lost]
    some, rest = by_cause[:_MOST_CAUSES], sum(step.plants for step in by_cause[_MOST_CAUSES:])
    steps = [
        Step(tr("opened"), opened, True),
        *some,
        Step(tr("other causes"), rest),
        Step(tr("gone without a record"), gone),
        Step(tr("delivered"), sent),
        Step(tr("other steps"), sum(n for _, n in others)),
        Step(tr("stands"), stands, True),
    ]
    says = tr("From {opened} plants opened to {stands} that stand, by what they were lost to.", opened=opened, stands=stands)
    rows = [
        (tr("opened"), opened),
        *((tr("lost to: {cause}", cause=step.label), step.plants) for step in by_cause),
        (tr("gone without a record"), gone),
        (tr("delivered"), sent),
        *((tr(REASONS[step]), n) for step, n in others),
    ]
    table = Table(
        "from_opened",
        tr("From what was opened to what stands"),
        (Column(tr("step")), Column(tr("plants"), "number")),
        [row for row in rows if row[1]],
        (tr("stands"), stands),
    )
    return [Drawing(walk([s for s in steps if s.plants or s.is_sum], says), says), Fold(tr("As a table"), [table])]


def _by(store: Store, by: str, head: str, names: Mapping[str, str]) -> Table:
    """The walk from the book of each level, as its groups stand now; what rounding leaves is a row of its own."""
    levels = _sums(store, by, "standing")
    rounding = levels.get(None, {}).pop("rounding", 0)
    order = list(names) if by == "stage" else sorted(filter(None, levels), key=lambda x: -levels[x].get("stands", 0))
    others = tuple(step for step in REASONS if step not in ("not_recorded", "expected"))
    rows: list[tuple[str, list[int]]] = []
    for level in (*order, None):
        if walked := levels.get(level):
            label = names.get(level, level) if level else tr("no place given")
            other = sum(walked.get(step, 0) for step in others)
            gone, expected = (walked.get(step, 0) for step in ("not_recorded", "expected"))
            rows.append((label, [_book(walked), gone, other, expected, walked.get("stands", 0)]))
    if rounding:
        rows.append((tr("rounding of the numbers above"), [0, 0, 0, rounding, rounding]))
    gone_head, expected_head = (tr(REASONS[step]) for step in ("not_recorded", "expected"))
    columns = (
        Column(head),
        Column(tr("in the book"), "number"),
        Column(gone_head, "number"),
        Column(tr("other reasons"), "number"),
        Column(expected_head, "number"),
        Column(tr("stands"), "number"),
    )
    caption = (
        tr("From the book to what stands, by the stage groups are in now")
        if by == "stage"
        else tr("From the book to what stands, by the house groups are in now")
    )
    total = (tr("together"), *(sum(row) for row in zip(*(numbers for _, numbers in rows), strict=True)))
    return Table(f"bridge_by_{by}", caption, columns, [(label, *numbers) for label, numbers in rows], total)


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """From the book to what stands; nothing where no group was opened."""
    standing, gone = (_sums(store, "all", groups).get("all", {}) for groups in ("standing", "gone"))
    everything = {step: standing.get(step, 0) + gone.get(step, 0) for step in standing | gone}
    if not everything.get("opened"):
        return None
    blocks: list[Block] = []
    if "stands" in standing:
        blocks += [
            Says(_found(standing), "lead"),
            *_from_the_book(standing),
        ]
    if over := _book(gone):
        blocks.append(
            Says(
                tr(
                    "Groups that are gone by their counts still have {plants} in the book: they are not in this walk, but in"
                    " that from what was opened.",
                    plants=many(over, "plant"),
                )
            )
        )
    if everything.get("not_recorded"):
        said = tr(
            "All {plants} gone without a record, those of gone groups too, are told by the stage and the place they were in.",
            plants=many(-everything["not_recorded"], "plant"),
        )
        blocks.append(Says(said, href="#unseen"))
    if "stands" in standing:
        stages = {stage: in_stage(stage) for stage in STAGES}
        blocks.append(
            Fold(
                tr("By stage and by house"),
                [_by(store, "stage", tr("stage"), stages), _by(store, "house", tr("house or yard"), place_names(store))],
            )
        )
    lost = store.rows(
        "SELECT cause, sum(plants)::BIGINT AS n FROM bridge WHERE \"by\" = 'all' AND step = 'lost'"
        " GROUP BY cause ORDER BY n, cause"
    )
    blocks += [Head(tr("From what was opened to what stands")), *_opened(everything, lost)]
    return Chapter("bridge", tr("From the book to what stands"), blocks, says=_found(standing) if "stands" in standing else "")


def _found(walked: Mapping[str, int]) -> str:
    """The walk of the groups that stand, in short."""
    more, gone = _book(walked) - walked["stands"], -walked.get("not_recorded", 0)
    if more < 0:
        return tr("{more} more stand than the book has; {gone} went without a record.", more=many(-more, "plant"), gone=gone)
    return tr("The book has {more} more than stand; {gone} went without a record.", more=many(more, "plant"), gone=gone)
