"""Lots -> take; movements -> survival and causes of loss; both and the lists -> what lies ahead."""

from __future__ import annotations

from pipeline.losses import estimate_losses
from pipeline.store import Store
from pipeline.takes import estimate_takes


def estimate_rates(store: Store) -> None:
    """All tables of rates."""
    estimate_takes(store)
    estimate_losses(store)
