from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from formpack.catalog import LANGUAGES, FormError, load_forms, replaced
from formpack.workbook import form_workbook
from formpack.xform import to_xform
from tests.conftest import SAMPLES

FORMS = load_forms()
CONTRACT = {
    "open_group": "seed_lot rootstock sowing_code sow_date lifted any_out cull_off_type cull_bent_root cull_etiolated cull_weak"
    " cull_other planted location",
    "cull_round": "coverage counted any_out cull_off_type cull_bent_root cull_etiolated cull_weak cull_disease cull_other dead"
    " counted_again",
    "bag_up": "coverage bagged any_out cull_off_type cull_bent_root cull_weak cull_disease cull_other dead counted_again"
    " height_cm location",
    "transfer": "to_group moved transfer_reason counted_again",
    "relocate": "location",
    "budding": "team_code attempt scion budwood_batch buds_set passed_over stem_mm height_cm counted_again",
    "bud_take": "team_code attempt green brown unsure missing counted_again lot_said set_aside_to",
    "cut_back": "coverage cut not_ready any_out cull_off_type cull_weak cull_disease cull_bud_failed cull_other dead"
    " counted_again stub_cm",
    "stake": "coverage staked not_ready any_out cull_off_type cull_weak cull_disease cull_bud_failed cull_other dead"
    " counted_again shoots_removed stakes_treated",
    "top": "coverage topped not_ready any_out cull_off_type cull_weak cull_disease cull_bud_failed cull_other dead"
    " counted_again stem_mm",
    "stock_count": "coverage counted counted_again location",
    "loss": "lost loss_cause photo counted_again",
    "despatch": "despatched order_ref consignee counted_again",
    "sowing": "sowing_code seed_lot rootstock soak_min trays sown_by seeds litres medium location",
    "emergence": "sowing_code trays_read emerged multiple",
}
WITHOUT_GROUP = {
    "germination_room": "location temperature_c humidity_pct light_lux read_at nothing_read",
    "structure_climate": "location temperature_c temperature_min_c temperature_max_c humidity_pct light_lux read_at"
    " nothing_read",
    "feeding": "location recipe ec ph minutes litres drain_ec drain_ph read_at",
    "weeding": "location people minutes",
    "sterilise": "item method team_code done_at between_cultivars started_at ended_at over_midnight"
    " temperature_c product pieces location",
    "budwood_cut": "budwood_batch scion source_block source_tree authorisation buds stored stored_c",
    "scouting": "location shown_plants found_what examined affected traps trap_count photo",
    "treatment": "location product product_name ingredient_name active_ingredient dose dose_unit area_m2 volume_l target"
    " target_other applicator started_at ended_at over_midnight reentry_on reentry_at weather",
}
OPTIONAL = {"height_cm", "stem_mm", "stub_cm", "set_aside_to", "photo", "note", "list_date", "shown_stage", "shown_count"}
OPTIONAL |= {"counted_again", "lot_said", "any_out", "soak_min", "multiple"}
OPTIONAL |= {"sowing_code"}  # of open_group; in the forms of seed it is required


@pytest.mark.parametrize("form_id", CONTRACT)
def test_each_form_asks_what_the_contract_says(form_id: str) -> None:
    common = ["start", "end", "deviceid", "visit_date", "staff_code"]
    of_group = ["group_code", "list_date", "shown_stage", "shown_count"] if FORMS[form_id].has_group else []
    asked = [q.name for q in FORMS[form_id].kept]
    assert asked == [*common, *of_group, *CONTRACT[form_id].split(), "note"]
    optional = {q.name for q in FORMS[form_id].kept if not q.required and not q.is_metadata}
    assert optional <= OPTIONAL | {"location"}
    assert ("location" in optional) == (form_id == "stock_count")


@pytest.mark.parametrize("form_id", WITHOUT_GROUP)
def test_each_form_about_no_group_asks_what_the_contract_says(form_id: str) -> None:
    asked = [q.name for q in FORMS[form_id].kept]
    assert asked == ["start", "end", "deviceid", "visit_date", "staff_code", *WITHOUT_GROUP[form_id].split(), "note"]


def test_all_are_there() -> None:
    assert sorted(FORMS) == sorted([*CONTRACT, *WITHOUT_GROUP])


