"""The few settings of the bench, remembered in a cookie on the user's own device."""

from __future__ import annotations

import json
import re
from typing import Annotated, Literal
from urllib.parse import quote, unquote

import streamlit as st
from pydantic import BaseModel, ConfigDict, Field, ValidationError

COOKIE = "toeline_settings"
A_YEAR_S = 31_536_000
_STATE = "preferences"
#: The criteria that someone new is judged by.
PRACTICE = "workmanship"
#: What a rod's designation may be typed with.
ROD = r"^[A-Za-z0-9 .:/_-]{1,40}$"


class Preferences(BaseModel):
    """What the user works with from photo to photo."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    joint: Literal["bead", "butt", "fillet"] = "bead"
    thickness_mm: Annotated[float | None, Field(ge=0.5, le=300)] = None
    second_thickness_mm: Annotated[float | None, Field(ge=0.5, le=300)] = None
    weld_thickness_mm: Annotated[float | None, Field(ge=0.5, le=300)] = None
    electrode_mm: Annotated[float | None, Field(ge=1.0, le=10.0)] = None
    criteria: Annotated[str | None, Field(pattern=r"^[a-z0-9.-]{1,60}$")] = PRACTICE
    unit: Literal["mm", "in"] = "mm"
    check_line_mm: Annotated[float | None, Field(ge=45.0, le=55.0)] = None
    drawing_size_mm: Annotated[float | None, Field(ge=1.0, le=100.0)] = None
    drawing_size_is: Literal["leg", "throat"] = "leg"
    joint_angle_deg: Annotated[float | None, Field(ge=30.0, le=150.0)] = None
    electrode_class: Annotated[str | None, Field(pattern=ROD)] = None
    current_a: Annotated[float | None, Field(ge=10.0, le=600.0)] = None
    box_low_a: Annotated[float | None, Field(ge=10.0, le=600.0)] = None
    box_high_a: Annotated[float | None, Field(ge=10.0, le=600.0)] = None
    polarity: Literal["DC+", "DC-", "AC"] | None = None
    position: Annotated[str | None, Field(pattern=r"^[A-Za-z0-9 ]{1,20}$")] = None
    technique: Literal["stringer", "weave"] | None = None
    intended_width_mm: Annotated[float | None, Field(ge=1.0, le=60.0)] = None
    weld_pass: Literal["root", "fill", "cap"] | None = None
    preheat_c: Annotated[float | None, Field(ge=-40, le=600)] = None
    interpass_c: Annotated[float | None, Field(ge=-40, le=600)] = None
    procedure: Annotated[str | None, Field(max_length=200)] = None


def is_rod(text: str) -> bool:
    """Whether a text can be a rod's designation at all."""
    return re.fullmatch(ROD, text) is not None


def read_cookie(text: str | None) -> Preferences:
    """Preferences from a cookie; anything but a sound one gives the defaults."""
    try:
        return Preferences.model_validate(json.loads(unquote(text or "")))
    except (ValueError, ValidationError):
        return Preferences()


def write_cookie(preferences: Preferences) -> str:
    """The cookie's value: percent-encoded, so that nothing in it can end the value or begin markup."""
    return quote(preferences.model_dump_json(exclude_defaults=True), safe="")


def preferences() -> Preferences:
    """This session's preferences; a new session starts from the device's cookie."""
    if _STATE not in st.session_state:
        st.session_state[_STATE] = read_cookie(st.context.cookies.get(COOKIE))
    found: Preferences = st.session_state[_STATE]
    return found


def remember(changed: Preferences) -> None:
    """Use these preferences from now on, in this session and on this device."""
    st.session_state[_STATE] = changed


def keep_on_device() -> None:
    """Have the browser keep the preferences; the script holds nothing but the percent-encoded value."""
    value = write_cookie(preferences())
    st.html(
        f"<script>document.cookie = '{COOKIE}={value}; path=/; max-age={A_YEAR_S}; samesite=strict';</script>",
        unsafe_allow_javascript=True,
    )
