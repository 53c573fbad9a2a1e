"""Files written whole or not at all."""

from __future__ import annotations

import errno
import os
import uuid
from pathlib import Path


def write_whole(path: Path, content: bytes | str, *, private: bool = False) -> None:
    """Write a file so that it is there whole, or is as it was: a full disk or a kill leaves no half of it.

    ``private``: nobody but its owner may read it. What is no file of its own, such as a pipe, is written straight into.
    Raises OSError, which names ``path``.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    part = None
    try:
        if path.exists() and not path.is_file():
            path.write_bytes(data)
            return
        target = path.resolve()  # a link stays one
        part = target.with_name(f".{uuid.uuid4().hex}.part")
        if private:
            part.touch(mode=0o600)
        part.write_bytes(data)
        if target.exists():
            part.chmod(target.stat().st_mode)
        os.replace(part, target)
    except OSError as error:
        if part is not None:
            part.unlink(missing_ok=True)
        raise OSError(error.errno, error.strerror, str(path)) from error


def write_new(path: Path, content: bytes | str) -> None:
    """As :func:`write_whole`, where nothing of that name is there yet. Raises OSError, FileExistsError where it is."""
    if path.exists():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
    write_whole(path, content)
