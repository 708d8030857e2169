"""The one catalogue of findings: every rule with its severity, its sentence and what to do about it.

Wrong data is a value, not an exception: a stage returns findings and the run goes on. `Refused` is the one
exception family for a run that cannot be done.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from formpack.group_code import is_group_code, shown
from formpack.readers import date, integer
from formpack.words import day, marked, number, place, tr, unpacked


class Refused(Exception):
    """The run cannot be done. `str()` is one line that says what and what to do; the store is as it was."""


class Rule(Enum):
    """(severity, sentence, advice). In a sentence {label} is the question, {value} the answer, {detail} the rest."""

    unreadable_file = (
        "stop",
        marked("{value}: {detail}."),
        marked("Ask for the file again, or repair it and import the repaired file beside it."),
    )
    unreadable_row = (
        "stop",
        marked("{value}: {detail}."),
        marked("Repair that row in a copy of the file, import the copy, and withdraw this one."),
    )
    refused_file = (
        "stop",
        marked("{value}: refused, because {detail}."),
        marked("If the file is honest, save its contents in a plain form and import that."),
    )
    passed_over = (
        "stop",
        marked("{value}: it breaks the program that reads it ({detail}), so it is passed over; nothing of it is in the books."),
        marked(
            "Save its contents in a plain form and import that, and tell whoever looks after the program."
            " `formpack import --again` tries it once more."
        ),
    )
    not_taken = (
        "stop",
        marked("{value}: not taken in, because {detail}."),
        marked("Put that right and import it again."),
    )
    unknown_form = (
        "stop",
        marked("The form {value} is not in the pack."),
        marked(
            "Say which form it is by the file's name, a form_id column or --form, and import it again; or put the"
            " workbook of the form (back) into the forms folder of the workspace, and the next import takes it up."
        ),
    )
    answered_twice = (
        "stop",
        marked("{label} stands twice with different answers."),
        marked("Find out which answer is right and send it once."),
    )
    missing_answer = (
        "stop",
        marked("{label}: no answer."),
        marked("Ask who filled it in. A count left out is not zero."),
    )
    wrong_type = ("stop", marked("{label}: {value} {detail}."), marked("Correct the answer."))
    bad_code = ("stop", marked("{label}: {value} {detail}."), marked("Look at the sign of the group and correct the code."))
    impossible_value = ("stop", marked("{label} ({value}): {detail}."), marked("Ask who filled it in, and correct it."))
    not_in_list = (
        "stop",
        marked("{label}: {value} is not in the list {detail}."),
        marked("Correct the answer, or add the code to that list and import again."),
    )
    not_asked = (
        "stop",
        marked("{label}: answered {value} where the form does not ask it."),
        marked("Find out which of the answers is wrong."),
    )
    double_entry = (
        "stop",
        marked("Probably a second entry of the same work: the same form, group, day, person and answers as {detail}."),
        marked("Withdraw it if it is the same work; accept it if the work was done twice."),
    )
    two_versions = (
        "stop",
        marked("Different contents came under this one identity (the other came from {detail})."),
        marked("Find out which is right and withdraw the other."),
    )
    edit_loop = (
        "stop",
        marked("Its chain of edits comes back to itself, so no edit is the last."),
        marked("Find out which is right and enter it anew."),
    )
    edit_of_other_form = (
        "stop",
        marked("It says that it edits {detail}, which is of another form."),
        marked("Find out what was meant; the older submission stands as it was."),
    )
    opened_twice = (
        "stop",
        marked("The group was already opened by {detail}."),
        marked("One of the two has a wrong code: look at the signs of both groups."),
    )
    before_opening = (
        "stop",
        marked("The work is dated {value}, before the group was opened on {detail}."),
        marked("Correct the date or the code of the group."),
    )
    before_budding = (
        "stop",
        marked("The buds were read on {value}, before they were set on {detail}."),
        marked("Correct the date, the team or the attempt."),
    )
    waits_for_group = (
        "note",
        marked("Waits: group {value} has no opening in the books."),
        marked(
            "Nothing, if its opening is still on a phone. Put the opening right, if it is kept out. Otherwise correct the code."
        ),
    )
    waits_for_lot = (
        "note",
        marked("Waits: no budding by team {value} in this group at attempt {detail} is in the books."),
        marked(
            "Nothing, if the budding is still on a phone. Put it right, if it is kept out."
            " Otherwise correct the team or the attempt."
        ),
    )
    unknown_version = (
        "note",
        marked("Version {value} of {detail}. No such version was made here; the answers fit all the same."),
        marked("See where that phone gets its forms from, and update them when it is next in the office."),
    )
    old_version = (
        "note",
        marked("Version {value} of {detail}. There is a later one; the answers fit all the same."),
        marked("Update the forms on that phone when it is next in the office."),
    )
    no_identity = (
        "note",
        marked("It came without an identity of its own, so the office gave it one from its contents."),
        marked("Look at how it came off the phone: forms give each submission an identity."),
    )
    edited_apart = (
        "note",
        marked("The same submission was edited twice, apart from each other; {detail} counts as the last."),
        marked("Ask which of the edits is right."),
    )
    outside_expected = (
        "note",
        marked("The count was {value}, where {detail} was expected."),
        marked("Have the group counted again, and ask whoever counted it."),
    )
    stage_out_of_order = (
        "note",
        marked("This does not fit the stage of the group ({detail})."),
        marked("Check whether the code of the group is right; if it is, look for the work that was not recorded."),
    )
    early_reading = (
        "note",
        marked("The buds were read on day {value} after budding, earlier than day {detail}."),
        marked("Read them again when the wraps have been off for a while."),
    )
    late_reading = (
        "note",
        marked("The buds were read on day {value} after budding, later than day {detail}."),
        marked("Nothing now; failed buds could have been set again sooner."),
    )
    thin_stem = (
        "note",
        marked("The stems were {value} mm, thinner than {detail} mm."),
        marked("Check whether the group was ready for budding."),
    )
    pair_on_list = (
        "note",
        marked("{value}: the compatibility list has this pair as {detail}."),
        marked("Talk to the manager before more is budded."),
    )
    more_read_than_set = (
        "note",
        marked("More buds were read in this lot ({value}) than were set ({detail})."),
        marked(
            "Withdraw the reading before, if the lot was read anew; else find out whether plants of another lot were read with"
            " it, or the buds set were miscounted."
        ),
    )
    fewer_read_than_set = (
        "note",
        marked("Fewer buds of this lot have been read ({value}) than were set ({detail})."),
        marked("Read the rest; if all were read, look whether a number lacks a digit, or the buds set were miscounted."),
    )
    moved_twice = (
        "note",
        marked(
            "The failed buds ({value}) went to the same group by the reading too, so that they stand there twice: {detail}."
        ),
        marked("Withdraw one of the two if it is the same plants."),
    )
    budded_twice = (
        "note",
        marked("More buds at attempt {value} than there were plants for them: {detail}."),
        marked(
            "If buds were set again where others had failed, correct the attempt; if the same work came twice, withdraw one;"
            " otherwise look at the code and the number."
        ),
    )
    set_after_reading = (
        "note",
        marked("The buds of attempt {value} of {detail}, before these were set, and the lot counts both as one."),
        marked("If buds were set again where others had failed, correct the attempt; otherwise look at the team and the date."),
    )
    not_counted_again = (
        "note",
        marked("A number was not what was expected, and it could not be counted again on the spot."),
        marked("Have it counted again, preferably by somebody else."),
    )
    batch_of_other_scion = (
        "note",
        marked("The budwood batch {value} is of {detail}, by the list or its record of cutting."),
        marked("Correct the scion or the batch, or the list."),
    )
    batch_told_otherwise = (
        "note",
        marked("The record of cutting says {value} ({label}); {detail}."),
        marked("Look at the tag of the batch; correct the record, or the list. What the list says counts until then."),
    )
    no_authorisation = (
        "note",
        marked("Buds of batch {value} were set, and no authorisation is recorded for it."),
        marked("Find it in the papers of the source, and write it into lists/budwood_batches.csv."),
    )
    old_budwood = (
        "note",
        marked("Buds of batch {value} were set so many days after it was cut: {detail}."),
        marked("Look at the date and the batch; if they are right, see whether these buds took."),
    )
    set_before_cut = (
        "note",
        marked("Buds of batch {value} were set before it was cut, on {detail}."),
        marked("Correct the date, the batch, or the day of cutting."),
    )
    more_set_than_cut = (
        "note",
        marked("More buds of batch {value} are set by now than were cut: {detail}."),
        marked("Look at the record of cutting, the list, and the buddings that name the batch, and correct what is wrong."),
    )
    steam_too_little = (
        "note",
        marked("A cycle was less than the nursery wants ({label}): {value} {detail}."),
        marked("Do it again before what it was for is used; look at the thermometer and the clock."),
    )
    knives_between_cultivars = (
        "note",
        marked("{value}: at changes of cultivar no disinfecting of knives is recorded, by the times of saving: {detail}."),
        marked("Ask the team; if it was done, nothing can be recorded now. At the next change save the form at once."),
    )
    knives_overdue = (
        "note",
        marked("{value}: groups worked in without disinfecting between: {detail}."),
        marked("Ask the team, and see that it has what it needs."),
    )
    knives_never = (
        "note",
        marked("Some disinfect their knives and say so; of these others it was never recorded ({value}): {detail}."),
        marked("Ask them whether they do it, and show them the form."),
    )
    lot_of_other_rootstock = (
        "note",
        marked("The seed lot {value} is on the list as {detail}."),
        marked("Correct the rootstock or the seed lot, or the list."),
    )
    sown_twice = (
        "note",
        marked("The code {value} stands on trays of two sowings: it was sown before, by {detail}."),
        marked("Write another code on one of them, and correct it here; until then neither is in a rate."),
    )
    unknown_sowing = (
        "note",
        marked("No sowing {value} is in the books."),
        marked("Nothing, if its sowing is still on a phone. Put it right, if it is kept out. Otherwise correct the code."),
    )
    read_before_sowing = (
        "note",
        marked("Emergence was counted on {value}, before the seed was sown on {detail}."),
        marked("Correct the date or the code; until then this count is in no rate."),
    )
    more_trays_than_sown = (
        "note",
        marked("More trays were counted ({value}) than were sown: {detail}."),
        marked("Correct the number or the code; until then this count is in no rate."),
    )
    more_emerged_than_sown = (
        "note",
        marked(
            "More seedlings came up ({value}) than seeds were sown ({detail}), and no seed with several shoots is recorded."
        ),
        marked("Accept it if seeds of this kind give several; otherwise look at the number, the trays and the seeds sown."),
    )
    other_seed_lot = (
        "note",
        marked("The group was opened from seed lot {value}, and its sowing is of {detail}."),
        marked("Correct the seed lot or the code of the sowing."),
    )
    other_sow_date = (
        "note",
        marked("The group was opened as sown on {value}, and its sowing is of {detail}."),
        marked("Correct the date, or the code of the sowing."),
    )
    seeds_not_known = (
        "note",
        marked("Seed lot {value} was sown in litres, and the list does not say how many seeds a litre of it has."),
        marked("Write it into lists/seed_lots.csv (seeds_per_litre), if it is known; until then these sowings are in no rate."),
    )
    more_lifted_than_emerged = (
        "note",
        marked("More seedlings have been lifted from this sowing by now ({value}) than it can have given: {detail}."),
        marked("Look at the code of the sowing and at the number lifted; or more came up after it was counted."),
    )
    other_than_ordered = (
        "note",
        marked("{value} was despatched, and order {detail}."),
        marked("Look at the order and at the sign of the group; what was not ordered does not count as delivered."),
    )
    other_consignee = (
        "note",
        marked("These trees went to {value}, and order {detail}."),
        marked("Ask who received them; correct the order, the consignee, or the list. Until then they count as delivered."),
    )
    more_than_ordered = (
        "note",
        marked("More trees have gone by now ({value}) than were ordered: {detail}."),
        marked("Correct the number or the order it went under, or the order."),
    )
    other_than_on_paper = (
        "note",
        marked("The trees of this group that have gone ({value}) are not as on the paper: {detail}."),
        marked("Ask who packed them, and look at the paper that was signed; correct the number, the group or the order."),
    )
    delivered_early = (
        "note",
        marked("Trees were despatched ({value}) from a group that has only come so far: {detail}."),
        marked("Look at the sign of the group, and whether its inspections were recorded."),
    )
    opened_by_transfer = (
        "note",
        marked("Group {value} was not known before plants were moved to it."),
        marked("Look at the sign that was scanned; if the group is new, nothing."),
    )
    few_examined = (
        "note",
        marked("Nothing was found at {value}, and fewer plants were examined than that wants: {detail}."),
        marked(
            "Examine as many as the phone says, spread over the place; or say under [scouting] in nursery.toml what is to be"
            " found. Until then it is not known to be free."
        ),
    )
    reentry_shorter = (
        "note",
        marked("Nobody goes in until {value}, which is sooner than the hours of {detail} in lists/products.csv."),
        marked("Look at the label, and put the record or the list right; until then keep to the longer time."),
    )
    product_not_listed = (
        "note",
        marked("The product {value} is not on the nursery's list."),
        marked("Look whether it may be used here; if it may, put it into lists/products.csv."),
    )
    old_list = (
        "note",
        marked("The list on the phone was from {detail}, too many days before the work: {value}."),
        marked("Fetch the lists on that phone in the morning."),
    )
    clock_off = (
        "note",
        marked("The phone's clock said {value} when the work of {detail} was saved."),
        marked("Set the clock of that phone; look whether the date of the work is right."),
    )
    book_below_zero = (
        "note",
        marked("More plants have left this group than ever came in: the book stands at {value}."),
        marked("Look for a move into the group that was not recorded, or a wrong code."),
    )

    day_of_import = (
        "note",
        marked("What came in on {value} does not fit that day: {detail}."),
        marked(
            "If the day was wrong (a computer's calendar, `today` in nursery.toml), correct received_on to the right day."
            " If it was right, accept it."
        ),
    )
    missing_column = (
        "stop",
        marked("{value}: it has no column for {detail}."),
        marked(
            "Name the column as the question is named (the workbook in paper/ has all names) in a copy of the file, and import"
            " the copy; the rows of this one stay out. If the question is new in a form of your own, take away its required,"
            " and they are taken."
        ),
    )
    unknown_column = (
        "note",
        marked("{value}: {detail}."),
        marked(
            "Nothing, if it was not meant for a question. Otherwise name it as the question is named in a copy, and import"
            " that."
        ),
    )
    sheet_not_read = (
        "note",
        marked("{value}: {detail}."),
        marked(
            "Nothing, if it holds no submissions. Otherwise name the sheet as its form is named, or import the file with"
            " --form."
        ),
    )
    outside_limits = (
        "note",
        marked("{label}: outside the nursery's limits that day, furthest at {value}; {detail}."),
        marked(
            "Look after the place, and read again. Nothing is known of the time between two readings; limits are set in"
            " lists/limits.csv."
        ),
    )
    same_reading = (
        "note",
        marked("{label}: {value} each time, {detail}."),
        marked("Look whether the instrument stands still, or whether a number was copied; if it is so, accept it."),
    )
    faulty_list = (
        "note",
        marked("{value}: {detail}."),
        marked("Put it right in that list and save it; the next command reads it again."),
    )
    code_gone = (
        "note",
        marked("{value} is no longer in lists/{detail}."),
        marked("Put the row back, with active = no where it should not be chosen any more. What uses it stays in the books."),
    )
    code_not_active = (
        "note",
        marked("{value} is not active in lists/{detail}."),
        marked("Fetch the lists on the phones, or set active to yes again. What uses it stays in the books."),
    )

    @property
    def severity(self) -> str:
        return self.value[0]

    @property
    def sentence(self) -> str:
        return self.value[1]

    @property
    def advice(self) -> str:
        return self.value[2]

    @property
    def may_be_accepted(self) -> bool:
        """Whether a person may say that it is right as it is."""
        return self is Rule.double_entry or (self.severity == "note" and not self.name.startswith("waits"))


@dataclass(frozen=True, order=True)
class Finding:
    """One thing that is wrong or odd with one submission (`field` and `value` may be '')."""

    instance_id: str
    rule: str
    field: str = ""
    value: str = ""
    detail: str = ""


_OF_PLACES = frozenset(
    """
    unreadable_file unreadable_row refused_file passed_over not_taken missing_column unknown_column sheet_not_read faulty_list
    """.split()
)
"""Rules whose value is a place in a file."""
_OF_DAYS = frozenset("before_opening before_budding read_before_sowing other_sow_date clock_off day_of_import".split())
_OF_NUMBERS = frozenset(
    """
    outside_expected early_reading late_reading more_read_than_set fewer_read_than_set moved_twice more_than_ordered
    other_than_on_paper delivered_early old_list book_below_zero more_trays_than_sown more_emerged_than_sown
    more_lifted_than_emerged
    """.split()
)
"""Rules whose value is a day, or a number, of the program's own; other values are shown as they were given."""


