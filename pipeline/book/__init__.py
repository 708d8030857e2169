"""Movements, counts, chains: what stands and why not."""
