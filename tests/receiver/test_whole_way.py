"""The whole way, for all forms: fetched with curl, filled by the native form engine, sent with curl, imported,
and in the report."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import lxml.etree
import lxml.html

from pipeline.field.receiver.doors import People
from pipeline.field.receiver.spool import Spool
from pipeline.office import photos
from tests.cli.test_cli import formpack
from tests.conftest import looked_at, table
from tests.engine.nursery import AFTER, FORMS, filled, new_nursery, stands
from tests.engine.phone import Phone, needs_java
from tests.receiver import stand_in
from tests.receiver.office import JPEG, let_in
from tests.receiver.test_command import serving


def test_from_the_office_to_the_bench_and_back(tmp_path: Path) -> None:
    needs_java()
    workspace = new_nursery(tmp_path / "nursery")
    password = let_in(People(workspace.receiver / "people.json"), "S03")
    fetched, sent = tmp_path / "fetched", tmp_path / "sent"
    for folder in (fetched, sent):
        folder.mkdir()
    with serving(workspace) as (port, _), Phone("America/Sao_Paulo") as engine:
        base = f"http://127.0.0.1:{port}"
        assert stand_in.fetch(base, "S03", password, fetched) == sorted(FORMS)
        ours = {path.name: path.read_bytes() for path in workspace.phone.iterdir() if path.suffix != ".xlsx"}
        assert {path.name: path.read_bytes() for path in fetched.iterdir()} == ours, "all of phone/ but the workbooks"
        photo = sent / "leaf.jpg"
        photo.write_bytes(JPEG)
        for form_id in FORMS:
            record = sent / f"{form_id}.xml"
            more = {"photo": photo.name} if form_id == "loss" else {}
            record.write_bytes(filled(fetched, form_id, it=engine, more=more))
            beside = [photo] if more else []
            assert stand_in.send(base, "S03", password, record, *beside) == "201 Received. Thank you."
        assert len(Spool(workspace.receiver).waits()) == len(FORMS)
        formpack("import", cwd=workspace.folder, code=1)
        assert Spool(workspace.receiver).waits() == []
        again = tmp_path / "again"
        again.mkdir()
        stand_in.fetch(base, "S03", password, again)
        assert (again / "groups.csv").read_bytes() == (workspace.phone / "groups.csv").read_bytes() != ours["groups.csv"]
    assert stands(workspace) == AFTER
    identity = re.findall(r"uuid:[\w-]+", (sent / "loss.xml").read_text(encoding="utf-8"))[-1]
    with looked_at(workspace) as store:
        (found,) = photos.find(store, {identity: [photo.name]})[identity]
        assert photos.read(store, found) == JPEG
    formpack("report", cwd=workspace.folder, code=1)
    with (workspace.reports / "tables" / "standing.csv").open(encoding="utf-8", newline="") as file:
        assert sum(int(row["book_count"]) for row in csv.DictReader(file)) == sum(plants for plants, *_ in AFTER.values())
    page = lxml.html.parse(workspace.reports / "nursery-report.html").getroot()
    lxml.etree.strip_elements(page, "script", "style")
    said = " ".join(page.itertext())
    assert f"{sum(plants for plants, *_ in AFTER.values()):,}" in said, "the book, on the page"
    assert table(workspace, "orders", "order_ref, delivered") == [("O001", 300)]
    (order,) = (row.text_content() for row in page.iter("tr") if row.text_content().strip().startswith("O001"))
    assert "500" in order, "of the 800 that were ordered"
