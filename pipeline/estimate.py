"""Lots -> take; movements -> survival and causes of loss; and what work out of its time and off-types come to."""

from __future__ import annotations

from pipeline.losses import estimate_losses
from pipeline.store import Store
from pipeline.takes import compare_off_types, compare_times, estimate_takes


def estimate_rates(store: Store) -> None:
    """All tables of rates."""
    estimate_takes(store)
    estimate_losses(store)
    store.build("ladder", "step_counts")
    compare_times(store)
    compare_off_types(store)
