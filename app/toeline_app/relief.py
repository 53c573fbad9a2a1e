"""Height and depth on the page: photos from the sides, what is still missing, and the surface that they told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, cast

import streamlit as st

from toeline.measures.registry import ids, title_of
from toeline.record import Inspection
from toeline.result import Result, SeenSide
from toeline.text import sentence
from toeline.units import MM_PER_INCH, Unit, say
from toeline_app import photos, prefs, said, ui
from toeline_app.photos import Photo, Shown
from toeline_app.service import measuring, recording, reporting, workers

if TYPE_CHECKING:
    from toeline.photogrammetry import SidesSeen

#: Drawings are as wide as a phone shows them, px.
WIDE = 344.0
_PREFIX = "sides_"
_CUT = "section_"
FROM: dict[SeenSide, str] = {
    "above": "square above",
    "left": "from the left",
    "right": "from the right",
    "start": "from behind the start",
    "end": "from beyond the end",
}
_AROUND: tuple[SeenSide, ...] = ("left", "right", "end", "start")


def with_sides(faces: Sequence[Photo]) -> list[Photo]:
    """The face photos with those from their sides that height is to be told from.

    Others from sides are let go, but for those of beads set aside.
    """
    kept = {_hold_as(face) for face in (*faces, *photos.held().get(photos.ASIDE, []))}
    photos.let_go_of(lambda name: name.startswith(_PREFIX) and name not in kept)
    return [replace(face, sides=_taken(face)) for face in faces]


def with_section(shown: Shown) -> Shown:
    """The same with the place where a cross-section is asked for: nothing is measured anew for that."""
    place = said.note(_CUT + shown.photo.sha256)
    if shown.result is None or place is None:
        return shown
    settings = shown.result.settings.model_copy(update={"section_at_mm": float(place)})
    return replace(shown, result=shown.result.model_copy(update={"settings": settings}))


def take_up(face: Photo, inspection: Inspection) -> None:
    """Take the photos from the sides up again that told height with a photo on record. Raises TooMuch, RecordError."""
    told = [one for one in inspection.photos if one.use == "heights"]
    sides = [(photos.plain_name(one.name or "photo"), recording.recorded_photo(one.sha256)) for one in told]
    photos.take_back(sides, _hold_as(face))
    said.keep_note(_asked(face), " ".join(one.sha256 for one in told) or None)


def _hold_as(face: Photo) -> str:
    return _PREFIX + face.sha256


def recorded(result: Result, unit: Unit) -> None:
    """Height and depth of an inspection on record, folded."""
    if result.relief is not None and result.relief.map is not None:
        with ui.fold("relief", "Height and depth", "view_in_ar"):
            _figures(result, unit)
            _drawings(result, unit)


def _taken(face: Photo) -> tuple[Photo, ...]:
    taken = (said.note(_asked(face)) or "").split()
    return tuple(one for one in photos.held().get(_hold_as(face), []) if one.sha256 in taken)


def _asked(face: Photo) -> str:
    """Where it is kept which photos from the sides height is to be told from."""
    return f"relief_{face.sha256}"


def page_part(shown: Shown, result: Result) -> None:
    """The fold that takes photos from the sides, and what they told."""
    if result.scale.state != "card":
        return
    measured = result.relief is not None and result.relief.state == "measured"
    given = bool(photos.held().get(_hold_as(shown.photo)))
    title = "Height and depth" if measured else "Height and depth: add two to four photos from the sides"
    with ui.fold("relief", title, "view_in_ar", expanded=given):
        if measured:
            _surface(result, prefs.preferences().unit)
        elif result.relief is not None:
            st.warning(ui.plain(f"No height could be told: {sentence(result.relief.why or 'not known')}"))
        _take(shown, result, photos.holding(_hold_as(shown.photo)))


# -- photos from the sides ----------------------------------------------------------------------------------------


def _take(shown: Shown, result: Result, sides: list[Photo]) -> None:
    key, turn = _hold_as(shown.photo), st.session_state.setdefault("sides_turn", 0)
    if not sides:
        st.text(
            "One photo shows no height and no depth. Leave card, plate and lamp where they are and take photos from "
            "the sides."
        )
    found = _seen(shown.photo, sides, result) if sides else None
    used = _used(found, sides, result) if found else None
    seen: set[SeenSide] = {one.side for one in used.seen_from} if used else {"above"}
    if not seen.issuperset(_AROUND):
        ui.sketch(_where_to_stand(seen), _stands_in_words(seen))
    if used:
        _told(used, sides)
    files = st.file_uploader(
        "Add photos from the sides", type="image", accept_multiple_files=True, key=f"sides_files_{turn}"
    )
    if files:
        room = workers.MOST_SIDES - len(sides)
        over = f"One bead has {workers.MOST_SIDES} photos from the sides at most, and {len(files) - room} are left out."
        photos.take_in(files[:room], key, kept=sides, refusal=over if len(files) > room else "")
        photos.free(files[room:])
        st.session_state["sides_turn"] = turn + 1
        st.rerun()
    if found:
        _go_on(shown, sides, found)


def _go_on(shown: Shown, sides: list[Photo], found: SidesSeen) -> None:
    """The button that has height told, and the one that takes all back."""
    face = shown.photo
    usable = {sides[one.photo - 1].sha256 for one in found.seen_from if one.photo > 0}
    new = usable != {one.sha256 for one in face.sides}
    if usable and new and ui.button("Work out height and depth", type="primary", key=f"tell_{face.sha256}"):
        said.keep_note(_asked(face), " ".join(sorted(usable)))
        if saved := said.about(face.sha256).saved:  # what is saved next says more, and takes its place
            said.say(face.sha256, saved=None)
            said.change(instead_of=saved[0])
        st.rerun()
    if ui.button("Take the photos from the sides back", key=f"back_{face.sha256}"):
        said.keep_note(_asked(face), None)
        photos.let_go_of(lambda name: name == _hold_as(face))
        st.rerun()


def _seen(face: Photo, sides: list[Photo], result: Result) -> SidesSeen | None:
    """From which sides the photos were taken, looked at once for each set of photos."""
    looked = st.session_state.setdefault("sides_seen", {})
    all_of_them = [face, *sides]
    key = " ".join(one.sha256 for one in all_of_them)
    if key not in looked:
        with st.spinner("Looking where the photos were taken from"):
            job = photos.waited_for(measuring.sides_of(result, [(one.path, one.name) for one in all_of_them]))
        error = job.exception()
        if error is not None:
            ui.error(measuring.sentence(error))
            return None
        looked.clear()
        looked[key] = job.result()
    return cast("SidesSeen", looked[key])


def _used(found: SidesSeen, sides: list[Photo], result: Result) -> SidesSeen:
    """The same, less the photos that only working out the height showed not to belong."""
    wrong = {one.name: one.problems[0] for one in result.photos[1:] if one.problems}
    left_out = {nth: wrong[photo.name] for nth, photo in enumerate(sides, 1) if photo.name in wrong} | found.left_out
    seen = tuple(one for one in found.seen_from if one.photo not in left_out)
    missing = tuple(side for side in FROM if side not in {one.side for one in seen})
    return replace(found, seen_from=seen, missing=missing, left_out=left_out)


def _told(found: SidesSeen, sides: list[Photo]) -> None:
    """Each photo's side, or what is wrong with it; then what is still missing."""
    for nth, photo in enumerate(sides, 1):
        stand = next((one for one in found.seen_from if one.photo == nth), None)
        if nth in found.left_out:
            ui.line("retake", photo.name, found.left_out[nth].text, chip="Left out")
        elif stand is not None:
            leaning = "" if stand.side == "above" else f", leaning {stand.lean:.0f}°"
            chip = "Square" if stand.side == "above" else "Taken"
            ui.line("measured", photo.name, f"{FROM[stand.side]}{leaning}", chip=chip)
    missing = [side for side in _AROUND if side in found.missing]
    if missing:
        words = [FROM[side] for side in missing]
        listed = words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
        fewest = reporting.fewest_for_depth()
        more = fewest - len(found.seen_from)
        depth = f" Depth of undercut takes {more} more." if more > 0 else ""
        st.markdown(f"**Still missing:** {listed}.{depth}")
    else:
        st.markdown("**All sides are there.**")


