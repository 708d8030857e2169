"""The page: what it is made of, its colours, and what a browser makes of it on a phone, a wide screen and paper."""

from __future__ import annotations

import base64
import hashlib
import os
import re
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from typing import Any

import lxml.html
import numpy as np
import pytest

from formpack import words
from pipeline.report import write_report
from pipeline.report.blocks import Chapter, Picture, Pictures, Says
from pipeline.report.charts.base import ALARM, INK, LEAF, PEEL, SHADES
from pipeline.report.page import MOST_SHADE, PALETTE, page_html
from pipeline.workspace import Workspace
from tests.conftest import looked_at
from tests.report import every_kind
from tests.report.browser import Browser, needs
from tests.report.every_kind import DAY, LETTERS, MARKUP

A4 = (688, 994)
"""Pixels of a sheet inside the margins of the page: 182 by 263 mm at 96 to the inch."""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return every_kind.page(tmp_path_factory.mktemp("page"))


def test_the_page_is_one_file_that_runs_its_own_script_only(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    tree = lxml.html.document_fromstring(text)
    (script,) = tree.xpath("//script")
    digest = base64.b64encode(hashlib.sha256(script.text.encode()).digest()).decode()
    assert f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'" in text
    assert not re.search(r"<link|<iframe|<img|@import|javascript:|\son\w+=", re.sub(r"(?s)<script>.*", "", text))
    assert not re.search(r"""(?:src|href)=["'](?!#)""", text)
    assert tree.xpath("//*[@b or self::b[@a]]") == [] and MARKUP in tree.xpath("//h1")[0].text_content()
    assert r"\3c script\3e alert" in text and "{{ 7 * 7 }}" in tree.xpath("//table")[0].text_content()
    ids = tree.xpath("//@id")
    assert len(ids) == len(set(ids)) > 40
    assert {link[1:] for link in tree.xpath("//a/@href")} <= set(ids)


def test_everything_has_a_head_that_says_what_it_is(page: Path) -> None:
    tree = lxml.html.document_fromstring(page.read_text(encoding="utf-8"))
    chapters = every_kind.chapters()
    assert len(tree.xpath("//h1")) == len(tree.xpath("//main")) == len(tree.xpath("//header")) == len(tree.xpath("//nav")) == 1
    assert [h.text_content() for h in tree.xpath("//details/summary/h2")] == [c.title for c in chapters]
    assert len(tree.xpath("//h2")) == len(chapters) + 1
    tables = tree.xpath("//table")
    assert len(tables) == 7 and all(len(t.xpath("./caption")) == 1 for t in tables)
    assert all(th.get("scope") and th.text_content().strip() for th in tree.xpath("//th"))
    assert len(tree.xpath("//td[@data-v]")) > 300 and tree.xpath("//th[@scope='row']//bdi")[0].text == LETTERS


def test_nothing_is_said_twice_and_marks_say_what_they_mean(page: Path) -> None:
    tree = lxml.html.document_fromstring(page.read_text(encoding="utf-8"))
    (every, *_) = every_kind.chapters()
    assert every.blocks[0].text == every.says and tree.text_content().count(every.says) == 1  # type: ignore[union-attr]
    (good,) = tree.xpath("//*[@id='table-short']")
    assert "good" in good.get("class") and good.xpath(".//p[@class='key']")[0].text_content() == "can go now"
    assert good.xpath(".//tr[@class='odd']/*[1]//text()") == ["can go now: ", "a"]
    assert [e.text_content() for e in good.xpath(".//dl/div/*")] == ["plants", "How many."]
    assert good.xpath(".//table[@class='told-below']//td[@class='long']")
    (odd,) = tree.xpath("//*[@id='table-groups5']//p[@class='key']")
    assert odd.text_content() == "out of line"
    assert tree.xpath("//*[@id='table-listed']//caption/span/@class") == ["unseen"]
    first = [e.tag for e in tree.xpath("//section[@id='first']/*")]
    assert first.index("dl") < first.index("h2") == first.index("ol") - 1


def test_a_page_of_nothing_is_a_page_in_each_language() -> None:
    try:
        for language in words.LANGUAGES:
            words.use(language)
            tree = lxml.html.document_fromstring(page_html("", DAY, Chapter("first", "-"), []))
            assert tree.get("lang") == language and tree.xpath("//header/p")[0].text_content()
    finally:
        words.use("en")


def test_names_that_are_read_from_right_to_left_turn_nothing_round(page: Path) -> None:
    tree = lxml.html.document_fromstring(page.read_text(encoding="utf-8"))
    turned = re.compile("[\u0590-\u08ff]")
    for element in tree.xpath("//main//*[not(ancestor-or-self::*[local-name()='svg'])]"):
        for text in (element.text, *(child.tail for child in element)):
            assert not turned.search(text or "") or element.tag in ("bdi", "title"), element.tag


def _linear(colour: str) -> Any:
    share = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def _luminance(linear: Any) -> float:
    """Relative luminance (Web Content Accessibility Guidelines 2.2, definition of relative luminance)."""
    return float(linear @ [0.2126, 0.7152, 0.0722])


def _contrast(one: Any, other: Any) -> float:
    """Contrast ratio (Web Content Accessibility Guidelines 2.2); black on white has 21."""
    dark, light = sorted([_luminance(one), _luminance(other)])
    return (light + 0.05) / (dark + 0.05)


def _lightness(linear: Any) -> float:
    """CIE 1976 lightness (CIE 15:2004), 0 to 100."""
    y = _luminance(linear)
    return 116 * y ** (1 / 3) - 16 if y > 216 / 24389 else y * 24389 / 27


def test_text_can_be_read_on_what_it_stands_on() -> None:
    assert _contrast(_linear("#000000"), _linear("#ffffff")) == pytest.approx(21)
    assert _contrast(_linear("#767676"), _linear("#ffffff")) == pytest.approx(
        4.54, abs=0.01
    )  # known as the lightest grey of AA
    colours = {name: _linear(value) for name, value in PALETTE.items()}
    for text in ("ink", "soft", "leaf", "alarm"):
        for ground in ("paper", "tint"):
            assert _contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    leaf, paper = (np.array([int(PALETTE[name][at : at + 2], 16) for at in (1, 3, 5)]) for name in ("leaf", "paper"))
    shaded = "#" + bytes((MOST_SHADE * leaf + (1 - MOST_SHADE) * paper).astype(int).tolist()).hex()
    assert _contrast(colours["ink"], _linear(shaded)) >= 4.5
    assert _contrast(colours["paper"], colours["ink"]) >= 4.5 and _contrast(colours["peel"], colours["paper"]) >= 3


BLIND = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
    "all": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
}
"""What is left of linear RGB without one kind of cone: G. M. Machado, M. M. Oliveira and L. A. F. Fernandes, A physiologically-
based model for simulation of color vision deficiency, IEEE TVCG 15 (2009), table of severity 1.0."""


