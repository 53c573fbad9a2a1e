"""Reports, drawings and cards, as they are shown or handed over."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from toeline.record import Identity, Inspection
from toeline.report.fillet_sketch import draw_cross_section
from toeline.result import Result
from toeline.units import Unit
from toeline_app import jobs
from toeline_app.service.workers import WORKERS

if TYPE_CHECKING:
    from toeline.report.relief_map import Cut


def pdf(result: Result, photo: Path | bytes, unit: Unit, inspection: Inspection | None = None) -> bytes:
    """The PDF report of a result, or of an inspection on record, its picture drawn from the original photo."""
    return WORKERS.submit(jobs.pdf, result, photo, unit, inspection).result()


def csv(result: Result, identity: Identity | None = None) -> bytes:
    """A result as CSV; no cell can be read as a formula."""
    from toeline.report import csv_rows, csv_text

    return csv_text(csv_rows(result, identity)).encode("utf-8-sig")


def html(result: Result, photo: Path | bytes, unit: Unit, inspection: Inspection | None = None) -> bytes:
    """The one-page HTML report of a result, or of an inspection on record."""
    return WORKERS.submit(jobs.html, result, photo, unit, inspection).result()


def fewest_for_depth() -> int:
    """How many photos the depth of undercut takes."""
    from toeline.photogrammetry import fewest_for_depth as fewest

    return fewest()


def relief_cuts(result: Result, unit: Unit) -> tuple[Cut, ...]:
    """The cross-sections worth showing, that at a place somebody chose last."""
    from toeline.report.relief_map import cuts

    return cuts(result, unit)


def height_map(result: Result, unit: Unit, shown: Sequence[Cut], wide: float) -> str | None:
    """The surface as SVG, ``wide`` px, or None where there is none."""
    from toeline.report.relief_map import draw_height_map

    return draw_height_map(result, unit, shown, wide)


def relief_section(result: Result, cut: Cut, unit: Unit, wide: float) -> tuple[str, str | None]:
    """A cross-section's title and its drawing as SVG, ``wide`` px."""
    from toeline.report.relief_map import draw_section, title_of_cut

    return title_of_cut(cut, unit), draw_section(result, cut, wide)


def relief_profile(result: Result, unit: Unit, wide: float) -> str | None:
    """Height of the face, depth along both toes and width over the seam as SVG, ``wide`` px."""
    from toeline.report.relief_profile import draw_relief_profile

    return draw_relief_profile(result, unit, wide)


def cross_section(result: Result, unit: Unit) -> str | None:
    """A fillet's cross-section as SVG, its words escaped; None where a leg is not known."""
    return draw_cross_section(result, unit)


#: What can be printed: key, label, file name.
CARDS = {
    "A": ("Card A, for the plate with the bead", "card-a.pdf"),
    "B": ("Card B, for the second plate of a fillet", "card-b.pdf"),
    "fold": ("Both cards on one sheet folded at 90 degrees", "card-folding.pdf"),
}


def card_pdf(name: str, paper: str) -> bytes:
    """A reference card as PDF."""
    from toeline.geometry.card_print import card_pdf as printed

    return printed(name, paper)
