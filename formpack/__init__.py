"""What is asked in the field: the forms, the phone's side of them, and the reading of what comes back."""

from pathlib import Path

_HERE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """The folder `forms` or `sample_submissions` that comes with the program (beside the package, or inside it)."""
    inside = _HERE / "shipped" / name
    return inside if inside.is_dir() else _HERE.parent / name
