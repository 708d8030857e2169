"""Many nurseries together, for a body that gathers them: hand-overs or raw submissions in, one store and one page out."""