def test_every_text_stands_in_three_languages() -> None:
    looked_at = 0
    for form in FORMS.values():
        for row in [*form.rows, *(c for rows in form.choices.values() for c in rows)]:
            for column in ("label", "hint", "constraint_message", "required_message"):
                texts = [row.get(f"{column}::{language}", "") for language in LANGUAGES]
                assert all(texts) or not any(texts), (form.form_id, row["name"], column)
                looked_at += any(texts)
    assert looked_at > 300


def _own(folder: Path, rows: list[dict[str, str]], settings: dict[str, str] | None = None) -> Path:
    form = folder / "forms" / "frost_damage"
    form.mkdir(parents=True)
    columns = list(dict.fromkeys(k for r in rows for k in r))
    with (form / "survey.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, columns)
        table.writeheader()
        table.writerows(rows)
    told = settings or {"form_id": "frost_damage", "form_title": "Frost", "version": "2026112601"}
    (form / "settings.csv").write_text(",".join(told) + "\n" + ",".join(told.values()) + "\n", encoding="utf-8")
    return folder / "forms"


def _question(name: str = "killed", **more: Any) -> dict[str, str]:
    words = {f"label::{language}": "Killed" for language in LANGUAGES}
    return {"type": "integer", "name": name, **words, "required": "yes", **more}


ASKED = {**_question("any"), "type": "select_one yes_no"}
WHY = {f"constraint_message::{x}": "No" for x in LANGUAGES}
PLACE = {"type": "include", "name": "location"}
HEAD = [{"type": "include", "name": "who"}, {"type": "include", "name": "sign"}]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([_question(constraint="floor(.) = 1", **WHY)], "int()"),
        ([_question(constraint=". >= 0")], "no constraint_message"),
        ([_question(relevant="${nobody} = 1")], "nobody, which the form does not ask"),
        ([_question(choice_filter="floor(${killed}) = code")], "choice_filter of killed: floor() at character 1"),
        ([_question(choice_filter="${nobody} = code")], "nobody, which the form does not ask"),
        ([_question(default="now()")], "default of killed: now() at character 1 is not in the portable subset; write today()"),
        ([_question(relevant="${visit_date}")], "relevant of killed: engines differ in whether an answer alone is true"),
        ([_question(relevant="not(${visit_date})")], "'not' at character 1 has an answer alone beside it"),
        ([_question(relevant="if(${visit_date}, 1, 0) = 1")], "'if' at character 1 has an answer alone beside it"),
        ([{"type": "calculate", "name": "many", "calculation": "1 > 2"}], "write if(..., 'yes', 'no')"),
        ([_question() | {"label::Español (es)": "${nobody}"}], "label::Español (es) of killed speaks of nobody, which"),
        (
            [_question() | {f"hint::{x}": "${last-saved#killed}" if "en" in x else "-" for x in LANGUAGES}],
            "speaks of last-saved#killed, which",
        ),
        ([_question() | {"type": "note", "relevant": "${nobody} = 1"}], "relevant of killed speaks of nobody, which"),
        (
            [_question() | {"guidance_hint::English (en)": "Why"}],
            "guidance_hint of killed is empty in Español (es) and Português",
        ),
        ([_question(ledger="vanishes")], "the words are"),
        ([_question(ledger="leaves")], "without a cause"),
        ([_question(ledger="leaves", cause="meteor")], "no cause"),
        ([_question(), _question()], "used twice"),
        ([_question(name="Killed")], "small letters"),
        ([_question() | {"label::Español (es)": ""}], "empty in Español"),
        ([_question() | {"label": "Killed"}], "survey, row 1: label has no language; name the column label::English (en)"),
        ([_question() | {"relevent": "1 = 1"}], "survey, row 1: nothing reads the column relevent; name it relevant, or take"),
        ([_question(name="reading_id")], "the name reading_id is taken by the program"),
        ([_question(ledger="reading")], "killed is a reading, which is of a place; put in a row `include` of `location`"),
        ([PLACE, {**_question(ledger="reading"), "type": "text"}], "killed is a reading, so its type is decimal or integer"),
        ([_question(relevant="${visit_date} = today")], "write 'today' or ${today} instead"),
        ([_question(relevant="= 'yes'")], "'=' at character 1 has nothing before it; write ${name} = 'yes' instead"),
        (
            [_question(constraint="10-100") | WHY],
            "constraint of killed: it compares nothing; write a comparison, such as . >= 10 and . <= 100",
        ),
        ([_question(relevant="'yes'")], "relevant of killed: it compares nothing; write a comparison, such as ${name} = 'yes'"),
        ([_question(relevant="count-selected(${staff_code})")], "relevant of killed: it compares nothing"),
        ([ASKED, _question(relevant="${any} = 'Yes'")], "relevant of killed: 'Yes' is no choice of yes_no (yes and no)"),
        ([ASKED, _question(relevant="not(selected(${any}, 'Yes'))")], "'Yes' is no choice of yes_no (yes and no)"),
        ([ASKED | {"type": "select_multiple yes_no"}, _question(relevant="${any} = 'yes maybe'")], "'yes maybe' is no choice"),
        (
            [ASKED | {"constraint": ". != 'ja'"} | WHY],
            "constraint of any: 'ja' is no choice of yes_no",
        ),
        (
            [ASKED, {"type": "calculate", "name": "c", "calculation": "if('Yes' = ${any}, 1, 0)"}],
            "calculation of c: 'Yes' is no choice of yes_no",
        ),
        ([PLACE, _question("water_c", ledger="reading", unit="°C")], "unit of water_c is '°C'; write c for °C, pct for %"),
        ([PLACE, _question("water_c", ledger="reading", unit="Celsius")], "unit of water_c is 'Celsius'; write c for °C"),
        (
            [_question(), {"type": "Made by Ana"}],
            "row 5: this is no question; keep notes beside the table, or on another sheet.",
        ),
        ([_question(), {"type": "Note made by Ana"}], "row 5: this is no question"),
        (
            [{**_question(), "type": "number"}, _question("more", relevant="${killed} > 1")],
            "row 4: the type 'number' is not one",
        ),
        ([_question("How many"), _question("more", relevant="${how_many} > 1")], "row 4: the name 'How many' must be small"),
        (
            [_question() | {"label::Spanish (es)": "Muertas"}],
            "survey, row 1: Spanish (es) is called Español (es) here; name the column label::Español (es), and",
        ),
        ([_question() | {"type": "text_area"}], "not one that this pack can check"),
        (
            [_question() | {"label::Français (fr)": "Mort"}],
            "texts are missing in Français (fr), the first is label of who. Rows of",
        ),
        ([{k: v for k, v in _question().items() if "English" not in k}], "the office reads that language"),
        ([_question() | {"type": "select_one nowhere"}], "no list nowhere"),
        ([{"type": "include", "name": "whoever"}], "no common part"),
        ([_question(required="sometimes")], "yes or empty"),
        ([_question() | {"type": "select_one_from_file"}], "must name a list of the folder lists"),
        ([_question(relevant="(" * 250 + "1 = 1" + ")" * 250)], "nested too deeply"),
        ([_question(relevant="1 = 1" + " + 1" * 1000)], "it has 2,003 words and marks, more than 600"),
        ([{"type": "begin_group", "name": "g", **{f"label::{x}": "g" for x in LANGUAGES}}], "no end_group"),
    ],
)
def test_a_form_with_a_fault_is_refused_with_its_place(rows: list[dict[str, str]], says: str, tmp_path: Path) -> None:
    with pytest.raises(FormError) as refused:
        load_forms(_own(tmp_path, [*HEAD, *rows]))
    (fault,) = refused.value.faults
    assert says in fault and "frost_damage" in fault


