"""A scored class as a person reads it on a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from toeline.coupons.agreement import Agreement
from toeline.coupons.coupons import ClassScores, Coupon, place_in_words
from toeline.coupons.drills import grouped
from toeline.coupons.learner import sheets_of
from toeline.coupons.progress import Progress
from toeline.coupons.sheets import said
from toeline.units import Unit, in_unit


def show_class(scores: ClassScores, console: Console | None = None) -> None:
    """Print the class: one line a coupon, best first, then what is missing."""
    out = console or Console(highlight=False)
    table = Table(box=None, pad_edge=False)
    for title, justify in (("Place", "right"), ("Coupon", "left"), ("Points", "right"), ("Outcome", "left")):
        table.add_column(title, justify=justify)  # type: ignore[arg-type]
    table.add_column("What first", overflow="fold")
    places = scores.places()
    for one in sorted(scores.coupons, key=lambda one: (one.points is None, -(one.points or 0.0), one.name)):
        table.add_row(
            place_in_words(places.get(one.photo)) or "",
            Text(one.name),
            "" if one.points is None or one.score is None else f"{one.points:.0f} ± {one.score.U:.0f}",
            one.outcome,
            Text(_first(one)),
        )
    out.print(table)
    for title, names in (
        ("No photo", scores.absent),
        ("No name in the roster", scores.unnamed),
        ("Photo cannot be used", tuple(one.photo for one in scores.broken)),
    ):
        if names:
            out.print(Text(f"{title} ({len(names)}): {', '.join(names)}"))
    out.print(Text("Next session", style="bold"))
    for drill, names in grouped((sheet.name, sheet.drill) for sheet in sheets_of(scores)):
        out.print(Text(f"  {drill.title if drill else 'Take the photo again'}: {', '.join(names)}"))


def _first(one: Coupon) -> str:
    """What to do first about a coupon: mend the photo, look, or practise."""
    if one.score is None or one.points is None:
        return one.problem or ""
    practise = one.score.to_practise
    if one.outcome == "undecided" and one.score.narrowed_by is not None:
        return one.score.narrowed_by.text
    return practise[0].title if practise else ""


def show_agreement(found: Agreement, console: Console | None = None) -> None:
    """Print how two raters agree and where they differ, the widest apart first."""
    out = console or Console(highlight=False, soft_wrap=True)
    first, second = found.raters
    out.print(Text(f"{first} and {second}: {found.same} of {found.coupons} coupons alike"))
    if found.kappa is None:
        out.print(Text(f"  kappa: {found.why}"))
    else:
        kind = "kappa, weighted by squared steps" if found.weighted else "kappa"
        spread = "" if found.U is None else f" ± {found.U:.2f}"
        out.print(Text(f"  {kind}: {found.kappa:.2f}{spread} ({found.called})"))
    for one in found.differences:
        out.print(Text(f"  {one.coupon}: {first} {one.first}, {second} {one.second}"))


def show_progress(progress: Progress, unit: Unit, electrode_mm: float | None, console: Console | None = None) -> None:
    """Print what the last advice was, whether what it aimed at moved, and what else did."""
    out = console or Console(highlight=False, soft_wrap=True)
    if progress.advice:
        out.print(Text(f"The last advice: {progress.advice}"))
    if progress.drill is not None:
        out.print(Text(f"Its drill: {progress.drill.title}"))
    out.print(Text(progress.aim_in_words(unit, electrode_mm), style="bold"))
    for line in progress.differ:
        out.print(Text(line))
    table = Table(box=None, pad_edge=False)
    for title in ("Measure", "Before", "After", ""):
        table.add_column(title, overflow="fold")
    for one in progress.others:
        table.add_row(Text(in_unit(one.called, unit)), said(one.before, unit), said(one.after, unit), one.verdict)
    out.print(table, soft_wrap=False)
