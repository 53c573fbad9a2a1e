"""How a welder or a procedure goes over time; each point opens its inspection."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import altair as alt
import pandas as pd
import streamlit as st

from toeline.measures.registry import MEASURES, title_of
from toeline.record import TrendPoint
from toeline.result import Joint
from toeline.units import Unit, convert, in_unit
from toeline.units import rod as rod_size
from toeline_app import components, prefs, ui
from toeline_app.service import recording
from toeline_app.views.bench import JOINTS

#: What can be followed beside the measures of the registry.
_MORE = {"undercut_per_100mm": "Undercut per 100 mm", "outcome": "Outcomes"}
#: An even width is what a hand learns first.
_FIRST = {"bead": "width_sd", "butt": "width_sd", "fillet": "leg_base"}
#: Up to so many days each has its own mark on the axis.
MOST_DAYS = 8
_SHAPES = {"pass": "circle", "fail": "cross", "undecided": "triangle-up", "measured": "square"}
#: Of the Okabe and Ito set, dark enough on white and light enough on the dark page; the shape says it too.
_COLOURS = {"pass": "#009E73", "fail": "#D55E00", "undecided": "#B8860B", "measured": "#3A8FC7"}


def page() -> None:
    """The page."""
    st.title("Trends")
    welder = st.selectbox("Welder", recording.people_and_procedures("welder"), index=None, placeholder="All welders")
    procedure = st.selectbox(
        "Welding procedure", recording.people_and_procedures("procedure"), index=None, placeholder="All procedures"
    )
    every = recording.trend("length", welder, procedure)
    if not every:
        st.info(
            "There is nothing on record to show yet. Save inspections from the page Measure, or a class of coupons."
        )
        return
    joint, rod = _kind(every)
    choices = _choices(joint)
    first = list(choices).index(_FIRST[joint])
    measure = st.selectbox("What", list(choices), first, format_func=choices.__getitem__, key=f"trend_of_{joint}")
    points = every if measure == "outcome" else recording.trend(measure, welder, procedure)
    same = [point for point in points if (point.joint, point.electrode_mm) == (joint, rod)]
    shown = [point for point in same if measure == "outcome" or point.value is not None]
    if not shown:
        st.info("None of these inspections has that measure.")
        return
    _plot(shown, measure, choices[measure], prefs.preferences().unit)
    _open(shown)


def _kind(points: Sequence[TrendPoint]) -> tuple[Joint, float | None]:
    """One joint and one rod at a time, the most frequent first: others are no trend of a hand."""
    unit = prefs.preferences().unit
    joints = [joint for joint, _ in Counter(point.joint for point in points).most_common()]
    joint = joints[0] if len(joints) == 1 else st.selectbox("Joint", joints, format_func=JOINTS.__getitem__)
    rods = [rod for rod, _ in Counter(p.electrode_mm for p in points if p.joint == joint).most_common()]
    if len(rods) == 1:
        rod = rods[0]
        st.text(f"{JOINTS[joint]}, core diameter of the rod: {_rod(rod, unit).lower()}.")
        return joint, rod
    place = st.selectbox(
        "Core diameter of the rod",
        range(len(rods)),
        format_func=lambda i: _rod(rods[i], unit),
        key=f"trend_rod_{joint}",
    )
    return joint, rods[place or 0]


def _rod(mm: float | None, unit: Unit) -> str:
    return "Not said" if mm is None else rod_size(mm, unit)


def _choices(joint: Joint) -> dict[str, str]:
    """Every measure of this joint, those that say something about a hand first."""
    names = sorted(
        (name for name, one in MEASURES.items() if joint in one.joints), key=lambda name: not MEASURES[name].trend
    )
    unit = prefs.preferences().unit
    return {name: in_unit(title, unit) for name, title in ({name: title_of(name) for name in names} | _MORE).items()}


def _plot(points: list[TrendPoint], measure: str, title: str, unit: Unit) -> None:
    frame = pd.DataFrame([_as_row(point, unit) for point in points])
    known = list(_SHAPES)
    marks = {
        "shape": alt.Shape("outcome:N", scale=alt.Scale(domain=known, range=list(_SHAPES.values())), title="Outcome"),
        "color": alt.Color("outcome:N", scale=alt.Scale(domain=known, range=list(_COLOURS.values())), title="Outcome"),
        "tooltip": ["number", "day", "value", "U", "outcome"],
    }
    days = alt.Axis(format="%Y-%m-%d", labelAngle=-40, labelOverlap=True, tickCount={"interval": "day", "step": 1})
    days = days if len({point.at for point in points}) < MOST_DAYS else alt.Axis(format="%Y-%m-%d", labelAngle=-40)
    across = alt.X("day:T", title="Day", axis=days, scale=alt.Scale(type="utc", nice="day"))
    pick = alt.selection_point(name="picked", fields=["id"], on="click")
    dots = alt.Chart(frame).mark_point(size=200, filled=True, opacity=1)
    if measure == "outcome":
        up = alt.Y("outcome:N", title=None, sort=known)
        chart: alt.Chart | alt.LayerChart = dots.encode(x=across, y=up, **marks).add_params(pick)
    else:
        shown_unit = frame["unit"].iloc[0]
        name = title + (f" ({shown_unit})" if shown_unit not in ("1", "") else "")
        up = alt.Y("value:Q", title=name, scale=alt.Scale(zero=False))
        bars = alt.Chart(frame).mark_rule(color="#7f8c99").encode(x=across, y="low:Q", y2="high:Q")
        chart = bars + dots.encode(x=across, y=up, **marks).add_params(pick)
    chart = chart.properties(height=380, usermeta=ui.AS_SVG).configure_legend(orient="top", columns=2)
    event = st.altair_chart(chart, width="stretch", on_select="rerun", selection_mode="picked", key=f"trend_{measure}")
    st.text(("" if measure == "outcome" else "Bars show U (k = 2). ") + "Tap a point to open its inspection.")
    chosen = event["selection"].get("picked") or []
    if chosen:
        st.switch_page(components.page("record"), query_params={"inspection": str(chosen[0]["id"])})


def _as_row(point: TrendPoint, unit: Unit) -> dict[str, object]:
    value, shown_unit = convert(point.value or 0.0, point.unit, unit)
    spread, _ = convert(point.U or 0.0, point.unit, unit)
    return {
        "id": point.inspection,
        "order": point.number,
        "number": point.number,
        "day": point.at,
        "value": value,
        "U": spread,
        "low": value - spread,
        "high": value + spread,
        "unit": shown_unit,
        "outcome": point.outcome or "measured",
    }


def _open(points: list[TrendPoint]) -> None:
    """The same points as a list, for a keyboard or a screen reader."""
    with ui.fold("list", f"The {len(points)} inspections as a list", "list"):
        for point in reversed(points):
            value = "" if point.value is None else f" · {point.value:.2f} {point.unit if point.unit != '1' else ''}"
            label = f"{ui.outcome_word(point.outcome)} · Entry {point.number}, {point.at}{value}"
            if ui.button(label, key=f"trend_{point.inspection}"):
                st.switch_page(components.page("record"), query_params={"inspection": point.inspection})
