"""What a bead and its settings show, as soft states: each sign's states with how well each explains what was seen.

A reading never says "wide"; it says how likely the measured width is if the bead were narrow, normal or wide, with
the measurement's own uncertainty in it. Signs that could not be had are left out, so they speak for nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from toeline.causes.chart import Normal, ReferenceDistribution, chart
from toeline.causes.figures import CoachingWords
from toeline.causes.welding import SettingsCheck, check_result
from toeline.errors import SettingsError
from toeline.evidence.evidence import Evidence
from toeline.measures.figures import MeasureFigures
from toeline.names import PLATES
from toeline.result import GaugeReading, Indication, IndicationKind, Joint, Quantity, Result, Side
from toeline.units import in_unit, length, span

_LEAST = 1e-300  # so that what lies beyond every state still has a ratio
SIDES: tuple[Side, Side] = ("left", "right")
#: What a person can gauge or state about each indication.
WORDS: dict[IndicationKind, tuple[str, ...]] = {
    "undercut": ("undercut", "undercut_depth"),
    "overlap": ("overlap", "overlap_width"),
    "crater_unfilled": ("craters", "crater_depth"),
    "crater_crack": ("crater_cracks", "crack_length"),
    "poor_restart": ("restarts",),
    "pore": ("pores",),
}
#: A restart's slag lies within this many mm of it along the seam.
_AT_RESTART_MM = 8.0
#: A height is told of a stretch from this many places on.
_FEWEST = 3
#: A face that meets the plate under less than this, measured through the air, rolls over it: that is what overlap is.
_UPRIGHT_DEG = 90.0
#: A depth or height measured over the plate is one from here on, mm.
_DEPTH_MM = 0.1
Likelihood = Mapping[str, float]
Place = Literal["along", "start", "end", "both_ends"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One sign as seen: ``likelihood`` of what was seen under each state (largest 1), and the figures in words.

    ``open``: it says so little, or so unsurely, that a person's answer would tell more.
    """

    sign: str
    likelihood: Likelihood
    figure: str
    side: Side | None = None
    open: bool = False

    @property
    def state(self) -> str:
        """The state that explains best what was seen."""
        return max(self.likelihood, key=lambda state: self.likelihood[state])


#: Steps of a normal curve over which a value's own uncertainty is summed, in standard deviations, and their weights.
_STEPS = np.linspace(-4.0, 4.0, 81)
_WEIGHTS = np.exp(-0.5 * _STEPS**2) / np.exp(-0.5 * _STEPS**2).sum()


def likelihood_under(distribution: ReferenceDistribution, value: float, u: float) -> dict[str, float]:
    """How likely ``value`` with standard uncertainty ``u`` is under each state of ``distribution`` (largest 1).

    What the bead truly has lies on the state's normal curve, and the value read strays from it by ``u``: so a value
    near zero, though its relative uncertainty is large, still speaks against a state far from zero.
    """
    likelihood = {}
    for state, curve in distribution.states.items():
        true = (
            curve.at * np.exp(curve.spread * _STEPS)
            if distribution.scale == "log"
            else curve.at + curve.spread * _STEPS
        )
        apart = np.hypot(u, np.gradient(true))  # no finer than the steps
        likelihood[state] = float(_WEIGHTS @ _normal(value, true, apart))
    return _scaled({state: max(each, _LEAST) for state, each in likelihood.items()})


# scipy.stats has these two, and takes a second to load, longer than a photo takes


def _normal(value: float, at: NDArray[np.float64], spread: NDArray[np.float64]) -> NDArray[np.float64]:
    """Density of the normal distribution."""
    return np.asarray(np.exp(-0.5 * ((value - at) / spread) ** 2) / (math.sqrt(2.0 * math.pi) * spread))


def _beta_binomial(k: int, n: int, a: float, b: float) -> float:
    """Probability of ``k`` of ``n`` where the chance of each is beta distributed."""

    def beta(x: float, y: float) -> float:
        return math.lgamma(x) + math.lgamma(y) - math.lgamma(x + y)

    return math.comb(n, k) * math.exp(beta(k + a, n - k + b) - beta(a, b))


