"""The web app: pages for a welder at the bench, an inspector and an instructor. All computing is toeline's."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from toeline_app.server import launch

__all__ = ["launch"]


def __getattr__(name: str) -> object:
    """``launch`` is loaded when it is asked for: worker processes import the package and need no web server."""
    if name != "launch":
        raise AttributeError(name)
    from toeline_app.server import launch

    return launch
