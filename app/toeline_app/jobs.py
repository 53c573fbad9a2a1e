"""What worker processes do: measure, draw, typeset. Nothing here knows of the web.

Heavy libraries are loaded where they are used, as the app itself names these functions and runs none of them.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image

from toeline.coupons.roster import coupon_code
from toeline.errors import PhotoError
from toeline.photo import Photo, read_photo
from toeline.problems import problem
from toeline.processes.workers import allow_time_for
from toeline.record import Inspection, Weld
from toeline.result import Problem, Result, Settings
from toeline.units import Unit

if TYPE_CHECKING:
    from toeline.photogrammetry import SidesSeen

OVERVIEW_PX = 1200


@dataclass(frozen=True, slots=True)
class Examined:
    """A measured photo with its pictures as JPEG: the bead turned level, annotated, and the whole photo small."""

    result: Result
    picture: bytes
    overview: bytes
    code: int | None = None


def warm_up() -> None:
    """Load what a worker needs for its first photo and its first report."""
    from toeline import batch, report  # noqa: F401

    batch.warm_up()


#: A photo's name and where its bytes lie.
Named = tuple[Path, str]


def examine(
    path: Path, name: str, settings: Settings, known: Result | None, with_code: bool, sides: Sequence[Named] = ()
) -> Examined:
    """Measure one photo, with those from the sides of its bead, unless it is ``known``, and draw it.

    Raises:
        ToelineError: with a sentence for the user.
    """
    from toeline.photogrammetry import check_count
    from toeline.pipeline import measure_with, relief_with
    from toeline.report.picture import draw_overview, draw_picture, encode

    count = 1 + len(sides)
    if sides:
        check_count(count)
    photo = read_photo(path, name)
    allow_time_for(count * photo.width * photo.height / 1e6, count)
    if known is not None:
        result = known
    elif sides:
        result = relief_with([photo, *(_read(*side) for side in sides)], settings)
    else:
        result = measure_with(photo, settings)
    picture = encode(draw_picture(photo, result, unit=settings.unit))
    overview = encode(draw_overview(photo, result, width=OVERVIEW_PX))
    return Examined(result, picture, overview, coupon_code(photo.image) if with_code else None)


def _read(path: Path, name: str) -> Photo | bytes:
    """A photo under its name; as it came where it cannot be read, which costs only itself."""
    try:
        return read_photo(path, name)
    except PhotoError:
        return path.read_bytes()


def look_at_sides(face: Result, photos: Sequence[Named]) -> SidesSeen:
    """From which sides photos were taken, the face photo first; one that cannot be read is left out.

    Raises:
        ToelineError: the face photo cannot be read, or its card allows no pose.
    """
    from toeline.photogrammetry import SidesSeen, sides_seen

    read: dict[int, Photo] = {}
    unread: dict[int, Problem] = {}
    for nth, (path, name) in enumerate(photos):
        try:
            read[nth] = photo = read_photo(path, name)
            allow_time_for(len(photos) * photo.width * photo.height / 1e6)
        except PhotoError as error:
            if nth == 0:
                raise
            unread[nth] = problem("relief_unread", why=str(error))
    found = sides_seen(list(read.values()), face)
    place = list(read)
    return SidesSeen(
        tuple(one.model_copy(update={"photo": place[one.photo]}) for one in found.seen_from),
        found.missing,
        unread | {place[nth]: why for nth, why in found.left_out.items()},
    )


def draw(photo: Path | bytes, result_json: str, unit: Unit, key: bool = True) -> bytes:
    """The annotated picture of a photo measured before, with or without the key to its numbers."""
    from toeline.report.picture import draw_picture, encode

    return encode(draw_picture(read_photo(photo), Result.model_validate_json(result_json), unit=unit, key=key))


def weld_pdf(
    weld: Weld, inspections: Sequence[tuple[Inspection, bytes]], test_photos: Mapping[str, bytes], unit: Unit
) -> bytes:
    """The PDF report of a whole weld: its inspections with their photos, and the photos of its later tests."""
    from toeline.report.weld import weld_pdf as typeset

    return typeset(weld, inspections, test_photos.items(), unit)


def pdf(result: Result, photo: Path | bytes, unit: Unit, inspection: Inspection | None) -> bytes:
    """The PDF report, its picture drawn from the original photo."""
    from toeline.report import pdf_report

    return pdf_report(result, read_photo(photo, result.photo.name), inspection=inspection, unit=unit)


def html(result: Result, photo: Path | bytes, unit: Unit, inspection: Inspection | None) -> bytes:
    """The one-page HTML report, its picture drawn from the original photo."""
    from toeline.report import html_report

    return html_report(result, read_photo(photo, result.photo.name), inspection=inspection, unit=unit).encode()


def small_copy(photo: bytes, name: str, longest: int) -> bytes:
    """Any photo as a JPEG of ``longest`` px at most. Raises PhotoError where it is no photo."""
    from toeline.report.picture import encode

    return thumbnail(encode(read_photo(photo, name).image), longest)


def thumbnail(picture: bytes, longest: int) -> bytes:
    """A small copy of a picture of our own."""
    image = Image.open(io.BytesIO(picture))
    image.thumbnail((longest, longest))
    out = io.BytesIO()
    image.convert("RGB").save(out, "JPEG", quality=80)
    return out.getvalue()
