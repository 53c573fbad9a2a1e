"""The PDF report: PDF/A-3 with the result attached, tagged for screen readers (PDF/UA-1)."""

from __future__ import annotations

import json
import os
import re
import uuid
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Literal

import cv2
import numpy as np
import typst

from toeline.errors import ReportError
from toeline.photo import Photo
from toeline.picture import draw_picture, encode
from toeline.report.content import report_content
from toeline.result import Result
from toeline.units import Unit

if TYPE_CHECKING:
    from toeline.record import Identity, Inspection, NewDecision

Paper = Literal["a4", "us-letter"]

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
    sources = {
        "main.typ": (files("toeline.report") / "report.typ").read_bytes(),
        "result.json": result.to_json().encode(),
    }
    if content.cross_section:
        sources["cross_section.svg"] = content.cross_section.encode()
    if picture is not None:
        sources[str(data["picture"])] = picture
    return _compile(sources, data, made_at)


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
    part = target.with_name(f".{target.name}.{uuid.uuid4().hex}")
    try:
        part.write_bytes(pdf)
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
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


def _compile(sources: dict[str, bytes], data: dict[str, Any], made_at: datetime) -> bytes:
    """Typeset, with the embedded fonts if they have every letter, else with the system's; a letter that no font has
    is written as its code point, since an archival PDF may not show an empty box."""
    text = json.dumps(data, ensure_ascii=False)
    alone = True
    with TemporaryDirectory(prefix="toeline-report-") as folder:
        for name, content in sources.items():
            (Path(folder) / name).write_bytes(content)
        while True:
            (Path(folder) / "data.json").write_text(text, "utf-8")
            try:
                pdf = typst.compile(
                    Path(folder) / "main.typ",
                    root=Path(folder),
                    format="pdf",
                    ignore_system_fonts=alone,
                    pdf_standards=_STANDARDS,
                    timestamp=made_at.replace(microsecond=0),
                )
                return bytes(pdf)
            except typst.TypstError as error:
                missing = re.search(r'the text `"(.*?)"` could not be displayed', str(error), re.DOTALL)
                if missing is None:
                    raise ReportError(f"The report could not be typeset: {str(error).splitlines()[0]}") from error
                text, alone = text if alone else _spelled_out(text, missing[1]), False


def _spelled_out(text: str, letters: str) -> str:
    """``text`` with letters that no font has written as their code points."""
    spelled = text
    for letter in set(letters):
        if ord(letter) > 126:
            spelled = spelled.replace(letter, f"[U+{ord(letter):04X}]")
    if spelled == text:
        raise ReportError("The report holds a character that no font can show: remove it.")
    return spelled
