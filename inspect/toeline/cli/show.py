"""A result as a person reads it on a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from toeline.judgement import RULE_NAMES
from toeline.measures.registry import MEASURES, title_of
from toeline.names import CAUSES
from toeline.report.highlights import first_change, measures_to_read, severest_first
from toeline.report.key import keyed_indications
from toeline.report.summary import summary_lines
from toeline.result import Result
from toeline.units import say


def show_result(result: Result, *, verbose: bool = False, console: Console | None = None) -> None:
    """Print a result: problems first, then outcome, measures, indications and causes."""
    out = console or Console(highlight=False, soft_wrap=True)
    out.print(Text(result.photo.name, style="bold"))
    for one in severest_first(result.photo.problems):
        out.print(Text(f"  {one.severity.upper()}: {one.text}"))
    for line in summary_lines(result):
        out.print(Text(line))
    if not result.bead.found:
        return
    _measures(result, out, verbose)
    _indications(result, out)
    if verbose and result.judgement is not None:
        _criteria(result, out)
    if result.judgement is None and (change := first_change(result)):
        out.print(Text(f"Next bead: {change}"))
    for cause in result.causes[: None if verbose else 2]:
        out.print(Text(f"Likely cause: {CAUSES[cause.cause].lower()} ({round(100 * cause.likelihood)} %)"))
        if verbose:
            for reason in cause.evidence:
                out.print(Text(f"  for: {reason}"))
            for reason in cause.against:
                out.print(Text(f"  against: {reason}"))
            if cause.told_apart_by:
                out.print(Text(f"  told apart by: {cause.told_apart_by}"))
    if not result.causes and result.causes_why:
        out.print(Text(f"Causes: {result.causes_why}"))
    for line in result.advice.get("settings_lines", ()):
        out.print(Text(f"Settings: {line}"))
    for caution in result.cautions:
        out.print(Text(caution, style="dim"))


def _measures(result: Result, out: Console, verbose: bool) -> None:
    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_column("measure")
    table.add_column("value", justify="right")
    for name, quantity in measures_to_read(result).items():
        one = MEASURES.get(name)
        if verbose or (one is not None and one.table != "full" and (quantity.known or one.always)):
            told = say(quantity, result.settings.unit) if quantity.known else f"not had: {quantity.why}"
            table.add_row(f"  {title_of(name)}", told)
    out.print(table)


def _indications(result: Result, out: Console) -> None:
    for entry in keyed_indications(result, result.settings.unit):
        detail = f": {entry.detail}" if entry.detail else ""
        out.print(Text(f"  {entry.number}. {entry.title}{detail}"))


def _criteria(result: Result, out: Console) -> None:
    judgement, unit = result.judgement, result.settings.unit
    if judgement is None:
        return
    out.print(Text(f"{judgement.title}, {judgement.edition}, by {RULE_NAMES[judgement.rule]}."))
    for line in judgement.lines:
        measured = f"; measured {say(line.measured, unit)}" if line.measured and line.measured.known else ""
        out.print(Text(f"  {line.outcome:<9}  {line.imperfection} (limit {line.limit}{measured})"))
        out.print(Text(f"             {line.why}. {line.source}."))
    for need in judgement.needs:
        out.print(Text(f"To settle it: {need}"))