def test_a_part_that_is_not_there_makes_one_line(tmp_path: Path) -> None:
    rows = [{"type": "include", "name": "whom"}, HEAD[1], _question(relevant="decimal-date-time(${visit_date}) > 5")]
    with pytest.raises(FormError) as refused:
        load_forms(_own(tmp_path, rows))
    assert len(refused.value.faults) == 1


def test_right_forms_are_let_through(tmp_path: Path) -> None:
    """Texts, several choices, lists of files, columns of lists; capitals as spreadsheet programs make them; notes beside."""
    more = {"label::English (en)": "More", "label::Español (es)": "Más", "label::Português (pt)": "Mais"}
    rows = [
        {"type": "Include", "name": "Who"},
        {"type": "include", "name": "location"},
        {**_question("why"), "type": "Text", "required": "Yes", "my notes": "Made by Ana"},
        {**_question("seen"), "type": "Select_multiple causes", "constraint": "not(selected(., 'frost') and . != 'frost')"}
        | WHY,
        {**_question("both"), "type": "select_one yes_no", "relevant": "${seen} = 'frost heat' or selected(${seen}, 'dead')"},
        {**_question("house", relevant="${both} != ''"), "type": "select_one_from_file locations.csv"}
        | {"choice_filter": "active != 'No'", "parameters": "value=code label=label"},
        {"type": "Begin group", "name": "g", "relevant": "${why} = 'Yes' or ${house} = 'H1' or ${location} != 'H 2'", **more},
        _question("hot_water_c", ledger="Reading", unit="C", constraint="if(${why} = '', . > 1, . > 2)") | WHY,
        _question("salt", ledger="reading", unit="celsius", relevant="starts-with(${why}, 'Ja') and regex(${why}, '^.*$')"),
        {"type": "End_group"},
        {"type": "calculate", "name": "worked", "calculation": "if(selected-at(${seen}, 0) = 'other', ${why}, 'No')"},
    ]
    form = load_forms(_own(tmp_path, rows))["frost_damage"]
    assert form.question("hot_water_c").measures == "hot_water" and form.question("why").required
    to_xform(form, form.version)


