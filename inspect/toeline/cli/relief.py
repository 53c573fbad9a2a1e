"""``toeline relief``: several photos of one bead in, one result with height and depth out."""

from __future__ import annotations

import inspect
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import typer

from toeline.cli import measuring
from toeline.cli.outputs import Outputs
from toeline.result import Result
from toeline.text import one_line, shown_path

_ONE_BY_ONE = ("photos", "parquet", "scheduler")
_OUTPUTS = ("json_out", "picture", "report", "paper", "strict", "verbose", "force")


def relief(
    photos: Annotated[
        list[Path], typer.Argument(help="Two to nine photos of one bead: square on first, then from the sides.")
    ],
    height_map: Annotated[
        Path | None,
        typer.Option(
            help="Write the surface: .npz (NumPy), .x3p (ISO 25178-72), or .png as a picture.",
            metavar="FILE",
            rich_help_panel="What comes out",
        ),
    ] = None,
    section_at: Annotated[
        str | None,
        typer.Option(
            help="Show a cross-section at this distance from the bead's start too.",
            metavar="LENGTH",
            rich_help_panel="What comes out",
        ),
    ] = None,
    **said: Any,
) -> None:
    """Measure one bead in several photos: width and faults by the first, height and depth by all.

    Exit code: 0 measured, 1 judged fail where --strict asks, 2 words that are off, 3 photos not read or used.
    """
    from toeline.cli import jobs
    from toeline.cli.show import show_result
    from toeline.settings import settings_from

    out = {name: said.pop(name) for name in _OUTPUTS}
    said["section_at"] = section_at
    settings = settings_from(**{name: words for name, words in said.items() if words is not None})
    to_json = None if out["json_out"] in (None, "-") else Path(out["json_out"])
    outputs = Outputs(to_json, out["picture"], out["report"], height_map, out["force"])
    outputs.check([str(photo) for photo in photos[:1]])
    written = [path for path in (to_json, out["picture"], out["report"], height_map) if path is not None]
    for path in written:
        if path.resolve() in {photo.resolve() for photo in photos}:
            raise typer.BadParameter(f"{shown_path(path)} is one of the photos; name another file.")
    to = jobs.Written(to_json, out["picture"], out["report"], measuring.PAPERS[out["paper"]])
    result = jobs.relief(photos, settings, height_map, to)
    for info in result.photos[1:]:
        for problem in info.problems:
            typer.echo(f"toeline: {one_line(f'{info.name} is left out. {problem.text}')}", err=True)
    if result.relief is not None and result.relief.why is not None:
        typer.echo(f"toeline: {one_line(result.relief.why)}", err=True)
    for path in written:
        if path.exists():
            typer.echo(f"wrote {shown_path(path)}", err=True)
    if out["json_out"] == "-":
        typer.echo(result.to_json())
    else:
        show_result(result, verbose=out["verbose"])
    raise typer.Exit(_exit_code(result, out["strict"]))


def _exit_code(result: Result, strict: bool) -> int:
    if not all(info.usable for info in result.photos):
        return measuring.PHOTO_UNUSABLE
    failed = result.judgement is not None and result.judgement.outcome == "fail"
    return measuring.JUDGED_FAIL if strict and failed else measuring.OK


def _with_options_of_measure() -> None:
    """Give the command every option of ``toeline measure`` that one result can have: each is written once, there."""
    own = list(inspect.signature(relief).parameters.values())[:3]
    hints = get_type_hints(measuring.measure, include_extras=True)
    shared = [
        parameter.replace(annotation=hints[name])
        for name, parameter in inspect.signature(measuring.measure).parameters.items()
        if name not in _ONE_BY_ONE
    ]
    ours = get_type_hints(relief, include_extras=True)
    own = [parameter.replace(annotation=ours[parameter.name]) for parameter in own]
    relief.__signature__ = inspect.Signature([*own[:1], *shared, *own[1:]])  # type: ignore[attr-defined]
    relief.__annotations__ = {p.name: p.annotation for p in [*own, *shared]} | {"return": None}


_with_options_of_measure()
