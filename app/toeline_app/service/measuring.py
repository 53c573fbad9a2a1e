"""Photos measured, judged anew and drawn; measurements of batches that are kept."""

from __future__ import annotations

import io
import logging
from collections.abc import Sequence
from concurrent.futures import Future
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PIL import Image, ImageDraw

from toeline import __version__
from toeline.batch import KeptMeasurements, settings_digest
from toeline.errors import SettingsError, ToelineError, told
from toeline.pipeline import judge_again
from toeline.result import Point, Result, Settings
from toeline_app import jobs
from toeline_app.service.workers import OF_SEVERAL, WORKERS

if TYPE_CHECKING:
    from toeline.photogrammetry import SidesSeen

_LOG = logging.getLogger(__name__)
THUMBNAIL_PX = 240
FURTHER_PX = 900


def submit(
    path: Path,
    name: str,
    settings: Settings,
    known: Result | None = None,
    with_code: bool = False,
    sides: Sequence[jobs.Named] = (),
) -> Future[jobs.Examined]:
    """Put a photo in line to be measured with those from its sides and drawn, or only drawn where its result is
    ``known``."""
    workers = OF_SEVERAL if sides else WORKERS
    return workers.submit(jobs.examine, path, name, settings, known, with_code, sides)


def sides_of(face: Result, photos: Sequence[jobs.Named]) -> Future[SidesSeen]:
    """From which sides photos were taken whose first is the photo that ``face`` was measured in."""
    return OF_SEVERAL.submit(jobs.look_at_sides, face, photos)


def judged_again(result: Result, settings: Settings) -> Result | None:
    """A measured photo judged anew by other settings; None where it has to be measured anew. Raises ToelineError."""
    return judge_again(result, settings)


#: What batches measured, kept beside the record.
_KEPT = KeptMeasurements()


def remembered(sha256: str, name: str, settings: Settings) -> Result | None:
    """A measurement of a batch that was made before with these settings."""
    with suppress(SettingsError):  # what is kept spares time, and no more
        found = _KEPT.measured(sha256, settings_digest(settings, __version__))
        return found and found.model_copy(update={"photo": found.photo.model_copy(update={"name": name})})
    return None


def remember(result: Result) -> None:
    """Keep a batch's measurement, where there is room."""
    with suppress(SettingsError):
        _KEPT.remember(result.photo.sha256, settings_digest(result.settings, __version__), result)


def abandon(job: Future[Any]) -> None:
    """End a photo's job that nobody waits for any more; one that is done stays as it is."""
    for workers in (WORKERS, OF_SEVERAL):
        workers.abandon(job)


def sentence(error: BaseException) -> str:
    """What to tell the user about an error: toeline's own sentence, or that something unforeseen happened."""
    if isinstance(error, ToelineError):
        return told(error, "This photo")
    frames = [line for line in str(error.__cause__).splitlines() if line.startswith("  File")]
    _LOG.error("measuring failed with %s\n%s", type(error).__name__, "\n".join(frames))  # its words may name a person
    return "Measuring stopped unexpectedly. Try again; if it happens again, try another photo."


def to_photo_px(tap: Point, shown_width: float, photo_width: int) -> Point:
    """Where in the photo a tap on its overview fell, the overview being shown ``shown_width`` wide."""
    factor = photo_width / shown_width
    return ((tap[0] + 0.5) * factor - 0.5, (tap[1] + 0.5) * factor - 0.5)


def with_mark(overview: bytes, at: Point | None, photo_width: int) -> Image.Image:
    """The overview with a ring where the first end was tapped; ``at`` in photo px."""
    image = Image.open(io.BytesIO(overview)).convert("RGB")
    if at is not None:
        factor = image.width / photo_width
        x, y = ((at[0] + 0.5) * factor - 0.5, (at[1] + 0.5) * factor - 0.5)
        radius = image.width // 40
        for grow, colour in ((3, (255, 255, 255)), (0, (11, 92, 173))):
            box = (x - radius - grow, y - radius - grow, x + radius + grow, y + radius + grow)
            ImageDraw.Draw(image).ellipse(box, outline=colour, width=radius // 3 + grow)
    return image


def thumbnail(picture: bytes) -> bytes:
    """A small copy of a picture."""
    return jobs.thumbnail(picture, THUMBNAIL_PX)


def small_copy(photo: bytes, name: str) -> bytes:
    """A further photo, decoded within the limits, as a small JPEG. Raises PhotoError where it is none."""
    return WORKERS.submit(jobs.small_copy, photo, name, FURTHER_PX).result()
