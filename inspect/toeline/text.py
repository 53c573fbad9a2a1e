"""Text that came from a person, made fit for one line of a page, a table or a file."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

#: Control characters, those that turn the direction of writing about, halves of pairs.
_UNSEEN = ("Cc", "Cs")
_TURNING = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def unseen(sign: str) -> bool:
    """Whether a sign of a text is a control character, turns the direction of writing about, or is half of a pair."""
    return unicodedata.category(sign) in _UNSEEN or sign in _TURNING


def one_line(text: str) -> str:
    """``text`` on one line: control characters and runs of white space become single spaces."""
    return " ".join("".join(" " if unseen(c) else c for c in text).split())


def shown_name(path: str | Path) -> str:
    """A file's name as it can be shown and kept: any bytes may stand in it, terminal commands among them."""
    return one_line(os.fsencode(Path(path).name).decode("utf-8", "replace")) or "photo"


def shown_path(path: str | Path) -> str:
    """As :func:`shown_name`, with its folders."""
    return one_line(os.fsencode(path).decode("utf-8", "replace"))


def capital(text: str) -> str:
    """``text`` with a capital at its start, the rest as it is."""
    return text[:1].upper() + text[1:]


def clause(text: str) -> str:
    """A sentence as it stands inside another: a small letter at its start, no full stop."""
    return text[:1].lower() + text[1:].rstrip(".")


def sentence(text: str) -> str:
    """``text`` with a capital at its start and a full stop at its end; nothing stays nothing."""
    text = capital(text.strip())
    return text if not text or text.endswith((".", "!", "?")) else text + "."


def spoken_error(found: Mapping[str, Any]) -> str:
    """What a model's refusal says about a value, as :mod:`pydantic` lists it, without the words for programmers."""
    return str(found["msg"]).removeprefix("Value error, ").removeprefix("Assertion failed, ").rstrip(".")


#: What stands beside a figure, and a space before it.
_BESIDE = re.compile(r"(?<=\d) (?=(?:mm/min|in/min|mm|in|kJ/mm|kJ/in|px/mm|px|A|V|s|°C|°F|%)(?![A-Za-z]))")
_HELD = re.compile(r" (?=±)|(?<=±) | (?=[≤≥] ?[\d−-])|(?<=[≤≥]) (?=[\d−-])")


def unbroken(text: str) -> str:
    """``text`` with spaces that no line is broken at inside figures: between a value, its U and its unit."""
    return _HELD.sub("\u00a0", _BESIDE.sub("\u00a0", text))


def either(words: Sequence[str]) -> str:
    """One, ``a or b``, or ``a, b or c``."""
    return " or ".join(filter(None, (", ".join(words[:-1]), words[-1])))
