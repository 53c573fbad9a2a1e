"""At the bench: a photo in; what is wrong with it, or the outcome, the picture and the one thing to change."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Literal, get_args

import streamlit as st

from toeline.errors import ToelineError
from toeline.record import Inspection
from toeline.result import Joint, Result, Settings
from toeline.units import Unit, length, rod
from toeline_app import coach, components, keeping, looking, photos, prefs, relief, said, saving, steps, ui
from toeline_app.drafts import KEPT_FOR
from toeline_app.photos import ASIDE, BENCH, Photo, Shown
from toeline_app.prefs import PRACTICE, Preferences
from toeline_app.service import measuring, readings, recording

MOST_AT_ONCE = 12
JOINTS: dict[Joint, str] = {"bead": "Bead on plate", "butt": "Butt joint", "fillet": "Fillet"}
SizeIs = Literal["leg", "throat"]
SIZES: dict[SizeIs, str] = {"leg": "Leg (z)", "throat": "Throat (a)"}
#: Core diameters in mm as boxes of electrodes are sold.
ELECTRODES = (1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.0)
#: The outcome that was last scrolled to, and the photo's it was.
_IN_VIEW = "outcome_in_view"
#: How far off the phone is held: a round figure in each unit.
AWAY: dict[Unit, str] = {"mm": "20 to 30 cm", "in": "8 to 12 in"}


def page() -> None:
    """The page."""
    st.title("Measure a weld bead")
    chosen = _choose()
    _set_aside()
    _judged_as()
    settings = _settings()
    if not chosen:
        _how_to()
        return
    shown = photos.measure_all([(photo, _with_ends(photo, settings)) for photo in relief.with_sides(chosen)])
    one = relief.with_section(_pick(shown))
    _detail(one, settings)
    _bring_into_view(one)


def _choose() -> list[Photo]:
    """The photos of this session; what is newly chosen takes their place."""
    turn = st.session_state.setdefault("bench_turn", 0)
    files = st.file_uploader(
        "Take or choose photos of the cleaned bead",
        type="image",
        accept_multiple_files=True,
        key=f"bench_files_{turn}",
        help="The phone offers its own camera. Send originals, not pictures shrunk by a messenger.",
    )
    if files:
        if len(files) > MOST_AT_ONCE:
            st.toast(f"Only the first {MOST_AT_ONCE} photos are taken. For a whole class use the page Coupons.")
        answered = [said.about(one.sha256).gauge for one in photos.holding(BENCH)]
        if len(answered) == 1:
            said.change(before=tuple(one for one in answered[0] if one.at is None))
        photos.set_aside(_unsaved)
        photos.take_in(files[:MOST_AT_ONCE], BENCH)
        photos.leave_off_aside()
        st.session_state["bench_turn"] = turn + 1
        st.rerun()
    return photos.holding(BENCH)


def _unsaved(photo: Photo) -> bool:
    return said.about(photo.sha256).saved is None


def _set_aside() -> None:
    """The beads that made way for another before they were saved; each can be taken up again with all that was said."""
    beads = photos.held().get(ASIDE, [])
    if not beads:
        return
    with ui.fold("aside", f"Beads not saved yet: {len(beads)}", "inbox"):
        st.write("They made way for another photo. Taken up again, a bead comes with its answers.")
        for one in beads:
            with contextlib.suppress(ToelineError):  # a broken photo is still named
                st.image(photos.small_copy(one), alt=f"The photo {one.name}.")
            answers = len(said.about(one.sha256).gauge)
            tail = f", {answers} {'answer' if answers == 1 else 'answers'}" if answers else ""
            if ui.button(ui.plain(f"Take up {one.name}{tail}"), key=f"aside_{one.sha256}"):
                photos.set_aside(_unsaved)
                photos.bring_to_bench(one)
                st.rerun()


def _settings() -> Settings:
    """The few settings, folded, with what is set in the fold's title."""
    now = prefs.preferences()
    with ui.fold("settings", f"Settings: {_details(now) or 'nothing given'}", "tune"):
        edited = _edit(now)
    edited = coach.welded(edited)
    if edited != now:  # drawn anew, as the title says what is set
        prefs.remember(edited)
        st.rerun()
    return to_settings(now)


def in_words(now: Preferences) -> str:
    """What is set, in a line."""
    titles = readings.criteria_titles()
    return ", ".join(filter(None, (JOINTS[now.joint], _details(now), titles.get(now.criteria or "", "no criteria"))))


