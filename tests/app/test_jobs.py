"""The app's worker processes as they are in use: warmed up, limited, one photo each."""

from __future__ import annotations

from pathlib import Path

import pytest

import invented
from toeline.errors import JobEnded, PhotoError
from toeline.processes.figures import WorkerFigures
from toeline.processes.workers import Workers
from toeline.result import Settings
from toeline_app import jobs, service

PHOTO = Path(__file__).resolve().parents[2] / "demo_images" / "good_stringer.jpg"


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
    for name in ("_WORKERS", "_OF_SEVERAL"):
        monkeypatch.setattr(getattr(service, name), "submit", lambda *_, name=name: asked.append(name))
    side = (PHOTO, "side.jpg")
    service.submit(PHOTO, "a.jpg", Settings())
    service.submit(PHOTO, "a.jpg", Settings(), sides=[side])
    service.sides_of(invented.result(), [(PHOTO, "a.jpg"), side])
    assert asked == ["_WORKERS", "_OF_SEVERAL", "_OF_SEVERAL"]
    figures = WorkerFigures.read()
    assert service._WORKERS._max_mb == figures.max_mb
    assert service._OF_SEVERAL._max_mb == figures.max_mb + service.MOST_SIDES * figures.further_mb


def _crash() -> None:
    import os
    import signal

    os.kill(os.getpid(), signal.SIGSEGV)
