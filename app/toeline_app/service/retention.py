"""What the app keeps for a time: photos of running sessions, drafts, classes under an address."""

from __future__ import annotations

import atexit
import tempfile
from pathlib import Path

import streamlit as st

from toeline_app import serving
from toeline_app.drafts import CLASS_KEPT_FOR_S, KEPT_FOR_S, Drafts, kept_under
from toeline_app.uploads import Uploads, is_alive, start_sweeping, waiting_by_session


@st.cache_resource
def uploads() -> Uploads:
    """The photos of the running sessions."""
    kept = Uploads(is_alive, waiting=waiting_by_session)
    start_sweeping(kept.sweep, drafts().sweep, classes().sweep)
    return kept


@st.cache_resource
def drafts() -> Drafts:
    """The visitors' drafts."""
    return _kept("drafts", KEPT_FOR_S)


@st.cache_resource
def classes() -> Drafts:
    """The classes that were put under an address."""
    return _kept("classes", CLASS_KEPT_FOR_S, promised=True)


def _kept(name: str, kept_for_s: float, *, promised: bool = False) -> Drafts:
    """What is kept for a time; where the state folder cannot be written it lasts as long as the app does."""
    try:
        return Drafts(kept_under(name), kept_for_s=kept_for_s, promised=promised)
    except OSError:
        folder = tempfile.TemporaryDirectory(prefix=f"toeline-{name}-")
        atexit.register(folder.cleanup)
        return Drafts(Path(folder.name), kept_for_s=kept_for_s, promised=promised)


def kept_for_a_time(name: str) -> int:
    """How many drafts and classes under an address name a person."""
    serving.for_inspectors()
    return sum(len(kept.naming(name)) for kept in (drafts(), classes()))


def forget_kept_for_a_time(name: str) -> int:
    """Let go of the drafts and classes that name a person; says how many those were."""
    serving.for_inspectors()
    return sum(kept.forget_who_is_named(name) for kept in (drafts(), classes()))
