"""Headings of tables that people type: which question a column means, and which form a sheet.

A column means a question by the last part of its name, whatever stands before it, or by the question's label in any
of the form's languages; case, accents and blanks do not matter.
"""

from __future__ import annotations

import functools
import re
import unicodedata


@functools.cache
def folded(text: str) -> str:
    """A text without case, accents and what is no letter or digit, to compare what people type with what is meant."""
    plain = unicodedata.normalize("NFKD", text).casefold()
    return re.sub(r"[^\w]|_", "", "".join(c for c in plain if not unicodedata.combining(c)))
