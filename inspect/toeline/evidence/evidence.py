"""What there is to judge by: measures, indications, gauge readings, statements, and how far to trust the photo."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from toeline.criteria.expression import Condition, Expression
from toeline.criteria.model import Line
from toeline.evidence.gauge import check_reading, gauges
from toeline.evidence.needs import Need, Step
from toeline.evidence.windows import worst_length
from toeline.measures.figures import DetectionFigures, IndicationFigures
from toeline.result import GaugeReading, Indication, IndicationKind, Quantity, Result, unknown
from toeline.text import clause
from toeline.units import MM_PER_INCH, Unit, figure

_STEPS = 8  # how finely a condition is tried over the spread of what it names
#: Problems of a photo after which what is measured in it does not stand for the whole weld.
_HIDING = frozenset({"bead_covered", "toe_covered", "bead_unsure", "bead_cut", "blur", "glare", "dark"})
#: What to ask for where a limit names a quantity that is not known.
_ASK = {
    "t": "Give the plate thickness.",
    "s": "Give the plate thickness.",
    "a": "Give the fillet's size on the drawing.",
    "z": "Give the fillet's size on the drawing.",
    "b": "Photograph the weld with the card beside it, a fillet with a card on each plate, so that its width is known.",
    "l": "Photograph the whole bead with both ends and the card, or tape its length and give weld_length.",
}
#: The setting that gives it.
_SETTINGS = {"t": "thickness", "s": "thickness", "a": "size", "z": "size"}


#: A relief along the seam, by the measure that it gives; what is not named here is told by the crown.
_ALONG = {"undercut_depth_left": "undercut_left_mm", "undercut_depth_right": "undercut_right_mm"}
_WORST_ALONG = (*_ALONG, "height_max", "convexity_max")

Seen = Literal["stated", "denied", "read", "perhaps"]


@dataclass(frozen=True)
class Evidence:
    """One result as judgement sees it; never a pixel."""

    result: Result
    girth: bool = False

    @property
    def detection(self) -> DetectionFigures:
        """How far the photo's reading is trusted, by kind."""
        return DetectionFigures.read()

    @property
    def stopped(self) -> str | None:
        """Why the photo cannot be judged by at all, or None."""
        return self.result.stopped

    @cached_property
    def retake(self) -> tuple[Need, ...]:
        """What the photo lacks so much that the whole cannot pass by it."""
        if self.stopped:
            return (Need(Step.PHOTO, self.stopped),)
        if self.result.scale.state != "card":
            return (Need(Step.PHOTO, "Photograph the bead again with the card beside it: there is no scale."),)
        return ()

    # The photo

    def measure(self, name: str) -> Quantity:
        """A measure of the photo, or why it cannot be used."""
        if self.stopped:
            return unknown(self.stopped)
        return self.result.measures.get(name) or unknown(f"the photo gives no {name.replace('_', ' ')}")

    def relief(self, name: str) -> tuple[Quantity, bool]:
        """A depth or height from a relief, at its worst along the seam, and whether the relief saw all of it.

        The measure is told over the body; what lies deeper or higher beyond it counts too.
        """
        measured, along = self.measure(name), self.result.relief
        if along is None or along.state != "measured":
            return measured, False
        series = _ALONG.get(name, "crown_mm")
        heights: tuple[float | None, ...] = getattr(along, series)
        share = sum(height is not None for height in heights) / len(heights) if heights else 0.0
        if name in _WORST_ALONG and measured.value is not None:
            worst = max((mm, k) for k, mm in enumerate((*heights, measured.value)) if mm is not None)
            doubt = along.U_mm.get(series, ())
            if worst[1] < len(doubt):
                measured = Quantity(value=worst[0], U=max(doubt[worst[1]] or 0.0, measured.U or 0.0))
        return measured, share >= self.detection.toe_share

    def relief_place(self, names: Iterable[str]) -> float | None:
        """Where along the seam a relief may be worst (greatest value with its U), mm; None where it tells no place."""
        found = [(value + U, s) for s, value, U in self._along(names)]
        return max(found)[1] if found else None

    def relief_near(self, names: Iterable[str], reading: GaugeReading) -> Quantity | None:
        """What a relief tells within the slack of a reading's place that is nearest to it, None where it saw nothing.

        A reading does not say at which toe it was taken, and its place is not known to the millimetre.
        """
        if reading.at is None:
            return None
        slack, at, read = self.detection.place_mm, reading.at, reading.value
        found = [(value, U) for s, value, U in self._along(names) if abs(s - at) <= slack]
        nearest = min(found, key=lambda told: abs(told[0] - read), default=None)
        return None if nearest is None else Quantity(value=nearest[0], U=nearest[1])

    def deeper(self, names: Iterable[str], depth: float, window: float) -> Quantity | None:
        """Most length in any ``window``, mm, that a relief tells to be deeper than ``depth``, both toes counted.

        U is how far the length changes when every depth is one expanded uncertainty larger, what was not seen being
        taken as deeper, or smaller; and that each run ends anywhere within half a station. None where no relief tells
        it along the seam.
        """
        relief = self.result.relief
        series = [_ALONG[name] for name in names if name in _ALONG]
        if self.stopped or relief is None or relief.state != "measured" or not series or len(relief.s_mm) < 2:
            return None
        half = (relief.s_mm[-1] - relief.s_mm[0]) / (len(relief.s_mm) - 1) / 2

        def longest(way: float) -> tuple[float, int]:
            spans = []
            for name in series:
                told = zip(relief.s_mm, getattr(relief, name), relief.U_mm[name], strict=True)
                spans += _joined(
                    [
                        (s - half, s + half)
                        for s, value, U in told
                        if (way > 0 if value is None else value + way * (U or 0.0) > depth)
                    ]
                )
            return worst_length(spans, window)[0], len(spans)

        (length, runs), (most, _), (least, _) = longest(0.0), longest(1.0), longest(-1.0)
        ends = 2.0 * half * math.sqrt(2.0 * runs / 3.0)  # k = 2, of two ends a run
        return Quantity(value=length, U=math.hypot(max(most - length, length - least), ends))

    def _along(self, names: Iterable[str]) -> list[tuple[float, float, float]]:
        """Places, values and U that a relief tells along the seam of these measures."""
        relief = self.result.relief
        if self.stopped or relief is None or relief.state != "measured":
            return []
        series = [_ALONG.get(name, "crown_mm") for name in names if name in _WORST_ALONG]
        return [
            (s, value, U or 0.0)
            for name in series
            for s, value, U in zip(relief.s_mm, getattr(relief, name), relief.U_mm[name], strict=True)
            if value is not None
        ]

    def seen(self, kinds: Iterable[IndicationKind]) -> tuple[Indication, ...]:
        """Indications of these kinds, surest first; none from a photo that cannot be used."""
        if self.stopped:
            return ()
        wanted = set(kinds)
        found = (indication for indication in self.result.indications if indication.kind in wanted)
        return tuple(sorted(found, key=lambda indication: -indication.confidence))

    def how_seen(self, indication: Indication) -> Seen:
        """How an indication is worded: stated or denied by a person, surely read in the photo, or what it may be.

        Only who looked at the very place and found none denies it.
        """
        alone = sum(one.kind == indication.kind for one in self.result.indications) == 1
        looks = [name for name, gauge in gauges().items() if gauge.sees == indication.kind]
        said = [reading for reading in self.result.settings.gauge if reading.name in looks]
        there = [reading for reading in said if self.near(reading, indication)]
        if any(one.value > 0 for one in there) or (alone and any(one.value > 0 and one.at is None for one in said)):
            return "stated"
        if there:
            return "denied"
        least = self.detection.seen.get(indication.kind)
        sure = least is not None and indication.confidence >= least and self._toes_seen(indication)
        return "read" if sure else "perhaps"

    def _toes_seen(self, indication: Indication) -> bool:
        """Whether the toes are believed at half the stations or more along which an indication lies."""
        bead, begin, end = self.result.bead, indication.from_, indication.to
        if begin is None or end is None or len(bead.toe_confidence) != len(bead.s):
            return True
        along = [sure for s, sure in zip(bead.s, bead.toe_confidence, strict=True) if begin <= s <= end]
        return 2 * sum(sure >= self.detection.toe for sure in along) >= len(along)

    @cached_property
    def view(self) -> str | None:
        """Why the photo does not show both toes surely over the whole length, or None where it does."""
        result = self.result
        if self.stopped:
            return clause(self.stopped)
        for problem in result.photo.problems:
            if problem.code in _HIDING:
                return clause(problem.text)
        if self.girth:
            return "a photo shows a part of a pipe's seam only"
        if result.scale.state != "card":
            return "there is no scale in the photo"
        if result.bead.joint == "fillet" and len(result.scale.cards) < 2:
            return "only one of the fillet's plates has a card"
        if not (result.bead.start_seen and result.bead.end_seen):
            return "the bead runs out of the picture"
        stations = result.bead.toe_confidence
        if not stations:
            return "how surely the toes were seen is not known"
        share = sum(value >= self.detection.toe for value in stations) / len(stations)
        return None if share >= self.detection.toe_share else f"only {share:.0%} of the toes were seen surely"

    @cached_property
    def smallest_crack(self) -> str:
        """The finest crack that this photo could show."""
        scale = self.result.scale.px_per_mm
        if scale is None or not scale.value:
            return "how fine a one the photo could show is not known without a scale"
        finest = self.detection.crack_px / scale.value
        return f"one narrower than about {figure(finest, self.unit)} could not be seen"

    # What a person read or stated

    @property
    def unit(self) -> Unit:
        """The user's unit."""
        return self.result.settings.unit

    @cached_property
    def _readings(self) -> tuple[GaugeReading, ...]:
        return tuple(check_reading(reading) for reading in self.result.settings.gauge)

    def readings(self, name: str | None) -> tuple[GaugeReading, ...]:
        """Readings and statements of this name; a statement of none that covers it counts as one."""
        known = gauges()
        return tuple(
            reading for reading in self._readings if reading.name == name or name in known[reading.name].covers
        )

    def whole(self, name: str | None) -> tuple[GaugeReading, ...]:
        """Readings of this name that speak for the whole weld: those without a place."""
        return tuple(reading for reading in self.readings(name) if reading.at is None)

    def placed(self, name: str | None) -> tuple[GaugeReading, ...]:
        """Readings of this name that speak for one place only."""
        return tuple(reading for reading in self.readings(name) if reading.at is not None)

    def near(self, reading: GaugeReading, indication: Indication) -> bool:
        """Whether a reading was taken at this indication."""
        start, end = span(indication)
        if reading.at is None or start is None or end is None:
            return False
        slack = self.detection.place_mm
        return bool(start - slack <= reading.at <= end + slack)

    # What limits are made of

    @cached_property
    def values(self) -> Mapping[str, Quantity]:
        """The quantities a limit may name, mm."""
        settings = self.result.settings
        thinner = min(filter(None, (settings.thickness_mm, settings.second_thickness_mm)), default=None)
        thickness = _given(thinner, "the plate thickness is not given")
        half = math.radians((settings.joint_angle_deg or 90) / 2)
        size = settings.drawing_size_mm
        leg = size if size is None or settings.drawing_size_is == "leg" else size / math.cos(half)
        throat = size if size is None or settings.drawing_size_is == "throat" else size * math.cos(half)
        no_size = "the fillet's size on the drawing is not given"
        actual = min(self.whole("throat"), key=lambda reading: reading.value - (reading.U or 0), default=None)
        return {
            "t": thickness,
            "s": thickness if settings.weld_thickness_mm is None else Quantity(value=settings.weld_thickness_mm, U=0),
            "z": _given(leg, no_size),
            "a": _given(throat, no_size),
            "aA": unknown("the actual throat is not gauged")
            if actual is None
            else Quantity(value=actual.value, U=actual.U),
            "b": self._face_width(),
            "l": self._length(),
        }

    def _length(self) -> Quantity:
        """The whole weld's length, taped or, on a plate, as the photo shows it from end to end."""
        taped = next(iter(self.whole("weld_length")), None)
        if taped is not None:
            return Quantity(value=taped.value, U=taped.U)
        if self.girth:
            return unknown("the length of the whole seam, its girth, is not given")
        if not (self.result.bead.start_seen and self.result.bead.end_seen):
            return unknown("the bead runs out of the picture")
        return self.measure("length")

    def _face_width(self) -> Quantity:
        """Mean width of the weld face, on a fillet from toe to toe straight across.

        Where along it a height was gauged is not known, so its spread widens U.
        """
        fillet = self.result.settings.joint == "fillet"
        mean = self.measure("face_width" if fillet else "width_mean")
        if mean.value is None:
            return mean
        # a fillet's face is wider or narrower by no more than its legs are longer or shorter, taken together
        spreads = ("leg_base_sd", "leg_upright_sd") if fillet else ("width_sd",)
        spread = math.hypot(*(self.measure(name).value or 0 for name in spreads))
        return Quantity(value=mean.value, U=math.hypot(mean.U or 0, 2 * spread))

    def bound(self, line: Line, text: Expression, unit: str) -> tuple[Quantity, tuple[Need, ...]]:
        """What ``text`` of a line in its unit's column comes to, in mm, degrees or 1, with U from its quantities."""
        missing = self._missing(text.names)
        if missing:
            why = "; ".join(dict.fromkeys(self.values[name].why or "" for name in missing))
            return unknown(why, unit), tuple(map(ask, missing))
        factor = MM_PER_INCH if line.in_inches(self.unit) else 1.0
        out = factor if unit == "mm" else 1.0
        centre = self._numbers(text.names, factor)
        try:
            value = text.value(centre)
            U = 0.0
            for name in text.names:
                spread = (self.values[name].U or 0) / factor
                moved = (text.value({**centre, name: centre[name] + step}) for step in (-spread, spread))
                U = math.hypot(U, max(abs(other - value) for other in moved))
        except ValueError as error:
            return unknown(str(error), unit), ()
        return Quantity(value=value * out, U=U * out, unit=unit), ()

    def holds(self, when: Condition, *, inches: bool) -> tuple[bool | None, tuple[Need, ...]]:
        """Whether a condition holds: yes, no, or None where what it names is unknown or may lie on either side."""
        missing = self._missing(when.names)
        if missing:
            return None, tuple(map(ask, missing))
        factor = MM_PER_INCH if inches else 1.0
        centre = self._numbers(when.names, factor)
        answers = {when.holds(centre)}
        for name in when.names:
            spread = (self.values[name].U or 0) / factor
            if spread == 0:
                continue
            steps = (spread * step / _STEPS for step in range(-_STEPS, _STEPS + 1))
            answers |= {when.holds({**centre, name: centre[name] + step}) for step in steps}
        return (answers.pop() if len(answers) == 1 else None), ()

    def _missing(self, names: Iterable[str]) -> list[str]:
        return sorted(name for name in names if self.values[name].value is None)

    def _numbers(self, names: Iterable[str], factor: float) -> dict[str, float]:
        return {name: (self.values[name].value or 0.0) / factor for name in names}

    # What runs along the weld

    def under_throat(self, window: Quantity) -> Quantity | None:
        """Most length in any ``window`` where the legs' throat is under the drawing's; None where that is not known.

        Where the toes are not surely seen it is not taken as under. U is how much the length changes when the throat
        is one expanded uncertainty larger or smaller all along.
        """
        bead, nominal = self.result.bead, self.values["a"].value
        known = [
            (s, throat, U)
            for s, throat, U, seen in zip(bead.s, bead.throat, bead.throat_U, bead.toe_confidence, strict=False)
            if throat is not None and U is not None and seen >= self.detection.toe
        ]
        if self.stopped or window.value is None or nominal is None or len(known) < 2:
            return None
        half = (bead.s[-1] - bead.s[0]) / (len(bead.s) - 1) / 2
        length, large, small = (
            worst_length(
                _joined([(s - half, s + half) for s, throat, U in known if throat + way * U < nominal]), window.value
            )[0]
            for way in (0, 1, -1)
        )
        return Quantity(value=length, U=max(small - length, length - large))

    # Places to send a person to

    @cached_property
    def narrowest(self) -> float | None:
        """Seam coordinate where the bead is narrowest, so likely highest; its middle where that is not known."""
        bead = self.result.bead
        if not bead.s or not len(bead.s) == len(bead.left_toe) == len(bead.right_toe):
            length = self.measure("length").value
            return None if length is None else length / 2
        widths = [math.dist(left, right) for left, right in zip(bead.left_toe, bead.right_toe, strict=True)]
        edge = sum(widths) / len(widths)
        body = [i for i, s in enumerate(bead.s) if bead.s[0] + edge <= s <= bead.s[-1] - edge] or range(len(widths))
        return bead.s[min(body, key=lambda i: widths[i])]


