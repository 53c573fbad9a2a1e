"""What is not believed is refused: doubt of the toes and of the ends stops a photo, and only then."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

import drawn_beads
import seen_photos
import toeline
from test_bead import doubted_bead
from toeline.geometry.card import find_cards
from toeline.geometry.ground import lay_ground
from toeline.photo import read_photo
from toeline.pipeline import _nothing
from toeline.problems import REGISTRY
from toeline.settings import Settings
from toeline.trace.band import READERS, TracedBead
from toeline.trace.bead_finder import Candidate, Detections, detect_beads
from toeline.trace.belief import DISBELIEVED, disbelief, parted, surety, weld_metal_beyond
from toeline.trace.figures import BeadFigures
from toeline.trace.search import Found, _look_for, _no_bead, search
from toeline.trace.toes import BeadLost, _end_trust, _tip, trace_bead


def bead(confidence: float, end_trust: tuple[float, float] = (1.0, 1.0)) -> TracedBead:
    drawn = drawn_beads.draw(drawn_beads.Drawing(length=40.0))
    return replace(drawn, confidence=np.full(len(drawn.s), confidence), end_trust=end_trust)


def short(drawn: TracedBead) -> TracedBead:
    """The first two widths of a bead."""
    n = int(np.searchsorted(drawn.s, 2 * np.median(drawn.t_left - drawn.t_right)))
    along = ("s", "t_left", "t_right", "u_left", "u_right", "confidence")
    return replace(drawn, **{name: getattr(drawn, name)[:n] for name in along})


def cut_off(drawn: TracedBead, *, found: float) -> TracedBead:
    """A bead that runs out of the picture at both ends, and how surely the finder found it."""
    return replace(drawn, start_seen=False, end_seen=False, found_confidence=found)


def shown(drawn: TracedBead, face: np.ndarray) -> TracedBead:
    """The bead as its reader would have said it shows."""
    return replace(drawn, band=replace(drawn.band, maps=drawn.band.maps | {"face": face}))


def test_a_clear_bead_is_believed():
    assert surety(bead(0.95)) > 1
    assert disbelief(bead(0.95)) == ()


@pytest.mark.parametrize(
    ("doubted", "seen", "enough"),
    [
        (bead(0.6), None, True),
        (bead(0.6), 0.9, False),
        (bead(0.8), 0.9, True),
        (replace(bead(0.8), end_seen=False), 0.0, True),
        (short(bead(0.99)), None, True),
        (short(bead(0.99)), 0.9, False),
        (cut_off(bead(0.6), found=0.9), 0.9, True),
        (cut_off(bead(0.6), found=0.9), 0.2, False),
        (cut_off(bead(0.6), found=0.6), 0.9, False),
        (cut_off(bead(0.4), found=1.0), 1.0, False),
        (cut_off(bead(0.6), found=0.6), None, True),
    ],
    ids=[
        "with a card or marked",
        "by its looks alone",
        "by surer looks",
        "one end cut off",
        "short",
        "short, by its looks alone",
        "both ends cut off, and the finder as sure",
        "both ends cut off, and not seen as a whole",
        "both ends cut off, and hardly found",
        "both ends cut off, and the toes too unsure",
        "both ends cut off or marked, with a card",
    ],
)
def test_what_only_looks_like_a_bead_must_be_surer(doubted: TracedBead, seen: float | None, enough: bool):
    assert (surety(doubted, seen) >= 1) is enough
    assert [problem.code for problem in disbelief(doubted, seen)] == ([] if enough else ["toes_unsure"])


@pytest.mark.parametrize(
    ("doubted", "code", "words"),
    [
        (bead(0.1), "toes_unsure", "edges"),
        (bead(0.95, (0.1, 1.0)), "ends_unsure", "where the bead starts."),
        (bead(0.95, (0.1, 0.1)), "ends_unsure", "where the bead starts and ends."),
    ],
    ids=["toes", "start", "both ends"],
)
def test_what_is_not_believed_is_said(doubted, code, words):
    (problem,) = disbelief(doubted)
    assert (problem.code, problem.severity) == (code, "stop")
    assert words in problem.text
    assert code in DISBELIEVED
    assert all(REGISTRY[each].severity == "stop" for each in DISBELIEVED)


@pytest.mark.parametrize(("beyond", "least", "most"), [(0.0, 0.9, 1.0), (0.45, 0.5, 0.6), (1.0, 0.0, 0.1)])
def test_an_end_is_as_sure_as_what_lies_beyond_it_is_no_weld_metal(beyond, least, most):
    trust = _end_trust(doubted_bead(beyond, sure_from=30.0), 30.0, 0.0, 8.0, 1)
    assert least <= trust <= most


def test_weld_metal_beside_a_bead_is_seen_beyond_its_toe():
    drawn = drawn_beads.draw(drawn_beads.Drawing(length=60.0))
    reach = float(np.median(drawn.t_left - drawn.t_right))
    assert weld_metal_beyond(drawn, drawn.t_left, reach) == 0.0
    face = drawn.band.maps["face"].copy()
    beside = (drawn.band.t > float(drawn.t_left.max()) + 0.3 * reach) & (drawn.band.t < drawn.t_left.max() + reach)
    face[beside] = 0.8  # plate that merely seems to be some
    assert weld_metal_beyond(shown(drawn, face), drawn.t_left, reach) == 0.0
    face[beside] = 0.97
    both = shown(drawn, face)
    assert weld_metal_beyond(both, both.t_left, reach) > 0.9
    assert weld_metal_beyond(both, both.t_right, -reach) == 0.0


def test_two_beads_traced_as_one_are_told_by_the_line_between_them():
    drawn = drawn_beads.draw(drawn_beads.Drawing(length=60.0))
    assert abs(parted(drawn)) < 0.5
    face = drawn.band.maps["face"].copy()
    face[np.abs(drawn.band.t) < 0.4] = 0.6
    both = replace(drawn, band=replace(drawn.band, maps=drawn.band.maps | {"face": face}))
    assert parted(both) > 2.5
    face = drawn.band.maps["face"].copy()
    face[np.ix_(np.abs(drawn.band.t) < 0.4, (drawn.band.s > 10) & (drawn.band.s < 25))] = 0.6  # an island, no line
    island = replace(drawn, band=replace(drawn.band, maps=drawn.band.maps | {"face": face}))
    assert abs(parted(island)) < 0.5


def test_an_end_is_found_where_the_middle_row_lies_off_the_band():
    """A sliver of a bead at the band's edge leaves no row within the share of its width that is looked at."""
    band = doubted_bead(1.0)
    top, bottom = np.full(600, 14.0), np.full(600, 13.99)
    logit = np.where(band.maps["face"] > 0.5, 6.0, -6.0)
    assert np.isfinite(_tip(logit, band, top, bottom, 300, 1))


