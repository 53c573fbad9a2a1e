"""Coaching: one change at a time, in the order a good instructor would try, with a figure where there is one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from toeline.causes.chart import Sign, Trouble
from toeline.causes.figures import CoachingWords, RankingFigures
from toeline.causes.ranking import Ranked, Ranking
from toeline.causes.remedies import Action, Advice, Circumstances, EndOfRun, Topic, remedies
from toeline.causes.signs import Reading, crater_place, size_of
from toeline.causes.welding import SettingFault, SettingsCheck, check_result
from toeline.evidence.evidence import Evidence
from toeline.evidence.gauge import gauges
from toeline.names import PLATES
from toeline.result import CauseId, Coaching, JudgedLine, Question, Result
from toeline.text import capital, either
from toeline.units import in_unit, length, span

MOST_QUESTIONS = 3
#: A cause gives a sign that it makes this many times more usual.
_SHOWS = 4.0
#: Which way a fault's remedy moves the current.
_FAULT_WAYS = {"current_low": 1, "current_high": -1, "plate": -1}


def _rounded(current: float, share: float) -> str:
    """A changed current as a machine is set: to 5 A, or to 1 A where 5 A would be no change."""
    wanted = current * (1 + share)
    step = 5 if abs(current * share) >= 4 else 1
    return f"{round(wanted / step) * step:.0f}"


def _current_changes(current: float, check: SettingsCheck) -> dict[str, str]:
    """How to raise or lower a current, as the words after "raise the current"; never out of what rod and plate take."""
    span, plate = check.current_range, check.most_for_plate_a
    low, high = (span.low_a, span.high_a) if span else (0.0, math.inf)
    whose = f"the high end of {span.whose} range" if span else ""
    if plate is not None and plate < high:
        high, whose = plate, "the most that this plate takes"
    if span and current < low:
        low_end = f"from {current:.0f} to {low:.0f} A, the low end of {span.whose} range"
        return {"current_raised": low_end, "current_raised_little": low_end}
    if current > high:
        return {"current_lowered": f"from {current:.0f} to {high:.0f} A, {whose}"}

    def change(*shares: float) -> str:
        to = "-".join(dict.fromkeys(_rounded(current, share) for share in shares))
        return f"from {current:.0f} to {to} A"

    known = {}
    if current * 1.05 <= high:
        known["current_raised"] = f"5 to 10 %: {change(0.05, 0.10)}"
        known["current_raised_little"] = f"5 %: {change(0.05)}"
    if current * 0.95 >= low:
        known["current_lowered"] = f"5 to 10 %: {change(-0.10, -0.05)}"
    return known


@dataclass(frozen=True)
class Coach:
    """A result and what was ranked for it, from which every piece of advice on one sheet is drawn."""

    result: Result
    ranking: Ranking

    @cached_property
    def check(self) -> SettingsCheck:
        """What the settings say by themselves."""
        return check_result(self.result)

    @cached_property
    def here(self) -> Circumstances:
        """The circumstances that decide an action's words."""
        settings, rod = self.result.settings, self.check.rod
        return Circumstances(
            joint=settings.joint,
            family=rod.family if rod else None,
            dragged=bool(rod and rod.dragged),
            position=self.check.position.name if self.check.position else None,
            technique=settings.welding.technique,
            end=self._end_of_run(),
        )

    def _end_of_run(self) -> EndOfRun | None:
        """How the run was ended: as it was noticed, else by where a hollow crater lies."""
        noticed = self.result.settings.welding.noticed.get("end_of_run")
        if noticed in ("pulled_off", "drawn_back"):
            return "pulled_off" if noticed == "pulled_off" else "drawn_back"
        back = crater_place(self.result)
        if back is None:
            return None
        return "drawn_back" if back >= CoachingWords.read().crater.drawn_back else "pulled_off"

    @cached_property
    def figures(self) -> dict[str, str]:
        """The figures that are known whatever the trouble, by placeholder."""
        settings, unit, check = self.result.settings, self.result.settings.unit, self.check
        weld, angles = settings.welding, CoachingWords.read().work_angle
        lies = angles.horizontal if self.here.position == "horizontal" else angles.other
        known = {"work_angle": angles.fillet if settings.joint == "fillet" else lies}
        if weld.electrode_mm:
            known["weave_limit"] = length(2.5 * weld.electrode_mm, unit)
            share = 1.0 if check.arc_share is None else check.arc_share
            if share > 0:
                known["arc"] = length(weld.electrode_mm * share, unit)
                known["arc_share"] = "the core diameter" if share == 1 else "half the core diameter"
        if weld.current_a:
            known |= _current_changes(weld.current_a, check)
        if check.polarity:
            known["polarity"] = either(check.polarity)
        if check.travel_mm_min and check.usual_travel_mm_min:
            low, high = check.usual_travel_mm_min
            usual = f"{span(low, high, unit)} is usual for this rod"
            speed = f"{length(check.travel_mm_min, unit)} a minute; {usual}"
            if check.travel_mm_min < low:
                known["speed_under"] = speed
            elif check.travel_mm_min > high:
                known["speed_over"] = speed
        known |= self._sides()
        restart = next((i.from_ for i in self.result.indications if i.kind == "poor_restart" and i.from_), None)
        stated = (r.at for r in settings.gauge if r.name == "restarts" and r.value > 0 and r.at is not None)
        restart = next(stated, restart)
        if restart is not None:
            known["restart_at"] = f"{length(restart, unit)} from the start"
        return known

    def _sides(self) -> dict[str, str]:
        """What the arc was probably pointed at, and the other side: by a fillet's legs, else by one-sided undercut."""
        by_sign = {reading.sign: reading for reading in self.ranking.readings}
        undercut, legs = by_sign.get("undercut"), by_sign.get("legs")
        if legs and legs.state == "unequal":
            base, upright = (self._leg(name) for name in ("leg_base", "leg_upright"))
            short, longer = ("upright", "base") if base > upright else ("base", "upright")
            return {"short": PLATES[short], "side": PLATES[longer], "other": PLATES[short]}  # type: ignore[index]
        if undercut is None or not undercut.side or undercut.state == "both_toes":
            return {}
        here = (i.plate for i in self.result.indications if i.kind == "undercut" and i.side == undercut.side)
        plate = next((each for each in here if each), None)
        if plate is not None:
            return {"side": PLATES[plate], "other": PLATES["upright" if plate == "base" else "base"]}
        other = "right" if undercut.side == "left" else "left"
        seen_from = "looking along the travel" if self.result.bead.travel == "known" else "as marked in the picture"
        return {"side": f"{undercut.side} toe, {seen_from}", "other": f"{other} side"}

    def _leg(self, name: str) -> float:
        """Mean of a leg, as measured or else gauged, mm."""
        measured = self.result.measures.get(name)
        if measured is not None and measured.value is not None:
            return measured.value
        return next((r.value for r in self.result.settings.gauge if r.name == name), 0.0)

    def advice(self, names: Iterable[str], trouble: Trouble | None = None) -> list[Advice]:
        """Actions in words, in their order: each variable is moved once, and what cannot be said is left out.

        A change of current that would leave what rod and plate take is left out, unless nothing else is to be tried.
        """
        figures = self.figures | ({"where": trouble.where} if trouble and trouble.where else {})
        said: list[Advice] = []
        last: list[Advice] = []
        for name in names:
            action = remedies().actions[name]
            words = action.words(self.here)
            text = words.spoken(figures)
            if text is None or any(action.variable and action.variable == a.action.variable for a in said):
                continue
            no_room = self.result.settings.welding.current_a and action.variable == "current" and words.lacks(figures)
            (last if no_room else said).append(Advice(action, in_unit(text, self.result.settings.unit)))
        return said or last

    @cached_property
    def faults(self) -> list[Advice]:
        """What puts the settings right, the first thing first."""
        return [
            Advice(
                Action(
                    id=f"setting_{fault.kind}",
                    say="",
                    variable="current" if fault.kind in _FAULT_WAYS else None,
                    way=_way(fault),
                ),
                fault.do,
            )
            for fault in self.check.faults
        ]

    @cached_property
    def tries(self) -> dict[CauseId, list[Advice]]:
        """What to try against each cause, most likely first; nothing goes against what stands before it on the sheet.

        The first thing against a rival of the first cause stays: which of them holds is to be found out.
        """
        ranked = self.ranking.ranked
        given: list[Advice] = list(self.faults)
        out: dict[CauseId, list[Advice]] = {}
        for each in ranked:
            mine = self.advice(each.trouble.try_, each.trouble)
            spared = mine[:1] if ranked and each.cause in ranked[0].rivals and not mine[0].against(self.faults) else []
            mine = [one for one in mine if one in spared or not one.against(given)]
            out[each.cause] = mine
            given += mine
        return out

    def practise(self, topics: Sequence[Topic | None]) -> list[Advice | None]:
        """What to do about each topic, in their order: as against the likeliest cause that shows so, else by the
        topic's own list, never against the sheet or against what was said of a topic before."""
        given = [*self.faults, *(one for tries in self.tries.values() for one in tries)]
        out: list[Advice | None] = []
        for topic in topics:
            best = self._against_cause(topic) if topic else None
            if topic and best is None and not self.waits(topic):
                best = next((one for one in self.advice(topic.actions) if not one.against(given)), None)
            out.append(best)
            given += [best] if best else []
        return out

    def _gives(self, one: Ranked, topic: Topic) -> bool:
        """Whether a cause gives what the topic is about."""
        return any(
            one.trouble.states[sign][state] > _SHOWS * self.ranking.rules.usual(sign)[state]
            for sign, states in topic.signs.items()
            for state in states
        )

    def _against_cause(self, topic: Topic) -> Advice | None:
        """The first thing to try against the likeliest cause that gives what the topic is about."""
        for each in self.ranking.ranked:
            if not each.rivals and self.tries[each.cause] and self._gives(each, topic):
                return self.tries[each.cause][0]
        return None

    def waits(self, topic: Topic) -> bool:
        """Whether it waits for the look that tells apart the causes that give it: two of them at least."""
        tied = self.ranking.ranked[:1] and self.ranking.ranked[0].rivals
        return bool(tied) and sum(bool(e.rivals) and self._gives(e, topic) for e in self.ranking.ranked) > 1

    @cached_property
    def failing(self) -> tuple[tuple[JudgedLine, Advice | None], ...]:
        """The criteria lines that fail, each with what to do about it."""
        judgement = self.result.judgement
        lines = [line for line in judgement.lines if line.outcome == "fail"] if judgement else []
        said = self.practise([remedies().topic_of(line.iso6520, line.of) for line in lines])
        return tuple(zip(lines, said, strict=True))

    def seeming(self, one: Ranked) -> Reading | None:
        """What a cause mostly rests on, where that is something that the photo only seems to show."""
        reading = self.ranking.leading(one)
        sign = self.ranking.rules.signs[reading.sign] if reading else None
        if reading is None or sign is None or not sign.seen or not reading.open:
            return None
        kind = gauges()[(sign.takes(self.result.settings.joint) or "").removeprefix("gauge.")].sees
        evidence, seen = Evidence(self.result), (i for i in self.result.indications if i.kind == kind)
        return reading if all(evidence.how_seen(each) == "perhaps" for each in seen) else None

    # the questions

    def questions(self, among: Sequence[Ranked]) -> list[Question]:
        """What is worth asking to tell these causes apart, the most telling first; only what can be taken in.

        Most telling is the sign that is expected to say most about which of them holds (their mutual information).
        """
        rules, joint = self.ranking.rules, self.result.settings.joint
        known = {reading.sign for reading in self.ranking.readings if not reading.open}
        least = RankingFigures.read().worth_asking
        asked = [
            (_told(sign, among), sign) for sign in rules.signs.values() if sign.takes(joint) and sign.id not in known
        ]
        able = [one for one in asked if one[0] >= least]
        telling = sorted(able, key=lambda one: -round(one[0], 9))  # ties as charted
        return [self.question(sign) for _, sign in telling[:MOST_QUESTIONS]]

    def question(self, sign: Sign) -> Question:
        """A sign as a question, with what takes its answer in."""
        takes = sign.takes(self.result.settings.joint) or ""
        if takes == "current_a" and self.result.settings.welding.current_a is not None:
            takes = "box_range_a"  # the current is known: what is missing is the range it belongs to
        answers = {state: capital(says) for state, says in sign.says.items()} if takes == "noticed" else {}
        return Question(sign=sign.id, ask=sign.ask, input=takes, answers=answers)


