"""Coaching: one change at a time, in the order a good instructor would try, with a figure where there is one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from toeline import datafile
from toeline.causes.chart import Trouble, placeholders
from toeline.causes.signs import Reading, size_of
from toeline.causes.welding import SettingsCheck, check_result
from toeline.names import PLATES
from toeline.result import Model, Result
from toeline.units import length, span


class CoachingSheet(Model):
    """What to tell the welder: the one change for the next bead, why, and what to try after it."""

    cause: str | None = None
    likelihood: float | None = None
    first: str
    then: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    told_apart_by: str | None = None
    also: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()
    repeat: str
    cautions: tuple[str, ...] = ()


def _rounded(current: float, share: float) -> str:
    """A changed current as a machine is set: to 5 A, or to 1 A where 5 A would be no change."""
    wanted = current * (1 + share)
    step = 5 if abs(current * share) >= 4 else 1
    return f"{round(wanted / step) * step:.0f}"


def _current_changes(current: float, check: SettingsCheck) -> dict[str, str]:
    """How to raise or lower a current, as the words after "raise the current"; never out of the handbook's range."""
    span = check.current_range
    if span and current < span.low_a:
        low_end = f"from {current:.0f} to {span.low_a:.0f} A, the low end of the handbook's range"
        return {"current_raised": low_end, "current_raised_little": low_end}
    if span and current > span.high_a:
        return {"current_lowered": f"from {current:.0f} to {span.high_a:.0f} A, the high end of the handbook's range"}

    def change(*shares: float) -> str:
        to = "-".join(dict.fromkeys(_rounded(current, share) for share in shares))
        return f"from {current:.0f} to {to} A"

    known = {}
    if not span or current * 1.05 <= span.high_a:
        known["current_raised"] = f"5 to 10 %: {change(0.05, 0.10)}"
        known["current_raised_little"] = f"5 %: {change(0.05)}"
    if not span or current * 0.95 >= span.low_a:
        known["current_lowered"] = f"5 to 10 %: {change(-0.10, -0.05)}"
    return known


def _sides(result: Result, readings: Iterable[Reading]) -> dict[str, str]:
    """What the arc was probably pointed at, and the other side: from one-sided undercut, else from a fillet's legs."""
    by_sign = {reading.sign: reading for reading in readings}
    undercut, legs = by_sign.get("undercut"), by_sign.get("legs")
    if undercut and undercut.side:
        here = (i.plate for i in result.indications if i.kind == "undercut" and i.side == undercut.side)
        plate = next((each for each in here if each), None)
        if plate is None:
            other = "right" if undercut.side == "left" else "left"
            seen_from = "looking along the travel" if result.bead.travel == "known" else "as marked in the picture"
            return {"side": f"{undercut.side} toe, {seen_from}", "other": f"{other} side"}
    elif legs and legs.state == "unequal":
        base, upright = result.measures["leg_base"].value or 0.0, result.measures["leg_upright"].value or 0.0
        plate = "base" if base > upright else "upright"
    else:
        return {}
    return {"side": PLATES[plate], "other": PLATES["upright" if plate == "base" else "base"]}


def _figures(trouble: Trouble, result: Result, readings: Iterable[Reading]) -> dict[str, str]:
    """The figures known for a trouble's remedies, by placeholder."""
    settings, unit = result.settings, result.settings.unit
    weld = settings.welding
    check = check_result(result)
    angles = datafile.load("coaching.toml")["work_angle"]
    known = {"work_angle": angles["fillet" if settings.joint == "fillet" else "other"]}
    if trouble.where:
        known["where"] = trouble.where
    if weld.electrode_mm:
        known["weave_limit"] = length(2.5 * weld.electrode_mm, unit)
        share = 1.0 if check.arc_share is None else check.arc_share
        if share > 0:
            known["arc"] = length(weld.electrode_mm * share, unit)
            known["arc_share"] = "the core diameter" if share == 1 else "half the core diameter"
    if weld.current_a:
        known |= _current_changes(weld.current_a, check)
    if check.polarity:
        known["polarity"] = " or ".join(check.polarity)
    if check.travel_mm_min and check.usual_travel_mm_min:
        low, high = check.usual_travel_mm_min
        speed = f"{length(check.travel_mm_min, unit)} a minute; {span(low, high, unit)} is usual for this rod"
        if check.travel_mm_min < low:
            known["speed_under"] = speed
        elif check.travel_mm_min > high:
            known["speed_over"] = speed
    known |= _sides(result, readings)
    restart = next((i.from_ for i in result.indications if i.kind == "poor_restart" and i.from_ is not None), None)
    if restart is not None:
        known["restart_at"] = f"{length(restart, unit)} from the start"
    return known


