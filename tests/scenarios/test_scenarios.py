"""Each folder of sample_submissions/ that is named as a sentence ends exactly as its expected.json says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline import run
from tests.conftest import SAMPLES, looked_at, new_workspace
from tests.words.pseudo import is_sentence, kept_texts

SCENARIOS = sorted(p.parent.name for p in SAMPLES.glob("*/expected.json"))


def test_there_are_scenarios() -> None:
    assert len(SCENARIOS) >= 16


def _matches(found: dict[str, Any], wanted: dict[str, Any]) -> bool:
    return all(str(found[k]) == str(v) for k, v in wanted.items())


@pytest.mark.parametrize("name", SCENARIOS)
def test_scenario(name: str, tmp_path: Path) -> None:
    folder = SAMPLES / name
    expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    forms = folder / "forms"
    workspace = new_workspace(tmp_path, forms if forms.exists() else None)
    done = run.import_files(workspace, [folder / "inbox"])
    assert done.states == expected["states"]
    with looked_at(workspace) as store:
        problems = store.rows("SELECT rule, coalesce(field, ''), instance_id FROM problems ORDER BY ALL")
        found = [[r, f, "*" if i.startswith("unread:") else i] for r, f, i in problems]
        assert sorted(found) == sorted(expected["problems"])
        assert [text for text in kept_texts(store) if is_sentence(text)] == []
        for table, rows in expected["tables"].items():
            frame = store.connection.execute(f"SELECT * FROM {table}")
            columns = [c[0] for c in frame.description or []]
            have = [dict(zip(columns, row, strict=True)) for row in frame.fetchall()]
            if not rows:
                assert have == []
            for wanted in rows:
                matching = [h for h in have if _matches(h, wanted)]
                assert matching, f"{table} has no row {wanted}; it has {have}"
                have.remove(matching[0])
            if table in ("counts", "lots", "movements"):
                assert have == [], f"{table} has rows that were not expected"