@pytest.mark.parametrize("eyes", BLIND)
def test_colours_of_drawings_differ_in_lightness_for_all_eyes_and_in_grey(eyes: str) -> None:
    def seen(colour: str) -> float:
        return _lightness(np.clip(np.array(BLIND[eyes]) @ _linear(colour), 0, 1))

    for colours in (SHADES, (INK, LEAF, PEEL), (ALARM, LEAF, PEEL)):
        for one, other in combinations(colours, 2):
            assert abs(seen(one) - seen(other)) >= 6, (eyes, one, other)
    assert [seen(c) for c in SHADES] == sorted(seen(c) for c in SHADES)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("chromium")) as browser:
        yield browser


def _faults(browser: Browser) -> list[str]:
    """What axe-core finds wrong with the page as it is shown, all its rules but those that are called experimental."""
    axe = os.environ.get("AXE_CORE", "")
    needs("axe-core (AXE_CORE is the path of its axe.min.js)", axe)
    browser.value(Path(axe).read_text(encoding="utf-8") + ";0")
    found = browser.value("axe.run().then(r => [r.passes.length, r.violations.map(v => [v.id, ...v.nodes.map(n => n.html)])])")
    assert found[0] > 20
    return [str(fault) for fault in found[1]]


OPEN = "document.querySelectorAll('details').forEach(d => { d.open = true }); new Promise(r => setTimeout(r, 100))"
CUT = """[...document.querySelectorAll('body *')].filter(e => !e.parentElement.closest('.wide, svg')
  && !e.closest('.unseen, .skip, #tip')
  && e.checkVisibility() && (e.getBoundingClientRect().right > innerWidth + .5 || e.getBoundingClientRect().left < -.5))
  .map(e => e.outerHTML.slice(0, 100))"""


