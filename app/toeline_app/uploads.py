"""Photos of the running sessions: on disk under their digest, limited in number and size, gone when the session is."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from time import monotonic, sleep, time
from typing import IO

from streamlit.runtime import exists, get_instance
from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager
from streamlit.runtime.scriptrunner import get_script_run_ctx

try:
    import fcntl
except ModuleNotFoundError:  # Windows
    fcntl = None  # type: ignore[assignment]

#: One photo.
LARGEST_UPLOAD_MB = 60
#: What a session holds, and as much again may be on its way: thirty coupons at 6 MB, twice over.
MOST_PHOTOS = 120
MOST_BYTES = 400_000_000
#: What all sessions together hold on disk.
MOST_BYTES_OF_ALL = 4_000_000_000
#: What all sessions together have on its way: coming in, or in the server's memory until a page takes it.
MOST_BYTES_COMING = 800_000_000
#: Looked through this often, and let go this long after the session was last seen alive, s.
EVERY_S = 20.0
AWAY_S = 660.0

#: An HTTP status and a sentence.
Refusal = tuple[int, str]


class TooMuch(Exception):
    """A photo cannot be held: a session, all of them or the disk hold as much as they may; the text says what to do."""


FULL = (
    f"A session holds {MOST_PHOTOS} photos and {MOST_BYTES // 1_000_000} MB at most. Choose fewer, or reload the page."
)
ALL_FULL = "The app holds as many photos as it may. Try again in a few minutes."
TELL = "Tell whoever runs the app."
NO_ROOM = f"There is no room on the server's disk. {TELL}"


_PREFIX = "toeline-app-"
#: A folder without a lock may be one that is being made.
_MADE_BY_NOW_S = 60.0


def _locked(folder: Path) -> IO[bytes] | None:
    """The folder's lock file, held for as long as this process lives; None where another holds it, or on Windows."""
    if fcntl is None:
        return None
    file = (folder / "lock").open("wb")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        return None
    return file


def _sweep_left_behind() -> None:
    """Remove the photos of an app that was killed: its folder is there, but nobody holds its lock."""
    for folder in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        try:
            if folder.is_symlink() or time() - folder.stat().st_mtime < _MADE_BY_NOW_S:
                continue
            lock = _locked(folder)
        except OSError:  # another user's
            continue
        if lock is not None:
            shutil.rmtree(folder, ignore_errors=True)
            lock.close()


