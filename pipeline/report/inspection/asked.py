"""What published rules ask a nursery to record, as far as they were read, and where it stands in this report.

The rules were read in public copies in November 2026: F.A.C. 5B-62 (effective 2015-02-25, lawserver.com, flrules.elaws.us), 3
CCR 3701.2 (govt.westlaw.com), 4 TAC 21 (casetext.com, regulations.justia.com, texreg.sos.state.tx.us), Regulation (EU)
2016/2031 (gesetze.legal, wordscope.be), UK SI 2017/595 and SSI 2017/177 (legislation.gov.uk), Regulation (EC) 1107/2009 (a
French copy). What a rule was not seen to ask is not said of it.
"""

from __future__ import annotations

from dataclasses import dataclass

from formpack.words import marked, tr
from pipeline.report.blocks import Block, Cell, Chapter, Column, Says, Table
from pipeline.settings import Settings

FL_11 = marked("Florida F.A.C. 5B-62.011")
FL_16 = marked("Florida F.A.C. 5B-62.016")
FL_20 = marked("Florida F.A.C. 5B-62.020")
CA = marked("California 3 CCR 3701.2")
TX_38 = marked("Texas 4 TAC 21.38")
TX_10 = marked("Texas 4 TAC 21.10")
TX_66 = marked("Texas 4 TAC 21.66")
EU_69 = marked("Regulation (EU) 2016/2031, Article 69")
EU_70 = marked("Regulation (EU) 2016/2031, Article 70")
UK = marked("UK SI 2017/595, regulation 15 (Directive 2008/90/EC)")
SCOTLAND = marked("Scotland SSI 2017/177, regulation 17")
EU_67 = marked("Regulation (EC) 1107/2009, Article 67")


@dataclass(frozen=True)
class Asked:
    """A kind of record, marked; the rules that ask for it; the chapter that has it, '' where this tool records nothing of it;
    and what is to be said of that, marked."""

    what: str
    rules: tuple[str, ...]
    chapter: str
    says: str = ""


KEPT = marked("below; this tool deletes nothing that came in")
RECORDS = (
    Asked(marked("source tree, or lot of the source"), (FL_11, CA, TX_38, TX_66), "source"),
    Asked(marked("variety"), (FL_11, FL_20, TX_38, TX_66), "propagation"),
    Asked(marked("rootstock"), (FL_20,), "propagation"),
    Asked(
        marked("buds cut, counted or estimated"),
        (FL_11,),
        "source",
        marked("as counted at cutting, or in the list of batches; the report at cutting is not made by this tool"),
    ),
    Asked(
        marked("buds sold, by day and variety"),
        (TX_38,),
        "",
        marked("not recorded by this tool: it records buds set here, not buds sold"),
    ),
    Asked(marked("day of propagation"), (CA, TX_66), "propagation"),
    Asked(
        marked("how long ago increase trees were budded (untested, of use for 36 months)"),
        (FL_16,),
        "propagation",
        marked("the day of budding; which trees are increase trees is not recorded by this tool"),
    ),
    Asked(marked("propagations kept apart by source tree"), (FL_11,), "propagation", marked("by batch of budwood")),
    Asked(marked("what mixed lots are made of"), (UK, SCOTLAND), "standing"),
    Asked(
        marked("place: row, bench or block"),
        (TX_38, TX_66),
        "standing",
        marked("by the places of the nursery's own list; a map is not recorded by this tool"),
    ),
    Asked(marked("plants in production"), (UK, SCOTLAND), "standing"),
    Asked(
        marked("who supplied"),
        (EU_69, UK, SCOTLAND),
        "source",
        marked("of seed; who supplied budwood from elsewhere, and invoices, are not recorded by this tool"),
    ),
    Asked(
        marked("who received, and what"),
        (CA, EU_69, TX_10, TX_38, UK, SCOTLAND),
        "deliveries",
        marked("addresses, certificates and invoices are not recorded by this tool"),
    ),
    Asked(marked("movements between the nursery's own places"), (EU_70,), "movements"),
    Asked(
        marked("inspections, tests, pests found"),
        (TX_38, UK, SCOTLAND),
        "inspections",
        marked(
            "inspections and counts; disease as a cause of loss; pests looked for under scouting; tests by a laboratory are"
            " not recorded by this tool"
        ),
    ),
    Asked(
        marked("plant protection products: product, time, dose, area, crop"),
        (EU_67,),
        "treatments",
        marked("by place, where it was recorded; the crop is what stood there, by place and movements"),
    ),
    Asked(
        marked("day of the last pesticide, on the tag at a sale"),
        (TX_66,),
        "treatments",
        marked("the days, by place; a tag is not made by this tool"),
    ),
    Asked(marked("the operator's registration number"), (FL_20, EU_69), "what", ""),
    Asked(marked("how long records are kept"), (CA, TX_38, TX_10, EU_69, UK, SCOTLAND, EU_67), "", KEPT),
)
RETENTION = (
    (CA, 5, marked("from propagation; to be shown within 5 business days")),
    (TX_38, 4, ""),
    (TX_10, 3, marked("after the sale")),
    (EU_69, 3, marked("at least")),
    (UK, 3, ""),
    (SCOTLAND, 3, marked("from removal or marketing, and as long as it is in production")),
    (EU_67, 3, marked("of who uses a product; producers and traders of products 5")),
)
"""(rule, years, what is said of it)."""


def registration(settings: Settings) -> str:
    """The operator's registration number, in words."""
    given = settings.passport.registration
    return given or tr("not given (registration under [passport] in nursery.toml)")


def chapter(settings: Settings, titles: dict[str, str]) -> Chapter:
    """What rules ask for; `titles` are those of the chapters that this report has."""
    rows = []
    for asked in RECORDS:
        here = Cell(titles[asked.chapter], href=f"#{asked.chapter}") if asked.chapter in titles else None
        says = registration(settings) if asked.chapter == "what" else tr(asked.says) if asked.says else None
        says = says or (tr("recorded") if here else None)
        rows.append((tr(asked.what), here, "; ".join(map(tr, asked.rules)), says))
    columns = [Column(tr("kind of record")), Column(tr("chapter")), Column(tr("rules that ask for it")), Column(tr("here"))]
    lead = tr(
        "These rules were read in public copies; others may apply where the nursery is, and a rule may ask for more than is"
        " named here. Texts of law change: the version in force counts, and who inspects says what is wanted."
    )
    kept = [(tr(rule), years, tr(says) if says else None) for rule, years, says in RETENTION]
    years = [Column(tr("rule")), Column(tr("years"), "number"), Column(tr("of what"))]
    blocks: list[Block] = [
        Says(lead, "lead"),
        Table("asked", tr("Kinds of records that rules ask for, and where they stand here"), columns, rows),
        Table("kept_for", tr("How long rules want records kept"), years, kept),
        Says(
            tr(
                "Florida's rules were not seen to name a number of years. What this tool keeps, however old it is, lasts as"
                " long as the nursery's backups."
            )
        ),
    ]
    return Chapter("asked", tr("What rules ask for"), blocks)
