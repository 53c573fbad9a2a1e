"""Measurements kept beside the record, so that an interrupted batch need not measure a photo twice."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pydantic import ValidationError

from toeline.criteria import load_criteria
from toeline.errors import SettingsError
from toeline.result import Result, Settings
from toeline.text import shown_path

#: How long a batch's measurements are kept.
KEPT_FOR = timedelta(days=30)
_BUSY_S = 30.0
_TABLE = (
    "create table if not exists measured (photo text, settings text, at text not null, result text not null, "
    "primary key (photo, settings)) without rowid"
)


def settings_digest(settings: Settings, version: str) -> str:
    """The key under which a measurement is kept: same settings, same toeline version, same answer.

    Files that the settings name count by their content. Raises ToelineError where one cannot be read.
    """
    said = settings.model_dump(mode="json")
    if settings.criteria is not None:
        said["criteria"] = load_criteria(settings.criteria).digest
    if settings.camera_profile is not None:
        from toeline.geometry.camera import load_profile  # loads what only measuring needs

        said["camera_profile"] = load_profile(settings.camera_profile).model_dump_json()
    return hashlib.sha256(json.dumps([version, said], sort_keys=True, allow_nan=False).encode()).hexdigest()


def kept_path() -> Path:
    """Where measurements are kept unless told otherwise: the XDG cache folder, which anyone may empty."""
    cache = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(cache) / "toeline" / "measured.sqlite"


class KeptMeasurements:
    """A :class:`~toeline.batch.Memory` in a small SQLite file that processes and threads may share.

    It holds no names: a photo's file name is left out, and a measurement with readings or looks, which name who took
    them, or with a welding procedure, which may be called after somebody, is not kept. What is a month old goes.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._path = path or kept_path()

    def measured(self, photo_sha256: str, settings: str) -> Result | None:
        """A kept measurement; none where another version wrote it, or it is damaged.

        Its ``photo.name`` is blank, as file names carry people's names: put it back.
        """
        with self._open() as file:
            found = file.execute(
                "select result from measured where photo = ? and settings = ?", (photo_sha256, settings)
            ).fetchone()
        try:
            return Result.model_validate_json(found[0]) if found else None
        except ValidationError:
            return None

    def remember(self, photo_sha256: str, settings: str, result: Result) -> None:
        """Keep a measurement under :func:`settings_digest`."""
        if result.settings.gauge or result.settings.procedure:
            return
        nameless = result.model_copy(update={"photo": result.photo.model_copy(update={"name": ""})})
        now = datetime.now(UTC)
        with self._open() as file:
            file.execute("delete from measured where at < ?", ((now - KEPT_FOR).isoformat(),))
            file.execute(
                "insert or replace into measured values (?, ?, ?, ?)",
                (photo_sha256, settings, now.isoformat(), nameless.to_json(None)),
            )

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        """One transaction on the file, which is made on first use and readable by its owner alone."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            os.close(os.open(self._path, os.O_CREAT | os.O_RDWR, 0o600))
            with closing(sqlite3.connect(self._path, timeout=_BUSY_S)) as file, file:
                file.execute(_TABLE)
                yield file
        except (OSError, sqlite3.Error) as error:
            raise SettingsError(
                f"Measurements cannot be kept in {shown_path(self._path)} ({error}); delete that file, or set "
                "XDG_CACHE_HOME to a folder that can be written."
            ) from None