# -- where to stand -----------------------------------------------------------------------------------------------

_PLACES: dict[SeenSide, tuple[float, float]] = {
    "above": (180, 92),
    "left": (180, 34),
    "right": (180, 150),
    "start": (52, 92),
    "end": (308, 92),
}
_LABELS: dict[SeenSide, tuple[str, float, float]] = {
    "above": ("above", 214, 82),
    "left": ("left", 204, 38),
    "right": ("right", 204, 156),
    "start": ("start", 52, 66),
    "end": ("end", 308, 66),
}


def _stands_in_words(seen: set[SeenSide]) -> str:
    done = ", ".join(FROM[side] for side in FROM if side in seen)
    todo = ", ".join(FROM[side] for side in _AROUND if side not in seen)
    return (
        "Seen from above: the bead runs from its start to its end; stand to its left, its right, beyond its end and "
        f"behind its start, each photo leaning about 25 degrees. Taken: {done}. To take: {todo or 'none'}."
    )


def _where_to_stand(seen: set[SeenSide]) -> str:
    """Bead and phones seen from above, those taken ticked, and how far to lean, as SVG."""
    ink = "#14202b"
    marks = []
    for side, (x, y) in _PLACES.items():
        if side == "above" and side in seen:
            marks.append(f'<circle cx="{x}" cy="{y}" r="14" fill="#fff"/>')
        if side in seen:
            marks.append(
                f'<circle cx="{x}" cy="{y}" r="13" fill="{ink}"/>'
                f'<path d="M{x - 6} {y} l4 5 l8 -10" stroke="#fff" stroke-width="3"/>'
            )
        elif side != "above":
            marks.append(
                f'<circle cx="{x}" cy="{y}" r="13" fill="#fff" stroke-dasharray="4 4"/>'
                f'<path d="M{x - 6} {y} h12 M{x} {y - 6} v12" stroke-width="2.5"/>'
            )
    words = "".join(
        f'<text x="{x}" y="{y}" text-anchor="{"middle" if side in ("start", "end") else "start"}">{word}</text>'
        for side, (word, x, y) in _LABELS.items()
        if side != "above"
    )
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 360 300" fill="none" stroke="#14202b" '
        'stroke-width="2.2" stroke-linecap="round" stroke-linejoin="round" font-family="sans-serif" font-size="15">'
        '<rect width="360" height="300" rx="10" fill="#fff" stroke="none"/>'
        # the bead from above, its travel to the right, and the card
        '<path d="M96 92 q6 -12 18 -12 h132 q12 0 18 12 q-6 12 -18 12 h-132 q-12 0 -18 -12 Z" fill="#c9d0d6"/>'
        '<path d="M120 92 h28 m-7 -6 l7 6 l-7 6 M212 92 h28 m-7 -6 l7 6 l-7 6" stroke-width="1.8"/>'
        '<rect x="96" y="116" width="60" height="26"/>'
        f'<path d="M102 121 h8 v6 h-8 Z M142 121 h8 v6 h-8 Z M102 132 h8 v6 h-8 Z M142 132 h8 v6 h-8 Z" fill="{ink}"/>'
        + "".join(marks)
        # seen from the front: how far to lean
        + '<path d="M40 272 h280" stroke-width="2.6"/>'
        '<path d="M166 272 q14 -14 28 0" fill="#c9d0d6"/>'
        '<path d="M180 266 V196 M180 266 L148 200 M180 266 L212 200" stroke-dasharray="4 5" stroke-width="1.5"/>'
        '<rect x="118" y="184" width="46" height="9" rx="3" transform="rotate(-26 141 188)"/>'
        '<rect x="196" y="184" width="46" height="9" rx="3" transform="rotate(26 219 188)"/>'
        '<path d="M163 231 A39 39 0 0 1 180 227" stroke-width="1.5"/>'
        f'<g stroke="none" fill="{ink}">{words}'
        '<text x="180" y="292" text-anchor="middle">lean 25°, bead and card in view</text></g></svg>'
    )


