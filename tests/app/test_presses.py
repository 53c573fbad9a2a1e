"""A press of a button counts once, whatever happens to the page between the press and the button's own line."""

from __future__ import annotations

import pytest
from streamlit.testing.v1 import AppTest

SCRIPT = """
import streamlit as st
from toeline_app import ui
typed = st.text_input("Thickness")
if typed != st.session_state.get("kept", ""):  # as the settings do: what was typed is kept, and the page begins anew
    st.session_state["kept"] = typed
    st.rerun()
with st.form("form", enter_to_submit=False):
    sent = ui.submit("Send", "send")
for name, pressed in (("Save", ui.button("Save")), ("Send", sent)):
    if pressed:
        st.session_state["taken"] = [*st.session_state.get("taken", []), name]
        st.rerun()
if not st.session_state.get("hidden"):
    ui.button("Elsewhere", key="elsewhere")
ui.forget_presses()
"""


def pressed(app: AppTest, label: str) -> AppTest:
    return next(one for one in app.button if one.label == label).click()


@pytest.mark.parametrize("label", ["Save", "Send"])
def test_a_press_that_leaves_a_field_is_not_lost_with_what_was_typed(label):
    app = AppTest.from_string(SCRIPT, default_timeout=30).run()
    app.text_input[0].input("8")
    pressed(app, label).run()
    assert app.session_state["kept"] == "8"
    assert app.session_state["taken"] == [label]
    app.run()
    assert app.session_state["taken"] == [label], "a press counts once"


def test_a_press_of_what_is_gone_does_not_count_later():
    app = AppTest.from_string(SCRIPT, default_timeout=30).run()
    app.session_state["hidden"] = True
    pressed(app, "Elsewhere").run()
    assert app.session_state["pressed"] == frozenset() if "pressed" in app.session_state else True