def remedies(trouble: Trouble, result: Result, readings: Iterable[Reading]) -> tuple[str, ...]:
    """What to try against a trouble, first thing first, with the figures that are known.

    A change of current that would leave the handbook's range is left out, unless nothing else is to be tried.
    """
    known = _figures(trouble, result, readings)
    said: list[str] = []
    last: list[str] = []
    for remedy in trouble.try_:
        missing = placeholders(remedy.say) - known.keys()
        text = (remedy.without if missing and remedy.without else remedy.say).format_map(known)
        out_of_range = result.settings.welding.current_a and any(name.startswith("current") for name in missing)
        (last if out_of_range else said).append(text)
    return tuple(said or last)


def _settings_lines(check: SettingsCheck, result: Result) -> tuple[str, ...]:
    """What the settings say, in plain words, held against what was measured."""
    unit, lines = result.settings.unit, list(check.notes)
    if check.starting_current_a:
        low, high = check.starting_current_a
        figure = f"{low:.0f} A" if round(low) == round(high) else f"{low:.0f} to {high:.0f} A"
        lines.append(f"A first setting to try: {figure} ({'; '.join(check.starting_why)}).")
    if check.arc_share == 0:
        lines.append("This rod is dragged: let its coating touch the plate.")
    elif check.arc_mm:
        lines.append(f"Arc length for this rod: about {length(check.arc_mm, unit)}.")
    if check.travel_mm_min:
        lines.append(f"Travel speed: {length(check.travel_mm_min, unit)} a minute.")
    if check.arc_energy_kj_mm is not None and check.heat_input_kj_mm is not None:
        per = 25.4 if unit == "in" else 1.0
        lines.append(
            f"Arc energy {check.arc_energy_kj_mm * per:.3g} kJ/{unit}, heat input {check.heat_input_kj_mm * per:.3g} "
            f"kJ/{unit}."
        )
    if check.expected_size_mm is not None:
        what = "leg" if result.settings.joint == "fillet" else "width"
        size = size_of(result)
        measured = f"; it measures {length(size[0], unit)}" if size else ""
        lines.append(f"These settings should give a {what} of about {length(check.expected_size_mm, unit)}{measured}.")
    if check.position:
        place = check.position
        lines.append(f"Position: {place.name} ({place.aws}, {place.iso}), {place.source}.")
    return tuple(lines)


def advice_of(result: Result) -> dict[str, Any]:
    """The ``advice`` of a result: what its settings say, as figures and as lines; empty where none were given.

    The ranking adds ``all_well`` where nothing on the face points to a trouble.
    """
    check = check_result(result)
    lines = _settings_lines(check, result)
    figures = check.model_dump(mode="json", exclude_defaults=True)
    return {"settings": figures, "settings_lines": list(lines)} if figures else {}


def coaching_sheet(result: Result) -> CoachingSheet:
    """The coaching sheet of a result whose causes are ranked: one change, the reasons, what comes after, cautions."""
    data = datafile.load("coaching.toml")
    check = check_result(result)
    settings = _settings_lines(check, result)
    named = {cause.cause for cause in result.causes}
    cautions = tuple(each["text"] for each in data["caution"] if not each.get("causes") or named & set(each["causes"]))
    if not result.causes:
        return CoachingSheet(
            first=data["good" if result.advice.get("all_well") else "unsure"]
            if result.bead.found
            else data["unmeasured"],
            why=(result.causes_why,) if result.causes_why else (),
            settings=settings,
            repeat=data["repeat"],
            cautions=cautions,
        )
    top, *others = result.causes
    return CoachingSheet(
        cause=top.title,
        likelihood=top.likelihood,
        first=top.try_[0],
        then=top.try_[1:],
        why=top.evidence,
        told_apart_by=top.told_apart_by,
        also=tuple(f"{each.title[:1].upper()}{each.title[1:]}: {each.try_[0]}" for each in others),
        settings=settings,
        repeat=data["repeat"],
        cautions=cautions,
    )