@pytest.mark.parametrize("width", [390, 1280])
def test_no_rule_of_access_is_broken(browser: Browser, page: Path, width: int) -> None:
    browser.show(page, width)
    assert _faults(browser) == []
    browser.value(OPEN)
    assert _faults(browser) == []


def test_photos_are_shown_and_let_in_only_where_there_are_some(browser: Browser, tmp_path: Path) -> None:
    dot = "data:image/gif;base64,R0lGODlhAQABAIAAAP///wAAACH5BAAAAAAALAAAAAABAAEAAAICRAEAOw=="
    photos = [Picture(f"{MARKUP}.jpg", f"2 May 2026, {MARKUP}", dot), Picture("b.jpg", "has not come in")]
    path, first = tmp_path / "page.html", Chapter("first", "It", [Says("It.")])
    shown = page_html("N", DAY, first, [Chapter("photos", "Photos", [Pictures(photos)])], about="A group")
    path.write_text(shown, encoding="utf-8")
    browser.show(path, 390)
    assert browser.value("[...document.images].map(i => [i.naturalWidth, i.alt])") == [[1, f"2 May 2026, {MARKUP}"]]
    assert "has not come in" in browser.value("document.body.innerText")
    nothing = page_html("N", DAY, first, [Chapter("photos", "Photos", [Pictures(photos[1:])])])
    assert "img-src" not in nothing and "; img-src data:" in shown


def _is_whole(browser: Browser, path: Path) -> None:
    for width in (390, 768, 1280):
        browser.show(path, width)
        assert browser.value("document.documentElement.scrollHeight / innerHeight") < 12
        browser.value(OPEN)
        assert browser.value("document.documentElement.scrollWidth") == width
        assert browser.value(CUT) == []


def test_nothing_is_cut_and_a_phone_has_few_screens(browser: Browser, page: Path) -> None:
    _is_whole(browser, page)


def test_a_phone_scrolls_what_is_wide_and_draws_in_full_size(browser: Browser, page: Path) -> None:
    browser.show(page, 390)
    browser.value(OPEN)
    wide = browser.value("""[...document.querySelectorAll('.wide')].map(e => [e.scrollWidth > e.clientWidth + 1, e.tabIndex,
      e.getAttribute('role'), e.parentElement.classList.contains('more')])""")
    assert [True, 0, "region", True] in wide and [False, -1, "group", False] in wide
    assert all(w in ([True, 0, "region", True], [False, -1, "group", False]) for w in wide)
    assert set(browser.value("[...document.querySelectorAll('svg.chart')].map(e => e.clientWidth)")) == {360}
    to_the_end = """(e => { e.scrollLeft = 1e5; return new Promise(r => setTimeout(() =>
      r(e.parentElement.classList.contains('more')), 200)) })(document.querySelector('.more .wide'))"""
    assert browser.value(to_the_end) is False


def test_a_wide_screen_has_two_drawings_side_by_side(browser: Browser, page: Path) -> None:
    browser.show(page, 1280)
    browser.value(OPEN)
    tops = browser.value("[...document.querySelectorAll('.drawings')[1].children].map(e => e.getBoundingClientRect().top)")
    assert tops[0] == tops[1] < tops[2]


def test_a_link_opens_the_chapter_it_leads_to_and_buttons_open_all(browser: Browser, page: Path) -> None:
    browser.show(page, 390)
    opened = "[...document.querySelectorAll('details.chapter')].map(d => d.open)"
    assert browser.value(opened) == [False] * 4
    browser.value("document.querySelector('.items a[href=\"#matrices\"]').click(); new Promise(r => setTimeout(r, 100))")
    assert browser.value(opened) == [False, False, True, False]
    assert 0 <= browser.value("document.getElementById('matrices').previousElementSibling.getBoundingClientRect().top") < 120
    browser.value("document.querySelector('[data-open=yes]').click()")
    assert browser.value(opened) == [True] * 4
    browser.value("document.querySelector('[data-open=\"\"]').click()")
    assert browser.value(opened) == [False] * 4


