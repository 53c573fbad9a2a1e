"""What each "own choice" of a data file is weighed against: it is changed by itself on beads with truth.

    python tests/benchmarks/bench_choices.py FILE.toml FOLDER [FOLDER ...] [--by 1.4]
    python tests/benchmarks/bench_choices.py undercut FOLDER [FOLDER ...]

``FILE.toml`` is ``ripples.toml`` or ``indications.toml``, a folder holds photos with their truth, as ``make_photos.py``
and ``bench_uncertainty.py shoot`` write them. Each photo is traced once; then one figure after the other is divided and
multiplied by ``--by`` and what comes after the trace is done anew. Said are the figures of ``toeline accuracy`` that
move: as the file stands, with the smaller value, with the larger one. A choice whose change moves nothing is free.

``undercut`` counts, for pairs of ``[undercut] low`` and ``high`` of ``indications.toml``, what is found of undercut
0.5 mm deep, what of all of it, and what of that which is said is there.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from toeline.datafile import DataFile, text_of
from toeline.geometry.card import find_cards
from toeline.geometry.ground import card_outlines, lay_ground
from toeline.measures.figures import IndicationFigures
from toeline.measures.indications import find_indications
from toeline.measures.width_and_edges import count_indications, measure_course
from toeline.photo import read_photo
from toeline.pipeline import measure_with, off_cards
from toeline.result import Result
from toeline.settings import settings_from
from toeline.trace.band import TracedBead
from toeline.trace.bead_finder import detect_beads
from toeline.trace.figures import RippleFigures
from toeline.trace.ripples import Ripples, read_ripples
from toeline.trace.search import search
from toeline.trace.toes import look_about
from toeline.validation.accuracy import inputs_of, photos_with_truth, summarise
from toeline.validation.against_truth import PhotoScore, compare

FILES: dict[str, type[DataFile]] = {"ripples.toml": RippleFigures, "indications.toml": IndicationFigures}
LOWS, HIGHS = (0.5, 0.55, 0.6, 0.65, 0.7), (0.65, 0.7, 0.75, 0.8)
#: Pairs of ``low`` and ``high`` between which undercut's are chosen.
PAIRS = [(low, high) for low in LOWS for high in HIGHS if 0.05 <= high - low <= 0.25]
#: What may move, of the scoreboard's figures.
SHOWN = ("pitch_5", "ripples_invented", "undercut_recall", "undercut_precision", "crater")
MEASURED = ("ripple_pitch", "ripple_variation", "undercut_length_total", "spatter_per_100mm")


@dataclass(frozen=True)
class Traced:
    """A photo traced once, its result as the files stand, and its truth."""

    name: str
    bead: TracedBead
    ripples: Ripples
    result: Result
    printed: list[np.ndarray]
    truth: dict[str, Any]

    def score(self, anew: bool) -> PhotoScore:
        """What comes after the trace, by the figures that now hold, against the truth; the crests read ``anew``, or as
        they were."""
        bead, ripples, measures = self.bead, self.ripples, self.result.measures
        if anew:
            ripples = _crests(bead)
            measures = measures | measure_course(bead, ripples)
        found = off_cards(find_indications(bead, ripples), self.printed)
        measures = measures | count_indications(bead, found)
        result = self.result.model_copy(update={"measures": measures, "indications": found})
        return compare(self.name, result, self.truth)


def traced(photo_path: Path, truth_path: Path) -> Traced | None:
    """A photo of the folder, None where no bead is believed in it."""
    truth = json.loads(truth_path.read_text("utf-8"))
    settings = settings_from(**inputs_of(truth))
    photo = read_photo(photo_path)
    result = measure_with(photo, settings)
    if result.stopped or not result.bead.found or not truth["usable"]:
        return None
    cards = find_cards(photo)
    ground = lay_ground(photo, cards, settings, None)
    bead = search(photo, detect_beads(photo.image), ground, None).bead
    if bead is None:
        return None
    bead = look_about(photo.image, bead)
    return Traced(photo_path.name, bead, _crests(bead), result, card_outlines(cards), truth)


def _crests(bead: TracedBead) -> Ripples:
    return read_ripples(bead.band, bead.s, bead.t_left, bead.t_right)


def choices(name: str) -> list[tuple[str, str]]:
    """Table and key of each own choice of a file."""
    table, found = "", []
    for line in text_of(name).splitlines():
        if header := re.match(r"\[(\w+)\]", line):
            table = header[1]
        elif "own choice" in line and (key := re.match(r"(\w+)\s*=", line)):
            found.append((table, key[1]))
    return found


def times(model: type[DataFile], table: str, key: str, factor: float) -> dict[str, Any]:
    """One figure of a file times ``factor``."""
    old = getattr(getattr(model.parse(text_of(model.file_name)), table), key)
    return {key: tuple(x * factor for x in old) if isinstance(old, tuple) else type(old)(old * factor)}


@contextmanager
def changed(model: type[DataFile], table: str, new: dict[str, Any]) -> Iterator[None]:
    """Other figures in one table of a file for everything within."""
    figures = model.parse(text_of(model.file_name))
    figures = figures.model_copy(update={table: getattr(figures, table).model_copy(update=new)})
    model.read = staticmethod(lambda: figures)  # type: ignore[method-assign,assignment]
    try:
        yield
    finally:
        del model.read


def figures_of(scores: list[PhotoScore]) -> dict[str, float | None]:
    """The scoreboard's figures that may move: shares, things found, errors and their size over U (0.5 if U is true)."""
    board = summarise(scores)
    out = {one.key: one.value for one in board.figures if one.key in SHOWN}
    out |= {f"{kind} F1": hits.f1 for kind, hits in board.things.items()}
    for measure in board.measures:
        if measure.name in MEASURED:
            out[f"{measure.name} median error"] = measure.median
            out[f"{measure.name} error over U"] = measure.rms
            out[f"{measure.name} unknown"] = float(len(measure.missing))
    return out


