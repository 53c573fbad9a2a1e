"""Many photos measured without stopping at a bad one, on any executor."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from toeline import __version__
from toeline.batch.memory import settings_digest
from toeline.batch.warm import warm_up
from toeline.errors import ToelineError, told
from toeline.processes.anywhere import as_done
from toeline.processes.workers import allow_time_for
from toeline.result import Result, Settings
from toeline.text import shown_name

if TYPE_CHECKING:
    from toeline.photo import U8

#: Reads a number that lies in a photo (H, W, 3), such as a coupon's tag; a function that another process can import.
CodeOf = Callable[["U8"], int | None]
#: For a photo, those of the same bead from its sides.
Sides = Mapping[Path, Sequence[Path]]
NO_SIDES: Sides = {}


class Memory(Protocol):
    """Keeps measurements, so that an interrupted batch need not measure a photo twice. See ``batch/memory.py``."""

    def measured(self, photo_sha256: str, settings: str) -> Result | None:
        """The result for these photo bytes and this settings digest, if it was measured before; without its name."""

    def remember(self, photo_sha256: str, settings: str, result: Result) -> None:
        """Keep a result."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One photo of a batch: its file name and place, and its result, or ``problem``, one sentence why it has none.

    ``bug`` where that is a fault of toeline's own.
    """

    photo: str
    result: Result | None = None
    problem: str | None = None
    code: int | None = None
    path: Path | None = None
    bug: bool = False


def measure_one(path: Path, settings: Settings, code_of: CodeOf | None = None, sides: Sides = NO_SIDES) -> Measured:
    """Measure one photo of a batch; a photo that cannot be read or used becomes a problem, never an error."""
    from toeline.photo import read_photo  # loads the rest, which a page that only scores can do without
    from toeline.photogrammetry import check_count
    from toeline.pipeline import measure_with, relief_with

    name, more = shown_name(path), sides.get(path, ())
    try:
        count = 1 + len(more)
        if more:
            check_count(count)
        photo = read_photo(path)
        allow_time_for(count * photo.width * photo.height / 1e6, count)
        result = relief_with([photo, *more], settings) if more else measure_with(photo, settings)
    except ToelineError as error:
        return Measured(name, problem=str(error), path=path)
    return Measured(name, result, code=code_of and code_of(photo.image), path=path)


def measure_many(
    photos: Iterable[str | Path],
    settings: Settings | None = None,
    *,
    executor: Executor | None = None,
    memory: Memory | None = None,
    code_of: CodeOf | None = None,
    sides: Sides = NO_SIDES,
) -> Iterator[Measured]:
    """Measure photos, each given back as soon as it is done; ``photos`` may be a stream of any length.

    Without ``executor`` all cores of this machine work; with one, its workers have to see the photos under the same
    paths. A photo whose worker was lost is measured again, here, in a process that may die. With ``memory``, a photo
    measured before with the same settings is not measured again, and what is measured is kept at once, so that a batch
    cut short goes on where it stopped. ``code_of`` is asked for the number that lies in each photo. ``sides`` holds for
    a photo those from the sides of its bead, which tell its height with it; they are named in what is told, so it is
    not kept in the memory.
    """
    settings = settings or Settings()
    key = settings_digest(settings, __version__) if memory is not None else ""
    known: list[Measured] = []

    def waiting() -> Iterator[tuple[Path, Result | None]]:
        for path in map(Path, photos):
            result = None if memory is None or sides.get(path) else remembered(path, key, memory)
            if result is None or code_of is not None:
                yield path, result
            else:
                known.append(Measured(result.photo.name, result, path=path))

    job = partial(_measure, settings=settings, code_of=code_of, sides=sides)
    for (path, result), future in as_done(job, waiting(), executor, warm_up, _most_at_once(sides)):
        while known:
            yield known.pop()
        measured = outcome(path, future)
        if memory is not None and result is None and measured.result is not None and not sides.get(path):
            memory.remember(measured.result.photo.sha256, key, measured.result)
        yield measured
    yield from known


def _measure(one: tuple[Path, Result | None], settings: Settings, code_of: CodeOf | None, sides: Sides) -> Measured:
    """Measure a photo, or only read the number in one that was measured before."""
    path, known = one
    if known is None or code_of is None:
        return measure_one(path, settings, code_of, sides)
    from toeline.photo import read_photo

    try:
        photo = read_photo(path)
        allow_time_for(photo.width * photo.height / 1e6)
        return Measured(known.photo.name, known, code=code_of(photo.image), path=path)
    except ToelineError as error:
        return Measured(shown_name(path), problem=str(error), path=path)


def _most_at_once(sides: Sides) -> int:
    """How many photos one job holds: as many as a bead has, and no more than are taken, whatever files are called."""
    most = 1 + max(map(len, sides.values()), default=0)
    if most == 1:
        return most
    from toeline.photogrammetry import most_photos

    return min(most, most_photos())


def outcome(path: Path, future: Future[Measured]) -> Measured:
    """What a finished job gave, or one sentence on what ended it."""
    error = future.exception()
    if error is None:
        return future.result()
    name = shown_name(path)
    return Measured(name, problem=told(error, name), path=path, bug=not isinstance(error, (ToelineError, OSError)))


def remembered(path: Path, key: str, memory: Memory) -> Result | None:
    """The result of a photo that was measured before under this settings digest, with the name it has now."""
    try:
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None  # measuring it says what is wrong
    result = memory.measured(digest, key)
    if result is None:
        return None
    return result.model_copy(update={"photo": result.photo.model_copy(update={"name": shown_name(path)})})
