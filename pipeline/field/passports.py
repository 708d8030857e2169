"""Plant passports: exactly the elements A to D of Regulation (EU) 2016/2031, Annex VII Part A, for a nursery that has set its
own registration; what they say is the operator's to answer for."""

from __future__ import annotations

import re
from collections.abc import Sequence

from formpack.group_code import shown
from formpack.words import listed, marked, tr
from pipeline.field.sign_layouts import Sign, can_show
from pipeline.field.signs import Group
from pipeline.findings import Refused
from pipeline.settings import Passport
from pipeline.store import Store

ANSWERED_FOR = marked(
    "The operator answers for what a plant passport says: that the operator is authorised to issue it, that the plants were"
    " examined as the law asks, and that it fits the law as it stands now. formpack prints what the lists and settings say, and"
    " proves none of it."
)
"""Said whenever passports are printed; `tr` it."""


def _refused(fault: str) -> Refused:
    return Refused(tr("nursery.toml [passport]: {fault}.", fault=fault))


def look_at(given: Passport) -> None:
    """Raise Refused where passports are off, or what is set cannot stand on one."""
    if not given.is_on:
        raise Refused(
            tr(
                "Plant passports are off: set country, registration and origin of your own under [passport] in nursery.toml"
                " to print them."
            )
        )
    if not re.fullmatch(r"[A-Z]{2}", given.country):
        raise _refused(tr("country is {given}; write the two capital letters of ISO 3166-1", given=repr(given.country)))
    if not re.fullmatch(r"[A-Za-z0-9]+", given.registration):
        raise _refused(tr("registration is {given}; write letters and digits alone", given=repr(given.registration)))
    if given.country == "GB" and given.origin != "GB":
        raise _refused(tr("origin is {given}; on a UK plant passport it is GB", given=repr(given.origin)))
    for name, text in (("origin", given.origin), ("local_title", given.local_title)):
        if not can_show(text):
            raise _refused(tr("{name} has letters that cannot be printed here; write it in Latin letters", name=name))


def passports(store: Store, given: Passport, groups: Sequence[Group]) -> tuple[list[Sign], list[str]]:
    """A passport of each group of which all is known, and a sentence about each that gets none."""
    look_at(given)
    is_british = given.country == "GB"
    title = "UK Plant Passport" if is_british else " / ".join(t for t in ("Plant Passport", given.local_title) if t)
    same = {
        "title": title,
        "flag": not is_british,
        "B": given.registration if is_british else f"{given.country}-{given.registration}",
        "D": given.origin,
    }
    botanical = {code: name or "" for code, name in store.rows("SELECT code, botanical_name FROM work.list_scions")}
    made, left_out = [], []
    for group in groups:
        code, varieties = shown(group.sign.code), group.sign.shows["scion"]
        name = botanical.get(group.scion or "", "")
        if not varieties:
            left_out.append(tr("{group} gets no passport: no scion is recorded in it.", group=code))
        elif not group.scion:
            said = marked("{group} gets no passport: {scions} grow in it, and a passport names one.")
            left_out.append(tr(said, group=code, scions=listed(varieties)))
        elif not name or not can_show(name):
            said = marked(
                "{group} gets no passport: lists/scions.csv has no botanical_name of {scion} in letters that can be printed."
            )
            if not name:
                said = marked("{group} gets no passport: lists/scions.csv has no botanical_name of {scion}.")
            left_out.append(tr(said, group=code, scion=group.scion))
        else:
            made.append(Sign(group.sign.code, {**same, "A": f"{name}, {varieties[0]}", "C": code}))
    return made, left_out
