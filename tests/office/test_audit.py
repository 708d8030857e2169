"""Each proof of `formpack check` is seen to fail when what it proves is broken."""

from __future__ import annotations

import pytest

from pipeline import run
from pipeline.office.audit import proofs
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.conftest import SAMPLES, copied, new_workspace

DAMAGE = {
    "bytes_kept": ["UPDATE kept.raw_files SET content = 'x'::BLOB WHERE name = '1.xml'"],
    "accounted": ["DELETE FROM work.states WHERE instance_id LIKE '%1'"],
    "states_add_up": ["DELETE FROM work.current WHERE instance_id LIKE '%1'"],
    "moves_balance": ["UPDATE work.movements SET quantity = quantity + 1 WHERE kind = 'moved_in'"],
    "book_adds_up": ["UPDATE work.standing SET book_count = book_count + 1"],
    "plants_are_whole": ["DELETE FROM work.movements WHERE kind = 'culled'"],
    "walk_adds_up": ["UPDATE work.bridge SET plants = plants - 1 WHERE step = 'not_recorded' OR step = 'opened'"],
    "bookings_moved": ["DELETE FROM work.movements WHERE kind = 'opened'"],
}


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    workspace = new_workspace(tmp_path_factory.mktemp("audit") / "nursery")
    run.import_files(workspace, [SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"], show=run.EVERYTHING)
    return workspace


@pytest.fixture
def store(prepared: Workspace, workspace: Workspace) -> Store:
    return Store.open(copied(prepared, workspace).store_file)


def test_sound_books_pass_every_proof(store: Store) -> None:
    with store:
        found = proofs(store)
    assert {name for name, _, _ in found} == set(DAMAGE)
    assert all(places == [] for _, _, places in found)


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_is_found(name: str, store: Store) -> None:
    with store:
        for statement in DAMAGE[name]:
            store.connection.execute(statement)
        assert {n: places for n, _, places in proofs(store)}[name]


def test_tables_that_would_come_out_otherwise_are_found(workspace: Workspace, store: Store) -> None:
    with store:
        assert run.differs_when_rebuilt(store, workspace) == []
        store.connection.execute("UPDATE work.lots SET green = green - 1; DELETE FROM work.due")
        assert run.differs_when_rebuilt(store, workspace) == ["table due", "table lots"]
