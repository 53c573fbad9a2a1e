"""toeline: measures and judges a cleaned weld bead from one photo with a printed reference card beside it."""

from __future__ import annotations

from importlib import import_module, metadata
from typing import TYPE_CHECKING, Any

__version__ = metadata.version("toeline")

if TYPE_CHECKING:
    from toeline.batch import measure_many
    from toeline.errors import ToelineError
    from toeline.pipeline import measure, measure_with, relief, relief_with
    from toeline.result import Result, Settings
    from toeline.settings import settings_from

__all__ = [
    "Result",
    "Settings",
    "ToelineError",
    "__version__",
    "measure",
    "measure_many",
    "measure_with",
    "relief",
    "relief_with",
    "settings_from",
]

#: Where each name comes from; loaded only when asked for, so that ``import toeline`` stays quick.
_HOMES = {
    "measure": "pipeline",
    "measure_many": "batch",
    "measure_with": "pipeline",
    "relief": "pipeline",
    "relief_with": "pipeline",
    "settings_from": "settings",
    "Result": "result",
    "Settings": "result",
    "ToelineError": "errors",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'toeline' has no attribute {name!r}")
    return getattr(import_module(f"toeline.{_HOMES[name]}"), name)
