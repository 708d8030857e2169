"""One nursery for all forms: a group stands ready for the good path of each, so that thirteen records that are filled on
phones of the same morning fit together, in any order."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

from formpack.catalog import Form, load_forms
from formpack.group_code import issue, shown
from pipeline import run
from pipeline.workspace import Workspace
from tests.conftest import new_workspace
from tests.engine.phone import Phone

FORMS = load_forms()
SCENARIOS = Path(__file__).parent / "scenarios"
GROUPS = dict(zip([*FORMS, "brown", "split", "unknown"], issue(2026, 801, len(FORMS) + 3), strict=True))
"""The group that the good path of each form is about; those that failed buds and moved plants go to; one nobody knows."""
BUDDED = ("bud_take", "cut_back", "stake", "top", "despatch")
PLACED = "H1B1"

_OPENED = {"visit_date": "2026-03-02", "seed_lot": "L2601-CARR", "rootstock": "CARRIZO", "sow_date": "2025-12-01"}
_OPENED |= {"lifted": "1000", "cull_off_type": "40", "planted": "960", "location": PLACED}
_OPENED |= dict.fromkeys(("cull_bent_root", "cull_etiolated", "cull_weak", "cull_other"), "0")
_SET = {"team_code": "T02", "attempt": "1", "scion": "TAHITI", "budwood_batch": "B-TAH", "buds_set": "940", "passed_over": "20"}
_READ = {"team_code": "T02", "attempt": "1", "green": "900", "brown": "30", "unsure": "0", "missing": "10"}


def _before() -> list[tuple[str, dict[str, str]]]:
    """What was recorded before that morning: (form, answers)."""
    done = []
    for form_id, code in GROUPS.items():
        if form_id not in ("open_group", "brown", "split", "unknown"):
            done.append(("open_group", {"group_code": code, **_OPENED}))
        if form_id in BUDDED:  # the buds that are still to be read were set before both clocks were changed
            day = "2026-10-01" if form_id == "bud_take" else "2026-06-29"
            done.append(("budding", {"group_code": code, "visit_date": day, **_SET}))
        if form_id in BUDDED[1:]:
            done.append(("bud_take", {"group_code": code, "visit_date": "2026-07-20", **_READ}))
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


def scenario(form_id: str) -> dict[str, Any]:
    """The scenario file of a form, groups by their codes: {brown} is the code of that group, {brown-} the same with hyphens."""
    text = (SCENARIOS / f"{form_id}.json").read_text(encoding="utf-8")
    named = GROUPS | {"here": GROUPS[form_id]}
    told = re.sub(r"\{(\w+)(-?)\}", lambda m: shown(named[m[1]]) if m[2] else named[m[1]], text)
    found: dict[str, Any] = json.loads(told)
    return found


def typed(answers: dict[str, str]) -> dict[str, str]:
    """The same answers, with each code typed that was scanned."""
    return {
        name.replace("_scanned", "_typed"): shown(text) if name.endswith("_scanned") else text for name, text in answers.items()
    }


def filled(
    folder: Path, form_id: str, zone: str = "UTC", *, is_typed: bool = False, more: dict[str, str] | None = None
) -> bytes:
    """The finished record (XML) of the good path of a form, filled from FORM.xml and the lists in `folder`, which is the phone/
    of `new_nursery` or a copy of it. `more` answers questions besides, such as the name of a photo."""
    answers = scenario(form_id)["good"] | (more or {})
    with Phone(zone) as it:
        refused = it.fill(folder / f"{form_id}.xml", typed(answers) if is_typed else answers)
        assert not refused, (form_id, refused)
        return it.ask("XML")[1].encode()


def leaves(record: bytes) -> dict[str, str]:
    """What a record holds, by the names of its questions and calculations; blank ones are left out."""
    found = ((e.tag.rpartition("}")[2], e.text or "") for e in ET.fromstring(record).iter() if len(e) == 0)
    return {name: text for name, text in found if text}


def in_order(form: Form, answers: dict[str, str]) -> dict[str, str]:
    """Answers in the order in which the form asks."""
    return {q.name: answers[q.name] for q in form.questions if q.name in answers}