def _details(now: Preferences) -> str:
    """What is set beside joint and criteria."""
    words = []
    if now.thickness_mm is not None:
        words.append(f"{length(now.thickness_mm, now.unit)} thick")
    if now.joint == "fillet" and now.drawing_size_mm is not None:
        words.append(f"{now.drawing_size_is} {length(now.drawing_size_mm, now.unit)}")
    if now.electrode_mm is not None:
        words.append(f"electrode {rod(now.electrode_mm, now.unit)}")
    return ", ".join(words)


def _judged_as() -> None:
    """What was welded and what it is judged by: chosen already, and changed by one tap."""
    now = prefs.preferences()
    joint = st.segmented_control(
        "What was welded",
        get_args(Joint),
        default=now.joint,
        required=True,
        format_func=JOINTS.__getitem__,
        key="set_joint",
        width="stretch",
    )
    titles = readings.criteria_titles()
    criteria = st.selectbox(
        "Judged by",
        list(titles),
        index=list(titles).index(now.criteria) if now.criteria in titles else None,
        format_func=titles.__getitem__,
        placeholder="Nothing: measure only",
        key="set_criteria",
    )
    if criteria == PRACTICE:
        st.caption("A set for practice beads, not a code. Choose the code's own for work that counts.")
    edited = now.model_copy(update={"joint": joint or now.joint, "criteria": criteria})
    if edited != now:
        prefs.remember(edited)
        st.rerun()


def _edit(now: Preferences) -> Preferences:
    unit = st.radio("Unit", get_args(Unit), index=get_args(Unit).index(now.unit), horizontal=True, key="set_unit")
    joint = now.joint
    thickness = components.length_input("Plate thickness", now.thickness_mm, now.unit, 0.5, 300.0, "set_thickness")
    second, weld = now.second_thickness_mm, now.weld_thickness_mm
    if joint != "bead":
        second = components.length_input("The other plate, if not as thick", second, now.unit, 0.5, 300.0, "set_second")
    if joint == "butt":
        weld = components.length_input("Weld, if not full penetration", weld, now.unit, 0.5, 300.0, "set_weld")
    electrode = st.selectbox(
        "Electrode core diameter",
        ELECTRODES,
        index=ELECTRODES.index(now.electrode_mm) if now.electrode_mm in ELECTRODES else None,
        format_func=lambda mm: rod(mm, now.unit),
        placeholder="Not given",
        key="set_electrode",
    )
    size, size_is, angle = now.drawing_size_mm, now.drawing_size_is, now.joint_angle_deg
    if joint == "fillet":
        size = components.length_input("Fillet's size on the drawing", size, now.unit, 1.0, 100.0, "set_size")
        size_is = st.radio(
            "That size is the",
            get_args(SizeIs),
            index=get_args(SizeIs).index(size_is),
            format_func=SIZES.__getitem__,
            horizontal=True,
            key="set_size_is",
        )
        angle = st.number_input(
            "Angle between the plates, degrees, if only card A is used",
            min_value=30.0,
            max_value=150.0,
            value=angle,
            step=1.0,
            format="%.0f",
            placeholder="Measured from both cards",
            key="set_angle",
        )
    check_line = components.length_input(
        "Length of the card's 50 mm line, measured on your print",
        now.check_line_mm,
        now.unit,
        45.0,
        55.0,
        "set_check_line",
        help="Measure it once with a calliper or steel rule. It takes out what the printer stretched.",
    )
    return now.model_copy(
        update={
            "thickness_mm": thickness,
            "second_thickness_mm": second,
            "weld_thickness_mm": weld,
            "electrode_mm": electrode,
            "unit": "in" if unit == "in" else "mm",
            "check_line_mm": check_line,
            "drawing_size_mm": size,
            "drawing_size_is": size_is,
            "joint_angle_deg": angle,
        }
    )


def to_settings(now: Preferences) -> Settings:
    """The measuring settings of these preferences."""
    return Settings(
        joint=now.joint,
        thickness_mm=now.thickness_mm,
        second_thickness_mm=now.second_thickness_mm if now.joint != "bead" else None,
        weld_thickness_mm=now.weld_thickness_mm if now.joint == "butt" else None,
        check_line_mm=now.check_line_mm,
        criteria=now.criteria,
        unit=now.unit,
        drawing_size_mm=now.drawing_size_mm if now.joint == "fillet" else None,
        drawing_size_is=now.drawing_size_is if now.joint == "fillet" else "leg",
        joint_angle_deg=now.joint_angle_deg if now.joint == "fillet" else None,
        welding=coach.welding_of(now),
        procedure=recording.procedure_named(now.procedure),
    )


