"""What the command line measures, as jobs for processes that may die: here on all cores, or on a cluster."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeVar

from toeline.batch import Measured, outcome, warm_up
from toeline.errors import JobEnded, PhotoError, SettingsError, ToelineError, told
from toeline.files import write_whole
from toeline.processes.anywhere import as_done
from toeline.processes.workers import Workers, allow_time_for
from toeline.result import Result, Settings
from toeline.text import shown_name
from toeline.units import Unit

if TYPE_CHECKING:
    from toeline.geometry.camera import CardPhoto
    from toeline.photo import Photo

R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Written:
    """Where the outputs of one result go."""

    json: Path | None
    picture: Path | None
    report: Path | None
    paper: Literal["a4", "us-letter"]

    def write(self, result: Result, photo: Photo) -> None:
        """Write what is wanted of a result and its photo."""
        unit = result.settings.unit
        if self.json is not None:
            write_whole(self.json, result.to_json() + "\n")
        if self.picture is not None:
            from toeline.report.picture import draw_picture, encode

            kind: Literal["png", "jpeg"] = "png" if self.picture.suffix.lower() == ".png" else "jpeg"
            write_whole(self.picture, encode(draw_picture(photo, result, unit=unit), kind))
        if self.report is not None:
            from toeline.report import write_report

            write_report(result, photo, self.report, paper=self.paper, unit=unit)


@dataclass(frozen=True, slots=True)
class Job:
    """One photo to measure: its place in the row, its path, its bytes where they came from standard input, its result
    where that is known from before, and where its outputs go."""

    number: int
    path: Path
    data: bytes | None
    settings: Settings
    known: Result | None
    out: Written


def do(job: Job) -> Measured:
    """Measure one photo and write what is wanted of it; a photo that cannot be read is a problem, never an error."""
    name = shown_name(job.path) if job.data is None else "standard input"
    try:
        return Measured(name, _measured(job, name), path=job.path)
    except ToelineError as error:
        return Measured(name, problem=str(error), path=job.path)


def _measured(job: Job, name: str) -> Result:
    from toeline.photo import read_photo
    from toeline.pipeline import measure_with

    photo = read_photo(job.path if job.data is None else job.data, name)
    allow_time_for(photo.width * photo.height / 1e6)
    result = job.known or measure_with(photo, job.settings)
    job.out.write(result, photo)
    return result


def do_all(jobs: Iterable[Job], executor: Executor | None) -> Iterator[tuple[int, Measured]]:
    """Each job's number and outcome as they finish."""
    for job, future in as_done(do, jobs, executor, warm_up):
        yield job.number, outcome(job.path, future)


def relief(photos: Sequence[Path], settings: Settings, height_map: Path | None, out: Written) -> Result:
    """Measure several photos of one bead in a process that may die, and write what is wanted of it.

    Raises:
        ToelineError: the face photo cannot be read, or the process ended; the text says what to do.
    """
    from toeline.photogrammetry import check_count

    check_count(len(photos))
    with Workers(1, warm_up, at_once=len(photos)) as workers:
        try:
            return workers.submit(_relief, photos, settings, height_map, out).result()
        except JobEnded as error:
            raise PhotoError(told(error, ", ".join(map(shown_name, photos)))) from error


def _relief(photos: Sequence[Path], settings: Settings, height_map: Path | None, out: Written) -> Result:
    from toeline.photo import read_photo
    from toeline.pipeline import relief_with

    face = read_photo(photos[0])
    allow_time_for(len(photos) * face.width * face.height / 1e6, len(photos))
    result = relief_with([face, *photos[1:]], settings, height_map)
    out.write(result, face)
    return result


def cards_in(photos: Sequence[Path]) -> Iterator[CardPhoto]:
    """The cards in each photo, in their order, each looked for in a process that may die.

    Raises:
        ToelineError: a photo cannot be read, or its process ended; the text names it.
    """
    return _of_each(photos, _cards_in)


def photos_given(photos: Sequence[Path]) -> list[tuple[str, bytes]]:
    """The names and the bytes of photos that can be read. Raises as :func:`cards_in`."""
    return list(_of_each(photos, _given))


