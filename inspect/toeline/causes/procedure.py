"""A welding procedure (WPS) read from a file, and the settings held against its ranges, variable by variable."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Literal

from pydantic import ValidationError

from toeline.causes.electrodes import read_electrode
from toeline.causes.position import WeldingPosition, named_position, read_position
from toeline.datafile import line_of, read_toml
from toeline.errors import SettingsError
from toeline.result import Procedure, ProcedureLine, RunRanges, Settings, Welding
from toeline.text import either, one_line, spoken_error
from toeline.units import MM_PER_INCH, Unit, figure, length, read_length, read_temperature, temperature

#: How far a rod's core may be from the diameter named and still be it, mm: 3.2, 3.25 and 1/8 in are one rod (ISO 544).
_SAME_ROD_MM = 0.1

#: A figure with the range that its doubt (k = 2) leaves it.
Doubtful = tuple[float, float, float]


def load_procedure(path: str | Path) -> Procedure:
    """The welding procedure in a TOML file. Raises ``SettingsError`` with the line that is wrong."""
    try:
        text = Path(path).read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        raise SettingsError(f"The welding procedure {path} cannot be read: name a TOML file of its ranges.") from None
    return read_procedure(text, str(path))


def read_procedure(text: str, name: str = "procedure") -> Procedure:
    """The welding procedure in a TOML text; ``name`` is what errors call it. Raises ``SettingsError`` with the line."""
    try:
        procedure = Procedure.model_validate(read_toml(text))
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name}: this is not valid TOML: {error}.") from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"] if isinstance(part, str)) or "procedure"
        raise SettingsError(f"{name}, line {line_of(text, first['loc'])}: {where}: {spoken_error(first)}.") from None
    return sound_procedure(procedure)


def procedure_from(said: Mapping[str, str], unit: Unit = "mm") -> Procedure:
    """A procedure as it is typed into a form, one set of ranges for every pass; a blank field limits nothing.

    ``said``: ``name``, ``revision``, ``rods``, ``rod_sizes`` and ``positions`` apart by commas, ``polarity`` likewise,
    ``current``, ``voltage`` and ``travel`` (in the unit, a minute) as ``110-140``, ``preheat`` and ``interpass``.
    Raises ``SettingsError``.
    """
    told = {name: text.strip() for name, text in said.items()}

    def words(name: str) -> tuple[str, ...]:
        return tuple(filter(None, (one.strip() for one in told.get(name, "").split(","))))

    def span(name: str, factor: float = 1.0) -> tuple[float, float] | None:
        if not told.get(name):
            return None
        found = _SPAN.fullmatch(told[name])
        if found is None:
            raise SettingsError(f"{told[name]!r} is no range of {name}; give the lowest and the highest, as 110-140.")
        return float(found[1]) * factor, float(found[2]) * factor

    def celsius(name: str) -> float | None:
        return read_temperature(told[name], unit) if told.get(name) else None

    if not told.get("name"):
        raise SettingsError("Give the procedure's name or number.")
    allowed = {
        "rods": words("rods"),
        "rod_mm": tuple(read_length(one, unit) for one in words("rod_sizes")),
        "current_a": span("current"),
        "voltage_v": span("voltage"),
        "polarity": words("polarity"),
        "travel_mm_min": span("travel", MM_PER_INCH if unit == "in" else 1.0),
    }
    try:
        made = Procedure.model_validate(
            {
                "name": told["name"],
                "revision": told.get("revision", ""),
                "positions": words("positions"),
                "preheat_min_c": celsius("preheat"),
                "interpass_max_c": celsius("interpass"),
                "run": (allowed,),
            }
        )
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = next((str(part) for part in reversed(first["loc"]) if isinstance(part, str)), "procedure")
        raise SettingsError(f"The procedure's {where.replace('_', ' ')}: {spoken_error(first)}.") from None
    return sound_procedure(made)


_SPAN = re.compile(r"(\d+(?:\.\d*)?)\s*(?:-|–|to)\s*(\d+(?:\.\d*)?)")


#: What a procedure may hold: letters of a word, and words or sets of ranges in a row. A sheet is not longer.
_LONGEST, _MOST = 200, 50
#: What a figure may be, whatever it is of: beyond it is a slip of the pen.
_LARGEST = 100_000.0


def sound_procedure(procedure: Procedure) -> Procedure:
    """The procedure with each of its words on one line.

    Raises ``SettingsError`` where words are not understood, ranges are none, or there is more than a sheet holds.
    """
    made = _on_lines(procedure)
    if not made.name:
        raise SettingsError("Give the procedure's name or number.")
    for position in made.positions:
        if named_position(position, "butt") is None:
            read_position(position, "butt")  # says which words are understood
    for degrees in (made.preheat_min_c, made.interpass_max_c):
        if degrees is not None and not -100 <= degrees <= 1000:
            raise SettingsError(f"The procedure {made.name} has a temperature of {degrees:g} °C; give one that can be.")
    taken: set[str] = set()
    for run in made.run:
        for each in run.passes or ("",):
            if each.casefold() in taken:
                which = f"the pass {each}" if each else "every pass"
                raise SettingsError(f"The procedure {made.name} has two sets of ranges for {which}: leave one.")
            taken.add(each.casefold())
        _check_ranges(made.name, run)
    return made


def _on_lines(procedure: Procedure) -> Procedure:
    def line(text: str) -> str:
        if len(text) > _LONGEST:
            raise SettingsError(f"The procedure holds a word of {len(text)} letters; {_LONGEST} are read at most.")
        return one_line(text)

    def lines(texts: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(map(line, texts))

    for row in (procedure.run, procedure.positions, *((*run.passes, *run.rods, *run.rod_mm) for run in procedure.run)):
        if len(row) > _MOST:
            raise SettingsError(f"The procedure holds {len(row)} entries in a row; {_MOST} are read at most.")
    runs = (run.model_copy(update={"passes": lines(run.passes), "rods": lines(run.rods)}) for run in procedure.run)
    words = {name: line(getattr(procedure, name)) for name in ("name", "revision", "process")}
    return procedure.model_copy(update={**words, "positions": lines(procedure.positions), "run": tuple(runs)})


def _check_ranges(name: str, run: RunRanges) -> None:
    for what, allowed in (
        ("current", run.current_a),
        ("voltage", run.voltage_v),
        ("travel speed", run.travel_mm_min),
        ("heat input", run.heat_input_kj_mm),
    ):
        if allowed is None:
            continue
        low, high = allowed
        if not 0 < low <= high:
            raise SettingsError(
                f"The procedure {name} has a {what} of {low:g} to {high:g}; give the lower figure first."
            )
        if high > _LARGEST:
            raise SettingsError(f"The procedure {name} has a {what} of up to {high:g}; give one that can be.")
    for mm in run.rod_mm:
        if not 0 < mm <= _LARGEST:
            raise SettingsError(f"The procedure {name} has a rod of {mm:g} mm; give its core diameter.")


def ranges_for(procedure: Procedure, weld_pass: str | None) -> RunRanges | None:
    """The ranges that hold for a pass: its own, else those of every other pass; None where it cannot be told.

    A pass that was not said has ranges only where all passes have the same.
    """
    said = (weld_pass or "").strip().casefold()
    if not said and len(procedure.run) > 1:
        return None
    own = next((run for run in procedure.run if said in {each.casefold() for each in run.passes}), None)
    return own or next((run for run in procedure.run if not run.passes), None)


def allowances(procedure: Procedure, unit: Unit = "mm") -> list[tuple[str, list[tuple[str, str]]]]:
    """What a procedure allows, for people: for which passes, and each variable with its words."""
    told = []
    for run in procedure.run:
        settings = Settings(
            unit=unit,
            procedure=procedure.model_copy(update={"run": (run,)}),
            welding=Welding(weld_pass=run.passes[0] if run.passes else None),
        )
        lines = against_procedure(settings, None, None, None)
        which = (
            f"Pass {either(run.passes)}" if run.passes else "Every pass" + (" else" if len(procedure.run) > 1 else "")
        )
        told.append((which, [(line.variable, line.allowed) for line in lines]))
    return told


def against_procedure(
    settings: Settings,
    position: WeldingPosition | None,
    travel_mm_min: Doubtful | None,
    heat_input_kj_mm: Doubtful | None,
) -> tuple[ProcedureLine, ...]:
    """Each variable that the settings' procedure limits, held against what was used; nothing without a procedure.

    Speeds are mm/min, heat inputs kJ/mm, each as (value, lowest, highest) by its U.
    """
    if settings.procedure is None:
        return ()
    return tuple(_lines(settings.procedure, settings, position, travel_mm_min, heat_input_kj_mm))


def _lines(
    procedure: Procedure,
    settings: Settings,
    position: WeldingPosition | None,
    travel: Doubtful | None,
    heat: Doubtful | None,
) -> Iterator[ProcedureLine]:
    weld, unit = settings.welding, settings.unit
    run = ranges_for(procedure, weld.weld_pass)
    if run is None:
        passes = sorted({each for one in procedure.run for each in one.passes})
        passes += ["another"] if any(not one.passes for one in procedure.run) else []
        used = f"the pass {weld.weld_pass}" if weld.weld_pass else "not said"
        outcome: Literal["outside", "unknown"] = "outside" if weld.weld_pass else "unknown"
        yield ProcedureLine(variable="Pass", allowed=either(passes), used=used, outcome=outcome)
        run = RunRanges()
    if run.rods:
        same = weld.electrode_class and any(_same_rod(weld.electrode_class, rod) for rod in run.rods)
        yield _line("Rod", either(run.rods), weld.electrode_class, bool(same))
    if run.rod_mm:
        near = weld.electrode_mm and any(abs(weld.electrode_mm - mm) <= _SAME_ROD_MM for mm in run.rod_mm)
        size = figure(weld.electrode_mm, unit) if weld.electrode_mm else None
        yield _line("Rod size", either([figure(mm, unit) for mm in run.rod_mm]), size, bool(near))
    if run.polarity:
        yield _line("Polarity", either(run.polarity), weld.polarity, weld.polarity in run.polarity)
    if run.current_a:
        yield _within("Current", run.current_a, _exact(weld.current_a), "A")
    if run.voltage_v:
        yield _within("Voltage", run.voltage_v, _exact(weld.voltage_v), "V")
    if run.travel_mm_min:
        yield _within("Travel speed", run.travel_mm_min, travel, "mm/min", unit)
    if run.heat_input_kj_mm:
        yield _within("Heat input", run.heat_input_kj_mm, heat, "kJ/mm", unit)
    if procedure.positions:
        allowed = {named_position(one, settings.joint) for one in procedure.positions}
        place = position.name if position else None
        yield _line("Position", either(procedure.positions), place, place in allowed)
    if procedure.preheat_min_c is not None:
        least, had = procedure.preheat_min_c, weld.preheat_c
        said = None if had is None else temperature(had, unit)
        yield _line("Preheat", f"{temperature(least, unit)} or more", said, had is not None and had >= least)
    if procedure.interpass_max_c is not None:
        most, had = procedure.interpass_max_c, weld.interpass_c
        said = None if had is None else temperature(had, unit)
        yield _line(
            "Interpass temperature", f"{temperature(most, unit)} or less", said, had is not None and had <= most
        )


def _line(variable: str, allowed: str, used: str | None, inside: bool) -> ProcedureLine:
    if used is None:
        return ProcedureLine(variable=variable, allowed=allowed, used="not said", outcome="unknown")
    return ProcedureLine(variable=variable, allowed=allowed, used=used, outcome="inside" if inside else "outside")


def _exact(value: float | None) -> Doubtful | None:
    return None if value is None else (value, value, value)


def _within(
    variable: str, allowed: tuple[float, float], used: Doubtful | None, said: str, unit: Unit = "mm"
) -> ProcedureLine:
    """A figure against a range: decided only where its doubt lies on one side of the limits."""
    low, high = allowed

    def words(*values: float) -> str:
        if said == "mm/min" and unit == "in":
            return " to ".join(length(value, unit).split()[0] for value in values) + " in/min"
        if said == "kJ/mm" and unit == "in":
            return " to ".join(f"{value * 25.4:.1f}" for value in values) + " kJ/in"
        return " to ".join(f"{round(value, 2 if said == 'kJ/mm' else 0):g}" for value in values) + f" {said}"

    limits = f"{low:g} to {high:g} {said}" if said in ("A", "V") else words(low, high)
    if used is None:
        return ProcedureLine(variable=variable, allowed=limits, used="not said", outcome="unknown")
    value, least, most = used
    told = f"{value:g} {said}" if said in ("A", "V") else words(value)
    if low <= least and most <= high:
        return ProcedureLine(variable=variable, allowed=limits, used=told, outcome="inside")
    if most < low or least > high:
        return ProcedureLine(variable=variable, allowed=limits, used=told, outcome="outside")
    return ProcedureLine(variable=variable, allowed=limits, used=f"{told}, too near to tell", outcome="unknown")


def _same_rod(said: str, allowed: str) -> bool:
    """Whether two designations stand for one class of rod."""
    one, other = read_electrode(said), read_electrode(allowed)
    if one and other and one.name and other.name:
        return one.name == other.name
    return "".join(said.split()).casefold() == "".join(allowed.split()).casefold()
