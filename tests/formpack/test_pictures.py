"""Pictures beside questions and choices: as drawn, small, told apart without colour, in every language, on phones and paper."""

from __future__ import annotations

import io
from itertools import combinations
from pathlib import Path

import pytest
from PIL import Image, ImageChops, ImageStat

from formpack import shipped
from formpack.catalog import LANGUAGES, FormError, load_forms
from formpack.pictures import COLUMN, MOST_BYTES, pictures_of
from formpack.workbook import form_workbook
from formpack.xform import to_xform
from pipeline.field import phone
from pipeline.workspace import Workspace
from tests.conftest import new_workspace
from tests.engine.phone import Phone
from tests.formpack import pictures
from tests.formpack.test_opening import LISTS, own_form

PLACES = "value=code label=label"


def a_picture(kind: str = "PNG", colour: str = "green") -> bytes:
    file = io.BytesIO()
    Image.new("RGB", (48, 32), colour).save(file, kind)
    return file.getvalue()


def with_picture(folder: Path, name: str, content: bytes | None, **cells: str) -> Path:
    own = own_form(folder, **{"parameters": PLACES, "image": name, **cells})
    if content is not None:
        (own / "pictures").mkdir(exist_ok=True)
        (own / "pictures" / name).write_bytes(content)
    return own


@pytest.mark.parametrize("name", pictures.PICTURES)
def test_each_is_what_its_drawing_makes_and_small(name: str) -> None:
    source, file = (pictures.FOLDER / f"{name}{ending}" for ending in (".svg", ".png"))
    assert source.read_text(encoding="utf-8") == pictures.svg(name), "draw them again: python -m tests.formpack.pictures"
    assert "<text" not in pictures.svg(name)
    assert file.stat().st_size <= 12_000
    with Image.open(file) as found:
        assert found.size == (pictures.WIDTH, pictures.HEIGHT)
        apart = ImageChops.difference(found.convert("RGB"), pictures.png(pictures.svg(name)).convert("RGB"))
    assert max(ImageStat.Stat(apart).mean) < 0.5, "of 255: another version of the renderer may round another way"


def test_what_is_drawn_is_what_the_forms_show() -> None:
    drawn = {f"{name}.png" for name in pictures.PICTURES}
    assert {name for form in load_forms().values() for name in form.pictures} == drawn
    assert {p.name for p in pictures.FOLDER.glob("*.png")} == drawn and len(list(pictures.FOLDER.iterdir())) == 2 * len(drawn)


def test_each_pest_of_the_shipped_list_is_shown_once_it_is_chosen() -> None:
    notes = {row["relevant"]: pictures_of(row) for row in load_forms()["scouting"].rows if pictures_of(row)}
    codes = [line.split(",")[0] for line in (shipped("forms") / "lists" / "pests.csv").read_text("utf-8").splitlines()[1:]]
    assert notes == {f"${{found_what}} = '{code}'": {f"pest_{code.lower()}.png"} for code in codes if code != "none"}


def test_no_two_are_alike_in_black_and_white_at_the_size_of_a_thumb() -> None:
    """As eyes that see no colour see them: 100 dots wide, in two tones."""
    small = {}
    for name in pictures.PICTURES:
        with Image.open(pictures.FOLDER / f"{name}.png") as found:
            small[name] = found.convert("L").resize((100, 67)).point(lambda v: 255 if v > 110 else 0)
    apart = {(a, b): ImageStat.Stat(ImageChops.difference(small[a], small[b])).mean[0] / 255 for a, b in combinations(small, 2)}
    assert min(apart.values()) > 0.01, min(apart, key=lambda pair: apart[pair])