def test_a_table_is_sorted_by_its_heads_and_searched(browser: Browser, page: Path) -> None:
    browser.show(page, 1280)
    click = """(t => { const h = t.querySelectorAll('thead th')[%d]; h.querySelector('button').click();
      return [h.ariaSort, document.getElementById('told').textContent,
        [...t.tBodies[0].rows].map(r => r.cells[%d].dataset.v ?? '')]
    })(document.querySelector('#table-groups40 table'))"""
    plants = [str(at * 37 % 1000) for at in range(40) if at != 3]
    for way, said, order in (
        ("descending", "sorted by plants, largest first", [*sorted(plants, key=int, reverse=True), ""]),
        ("ascending", "sorted by plants, smallest first", [*sorted(plants, key=int), ""]),
        (None, "in the order it came in", [*plants[:3], "", *plants[3:]]),
    ):
        assert browser.value(click % (2, 2)) == [way, f"All 40 groups: {said}", order]
    assert browser.value(click % (7, 7))[2][:2] == ["2026-11-02", "2026-11-01"]
    find = """(i => { i.value = '%s'; i.dispatchEvent(new Event('input')); return [i.nextElementSibling.textContent,
      [...document.querySelectorAll('#table-groups40 tbody tr')].filter(r => r.checkVisibility()).length]
    })(document.querySelector('#table-groups40 input'))"""
    browser.value(OPEN)
    assert browser.value(find % "PÚMP bench") == ["10 of 40 rows", 10]
    assert browser.value(find % "26-0003") == ["1 of 40 rows", 1] and browser.value(find % "") == ["", 40]
    assert browser.value("document.querySelectorAll('.find').length") == 3


def test_a_drawing_tells_its_numbers_to_pointers_and_keys(browser: Browser, page: Path) -> None:
    browser.show(page, 390)
    browser.value(OPEN)
    tip = "(t => t.hidden ? '' : t.textContent)(document.getElementById('tip'))"
    x, y = browser.value("""(e => { e.scrollIntoView({block: 'center'});
      const b = e.querySelectorAll('.tell')[2].getBoundingClientRect(); return [b.left + 20, b.top + 9]
    })(document.querySelector('figure'))""")
    for kind in ("mousePressed", "mouseReleased"):
        browser.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)
    assert browser.value(tip).startswith(MARKUP[:20]) and browser.value(tip).endswith("860 plants")
    for key, said in (("ArrowRight", "690 plants"), ("ArrowLeft", "860 plants"), ("Escape", "")):
        browser.ask("Input.dispatchKeyEvent", type="keyDown", key=key)
        assert browser.value(tip).endswith(said)
    inside = browser.value(
        "(b => [b.left >= 0, b.right <= innerWidth])(document.getElementById('tip').getBoundingClientRect())"
    )
    assert inside == [True, True]


def test_it_is_whole_without_its_script_and_on_paper(browser: Browser, page: Path) -> None:
    browser.show(page, A4[0], A4[1], script=False)
    browser.ask("Emulation.setEmulatedMedia", media="print")
    try:
        assert browser.value("document.querySelectorAll('details:not([open])').length") == 7
        hidden = """[...document.querySelectorAll('main :is(p, table, figure, li)')].filter(e => !e.checkVisibility())
          .map(e => e.id || e.className)"""
        assert browser.value(hidden) == ["all", "back", "back", "told-below", "key", "back", "back", "tip"]
        assert browser.value("document.getElementById('first').getBoundingClientRect().bottom") < A4[1]
        assert browser.value("getComputedStyle(document.getElementById('first')).breakAfter") == "page"
        assert browser.value("document.documentElement.scrollWidth") <= A4[0]
        tops = browser.value("[...document.querySelectorAll('.drawings')[1].children].map(e => e.getBoundingClientRect().top)")
        assert tops[0] == tops[1] < tops[2]
    finally:
        browser.ask("Emulation.setEmulatedMedia", media="")
    sheets = re.findall(rb"/Type\s*/Page\b", browser.paper())
    assert len(sheets) == 5


def test_the_page_of_the_demo(browser: Browser, demo: Workspace) -> None:
    with looked_at(demo) as store:
        page = write_report(store, demo)[0]
    _is_whole(browser, page)
    test_no_rule_of_access_is_broken(browser, page, 390)
