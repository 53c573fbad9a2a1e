"""Text that came from a person, made fit for one line of a page, a table or a file."""

from __future__ import annotations

import unicodedata


def one_line(text: str) -> str:
    """``text`` on one line: control characters and runs of white space become single spaces."""
    return " ".join("".join(" " if unicodedata.category(c) == "Cc" else c for c in text).split())


def capital(text: str) -> str:
    """``text`` with a capital at its start, the rest as it is."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """``text`` with a capital at its start and a full stop at its end; nothing stays nothing."""
    text = capital(text.strip())
    return text if not text or text.endswith((".", "!", "?")) else text + "."
