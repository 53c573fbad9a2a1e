"""What pages are made of. Text that came from a person is escaped here, once, whatever widget shows it."""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Sequence
from html import escape
from importlib import resources
from pathlib import Path
from string import Template
from typing import Literal
from uuid import uuid4

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from toeline.result import Outcome, Problem
from toeline.text import sentence

Look = Literal["primary", "secondary", "tertiary"]

#: An outcome is a word and a sign as well as a colour.
OUTCOMES: dict[Outcome | str, tuple[str, str]] = {
    "pass": ("✓", "Pass"),
    "fail": ("✕", "Fail"),
    "undecided": ("?", "Undecided"),
    "measured": ("•", "Measured"),
    "retake": ("↺", "Take it again"),
    "which": ("?", "Which bead is meant?"),
    "taps": ("?", "No bead between your taps"),
}
#: A value up to this long stands on the right of its name on a narrow screen; a longer one reads as a text.
LONGEST_IN_A_PAIR = 40
#: How many times as large a picture can be shown.
ZOOMS = (1, 2, 4)
#: For a chart, however many points it has: the style sheet colours its letters, and does not reach into a canvas.
AS_SVG = {"embedOptions": {"renderer": "svg"}}
#: A day, of which no line is broken in two: a word joiner stands behind each of its hyphens.
_DAY = re.compile(r"\b(\d{4}-)(\d\d-)(?=\d\d\b)")
_PRESSED = "pressed"
_SIGNS = {"stop": "✕", "warning": "!", "note": "i"}
_STATIC = resources.files("toeline_app") / "static"


def style() -> None:
    """The app's own style sheet: target sizes, contrast, badges."""
    st.html(Path(str(_STATIC / "style.css")))


def drawing(name: str, alt: str, **words: str) -> None:
    """One of the app's own line drawings, with what it leaves open filled in."""
    sketch(Template((_STATIC / f"{name}.svg").read_text("utf-8")).substitute(words), alt)


def sketch(svg: str, alt: str) -> None:
    """A line drawing, black on its own white ground."""
    url = "data:image/svg+xml;base64," + b64encode(svg.encode()).decode()
    st.html(f'<img class="tl-drawing" src="{url}" alt="{escape(alt)}">')


def fold(key: str, title: str, icon: str, *, expanded: bool = False) -> DeltaGenerator:
    """A fold; by its key it stays as the user left it when the page is drawn anew, even with another title."""
    return st.expander(title, key=f"fold_{key}", icon=f":material/{icon}:", expanded=expanded)


def zoom(key: str) -> int:
    """How many times as large a picture is shown: 1, 2 or 4; what does not fit is panned to."""
    chosen = st.segmented_control(
        "Size of the picture",
        ZOOMS,
        default=1,
        required=True,
        format_func=lambda times: f"{times} ×",
        key=f"zoom_{key}",
    )
    return int(chosen or 1)


def picture(jpeg: bytes, alt: str, key: str) -> None:
    """A picture that can be made larger."""
    with st.container(key=f"picture_{key}"):
        st.image(jpeg, width="stretch", alt=alt)
    times = zoom(key)
    if times > 1:
        st.html(
            f"<style>.st-key-picture_{key} {{ overflow: auto; max-height: 80vh; }}"
            f".st-key-picture_{key} :is([data-testid=stElementContainer], [data-testid=stFullScreenFrame], "
            f"[data-testid=stImage], [data-testid=stImageContainer], img) {{ max-width: none !important; "
            f"width: {times}00% !important; }}</style>"
        )


def keep_shape_of_taps(ratio: float, times: int) -> None:
    """Hold the picture that is tapped to its width over height: it says its height once, and a phone may be turned."""
    st.html(
        f"<style>.st-key-taps {{ overflow: auto; max-height: 80vh; }} .st-key-taps [data-testid=stCustomComponentV1] "
        f"{{ aspect-ratio: {ratio:.4f}; height: auto; width: {times}00%; max-width: none; }}</style>"
    )


def button(
    label: str, *, key: str | None = None, icon: str | None = None, type: Look = "secondary", disabled: bool = False
) -> bool:
    """A button; whether it was pressed. A press counts once and is never lost: see :func:`forget_presses`."""
    key = key or label
    st.button(label, key=key, icon=icon, type=type, disabled=disabled, on_click=_press, args=(key,), width="stretch")
    return _pressed(key)


def submit(label: str, key: str, *, type: Look = "secondary") -> bool:
    """A form's own button; whether it was pressed, as with :func:`button`."""
    st.form_submit_button(label, key=key, type=type, on_click=_press, args=(key,), width="stretch")
    return _pressed(key)


def forget_presses() -> None:
    """Let go of presses that no button took, at the end of a page that was drawn whole.

    A press is noted before the page is drawn: what is drawn may be broken off on the way to the button, by a field that
    was left by that very press say, and the browser tells of a press only once.
    """
    st.session_state.pop(_PRESSED, None)


