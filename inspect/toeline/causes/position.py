"""The welding position by published limits, from the slope of the weld axis and the rotation of its face."""

from __future__ import annotations

from typing import Literal

from toeline import datafile
from toeline.errors import SettingsError
from toeline.result import Joint, Model, Settings

PositionName = Literal["flat", "horizontal", "vertical up", "vertical down", "overhead"]


class WeldingPosition(Model):
    """A named position: ``aws`` is AWS A3.0's label, ``iso`` that of ISO 6947; angles in degrees.

    ``slope_deg`` is the weld axis to the horizontal, positive uphill in the direction of travel; ``rotation_deg`` how
    far the face is turned from looking straight up. ``test_piece`` says whether both angles are also within the
    tighter limits for a welder's test piece.
    """

    name: PositionName
    aws: str
    iso: str
    slope_deg: float
    rotation_deg: float
    off_slope_deg: float
    off_rotation_deg: float
    test_piece: bool
    source: str


def _table(joint: Joint) -> Literal["fillet", "groove"]:
    return "fillet" if joint == "fillet" else "groove"


def welding_position(slope_deg: float, rotation_deg: float, joint: Joint) -> WeldingPosition:
    """The position of a weld (AWS A3.0, ISO 6947; limits in ``data/positions.toml``).

    ``slope_deg`` -90..90, positive uphill; ``rotation_deg`` -180..180 from face up, either way the same.
    Raises :class:`SettingsError` for angles that cannot be.
    """
    if not -90 <= slope_deg <= 90:
        raise SettingsError(f"A slope of {slope_deg:g} degrees cannot be; give -90 to 90, positive uphill.")
    if not -180 <= rotation_deg <= 180:
        raise SettingsError(f"A rotation of {rotation_deg:g} degrees cannot be; give -180 to 180, 0 with the face up.")
    data = datafile.load("positions.toml")
    table = data[_table(joint)]
    slope, rotation = abs(slope_deg), abs(rotation_deg)
    row = next(
        each
        for each in table["positions"]
        if each["slope"][0] <= slope <= each["slope"][1] and each["rotation"][0] <= rotation <= each["rotation"][1]
    )
    up = slope_deg >= 0
    name: PositionName = row["name"] if row["name"] != "vertical" else ("vertical up" if up else "vertical down")
    main_slope, main_rotation = data["words"][_table(joint)][name]
    off_slope = abs(slope - abs(main_slope))
    # A vertical weld keeps its position whichever way its face looks.
    off_rotation = 0.0 if name.startswith("vertical") else abs(rotation - main_rotation)
    tight = data["test_piece"]
    return WeldingPosition(
        name=name,
        aws=row["aws"],
        iso=row["iso_up"] if up else row["iso_down"],
        slope_deg=slope_deg,
        rotation_deg=rotation_deg,
        off_slope_deg=off_slope,
        off_rotation_deg=off_rotation,
        test_piece=off_slope <= tight["slope"] and off_rotation <= tight["rotation"],
        source=table["source"],
    )


def position_names(joint: Joint) -> tuple[str, ...]:
    """The words and names (AWS A3.0, ISO 6947) that stand for a position of this joint."""
    data = datafile.load("positions.toml")
    return (*data["words"][_table(joint)], *data["names"][_table(joint)])


def read_position(text: str, joint: Joint) -> tuple[float, float]:
    """Slope and rotation from what a person typed: a word or a name such as ``flat``, ``2G`` or ``PF``, or two angles.

    Angles are those of this module: ``0 0`` is flat with the face up. Raises :class:`SettingsError` with the words that
    are understood.
    """
    data, here = datafile.load("positions.toml"), _table(joint)
    typed = " ".join(text.lower().replace(",", " ").replace("-up", " up").replace("-down", " down").split())
    known = {name.lower(): angles for name, angles in (data["words"][here] | data["names"][here]).items()}
    if typed in known:
        slope, rotation = known[typed]
        return float(slope), float(rotation)
    if f"{typed} up" in known:
        raise SettingsError(
            f"The position {text!r} says neither up nor down; say {typed.upper()} up or {typed.upper()} down."
            if typed != "vertical"
            else "Vertical says neither up nor down; say vertical up or vertical down."
        )
    there = "groove" if here == "fillet" else "fillet"
    if typed.removesuffix(" up").removesuffix(" down") in {name.split()[0].lower() for name in data["names"][there]}:
        raise SettingsError(
            f"The position {text!r} is one of a {data[there]['title']}, and the joint here is "
            f"{'a fillet' if here == 'fillet' else 'none of those'}; say the joint, or one of "
            f"{', '.join(data['names'][here])}."
        )
    try:
        slope, rotation = (float(part) for part in typed.split())
    except ValueError:
        raise SettingsError(
            f"The position {text!r} is not understood; say {', '.join(position_names(joint))}, or slope and rotation "
            "in degrees, such as 0 0 for flat with the face up."
        ) from None
    welding_position(slope, rotation, joint)
    return slope, rotation


def settings_position(settings: Settings) -> WeldingPosition | None:
    """The position that the settings' angles say; one angle alone takes the other as 0; None without any."""
    slope, rotation = settings.welding.slope_deg, settings.welding.rotation_deg
    if slope is None and rotation is None:
        return None
    return welding_position(slope or 0.0, rotation or 0.0, settings.joint)