def test_a_shipped_form_may_be_changed_to_offer_fewer_choices(tmp_path: Path) -> None:
    """What its other rows say of a choice that is gone is no mistake."""
    form = FORMS["loss"]
    causes = tuple(choice for choice in form.choices["causes"] if choice["name"] not in ("disease", "pest"))
    for form_id in ("loss", "loss_of_ours"):
        fewer = replace(form, choices={**form.choices, "causes": causes}, settings={**form.settings, "form_id": form_id})
        (tmp_path / f"{form_id}.xlsx").write_bytes(form_workbook(fewer))
    assert replaced(load_forms(tmp_path)["loss"]) == form
    assert replaced(load_forms(tmp_path)["loss_of_ours"]) is None


def test_a_cause_of_ones_own_stands_in_the_choices_sheet(tmp_path: Path) -> None:
    own = _own(tmp_path, [*HEAD, _question(ledger="leaves", cause="hail", unit="plant")])
    head = ["list_name", "name", *(f"label::{x}" for x in LANGUAGES)]
    (own / "frost_damage" / "choices.csv").write_text(f"{','.join(head)}\ncauses,hail,Hail,Granizo,Granizo\n", encoding="utf-8")
    form = load_forms(own)["frost_damage"]
    assert form.question("killed").cause == "hail"
    to_xform(form, form.version)
    (tmp_path / "again").mkdir()
    (tmp_path / "again" / "hail.xlsx").write_bytes(form_workbook(form))
    assert load_forms(tmp_path / "again")["frost_damage"].question("killed").cause == "hail"


def test_a_repeat_is_refused_in_one_sentence(tmp_path: Path) -> None:
    group = {f"label::{x}": "Tray" for x in LANGUAGES}
    rows = [{"type": "begin_repeat", "name": "tray", **group}, _question(), {"type": "end_repeat"}]
    with pytest.raises(FormError) as refused:
        load_forms(_own(tmp_path, [*HEAD, *rows]))
    (fault,) = refused.value.faults
    assert fault.endswith("tray is a repeat, and the office takes one answer to a question: send the form once for each.")


def test_a_language_is_left_out_by_leaving_out_its_columns(tmp_path: Path) -> None:
    own = [*HEAD, {k: v for k, v in _question().items() if "Português" not in k}]
    form = load_forms(_own(tmp_path, own))["frost_damage"]
    assert form.languages == ("English (en)", "Español (es)")
    assert to_xform(form, form.version).count("<translation ") == 2