# -- the surface --------------------------------------------------------------------------------------------------


def _surface(result: Result, unit: Unit) -> None:
    """What the photos told, and where to show a cross-section besides the worst places."""
    relief = result.relief
    assert relief is not None
    assert relief.map is not None
    _figures(result, unit)
    long, factor = relief.map.s_mm[-1], MM_PER_INCH if unit == "in" else 1.0
    said_at = result.settings.section_at_mm
    place = st.number_input(
        f"Show a cross-section at ({unit} from the start)",
        min_value=0.0,
        max_value=round(long / factor, 2),
        value=None if said_at is None else said_at / factor,
        step=0.1 if unit == "in" else 1.0,
        format="%.2f" if unit == "in" else "%.0f",
        placeholder="The worst places are shown",
        key=f"cut_{result.photo.sha256}_{unit}",
    )
    chosen = None if place is None else f"{float(place) * factor:.3f}"
    if chosen != said.note(_CUT + result.photo.sha256):
        said.keep_note(_CUT + result.photo.sha256, chosen)
        st.rerun()
    _drawings(result, unit)


def _figures(result: Result, unit: Unit) -> None:
    known = [name for name in ids(["relief"]) if name in result.measures and result.measures[name].known]
    ui.table(("Height and depth", "Value"), [(title_of(name), say(result.measures[name], unit)) for name in known])
    if result.relief is not None and result.relief.why:
        st.text(sentence(result.relief.why))


def _drawings(result: Result, unit: Unit) -> None:
    """Height map, sections at the worst places and at a chosen one, and what runs along the seam."""
    shown = reporting.relief_cuts(result, unit)
    chosen = result.settings.section_at_mm
    if drawing := reporting.height_map(result, unit, shown, WIDE):
        st.markdown("**Height over the plate**")
        ui.sketch(drawing, "Height map of the bead and the plate beside it; yellow is high, blue is low.")
    for cut in shown if chosen is None else (shown[-1], *shown[:-1]):  # what was asked for comes first
        title, section = reporting.relief_section(result, cut, unit, WIDE)
        if section:
            st.text(title)
            ui.sketch(section, f"Cross-section {title}.")
    if profile := reporting.relief_profile(result, unit, WIDE):
        st.markdown("**Along the seam**")
        ui.sketch(profile, "Height of the face, depth along both toes and width along the seam, each with its U.")