def _scaled(likelihood: Mapping[str, float]) -> dict[str, float]:
    top = max(likelihood.values())
    return {state: value / top for state, value in likelihood.items()}


def _doubted(likelihood: Mapping[str, float], trust: float) -> dict[str, float]:
    """A likelihood of what is only there with the probability ``trust``: the rest favours no state."""
    even = sum(likelihood.values()) / len(likelihood)
    return _scaled({state: trust * value + (1 - trust) * even for state, value in likelihood.items()})


def _value(quantity: Quantity | None) -> tuple[float, float] | None:
    """Value and standard uncertainty, where both are known."""
    if quantity is None or quantity.value is None:
        return None
    return quantity.value, (quantity.U or 0.0) / quantity.k


def _ratio(over: tuple[float, float] | None, under: tuple[float, float] | None) -> tuple[float, float] | None:
    """Ratio of two independent quantities with its standard uncertainty."""
    if over is None or under is None or over[0] <= 0 or under[0] <= 0:
        return None
    ratio = over[0] / under[0]
    return ratio, ratio * math.hypot(over[1] / over[0], under[1] / under[0])


def _surest(found: Iterable[Indication]) -> float:
    """Confidence of the surest one; 0 where there is none."""
    return max((each.confidence for each in found), default=0.0)


def _presence(absent: str, present: str, odds: float) -> dict[str, float]:
    return _scaled({absent: 1.0, present: odds})


def size_of(result: Result) -> tuple[float, float] | None:
    """Mean width of a bead or cap, or the mean of a fillet's legs, mm, with its standard uncertainty; None unknown."""
    if result.settings.joint != "fillet":
        return _value(result.measures.get("width_mean"))
    base, upright = (_value(result.measures.get(name)) for name in ("leg_base", "leg_upright"))
    if base is None or upright is None:
        return None
    return (base[0] + upright[0]) / 2, math.hypot(base[1], upright[1]) / 2


