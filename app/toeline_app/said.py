"""What was said about this session's photos, in one typed thing, so that it can be kept and brought back whole."""

from __future__ import annotations

from typing import Any

import streamlit as st
from pydantic import BaseModel, ConfigDict

from toeline.result import GaugeReading, Point, Settings, Welding

_STATE = "said"


class _Said(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class AboutPhoto(_Said):
    """What was said about one photo and its bead: taps on its ends, readings and looks, answers, what was saved.

    ``put_off``: what was asked and left for later. ``typed``: the fields typed for saving, as text. ``saved``: the
    inspection it was saved as, with its settings.
    """

    taps: tuple[Point, ...] = ()
    gauge: tuple[GaugeReading, ...] = ()
    conditions: dict[str, bool] = {}
    noticed: dict[str, str] = {}
    arc_time_s: float | None = None
    travel_mm_min: float | None = None
    voltage_v: float | None = None
    put_off: tuple[str, ...] = ()
    typed: dict[str, str] = {}
    saved: tuple[str, Settings] | None = None

    @property
    def ends(self) -> tuple[Point, Point] | None:
        """The bead's ends, once both are tapped."""
        return (self.taps[0], self.taps[1]) if len(self.taps) == 2 else None

    def welding(self, welding: Welding) -> Welding:
        """The weld's settings with what was said of this bead alone."""
        own = ("arc_time_s", "travel_mm_min", "voltage_v")
        return welding.model_copy(update={name: getattr(self, name) for name in own})


class Said(_Said):
    """All of it: by photo (digest), what was answered of the whole bead in the photo ``before``, who looks, what was
    ``typed`` for saving that is likely the same for the next weld, the inspection to be superseded, and ``notes`` that
    pages keep by names of their own."""

    about: dict[str, AboutPhoto] = {}
    before: tuple[GaugeReading, ...] = ()
    looked_by: str = ""
    typed: dict[str, str] = {}
    instead_of: str | None = None
    notes: dict[str, str] = {}


def now() -> Said:
    """All that was said in this session."""
    found: Said = st.session_state.setdefault(_STATE, Said())
    return found


def take(said: Said) -> None:
    """Go on from what was said before."""
    st.session_state[_STATE] = said


def change(**said: Any) -> None:
    """Say something anew."""
    take(Said.model_validate(dict(now()) | said))


def about(sha256: str) -> AboutPhoto:
    """What was said about a photo."""
    return now().about.get(sha256, AboutPhoto())


def say(sha256: str, **said: Any) -> None:
    """Say something about a photo anew."""
    one = AboutPhoto.model_validate(dict(about(sha256)) | said)
    change(about=now().about | {sha256: one})


def note(name: str) -> str | None:
    """A page's own text, by its name."""
    return now().notes.get(name)


def keep_note(name: str, text: str | None) -> None:
    """Keep a page's own text, or let go of it."""
    rest = {key: value for key, value in now().notes.items() if key != name}
    change(notes=rest if text is None else rest | {name: text})
