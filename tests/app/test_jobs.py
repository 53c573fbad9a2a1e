"""The app's worker processes as they are in use: warmed up, limited, one photo each."""

from __future__ import annotations

import os
import signal
import sys
import time
from concurrent.futures import CancelledError
from functools import partial
from pathlib import Path

import pytest
from streamlit.runtime.scriptrunner import StopException

import invented
from toeline.batch import measure_one
from toeline.cli import jobs as cli_jobs
from toeline.errors import JobEnded, PhotoError, SettingsError
from toeline.processes.figures import WorkerFigures
from toeline.processes.workers import Workers
from toeline.result import Settings
from toeline_app import jobs, photos
from toeline_app.service import measuring, workers

DEMO = Path(__file__).resolve().parents[2] / "demo_images"
PHOTO = DEMO / "good_stringer.jpg"


def test_a_worker_measures_one_visitor_s_photo_while_another_s_crashes_it(tmp_path):
    (tmp_path / "bad.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(500))
    with Workers(1, jobs.warm_up) as workers:
        photos = [
            workers.submit(jobs.examine, path, path.name, Settings(), None, False)
            for path in (tmp_path / "bad.heic", PHOTO)
        ]
        crash = workers.submit(_crash)
        report = workers.submit(jobs.pdf, photos[1].result().result, PHOTO, "mm", None)
        with pytest.raises(PhotoError):
            photos[0].result()
        with pytest.raises(JobEnded):
            crash.result()
        assert photos[1].result().result.bead.found
        assert photos[1].result().picture.startswith(b"\xff\xd8")
        assert report.result().startswith(b"%PDF")


def test_photos_of_one_bead_are_held_by_workers_that_may_hold_as_many(monkeypatch):
    """Nine photos of 48 megapixels unpack to 1.3 GB; whoever sends one photo waits for none of that."""
    asked = []
    for name in ("WORKERS", "OF_SEVERAL"):
        monkeypatch.setattr(getattr(workers, name), "submit", lambda *_, name=name: asked.append(name))
    side = (PHOTO, "side.jpg")
    measuring.submit(PHOTO, "a.jpg", Settings())
    measuring.submit(PHOTO, "a.jpg", Settings(), sides=[side])
    measuring.sides_of(invented.result(), [(PHOTO, "a.jpg"), side])
    assert asked == ["WORKERS", "OF_SEVERAL", "OF_SEVERAL"]
    figures = WorkerFigures.read()
    assert workers.WORKERS._max_mb == figures.max_mb
    assert workers.OF_SEVERAL._max_mb == figures.max_mb + workers.MOST_SIDES * figures.further_mb


def test_a_look_at_the_sides_that_nobody_waits_for_is_ended(monkeypatch):
    class Left:
        """A place on a page that its visitor has left: there Streamlit stops it."""

        def empty(self) -> None:
            raise StopException

    with Workers(1) as own:
        monkeypatch.setattr(measuring, "OF_SEVERAL", own)
        monkeypatch.setattr(photos.st, "empty", Left)
        job = own.submit(time.sleep, 600)
        with pytest.raises(StopException):
            photos.waited_for(job)
        with pytest.raises((JobEnded, CancelledError)):
            job.result()
        done = own.submit(abs, -1)
        assert done.result() == 1
        assert photos.waited_for(done).result() == 1


def test_more_photos_of_one_bead_than_are_taken_are_not_even_read():
    with pytest.raises(SettingsError, match="and there are 31"):
        jobs.examine(PHOTO, "ada.jpg", Settings(), None, False, [(Path("none.jpg"), "none.jpg")] * 30)


def _in_the_app(face: Path, sides: list[Path]) -> str:
    examined = jobs.examine(face, face.name, Settings(), None, False, [(side, side.name) for side in sides])
    return examined.result.relief.state


def _in_a_class(face: Path, sides: list[Path]) -> str:
    return measure_one(face, Settings(), None, {face: sides}).result.relief.state


def _on_the_command_line(face: Path, sides: list[Path]) -> str:
    return cli_jobs._relief([face, *sides], Settings(), None, cli_jobs.Written(None, None, None, "a4")).relief.state


def _allow(**seconds: float) -> None:
    """Load what a worker needs, and allow it only so much time."""
    jobs.warm_up()
    figures = WorkerFigures.read().model_copy(update={"seconds_per_megapixel": 0.0} | seconds)
    WorkerFigures.read = lambda: figures


@pytest.mark.skipif(sys.platform == "win32", reason="the system keeps no such limit")
def test_several_photos_of_one_bead_have_time_for_each_pair():
    """A second would not do: the job itself says how many photos it is of."""
    face, *sides = sorted((DEMO / "round_stringer").glob("*.jpg"))[:3]
    with Workers(1, partial(_allow, seconds=1.0, seconds_per_pair=50.0), at_once=3) as workers:
        for way in (_in_the_app, _in_a_class, _on_the_command_line):
            assert workers.submit(way, face, sides).result() == "measured"


@pytest.mark.skipif(sys.platform == "win32", reason="the system keeps no such limit")
def test_heights_that_take_longer_than_they_may_are_ended_with_a_sentence():
    face, *sides = sorted((DEMO / "round_stringer").glob("*.jpg"))[:3]
    with Workers(1, partial(_allow, seconds=0.0, seconds_per_pair=0.0), at_once=3) as workers:
        with pytest.raises(JobEnded, match="longer than any photo"):
            workers.submit(_in_the_app, face, sides).result()
        assert workers.submit(os.getpid).result()


def _crash() -> None:
    os.kill(os.getpid(), signal.SIGSEGV)