def test_a_language_is_put_in_by_its_columns(tmp_path: Path) -> None:
    """In a complete workbook, since what `include` puts in speaks the languages of the pack."""
    form = FORMS["loss"]
    more = [
        {k.replace("English (en)", "Français (fr)"): f"F {v}" for k, v in r.items() if "English" in k and v} for r in form.rows
    ]
    rows = tuple({**r, **m} for r, m in zip(form.rows, more, strict=True))
    lists = {n: tuple({**c, "label::Français (fr)": "F"} for c in cs) for n, cs in form.choices.items()}
    (tmp_path / "loss.xlsx").write_bytes(form_workbook(replace(form, rows=rows, choices=lists)))
    again = load_forms(tmp_path)["loss"]
    assert again.languages == (*LANGUAGES, "Français (fr)")
    assert 'lang="Français (fr)" default="true()"' in to_xform(again, again.version, "Français (fr)")


def test_a_trigger_that_names_a_calculation_means_what_it_is_worked_out_from(tmp_path: Path) -> None:
    sums = [
        {"type": "calculate", "name": "burnt", "calculation": "coalesce(${killed}, 0) + coalesce(${scorched}, 0)"},
        {"type": "calculate", "name": "found", "calculation": "${burnt} + coalesce(${killed}, 0)"},
        {"type": "calculate", "name": "is_whole", "calculation": "'no'"},
    ]
    own = [*HEAD, _question(), _question("scorched"), *sums, {"type": "include", "name": "recount"}]
    form = load_forms(_own(tmp_path, own))["frost_damage"]
    assert form.question("recount").cells["trigger"] == "${killed}, ${scorched}"


def test_what_an_include_row_fills_in_wins(tmp_path: Path) -> None:
    """A part of one row can be asked with another hint, or be worked out; of more rows none is meant."""
    own = [*HEAD, {"type": "include", "name": "dead", "cause": "frost", "required": "no"}]
    form = load_forms(_own(tmp_path, own))["frost_damage"]
    dead = form.question("dead")
    assert (dead.cause, dead.required, dead.ledger) == ("frost", False, "leaves")
    assert form.question("visit_date").required


def test_a_form_must_ask_who_when_and_where(tmp_path: Path) -> None:
    with pytest.raises(FormError, match="asks no visit_date"):
        load_forms(_own(tmp_path, [_question()]))


def test_sheets_are_read_as_strictly_as_lists(tmp_path: Path) -> None:
    forms = _own(tmp_path, [*HEAD, _question()], {"form_id": "frost_damage", "form_title": "x", "version": "²"})
    form = forms / "frost_damage"
    with pytest.raises(FormError, match="version must be digits"):
        load_forms(forms)
    for content, says in (
        ("form_id,form_title,version\nfrost_damage,Frost,1\n".encode("utf-16"), "is UTF-16; save it as UTF-8"),
        (b"form_id,form_title,version\nfrost_damage,Frost \xe9,1\n", "is not UTF-8 in line 2"),
        (b"form_id,form_title,version\nfrost_damage,Fr\x07ost,1\n", "row 2: a cell, or its heading, holds a control character"),
    ):
        (form / "settings.csv").write_bytes(content)
        with pytest.raises(FormError, match=says):
            load_forms(forms)
    (form / "settings.csv").write_bytes(b"\xef\xbb\xbfform_id,form_title,version\rfrost_damage,Frost,1\r")
    assert load_forms(forms)["frost_damage"].title == "Frost"
    (form / "choices.csv").mkdir()
    with pytest.raises(FormError, match="is a folder"):
        load_forms(forms)
    (form / "choices.csv").rmdir()
    (form / "choices.csv").write_text("list_name,label::English (en)\ncauses,Hail\n", encoding="utf-8")
    with pytest.raises(FormError, match="no column name"):
        load_forms(forms)


def test_the_name_of_a_record_is_portable_too(tmp_path: Path) -> None:
    settings = {"form_id": "frost_damage", "form_title": "x", "version": "1", "instance_name": "upper-case(${staff_code})"}
    with pytest.raises(FormError, match=r"settings: instance_name: upper-case\(\) at character 1 .*; write translate\(\)"):
        load_forms(_own(tmp_path, HEAD, settings))


def test_settings_are_needed(tmp_path: Path) -> None:
    with pytest.raises(FormError, match="version is empty"):
        load_forms(_own(tmp_path, HEAD, {"form_id": "frost_damage", "form_title": "x", "version": ""}))


