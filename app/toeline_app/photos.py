"""The photos of this session and their measurements, each measured once for each set of settings."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from pathlib import Path

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from toeline.result import Result, Settings
from toeline_app import service
from toeline_app.service import Examined
from toeline_app.uploads import TooMuch, let_go, session_id

_SHOWN = "examined"
#: Photos of one session in line at once: with two, both cores work and nobody else waits behind a whole batch.
IN_LINE = 2
LONGEST_NAME = 120


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo of this session: its name as the browser gave it, never used as a path, and where its bytes lie."""

    name: str
    path: Path

    @property
    def sha256(self) -> str:
        """Digest of its bytes."""
        return self.path.stem


@dataclass(frozen=True, slots=True)
class Shown:
    """A measurement as a page shows it; ``problem`` stands in its place where there is none."""

    photo: Photo
    result: Result | None = None
    picture: Path | None = None
    overview: Path | None = None
    problem: str | None = None
    code: int | None = None


def take_in(files: Sequence[UploadedFile]) -> list[Photo]:
    """Keep uploaded photos on disk and free the server's own copies; too many are said to be too many."""
    session = session_id()
    taken = []
    for file in files:
        try:
            taken.append(Photo(_name(file.name), service.uploads().keep(session, file.getvalue())))
        except TooMuch as error:
            st.error(str(error))
            break
        finally:
            let_go(session, file.file_id)
    return taken


def _name(text: str) -> str:
    bare = text.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(letter for letter in bare if letter.isprintable())[:LONGEST_NAME] or "photo"


def _key(photo: Photo, settings: Settings) -> str:
    return f"{photo.sha256} {settings.model_dump_json()}"


def _shown() -> dict[str, Shown]:
    found: dict[str, Shown] = st.session_state.setdefault(_SHOWN, {})
    return found


def look_up(photo: Photo, settings: Settings) -> Shown | None:
    """The measurement of a photo with these settings, if this session has it already."""
    return _shown().get(_key(photo, settings))


def measure_all(jobs: Sequence[tuple[Photo, Settings]], *, batch: bool = False, with_code: bool = False) -> list[Shown]:
    """Measure what is not measured yet, a few at a time so that other people's photos come between.

    Shows how far it is and, from the second photo on, the time left. Each progress update is also where a page that
    was left stops; what was measured until then stays. ``batch``: measurements are kept in the store as well, so that
    a class cut short is not measured twice; ``with_code``: a tag lying in the photo is read too.
    """
    waiting = [(photo, settings) for photo, settings in jobs if look_up(photo, settings) is None]
    running: dict[Future[Examined], tuple[Photo, Settings]] = {}
    started, total, done = time.monotonic(), len(waiting), 0
    place = st.empty()
    try:
        while waiting or running:
            while waiting and len(running) < IN_LINE:
                photo, settings = waiting.pop(0)
                known = service.remembered(photo.sha256, photo.name, settings) if batch else None
                running[service.submit(photo.path, photo.name, settings, known, with_code)] = (photo, settings)
            place.progress(done / total, text=_progress(done, total, time.monotonic() - started))
            finished, _ = wait(running, timeout=0.25, return_when=FIRST_COMPLETED)
            for job in finished:
                photo, settings = running.pop(job)
                shown = _keep(photo, job)
                _shown()[_key(photo, settings)] = shown
                if batch and shown.result is not None:
                    service.remember(shown.result)
                done += 1
    finally:
        for job in running:
            job.cancel()
    place.empty()
    return [_shown()[_key(photo, settings)] for photo, settings in jobs]


def _progress(done: int, total: int, elapsed: float) -> str:
    if total == 1:
        return "Measuring the photo"
    if done == 0:
        return f"Measuring {total} photos"
    return f"Measured {done} of {total}, about {elapsed / done * (total - done):.0f} seconds left"


def _keep(photo: Photo, job: Future[Examined]) -> Shown:
    error = job.exception()
    if error is not None:
        return Shown(photo, problem=service.sentence(error))
    found = job.result()
    folder = service.uploads().folder(session_id())
    stem = hashlib.sha256(_key(photo, found.result.settings).encode()).hexdigest()
    picture, overview = folder / f"{stem}.picture.jpg", folder / f"{stem}.overview.jpg"
    picture.write_bytes(found.picture)
    overview.write_bytes(found.overview)
    return Shown(photo, found.result, picture, overview, code=found.code)


def thumbnail(shown: Shown) -> bytes | None:
    """A small copy of a measurement's picture, kept beside it."""
    if shown.picture is None:
        return None
    small = shown.picture.with_suffix(".small.jpg")
    if not small.exists():
        small.write_bytes(service.thumbnail(shown.picture.read_bytes()))
    return small.read_bytes()
