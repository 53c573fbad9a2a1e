"""The web app: pages for a welder at the bench, an inspector and an instructor. All computing is toeline's."""

from __future__ import annotations

from toeline_app.server import launch

__all__ = ["launch"]
