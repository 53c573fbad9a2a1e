"""What a person reads off a gauge, looks at or says of a weld: what is asked, and what was answered."""

from __future__ import annotations

from functools import cache

from toeline.causes.chart import Sign, chart
from toeline.causes.electrodes import electrode_class
from toeline.causes.position import position_names as names_of_positions
from toeline.causes.position import read_position
from toeline.criteria import list_criteria, load_criteria
from toeline.evidence.evidence import middle
from toeline.evidence.gauge import Gauge, check_reading, gauges, in_words
from toeline.evidence.needs import spoken
from toeline.result import GaugeReading, Joint, Result
from toeline.text import capital
from toeline.units import MM_PER_INCH, Unit, length


@cache
def criteria_titles() -> dict[str, str]:
    """The shipped criteria sets: id to title, with the edition where two share a title."""
    found = list_criteria()
    titles = [one.title for one in found]
    return {
        one.id: one.title if titles.count(one.title) == 1 else f"{one.title}, {one.edition.split()[0]}" for one in found
    }


def numbered_indications(result: Result, unit: Unit) -> list[tuple[str, str, str]]:
    """The indications as numbered on the picture: number, kind, where and how large."""
    from toeline.report.key import keyed_indications

    return [
        (one.label, one.title, f"{one.detail}; look there" if one.perhaps else one.detail)
        for one in keyed_indications(result, unit)
    ]


def same_picture(one: Result, other: Result) -> bool:
    """Whether two results of one measurement are drawn alike: what a person saw takes a question mark away."""
    unit = one.settings.unit
    return numbered_indications(one, unit) == numbered_indications(other, unit)


def knows_rod(text: str) -> bool:
    """Whether a rod's designation is known here with its current ranges."""
    return electrode_class(text) is not None


def position_names(joint: Joint) -> tuple[str, ...]:
    """The words and names of the positions of this joint."""
    return names_of_positions(joint)


def position_angles(name: str | None, joint: Joint) -> tuple[float | None, float | None]:
    """Slope and rotation of a position's name; none of a name that this joint does not have."""
    return read_position(name, joint) if name in names_of_positions(joint) else (None, None)


def noticed_signs(joint: Joint) -> dict[str, Sign]:
    """What can have been noticed while this joint was welded, by id: what is asked, and what its states say."""
    return chart().noticed(joint)


def needs(result: Result) -> list[str]:
    """What would settle the judgement, in plain words."""
    return [spoken(need) for need in result.judgement.needs] if result.judgement else []


def gauge_names(result: Result) -> dict[str, str]:
    """What can be gauged for the lines that judge this result, what settles one of them first: name to meaning."""
    if result.judgement is None or result.settings.criteria is None:
        return {}
    known = gauges()
    wanted = [str(line.gauge) for line in result.judgement.lines if line.gauge]
    lines = load_criteria(result.settings.criteria).lines
    taken = [name for line in lines if result.settings.joint in line.joints for name in sorted(line.kind.readings)]
    names = [*wanted, *taken, "weld_length"]
    return {name: known[name].meaning for name in dict.fromkeys(names) if not known[name].statement}


def conditions(result: Result) -> dict[str, str]:
    """What the criteria ask about a weld of this joint: name to what it says."""
    if result.settings.criteria is None:
        return {}
    criteria = load_criteria(result.settings.criteria)
    asked = {
        line.only_if.removeprefix("not ")
        for line in criteria.lines
        if line.only_if and result.settings.joint in line.joints
    }
    return {name: text for name, text in criteria.conditions.items() if name in asked}


def look(name: str) -> Gauge:
    """What is asked of a person who looks."""
    return gauges()[name]


def looks_asked(result: Result) -> tuple[str, ...]:
    """The looks that would settle a line of this result."""
    if result.judgement is None:
        return ()
    wanted = [str(line.gauge) for line in result.judgement.lines if line.gauge]
    return tuple(name for name in dict.fromkeys(wanted) if gauges()[name].question)


#: What comes in such numbers that no person goes to each.
_CROWDED = ("spatter",)


def places(result: Result, name: str) -> list[float]:
    """Where along the seam the photo may show what is looked for, mm."""
    seen = [one for one in result.indications if one.kind == gauges()[name].sees and name not in _CROWDED]
    return sorted(at for at in map(middle, seen) if at is not None)


def suspected(result: Result, name: str, unit: Unit) -> list[str]:
    """Where the photo may show what is looked for."""
    return [length(at, unit) for at in places(result, name)]


def looked(result: Result, name: str, value: float, at: float | None, by: str, unit: Unit) -> tuple[GaugeReading, ...]:
    """An answered look: ``at`` one place in the user's unit, else for the whole weld; a no for suspected places too."""
    factor = MM_PER_INCH if unit == "in" else 1.0
    spots: list[float | None] = [None if at is None else at * factor]
    if value == 0 and at is None:
        spots += places(result, name)
    return tuple(GaugeReading(name=name, value=value, at=place, unit="1", by=by, U=0.0) for place in spots)


def gauge_rows(result: Result, unit: Unit) -> list[tuple[str, str]]:
    """What was gauged and seen: what, the reading and where, and who it was."""
    return [gauge_row(one, unit) for one in result.settings.gauge]


def gauge_row(one: GaugeReading, unit: Unit) -> tuple[str, str]:
    """What was gauged or seen, the reading and where, and who it was."""
    known = gauges()
    what = known[one.name].question or known[one.name].meaning if one.name in known else one.name.replace("_", " ")
    where = "" if one.at is None else f", {length(one.at, unit)} from the start"
    by = f", by {one.by}" if one.by else ""
    return capital(what), in_words(one, unit) + where + by


def gauge_unit(name: str, unit: Unit) -> str:
    """The unit a reading of that name is typed in."""
    own = gauges()[name].unit
    return unit if own == "mm" else {"deg": "degrees", "1": "count"}[own]


def gauge_reading(name: str, value: float, at: float | None, unit: Unit, by: str | None = None) -> GaugeReading:
    """A reading typed in the user's unit, checked. Raises SettingsError."""
    factor = MM_PER_INCH if unit == "in" else 1.0
    own = gauges()[name].unit
    typed = value * (factor if own == "mm" else 1.0)
    place = None if at is None else at * factor
    return check_reading(GaugeReading(name=name, value=typed, at=place, unit=own, by=by))
