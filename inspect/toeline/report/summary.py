"""What a welder reads in five seconds: the outcome, the two worst lines, the first thing to change."""

from __future__ import annotations

from toeline.report.highlights import first_change, speaks, worst_lines
from toeline.result import Result
from toeline.text import clause

_WORDS = {"pass": "PASS", "fail": "FAIL", "undecided": "UNDECIDED"}


def summary_lines(result: Result) -> tuple[str, ...]:
    """Up to five short lines for a terminal; empty without a judgement."""
    judgement = result.judgement
    if judgement is None or result.stopped:
        return ()
    told = [f"{_WORDS[judgement.outcome]}: {judgement.title}, edition {judgement.edition}"]
    if judgement.outcome == "undecided":
        passed = sum(line.outcome == "pass" for line in judgement.lines)
        told[0] += f" ({passed} of {len(judgement.lines)} lines pass, none fails)"
    if judgement.beside:
        told[0] += f" [{'; '.join(judgement.beside)}]"
    told += [
        f"  {line.imperfection}: {line.outcome}, {line.why} (limit: {line.limit})"
        for line in worst_lines(judgement)
        if line.outcome == "fail" or (line.outcome == "undecided" and speaks(line))
    ]
    if judgement.outcome == "undecided" and judgement.needs:
        more = f" (and {len(judgement.needs) - 1} more)" if len(judgement.needs) > 1 else ""
        told.append(f"To settle it: {judgement.needs[0]}{more}")
    if judgement.unused:
        told.append(f"Not used, as no line goes by it: {'; '.join(judgement.unused)}")
    if (first := first_line(result)) is not None:
        told.append(first)
    return tuple(told)


def procedure_lines(result: Result) -> tuple[str, ...]:
    """The welding procedure in up to two lines: what lies outside it, and what is open; nothing without one."""
    if result.settings.procedure is None or not result.procedure:
        return ()
    name = f"Procedure {result.settings.procedure.name}"
    outside = [
        f"{clause(one.variable)} {one.used}, allowed {one.allowed}"
        for one in result.procedure
        if one.outcome == "outside"
    ]
    unknown = [f"{clause(one.variable)} {one.used}" for one in result.procedure if one.outcome == "unknown"]
    inside = len(result.procedure) - len(outside) - len(unknown)
    told = [
        f"{name}: OUTSIDE in {'; '.join(outside)}."
        if outside
        else f"{name}: {inside} of {len(result.procedure)} inside."
    ]
    return (*told, *([f"  open: {'; '.join(unknown)}"] if unknown else []))


def first_line(result: Result) -> str | None:
    """The one thing to do first as a line: a change for the next bead, or what comes before any change."""
    change = first_change(result)
    if change is None:
        return None
    is_change = result.coaching is None or result.coaching.first_is == "change"
    return f"{'Next bead' if is_change else 'First'}: {change}"
