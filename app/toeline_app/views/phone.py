"""How a phone in the same network opens the app."""

from __future__ import annotations

import io

import segno
import streamlit as st

from toeline_app import serving


def page() -> None:
    """The page."""
    st.title("On a phone")
    now = serving.now
    url = None if now is None else now.qr_url
    if now is None or now.phone_url is None or url is None:
        st.write("The app answers on this machine only. To open it to phones in the same network, stop it and start:")
        st.code("toeline app --host 0.0.0.0", language=None)
        st.write("It then asks for an access code, which is shown where it was started and is part of the QR code.")
        return
    out = io.BytesIO()
    segno.make(url, error="m").save(out, kind="png", scale=8, border=4)
    st.image(out.getvalue(), width=320, alt="QR code that opens the app on a phone in the same network.")
    st.write("Scan this with the phone's camera. The phone must be in the same network.")
    st.code(now.phone_url, language=None)
    if now.code is not None:
        st.write("Access code:")
        st.code(now.code, language=None)
