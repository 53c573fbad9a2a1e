"""A fillet's sizes along the weld as a chart, beside what the drawing asks for."""

from __future__ import annotations

import altair as alt
import pandas as pd
import streamlit as st

from toeline.result import Result
from toeline.units import Unit, convert, length
from toeline_app import ui

#: Of the Okabe and Ito set, dark enough on white and light enough on the dark page; the dashes say it too.
_LOOKS = {
    "Leg, base plate": ("#D55E00", (1, 0)),
    "Leg, upright": ("#3A8FC7", (8, 3)),
    "Throat": ("#009E73", (2, 2)),
    "Drawing": ("#7f8c99", (12, 4)),
}


def sizes_along(result: Result, unit: Unit) -> None:
    """Both legs along the weld, or nothing where they are not known.

    A size that the drawing gives is a level line; where it gives a throat, the theoretical throat is drawn too.
    """
    bead, said = result.bead, result.settings
    if not bead.leg_base:
        return
    by_throat = said.drawing_size_mm is not None and said.drawing_size_is == "throat"
    drawn = [bead.leg_base, bead.leg_upright, bead.throat if by_throat else ()]
    rows = [
        {"along": _in(s, unit), "size": _in(mm, unit), "what": name}
        for name, sizes in zip(_LOOKS, drawn, strict=False)
        for s, mm in zip(bead.s, sizes, strict=False)
    ]
    if said.drawing_size_mm is not None:
        rows += [
            {"along": _in(s, unit), "size": _in(said.drawing_size_mm, unit), "what": "Drawing"}
            for s in (bead.s[0], bead.s[-1])
        ]
    shown = [name for name in _LOOKS if any(row["what"] == name for row in rows)]
    colours, dashes = zip(*(_LOOKS[name] for name in shown), strict=True)
    title = "Legs and throat along the weld" if by_throat else "Legs along the weld"
    chart = (
        alt.Chart(pd.DataFrame(rows))
        .mark_line(strokeWidth=2, invalid="break-paths-show-domains")
        .encode(
            x=alt.X("along:Q", title=f"From the start ({unit})", scale=alt.Scale(nice=False)),
            y=alt.Y("size:Q", title=f"Size ({unit})", scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=5)),
            color=alt.Color("what:N", scale=alt.Scale(domain=shown, range=colours), title=None),
            strokeDash=alt.StrokeDash("what:N", scale=alt.Scale(domain=shown, range=dashes), title=None),
        )
        .properties(
            height=300, usermeta=ui.AS_SVG, description=f"{title}; the least of each stands in the table below."
        )
        .configure_legend(orient="top", columns=2, symbolSize=400, labelLimit=0)
    )
    st.markdown(f"**{title}**")
    st.altair_chart(chart, width="stretch")
    asked = ""
    if said.drawing_size_mm is not None:
        asked = f" The drawing asks for a {said.drawing_size_is} of {length(said.drawing_size_mm, unit)}."
    st.text(f"Both ends are left out, as in the measures.{asked}")


def _in(mm: float | None, unit: Unit) -> float | None:
    return None if mm is None else convert(mm, "mm", unit)[0]
