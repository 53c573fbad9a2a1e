"""The PDF report: PDF/A-3 with the result attached, tagged for screen readers (PDF/UA-1)."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.resources import files as files_of
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import typst

from toeline.errors import ReportError
from toeline.files import write_whole
from toeline.photo import Photo
from toeline.report.content import ReportContent, report_content
from toeline.report.picture import draw_picture, encode
from toeline.report.typeset import Paper, typeset
from toeline.result import Result
from toeline.text import unbroken
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
    sheet = Sheet(content, result, drawn(result, photo, unit))
    return lay_out(f"{content.title} · {content.outcome}", (sheet,), paper=paper, made_at=made_at)


@dataclass(frozen=True, slots=True)
class Sheet:
    """One inspection to be laid out: what it says, its result to be attached, and its picture as JPEG or PNG."""

    content: ReportContent
    result: Result
    picture: bytes | None


def lay_out(
    title: str,
    sheets: Sequence[Sheet],
    *,
    paper: Paper,
    made_at: datetime,
    front: Mapping[str, object] | None = None,
    front_pictures: Sequence[tuple[str, bytes]] = (),
) -> bytes:
    """The PDF of one or more sheets, perhaps with a page before them; its pictures as (caption, JPEG)."""
    laid: list[object] = []
    sources: dict[str, bytes] = {f"front-{k}.jpg": jpeg for k, (_, jpeg) in enumerate(front_pictures)}
    for number, sheet in enumerate(sheets, 1):
        ending = "" if len(sheets) == 1 else f"-{number}"
        picture = _picture_name(sheet.picture, ending)
        files = {
            "picture": picture,
            "result": f"result{ending}.json",
            "section": f"cross_section{ending}.svg",
            "relief": f"relief_profile{ending}.svg",
            "map": f"height_map{ending}.svg",
            "sections": [f"relief_section{ending}-{k}.svg" for k in range(len(sheet.content.sections))],
        }
        sources[f"result{ending}.json"] = sheet.result.to_json().encode()
        sources[f"cross_section{ending}.svg"] = sheet.content.cross_section.encode()
        sources[f"relief_profile{ending}.svg"] = sheet.content.relief_profile.encode()
        sources[f"height_map{ending}.svg"] = sheet.content.height_map.encode()
        for k, (_, section) in enumerate(sheet.content.sections):
            sources[f"relief_section{ending}-{k}.svg"] = section.encode()
        if picture is not None and sheet.picture is not None:
            sources[picture] = sheet.picture
        laid.append(_unbroken(asdict(sheet.content)) | {"files": files, "picture_share": _share(sheet.picture)})
    data = {
        "title": title,
        "paper": paper,
        "made_at": sheets[0].content.made_at,
        "versions": sheets[0].content.versions,
        "front": None if front is None else _unbroken(front),
        "front_pictures": [(caption, f"front-{k}.jpg") for k, (caption, _) in enumerate(front_pictures)],
        "sheets": laid,
    }
    return typeset((files_of("toeline.report") / "report.typ").read_bytes(), data, sources, made_at, _STANDARDS)


def _unbroken(value: Any) -> Any:
    """The same with no line broken inside figures; drawings are left alone."""
    if isinstance(value, str):
        return value if value.startswith("<svg") else unbroken(value)
    if isinstance(value, Mapping):
        return {key: _unbroken(one) for key, one in value.items()}
    return [_unbroken(one) for one in value] if isinstance(value, Sequence) else value


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


def drawn(result: Result, photo: Photo | bytes | None, unit: Unit) -> bytes | None:
    """The picture of a report: drawn from the photo, or as it was drawn already."""
    if isinstance(photo, Photo):
        picture = draw_picture(
            photo, result, width=_PICTURE_PX, text_px=_LETTERS_PX, tallest=_TALLEST, key=False, unit=unit
        )
        return encode(picture)
    return photo


def _picture_name(picture: bytes | None, ending: str) -> str | None:
    if picture is None:
        return None
    if picture.startswith(b"\xff\xd8\xff"):
        return f"picture{ending}.jpg"
    if picture.startswith(b"\x89PNG"):
        return f"picture{ending}.png"
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
