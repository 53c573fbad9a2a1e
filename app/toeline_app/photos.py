"""The photos of this session and their measurements, each measured once for each set of settings."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from typing import TypeVar

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from toeline.errors import ToelineError
from toeline.result import Result, Settings
from toeline.text import one_line
from toeline_app import ui
from toeline_app.jobs import Examined
from toeline_app.service import measuring, readings, retention
from toeline_app.uploads import TooMuch, let_go, session_id

R = TypeVar("R")

_SHOWN = "examined"
_SAID = "photos_said"
#: Where all pages hold photos, by the page's own name: what stands here is kept, whichever page put it here.
_HELD = "held_photos"
#: What the bench holds, and what made way there for another photo before it was saved.
BENCH, ASIDE = "bench_photos", "bench_set_aside"
#: Beads set aside; the one set aside first makes way.
MOST_ASIDE = 12
#: Photos of one session in line at once: with two, both cores work and nobody else waits behind a whole batch.
IN_LINE = 2
LONGEST_NAME = 120


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo of this session: its name as the browser gave it, never used as a path, and where its bytes lie.

    ``sides``: photos of the same bead from the sides, which tell height and depth with it.
    """

    name: str
    path: Path
    sides: tuple[Photo, ...] = ()

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


def take_in(files: Sequence[UploadedFile], into: str, *, kept: Sequence[Photo] = (), refusal: str = "") -> None:
    """Hold uploaded photos under the name ``into``, behind those ``kept``, and free the server's own copies.

    What no page holds any more is let go. Photos of one name are numbered, and the same photo is held once; too many
    are said to be too many. ``refusal`` says why the page took no more of them.
    """
    session = session_id()
    mine = {photo.sha256: photo for photo in kept}
    held()[into] = list(kept)
    _let_go_of_unused(session)
    twice, refusal = [], retention.uploads().turned_away(session) or refusal
    for file in files:
        try:
            path = retention.uploads().keep(session, file.getvalue())
        except TooMuch as error:
            refusal = str(error)
            break
        if path.stem in mine:
            twice.append(f"{plain_name(file.name)} is the same photo as {mine[path.stem].name} and is taken once.")
        else:
            mine[path.stem] = Photo(_own_name(plain_name(file.name), {one.name for one in mine.values()}), path)
    free(files)
    held()[into] = list(mine.values())
    if refusal or twice:
        told = f"Not every photo sent was taken in. {refusal}" if refusal else " ".join(twice)
        st.session_state.setdefault(_SAID, {})[into] = told


def holding(name: str) -> list[Photo]:
    """The photos held under a name, for the place that shows them; what kept some from being taken in is said once."""
    if said := st.session_state.get(_SAID, {}).pop(name, None):
        st.warning(ui.plain(said))
    return held().get(name, [])


def take_up(data: bytes, name: str, into: str) -> Photo:
    """Hold one photo that is on record under the name ``into``. Raises TooMuch."""
    photo = Photo(plain_name(name), retention.uploads().keep(session_id(), data))
    held()[into] = [photo]
    return photo


def take_back(kept: Sequence[tuple[str, bytes | Path]], into: str) -> None:
    """Hold photos of a draft, as (name, bytes or where they lie), under the name ``into``. Raises TooMuch, OSError."""
    held()[into] = [
        Photo(name, retention.uploads().keep(session_id(), data if isinstance(data, bytes) else data.read_bytes()))
        for name, data in kept
    ]


def set_aside(unsaved: Callable[[Photo], bool]) -> None:
    """Keep what the bench holds and is not saved yet beside it: another photo is about to take its place."""
    mine = [one for one in held().get(BENCH, []) if unsaved(one)]
    _put_aside([*mine, *(one for one in held().get(ASIDE, []) if one not in mine)])


def bring_to_bench(photo: Photo) -> None:
    """Take up a bead that was set aside, alone."""
    held()[BENCH] = [photo]
    leave_off_aside()


def leave_off_aside() -> None:
    """What lies at the bench is not set aside as well."""
    _put_aside([one for one in held().get(ASIDE, []) if one not in held().get(BENCH, [])])


def _put_aside(beads: list[Photo]) -> None:
    held()[ASIDE] = beads[:MOST_ASIDE]


def small_copy(photo: Photo) -> bytes:
    """A photo as a very small JPEG, kept beside it. Raises PhotoError where it is none."""
    small = photo.path.with_suffix(".small.jpg")
    if not small.exists():
        small.write_bytes(measuring.thumbnail(measuring.small_copy(photo.path.read_bytes(), photo.name)))
    return small.read_bytes()


def free(files: Sequence[UploadedFile]) -> None:
    """Free the server's own copies of uploaded files."""
    for file in files:
        let_go(session_id(), file.file_id)


def let_go_of(unused: Callable[[str], bool]) -> None:
    """Hold no longer what is held under these names."""
    if gone := [name for name in held() if unused(name)]:
        for name in gone:
            del held()[name]
        _let_go_of_unused(session_id())


def held() -> dict[str, list[Photo]]:
    """All photos held, by the name that a page holds them under."""
    found: dict[str, list[Photo]] = st.session_state.setdefault(_HELD, {})
    return found