def test_the_engine_has_the_picture_in_each_language(tmp_path: Path) -> None:
    forms = load_forms()
    for form_id in ("bud_take", "stock_count"):
        (tmp_path / f"{form_id}.xml").write_text(to_xform(forms[form_id], forms[form_id].version), encoding="utf-8")
    for name, text in LISTS.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    uri = "jr://images/{}.png".format
    with Phone() as it:
        it.ask("FORM", str(tmp_path / "bud_take.xml"))
        for language in LANGUAGES:
            it.ask("LANGUAGE", language)
            assert it.ask("IMAGE", "green") == ["OK", uri("bud_green")]
            assert it.ask("IMAGE", "unsure") == ["OK", uri("bud_unsure")]
            assert it.ask("IMAGE", "attempt") == ["OK", "-"]
        it.ask("FORM", str(tmp_path / "stock_count.xml"))
        for language in LANGUAGES:
            it.ask("LANGUAGE", language)
            assert it.ask("IMAGE", "coverage") == ["OK", "-", uri("group_whole"), uri("group_part"), uri("group_last_part")]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("leaf.png", None, "survey, row 4: the picture leaf.png of bench is not there; put it into forms/pictures"),
        ("leaf.gif", a_picture("GIF"), "row 4: the picture 'leaf.gif' of bench must end in .png or .jpg"),
        ("IMG 1.png", a_picture(), "must end in .png or .jpg and be named in small letters"),
        ("n" * 80 + ".png", a_picture(), "at most 60"),
        ("../staff.png", None, "be named in small letters"),
        ("leaf.png", b"<svg>leaf</svg>", "your forms/pictures/leaf.png is not the picture that its ending says"),
        ("leaf.jpg", a_picture("PNG"), "save it again as PNG (.png) or JPEG (.jpg)"),
        ("leaf.png", b"", "is not the picture"),
        (
            "leaf.png",
            a_picture() + bytes(MOST_BYTES),
            "your forms/pictures/leaf.png has 300 kB, more than 300; make it smaller",
        ),
        ("bud_green.png", b"no picture", "your forms/pictures/bud_green.png is not the picture"),
    ],
)
def test_a_picture_that_cannot_be_shown_is_told_with_its_place(
    name: str, content: bytes | None, says: str, tmp_path: Path
) -> None:
    with pytest.raises(FormError) as refused:
        load_forms(with_picture(tmp_path, name, content))
    (fault,) = refused.value.faults
    assert says in fault


def test_pictures_of_what_is_not_shown_and_other_media_are_told(tmp_path: Path) -> None:
    own = with_picture(tmp_path, "leaf.png", a_picture(), type="calculate", calculation="1", required="", parameters="")
    with pytest.raises(FormError, match="row 4: bench is not shown on the phone, so it can have no picture"):
        load_forms(own)
    own_form(tmp_path, parameters=PLACES, **{"media::audio::English (en)": "leaf.mp3"})
    with pytest.raises(FormError, match="row 4: the column media::audio::English"):
        load_forms(own)


def test_a_form_begun_from_the_complete_workbook_keeps_its_pictures(tmp_path: Path) -> None:
    own = with_picture(tmp_path, "leaf.jpg", a_picture("JPEG"))
    form = load_forms(own)["weeds"]
    assert {form.question("bench").cells[f"{COLUMN}{x}"] for x in LANGUAGES} == {"leaf.jpg"}
    book = tmp_path / "again" / "weeds.xlsx"
    book.parent.mkdir()
    book.write_bytes(form_workbook(form))
    (own / "pictures").rename(book.parent / "pictures")
    assert load_forms(book.parent)["weeds"].pictures == {"leaf.jpg"}


def test_phones_get_what_forms_show_and_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shipped = {name: form for name, form in load_forms().items() if name == "budding"}
    monkeypatch.setattr("formpack.xform.has_java", lambda: False)
    monkeypatch.setattr("formpack.catalog._shipped_forms", lambda: shipped)
    folder = new_workspace(tmp_path / "nursery").folder

    def on_phone() -> dict[str, bytes]:
        phone.write_forms(Workspace(folder))
        return {p.name: p.read_bytes() for p in (folder / "phone").iterdir() if p.suffix in (".png", ".jpg")}

    drawn = {name: (pictures.FOLDER / name).read_bytes() for name in ("height.png", "stem_width.png")}
    own = with_picture(folder, "leaf.png", a_picture())
    assert on_phone() == drawn | {"leaf.png": a_picture()}
    marks = [Workspace(folder).forms_mark()]
    for name in ("leaf.png", "height.png"):
        (own / "pictures" / name).write_bytes(a_picture(colour="brown"))
        marks.append(Workspace(folder).forms_mark())
    (folder / "phone" / "mine.png").write_bytes(b"of a person")
    own_form(folder, parameters=PLACES)
    assert len(set(marks)) == 3
    assert on_phone() == drawn | {"height.png": a_picture(colour="brown"), "mine.png": b"of a person"}
    assert phone.write_paper(Workspace(folder)) == 2
    page = (folder / "paper" / "budding.html").read_text(encoding="utf-8")
    assert page.count('<img alt="" src="data:image/png;base64,') == 2