def _way(fault: SettingFault) -> Any:
    return _FAULT_WAYS.get(fault.kind, 0)


def _told(sign: Sign, among: Sequence[Ranked]) -> float:
    """The mutual information, in nats, of a sign and which of these troubles holds, as likely as they are ranked."""
    whole = sum(each.share for each in among)
    mean = {s: sum(each.share * each.trouble.states[sign.id][s] for each in among) / whole for s in sign.states}
    return sign.weight * sum(
        each.share / whole * p * math.log(p / mean[state])
        for each in among
        for state, p in each.trouble.states[sign.id].items()
    )


def write_coaching(coach: Coach) -> Coaching:
    """The coaching sheet: one thing first, the reasons, what comes after, what to find out, cautions."""
    data, result, ranked = CoachingWords.read(), coach.result, coach.ranking.ranked
    tied = [ranked[0], *(each for each in ranked if each.cause in ranked[0].rivals)] if ranked else []
    questions = coach.questions(ranked) if len(ranked) > 1 else []
    asks: list[Question] = coach.questions(tied) if len(tied) > 1 else questions
    given: list[Advice] = []
    first_is, first, why = "keep", data.good, list[str]()
    then: list[str] = []
    if ranked:
        first_is, why, then = "change", list(coach.ranking.evidence(ranked[0])), []
        mine = coach.tries[ranked[0].cause]
        if len(tied) > 1:
            first, first_is, then = _find_out(coach, tied, asks)
            given += [one for each in tied for one in coach.tries[each.cause][:1]]
        elif mine and (seems := coach.seeming(ranked[0])) is not None:
            sign, given = coach.ranking.rules.signs[seems.sign], [*given, *mine]
            first_is = "look"
            first = f"Find out {sign.ask}. The photo only seems to show {sign.says[seems.state]} ({seems.figure})."
            then = [f"If it is there: {mine[0].text}", *(one.text for one in mine[1:])]
            asks = [coach.question(sign), *(each for each in asks if each.sign != sign.id)][:MOST_QUESTIONS]
        elif mine:
            first, then, given = mine[0].text, [one.text for one in mine[1:]], [*given, *mine]
        else:
            first, first_is = data.unsure, "look"
    elif coach.ranking.doubtful is not None:
        doubtful = coach.ranking.doubtful
        first, first_is = f"Look for {doubtful.says} ({doubtful.figure}), and change nothing before that.", "look"
        sign = coach.ranking.rules.signs[doubtful.sign]
        asks = [coach.question(sign)] if sign.takes(result.settings.joint) else []
    elif not coach.ranking.all_well:
        first, first_is = data.unsure, "look"
    failed = _failing(coach, given)
    if failed and first_is in ("keep", "look") and len(tied) < 2:
        if first_is == "look":
            failed = [*failed, (first, None)]
        first, first_is = failed[0][0], "change"
        failed, why = failed[1:], [f"{line.imperfection} fails: {line.why}" for line, _ in coach.failing]
    stops = next(((text, advice) for text, advice in failed if advice and advice.action.stops), None)
    if stops is not None:
        then = [*([first] if first_is != "keep" else []), *then]
        failed, first_is = [one for one in failed if one != stops], "change"
        first, stop = stops
        why = [f"{line.imperfection} fails: {line.why}" for line, advice in coach.failing if advice == stop]
        given.append(stop)
    given += [advice for _, advice in failed if advice]
    others = [each for each in ranked if each not in tied]
    also = [f"{capital(e.trouble.title)}: {coach.tries[e.cause][0].text}" for e in others if coach.tries[e.cause]]
    given += [one for each in others for one in coach.tries[each.cause][:1]]
    if coach.faults:
        then = [one.text for one in coach.faults[1:]] + ([first] if first_is != "keep" else []) + then
        first, first_is, why = coach.faults[0].text, "setting", [fault.says for fault in coach.check.faults]
    elif not why and coach.ranking.why_none:
        why = [coach.ranking.why_none]
    return Coaching.model_validate(
        {
            "first": first,
            "first_is": first_is,
            "why": tuple(why),
            "then": tuple(dict.fromkeys(text for text in then if text != first)),
            "also": tuple(dict.fromkeys(also)),
            "failing": tuple(text for text, _ in failed),
            "asks": tuple(asks),
            "repeat": data.repeat,
            "cautions": _cautions(coach, given),
        }
    )


