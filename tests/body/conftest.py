from __future__ import annotations

import contextlib
import os
from pathlib import Path

import pytest

from pipeline.body.combined import combine
from tests.bench.nurseries import write_nurseries


@pytest.fixture(scope="session")
def three(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three unlike nurseries as they are (`raw`) and put together on this machine (`here`), once for all processes."""
    folder = tmp_path_factory.getbasetemp() / "three-nurseries"
    if "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent.parent / folder.name
    if not folder.exists():
        own = tmp_path_factory.mktemp("three") / "body"
        write_nurseries(own / "raw", nurseries=3, submissions=70)
        combine([own / "raw"], own / "here")
        with contextlib.suppress(OSError):  # another process was quicker
            own.rename(folder)
    return folder