def weigh_pairs(beads: Iterable[Traced]) -> None:
    """Print what each pair of ``low`` and ``high`` comes to for undercut."""
    scores: dict[tuple[float, float], list[PhotoScore]] = {pair: [] for pair in PAIRS}
    for one in beads:
        for low, high in PAIRS:
            with changed(IndicationFigures, "undercut", {"low": low, "high": high}):
                scores[low, high].append(one.score(anew=False))
    for (low, high), of_pair in scores.items():
        board = summarise(of_pair)
        deep = next(one.value for one in board.figures if one.key == "undercut_recall")
        every, said = board.undercut[min(board.undercut)].recall, board.undercut_said.precision
        told = f"deep {deep or 0:.3f}, all {every or 0:.3f}, there {said or 0:.3f}"
        print(f"{low:.2f} {high:.2f}  {told}; {len(of_pair)} beads")


def traced_all(folders: Iterable[Path]) -> Iterator[Traced]:
    """Every photo of the folders in which a bead is believed."""
    for number, pair in enumerate((pair for folder in folders for pair in photos_with_truth(folder)), 1):
        if (one := traced(*pair)) is not None:
            print(f"{number} {one.name}", file=sys.stderr, flush=True)
            yield one


def main() -> None:
    """Weigh every own choice of a file, or undercut's pairs."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("file", choices=[*sorted(FILES), "undercut"])
    words.add_argument("folders", nargs="+", type=Path)
    words.add_argument("--by", type=float, default=1.4)
    said = words.parse_args()
    if said.file == "undercut":
        weigh_pairs(traced_all(said.folders))
        return
    model, wanted = FILES[said.file], choices(said.file)
    plain: list[PhotoScore] = []
    moved: dict[tuple[str, str, float], list[PhotoScore]] = {
        (*which, factor): [] for which in wanted for factor in (1 / said.by, said.by)
    }
    for one in traced_all(said.folders):
        plain.append(one.score(anew=False))
        for (table, key, factor), scores in moved.items():
            with changed(model, table, times(model, table, key, factor)):
                scores.append(one.score(anew=model is RippleFigures))
    before = figures_of(plain)
    print(f"{len(plain)} beads; {json.dumps({k: v and round(v, 4) for k, v in before.items()})}")
    for table, key in wanted:
        less, more = (figures_of(moved[table, key, factor]) for factor in (1 / said.by, said.by))
        text = [
            f"{name} {was:.3f}: {less[name]:.3f} / {more[name]:.3f}"
            for name, was in before.items()
            if was is not None and max(abs((less[name] or 0) - was), abs((more[name] or 0) - was)) > 0.0005
        ]
        print(f"[{table}] {key}: {'; '.join(text) or 'moves nothing'}")


if __name__ == "__main__":
    main()
