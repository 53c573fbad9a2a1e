"""The welding settings checked: current against the handbook, polarity, travel speed, heat input, expected size."""

from __future__ import annotations

import math
import re
from typing import Any

from toeline import datafile
from toeline.causes.position import WeldingPosition, settings_position
from toeline.errors import SettingsError
from toeline.result import Joint, Model, Result, Settings
from toeline.units import length


class CurrentRange(Model):
    """A handbook's current range for a class and diameter, A; ``also_a`` is a second source's, where there is one."""

    electrode_class: str
    diameter_mm: float
    low_a: float
    high_a: float
    source: str
    also_a: tuple[float, float] | None = None
    also_source: str | None = None


class SettingsCheck(Model):
    """What the settings say by themselves; None where something needed was not given. Speeds mm/min, energies kJ/mm."""

    current_range: CurrentRange | None = None
    starting_current_a: tuple[float, float] | None = None
    starting_why: tuple[str, ...] = ()
    polarity: tuple[str, ...] = ()
    arc_mm: float | None = None
    arc_share: float | None = None
    travel_mm_min: float | None = None
    usual_travel_mm_min: tuple[float, float] | None = None
    arc_energy_kj_mm: float | None = None
    heat_input_kj_mm: float | None = None
    deposit_area_mm2: float | None = None
    expected_size_mm: float | None = None
    position: WeldingPosition | None = None
    notes: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


def _data() -> dict[str, Any]:
    return datafile.load("electrodes.toml")


def electrode_class(text: str) -> str | None:
    """The class a person typed (``7018``, ``E7018-1 H4R``, ``e 6013``) as the tables name it, or None if not known."""
    found = re.search(r"E?\s*(\d{4})", text.upper())
    name = f"E{found[1]}" if found else ""
    return name if name in _data()["class"] else None


def _diameter(table: dict[str, Any], diameter_mm: float) -> str | None:
    """The table's diameter that a typed one stands for."""
    key = min(table, key=lambda each: abs(float(each) - diameter_mm))
    return key if abs(float(key) - diameter_mm) <= _data()["diameters"]["within_mm"] else None


def _table_of(tables: dict[str, Any], name: str) -> dict[str, Any] | None:
    """The table of a class, or of the class whose table it shares."""
    found: dict[str, Any] | None = tables.get(name) or tables.get(_data()["class"][name].get("like", ""))
    return found


def handbook_range(class_text: str, diameter_mm: float) -> CurrentRange | None:
    """The current range of a class and core diameter (Machinery's Handbook 31, tables 13 and 14), or None."""
    data = _data()
    name = electrode_class(class_text)
    table = _table_of(data["ranges"], name) if name else None
    key = _diameter(table, diameter_mm) if table else None
    if name is None or table is None or key is None:
        return None
    low, high = table[key]
    other = _table_of(data["other_ranges"], name)
    return CurrentRange(
        electrode_class=name,
        diameter_mm=float(key),
        low_a=low,
        high_a=high,
        source=data["ranges"]["source"],
        also_a=tuple(other[key]) if other and key in other else None,
        also_source=data["other_ranges"]["source"] if other and key in other else None,
    )


def starting_current(
    current: CurrentRange, joint: Joint, position: WeldingPosition | None, polarity: str | None
) -> tuple[tuple[float, float], tuple[str, ...]]:
    """First current to try, A, as (lowest, highest) where sources disagree, and why: the range's middle, corrected.

    Position, butt joint and AC change it by the shares in ``data/electrodes.toml``; it never leaves the range.
    """
    data = _data()["correction"]
    low = high = (current.low_a + current.high_a) / 2
    why = [f"middle of {current.low_a:.0f} to {current.high_a:.0f} A"]
    for key in (position.name if position else "", joint, polarity or ""):
        if key not in data:
            continue
        shares: list[float] = data[key]["shares"]
        low, high = low * (1 + min(shares)), high * (1 + max(shares))
        spread = " or ".join(f"{share:+.0%}" for share in shares)
        why.append(f"{key}: {spread}" + (", sources disagree" if len(shares) > 1 else ""))
    inside = [min(max(each, current.low_a), current.high_a) for each in (low, high)]
    return (inside[0], inside[1]), tuple(why)


def travel_speed(bead_length_mm: float, arc_time_s: float) -> float:
    """Travel speed in mm/min from the bead's length and the time the arc burned."""
    _positive("bead length", bead_length_mm)
    _positive("arc time", arc_time_s)
    return bead_length_mm / arc_time_s * 60


def arc_energy(voltage_v: float, current_a: float, travel_mm_min: float) -> float:
    """Arc energy in kJ/mm: U I / v (ISO/TR 18491)."""
    for name, value in (("voltage", voltage_v), ("current", current_a), ("travel speed", travel_mm_min)):
        _positive(name, value)
    return voltage_v * current_a / (travel_mm_min / 60) / 1000


def heat_input(voltage_v: float, current_a: float, travel_mm_min: float) -> float:
    """Heat input in kJ/mm: k U I / v with k = 0.8 for process 111 (EN 1011-1, ISO/TR 17671-1)."""
    k: float = _data()["heat"]["k"]
    return k * arc_energy(voltage_v, current_a, travel_mm_min)


def deposit_area(rate_kg_h: float, travel_mm_min: float) -> float:
    """Cross-section of the deposit in mm²: rate / (density x travel speed), density 7.85 g/cm³."""
    _positive("deposition rate", rate_kg_h)
    _positive("travel speed", travel_mm_min)
    density: float = _data()["deposit"]["density_g_cm3"]
    mm3_min = rate_kg_h * 1e6 / 60 / density
    return mm3_min / travel_mm_min


