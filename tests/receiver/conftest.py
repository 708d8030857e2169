"""A receiver for a workspace of its own, which has to have met nothing that it did not expect."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import new_workspace
from tests.receiver.office import Office, put_forms, running


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    workspace = new_workspace(tmp_path)
    put_forms(workspace)
    with running(workspace) as it:
        yield it
        assert it.failures == []
