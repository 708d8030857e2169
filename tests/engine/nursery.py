"""One nursery for all forms: a group stands ready for the good path of each, so that the records that are filled on
phones of the same morning fit together, in any order."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from formpack.catalog import Form, load_forms
from formpack.group_code import issue, shown
from pipeline import run
from pipeline.workspace import Workspace
from tests.conftest import new_workspace, table
from tests.engine.phone import Phone

FORMS = load_forms()
SCENARIOS = Path(__file__).parent / "scenarios"
_NAMES = [*(form_id for form_id, form in FORMS.items() if form.has_group), "brown", "split", "unknown"]
GROUPS = dict(zip(_NAMES, issue(2026, 801, len(_NAMES)), strict=True))
"""The group that the good path of each form that has one is about; those that failed buds and moved plants go to; one nobody
knows."""
TOLD = dict(zip(GROUPS, issue(2026, 901, len(GROUPS)), strict=True))
"""The same groups on a list that shows their numbers (`proof.lay_out`)."""
BUDDED = ("bud_take", "cut_back", "stake", "top", "despatch")
PLACED = "H1B1"

_OPENED = {"visit_date": "2026-03-02", "seed_lot": "L2601-CARR", "rootstock": "CARRIZO", "sow_date": "2025-12-01"}
_OPENED |= {"lifted": "1000", "cull_off_type": "40", "planted": "960", "location": PLACED}
_OPENED |= dict.fromkeys(("cull_bent_root", "cull_etiolated", "cull_weak", "cull_other"), "0")
_SOWN = {"visit_date": "2026-07-01", "sowing_code": "26-CARR-1", "seed_lot": "L2601-CARR", "rootstock": "CARRIZO"}
_SOWN |= {"trays": "20", "sown_by": "counted", "seeds": "2000", "medium": "peat", "location": PLACED}
_SET = {"team_code": "T02", "attempt": "1", "scion": "TAHITI", "budwood_batch": "B-TAH", "buds_set": "940", "passed_over": "20"}
_READ = {"team_code": "T02", "attempt": "1", "green": "900", "brown": "30", "unsure": "0", "missing": "10"}

AFTER = {
    "bag_up": (948, "bag", "H1B2"),
    "bud_take": (830, "read", PLACED),
    "budding": (960, "budded", PLACED),
    "cull_round": (951, "tray", PLACED),
    "cut_back": (950, "cut_back", PLACED),
    "despatch": (650, "topped", PLACED),
    "loss": (948, "tray", PLACED),
    "open_group": (490, "tray", PLACED),
    "relocate": (960, "tray", "Y1"),
    "stake": (950, "staked", PLACED),
    "stock_count": (960, "tray", PLACED),
    "top": (946, "topped", PLACED),
    "transfer": (760, "tray", PLACED),
    "brown": (100, "read", PLACED),
    "split": (200, "tray", PLACED),
}
"""What the books have of each group when all records are in: plants, stage, place."""

_TOPPED = {"coverage": "whole", "topped": "940", **dict.fromkeys(("not_ready", "dead"), "0")}
_TOPPED |= {f"cull_{cause}": "0" for cause in ("off_type", "weak", "disease", "bud_failed", "other")}


def _before() -> list[tuple[str, dict[str, str]]]:
    """What was recorded before that morning: (form, answers)."""
    done = [("sowing", _SOWN)]
    for form_id, code in GROUPS.items():
        if form_id in FORMS and FORMS[form_id].has_group and form_id != "open_group":
            done.append(("open_group", {"group_code": code, **_OPENED}))
        if form_id in BUDDED:  # the buds that are still to be read were set before both clocks were changed
            day = "2026-10-01" if form_id == "bud_take" else "2026-06-29"
            done.append(("budding", {"group_code": code, "visit_date": day, **_SET}))
        if form_id in BUDDED[1:]:
            done.append(("bud_take", {"group_code": code, "visit_date": "2026-07-20", **_READ}))
    done.append(("top", {"group_code": GROUPS["despatch"], "visit_date": "2026-09-21", **_TOPPED}))
    return done


def new_nursery(folder: Path) -> Workspace:
    """A workspace with lists, these groups in the books, and forms and lists in phone/."""
    from pipeline.field import phone

    workspace = new_workspace(folder)
    for number, (form_id, answers) in enumerate(_before()):
        root = ET.Element("data", id=form_id, version=FORMS[form_id].version)
        for name, text in {"staff_code": "S03", **answers}.items():
            ET.SubElement(root, name).text = text
        identity = f"uuid:00000000-0000-4000-8000-0000000010{number:02}"
        ET.SubElement(ET.SubElement(root, "meta"), "instanceID").text = identity
        ET.ElementTree(root).write(workspace.inbox / f"{number:02}.xml", encoding="utf-8", xml_declaration=True)
    states = run.import_files(workspace, [workspace.inbox]).states
    assert states["accepted"] == len(_before()), states
    with run.opened(workspace, phone.TABLES) as (store, _):
        phone.write_all(store, workspace)
    return workspace


def stands(workspace: Workspace) -> dict[str, tuple[int, str, str]]:
    """What the books have of each group, as in `AFTER`."""
    names = {code: name for name, code in GROUPS.items()}
    return {names[code]: tuple(more) for code, *more in table(workspace, "standing", "group_code, book_count, stage, location")}


def scenario(form_id: str, file: str = "", **days: dt.date) -> dict[str, Any]:
    """The scenario file of a form, or another `file` as it is meant for the form, codes and `days` put in (see proof.py)."""
    here = GROUPS.get(form_id, GROUPS["unknown"])
    codes = GROUPS | {"here": here, "wrong": str(9 - int(here[0])) + here[1:]}
    codes["told"] = TOLD[form_id if form_id in GROUPS and form_id != "open_group" else "bag_up"]
    words = codes | {f"{name}-": shown(code) for name, code in codes.items()} | {k: str(day) for k, day in days.items()}
    text = (SCENARIOS / f"{file or form_id}.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(re.sub(r"\{(\w+-?)\}", lambda m: words[m[1]], text))
    return found


def typed(answers: dict[str, str]) -> dict[str, str]:
    """The same answers, with each code typed that was scanned."""
    return {
        name.replace("_scanned", "_typed"): shown(text) if name.endswith("_scanned") else text for name, text in answers.items()
    }


def filled(
    folder: Path, form_id: str, zone: str = "UTC", *, it: Phone | None = None, more: Mapping[str, str] | None = None
) -> bytes:
    """The finished record (XML) of the good path of a form, filled from FORM.xml and the lists in `folder`, which is the phone/
    of `new_nursery` or a copy of it; by `it`, a phone that runs already, or one of that zone. `more` answers questions besides,
    such as the name of a photo, or otherwise."""
    answers = in_order(FORMS[form_id], {**scenario(form_id)["good"], **(more or {})})
    with contextlib.nullcontext(it) if it is not None else Phone(zone) as phone:
        refused = phone.fill(folder / f"{form_id}.xml", answers)
        assert not refused, (form_id, refused)
        return phone.ask("XML")[1].encode()


def records(folder: Path, it: Phone) -> dict[str, bytes]:
    """The finished record of the good path of every form."""
    return {form_id: filled(folder, form_id, it=it) for form_id in FORMS}


def about(form_id: str) -> dict[str, str]:
    """What the record of a form says of its group: nothing where it is about none."""
    return {"group_code": GROUPS[form_id]} if form_id in GROUPS else {}


def leaves(record: bytes) -> dict[str, str]:
    """What a record holds, by the names of its questions and calculations; blank ones are left out."""
    found = ((e.tag.rpartition("}")[2], e.text or "") for e in ET.fromstring(record).iter() if len(e) == 0)
    return {name: text for name, text in found if text}


def in_order(form: Form, answers: Mapping[str, str]) -> dict[str, str]:
    """Answers in the order in which the form asks."""
    return {q.name: answers[q.name] for q in form.questions if q.name in answers}
