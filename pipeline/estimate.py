"""Lots -> take; movements -> survival and causes of loss; both and the lists -> what lies ahead."""

from __future__ import annotations

from pipeline.losses import estimate_losses
from pipeline.store import Store
from pipeline.takes import compare_off_types, compare_times, estimate_takes


def estimate_rates(store: Store) -> None:
    """All tables of rates."""
    estimate_takes(store)
    estimate_losses(store)


def compare(store: Store) -> None:
    """What work done out of time costs, off-types against what is published, and the ladder of all plants."""
    compare_times(store)
    compare_off_types(store)
    store.build("ladder")
