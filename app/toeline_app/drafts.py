"""Drafts on the server's disk: a visitor's photos and what was said about them, so that a reload loses nothing."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from time import time

from toeline.files import write_whole
from toeline.record.mentions import Mentions
from toeline.record.texts import texts_of

#: A draft is let go this long after it was last changed, s: a day's work.
KEPT_FOR_S = 43_200.0
KEPT_FOR = "12 hours"
#: A class that was put under an address is kept so long, s.
CLASS_KEPT_FOR_S = 2_592_000.0
#: What all drafts together hold; beyond it the longest unchanged are let go. As much again for all classes.
MOST_BYTES_OF_ALL = 4_000_000_000
#: The text of one: a class of a hundred with its roster and rubric takes a tenth of it.
MOST_TEXT = 2_000_000
_TEXT = "draft.json"
_ENDING = ".photo"


def kept_under(name: str) -> Path:
    """Where what the app keeps for a time lies: a folder of the XDG state folder."""
    state = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(state) / "toeline" / name


class Drafts:
    """One draft for each key, in a private folder under the key's digest: only who holds the key finds it.

    ``promised``: none is let go before its time; where there is no more room, nothing new is kept.
    """

    def __init__(
        self,
        folder: Path,
        clock: Callable[[], float] = time,
        kept_for_s: float = KEPT_FOR_S,
        *,
        promised: bool = False,
    ) -> None:
        self._kept_for_s = kept_for_s
        self._promised = promised
        self._root = folder
        self._clock = clock
        self._lock = threading.Lock()
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self.sweep()

    def keep(self, key: str, text: str, photos: Mapping[str, Path]) -> None:
        """Keep a draft in the place of the one before: its text, and its photos by their digests. Raises OSError.

        The photos come first and the text last: a kill on the way leaves the draft as it was. A photo that another
        draft holds lies on the disk once.
        """
        folder, size = self._folder(key), len(text.encode())
        if size > MOST_TEXT:
            raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))
        with self._lock:
            named = {folder / f"{digest}{_ENDING}": path for digest, path in photos.items()}
            new = {kept: path for kept, path in named.items() if not kept.exists()}
            self._make_room(folder, size, new)
            folder.mkdir(mode=0o700, exist_ok=True)
            for kept, path in new.items():
                if not self._link(kept):
                    write_whole(kept, path.read_bytes(), private=True)
            write_whole(folder / _TEXT, text, private=True)
            now = self._clock()
            os.utime(folder / _TEXT, (now, now))
            for kept in folder.glob(f"*{_ENDING}"):
                if kept.stem not in photos:
                    kept.unlink(missing_ok=True)

    def load(self, key: str) -> tuple[str, dict[str, Path]] | None:
        """A draft's text and where its photos lie, or None where there is none, or it is past its time."""
        folder = self._folder(key)
        with self._lock:
            try:
                if self._over(folder):
                    return None
                return (folder / _TEXT).read_text("utf-8"), {path.stem: path for path in folder.glob(f"*{_ENDING}")}
            except OSError:
                return None

    def forget(self, key: str) -> None:
        """Let go of a draft now."""
        with self._lock:
            shutil.rmtree(self._folder(key), ignore_errors=True)

    def naming(self, name: str) -> list[Path]:
        """The folders of what names a person, in a text or a photo's own data. Raises RecordError without a name."""
        mentions = Mentions(name)
        return [folder for folder in self._root.iterdir() if _names(folder, mentions)]

    def forget_who_is_named(self, name: str) -> int:
        """Let go of what names a person; says how many those were. Raises RecordError without a name."""
        with self._lock:
            gone = self.naming(name)
            for folder in gone:
                shutil.rmtree(folder, ignore_errors=True)
        return len(gone)

    def sweep(self) -> int:
        """Let go of the drafts that are past their time; says how many those were."""
        with self._lock:
            gone = [folder for folder in self._root.iterdir() if self._over(folder)]
            for folder in gone:
                shutil.rmtree(folder, ignore_errors=True)
            self._date_anew()
        return len(gone)

    def _date_anew(self) -> None:
        """What bears a time to come, as the clock was set back, has its whole time from now on, and no longer."""
        now = self._clock()
        for text in self._root.glob(f"*/{_TEXT}"):
            if text.stat().st_mtime > now:
                os.utime(text, (now, now))

    def _folder(self, key: str) -> Path:
        return self._root / hashlib.sha256(key.encode()).hexdigest()

    def _changed(self, folder: Path) -> float:
        """When a draft was last changed; a folder without a text is one that is being made."""
        try:
            return (folder / _TEXT).stat().st_mtime
        except OSError:
            return folder.stat().st_mtime if folder.exists() else 0.0

    def _over(self, folder: Path) -> bool:
        return self._clock() - self._changed(folder) > self._kept_for_s

    def _link(self, kept: Path) -> bool:
        """Whether another draft holds the photo, and now both do."""
        for same in self._root.glob(f"*/{kept.name}"):
            with suppress(OSError):  # this file system has no links
                os.link(same, kept)
                return True
        return False

    def _make_room(self, mine: Path, size: int, new: Mapping[Path, Path]) -> None:
        def needed() -> int:
            alone = [path for kept, path in new.items() if not any(self._root.glob(f"*/{kept.name}"))]
            return size + sum(path.stat().st_size for path in alone) + _held(self._root)

        others = sorted((one for one in self._root.iterdir() if one != mine), key=self._changed)
        while others and needed() > MOST_BYTES_OF_ALL:
            if self._promised:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            shutil.rmtree(others.pop(0), ignore_errors=True)


def _held(root: Path) -> int:
    """What lies in all drafts, in bytes; what lies in several of them counts once."""
    stats = [file.stat() for file in root.glob("*/*")]
    return sum({(stat.st_dev, stat.st_ino): stat.st_size for stat in stats}.values())


def _names(folder: Path, mentions: Mentions) -> bool:
    try:
        said = json.loads((folder / _TEXT).read_text("utf-8"))
        if any(mentions.in_text(words) for words in _words(said)):
            return True
        return any(mentions.in_photo(photo.read_bytes()) for photo in folder.glob(f"*{_ENDING}"))
    except (OSError, ValueError):  # one that is being made or let go
        return False


def _words(value: object) -> Iterator[str]:
    """Every text of a JSON value; a text may be JSON itself, as a page's own note is."""
    for _, words in texts_of(value):
        yield words
        if words.startswith("{"):
            try:
                yield from _words(json.loads(words))
            except ValueError:
                continue