@dataclass(frozen=True, slots=True)
class Seen:
    """A result with what the readers of signs need of it at hand."""

    result: Result
    normal: Normal
    settings: SettingsCheck
    evidence: Evidence

    def measure(self, name: str) -> tuple[float, float] | None:
        """Value and standard uncertainty of a measure, or None."""
        return _value(self.result.measures.get(name))

    def indicated(self, kind: str) -> list[Indication]:
        """The indications of one kind."""
        return [each for each in self.result.indications if each.kind == kind]

    def believed(self, kind: IndicationKind) -> list[Indication]:
        """The indications of one kind that no person who looked there has denied."""
        words = self._words(kind)
        if any(word.value == 0 and word.at is None for word in words):
            return []
        denied = [word for word in words if word.value == 0]
        return [each for each in self.indicated(kind) if not any(self.evidence.near(word, each) for word in denied)]

    @property
    def sure(self) -> float:
        """The odds that a person's own look gives."""
        return (1 - self.normal.person.wrong) / self.normal.person.wrong

    def unsure(self, odds: float) -> bool:
        """Whether odds are those of a photo, not of a person's look."""
        return 1 / self.sure < odds < self.sure

    def odds(self, kind: IndicationKind, read: float, found: Iterable[Indication]) -> float:
        """How many times likelier it all is if the thing is there: by a person's word, else by what the photo reads.

        A word for one place speaks of what was found there; ``stated`` has those for where nothing was found.
        """
        if self.denied(kind):
            return 1 / self.sure
        if any(self.evidence.near(word, each) for word in self._there(kind) for each in found):
            return self.sure
        return self.normal.detection_table[kind].odds(read)

    def denied(self, kind: IndicationKind) -> bool:
        """Whether a person who looked at all of it found none."""
        return any(word.value == 0 and word.at is None for word in self._words(kind))

    def stated(self, kind: IndicationKind) -> GaugeReading | None:
        """What a person gauged or stated to be there where the photo indicates nothing of it, the largest first."""
        found = self.indicated(kind)
        words = [w for w in self._there(kind) if not any(self.evidence.near(w, each) for each in found)]
        return max(words, key=lambda word: word.value, default=None)

    def in_words(self, word: GaugeReading) -> str:
        """A reading or statement as evidence."""
        where = "" if word.at is None else f" at {self.length(word.at)}"
        return f"{self.length(word.value)} gauged{where}" if word.unit == "mm" else f"stated{where}"

    def measured_depth(self, name: str) -> bool | None:
        """Whether a depth measured over the plate is there: yes, no, or None where it is not known or may be either."""
        depth = self.measure(name)
        if depth is None:
            return None
        value, u = depth
        return True if value - 2 * u > _DEPTH_MM else False if value + 2 * u < 2 * _DEPTH_MM else None

    def _there(self, kind: IndicationKind) -> list[GaugeReading]:
        """The words that say that it is there: a figure that its own uncertainty could make nothing of says neither."""
        return [word for word in self._words(kind) if word.value > (word.U or 0.0)]

    def _words(self, kind: IndicationKind) -> list[GaugeReading]:
        """What a person gauged or stated about an indication."""
        return [reading for name in WORDS.get(kind, ()) for reading in self.evidence.readings(name)]

    def share(self, runs: Iterable[Indication], *, weighted: bool = False) -> float:
        """Share of the bead's length that runs along one toe cover; all of it where no length is known.

        ``weighted``: each run counts as far as its confidence is above even odds.
        """
        whole, along = self.measure("length"), self.result.bead.s
        length = whole[0] if whole else along[-1] - along[0] if along else 0.0
        covered = sum(
            (each.to - each.from_) * (max(2 * each.confidence - 1, 0.0) if weighted else 1.0)
            for each in runs
            if each.from_ is not None and each.to is not None
        )
        return min(covered / length, 1.0) if length > 0 else float(any(True for _ in runs))

    def length(self, mm: float) -> str:
        """A length in the user's unit."""
        return length(mm, self.result.settings.unit)

    def gauged(self, name: str, where: Callable[[float | None], bool] = lambda _: True) -> tuple[float, float] | None:
        """Mean of the gauge readings of a name at such places, with its standard uncertainty; None without any."""
        readings = [each for each in self.evidence.readings(name) if where(each.at)]
        if not readings:
            return None
        mean = sum(each.value for each in readings) / len(readings)
        return mean, max((each.U or 0.0) for each in readings) / 2

    def face(self) -> tuple[float, float] | None:
        """Width of the face from toe to toe, straight across."""
        return self.measure("face_width") if self.result.settings.joint == "fillet" else self.measure("width_mean")

    def place(self, start: float, end: float) -> Literal["along", "start", "end"]:
        """Which part of the bead the middle of a stretch lies in."""
        whole = self.measure("length")
        if whole is None:
            return "along"
        middle = (start + end) / 2 / whole[0]
        zone = self.normal.ends.zone
        return "start" if middle < zone else "end" if middle > 1 - zone else "along"


def _on(
    seen: Seen, name: str, value: tuple[float, float] | None, say: Callable[[float], str], least: float = 0.0
) -> list[Reading]:
    """A reading of one quantity under one reference distribution, or none."""
    distribution = seen.normal.distribution[name]
    if value is None:
        return []
    amount = max(value[0], least)
    if distribution.scale == "log" and amount <= 0:
        return []
    return [Reading(distribution.sign, likelihood_under(distribution, amount, value[1]), say(amount))]


