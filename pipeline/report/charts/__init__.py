"""Drawings of the report as SVG text, drawn by matplotlib in the one style of `base`; a module for each kind of chapter."""
