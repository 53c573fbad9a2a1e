"""The welding settings checked: current against the handbook, polarity, travel speed, heat input, expected size."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Literal

from toeline.causes.chart import Normal
from toeline.causes.electrodes import (
    CurrentRange,
    Electrode,
    current_range,
    diameter_key,
    electrode_class,
    read_electrode,
    table_of,
)
from toeline.causes.figures import ElectrodeFigures
from toeline.causes.position import WeldingPosition, settings_position
from toeline.causes.procedure import Doubtful, against_procedure, ranges_for
from toeline.errors import SettingsError
from toeline.result import Joint, Model, ProcedureLine, Result, Settings
from toeline.text import clause, either
from toeline.units import length


class SettingFault(Model):
    """A setting that cannot work, whatever the bead looks like: what is wrong, and what to do about it."""

    kind: Literal["polarity", "position", "current_low", "current_high", "plate", "procedure"]
    says: str
    do: str


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
    rod: Electrode | None = None
    most_for_plate_a: float | None = None
    procedure: tuple[ProcedureLine, ...] = ()
    faults: tuple[SettingFault, ...] = ()
    notes: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


def starting_current(
    current: CurrentRange, joint: Joint, position: WeldingPosition | None, polarity: str | None
) -> tuple[tuple[float, float], tuple[str, ...]]:
    """First current to try, A, as (lowest, highest) where sources disagree, and why: the range's middle, corrected.

    Position, butt joint and AC change it by the shares in ``data/electrodes.toml``; it never leaves the range.
    """
    data = ElectrodeFigures.read().correction
    low = high = (current.low_a + current.high_a) / 2
    why = [f"middle of {current.low_a:.0f} to {current.high_a:.0f} A"]
    for key in (position.name if position else "", joint, polarity or ""):
        if key not in data:
            continue
        shares = data[key].shares
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
    return ElectrodeFigures.read().heat.k * arc_energy(voltage_v, current_a, travel_mm_min)


def deposit_area(rate_kg_h: float, travel_mm_min: float) -> float:
    """Cross-section of the deposit in mm²: rate / (density x travel speed), density 7.85 g/cm³."""
    _positive("deposition rate", rate_kg_h)
    _positive("travel speed", travel_mm_min)
    mm3_min = rate_kg_h * 1e6 / 60 / ElectrodeFigures.read().deposit.density_g_cm3
    return mm3_min / travel_mm_min


def fillet_leg(area_mm2: float) -> float:
    """Leg in mm of a flat-faced equal-leg fillet of this section: a right triangle of area z²/2."""
    return math.sqrt(2 * area_mm2)


def bead_width(area_mm2: float) -> float:
    """Width in mm of a bead of this section and a normal shape (``bead_shape`` in ``data/normal.toml``)."""
    shape = Normal.read().bead_shape
    return math.sqrt(area_mm2 / (shape.fullness * shape.height_to_width))


def deposition_rate(class_text: str, diameter_mm: float, current_a: float) -> float | None:
    """Deposition rate in kg/h at a current, from the nearest tabled current in proportion; None where not tabled."""
    name = electrode_class(class_text)
    table = table_of(ElectrodeFigures.read().deposit.rates, name) if name else None
    key = diameter_key(table, diameter_mm) if table else None
    if table is None or key is None:
        return None
    amps, rate = min(table[key], key=lambda point: abs(point[0] - current_a))
    return float(rate * current_a / amps)


def _positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise SettingsError(f"A {name} of {value:g} cannot be; give a number above 0.")


def _usual_travel(name: str | None, diameter_mm: float | None) -> tuple[float, float] | None:
    travel = ElectrodeFigures.read().travel
    if name in travel.by_class:
        return travel.by_class[name]
    key = diameter_key(travel.by_diameter, diameter_mm) if diameter_mm else None
    return None if key is None else travel.by_diameter[key]


def check_settings(settings: Settings, position: WeldingPosition | None, length_U_mm: float = 0.0) -> SettingsCheck:
    """Everything the typed settings say by themselves; ``length_U_mm`` is the doubt (k = 2) of the bead's length.

    Raises :class:`SettingsError` for a value that cannot be.
    """
    data, weld = ElectrodeFigures.read(), settings.welding
    for what, value in (
        ("electrode diameter", weld.electrode_mm),
        ("current", weld.current_a),
        ("voltage", weld.voltage_v),
        ("arc time", weld.arc_time_s),
        ("travel speed", weld.travel_mm_min),
        ("bead length", weld.bead_length_mm),
        ("intended width", weld.intended_width_mm),
        *(("box range", each) for each in weld.box_range_a or ()),
    ):
        if value is not None:
            _positive(what, value)
    if weld.box_range_a and weld.box_range_a[0] >= weld.box_range_a[1]:
        low, high = weld.box_range_a
        raise SettingsError(f"A box range of {low:g} to {high:g} A cannot be; give the lower current first.")
    rod = read_electrode(weld.electrode_class) if weld.electrode_class else None
    governed = _procedure_current(settings)
    current = governed or current_range(weld)
    sources: list[str] = []
    start: tuple[float, float] | None = None
    start_why: tuple[str, ...] = ()
    if current:
        rule = "" if governed or weld.box_range_a else f"; {data.ranges.rule}"
        sources.append(f"Current range: {current.source}{rule}.")
    travel = weld.travel_mm_min
    if travel is None and weld.bead_length_mm and weld.arc_time_s:
        travel = travel_speed(weld.bead_length_mm, weld.arc_time_s)
    name = rod.name if rod else None
    energy = heat = None
    if travel and weld.voltage_v and weld.current_a:
        energy = arc_energy(weld.voltage_v, weld.current_a, travel)
        heat = heat_input(weld.voltage_v, weld.current_a, travel)
        sources.append(f"Heat input: {data.heat.source}, k = {data.heat.k} for process 111.")
    timed = weld.bead_length_mm and weld.travel_mm_min is None
    doubt = length_U_mm / weld.bead_length_mm if weld.bead_length_mm and timed else 0.0
    lines = against_procedure(settings, position, _doubtful(travel, doubt), _doubtful(heat, doubt))
    faults = (*_outside(settings, lines), *_faults(settings, rod, current, position))
    if current and not any(fault.kind == "position" for fault in faults):
        start, start_why = starting_current(current, settings.joint, position, weld.polarity)
    area = size = None
    if travel and name and weld.electrode_mm and weld.current_a:
        rate = deposition_rate(name, weld.electrode_mm, weld.current_a)
        if rate:
            area = deposit_area(rate, travel)
            fillet = settings.joint == "fillet"
            size = fillet_leg(area / (1 + data.deposit.fillet.extra)) if fillet else bead_width(area)
            sources.append(f"Expected size: {data.deposit.source}.")
    return SettingsCheck(
        current_range=current,
        starting_current_a=start,
        starting_why=start_why,
        polarity=rod.polarity if rod else (),
        arc_mm=rod.arc * weld.electrode_mm if rod and weld.electrode_mm else None,
        arc_share=rod.arc if rod else None,
        travel_mm_min=travel,
        usual_travel_mm_min=_usual_travel(name, weld.electrode_mm),
        arc_energy_kj_mm=energy,
        heat_input_kj_mm=heat,
        deposit_area_mm2=area,
        # A butt's section is mostly in the groove, so only a bead on plate or a fillet has an expected size.
        expected_size_mm=size if settings.joint != "butt" else None,
        position=position,
        rod=rod,
        most_for_plate_a=most_for_plate(settings.thickness_mm),
        procedure=lines,
        faults=faults,
        notes=(*(fault.says for fault in faults), *_notes(settings, rod, current)),
        sources=tuple(sources),
    )


def most_for_plate(thickness_mm: float | None) -> float | None:
    """The most current, A, that a thin plate takes whatever the rod; None where the plate is not thin or not known."""
    rule = ElectrodeFigures.read().plate
    if thickness_mm is None or thickness_mm >= rule.thin_mm:
        return None
    return rule.most_a_per_mm * thickness_mm


def _procedure_current(settings: Settings) -> CurrentRange | None:
    """The range of the welding procedure, which rules over those of the rod."""
    procedure = settings.procedure
    run = ranges_for(procedure, settings.welding.weld_pass) if procedure else None
    if procedure is None or run is None or run.current_a is None:
        return None
    return CurrentRange(
        electrode_class=None,
        diameter_mm=settings.welding.electrode_mm,
        low_a=run.current_a[0],
        high_a=run.current_a[1],
        whose=f"the procedure {procedure.name}'s",
        source=f"the welding procedure {procedure.name}",
    )


def _doubtful(value: float | None, share: float) -> Doubtful | None:
    return None if value is None else (value, value * (1 - share), value * (1 + share))


def _outside(settings: Settings, lines: tuple[ProcedureLine, ...]) -> Iterator[SettingFault]:
    """What lies outside the welding procedure, which governs the work."""
    name = settings.procedure.name if settings.procedure else ""
    for line in lines:
        if line.outcome == "outside" and line.variable != "Current":  # whose range rules over the rod's
            variable = clause(line.variable)
            yield SettingFault(
                kind="procedure",
                says=f"The {variable}, {line.used}, is outside the procedure {name}: {line.allowed}.",
                do=f"Weld as the procedure {name} says: {variable} {line.allowed}, not {line.used}.",
            )


def _faults(
    settings: Settings, rod: Electrode | None, current: CurrentRange | None, position: WeldingPosition | None
) -> tuple[SettingFault, ...]:
    """Settings that cannot work, the one to put right first in front."""
    weld, unit, rule = settings.welding, settings.unit, ElectrodeFigures.read().ranges.rule
    faults: list[SettingFault] = []
    if rod and weld.polarity and weld.polarity not in rod.polarity:
        runs_on = either(rod.polarity)
        faults.append(
            SettingFault(
                kind="polarity",
                says=f"{rod.designation} runs on {runs_on}, not {weld.polarity}: check the polarity.",
                do=f"Switch the machine off, then change from {weld.polarity} to {runs_on}, as this rod is made for.",
            )
        )
    made_for = rod.positions_of(settings.joint) if rod else ()
    if rod and position and position.name not in made_for:
        faults.append(
            SettingFault(
                kind="position",
                says=f"{rod.designation} is not made for the {position.name} position.",
                do=f"Take a rod made for the {position.name} position, or turn the work so that it lies "
                f"{' or '.join(made_for[:2])}: this rod is not made for it.",
            )
        )
    amps, most = weld.current_a, most_for_plate(settings.thickness_mm)
    if amps is None:
        return tuple(faults)
    if current and not current.low_a <= amps <= current.high_a:
        low = amps < current.low_a
        of = " of ".join(
            filter(None, (current.electrode_class, length(current.diameter_mm, unit) if current.diameter_mm else ""))
        )
        end = f"{current.low_a if low else current.high_a:.0f} A, the {'low' if low else 'high'} end"
        faults.append(
            SettingFault(
                kind="current_low" if low else "current_high",
                says=f"{amps:.0f} A is {'under' if low else 'over'} {current.whose} {current.low_a:.0f} to "
                f"{current.high_a:.0f} A{f' for {of}' if of else ''}"
                + (f"; {rule}." if current.electrode_class and weld.box_range_a is None else "."),
                do=f"{'Raise' if low else 'Lower'} the current from {amps:.0f} to {end} of {current.whose} range.",
            )
        )
    if most is not None and amps > most and settings.thickness_mm is not None:
        plate = length(settings.thickness_mm, unit)
        smaller = current is not None and current.low_a > most
        faults.append(
            SettingFault(
                kind="plate",
                says=f"{amps:.0f} A is too much for a plate of {plate}: about {most:.0f} A is the most it takes, and "
                "more burns through.",
                do=f"Take a smaller rod, and no more than {most:.0f} A on a plate of {plate}."
                if smaller
                else f"Lower the current from {amps:.0f} to {most:.0f} A or less: a plate of {plate} takes no more.",
            )
        )
    return tuple(faults)


def _notes(settings: Settings, rod: Electrode | None, current: CurrentRange | None) -> tuple[str, ...]:
    """What else the settings give reason to say."""
    weld, unit, thickness = settings.welding, settings.unit, settings.thickness_mm
    plate = ElectrodeFigures.read().plate
    notes: list[str] = []
    if weld.electrode_class and (rod is None or rod.name is None):
        known = f" ({rod.coating})" if rod else ""
        notes.append(f"The class {weld.electrode_class!r}{known} is in no table here; go by the rod's box.")
    if rod and rod.name and weld.electrode_mm and current is None:
        notes.append(f"No current range for {rod.name} of {length(weld.electrode_mm, unit)}; go by the rod's box.")
    if current and current.also_a and current.also_source:
        low, high = current.also_a
        notes.append(f"Sources differ: {current.also_source} has {low:.0f} to {high:.0f} A.")
    thin = thickness is not None and thickness < plate.thin_mm
    if thin and thickness and weld.electrode_mm and weld.electrode_mm > thickness + 0.3:
        notes.append(f"A rod of {length(weld.electrode_mm, unit)} is thick for a plate of {length(thickness, unit)}.")
    if thickness is not None and thickness >= plate.thick_mm and current and weld.current_a:
        middle = (current.low_a + current.high_a) / 2
        if current.low_a <= weld.current_a < middle:
            notes.append(
                f"A plate of {length(thickness, unit)} draws the heat away: the upper half of the range, "
                f"{middle:.0f} to {current.high_a:.0f} A, suits it better."
            )
    return tuple(notes)


def check_result(result: Result) -> SettingsCheck:
    """The settings of a result checked, its measured length standing for a bead length that nobody typed."""
    settings, measured = result.settings, result.measures.get("length")
    if settings.welding.bead_length_mm is None and measured is not None and measured.value:
        welding = settings.welding.model_copy(update={"bead_length_mm": measured.value})
        settings = settings.model_copy(update={"welding": welding})
        return check_settings(settings, settings_position(settings), measured.U or 0.0)
    return check_settings(settings, settings_position(settings))