def _decimal(text: str) -> str:
    """A number with its decimals as the language writes them."""
    try:
        return number(float(text), 1)
    except ValueError:
        return text


def _value(finding: Finding) -> str:
    value = unpacked(finding.value)
    if finding.rule in _OF_PLACES:
        return place(value)
    if finding.rule in _OF_DAYS and isinstance(on := date(value), dt.date):
        return day(on)
    if finding.rule == "thin_stem":
        return _decimal(value)
    if finding.rule in ("outside_limits", "same_reading"):
        return number(float(value), len(value.partition(".")[2].rstrip("0")))
    if finding.rule in _OF_NUMBERS and isinstance(many := integer(value), int):
        return number(many)
    value = value if len(value) <= 80 else value[:77] + "..."
    return shown(value) if is_group_code(value) else value


def sentence(finding: Finding, labels: Mapping[str, str]) -> str:
    """The finding in words. `labels` maps question names to what the form calls them."""
    said = tr(
        Rule[finding.rule].sentence,
        label=labels.get(finding.field, "") or finding.field or tr("The answer"),
        value=_value(finding) or tr("nothing"),
        detail=_decimal(finding.detail) if finding.rule == "thin_stem" else unpacked(finding.detail).removesuffix("."),
    )
    return said.replace("?.", "?")