def _press(key: str) -> None:
    st.session_state[_PRESSED] = st.session_state.get(_PRESSED, frozenset()) | {key}


def _pressed(key: str) -> bool:
    pressed: frozenset[str] = st.session_state.get(_PRESSED, frozenset())
    st.session_state[_PRESSED] = pressed - {key}
    return key in pressed


def error(said: object) -> None:
    """What went wrong, in one sentence that may hold a person's own words, such as a file's name."""
    st.error(plain(str(said)))


def badge(outcome: str, *notes: str) -> None:
    """The outcome as a block: sign, word, colour, and short notes."""
    sign, word = OUTCOMES[outcome]
    small = "".join(f"<small>{escape(note)}</small>" for note in notes if note)
    st.html(
        f'<div class="tl-badge tl-{outcome}" role="status"><span aria-hidden="true">{sign}</span>'
        f"<strong>{word}</strong>{small}</div>"
    )


def outcome_word(outcome: str | None) -> str:
    """An outcome as sign and word in running text."""
    sign, word = OUTCOMES[outcome or "measured"]
    return f"{sign} {word}"


def bring_into_view(what: str = ".tl-badge") -> None:
    """Scroll to the outcome, or to ``what`` a CSS selector finds, once for each time that this is asked for."""
    st.html(
        f"<script>/* {uuid4().hex} */ setTimeout(() => document.querySelector('{what}')?.scrollIntoView(), 100);"
        "</script>",
        unsafe_allow_javascript=True,
    )


def problems(found: Sequence[Problem]) -> None:
    """Problems as one block for each severity: what is wrong and what to do."""
    for severity, sign in _SIGNS.items():
        texts = "".join(f"<p>{escape(one.text)}</p>" for one in found if one.severity == severity)
        if texts:
            st.html(
                f'<div class="tl-problem tl-{severity}"><span aria-hidden="true">{sign}</span><div>{texts}</div></div>'
            )


def _shown(text: str) -> str:
    """A text for HTML: escaped, its days whole."""
    return escape(_DAY.sub("\\1\u2060\\2\u2060", text))


def line(outcome: str, title: str, text: str, *, chip: str | None = None) -> None:
    """One judged line: its outcome as sign and word (or another word), its title, what is said of it."""
    st.html(
        f'<div class="tl-line"><span class="tl-chip tl-{outcome}">{escape(chip or outcome_word(outcome))}</span>'
        f"<div><strong>{_shown(title)}</strong><p>{_shown(sentence(text))}</p></div></div>"
    )


def card(head: str, first: str, more: Sequence[str] = (), *, strong: bool = True) -> None:
    """A coach's card: what it is, the one thing, and what goes with it."""
    said = f"<strong>{escape(first)}</strong>" if strong else escape(first)
    rest = "".join(f"<p>{_shown(line)}</p>" for line in more)
    st.html(f'<div class="tl-cause"><p>{_shown(head)}</p><p>{said}</p>{rest}</div>')


def table(
    head: Sequence[str], rows: Sequence[Sequence[str]], *, caption: str = "", pictures: Sequence[bytes | None] = ()
) -> None:
    """A real table, every cell escaped; on a narrow screen each row becomes a block with its column names.

    Of two columns the second stands beside the first there, or below it where it reads as a text.

    ``pictures``: small JPEGs that stand before the first cell of each row.
    """

    def long(row: Sequence[str]) -> str:
        return ' class="tl-long"' if len(row[1]) > LONGEST_IN_A_PAIR else ""

    before = [f'<img src="{_data_url(one)}" alt="">' if one else "" for one in pictures] or [""] * len(rows)
    top = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in head)
    body = "".join(
        f'<tr{long(row)}><th scope="row" data-label="{escape(head[0])}">{first}{_shown(row[0])}</th>'
        + "".join(
            f'<td data-label="{escape(name)}">{_shown(cell)}</td>' for name, cell in zip(head[1:], row[1:], strict=True)
        )
        + "</tr>"
        for first, row in zip(before, rows, strict=True)
    )
    title = f"<caption>{escape(caption)}</caption>" if caption else ""
    kind = "tl-table tl-pairs" if len(head) == 2 else "tl-table"
    st.html(f'<table class="{kind}">{title}<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>')


def moment(at: str) -> str:
    """A time of the record as people read it; the record keeps times in UTC."""
    return at[:16].replace("T", " ") + " UTC"


def plain(text: str | None) -> str:
    """User text made safe for widgets that read Markdown: every character that could mark up is escaped."""
    return re.sub(
        r"([\\`*_{}\[\]()#+\-.!~|<>$:&])", r"\\\1", _DAY.sub("\\1\u2060\\2\u2060", (text or "").replace("\n", " "))
    )


def _data_url(jpeg: bytes) -> str:
    """A JPEG as a data URL."""
    return "data:image/jpeg;base64," + b64encode(jpeg).decode()
