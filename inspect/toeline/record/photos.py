"""The photo folder: original bytes, each file named by its SHA-256, written whole or not at all.

Nothing here is deleted because a database no longer names it: what no inspection names is set aside in
``quarantine``, where it is still found, and goes only after a time that the user asked for.
"""

from __future__ import annotations

import contextlib
import os
import time
import uuid
from collections.abc import Iterator, Set
from pathlib import Path

from toeline.errors import RecordError
from toeline.record.chain import digest

#: A part file this old belongs to no living save.
STALE_S = 3600.0

#: The kind of a file that is no photo known here.
UNKNOWN_KIND = "application/octet-stream"

_SIGNATURES = (
    (b"\xff\xd8\xff", 0, "image/jpeg"),
    (b"\x89PNG\r\n\x1a\n", 0, "image/png"),
    (b"WEBP", 8, "image/webp"),
    (b"II*\x00", 0, "image/tiff"),
    (b"MM\x00*", 0, "image/tiff"),
    (b"ftyp", 4, "image/heic"),
)


def media_type(data: bytes) -> str:
    """The kind of image file by its first bytes; a name is never trusted."""
    return next((kind for sign, at, kind in _SIGNATURES if data.startswith(sign, at)), UNKNOWN_KIND)


class PhotoFolder:
    """A content-addressed folder. ``stage`` before the transaction, ``adopt`` inside it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._parts = folder / "parts"
        self.quarantine = folder / "quarantine"
        self._mark = folder / "STORE"

    def check_owner(self, store_id: str, named: Set[str]) -> None:
        """Raises ``RecordError`` where the folder is another store's: one would set the other's photos aside.

        The same where inspections name photos (``named``) and this is not the folder that they were put into: on a
        disk that is not there now, new photos would go astray. A folder that holds some of them and bears no mark is
        one whose restoring was killed at its very end.
        """
        try:
            owner = self._mark.read_text()
        except FileNotFoundError:
            owner = ""
        except OSError as error:
            raise RecordError(f"The photo folder {self.folder} cannot be used: {error.strerror}.") from error
        if owner not in ("", store_id):
            raise RecordError(
                f"The photo folder {self.folder} belongs to another record ({owner[:8]}): choose another folder."
            )
        if named and not owner and not any(self.holds(sha256) for sha256 in named):
            raise RecordError(
                f"The photo folder {self.folder} is missing: bring it back, or restore a backup into a new place."
            )

    def make(self) -> None:
        """Make the folder where it is not there yet; RecordError where it cannot be."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._parts.mkdir(exist_ok=True, mode=0o700)
        except OSError as error:
            raise RecordError(f"The photo folder {self.folder} cannot be made: {error.strerror}.") from error

    def claim(self, store_id: str) -> None:
        """Mark the folder as this store's, once the store itself is committed."""
        if not self._mark.exists() or not self._mark.read_text():
            part = self._put(store_id.encode(), self._parts / f"mark.{uuid.uuid4().hex}")  # others may open it now too
            part.replace(self._mark)
            _sync(self.folder)

    def path(self, sha256: str) -> Path:
        """Where the photo lies, or would lie."""
        return self.folder / sha256[:2] / sha256

    def stage(self, data: bytes, sha256: str) -> Path:
        """Write ``data``, whose digest is ``sha256``, to a part file and make it durable; nothing refers to it yet.

        Raises ``RecordError`` where there is no room or no folder; then nothing is left of it.
        """
        return self._put(data, self._parts / f"{sha256}.{uuid.uuid4().hex}")

    def _put(self, data: bytes, part: Path) -> Path:
        try:
            with open(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            part.unlink(missing_ok=True)
            raise RecordError(f"The photo folder {self.folder} cannot be written: {error.strerror}.") from error
        return part

    def adopt(self, part: Path) -> None:
        """Move a staged part to its place in one step, and make that durable; a damaged file there is replaced.

        Raises:
            RecordError: the folder cannot be written.
        """
        sha256 = part.name.partition(".")[0]
        final = self.path(sha256)
        try:
            if final.exists() and digest(final.read_bytes()) == sha256:
                part.unlink()
                return
            final.parent.mkdir(exist_ok=True, mode=0o700)
            part.replace(final)
            for folder in (final.parent, self.folder):
                _sync(folder)
        except OSError as error:
            raise RecordError(f"The photo folder {self.folder} cannot be written: {error.strerror}.") from error

    def read(self, sha256: str) -> bytes:
        """The photo's original bytes. Raises ``RecordError`` where it is missing or changed."""
        try:
            try:
                data = self.path(sha256).read_bytes()
            except FileNotFoundError:
                data = (self.quarantine / sha256).read_bytes()  # set aside for a database that did not name it
        except FileNotFoundError:
            raise RecordError(f"The photo {sha256[:12]} is missing from {self.folder}: restore a backup.") from None
        except OSError as error:
            raise RecordError(f"The photo {sha256[:12]} in {self.folder} cannot be read: {error.strerror}.") from error
        if digest(data) != sha256:
            raise RecordError(f"The photo {sha256[:12]} in {self.folder} is damaged: restore a backup.")
        return data

    def holds(self, sha256: str) -> bool:
        """Whether there is a file of that digest, in its place or set aside."""
        return self.path(sha256).exists() or (self.quarantine / sha256).exists()

    def forget(self, sha256: str) -> None:
        """Delete the original of a photo that was replaced by a copy without a name; RecordError where it cannot be."""
        for path in (self.path(sha256), self.quarantine / sha256):
            try:
                path.unlink(missing_ok=True)
            except OSError as error:
                raise RecordError(f"{path}, which was erased, cannot be deleted: {error.strerror}.") from error

    def strays(self, kept: Set[str]) -> tuple[Path, ...]:
        """Files in the place of photos that no inspection names, and part files of saves that died."""
        return tuple(
            path for path in self._finals() if path.name not in kept and path.parent.name == path.name[:2]
        ) + tuple(self._stale_parts())

    def set_aside(self, path: Path) -> None:
        """Move a stray to the quarantine; its time there counts from now. RecordError where it cannot be moved."""
        try:
            self.quarantine.mkdir(exist_ok=True, mode=0o700)
            os.utime(path)
            path.replace(self.quarantine / path.name)
        except OSError as error:
            raise RecordError(f"{path} cannot be set aside: {error.strerror}.") from error

    def bring_back(self, kept: Set[str]) -> int:
        """Put photos in quarantine that inspections name back in their place; says how many."""
        found = [path for path in self._set_aside() if path.name in kept and not self.path(path.name).exists()]
        for path in found:
            self.adopt(path)
        return len(found)

    def let_go(self, kept: Set[str], older_than_s: float) -> int:
        """Delete what has been in quarantine for longer, and that no inspection names; says how many files."""
        old = [
            path
            for path in self._set_aside()
            if path.name not in kept and time.time() - path.stat().st_mtime >= older_than_s
        ]
        for path in old:
            path.unlink(missing_ok=True)
        return len(old)

    def _set_aside(self) -> tuple[Path, ...]:
        return tuple(self.quarantine.iterdir()) if self.quarantine.is_dir() else ()

    def _finals(self) -> Iterator[Path]:
        for shelf in self.folder.iterdir():
            if shelf.is_dir() and len(shelf.name) == 2:
                yield from (path for path in shelf.iterdir() if len(path.name) == 64)

    def _stale_parts(self) -> Iterator[Path]:
        for part in self._parts.iterdir():
            with contextlib.suppress(FileNotFoundError):
                if time.time() - part.stat().st_mtime > STALE_S:
                    yield part


def _sync(folder: Path) -> None:
    if os.name != "posix":
        return  # other systems cannot open a folder; a rename there is durable by itself or not at all
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
