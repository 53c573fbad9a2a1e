"""The PDF report: PDF/A-3 with the result attached, tagged for screen readers (PDF/UA-1)."""

from __future__ import annotations

import os
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import typst

from toeline.errors import ReportError
from toeline.files import write_whole
from toeline.photo import Photo
from toeline.report.content import report_content
from toeline.report.picture import draw_picture, encode
from toeline.report.typeset import Paper, typeset
from toeline.result import Result
from toeline.units import Unit

if TYPE_CHECKING:
    from toeline.record import Identity, Inspection, NewDecision

_STANDARDS: list[typst.PDFStandard] = ["a-3a", "ua-1"]

#: On paper the picture is some 180 mm wide: 2000 px then print at 280 dpi, and letters of 34 px are 3 mm high.
_PICTURE_PX, _LETTERS_PX = 2000, 34
_TALLEST = 0.4

#: The picture's greatest height as a share of the text's width.
_MOST_HEIGHT = 0.58


def pdf_report(
    result: Result,
    photo: Photo | bytes | None,
    identity: Identity | None = None,
    decision: NewDecision | None = None,
    *,
    inspection: Inspection | None = None,
    paper: Paper = "a4",
    unit: Unit = "mm",
    made_at: datetime | None = None,
) -> bytes:
    """The report as a PDF's bytes.

    ``photo``: the photo, to be drawn on, or a picture already drawn (JPEG or PNG bytes), or None. ``inspection``,
    where the weld is on record, brings identity, decision, remarks and the chain's digest. ``made_at`` fixes the time
    (then the same input gives the same bytes).
    """
    made_at = made_at or datetime.now(UTC)
    content = report_content(result, identity, decision, inspection=inspection, unit=unit, made_at=made_at)
    picture = _picture(result, photo, unit)
    data = asdict(content) | {"paper": paper, "picture": _picture_name(picture), "picture_share": _share(picture)}
    template = (files("toeline.report") / "report.typ").read_bytes()
    sources = {"result.json": result.to_json().encode()}
    if content.cross_section:
        sources["cross_section.svg"] = content.cross_section.encode()
    if content.relief_profile:
        sources["relief_profile.svg"] = content.relief_profile.encode()
    if picture is not None:
        sources[str(data["picture"])] = picture
    return typeset(template, data, sources, made_at, _STANDARDS)


def write_report(
    result: Result,
    photo: Photo | bytes | None,
    path: str | os.PathLike[str],
    identity: Identity | None = None,
    decision: NewDecision | None = None,
    *,
    inspection: Inspection | None = None,
    paper: Paper = "a4",
    unit: Unit = "mm",
    made_at: datetime | None = None,
) -> None:
    """Write :func:`pdf_report` to ``path``, whole or not at all. Raises ``ReportError`` where that is not possible."""
    pdf = pdf_report(result, photo, identity, decision, inspection=inspection, paper=paper, unit=unit, made_at=made_at)
    target = Path(path)
    try:
        write_whole(target, pdf)
    except OSError as error:
        raise ReportError(f"The report {target} cannot be written: {error.strerror}.") from error


def _picture(result: Result, photo: Photo | bytes | None, unit: Unit) -> bytes | None:
    if isinstance(photo, Photo):
        drawn = draw_picture(
            photo, result, width=_PICTURE_PX, text_px=_LETTERS_PX, tallest=_TALLEST, key=False, unit=unit
        )
        return encode(drawn)
    return photo


def _picture_name(picture: bytes | None) -> str | None:
    if picture is None:
        return None
    if picture.startswith(b"\xff\xd8\xff"):
        return "picture.jpg"
    if picture.startswith(b"\x89PNG"):
        return "picture.png"
    raise ReportError("The picture for the report must be a JPEG or PNG.")


def _share(picture: bytes | None) -> float:
    """How much of the text's width the picture takes, in %, so that it leaves room on its page."""
    if picture is None:
        return 0.0
    pixels = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_8)
    if pixels is None:
        raise ReportError("The picture for the report cannot be read.")
    height, width = map(int, pixels.shape[:2])
    return min(100.0, 100 * _MOST_HEIGHT * width / height)