def weld_pdf(store: str | None, inspection: str) -> bytes:
    """The report of the weld of an inspection on record, its photos read and drawn in a process that may die.

    Raises:
        ToelineError: a photo cannot be read, or the process ended.
    """
    with Workers(1) as workers:
        try:
            return workers.submit(_weld_pdf, store, inspection).result()
        except JobEnded as error:
            raise PhotoError(told(error, "the photos of this weld")) from error


def pictures(
    folder: Path, results: Mapping[str, Result], *, unit: Unit = "mm", key: bool = True
) -> tuple[dict[str, bytes], list[str]]:
    """The annotated picture of each photo of a folder that was measured before, drawn in processes that may die.

    One that cannot be drawn is left out: what is wrong with it comes second, a sentence each.
    """
    drawn, problems = {}, []
    with Workers() as workers:
        jobs = [(name, workers.submit(_picture, folder / name, result, unit, key)) for name, result in results.items()]
        for name, job in jobs:
            try:
                drawn[name] = job.result()
            except ToelineError as error:
                problems.append(told(error, shown_name(folder / name)))
    return drawn, problems


def drawn(photos: Sequence[Path], settings: Settings) -> Iterator[tuple[Result, bytes]]:
    """Each photo measured, in their order, with its picture, in a process that may die. Raises as :func:`cards_in`."""
    return _of_each(photos, partial(_drawn, settings=settings))


def _of_each(photos: Sequence[Path], function: Callable[[Path], R]) -> Iterator[R]:
    with Workers(max(1, min(len(photos), os.cpu_count() or 1))) as workers:
        for path, future in [(path, workers.submit(function, path)) for path in photos]:
            try:
                yield future.result()
            except JobEnded as error:
                raise PhotoError(told(error, shown_name(path))) from error


def _cards_in(path: Path) -> CardPhoto:
    from toeline.geometry.camera import card_photo
    from toeline.photo import read_photo

    photo = read_photo(path)
    allow_time_for(photo.width * photo.height / 1e6)
    return card_photo(photo)


def _given(path: Path) -> tuple[str, bytes]:
    from toeline.photo import read_photo

    photo = read_photo(path)
    return photo.name, photo.data


def _weld_pdf(store: str | None, inspection: str) -> bytes:
    """One photo at a time out of the record: a weld of many passes takes no more memory than one of few."""
    from toeline.record import Store
    from toeline.report.weld import weld_pdf as typeset

    with Store.open(store) as opened:
        weld = opened.weld(inspection)
        whole = ((one, opened.photo(one.photos[0].sha256)) for one in (opened.get(held.id) for held in weld.holding))
        named = dict.fromkeys(photo.sha256 for test in weld.tests for photo in test.photos)
        return typeset(weld, whole, ((sha256, opened.photo(sha256)) for sha256 in named))


def _picture(path: Path, result: Result, unit: Unit, key: bool) -> bytes:
    from toeline.photo import read_photo
    from toeline.report.picture import draw_picture, encode

    photo = read_photo(path)
    allow_time_for(photo.width * photo.height / 1e6)
    return encode(draw_picture(photo, result, unit=unit, key=key))


def _drawn(path: Path, settings: Settings) -> tuple[Result, bytes]:
    from toeline.photo import read_photo
    from toeline.pipeline import measure_with
    from toeline.report.picture import draw_picture, encode

    photo = read_photo(path)
    allow_time_for(photo.width * photo.height / 1e6)
    result = measure_with(photo, settings)
    return result, encode(draw_picture(photo, result, unit=settings.unit))


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """The workers behind a Dask scheduler.

    Raises:
        SettingsError: Dask is not installed, or no scheduler answers there.
    """
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise SettingsError("--scheduler needs Dask: install toeline[cluster].") from None
    try:
        client = Client(address, timeout=10)
    except (OSError, ValueError, TimeoutError) as error:
        raise SettingsError(
            f"No scheduler answers at {address}: start one (dask scheduler) and give its address, such as "
            "tcp://host:8786."
        ) from error
    with client:
        yield client.get_executor()
