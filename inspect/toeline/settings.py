"""What a person says about a photo and a weld, read into one :class:`Settings`: the way in for Python and commands."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from math import inf
from pathlib import Path
from typing import Literal, Unpack

from pydantic import ConfigDict, TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict

from toeline.causes.position import read_position
from toeline.causes.procedure import load_procedure, sound_procedure
from toeline.causes.signs import check_noticed
from toeline.errors import SettingsError
from toeline.evidence.gauge import gauges, read_gauge, read_look
from toeline.result import GaugeReading, Joint, Point, Procedure, Settings, Welding
from toeline.text import clause, one_line, spoken_error
from toeline.units import GREATEST, MM_PER_INCH, Unit, read_length, read_temperature


@with_config(ConfigDict(extra="forbid"))
class Said(TypedDict, total=False):
    """The keywords of :func:`toeline.measure`, as the options of ``toeline measure``; lengths in ``unit``, or text such
    as ``1/8`` or ``3 mm``."""

    joint: Joint
    thickness: float | str | None
    second_thickness: float | str | None
    weld_thickness: float | str | None
    check_line: float | str | None
    electrode: float | str | None
    electrode_class: str | None
    current: float | None
    polarity: Literal["DC+", "DC-", "AC"] | None
    box_range: tuple[float, float] | str | None
    voltage: float | None
    arc_time: float | None
    travel_speed: float | str | None
    intended_width: float | str | None
    technique: Literal["stringer", "weave"] | None
    noticed: Mapping[str, str] | Sequence[str]
    position: str | None
    procedure: str | Path | Procedure | None
    weld_pass: str | None
    preheat: float | str | None
    interpass: float | str | None
    size: float | str | None
    size_is: Literal["leg", "throat"]
    joint_angle: float | None
    criteria: str | Path | None
    condition: Mapping[str, bool] | Sequence[str]
    rule: Literal["guarded", "simple"]
    gauge: Sequence[str | GaugeReading]
    looked: Sequence[str]
    looked_by: str | None
    ends: tuple[float, float, float, float] | str | None
    camera: str | Path | None
    section_at: float | str | None
    unit: Unit


def settings_from(**said: Unpack[Said]) -> Settings:
    """The settings that these words give; lengths are turned into mm.

    Raises:
        SettingsError: a word or a number makes no sense; the text says which and what to give instead.
    """
    said = _checked(said)
    unit = said.get("unit", "mm")
    joint = said.get("joint", "bead")

    def mm(typed: float | str | None) -> float | None:
        if typed is None:
            return None
        return read_length(typed, unit) if isinstance(typed, str) else typed * (MM_PER_INCH if unit == "in" else 1.0)

    def length(
        name: Literal[
            "thickness", "second_thickness", "weld_thickness", "electrode", "travel_speed", "intended_width", "size"
        ],
    ) -> float | None:
        return _positive(name, mm(said.get(name)))

    def celsius(name: Literal["preheat", "interpass"]) -> float | None:
        typed = said.get(name)
        return None if typed is None else read_temperature(typed, unit)

    criteria, camera = said.get("criteria"), said.get("camera")
    position = said.get("position")
    slope, rotation = read_position(position, joint) if position else (None, None)
    return Settings(
        joint=joint,
        thickness_mm=length("thickness"),
        second_thickness_mm=length("second_thickness"),
        weld_thickness_mm=length("weld_thickness"),
        check_line_mm=mm(said.get("check_line")),
        criteria=None if criteria is None else str(criteria),
        rule=said.get("rule", "guarded"),
        gauge=_readings(said.get("gauge") or (), said.get("looked") or (), said.get("looked_by"), unit),
        ends_px=_ends(said.get("ends")),
        camera_profile=None if camera is None else str(camera),
        section_at_mm=mm(said.get("section_at")),
        unit=unit,
        drawing_size_mm=length("size"),
        drawing_size_is=said.get("size_is", "leg"),
        joint_angle_deg=_positive("joint_angle", said.get("joint_angle")),
        conditions=_conditions(said.get("condition", ())),
        procedure=_procedure(said.get("procedure")),
        welding=Welding(
            electrode_class=said.get("electrode_class"),
            electrode_mm=length("electrode"),
            current_a=_positive("current", said.get("current")),
            polarity=said.get("polarity"),
            box_range_a=_box_range(said.get("box_range")),
            voltage_v=_positive("voltage", said.get("voltage")),
            arc_time_s=_positive("arc_time", said.get("arc_time")),
            travel_mm_min=length("travel_speed"),
            intended_width_mm=length("intended_width"),
            technique=said.get("technique"),
            slope_deg=slope,
            rotation_deg=rotation,
            weld_pass=one_line(said.get("weld_pass") or "") or None,
            preheat_c=celsius("preheat"),
            interpass_c=celsius("interpass"),
            noticed=_noticed(said.get("noticed", ()), joint),
        ),
    )


_SAID = TypeAdapter(Said)
_PLAINER = {"sequence_str": "give a list, also of one", "missing": "some of it is missing"}


def _checked(said: Said) -> Said:
    """What was said, if all of it is known by name and of the right kind: a word that is passed over in silence would
    leave the scale or the verdict to chance."""
    try:
        return _SAID.validate_python(said)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
    name = str(first["loc"][0])
    if first["type"] == "extra_forbidden":
        near = get_close_matches(name, Said.__annotations__, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else "; the keywords are the options of toeline measure."
        raise SettingsError(f"There is no setting {name!r}{hint}")
    given = one_line(repr(dict(said)[name]))
    why = _PLAINER.get(first["type"], clause(spoken_error(first)))
    raise SettingsError(f"The setting {name} cannot be {given}: {why}.")


def _readings(
    gauge: Sequence[str | GaugeReading], looked: Sequence[str], by: str | None, unit: Unit
) -> tuple[GaugeReading, ...]:
    """Readings and looks, each with who took it where that was said; a look has to be somebody's."""
    by = one_line(by) if by else None
    if looked and not by:
        raise SettingsError("Say who looked: a look is a person's own (looked_by, or --looked-by NAME).")
    readings = [read_gauge(one, unit) if isinstance(one, str) else one for one in gauge]
    readings += [read_look(one, unit) for one in looked]
    for one in readings:
        known = gauges().get(one.name)
        if known is not None and known.statement and not (one.by or by):
            raise SettingsError(
                f"Say who looked: {one.name}={one.value:g} is a person's own (looked_by, or --looked-by NAME)."
            )
    return tuple(one if one.by or by is None else one.model_copy(update={"by": by}) for one in readings)