def test_a_workbook_is_the_same_form_as_its_folder(tmp_path: Path) -> None:
    """What is written for the phones can be edited and put back: a complete workbook without include rows."""
    form = load_forms(SAMPLES / "a_form_of_the_nursery_s_own" / "forms")["frost_damage"]
    (tmp_path / "frost_damage.xlsx").write_bytes(form_workbook(form))
    again = load_forms(tmp_path)["frost_damage"]
    assert [(q.name, q.constraint, q.relevant, q.ledger, q.cause) for q in again.questions] == [
        (q.name, q.constraint, q.relevant, q.ledger, q.cause) for q in form.questions
    ]
    assert again.is_own


def test_an_own_form_wins_over_the_shipped_one(tmp_path: Path) -> None:
    (tmp_path / "loss.xlsx").write_bytes(form_workbook(FORMS["loss"], "2026112599"))
    assert load_forms(tmp_path)["loss"].version == "2026112599"
    assert load_forms(tmp_path)["top"].version == FORMS["top"].version


def test_a_broken_workbook_is_refused(tmp_path: Path) -> None:
    (tmp_path / "frost.xlsx").write_bytes(b"no workbook")
    with pytest.raises(FormError, match="not a workbook"):
        load_forms(tmp_path)


def test_names_of_sheets_and_headings_are_read_as_people_spell_them(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    del book["Sheet"]
    head = ["Type", "NAME", "Label :: english (en)", "remarks"]
    for name, rows in {
        "Survey ": [head, ["include", "who"], ["image", "leaf", "A leaf", "of mine"]],
        "Settings": [["Form ID", "form_title", "version"], ["leaves", "Leaves", 1]],
    }.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    (tmp_path / "leaves.ods").write_bytes(b"kept beside it")
    book.save(tmp_path / "leaves.XLSX")
    with pytest.raises(FormError, match=r"nothing reads the column Form ID; name it form_id, or take it away"):
        load_forms(tmp_path)
    book["Settings"]["A1"] = "form_id"
    book.save(tmp_path / "leaves.XLSX")
    with pytest.raises(FormError, match=r"your forms/leaves\.ods: a form is read from \.xlsx alone; save it as an"):
        load_forms(tmp_path)
    (tmp_path / "leaves.ods").unlink()
    form = load_forms(tmp_path)["leaves"]
    assert form.question("leaf").label() == "A leaf"
    to_xform(form, form.version)  # a photo that says no size is one that the converter warns of


def test_what_the_converter_says_has_the_place_in_the_nursery_s_sheet(tmp_path: Path) -> None:
    photo = _question("leaf") | {"type": "image", "parameters": "max-pixels=1600 size=2"}
    form = load_forms(_own(tmp_path, [*HEAD, photo]))["frost_damage"]
    with pytest.raises(FormError, match=r"^your forms/frost_damage survey, row 4: the converter "):
        to_xform(form, form.version)


def test_cells_of_a_workbook_are_never_formulas(tmp_path: Path) -> None:
    path = tmp_path / "loss.xlsx"
    path.write_bytes(form_workbook(FORMS["loss"]))
    book = openpyxl.load_workbook(path)
    assert {c.data_type for sheet in book.worksheets for row in sheet.iter_rows() for c in row if c.value} == {"s"}
    assert book.sheetnames == ["survey", "choices", "settings"]
    book.close()


def test_a_title_follows_the_form_s_own_first_language(tmp_path: Path) -> None:
    settings = {"form_id": "frost_damage", "form_title": "Frost", "form_title::Español (es)": "Helada", "version": "1"}
    own = _own(tmp_path, [*HEAD, _question()], settings | {"default_language": "Español (es)"})
    form = load_forms(own)["frost_damage"]
    assert "<h:title>Helada</h:title>" in to_xform(form, form.version)
    assert "<h:title>Frost</h:title>" in to_xform(form, form.version, "Português (pt)"), "it has no title of its own there"
    (own / "frost_damage" / "settings.csv").write_text(
        "form_id,form_title,version,default_language\nf,F,1,Latin\n", encoding="utf-8"
    )
    with pytest.raises(FormError, match="default_language is none of English"):
        load_forms(own)


def test_what_is_no_plain_file_is_said_and_not_waited_for(tmp_path: Path) -> None:
    (tmp_path / "evil.xlsx").mkdir()
    with pytest.raises(FormError, match=r"evil\.xlsx: is no plain file"):
        load_forms(tmp_path)
