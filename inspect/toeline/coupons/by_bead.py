"""Which photos of a class show one bead: their names say so, with the side that each was taken from at the end."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import PurePath
from typing import get_args

from toeline.result import SeenSide

_FROM = re.compile(rf"(?P<bead>.*?\w)[\s_-]+(?P<side>{'|'.join(get_args(SeenSide))})(?:[\s_-]*\d+)?", re.IGNORECASE)


def by_bead(files: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """The face photo of each bead by its file name, and the names of those from its sides, all in their order.

    ``ada left.jpg``, ``ada_right.jpg`` and ``Ada-end-2.heic`` go with ``ada.jpg``, else with ``ada above.jpg``; without
    either each stands for itself, as does a name that ends in anything else, a number included.
    """
    files = list(files)
    said = {file: _FROM.fullmatch(PurePath(file).stem) for file in files}
    faces: dict[str, str] = {}
    for square_on in (False, True):
        for file, found in said.items():
            if found is None if not square_on else found is not None and found["side"].lower() == "above":
                faces.setdefault(_key(bead_of(file)), file)
    out: dict[str, tuple[str, ...]] = {}
    for file in files:
        face = file if said[file] is None else faces.get(_key(bead_of(file)), file)
        out[face] = (*out.get(face, ()), *(() if face == file else (file,)))
    return {file: out[file] for file in files if file in out}


def bead_of(file: str) -> str:
    """What a photo's file is called, without its ending and the side that it was taken from."""
    stem = PurePath(file).stem
    found = _FROM.fullmatch(stem)
    return stem if found is None else found["bead"]


def _key(bead: str) -> str:
    return re.sub(r"[\s_-]+", " ", bead).casefold()
