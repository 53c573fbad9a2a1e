"""toeline: measures and judges a cleaned weld bead from one photo with a printed reference card beside it."""

from __future__ import annotations

from importlib import metadata
from typing import TYPE_CHECKING, Any

__version__ = metadata.version("toeline")
__all__ = ["Result", "Settings", "ToelineError", "__version__", "measure"]

if TYPE_CHECKING:
    from toeline.errors import ToelineError
    from toeline.pipeline import measure
    from toeline.result import Result, Settings


def __getattr__(name: str) -> Any:
    """Load the heavy parts only when they are asked for, so that ``import toeline`` stays quick."""
    if name == "measure":
        from toeline.pipeline import measure

        return measure
    if name in ("Result", "Settings"):
        from toeline import result

        return getattr(result, name)
    if name == "ToelineError":
        from toeline.errors import ToelineError

        return ToelineError
    raise AttributeError(f"module 'toeline' has no attribute {name!r}")