class Uploads:
    """The sessions' photos in one private folder, removed with the process.

    ``alive``: whether a session's browser is connected. ``waiting``: bytes by session in the server's memory, sent but
    not yet taken by a page.
    """

    def __init__(
        self,
        alive: Callable[[str], bool],
        clock: Callable[[], float] = monotonic,
        waiting: Callable[[], Mapping[str, int]] = dict,
    ) -> None:
        _sweep_left_behind()
        self._folder = tempfile.TemporaryDirectory(prefix=_PREFIX)
        self._lock_file = _locked(Path(self._folder.name))
        self._alive = alive
        self._clock = clock
        self._waiting = waiting
        self._coming: Counter[str] = Counter()
        self._turned_away: dict[str, str] = {}
        self._seen: dict[str, float] = {}
        self._lock = threading.Lock()

    def welcome(self, session: str) -> None:
        """Let a session send photos: its visitor may see the pages."""
        with self._lock:
            self._seen[session] = self._clock()

    @contextmanager
    def coming(self, session: str, size: int) -> Iterator[Refusal | None]:
        """Room for an upload of ``size`` bytes while it comes in; gives why it is refused, else None."""
        with self._lock:
            refusal = self._refusal(session, size)
            if refusal is None:
                self._coming[session] += size
        try:
            yield refusal
        finally:
            if refusal is None:
                with self._lock:
                    self._coming[session] -= size
                    self._coming = +self._coming  # leaves out what is at nought

    def _refusal(self, session: str, size: int) -> Refusal | None:
        if session not in self._seen:
            return 403, "Only who may see the pages may send photos."
        coming = self._coming + Counter(self._waiting())
        if coming[session] + size > MOST_BYTES:
            why = FULL
        elif coming.total() + size > MOST_BYTES_COMING:
            why = ALL_FULL
        else:
            return None
        self._turned_away[session] = why
        return 507, why

    def turned_away(self, session: str) -> str | None:
        """Why an upload of this session was refused since this was last asked."""
        with self._lock:
            return self._turned_away.pop(session, None)

    def folder(self, session: str) -> Path:
        """The session's own folder."""
        self.welcome(session)
        folder = Path(self._folder.name) / hashlib.sha256(session.encode()).hexdigest()[:32]
        folder.mkdir(mode=0o700, exist_ok=True)
        return folder

    def keep(self, session: str, data: bytes) -> Path:
        """Write a photo's bytes under their digest and say where. Raises TooMuch beyond the limits.

        A photo that another session holds lies on the disk once: a page that is reloaded again and again fills nothing.
        """
        folder = self.folder(session)
        path = folder / f"{hashlib.sha256(data).hexdigest()}.photo"
        if path.exists():
            return path
        held = [one.stat().st_size for one in folder.glob("*.photo")]
        if len(held) >= MOST_PHOTOS or sum(held) + len(data) > MOST_BYTES:
            raise TooMuch(FULL)
        if self._link(path):
            return path
        stats = [one.stat() for one in Path(self._folder.name).glob("*/*.photo")]
        everyone = {(stat.st_dev, stat.st_ino): stat.st_size for stat in stats}
        if sum(everyone.values()) + len(data) > MOST_BYTES_OF_ALL:
            raise TooMuch(ALL_FULL)
        try:
            path.write_bytes(data)
        except OSError:
            path.unlink(missing_ok=True)
            raise TooMuch(NO_ROOM) from None
        return path

    def _link(self, path: Path) -> bool:
        """Whether another session held the photo, and now both do."""
        for same in Path(self._folder.name).glob(f"*/{path.name}"):
            try:
                os.link(same, path)
            except OSError:  # it was let go just now, or this file system has no links
                continue
            return True
        return False

    def keep_only(self, session: str, digests: set[str]) -> None:
        """Let go of the session's photos but these."""
        for path in self.folder(session).glob("*.photo"):
            if path.stem not in digests:
                path.unlink(missing_ok=True)

    def close(self) -> None:
        """Let go of everything."""
        if self._lock_file is not None:
            self._lock_file.close()
        self._folder.cleanup()

    def sweep(self) -> int:
        """Let go of the photos of sessions not seen alive for a while; says how many sessions that were."""
        now = self._clock()
        gone = []
        with self._lock:
            for session, last in list(self._seen.items()):
                if self._alive(session):
                    self._seen[session] = now
                elif now - last > AWAY_S:
                    del self._seen[session]
                    self._turned_away.pop(session, None)
                    gone.append(session)
        for session in gone:
            name = hashlib.sha256(session.encode()).hexdigest()[:32]
            shutil.rmtree(Path(self._folder.name) / name, ignore_errors=True)
            _forget_uploads(session)
        return len(gone)


def start_sweeping(*sweeps: Callable[[], object]) -> None:
    """Sweep in the background for as long as the process lives."""

    def sweeping() -> None:
        while True:
            sleep(EVERY_S)
            for sweep in sweeps:
                sweep()

    threading.Thread(target=sweeping, name="toeline-sweep", daemon=True).start()


def session_id() -> str:
    """The id of the session whose page is running; a fixed one outside a server."""
    context = get_script_run_ctx(suppress_warning=True)
    return context.session_id if context else "no-session"


def is_alive(session: str) -> bool:
    """Whether a session's browser is connected."""
    return exists() and get_instance().is_active_session(session)


def waiting_by_session() -> dict[str, int]:
    """Bytes of uploads in the server's own memory, by session."""
    if not (exists() and isinstance(held := get_instance().uploaded_file_mgr, MemoryUploadedFileManager)):
        return {}
    by_session = list(held.file_storage.items())
    return {session: sum(len(one.data) for one in list(files.values())) for session, files in by_session}


def let_go(session: str, file_id: str) -> None:
    """Free the server's own copy of an uploaded file, once its bytes are kept here."""
    if exists() and isinstance(held := get_instance().uploaded_file_mgr, MemoryUploadedFileManager):
        held.remove_file(session, file_id)


def _forget_uploads(session: str) -> None:
    if exists():
        get_instance().uploaded_file_mgr.remove_session_files(session)
