"""What a photo cannot show, and who decides."""

from __future__ import annotations

import streamlit as st

import toeline


def page() -> None:
    """The page."""
    st.title("What a photo cannot show")
    st.markdown(
        "- **Depth and height.** The depth of undercut, the height of the bead and the throat's actual size are not in "
        "one photo. They stay undecided until a gauge reading or a relief from several photos settles them.\n"
        "- **Whether it is really there.** What only seems to be there is drawn with a question mark. It sends you to "
        "look, and fails nothing; only what a person saw or gauged, and what the photo measures, decides.\n"
        "- **The inside.** Lack of fusion, slag and pores below the face need other examinations.\n"
        "- **Pipe.** It measures flat plate: a seam round a pipe is judged as a short flat piece of it.\n"
        "- **Cracks.** It looks for cracks in the crater only. A tight crack is thinner than a pixel. A face without a "
        "visible crack is not a face without cracks.\n"
        "- **What is covered.** Slag, paint and glare hide the face. Clean the bead; never grind it for the photo."
    )
    st.header("Who decides")
    st.markdown(
        "Acceptance belongs to the governing code and a qualified inspector. People can be hurt by a bad weld. "
        "toeline never passes a weld on missing evidence, and a pass covers only the lines it lists."
    )
    st.header("Safety")
    st.markdown(
        "- Wear safety glasses and gloves when chipping slag, and chip away from your face.\n"
        "- Let the plate cool: hot steel looks like cold steel. Lay the card on cold metal only.\n"
        "- Never photograph the burning arc, nor look at it without the shade that its current asks for.\n"
        "- Switch the machine off before changing polarity, cables or the clamp; keep the cable off your body.\n"
        "- Ventilate. Paint, oil, zinc and solvents give poisonous fume: clean them off first."
    )
    st.text(f"toeline {toeline.__version__}")