def measure_again(inspection: Inspection) -> None:
    """Take the photo of an inspection up again, with the settings it was measured with."""
    first, then = inspection.photos[0], inspection.result.settings
    photos.set_aside(_unsaved)
    photo = photos.take_up(recording.recorded_photo(first.sha256), first.name or "photo", BENCH)
    photos.leave_off_aside()
    relief.take_up(photo, inspection)
    said.say(
        photo.sha256,
        taps=then.ends_px or (),
        gauge=then.gauge,
        conditions=then.conditions,
        noticed=then.welding.noticed,
        arc_time_s=then.welding.arc_time_s,
        travel_mm_min=then.welding.travel_mm_min,
        voltage_v=then.welding.voltage_v,
    )
    now = prefs.preferences()
    kept = (
        "joint", "thickness_mm", "second_thickness_mm", "weld_thickness_mm", "check_line_mm", "criteria",
        "drawing_size_mm", "drawing_size_is", "joint_angle_deg",
    )  # fmt: skip
    set_then = {name: getattr(then, name) for name in kept}
    set_then["procedure"] = then.procedure.name if then.procedure else None
    prefs.remember(Preferences.model_validate(now.model_dump() | set_then | coach.from_welding(then.welding)))


def _with_ends(photo: Photo, settings: Settings) -> Settings:
    """The settings with what was said about this photo alone: the bead's ends, gauge readings, what was noticed."""
    about = said.about(photo.sha256)
    return coach.with_answers(photo, settings).model_copy(
        update={"ends_px": about.ends, "gauge": about.gauge, "conditions": about.conditions}
    )


def _how_to_hold() -> None:
    away = AWAY[prefs.preferences().unit]
    says = f"Phone square above the bead, {away} away. Card flat beside the bead. Lamp low from the side."
    ui.drawing("hold", says, away=away)


def _how_to() -> None:
    _how_to_hold()
    st.markdown(
        "1. Chip and brush the bead, with safety glasses and gloves on; let the plate cool.\n"
        "2. Lay the printed card flat beside the bead, on cold metal only.\n"
        "3. Stand square above, light from the side, and take the photo."
    )
    st.page_link(components.page("cards"), label="Print a reference card", icon=":material/print:")
    st.info(
        "For flat plate, not for pipe. A photo shows the face only. Acceptance belongs to the governing code and a "
        "qualified inspector."
    )


def _pick(shown: list[Shown]) -> Shown:
    """The photo to look at in full; with several, a list of names and outcomes to choose from."""
    if len(shown) == 1:
        return shown[0]
    place = st.selectbox(
        "Photo",
        range(len(shown)),
        format_func=lambda i: (
            f"{i + 1}. {ui.outcome_word(components.outcome(shown[i].result))} · {shown[i].photo.name}"
        ),
        key="bench_place",
    )
    return shown[place or 0]


def _detail(shown: Shown, settings: Settings) -> None:
    result = shown.result
    if result is None:
        _no_result(shown)
        return
    state = components.outcome(result)
    judged = result.judgement
    components.headline(
        result, shown, settings.unit, steps.left_in_words(judged.asks) if judged and state == "undecided" else ""
    )
    if state == "retake":
        _how_to_hold()
    elif state not in ("which", "taps"):
        steps.page_part(shown, result)
        coach.advice(result)
    _correct(shown, result)
    if state in ("retake", "which", "taps"):
        components.notes(result)
        _start_afresh()
        return
    relief.page_part(shown, result)
    coach.questions(shown, result)
    components.folded(result, settings.unit)
    coach.causes(result)
    coach.safety(result)
    looking.page_part(shown, result)
    components.downloads(shown, settings.unit)
    saving.save_form(shown)
    _start_afresh()


def _bring_into_view(shown: Shown) -> None:
    """A new photo's outcome, and one that has changed, is scrolled to; last, when the page is as long as it will be."""
    now = (shown.photo.sha256, components.outcome(shown.result))
    if st.session_state.get(_IN_VIEW) != now:
        st.session_state[_IN_VIEW] = now
        ui.bring_into_view()