def _width(seen: Seen) -> list[Reading]:
    settings = seen.result.settings
    size = size_of(seen.result)
    if size is None:
        return []
    core = settings.welding.electrode_mm
    fillet = settings.joint == "fillet"
    wanted = settings.drawing_size_mm if fillet else settings.welding.intended_width_mm
    if wanted and fillet and settings.drawing_size_is == "throat":
        wanted *= math.sqrt(2)  # equal legs at a right angle
    what = f"{seen.length(size[0])} {'mean leg' if fillet else 'wide'}"
    if wanted:
        name = "leg_to_intended" if fillet else "width_to_intended"
        return _on(seen, name, _ratio(size, (wanted, 0.0)), lambda _: f"{what}, {seen.length(wanted)} is wanted")
    if settings.joint == "butt":
        return []  # a cap is as wide as its groove asks
    if core and not fillet:
        woven = settings.welding.technique == "weave"
        name, usual = ("width_to_core_woven", "3 to 4.5") if woven else ("width_to_core", "2 to 3")
        how = " for a weave" if woven else ""
        return _on(
            seen, name, _ratio(size, (core, 0.0)), lambda r: f"{what}, {r:.1f} core diameters; {usual} is usual{how}"
        )
    alone = ("leg_alone", "drawing's") if fillet else ("width_alone", "electrode's")
    said = f"{what}; without the {alone[1]} size this says little"
    return [replace(reading, open=True) for reading in _on(seen, alone[0], size, lambda _: said)]


def _shape(seen: Seen) -> list[Reading]:
    """Regularity of width and edges, and the ripples."""
    variation = seen.measure("width_variation") or _ratio(seen.measure("width_sd"), seen.measure("width_mean"))
    edges = [seen.measure("left_edge_deviation"), seen.measure("right_edge_deviation")]
    both = [edge for edge in edges if edge is not None]
    edge = None
    if len(both) == 2:
        edge = (both[0][0] + both[1][0]) / 2, math.hypot(both[0][1], both[1][1]) / 2
    # a cap is woven to its groove's width, so its ripples cannot be held against that; nor those of any weave
    woven = seen.result.settings.welding.technique == "weave"
    pitch = _ratio(seen.measure("ripple_pitch"), seen.face())
    if woven or seen.result.settings.joint == "butt":
        pitch = None
    shape = _on(
        seen,
        "ripple_sharpness",
        seen.measure("ripple_sharpness"),
        lambda v: f"the crescents reach back {v:.1f} times half the width; about 0.5 is round",
        least=0.05,
    )
    if woven:  # flat fronts are a weave's own
        shape = [replace(one, likelihood=dict(one.likelihood) | {"flat": one.likelihood["round"]}) for one in shape]
    return [
        *_on(seen, "width_variation", variation, lambda v: f"the width varies by {v:.0%}", least=0.005),
        *_on(seen, "edge_deviation", edge, lambda v: f"the toes stray {seen.length(v)} rms", least=0.01),
        *_on(seen, "pitch_to_width", pitch, lambda v: f"the spacing is {v:.0%} of the width; 12 to 25 % is usual"),
        *_on(
            seen,
            "ripple_variation",
            seen.measure("ripple_variation"),
            lambda v: f"the spacing varies by {v:.0%}",
            least=0.02,
        ),
        *shape,
    ]


def _undercut(seen: Seen) -> list[Reading]:
    found = seen.believed("undercut")
    reading, odds = _toes(seen, "undercut", found)
    worse = max(SIDES, key=lambda side: odds[side])
    stretches = [
        (each.from_, each.to) for each in found if each.side == worse and each.from_ is not None and each.to is not None
    ]
    word = seen.stated("undercut")
    if not stretches and word is not None and word.at is not None:
        place = seen.place(word.at, word.at)
        return [reading, Reading("undercut_place", _place(seen, {place: 1.0}), seen.in_words(word))]
    if not stretches or reading.state == "both_toes":
        return [reading]
    lengths = {"along": 0.0, "start": 0.0, "end": 0.0}
    for start, end in stretches:
        lengths[seen.place(start, end)] += end - start
    total = sum(lengths.values()) or 1.0
    share_at = {part: each / total for part, each in lengths.items()}
    both_ends = 2 * min(share_at["start"], share_at["end"])
    places = {
        "along": share_at["along"],
        "start": max(share_at["start"] - both_ends / 2, 0.0),
        "end": max(share_at["end"] - both_ends / 2, 0.0),
        "both_ends": both_ends,
    }
    where = "; ".join(_stretch(seen, each) for each in found if each.side == worse)
    # what may not be there at all says less about where it is
    likelihood = _doubted(_place(seen, places), odds[worse] / (1 + odds[worse]))
    return [reading, Reading("undercut_place", likelihood, where, worse)]