def _let_go_of_unused(session: str) -> None:
    used = {photo.sha256 for page in held().values() for photo in page}
    for key in [key for key, shown in _shown().items() if shown.photo.sha256 not in used]:
        gone = _shown().pop(key)
        for path in (gone.picture, gone.overview, gone.picture and _small(gone.picture)):
            if path is not None:
                path.unlink(missing_ok=True)
    retention.uploads().keep_only(session, used)


def plain_name(text: str) -> str:
    """A file's name as the browser gave it, without folders and control characters, cut to a sensible length."""
    return one_line(text.replace("\\", "/").rsplit("/", 1)[-1])[:LONGEST_NAME] or "photo"


def _own_name(name: str, taken: set[str]) -> str:
    """``name``, numbered where it is taken: every photo of a phone's camera may be called image.jpg."""
    stem, dot, ending = name.rpartition(".")
    numbered = (f"{stem or ending} {number}{dot}{ending if stem else ''}" for number in count(2))
    return name if name not in taken else next(one for one in numbered if one not in taken)


def _key(photo: Photo, settings: Settings) -> str:
    return f"{photo.sha256} {' '.join(one.sha256 for one in photo.sides)} {settings.model_dump_json()}"


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
    new = [(photo, settings) for photo, settings in jobs if look_up(photo, settings) is None]
    judged = {_key(photo, settings): _judge_again(photo, settings) for photo, settings in new}
    waiting = [(photo, settings) for photo, settings in new if look_up(photo, settings) is None]
    running: dict[Future[Examined], tuple[Photo, Settings]] = {}
    started, total, done = time.monotonic(), len(waiting), 0
    place = st.empty()
    try:
        while waiting or running:
            while waiting and len(running) < IN_LINE:
                photo, settings = waiting.pop(0)
                known = judged[_key(photo, settings)]
                if batch and known is None and not photo.sides:
                    known = measuring.remembered(photo.sha256, photo.name, settings)
                sides = [(one.path, one.name) for one in photo.sides]
                job = measuring.submit(photo.path, photo.name, settings, known, with_code, sides)
                running[job] = (photo, settings)
            most = max(len(photo.sides) for photo, _ in jobs)
            place.progress(done / total, text=_progress(done, total, time.monotonic() - started, most))
            finished, _ = wait(running, timeout=0.25, return_when=FIRST_COMPLETED)
            for job in finished:
                photo, settings = running.pop(job)
                shown = _keep(photo, job)
                _shown()[_key(photo, settings)] = shown
                if batch and shown.result is not None and not photo.sides:
                    measuring.remember(shown.result)
                done += 1
    finally:
        for job in running:
            measuring.abandon(job)
    place.empty()
    return [_shown()[_key(photo, settings)] for photo, settings in jobs]


def waited_for(job: Future[R]) -> Future[R]:
    """A job once it is done; where the page is left before, nobody waits for the job any more and it is ended."""
    place = st.empty()
    try:
        while not wait([job], timeout=0.25).done:
            place.empty()  # each is where a page that was left stops
    finally:
        measuring.abandon(job)
    return job


def _judge_again(photo: Photo, settings: Settings) -> Result | None:
    """Take a measurement of this photo by other readings or criteria, if there is one, and judge it anew.

    Its pictures stay where they show the same; else the new result is given back, to be drawn.
    """
    for shown in reversed(_shown().values()):
        if shown.photo != photo or shown.result is None:
            continue
        try:
            anew = measuring.judged_again(shown.result, settings)
        except ToelineError as error:
            _shown()[_key(photo, settings)] = Shown(photo, problem=measuring.sentence(error))
            return None
        if anew is None:
            continue
        if not readings.same_picture(shown.result, anew):
            return anew
        _shown()[_key(photo, settings)] = replace(shown, result=anew)
        return None
    return None


def _progress(done: int, total: int, elapsed: float, sides: int) -> str:
    if sides and done == total - 1:
        return (
            f"Working out height and depth from {sides + 1} photos, {elapsed:.0f} seconds so far, about half a minute"
        )
    if total == 1:
        return "Measuring the photo"
    if done == 0:
        return f"Measuring {total} photos"
    return f"Measured {done} of {total}, about {elapsed / done * (total - done):.0f} seconds left"


def _keep(photo: Photo, job: Future[Examined]) -> Shown:
    error = job.exception()
    if error is not None:
        return Shown(photo, problem=measuring.sentence(error))
    found = job.result()
    folder = retention.uploads().folder(session_id())
    stem = hashlib.sha256(_key(photo, found.result.settings).encode()).hexdigest()
    picture, overview = folder / f"{stem}.picture.jpg", folder / f"{stem}.overview.jpg"
    picture.write_bytes(found.picture)
    overview.write_bytes(found.overview)
    return Shown(photo, found.result, picture, overview, code=found.code)


def thumbnail(shown: Shown) -> bytes | None:
    """A small copy of a measurement's picture, kept beside it."""
    if shown.picture is None:
        return None
    small = _small(shown.picture)
    if not small.exists():
        small.write_bytes(measuring.thumbnail(shown.picture.read_bytes()))
    return small.read_bytes()


def _small(picture: Path) -> Path:
    return picture.with_suffix(".small.jpg")
