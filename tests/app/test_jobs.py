"""The app's worker processes as they are in use: warmed up, limited, one photo each."""

from __future__ import annotations

from pathlib import Path

import pytest

from toeline.errors import JobEnded, PhotoError
from toeline.processes.workers import Workers
from toeline.result import Settings
from toeline_app import jobs

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


def _crash() -> None:
    import os
    import signal

    os.kill(os.getpid(), signal.SIGSEGV)