def _place(seen: Seen, share: Mapping[str, float]) -> dict[str, float]:
    """How likely it is that undercut lies so where these shares of it lie."""
    floor = seen.normal.place_floor
    return _scaled({place: share.get(place, 0.0) + floor for place in ("along", "start", "end", "both_ends")})


def _overlap(seen: Seen) -> list[Reading]:
    return [_toes(seen, "overlap", seen.believed("overlap"))[0]]


def _toes(
    seen: Seen, kind: Literal["undercut", "overlap"], found: Sequence[Indication]
) -> tuple[Reading, dict[Side, float]]:
    """One toe, both or none, and the odds for each toe: from what is read along it and how such a reading comes by."""
    odds: dict[Side, float] = {}
    said: dict[Side, str] = {}
    for side in SIDES:
        here = [each for each in found if each.side == side]
        odds[side] = seen.odds(kind, seen.share(here, weighted=True), here)
        said[side] = f"{seen.share(here):.0%} of the length" if here else "none"
        measured = seen.measured_depth(f"undercut_depth_{side}") if kind == "undercut" else None
        if measured is not None and not seen.denied(kind):
            odds[side] = seen.sure if measured else 1 / seen.sure
        angle = seen.measure(f"toe_angle_{side}_min") if kind == "overlap" else None
        # a height map is too smooth at a steep toe to say that none rolls over
        if angle is not None and angle[0] + 2 * angle[1] < _UPRIGHT_DEG and not seen.denied(kind):
            odds[side] = seen.sure
            said[side] = f"{angle[0]:.0f}° between plate and face"
    likelihood = {"none": 1.0, "one_toe": sum(odds.values()) / len(odds), "both_toes": odds["left"] * odds["right"]}
    text = f"left toe {said['left']}, right toe {said['right']}" if set(said.values()) != {"none"} else "none seen"
    word = seen.stated(kind)
    if word is not None:  # there, along a toe that nobody named
        there = max(likelihood["one_toe"], likelihood["both_toes"])
        likelihood |= {"none": there / seen.sure, "both_toes": max(likelihood["both_toes"], 0.2 * there)}
        text = seen.in_words(word)
    worse = max(SIDES, key=lambda side: odds[side])
    sure = word is not None or seen.denied(kind) or max(odds.values()) >= seen.sure
    return Reading(kind, _scaled(likelihood), text, worse if odds[worse] > 1 else None, open=not sure), odds


def _stretch(seen: Seen, each: Indication) -> str:
    """Where an indication lies, in words."""
    side = f"{each.side} toe" if each.side else "seen"
    if each.from_ is None or each.to is None:
        return side
    return f"{side} {span(each.from_, each.to, seen.result.settings.unit)}"


def _spatter(seen: Seen) -> list[Reading]:
    density = seen.measure("spatter_per_100mm")
    readings: list[Reading] = []
    if density is not None:
        readings = _on(
            seen,
            "spatter_density",
            (density[0] + 1, density[1]),
            lambda v: in_unit(
                f"{v - 1:.0f} balls per 100 mm of bead; up to about 12 is usual", seen.result.settings.unit
            ),
        )
    sides = [each.side for each in seen.indicated("spatter") if each.side]
    # On a T joint the two plates catch spatter differently, whatever the arc does.
    if len(sides) >= 5 and seen.result.settings.joint != "fillet":
        n, left = len(sides), sides.count("left")
        rule = seen.normal.spatter_side
        even = _beta(0.5, rule.strays)
        aside = _beta(rule.thrown, rule.strays)
        one = (_beta_binomial(left, n, *aside) + _beta_binomial(n - left, n, *aside)) / 2
        likelihood = _scaled({"even": _beta_binomial(left, n, *even), "one_side": one})
        thrown: Side = "left" if 2 * left > n else "right"
        readings.append(Reading("spatter_side", likelihood, f"{left} of {n} balls on the left", thrown))
    return readings