def _find_out(coach: Coach, tied: Sequence[Ranked], asks: Sequence[Question]) -> tuple[str, str, list[str]]:
    """The observation that tells rivals apart as the first thing, and what each outcome then asks for."""
    tries = {each.cause: coach.tries[each.cause][0].text if coach.tries[each.cause] else "" for each in tied}
    titles = {each.cause: each.trouble.title for each in tied}
    if not asks:
        alike = CoachingWords.read().alike
        rest = [each.cause for each in tied[1:] if tries[each.cause]]
        then = [f"If it is no better ({titles[cause]}): {tries[cause]}" for cause in rest]
        return f"{capital(' or '.join(titles.values()))}. {alike} {tries[tied[0].cause]}", "change", then
    sign = coach.ranking.rules.signs[asks[0].sign]
    by_state: dict[str, list[Ranked]] = {}
    for each in tied:
        by_state.setdefault(_own_state(coach, sign, each, tied), []).append(each)
    then = []
    for state, pointed in by_state.items():
        to = " or ".join(titles[each.cause] for each in pointed)
        then.append(f"{capital(sign.says[state])} points to {to}. {tries[pointed[0].cause]}".strip())
    *some, last = titles.values()
    return f"Find out {asks[0].ask}. That helps to tell {', '.join(some)} and {last} apart.", "look", then


