"""The photos of ``toeline measure`` as jobs: here on all cores, or on a cluster."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from toeline.batch import Measured, outcome, warm_up
from toeline.errors import SettingsError, ToelineError
from toeline.files import write_whole
from toeline.processes.anywhere import as_done
from toeline.processes.workers import allow_time_for
from toeline.result import Result, Settings
from toeline.text import shown_name


@dataclass(frozen=True, slots=True)
class Job:
    """One photo to measure: its place in the row, its path, its bytes where they came from standard input, its result
    where that is known from before, and where its outputs go."""

    number: int
    path: Path
    data: bytes | None
    settings: Settings
    known: Result | None
    json: Path | None
    picture: Path | None
    report: Path | None
    paper: Literal["a4", "us-letter"]


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
    if job.json is not None:
        write_whole(job.json, result.to_json() + "\n")
    if job.picture is not None:
        from toeline.report.picture import draw_picture, encode

        kind: Literal["png", "jpeg"] = "png" if job.picture.suffix.lower() == ".png" else "jpeg"
        write_whole(job.picture, encode(draw_picture(photo, result, unit=job.settings.unit), kind))
    if job.report is not None:
        from toeline.report import write_report

        write_report(result, photo, job.report, paper=job.paper, unit=job.settings.unit)
    return result


def do_all(jobs: Iterable[Job], executor: Executor | None) -> Iterator[tuple[int, Measured]]:
    """Each job's number and outcome as they finish."""
    for job, future in as_done(do, jobs, executor, warm_up):
        yield job.number, outcome(job.path, future)


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