def _beta(mean: float, spread: float) -> tuple[float, float]:
    """Parameters of the beta distribution with this mean and standard deviation."""
    total = mean * (1 - mean) / spread**2 - 1
    return mean * total, (1 - mean) * total


def _spots(seen: Seen) -> list[Reading]:
    """Crater, restart, pores."""
    readings: list[Reading] = []
    hollow = [*seen.believed("crater_unfilled"), *seen.believed("crater_crack")]
    word = seen.stated("crater_unfilled") or seen.stated("crater_crack")
    measured = seen.measured_depth("crater_depth")
    crater = seen.odds("crater_unfilled", _surest(hollow), hollow)
    if word is not None or measured:
        crater = seen.sure
    elif measured is False:
        crater = 1 / seen.sure
    if seen.result.bead.end_seen or crater > 1:
        crack = any(each.kind == "crater_crack" for each in hollow)
        text = "with a crack" if crack else "seen at the end" if hollow else "none seen"
        text = seen.in_words(word) if word is not None else text
        readings.append(Reading("crater", _presence("filled", "hollow", crater), text, open=seen.unsure(crater)))
        readings += _end_of_run(seen, hollow, word)
    poor, stated = seen.believed("poor_restart"), seen.stated("poor_restart")
    odds = seen.sure if stated is not None else seen.odds("poor_restart", _surest(poor), poor)
    at = next((each.from_ for each in poor if each.from_ is not None), None)
    text = f"seen at {seen.length(at)}" if at is not None else "seen" if poor else "none seen"
    text = seen.in_words(stated) if stated is not None else text
    readings.append(Reading("restart", _presence("tied_in", "poor", odds), text, open=seen.unsure(odds)))
    if at is None and stated is not None:
        at = stated.at
    slag = [each.from_ for each in seen.indicated("slag_left") if each.from_ is not None]
    if at is not None and odds > 1 and any(abs(s - at) <= _AT_RESTART_MM for s in slag):
        slag_at = f"something like slag at {seen.length(at)}"
        readings.append(Reading("restart_clean", {"cleaned": 0.3, "left": 1.0}, slag_at, open=True))
    pores = seen.believed("pore")
    readings.append(_pores(seen, len(pores)))
    placed = [(each.from_, each.to if each.to is not None else each.from_) for each in pores]
    stretches = [(a, b) for a, b in placed if a is not None and b is not None]
    if len(stretches) >= 2:
        ends = sum(seen.place(a, b) != "along" for a, b in stretches) / len(stretches)
        floor = seen.normal.place_floor
        where = ", ".join(seen.length(a) for a, _ in stretches)
        likelihood = _scaled({"along": 1 - ends + floor, "ends": ends**2 + floor})
        readings.append(Reading("pores_place", likelihood, f"at {where}"))
    return readings


def crater_place(result: Result) -> float | None:
    """How far back from the weld's end a hollow crater's middle lies, in bead widths; None where that is not known."""
    length, width = (_value(result.measures.get(name)) for name in ("length", "width_mean"))
    places = [
        (each.from_ + each.to) / 2
        for each in result.indications
        if each.kind == "crater_unfilled" and each.from_ is not None and each.to is not None
    ]
    if not places or length is None or width is None or width[0] <= 0:
        return None
    return (length[0] - max(places)) / width[0]