def _own_state(coach: Coach, sign: Sign, one: Ranked, among: Sequence[Ranked]) -> str:
    """The state of a sign that speaks most for one of several troubles; the usual one where none does."""
    usual, mine = coach.ranking.rules.usual(sign.id), one.trouble.states[sign.id]
    others = [each for each in among if each is not one]
    own = [state for state in sign.states if mine[state] > 2 * usual[state]]
    return max(own, key=lambda s: mine[s] / max(e.trouble.states[sign.id][s] for e in others), default=sign.usual)


def _failing(coach: Coach, given: Sequence[Advice]) -> list[tuple[str, Advice | None]]:
    """What the failing lines ask for that is not said yet, in words."""
    said = {one.text for one in given}
    out: dict[str, Advice | None] = {}
    for line, advice in coach.failing:
        topic = remedies().topic_of(line.iso6520, line.of)
        if advice is None and topic is not None and coach.waits(topic):
            out.setdefault(f"{line.imperfection} fails: what to change follows from what is found out first.", None)
        elif advice is None:
            out.setdefault(f"{line.imperfection} fails: put that right before anything else.", None)
        elif advice.text not in said:
            out.setdefault(f"{line.imperfection} fails: {advice.text}", advice)
    return list(out.items())


def _cautions(coach: Coach, given: Iterable[Advice]) -> tuple[str, ...]:
    """The cautions of every sheet, then those of what this one tells to do."""
    data, names = CoachingWords.read(), {one.action.id for one in given}
    faults = {fault.kind for fault in coach.check.faults}
    always = [each.text for each in data.caution if each.always]
    called_for = [
        each.text
        for each in data.caution
        if names & set(each.actions) or faults & set(each.faults) or coach.here.position in each.positions
    ]
    shade, amps = data.shade, coach.result.settings.welding.current_a
    step = next((to for upto, to in shade.steps if amps is not None and amps <= upto), None)
    glass = shade.without if step is None else shade.text.format(shade=step)
    return (*called_for, *always[:1], glass, *always[1:])