def test_what_is_not_believed_is_shown_without_measures():
    doubted = bead(0.1)
    found = Found(doubted, Detections((), None), disbelief(doubted))
    measured = _nothing(toeline.Settings(), found)
    assert measured.bead is doubted
    assert not any(quantity.known for quantity in measured.measures.values())
    assert all(quantity.why == found.problems[0].text for quantity in measured.measures.values())
    assert not measured.indications


@pytest.mark.parametrize(("confidence", "code"), [(0.95, "not_a_bead"), (0.6, "no_bead")])
def test_what_it_looks_like_is_said_only_when_that_is_sure(confidence, code):
    line = np.stack([np.linspace(10, 300, 50), np.full(50, 100.0)], axis=1)
    assert _no_bead(Detections((), Candidate("rope", line, 20.0, confidence))).code == code


def test_after_so_many_traces_the_search_gives_up():
    """Each further look at what is none adds its own chance of a false one."""
    plate = np.random.default_rng(7).normal(120, 15, (300, 400, 3)).clip(0, 255).astype(np.uint8)
    photo = read_photo(cv2.imencode(".png", plate)[1].tobytes())
    line = np.stack([np.linspace(50, 350, 50), np.full(50, 150.0)], axis=1)
    shown = []

    def guess(*_: object) -> list[Candidate]:
        shown.append(Candidate("bead", line, 20.0, 0.6))
        return shown[-1:] * 2

    found = _look_for(photo, detect_beads(photo.image), lay_ground(photo, [], Settings(), None), [guess] * 20)
    assert not any(one.surety >= 1 for one in found)
    assert len(shown) == math.ceil(BeadFigures.read().belief.most_traces / 2)


def test_what_the_first_reader_does_not_believe_is_read_by_the_second():
    """On photos of varied looks beside the repository, as long as it takes to meet one."""
    photos = sorted((seen_photos.ROOT.parent / "shared" / "photos" / "wild").glob("*.jpg"))
    if not photos:
        pytest.skip("needs ../shared/photos/wild")
    for file in photos:
        photo = read_photo(file)
        ground = lay_ground(photo, find_cards(photo), Settings(), None)
        found = search(photo, detect_beads(photo.image), ground, None)
        if found.bead is None or found.problems or found.bead.band.reader == READERS[0]:
            continue
        for candidate in detect_beads(photo.image).beads:
            try:
                first = trace_bead(photo.image, found.bead.frame, candidate)
            except BeadLost:
                continue
            assert surety(first) < 1
        return
    pytest.fail("no bead was read by the second reader")