def span(indication: Indication) -> tuple[float | None, float | None]:
    """Where an indication lies along the seam, mm."""
    start = indication.from_ if indication.from_ is not None else indication.to
    end = indication.to if indication.to is not None else indication.from_
    return start, end


def uncounted(indication: Indication) -> bool:
    """Whether it is a ball of spatter smaller than the count of spatter takes in."""
    size = indication.size.value if indication.size is not None else None
    return indication.kind == "spatter" and size is not None and size < IndicationFigures.read().spatter.counted


def middle(indication: Indication) -> float | None:
    """The middle of an indication along the seam, mm."""
    start, end = span(indication)
    return None if start is None or end is None else (start + end) / 2


def _joined(spans: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans in their order, those that touch made one; places are given to a thousandth."""
    out: list[tuple[float, float]] = []
    for start, end in spans:
        if out and start - out[-1][1] < 0.01:
            out[-1] = out[-1][0], end
        else:
            out.append((start, end))
    return out


def ask(name: str) -> Need:
    """What to ask for where a quantity is not known."""
    if name == "aA":
        return Need(Step.GAUGE, name="throat")
    setting = _SETTINGS.get(name)
    return Need(Step.SETTING if setting else Step.PHOTO, _ASK[name], setting=setting)


def _given(value: float | None, why: str) -> Quantity:
    return unknown(why) if value is None else Quantity(value=value, U=0)