def _settings_lines(check: SettingsCheck, result: Result) -> tuple[str, ...]:
    """What the settings say, in plain words, held against what was measured."""
    unit, lines = result.settings.unit, list(check.notes)
    if check.starting_current_a:
        low, high = check.starting_current_a
        figure = f"{low:.0f} A" if round(low) == round(high) else f"{low:.0f} to {high:.0f} A"
        lines.append(f"A first setting to try: {figure} ({'; '.join(check.starting_why)}).")
    if check.arc_share == 0:
        lines.append("This rod is dragged: let its coating touch the plate.")
    elif check.arc_mm:
        lines.append(f"Arc length for this rod: about {length(check.arc_mm, unit)}.")
    if check.travel_mm_min:
        lines.append(f"Travel speed: {length(check.travel_mm_min, unit)} a minute.")
    if check.arc_energy_kj_mm is not None and check.heat_input_kj_mm is not None:
        per = 25.4 if unit == "in" else 1.0
        lines.append(
            f"Arc energy {check.arc_energy_kj_mm * per:.3g} kJ/{unit}, heat input {check.heat_input_kj_mm * per:.3g} "
            f"kJ/{unit}."
        )
    if check.expected_size_mm is not None:
        what = "leg" if result.settings.joint == "fillet" else "width"
        size = size_of(result)
        measured = f"; it measures {length(size[0], unit)}" if size else ""
        lines.append(f"These settings should give a {what} of about {length(check.expected_size_mm, unit)}{measured}.")
    if check.position:
        place = check.position
        lines.append(f"Position: {place.name} ({place.aws}, {place.iso}), {place.source}.")
    return tuple(lines)


def advice_of(result: Result) -> dict[str, Any]:
    """The ``advice`` of a result: what its settings say, as figures and as lines; empty where none were given."""
    check = check_result(result)
    lines = _settings_lines(check, result)
    figures = check.model_dump(mode="json", exclude_defaults=True, exclude={"procedure"})
    return {"settings": figures, "settings_lines": list(lines)} if figures else {}