def _procedure(said: str | Path | Procedure | None) -> Procedure | None:
    if not isinstance(said, Procedure):
        return None if said is None else load_procedure(said)
    return sound_procedure(said)


def _positive(name: str, value: float | None) -> float | None:
    if value is not None and not 0 < value < GREATEST:
        raise SettingsError(f"A {name.replace('_', ' ')} of {value:g} cannot be; give a figure above 0.")
    return value


def _noticed(said: Mapping[str, str] | Sequence[str], joint: Joint) -> dict[str, str]:
    pairs = (
        said.items()
        if isinstance(said, Mapping)
        else ((name, state) for name, _, state in (t.partition("=") for t in said))
    )
    noticed = {name.strip(): state.strip() for name, state in pairs}
    check_noticed(noticed, joint)
    return noticed


def _box_range(said: tuple[float, float] | str | None) -> tuple[float, float] | None:
    if said is None:
        return None
    parts = re.sub(r"-|–|to|,|A$", " ", said, flags=re.IGNORECASE).split() if isinstance(said, str) else said
    try:
        low, high = (float(each) for each in parts)
    except ValueError:
        low = high = 0.0
    if not 0 < low < high < GREATEST:
        raise SettingsError(f"{said!r} is no range of currents; give the lower and the higher, such as 90-130.")
    return low, high


def _ends(said: tuple[float, float, float, float] | str | None) -> tuple[Point, Point] | None:
    if said is None:
        return None
    try:
        ax, ay, bx, by = (float(part) for part in (said.split(",") if isinstance(said, str) else said))
    except ValueError:
        ax = ay = bx = by = inf
    if not all(abs(part) < GREATEST for part in (ax, ay, bx, by)):
        raise SettingsError(f"{said!r} is not four numbers; give X1,Y1,X2,Y2 in pixels, start first.")
    return (ax, ay), (bx, by)


def _conditions(said: Mapping[str, bool] | Sequence[str]) -> dict[str, bool]:
    if isinstance(said, Mapping):
        return dict(said)
    conditions = {}
    for text in said:
        name, _, value = text.partition("=")
        if not name or value not in ("yes", "no"):
            raise SettingsError(f"{text!r} is not NAME=yes or NAME=no.")
        conditions[name] = value == "yes"
    return conditions
