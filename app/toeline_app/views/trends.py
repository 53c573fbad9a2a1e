"""How a welder or a procedure goes over time; each point opens its inspection."""

from __future__ import annotations

import altair as alt
import pandas as pd
import streamlit as st

from toeline.measures.registry import ids, title_of
from toeline.record import TrendPoint
from toeline.units import Unit, convert
from toeline_app import components, prefs, service, ui

#: What can be followed: the measures of the registry that say something about a hand, a rate, and the outcomes.
CHOICES = {
    **{name: title_of(name) for name in ids(trend=True)},
    "undercut_per_100mm": "Undercut per 100 mm",
    "outcome": "Outcomes",
}
#: An even width is what a hand learns first.
_FIRST = list(CHOICES).index("width_sd")
_SHAPES = {"pass": "circle", "fail": "cross", "undecided": "triangle-up", "measured": "square"}
#: Of the Okabe and Ito set, dark enough on white and light enough on the dark page; the shape says it too.
_COLOURS = {"pass": "#009E73", "fail": "#D55E00", "undecided": "#B8860B", "measured": "#3A8FC7"}


def page() -> None:
    """The page."""
    st.title("Trends")
    welder = st.selectbox("Welder", service.people_and_procedures("welder"), index=None, placeholder="All welders")
    procedure = st.selectbox(
        "Welding procedure", service.people_and_procedures("procedure"), index=None, placeholder="All procedures"
    )
    measure = st.selectbox("What", list(CHOICES), _FIRST, format_func=CHOICES.__getitem__)
    points = service.trend("width_mean" if measure == "outcome" else measure, welder, procedure)
    shown = [point for point in points if measure == "outcome" or point.value is not None]
    if not shown:
        st.info("There is nothing on record to show yet. Save inspections from the page Measure.")
        return
    _plot(shown, measure, prefs.preferences().unit)
    _open(shown)


def _plot(points: list[TrendPoint], measure: str, unit: Unit) -> None:
    frame = pd.DataFrame([_as_row(point, unit) for point in points])
    known = list(_SHAPES)
    marks = {
        "shape": alt.Shape("outcome:N", scale=alt.Scale(domain=known, range=list(_SHAPES.values())), title="Outcome"),
        "color": alt.Color("outcome:N", scale=alt.Scale(domain=known, range=list(_COLOURS.values())), title="Outcome"),
        "tooltip": ["number", "day", "value", "U", "outcome"],
    }
    across = alt.X("order:O", title="Inspection, oldest first", axis=alt.Axis(labels=False, ticks=False))
    pick = alt.selection_point(name="picked", fields=["id"], on="click")
    dots = alt.Chart(frame).mark_point(size=200, filled=True, opacity=1)
    if measure == "outcome":
        up = alt.Y("outcome:N", title=None, sort=known)
        chart: alt.Chart | alt.LayerChart = dots.encode(x=across, y=up, **marks).add_params(pick)
    else:
        shown_unit = frame["unit"].iloc[0]
        name = CHOICES[measure] + (f" ({shown_unit})" if shown_unit not in ("1", "") else "")
        up = alt.Y("value:Q", title=name, scale=alt.Scale(zero=False))
        bars = alt.Chart(frame).mark_rule(color="#7f8c99").encode(x=across, y="low:Q", y2="high:Q")
        chart = bars + dots.encode(x=across, y=up, **marks).add_params(pick)
    chart = chart.properties(height=320, usermeta=ui.AS_SVG).configure_legend(orient="top", columns=2)
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
            if st.button(label, key=f"trend_{point.inspection}", width="stretch"):
                st.switch_page(components.page("record"), query_params={"inspection": point.inspection})