def _end_of_run(seen: Seen, hollow: Sequence[Indication], word: GaugeReading | None) -> list[Reading]:
    """Where on the weld a hollow crater lies: at its very end the arc was pulled off, further back drawn back."""
    back = crater_place(seen.result)
    if back is None or not (hollow or word):
        return []
    far = back >= CoachingWords.read().crater.drawn_back
    likelihood = {"drawn_back": 1.0, "pulled_off": 0.4} if far else {"drawn_back": 0.4, "pulled_off": 1.0}
    text = f"the crater lies {back:.1f} widths back from the end"
    return [Reading("end_of_run", likelihood, text, open=True)]


def _pores(seen: Seen, count: int) -> Reading:
    """None, few or many: what a person counted, else what the photo shows."""
    counted = max((r.value for r in seen.evidence.readings("pores") if r.at is None), default=None)
    if counted is None:
        return Reading(
            "pores",
            seen.normal.detection_table["pore"].likelihood(count),
            f"{count} seen" if count else "none seen",
            open=True,
        )
    rule = seen.normal.person
    state = "none" if counted == 0 else "few" if counted < rule.many_pores else "many"
    likelihood = {each: 1.0 if each == state else rule.wrong for each in ("none", "few", "many")}
    return Reading("pores", likelihood, f"{counted:.0f} counted")


def _size(seen: Seen) -> list[Reading]:
    """Legs of a fillet, and the height that was gauged or measured."""
    readings: list[Reading] = []
    fillet = seen.result.settings.joint == "fillet"
    base, upright = (seen.measure(name) or seen.gauged(name) for name in ("leg_base", "leg_upright"))
    if fillet and base is not None and upright is not None:
        longer, shorter = max(base, upright), min(base, upright)
        text = f"{seen.length(base[0])} on the {PLATES['base']}, {seen.length(upright[0])} on the {PLATES['upright']}"
        readings += _on(seen, "leg_ratio", _ratio(longer, shorter), lambda _: text)
    face = seen.face()
    if face is None:
        return readings
    if fillet:
        convex = seen.gauged("convexity") or seen.measure("convexity_max")
        if convex is not None:
            text = f"{seen.length(convex[0])} convex, {convex[0] / face[0]:.0%} of the width; up to about 10 % is usual"
            share = convex[0] / face[0], math.hypot(convex[1], convex[0] / face[0] * face[1]) / face[0]
            readings += _on(seen, "convexity", share, lambda _: text)
        return readings
    reach = seen.normal.ends.start_widths * face[0]
    height = seen.gauged("reinforcement_height", lambda at: at is None or at > reach) or seen.measure("height_mean")
    if height is not None:
        text = f"{seen.length(height[0])} high, {height[0] / face[0]:.0%} of the width; 12 to 25 % is usual"
        readings += _on(seen, "reinforcement", _ratio(height, face), lambda _: text)
    first = seen.gauged("reinforcement_height", lambda at: at is not None and at <= reach)
    if first is not None and height is not None:
        text = f"{seen.length(first[0])} high at the start, {seen.length(height[0])} further on"
        readings += _on(seen, "start_to_height", _ratio(first, height), lambda _: text)
    return readings


def _start(seen: Seen) -> list[Reading]:
    """Whether the bead has its width and its height at once, where it is known which end is the start."""
    bead = seen.result.bead
    if not bead.start_seen or bead.travel != "known":
        return []
    wide, high = seen.measure("start_to_width"), _crown_at_start(seen)
    return [
        *_on(seen, "start_to_width", wide, lambda r: f"its first width is {r:.0%} of the width further on"),
        *_on(seen, "start_to_height", high, lambda r: f"its first width is {r:.0%} as high as further on"),
    ]