def _no_result(shown: Shown) -> None:
    """What came in place of a result: of taps that cannot be ends it is their fault, else the photo's."""
    sha256 = shown.photo.sha256
    tapped = said.about(sha256).ends is not None
    ui.badge("taps" if tapped else "retake", components.TAPS if tapped else "")
    ui.error(shown.problem or "")
    if tapped:
        _undo_taps(sha256)
    else:
        _how_to_hold()
    _start_afresh()


def _undo_taps(sha256: str) -> None:
    taps = said.about(sha256).taps
    if taps and ui.button("Undo the last tap", icon=":material/undo:"):
        said.say(sha256, taps=taps[:-1])
        st.rerun()
    if taps and ui.button("Find the bead without my taps"):
        said.say(sha256, taps=())
        st.rerun()


def _start_afresh() -> None:
    """What is kept and for how long, and the way to let go of it now."""
    with ui.fold("kept", "Kept on this machine until you start afresh", "history"):
        st.write(
            "Photos, taps, readings and what you typed, also of beads that made way for another, are kept for you "
            f"alone, for {KEPT_FOR} after the last change, so that a reload or a call loses nothing. What you saved to "
            "the record stays there."
        )
        if ui.button("Start afresh: let go of all this now"):
            keeping.start_afresh()
            st.rerun()


def _correct(shown: Shown, result: Result) -> None:
    """The bead was found wrongly: choose among those found, or tap the two ends."""
    # a component registers itself with the server that runs when it is imported: not before there is one
    from streamlit_image_coordinates import streamlit_image_coordinates

    photo, about = shown.photo, said.about(shown.photo.sha256)
    asked = any(one.code in components.ASKS_FOR_ENDS for one in result.photo.problems)
    asked = asked or bool(about.taps)  # stays open, so that the taps can be taken back
    if not st.toggle("The bead was found wrongly", value=asked, key=f"wrong_{photo.sha256}_{asked}"):
        return
    if result.bead.others_px:
        _choose_bead(result, photo.sha256)
    first = about.taps[0] if len(about.taps) == 1 else None
    st.markdown("**Tap where the bead starts.**" if first is None else "**Now tap where it ends.**")
    width = result.photo.width_px
    overview = measuring.with_mark(_bytes(shown.overview), first, width)
    zoom = ui.zoom(f"tap_{photo.sha256}")
    ui.keep_shape_of_taps(overview.width / overview.height, zoom)
    with st.container(key="taps"):
        tap = streamlit_image_coordinates(
            overview,
            key=f"tap_{photo.sha256}_{first is None}_{zoom}",
            use_column_width="always",
            image_format="JPEG",
            cursor="crosshair",
        )
    if tap is not None and tap["unix_time"] != st.session_state.get("last_tap"):
        st.session_state["last_tap"] = tap["unix_time"]
        at = measuring.to_photo_px((tap["x"], tap["y"]), tap["width"], width)
        said.say(photo.sha256, taps=(at,) if first is None else (first, at))
        st.rerun()
    _undo_taps(photo.sha256)
    with ui.fold("ends", "Type the ends instead", "keyboard"):
        _type_ends(photo)


def _choose_bead(result: Result, sha256: str) -> None:
    st.write("The beads found are lettered on the picture. A was measured.")
    for letter, ends in zip("BCDEFGHIJKLMNOPQRSTUVWXYZ", result.bead.others_px, strict=False):
        if ui.button(f"Measure bead {letter}", key=f"bead_{letter}_{sha256}"):
            said.say(sha256, taps=ends)
            st.rerun()
    if result.bead.start_px and result.bead.end_px and ui.button("Bead A is the right one"):
        said.say(sha256, taps=(result.bead.start_px, result.bead.end_px))
        st.rerun()


def _type_ends(photo: Photo) -> None:
    with st.form(f"type_{photo.sha256}", enter_to_submit=False):
        text = st.text_input("Start x, start y, end x, end y, in pixels of the photo")
        if ui.submit("Measure between these", f"type_{photo.sha256}_send"):
            ends = components.read_ends(text)
            if ends is None:
                st.error("Give four numbers with commas between them, for instance 310, 420, 2900, 460.")
            else:
                said.say(photo.sha256, taps=ends)
                st.rerun()


def _bytes(path: Path | None) -> bytes:
    return path.read_bytes() if path is not None else b""
