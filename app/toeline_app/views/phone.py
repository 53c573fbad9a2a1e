"""How a phone in the same network opens the app."""

from __future__ import annotations

import io

import segno
import streamlit as st

from toeline_app import serving, ui


def page() -> None:
    """The page."""
    st.title("On a phone")
    now = serving.now
    url = None if now is None else now.qr_url("learner")
    if now is None or now.phone_url is None or url is None:
        st.write("The app answers on this machine only. To open it to phones in the same network, stop it and start:")
        st.code("toeline app --host 0.0.0.0", language=None)
        st.write("It then asks for an access code, which is shown where it was started and is part of the QR code.")
        st.write("The README says how to start it with a certificate, or behind a proxy, so that nobody listens in.")
        return
    if not now.encrypted:
        st.warning(serving.PLAIN_HTTP)
    st.write("Scan this with the phone's camera. The phone must be in the same network.")
    _qr(url, "QR code that opens the app on a phone in the same network.")
    st.code(now.phone_url, language=None)
    if now.gate is None:
        return
    st.write("Access code of the learners, who measure and save:")
    st.code(now.code("learner"), language=None)
    if serving.role() == "inspector":
        with ui.fold("inspector", "For the inspector or the instructor", "badge"):
            st.write("This code also decides, erases, and shows what others saved. Keep it to yourself.")
            _qr(now.qr_url() or "", "QR code for the phone of the inspector or the instructor.")
            st.code(now.code("inspector"), language=None)


def _qr(url: str, alt: str) -> None:
    out = io.BytesIO()
    segno.make(url, error="m").save(out, kind="png", scale=8, border=4)
    st.image(out.getvalue(), width=320, alt=alt)
