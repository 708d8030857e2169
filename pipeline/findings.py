"""The one catalogue of findings: every rule with its severity, its sentence and what to do about it.

Wrong data is a value, not an exception: a stage returns findings and the run goes on. `Refused` is the one
exception family for a run that cannot be done.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from formpack.group_code import is_group_code, shown


class Refused(Exception):
    """The run cannot be done. `str()` is one line that says what and what to do; the store is as it was."""


class Rule(Enum):
    """(severity, sentence, advice). In a sentence {label} is the question, {value} the answer, {detail} the rest."""

    unreadable_file = (
        "stop",
        "{value}: {detail}.",
        "Ask for the file again, or repair it and import the repaired file beside it.",
    )
    unreadable_row = (
        "stop",
        "{value}: {detail}.",
        "Repair that row in a copy of the file, import the copy, and withdraw this one.",
    )
    refused_file = (
        "stop",
        "{value}: refused, because {detail}.",
        "If the file is honest, save its contents in a plain form and import that.",
    )
    passed_over = (
        "stop",
        "{value}: it breaks the program that reads it ({detail}), so it is passed over; nothing of it is in the books.",
        "Save its contents in a plain form and import that, and tell whoever looks after the program."
        " `formpack import --again` tries it once more.",
    )
    not_taken = (
        "stop",
        "{value}: not taken in, because {detail}.",
        "Put that right and import it again.",
    )
    unknown_form = (
        "stop",
        "The form {value} is not in the pack.",
        "Say which form it is by the file's name, a form_id column or --form, and import it again; or put the sheets of a new"
        " form in the forms folder of the workspace, and the next import takes it up.",
    )
    answered_twice = (
        "stop",
        "{label} stands twice with different answers.",
        "Find out which answer is right and send it once.",
    )
    missing_answer = (
        "stop",
        "{label}: no answer.",
        "Ask who filled it in. A count left out is not zero.",
    )
    wrong_type = ("stop", "{label}: {value} {detail}.", "Correct the answer.")
    bad_code = ("stop", "{label}: {value} {detail}.", "Look at the sign of the group and correct the code.")
    impossible_value = ("stop", "{label} ({value}): {detail}.", "Ask who filled it in, and correct it.")
    not_in_list = (
        "stop",
        "{label}: {value} is not in the list {detail}.",
        "Correct the answer, or add the code to that list and import again.",
    )
    not_asked = (
        "stop",
        "{label}: answered {value} where the form does not ask it.",
        "Find out which of the answers is wrong.",
    )
    double_entry = (
        "stop",
        "Probably a second entry of the same work: the same form, group, day, person and answers as {detail}.",
        "Withdraw it if it is the same work; accept it if the work was done twice.",
    )
    two_versions = (
        "stop",
        "Different contents came under this one identity (the other came from {detail}).",
        "Find out which is right and withdraw the other.",
    )
    edit_loop = (
        "stop",
        "Its chain of edits comes back to itself, so no edit is the last.",
        "Find out which is right and enter it anew.",
    )
    edit_of_other_form = (
        "stop",
        "It says that it edits {detail}, which is of another form.",
        "Find out what was meant; the older submission stands as it was.",
    )
    opened_twice = (
        "stop",
        "The group was already opened by {detail}.",
        "One of the two has a wrong code: look at the signs of both groups.",
    )
    before_opening = (
        "stop",
        "The work is dated {value}, before the group was opened on {detail}.",
        "Correct the date or the code of the group.",
    )
    before_budding = (
        "stop",
        "The buds were read on {value}, before they were set on {detail}.",
        "Correct the date, the team or the attempt.",
    )
    waits_for_group = (
        "note",
        "Waits: group {value} has no opening in the books.",
        "Nothing, if its opening is still on a phone. Put the opening right, if it is kept out. Otherwise correct the code.",
    )
    waits_for_lot = (
        "note",
        "Waits: no budding by team {value} in this group at attempt {detail} is in the books.",
        "Nothing, if the budding is still on a phone. Put it right, if it is kept out."
        " Otherwise correct the team or the attempt.",
    )
    unknown_version = (
        "note",
        "Version {value} of {detail}. No such version was made here; the answers fit all the same.",
        "Look where that phone has its forms from, and update them when it is next in the office.",
    )
    old_version = (
        "note",
        "Version {value} of {detail}. There is a later one; the answers fit all the same.",
        "Update the forms on that phone when it is next in the office.",
    )
    no_identity = (
        "note",
        "It came without an identity of its own, so the office gave it one from its contents.",
        "Look how it came off the phone: forms give each submission an identity.",
    )
    edited_apart = (
        "note",
        "The same submission was edited twice, apart from each other; {detail} counts as the last.",
        "Ask which of the edits is right.",
    )
    outside_expected = (
        "note",
        "{value} plants were counted where {detail} were expected.",
        "Have the group counted again, and ask whoever counted it.",
    )
    stage_out_of_order = (
        "note",
        "This does not fit the stage of the group: {detail}.",
        "Look whether the code of the group is right; if it is, look for the work that was not recorded.",
    )
    early_reading = (
        "note",
        "The buds were read {value} days after budding, earlier than {detail}.",
        "Read them again when the wraps have been off for a while.",
    )
    late_reading = (
        "note",
        "The buds were read {value} days after budding, later than {detail}.",
        "Nothing now; failed buds could have been set again sooner.",
    )
    thin_stem = (
        "note",
        "The stems were {value} mm, thinner than {detail} mm.",
        "Look whether the group was ready for budding.",
    )
    pair_on_list = (
        "note",
        "{value}: the compatibility list has this pair as {detail}.",
        "Talk to the manager before more is budded.",
    )
    more_read_than_set = (
        "note",
        "{value} buds were read in this lot, {detail} were set.",
        "Withdraw the reading before, if the lot was read anew; else find out whether plants of another lot were read with it,"
        " or the buds set were miscounted.",
    )
    fewer_read_than_set = (
        "note",
        "{value} buds of this lot have been read, and the number set was {detail}.",
        "Read the rest; if all were read, look whether a number lacks a digit, or the buds set were miscounted.",
    )
    moved_twice = (
        "note",
        "{value} failed buds went to the same group by the reading too, so that they stand there twice: {detail}.",
        "Withdraw one of the two if it is the same plants.",
    )
    budded_twice = (
        "note",
        "More buds at attempt {value} than there were plants for them: {detail}.",
        "If buds were set again where others had failed, correct the attempt; if the same work came twice, withdraw one;"
        " otherwise look at the code and the number.",
    )
    set_after_reading = (
        "note",
        "The buds of attempt {value} of {detail}, before these were set, and the lot counts both as one.",
        "If buds were set again where others had failed, correct the attempt; otherwise look at the team and the date.",
    )
    not_counted_again = (
        "note",
        "A number was not what was expected, and it could not be counted again on the spot.",
        "Have it counted again, best by somebody else.",
    )
    batch_of_other_scion = (
        "note",
        "The budwood batch {value} is on the list as {detail}.",
        "Correct the scion or the batch, or the list.",
    )
    lot_of_other_rootstock = (
        "note",
        "The seed lot {value} is on the list as {detail}.",
        "Correct the rootstock or the seed lot, or the list.",
    )
    other_than_ordered = (
        "note",
        "{value} was despatched, and order {detail}.",
        "Look at the order and at the sign of the group; what was not ordered does not count as delivered.",
    )
    more_than_ordered = (
        "note",
        "{value} trees have gone by now where {detail} were ordered.",
        "Correct the number or the order it went under, or the order.",
    )
    delivered_early = (
        "note",
        "{value} trees were despatched from a group whose buds are only {detail}.",
        "Look at the sign of the group, and whether its inspections were recorded.",
    )
    opened_by_transfer = (
        "note",
        "Group {value} was not known before plants were moved to it.",
        "Look at the sign that was scanned; if the group is new, nothing.",
    )
    old_list = (
        "note",
        "The list on the phone was {value} days old.",
        "Fetch the lists on that phone in the morning.",
    )
    clock_off = (
        "note",
        "The phone's clock said {value} when the work of {detail} was saved.",
        "Set the clock of that phone; look whether the date of the work is right.",
    )
    book_below_zero = (
        "note",
        "More plants have left this group than ever came in: the book stands at {value}.",
        "Look for a move into the group that was not recorded, or a wrong code.",
    )

    day_of_import = (
        "note",
        "What came in on {value} does not fit that day: {detail}.",
        "If the day was wrong (a computer's calendar, `today` in nursery.toml), correct received_on to the right day."
        " If it was right, accept it.",
    )
    missing_column = (
        "stop",
        "{value}: it has no column for {detail}.",
        "Name the column as the question is named (the workbook in paper/ has all names) in a copy of the file, and import"
        " the copy; the rows of this one stay out.",
    )
    unknown_column = (
        "note",
        "{value}: {detail}.",
        "Nothing, if it was not meant for a question. Otherwise name it as the question is named in a copy, and import that.",
    )
    sheet_not_read = (
        "note",
        "{value}: {detail}.",
        "Nothing, if it holds no submissions. Otherwise name the sheet as its form is named, or import the file with --form.",
    )
    faulty_list = (
        "note",
        "{value}: {detail}.",
        "Put it right in that list and save it; the next command reads it again.",
    )
    code_gone = (
        "note",
        "{value} is no longer in lists/{detail}.",
        "Put the row back, with active = no where it should not be chosen any more. What uses it stays in the books.",
    )
    code_not_active = (
        "note",
        "{value} is not active in lists/{detail}.",
        "Fetch the lists on the phones, or set active to yes again. What uses it stays in the books.",
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


def sentence(finding: Finding, labels: dict[str, str]) -> str:
    """The finding in words. `labels` maps question names to what the form calls them."""
    value = finding.value if len(finding.value) <= 80 else finding.value[:77] + "..."
    value = shown(value) if is_group_code(value) else value
    said = Rule[finding.rule].sentence.format(
        label=labels.get(finding.field, finding.field or "The answer"), value=value or "nothing", detail=finding.detail
    )
    return said.replace("..", ".").replace("?.", "?")
