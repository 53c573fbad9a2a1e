"""The one loader of the data files that hold limits and geometry."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any


@cache
def load(name: str) -> dict[str, Any]:
    """The TOML file ``name`` of the package's ``data`` folder, read once; treat it as read-only."""
    return tomllib.loads((files("toeline") / "data" / name).read_text("utf-8"))


def line_of(text: str, where: tuple[int | str, ...]) -> int:
    """The line (from 1) of a TOML ``text`` nearest to a place such as ``("line", 3, "limit")``: table, then key."""
    lines = text.splitlines()
    start = 0
    if len(where) >= 2 and isinstance(where[1], int):
        headers = [n for n, line in enumerate(lines) if re.match(rf"\[\[\s*{where[0]}\s*\]\]", line.strip())]
        start = headers[where[1]] if where[1] < len(headers) else 0
        where = where[2:]
    for number in range(start, len(lines)):
        if number > start and lines[number].lstrip().startswith("[["):
            break
        if where and re.match(rf"\s*{re.escape(str(where[0]))}\s*(\.|=)", lines[number]):
            return number + 1
    return start + 1