def fillet_leg(area_mm2: float) -> float:
    """Leg in mm of a flat-faced equal-leg fillet of this section: a right triangle of area z²/2."""
    return math.sqrt(2 * area_mm2)


def bead_width(area_mm2: float) -> float:
    """Width in mm of a bead of this section and a normal shape (``bead_shape`` in ``data/normal.toml``)."""
    shape = datafile.load("normal.toml")["bead_shape"]
    return math.sqrt(area_mm2 / (shape["fullness"] * shape["height_to_width"]))


def deposition_rate(class_text: str, diameter_mm: float, current_a: float) -> float | None:
    """Deposition rate in kg/h at a current, from the nearest tabled current in proportion; None where not tabled."""
    name = electrode_class(class_text)
    table = _table_of(_data()["deposit"]["rates"], name) if name else None
    key = _diameter(table, diameter_mm) if table else None
    if table is None or key is None:
        return None
    amps, rate = min(table[key], key=lambda point: abs(point[0] - current_a))
    return float(rate * current_a / amps)


def _positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise SettingsError(f"A {name} of {value:g} cannot be; give a number above 0.")


def _usual_travel(name: str | None, diameter_mm: float | None) -> tuple[float, float] | None:
    table = _data()["travel"]
    if name in table["by_class"]:
        low, high = table["by_class"][name]
        return low, high
    key = _diameter(table["by_diameter"], diameter_mm) if diameter_mm else None
    if key is None:
        return None
    low, high = table["by_diameter"][key]
    return low, high


def check_settings(settings: Settings, position: WeldingPosition | None) -> SettingsCheck:
    """Everything the typed settings say by themselves; raises :class:`SettingsError` for a value that cannot be."""
    data, weld, unit = _data(), settings.welding, settings.unit
    for what, value in (
        ("electrode diameter", weld.electrode_mm),
        ("current", weld.current_a),
        ("voltage", weld.voltage_v),
        ("arc time", weld.arc_time_s),
        ("bead length", weld.bead_length_mm),
        ("intended width", weld.intended_width_mm),
    ):
        if value is not None:
            _positive(what, value)
    name = electrode_class(weld.electrode_class) if weld.electrode_class else None
    kind: dict[str, Any] | None = data["class"][name] if name else None
    notes: list[str] = []
    sources: list[str] = []
    if weld.electrode_class and name is None:
        notes.append(f"The class {weld.electrode_class!r} is in no table here; go by the rod's box.")
    current = handbook_range(name, weld.electrode_mm) if name and weld.electrode_mm else None
    if name and weld.electrode_mm and current is None:
        notes.append(f"No handbook range for {name} of {length(weld.electrode_mm, unit)}; go by the rod's box.")
    start: tuple[float, float] | None = None
    start_why: tuple[str, ...] = ()
    if current:
        start, start_why = starting_current(current, settings.joint, position, weld.polarity)
        sources.append(f"Current range: {current.source}; {data['ranges']['rule']}.")
        if weld.current_a is not None and not current.low_a <= weld.current_a <= current.high_a:
            where = "under" if weld.current_a < current.low_a else "over"
            notes.append(
                f"{weld.current_a:.0f} A is {where} the handbook's {current.low_a:.0f} to {current.high_a:.0f} A for "
                f"{name} of {length(current.diameter_mm, unit)}; {data['ranges']['rule']}."
            )
    if kind and weld.polarity and weld.polarity not in kind["polarity"]:
        notes.append(f"{name} runs on {' or '.join(kind['polarity'])}, not {weld.polarity}: check the polarity.")
    if kind and position and position.name not in kind["positions"]:
        notes.append(f"{name} is not made for the {position.name} position.")
    travel = travel_speed(weld.bead_length_mm, weld.arc_time_s) if weld.bead_length_mm and weld.arc_time_s else None
    usual = _usual_travel(name, weld.electrode_mm)
    energy = heat = None
    if travel and weld.voltage_v and weld.current_a:
        energy = arc_energy(weld.voltage_v, weld.current_a, travel)
        heat = heat_input(weld.voltage_v, weld.current_a, travel)
        sources.append(f"Heat input: {data['heat']['source']}, k = {data['heat']['k']} for process 111.")
    area = size = None
    if travel and name and weld.electrode_mm and weld.current_a:
        rate = deposition_rate(name, weld.electrode_mm, weld.current_a)
        if rate:
            area = deposit_area(rate, travel)
            fillet = settings.joint == "fillet"
            size = fillet_leg(area / (1 + data["deposit"]["fillet"]["extra"])) if fillet else bead_width(area)
            sources.append(f"Expected size: {data['deposit']['source']}.")
    return SettingsCheck(
        current_range=current,
        starting_current_a=start,
        starting_why=start_why,
        polarity=tuple(kind["polarity"]) if kind else (),
        arc_mm=kind["arc"] * weld.electrode_mm if kind and weld.electrode_mm else None,
        arc_share=kind["arc"] if kind else None,
        travel_mm_min=travel,
        usual_travel_mm_min=usual,
        arc_energy_kj_mm=energy,
        heat_input_kj_mm=heat,
        deposit_area_mm2=area,
        # A butt's section is mostly in the groove, so only a bead on plate or a fillet has an expected size.
        expected_size_mm=size if settings.joint != "butt" else None,
        position=position,
        notes=tuple(notes),
        sources=tuple(sources),
    )


def check_result(result: Result) -> SettingsCheck:
    """The settings of a result checked, its measured length standing for a bead length that nobody typed."""
    settings, measured = result.settings, result.measures.get("length")
    if settings.welding.bead_length_mm is None and measured is not None and measured.value:
        welding = settings.welding.model_copy(update={"bead_length_mm": measured.value})
        settings = settings.model_copy(update={"welding": welding})
    return check_settings(settings, settings_position(settings))
