"""The welding position by published limits, from the slope of the weld axis and the rotation of its face."""

from __future__ import annotations

from toeline.causes.figures import JointPositions, PositionFigures, PositionName, Span
from toeline.errors import SettingsError
from toeline.result import Joint, Model, Settings


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


def _limits(joint: Joint) -> JointPositions:
    data = PositionFigures.read()
    return data.fillet if joint == "fillet" else data.groove


def _typed(joint: Joint) -> tuple[dict[str, Span], dict[str, Span]]:
    """The words and the names that a person may type, each with its slope and rotation."""
    words, names = PositionFigures.read().words, PositionFigures.read().names
    return (words.fillet, names.fillet) if joint == "fillet" else (words.groove, names.groove)


def welding_position(slope_deg: float, rotation_deg: float, joint: Joint) -> WeldingPosition:
    """The position of a weld (AWS A3.0, ISO 6947; limits in ``data/positions.toml``).

    ``slope_deg`` -90..90, positive uphill; ``rotation_deg`` -180..180 from face up, either way the same.
    Raises :class:`SettingsError` for angles that cannot be.
    """
    if not -90 <= slope_deg <= 90:
        raise SettingsError(f"A slope of {slope_deg:g} degrees cannot be; give -90 to 90, positive uphill.")
    if not -180 <= rotation_deg <= 180:
        raise SettingsError(f"A rotation of {rotation_deg:g} degrees cannot be; give -180 to 180, 0 with the face up.")
    limits = _limits(joint)
    slope, rotation = abs(slope_deg), abs(rotation_deg)
    row = next(
        each
        for each in limits.positions
        if each.slope[0] <= slope <= each.slope[1] and each.rotation[0] <= rotation <= each.rotation[1]
    )
    up = slope_deg >= 0
    name: PositionName = row.name if row.name != "vertical" else ("vertical up" if up else "vertical down")
    main_slope, main_rotation = _typed(joint)[0][name]
    off_slope = abs(slope - abs(main_slope))
    # A vertical weld keeps its position whichever way its face looks.
    off_rotation = 0.0 if name.startswith("vertical") else abs(rotation - main_rotation)
    tight = PositionFigures.read().test_piece
    return WeldingPosition(
        name=name,
        aws=row.aws,
        iso=row.iso_up if up else row.iso_down,
        slope_deg=slope_deg,
        rotation_deg=rotation_deg,
        off_slope_deg=off_slope,
        off_rotation_deg=off_rotation,
        test_piece=off_slope <= tight.slope and off_rotation <= tight.rotation,
        source=limits.source,
    )


def position_names(joint: Joint) -> tuple[str, ...]:
    """The words and names (AWS A3.0, ISO 6947) that stand for a position of this joint."""
    words, names = _typed(joint)
    return (*words, *names)


def read_position(text: str, joint: Joint) -> tuple[float, float]:
    """Slope and rotation from what a person typed: a word or a name such as ``flat``, ``2G`` or ``PF``, or two angles.

    Angles are those of this module: ``0 0`` is flat with the face up. Raises :class:`SettingsError` with the words that
    are understood.
    """
    words, names = _typed(joint)
    typed = " ".join(text.lower().replace(",", " ").replace("-up", " up").replace("-down", " down").split())
    known = {name.lower(): angles for name, angles in (words | names).items()}
    if typed in known:
        return known[typed]
    if f"{typed} up" in known:
        raise SettingsError(
            f"The position {text!r} says neither up nor down; say {typed.upper()} up or {typed.upper()} down."
            if typed != "vertical"
            else "Vertical says neither up nor down; say vertical up or vertical down."
        )
    other: Joint = "butt" if joint == "fillet" else "fillet"
    if typed.removesuffix(" up").removesuffix(" down") in {name.split()[0].lower() for name in _typed(other)[1]}:
        raise SettingsError(
            f"The position {text!r} is one of a {_limits(other).title}, and the joint here is "
            f"{'a fillet' if joint == 'fillet' else 'none of those'}; say the joint, or one of {', '.join(names)}."
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


def named_position(text: str, joint: Joint) -> PositionName | None:
    """The position that a text names, of this joint or else of another; None where it names none."""
    for one in (joint, *_OTHERS):
        try:
            return welding_position(*read_position(text, one), one).name
        except SettingsError:
            continue
    return None


#: A name such as 2F or 2G belongs to one of them.
_OTHERS: tuple[Joint, ...] = ("butt", "fillet")


def settings_position(settings: Settings) -> WeldingPosition | None:
    """The position that the settings' angles say; one angle alone takes the other as 0; None without any."""
    slope, rotation = settings.welding.slope_deg, settings.welding.rotation_deg
    if slope is None and rotation is None:
        return None
    return welding_position(slope or 0.0, rotation or 0.0, settings.joint)
