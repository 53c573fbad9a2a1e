"""A result as a person reads it on a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from toeline.evidence.gauge import gauges
from toeline.judgement import RULE_NAMES
from toeline.measures.registry import MEASURES, title_of
from toeline.names import CAUSES
from toeline.report.highlights import CHANCES, measures_to_read, severest_first
from toeline.report.key import keyed_indications
from toeline.report.summary import first_line, procedure_lines, summary_lines
from toeline.result import Question, Result
from toeline.text import sentence
from toeline.units import in_unit, say

#: The options that take in what the coach asks for among the settings.
_OPTIONS = {
    "electrode_mm": "electrode",
    "drawing_size_mm": "size",
    "current_a": "current",
    "box_range_a": "box-range",
    "arc_time_s": "arc-time",
    "voltage_v": "voltage",
}


def show_result(
    result: Result, *, verbose: bool = False, cautions: bool = True, console: Console | None = None
) -> None:
    """Print a result: problems first, then outcome, measures, indications and causes; last what to mind."""
    out = console or Console(highlight=False, soft_wrap=True)
    out.print(Text(result.photo.name, style="bold"))
    for one in severest_first(result.photo.problems):
        out.print(Text(f"  {one.severity.upper()}: {one.text}"))
    for line in summary_lines(result):
        out.print(Text(line))
    if result.stopped:
        out.print(Text("Nothing was measured or judged."))
        return
    _measures(result, out, verbose)
    _indications(result, out)
    if verbose and result.judgement is not None:
        _criteria(result, out)
    if result.judgement is None and (first := first_line(result)):
        out.print(Text(first))
    _coaching(result, out, verbose)
    if cautions:
        show_cautions([result], out)


def show_cautions(results: Sequence[Result], console: Console | None = None) -> None:
    """Print what to mind before the next bead and what a photo does not show, each line once for all results."""
    out = console or Console(highlight=False, soft_wrap=True)
    told = [one for one in results if not one.stopped]
    sheets = [one.coaching for one in told if one.coaching is not None]
    for line in dict.fromkeys(sheet.repeat for sheet in sheets):
        out.print(Text(line))
    for line in dict.fromkeys(line for sheet in sheets for line in sheet.cautions):
        out.print(Text(line, style="dim"))
    for line in dict.fromkeys(line for one in told for line in one.cautions):
        out.print(Text(line, style="dim"))


def _coaching(result: Result, out: Console, verbose: bool) -> None:
    """What comes after the first thing, the causes, and what the coach would like to know."""
    sheet = result.coaching
    if sheet is not None and (verbose or sheet.first_is in ("look", "setting")):
        for line in sheet.then:
            out.print(Text(f"  then: {line}"))
    for line in sheet.failing if sheet is not None else ():
        out.print(Text(f"  {line}"))
    shown = result.causes[: None if verbose else 2]
    for cause in shown:
        word = "May be" if cause.told_apart_by else "Likely cause"
        out.print(Text(f"{word}: {CAUSES[cause.cause].lower()} ({round(100 * cause.likelihood)} %)"))
        if verbose:
            for reason in cause.evidence:
                out.print(Text(f"  for: {reason}"))
            for reason in cause.against:
                out.print(Text(f"  against: {reason}"))
            if cause.told_apart_by:
                out.print(Text(f"  {cause.told_apart_by}"))
    if len(shown) > 1:
        out.print(Text(CHANCES))
    if not result.causes and result.causes_why:
        out.print(Text(f"Causes: {result.causes_why}"))
    for line in procedure_lines(result):
        out.print(Text(line))
    for line in result.advice.get("settings_lines", ()):
        out.print(Text(f"Settings: {line}"))
    if sheet is None:
        return
    for question in sheet.asks:
        out.print(Text(f"The coach asks {question.ask} ({_option(question)})."))
    if verbose:
        for line in sheet.also:
            out.print(Text(f"Also: {line}"))


def _option(question: Question) -> str:
    """How the command line takes an answer in."""
    kind, _, name = question.input.partition(".")
    if kind == "noticed":
        return f"--noticed {question.sign}={'|'.join(question.answers)}"
    if kind != "gauge":
        return f"--{_OPTIONS[kind]}"
    look = gauges()[name]
    return (
        f"--gauge {name}=VALUE" if not look.question else f"--looked {name}={'NUMBER' if look.counted else 'yes|none'}"
    )


def _measures(result: Result, out: Console, verbose: bool) -> None:
    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_column("measure")
    table.add_column("value", justify="right")
    for name, quantity in measures_to_read(result).items():
        one = MEASURES.get(name)
        if verbose or (one is not None and one.table != "full" and (quantity.known or one.always)):
            told = say(quantity, result.settings.unit) if quantity.known else f"not had: {quantity.why}"
            table.add_row(f"  {in_unit(title_of(name), result.settings.unit)}", told)
    out.print(table)


def _indications(result: Result, out: Console) -> None:
    for entry in keyed_indications(result, result.settings.unit):
        detail = f": {entry.detail}" if entry.detail else ""
        out.print(Text(f"  {entry.label}. {entry.title}{detail}{'; look there' if entry.perhaps else ''}"))


def _criteria(result: Result, out: Console) -> None:
    judgement, unit = result.judgement, result.settings.unit
    if judgement is None:
        return
    out.print(Text(f"{judgement.title}, edition {judgement.edition}, by {RULE_NAMES[judgement.rule]}."))
    for line in judgement.lines:
        measured = f"; measured {say(line.measured, unit)}" if line.measured and line.measured.known else ""
        out.print(Text(f"  {line.outcome:<9}  {line.imperfection} (limit {line.limit}{measured})"))
        out.print(Text(f"             {sentence(line.why)} {sentence(line.source)}"))
    for need in judgement.needs:
        out.print(Text(f"To settle it: {need}"))