def _crown_at_start(seen: Seen) -> tuple[float, float] | None:
    """Height over the first width over that of the body, from several photos, with its standard uncertainty; None
    where it was not seen."""
    relief, face, length = seen.result.relief, seen.face(), seen.measure("length")
    if relief is None or relief.state != "measured" or face is None or length is None:
        return None
    nose, width = MeasureFigures.read().start.nose * face[0], face[0]
    known = [
        (s, crown, u / 2)
        for s, crown, u in zip(relief.s_mm, relief.crown_mm, relief.U_mm.get("crown_mm", ()), strict=False)
        if crown is not None and u is not None
    ]
    first = [(crown, u) for s, crown, u in known if nose <= s <= width]
    body = [(crown, u) for s, crown, u in known if width < s <= length[0] - width]
    if len(first) < _FEWEST or len(body) < _FEWEST:
        return None
    means = [tuple(sum(each) / len(part) for each in zip(*part, strict=True)) for part in (first, body)]
    return _ratio((means[0][0], means[0][1]), (means[1][0], means[1][1]))


def _settings(seen: Seen) -> list[Reading]:
    check, welding, unit = seen.settings, seen.result.settings.welding, seen.result.settings.unit
    readings: list[Reading] = []
    amps, most = welding.current_a, check.most_for_plate_a
    if amps is not None and (check.current_range is not None or (most is not None and amps > most)):
        place, said = 0.5, []
        if check.current_range is not None:
            low, high = check.current_range.low_a, check.current_range.high_a
            place = (amps - low) / (high - low)
            said.append(f"{low:.0f} to {high:.0f} A is {check.current_range.whose} range")
        if most is not None and amps > most:
            place = max(place, amps / most)
            said.append(f"about {most:.0f} A is the most that this plate takes")
        text = f"{amps:.0f} A; {', '.join(said)}"
        readings += _on(seen, "current_in_range", (place, 0.0), lambda _: text)
    if check.travel_mm_min is not None and check.usual_travel_mm_min is not None:
        low, high = check.usual_travel_mm_min
        text = f"{seen.length(check.travel_mm_min)}/min; {span(low, high, unit)}/min is usual"
        readings += _on(seen, "speed_to_usual", (check.travel_mm_min / math.sqrt(low * high), 0.0), lambda _: text)
    if welding.voltage_v is not None:
        readings += _on(
            seen, "arc_voltage", (welding.voltage_v, 0.5), lambda v: f"{v:.1f} V; about 20 to 26 V is usual"
        )
    if check.expected_size_mm is not None and (size := size_of(seen.result)) is not None:
        text = f"{seen.length(size[0])}; about {seen.length(check.expected_size_mm)} was to be expected"
        readings += _on(seen, "size_to_expected", _ratio(size, (check.expected_size_mm, 0.0)), lambda _: text)
    return readings


def _noticed(seen: Seen) -> list[Reading]:
    """What the welder saw or heard while welding."""
    wrong, signs, said = seen.normal.person.noticed_wrong, chart().signs, seen.result.settings.welding.noticed
    return [
        Reading(name, {s: 1.0 if s == state else wrong for s in signs[name].states}, "noticed while welding")
        for name, state in said.items()
    ]


def check_noticed(noticed: Mapping[str, str], joint: Joint) -> None:
    """Raises :class:`SettingsError` where something noticed is no sign of this joint, or not one of its states."""
    known = chart().noticed(joint)
    for name, state in noticed.items():
        if name not in known:
            raise SettingsError(f"Nothing is asked about {name!r} here; what can be noticed is {', '.join(known)}.")
        if state not in known[name].states:
            raise SettingsError(f"{name!r} can be {', '.join(known[name].states)}, not {state!r}.")


def read_signs(result: Result, normal: Normal) -> tuple[Reading, ...]:
    """Every sign that ``result`` gives, as soft states; signs it cannot give are left out.

    What a person noticed goes before what the photo shows. Raises :class:`SettingsError` for settings that cannot be.
    """
    check_noticed(result.settings.welding.noticed, result.settings.joint)
    seen = Seen(result, normal, check_result(result), Evidence(result))
    readers = (_width, _shape, _undercut, _overlap, _spatter, _spots, _size, _start, _settings)
    read = [reading for reader in readers for reading in reader(seen)]
    noticed = _noticed(seen)
    own = {reading.sign for reading in noticed}
    return (*(reading for reading in read if reading.sign not in own), *noticed)
