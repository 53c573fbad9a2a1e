"""The command line as a person uses it: exit codes, what goes where, and one sentence for whatever is off."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest
import typer

import card_scene
import seen_photos
from test_record_faults import small_disk
from toeline.cli import app, jobs, main
from toeline.evidence.gauge import gauges
from toeline.photo import read_photo
from toeline.processes.figures import WorkerFigures
from toeline.processes.workers import allow_time_for
from toeline.record import Store
from toeline.result import Result, Settings


@dataclass(frozen=True)
class Said:
    code: int
    out: str
    err: str


@pytest.fixture
def toeline(monkeypatch, capsys):
    """Runs the command in this process: the exit code and both streams."""

    def run(*words: object, stdin: bytes = b"") -> Said:
        monkeypatch.setattr(sys, "argv", ["toeline", *map(str, words)])
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin)))
        with pytest.raises(SystemExit) as left:
            main()
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        code = left.value.code
        return Said(code if isinstance(code, int) else 0, said.out, said.err)

    return run


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A good photo made smaller, one without a bead, and a file that is no photo."""
    pairs = seen_photos.photos() + seen_photos.photos(("stringer",), "poor_restart")
    if not pairs:
        pytest.skip("needs demo photos or ../shared/photos/dev")
    into = tmp_path_factory.mktemp("photos")
    photo = read_photo(pairs[0][0])
    small = cv2.resize(photo.image, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
    (into / "good.jpg").write_bytes(seen_photos.jpeg(small, photo.exif.focal_35mm))
    (into / "bare.jpg").write_bytes(seen_photos.jpeg(np.full((600, 800, 3), 128, np.uint8)))
    (into / "broken.jpg").write_text("not a photo")
    return into


def test_a_good_photo_is_measured_with_its_files(toeline, folder, tmp_path):
    said = toeline(
        "measure", folder / "good.jpg", "--json", tmp_path / "new" / "r.json", "--picture", tmp_path / "p.png",
        "--report", tmp_path / "r.pdf", "--paper", "letter", "--criteria", "workmanship", "--thickness", 8, "--verbose",
    )  # fmt: skip
    assert said.code == 0
    assert "Width, mean" in said.out
    assert "\x1b" not in said.out
    result = Result.model_validate_json((tmp_path / "new" / "r.json").read_text("utf-8"))
    assert result.judgement is not None
    assert cv2.imread(str(tmp_path / "p.png")) is not None
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")
    assert [line for line in said.err.splitlines() if line.startswith("wrote ")] == [
        f"wrote {tmp_path / name}" for name in (Path("new") / "r.json", "p.png", "r.pdf")
    ]


def test_a_photo_on_standard_input_gives_one_document_on_standard_output(toeline, folder):
    said = toeline("measure", "-", "--json", "-", stdin=(folder / "good.jpg").read_bytes())
    assert said.code == 0
    assert Result.model_validate_json(said.out).bead.found


def test_one_bad_photo_does_not_stop_the_rest(toeline, folder, tmp_path):
    photos = [folder / name for name in ("broken.jpg", "good.jpg", "bare.jpg")]
    said = toeline("measure", *photos, "--json", tmp_path / "j", "--picture", tmp_path / "p")
    assert said.code == 3
    assert "broken.jpg is not a photo" in said.err
    assert {f.name for f in (tmp_path / "j").iterdir()} == {"good.json", "bare.json"}
    assert {f.name for f in (tmp_path / "p").iterdir()} == {"good.jpg", "bare.jpg"}
    assert not json.loads((tmp_path / "j" / "bare.json").read_text("utf-8"))["bead"]["found"]


def test_a_photo_without_a_bead_exits_with_3(toeline, folder):
    said = toeline("measure", folder / "bare.jpg")
    assert said.code == 3
    assert "No weld bead was found" in said.out


def test_a_failed_judgement_exits_with_1_only_under_strict(toeline, folder):
    words = (
        "measure",
        folder / "good.jpg",
        "--criteria",
        "iso5817-2023-b",
        "--thickness",
        8,
        "--gauge",
        "undercut_depth=3@20",
    )
    assert toeline(*words).code == 0
    strict = toeline(*words, "--strict")
    assert strict.code == 1
    assert "FAIL" in strict.out


@pytest.mark.parametrize(
    "words",
    [
        ("--gauge", "undercut_depth"),
        ("--gauge", "beauty=3"),
        ("--ends", "1,2,3"),
        ("--ends", "0,0,1,1"),
        ("--criteria", "nobody-s-set"),
        ("--check-line", "4"),
        ("--thickness", "-3"),
        ("--position", "sideways"),
        ("--camera", "no-such-profile.json"),
        ("--condition", "maybe"),
        ("--picture", "picture.gif"),
        ("--report", "report.txt"),
        ("--unit", "cubit"),
        ("--colour", "red"),
    ],
)
def test_words_that_are_off_exit_with_2_and_a_sentence(toeline, folder, words):
    said = toeline("measure", folder / "bare.jpg", *words)
    assert said.code == (3 if words == ("--ends", "0,0,1,1") else 2)
    assert said.err.strip()
    assert not said.out.strip()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--looked", "crack=none"), "Say who looked"),
        (("--gauge", "visible_faults=0"), "Say who looked"),
        (("--gauge", "cracks=0"), "Say who looked"),
        (("--looked", "crackle=none", "--looked-by", "A. Boon"), "no look named 'crackle'"),
        (("--looked", "pores=yes", "--looked-by", "A. Boon"), "say how many"),
    ],
)
def test_a_look_is_asked_of_somebody_and_in_its_own_words(toeline, folder, words, says):
    said = toeline("measure", folder / "good.jpg", *words)
    assert said.code == 2
    assert says in said.err


def test_outputs_that_would_replace_one_another_are_refused(toeline, folder, tmp_path):
    (tmp_path / "good.jpg").write_bytes((folder / "good.jpg").read_bytes())
    said = toeline("measure", folder / "good.jpg", tmp_path / "good.jpg", "--json", tmp_path / "j")
    assert said.code == 2


def test_a_pipe_and_no_color_get_plain_text(folder):
    env = os.environ | {"NO_COLOR": "1"}
    code = "from toeline.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "measure", str(folder / "bare.jpg")],
        capture_output=True,
        text=True,
        env=env,
        check=False,
    )
    assert done.returncode == 3
    assert "\x1b" not in done.stdout + done.stderr


def test_a_fault_of_ours_exits_with_70(toeline, monkeypatch):
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a fault")

    monkeypatch.setattr("toeline.criteria.list_criteria", broken)
    said = toeline("criteria")
    assert said.code == 70
    assert "please report it" in said.err


def divide_by_nothing(_: object) -> None:
    raise ZeroDivisionError("a fault")


def test_a_fault_of_ours_in_a_batch_exits_with_70_too(toeline, folder, monkeypatch):
    monkeypatch.setattr("toeline.cli.jobs.do", divide_by_nothing)  # its process takes it from here by name
    said = toeline("measure", *sorted(folder.glob("*.jpg"))[:2])
    assert said.code == 70
    assert said.err.count("please report it") == 2


def test_criteria_are_listed_shown_copied_and_checked(toeline, tmp_path):
    assert "iso5817-2023-c" in toeline("criteria").out
    assert "no fault found" in toeline("criteria", "aws-d1.1-static", "--thickness", 8).out
    own = tmp_path / "own.toml"
    with small_disk(100):
        assert "own.toml cannot be written" in toeline("criteria", "iso5817-2023-c", "--copy", own).err
    assert not own.exists()
    assert toeline("criteria", "iso5817-2023-c", "--copy", own).code == 0
    assert "no fault found" in toeline("criteria", own).out
    assert toeline("criteria", "iso5817-2023-c", "--copy", own).code == 2  # never over a file that is there
    own.write_text(own.read_text("utf-8") + "\n[[line]]\nid = 3\n", "utf-8")
    assert toeline("criteria", own).code == 2


@pytest.mark.parametrize(("kind", "name", "code"), [("A", "c.pdf", 0), ("fold", "c.svg", 0), ("B", "c.txt", 2)])
def test_cards_are_written_by_their_ending(toeline, tmp_path, kind, name, code):
    assert toeline("card", tmp_path / name, "--kind", kind, "--paper", "letter").code == code
    assert (tmp_path / name).exists() == (code == 0)


def test_a_camera_profile_from_photos_of_the_card(toeline, tmp_path):
    turns = [
        (0, 0, 0),
        (0.5, 0, 0),
        (-0.5, 0, 0),
        (0, 0.5, 0),
        (0, -0.5, 0),
        (0.4, 0.4, 0.3),
        (-0.4, 0.4, 1),
        (0.3, -0.5, 2),
    ]
    photos = []
    for number, turn in enumerate(turns):
        view = card_scene.View(width=1000, height=750, focal=780, turn=turn, at=(0, 0, 150))
        photos.append(tmp_path / f"{number}.png")
        cv2.imwrite(str(photos[-1]), card_scene.draw(view, seed=number))
    said = toeline("camera", *photos, "--out", tmp_path / "phone.json", "--name", "bench phone")
    assert said.code == 0, said.err
    assert json.loads((tmp_path / "phone.json").read_text("utf-8"))["parameters"][0] == pytest.approx(780, rel=0.02)
    assert toeline("camera", photos[0], "--out", tmp_path / "one.json").code == 2


def crash(*_: object) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def test_a_photo_that_crashes_its_reader_costs_camera_and_relief_a_sentence(toeline, tmp_path, monkeypatch):
    """What a damaged file does to a library ends the process that reads it, and never the command without a word."""
    monkeypatch.setattr(jobs, "_cards_in", crash)
    said = toeline("camera", "one.jpg", "two.jpg", "--out", tmp_path / "phone.json")
    assert (said.code, said.err.count("\n")) == (2, 1)
    assert said.err.startswith("toeline: one.jpg: the process that measured it ended")
    monkeypatch.setattr(jobs, "_relief", crash)
    said = toeline("relief", "one.jpg", "two.jpg", "--json", tmp_path / "r.json")
    assert (said.code, said.err.count("\n")) == (2, 1)
    assert said.err.startswith("toeline: one.jpg, two.jpg: the process that measured it ended")
    assert not list(tmp_path.iterdir())


def test_a_photo_that_crashes_its_reader_costs_a_class_its_picture_alone(toeline, folder, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    (tmp_path / "class").mkdir()
    shutil.copy(folder / "good.jpg", tmp_path / "class" / "ada.jpg")
    out = tmp_path / "out.pdf"
    for command in (("score", tmp_path / "class", "--sheets", out), ("wall-chart", tmp_path / "class", out)):
        command = (*command, "--force")
        said = toeline(*command)
        assert said.code == 0, said.err
        assert any(page.images for page in pypdf.PdfReader(out).pages)
        with monkeypatch.context() as damaged:
            damaged.setattr(jobs, "_picture", crash)
            said = toeline(*command)
        assert said.code == 0, said.err
        assert "There is no picture. ada.jpg: the process that measured it ended" in said.err
        assert not any(page.images for page in pypdf.PdfReader(out).pages)


def limits(photos: list[Path], *_: object) -> tuple[float, float]:
    import resource

    allow_time_for(10.0, len(photos))
    return resource.getrlimit(resource.RLIMIT_DATA)[0], resource.getrlimit(resource.RLIMIT_CPU)[0]


@pytest.mark.skipif(sys.platform != "linux", reason="the system keeps no such limit")
def test_several_photos_of_one_bead_have_room_and_time_for_each(monkeypatch):
    monkeypatch.setattr(jobs, "_relief", limits)
    out = jobs.Written(None, None, None, "a4")
    two, five = (jobs.relief([Path("photo.jpg")] * n, Settings(), None, out) for n in (2, 5))
    figures = WorkerFigures.read()
    assert five[0] - two[0] == pytest.approx(3 * figures.further_mb * 1e6, rel=0.1)
    assert five[1] - two[1] == pytest.approx((10 - 1) * figures.seconds_per_pair, abs=2)


def test_the_record_is_checked_and_backed_up(toeline, tmp_path):
    store, again, third = (tmp_path / name for name in ("store", "again", "third"))
    for folder in (store, again, third):
        folder.mkdir()
    Store.open(store).close()
    assert toeline("record", "check", "--store", store).code == 0
    assert toeline("record", "backup", tmp_path / "b.zip", "--store", store).code == 0
    assert toeline("record", "restore", tmp_path / "b.zip", "--store", again).code == 0
    assert toeline("record", "restore", tmp_path / "nothing.zip", "--store", third).code == 2


def test_a_new_record_goes_into_a_folder_and_none_is_made_by_looking(toeline, tmp_path):
    """A mistyped place must not be answered with the check of a new and empty record."""
    Store.open(tmp_path / "kept").close()
    assert (tmp_path / "kept" / "record.sqlite").is_file()
    assert toeline("record", "check", "--store", tmp_path / "kept").code == 0
    for words in (("check",), ("backup", tmp_path / "x.zip"), ("export", "A. Person"), ("erase", "A. Person", "--yes")):
        said = toeline("record", *words, "--store", tmp_path / "kpet")
        assert said.code == 2
        assert "There is no record at" in said.err
    assert not (tmp_path / "kpet").exists()
    for url in (f"sqlite:///{tmp_path}/kpet", "sqlite://", "postgresql://localhost"):
        said = toeline("record", "check", "--store", url)
        assert said.code == 2
        assert "A record is a file's path or a postgresql:// URL" in said.err
    assert not (tmp_path / "kpet").exists()


def test_a_backup_may_have_a_name_that_is_no_text(toeline, tmp_path):
    Store.open(tmp_path / "kept").close()
    archive = tmp_path / os.fsdecode(b"b\xff.zip")
    said = toeline("record", "backup", archive, "--store", tmp_path / "kept", "--json")
    assert (said.code, json.loads(said.out)["path"]) == (0, str(tmp_path / "b\ufffd.zip"))
    assert archive.is_file()


def test_what_can_be_gauged_is_listed(toeline):
    said = toeline("criteria", "--gauges")
    assert said.code == 0
    assert "undercut_depth" in said.out
    assert "± 0.2 mm" in said.out


def test_accuracy_on_results_in_place_of_truth_says_so_in_one_sentence(toeline, folder, tmp_path):
    (tmp_path / "a.jpg").write_bytes((folder / "good.jpg").read_bytes())
    (tmp_path / "a.json").write_text('{"schema": "toeline.result/1"}')
    said = toeline("accuracy", tmp_path)
    assert said.code == 2
    assert "no photo with a truth file" in said.err


def test_rod_box_and_position_are_said_in_the_trades_words(toeline, folder, tmp_path):
    document = tmp_path / "r.json"
    said = toeline(
        "measure", folder / "good.jpg", "--json", document, "--electrode", "1/8", "--electrode-class", "E 42 4 B 42 H5",
        "--current", 95, "--box-range", "90-130", "--position", "3G up", "--thickness", "3/8in", "--technique", "weave",
    )  # fmt: skip
    assert said.code == 0
    assert "90 to 130 A" in said.out
    assert "is under" not in said.out  # 95 A is inside the box's range, though under the handbook's 110 A for E7018
    weld = Result.model_validate_json(document.read_text("utf-8")).settings
    assert weld.welding.electrode_mm == pytest.approx(3.175)
    assert weld.thickness_mm == pytest.approx(9.525)
    assert (weld.welding.box_range_a, weld.welding.technique) == ((90, 130), "weave")
    assert (weld.welding.slope_deg, weld.welding.rotation_deg) == (90, 90)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--box-range", "130-90"), "such as 90-130"),
        (("--box-range", "lots"), "such as 90-130"),
        (("--electrode", "thick"), "such as 3.2"),
        (("--position", "3G"), "3G up or 3G down"),
        (("--position", "PB"), "fillet weld"),
        (("--thickness", "1/0"), "no length"),
    ],
)
def test_a_rod_or_position_that_is_none_is_one_sentence(toeline, folder, words, says):
    said = toeline("measure", folder / "good.jpg", *words)
    assert said.code == 2
    assert says in " ".join(said.err.replace("│", " ").split())


def test_the_helps_example_of_a_position_is_what_it_says():
    from toeline.causes.position import read_position, welding_position
    from toeline.cli.measuring import _POSITION_HELP

    for typed, name in re.findall(r"(-?\d+,-?\d+)(?: is)? (flat|overhead)", _POSITION_HELP):
        assert welding_position(*read_position(typed, "butt"), "butt").name == name
    assert "10,20 is flat" in _POSITION_HELP


def test_what_was_noticed_is_taken_in_and_listed(toeline, folder, tmp_path):
    listed = toeline("noticed", "--joint", "fillet")
    assert listed.code == 0
    assert "sound=weak" in listed.out
    assert "spatter_side" not in listed.out  # the two plates of a fillet catch spatter differently
    document = tmp_path / "r.json"
    heard = ("--noticed", "sound=weak", "--noticed", "rod=stuck")
    said = toeline("measure", folder / "good.jpg", "--json", document, *heard)
    assert said.code == 0
    result = Result.model_validate_json(document.read_text("utf-8"))
    assert result.settings.welding.noticed == {"sound": "weak", "rod": "stuck"}
    assert "one bead is one sample" in said.out
    assert "glasses" in said.out
    for words in (("--noticed", "smell=bad"), ("--noticed", "rod=bent"), ("--noticed", "rod")):
        off = toeline("measure", folder / "good.jpg", *words)
        assert off.code == 2
        assert "noticed" in off.err or "can be" in off.err


def test_a_current_out_of_range_is_the_first_thing_said(toeline, folder):
    said = toeline(
        "measure", folder / "good.jpg", "--electrode-class", "E7018", "--electrode", "1/8", "--current", 95,
        "--criteria", "workmanship",
    )  # fmt: skip
    assert "First: Raise the current from 95 to 110 A" in said.out
    assert "arm" not in said.out.split("First:")[1].splitlines()[0]
    thin = toeline("measure", folder / "good.jpg", "--current", 200, "--thickness", 3)
    assert "First: Lower the current from 200 to 150 A" in thin.out
    wrong = ("--electrode-class", "E7018", "--polarity", "DC-")
    both = toeline("measure", folder / "good.jpg", "--current", 200, "--thickness", 3, *wrong)
    assert "First: Switch the machine off" in both.out
    assert "  then: Lower the current from 200 to 150 A" in both.out


def test_every_question_of_the_coach_has_an_option():
    from toeline.causes.chart import chart
    from toeline.cli.show import _OPTIONS

    for sign in chart().signs.values():
        for takes in sign.input.values():
            assert takes == "noticed" or takes.startswith("gauge.") or takes in _OPTIONS


def unboxed(said: Said) -> str:
    """An error's words without the frame that is drawn round them, and in one line."""
    return " ".join(said.err.replace("│", " ").split())


# -- what is off, and what is not to be written over -------------------------------------------------------------


@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "1e400"])
@pytest.mark.parametrize(
    "words",
    [
        ("measure", "PHOTO", "--thickness=N"), ("measure", "PHOTO", "--check-line=N"),
        ("measure", "PHOTO", "--electrode=N"), ("measure", "PHOTO", "--current=N"),
        ("measure", "PHOTO", "--box-range=N-N"), ("measure", "PHOTO", "--voltage=N"),
        ("measure", "PHOTO", "--arc-time=N"), ("measure", "PHOTO", "--intended-width=N"),
        ("measure", "PHOTO", "--position=N,10"), ("measure", "PHOTO", "--size=N"),
        ("measure", "PHOTO", "--joint-angle=N"), ("measure", "PHOTO", "--ends=N,1,2,3"),
        ("measure", "PHOTO", "--gauge=undercut_depth=N"), ("measure", "PHOTO", "--gauge=undercut_depth=0.4@N"),
        ("measure", "PHOTO", "--gauge=undercut_depth=0.4±N"), ("criteria", "iso5817-2023-c", "--thickness=N"),
        ("score", "FOLDER", "--thickness=N"), ("score", "FOLDER", "--check-line=N"),
        ("score", "FOLDER", "--electrode=N"), ("accuracy", "FOLDER", "--jobs=N"), ("app", "--port=N"),
    ],
    ids=" ".join,
)  # fmt: skip
def test_a_number_that_is_none_exits_with_2_and_a_sentence(toeline, folder, words, number):
    places = {"PHOTO": str(folder / "bare.jpg"), "FOLDER": str(folder)}
    said = toeline(*(places.get(word, word.replace("N", number)) for word in words))
    assert said.code == 2
    assert said.err.strip()
    assert "own at" not in said.err


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("deep.toml", "id = " + "[" * 20_000),
        ("digits.toml", "id = " + "9" * 20_000),
        ("huge.toml", "#" * 2_000_000),
        ("zero.toml", 'id="a"\nstandard="s"\nbase="workmanship"\n[[line]]\nid="spatter"\nwhen="t > 1/0"\n'),
        ("latin.toml", "id = 'é'"),
    ],
)  # fmt: skip
def test_a_criteria_or_rubric_file_that_is_none_is_a_sentence(toeline, folder, tmp_path, name, text):
    path = tmp_path / name
    path.write_text(text, "latin-1")
    for words in (
        ("criteria", path),
        ("measure", folder / "bare.jpg", "--criteria", path),
        ("score", folder, "--rubric", path),
    ):
        said = toeline(*words)
        assert said.code == 2
        assert said.err.count("\n") <= 2
        assert "own at" not in said.err


PROFILE = {
    "name": "n", "camera": None, "focal_35mm": None, "width_px": 4000, "height_px": 3000,
    "parameters": [3000, 2000, 1500, 0, 0], "covariance": [[0] * 5] * 5, "reprojection_rms_px": 0.1,
    "photos": 8, "cards": 8,
}  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        "[" * 100_000,
        "{}",
        "null",
        json.dumps(PROFILE | {"width_px": 0}),
        json.dumps(PROFILE | {"parameters": [-3000, 2000, 1500, 0, 0]}),
        json.dumps(PROFILE | {"covariance": [[-1] * 5] * 5}),
        json.dumps(PROFILE | {"covariance": []}),
        json.dumps(PROFILE | {"cards": 10**400}),
    ],
    ids=["deep", "empty", "null", "no width", "no lens", "negative", "no covariance", "cards"],
)
def test_a_camera_file_that_is_no_camera_s_is_a_sentence(toeline, folder, tmp_path, text):
    (tmp_path / "camera.json").write_text(text)
    said = toeline("measure", folder / "bare.jpg", "--camera", tmp_path / "camera.json")
    assert said.code == 2
    assert "is not a camera profile" in said.err


def test_a_file_that_is_there_is_written_over_only_by_force_and_a_photo_never(toeline, folder, tmp_path):
    photo = tmp_path / "mine.jpg"
    photo.write_bytes((folder / "bare.jpg").read_bytes())
    there = tmp_path / "there.png"
    there.write_bytes(b"kept")
    assert "is there already" in unboxed(toeline("measure", photo, "--picture", there))
    assert there.read_bytes() == b"kept"
    for force in ((), ("--force",)):
        said = toeline("measure", photo, "--picture", photo, *force)
        assert said.code == 2
        assert "is what the command reads" in unboxed(said)
    assert photo.read_bytes() == (folder / "bare.jpg").read_bytes()
    assert toeline("measure", photo, "--picture", there, "--force").code == 3  # no bead in it
    assert there.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    "words",
    [
        ("score", "class", "--csv", "OUT"), ("score", "class", "--xlsx", "OUT"), ("score", "class", "--sheets", "OUT"),
        ("score", "class", "--roster", "list.csv", "--json", "OUT"), ("wall-chart", "class", "OUT"),
        ("compare", "class/a.jpg", "class/b.jpg", "--sheet", "OUT"), ("compare", "a.json", "a.json", "--json", "OUT"),
    ],
    ids=" ".join,
)  # fmt: skip
def test_no_command_of_a_class_writes_over_what_it_reads_or_unasked_over_more(toeline, tmp_path, monkeypatch, words):
    (tmp_path / "class").mkdir()
    files = [tmp_path / name for name in ("class/a.jpg", "class/b.jpg", "list.csv", "a.json", "there")]
    for file in files:
        file.write_bytes(b"kept")
    monkeypatch.chdir(tmp_path)
    read = [word for word in words if (tmp_path / word).is_file()] or ["class/b.jpg"]
    for out, force in ((read[-1], ()), (read[-1], ("--force",)), ("there", ())):
        said = toeline(*(out if word == "OUT" else word for word in words), *force)
        assert said.code == 2
        assert ("is there already" if out == "there" else "is what the command reads") in unboxed(said)
    assert all(file.read_bytes() == b"kept" for file in files)


def test_a_camera_s_profile_is_not_written_over_its_photos(toeline, folder, tmp_path):
    photo = tmp_path / "card.jpg"
    shutil.copy(folder / "bare.jpg", photo)
    assert "is what the command reads" in unboxed(toeline("camera", photo, "--out", photo))
    assert photo.read_bytes() == (folder / "bare.jpg").read_bytes()


def test_the_name_of_one_file_is_no_folder_for_several_photos(toeline, folder, tmp_path):
    for name, option in (("out.pdf", "--report"), ("out.jpg", "--picture"), ("out.json", "--json")):
        said = toeline("measure", folder / "bare.jpg", folder / "good.jpg", option, tmp_path / name)
        assert said.code == 2
        assert "name a folder" in unboxed(said)
        assert not (tmp_path / name).exists()


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes")
def test_a_name_of_any_bytes_is_shown_and_kept_as_text(toeline, folder, tmp_path):
    name = os.fsdecode(b"\xff\x1b[31mred\n\xe2\x80\xae.jpg")
    (tmp_path / name).write_bytes((folder / "bare.jpg").read_bytes())
    said = toeline("measure", tmp_path / name, "--json", tmp_path / "r.json")
    assert said.code == 3
    for text in (said.out, said.err, (tmp_path / "r.json").read_text("utf-8")):
        assert not {"\x1b", "\u202e"} & set(text)
        text.encode("utf-8")
    broken = tmp_path / os.fsdecode(b"\xfe\x1b]0;title\x07.jpg")
    broken.write_bytes(b"no photo")
    said = toeline("measure", broken)
    assert said.code == 3
    assert "\x1b" not in said.err
    assert "\x07" not in said.err


@pytest.mark.skipif(sys.platform == "win32", reason="the system keeps no such limit")
def test_a_disk_that_is_full_leaves_no_half_file_and_is_named(folder, tmp_path):
    """Files may grow to 2 kB here, as if no more room were left."""
    for option, name in (("--picture", "p.png"), ("--json", "r.json"), ("--report", "r.pdf")):
        limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000)); "
        words = [sys.executable, "-c", limit + "from toeline.cli import main; main()"]
        done = subprocess.run(
            [*words, "measure", str(folder / "bare.jpg"), option, str(tmp_path / name)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 3, done.stderr
        assert (name if name != "r.pdf" else "temporary folder") in done.stderr
        assert list(tmp_path.iterdir()) == []


def test_a_table_of_several_photos_goes_on_where_it_was_stopped(toeline, folder, tmp_path):
    table = tmp_path / "all.parquet"
    said = toeline("measure", folder / "good.jpg", folder / "broken.jpg", "--parquet", table)
    assert said.code == 3
    assert {path.name for path in tmp_path.iterdir()} == {"all.parquet"}
    assert "is there already" in unboxed(toeline("measure", folder / "good.jpg", "--parquet", table))


def test_what_to_mind_is_said_once_for_all_photos_and_a_look_by_its_own_option(toeline, folder, tmp_path):
    again = tmp_path / "again.jpg"
    again.write_bytes((folder / "good.jpg").read_bytes())
    said = toeline("measure", folder / "good.jpg", again, "--criteria", "workmanship").out
    for line in ("never look at the live arc", "Acceptance belongs to the governing code"):
        assert said.count(line) == 1, line
    assert said.count("Workmanship for training, edition 1") == 2
    asked = re.findall(r"--(gauge|looked) (\w+)=(\S+)\)", said)
    assert all((option == "looked") == bool(gauges()[name].question) for option, name, _ in asked), asked


def test_a_card_of_either_letter_case_is_written(toeline, tmp_path):
    for kind in ("a", "B", "fold"):
        assert toeline("card", tmp_path / f"{kind}.svg", "--kind", kind).code == 0


def test_no_scheduler_is_a_sentence(toeline, folder):
    pytest.importorskip("distributed")
    said = toeline("measure", folder / "bare.jpg", "--scheduler", "nonsense://")
    assert said.code == 2
    assert "No scheduler answers" in said.err


def commands(group=None, words=()):
    """Every command with the words that call it."""
    group = group or typer.main.get_command(app)
    for name, one in group.commands.items():
        yield from commands(one, (*words, name)) if hasattr(one, "commands") else [(*words, name)]


@pytest.mark.parametrize("words", list(commands()), ids=" ".join)
def test_help_speaks_to_people(toeline, words):
    said = toeline(*words, "--help")
    assert said.code == 0
    assert not re.search(r"<(bool|str|int|float|path|list|file|int range|Path)\b", said.out), said.out


def test_several_photos_and_one_report_file_ask_for_a_folder(toeline, folder, tmp_path):
    said = toeline("measure", folder / "good.jpg", folder / "bare.jpg", "--report", tmp_path / "out.pdf")
    assert said.code == 2
    assert "for several photos name a folder" in " ".join(said.err.replace("│", " ").split())
    assert not (tmp_path / "out.pdf").exists()


@pytest.mark.parametrize("what", ["criteria", "rubric", "procedure"])
def test_a_wrong_file_is_told_of_without_words_for_programmers(toeline, tmp_path, what):
    broken = tmp_path / "broken.toml"
    broken.write_text(f'schema = "toeline.{what}/1"\nid = "Not An Id"\nname = 3\n')
    words = {"criteria": ("criteria", broken), "rubric": ("rubric", broken), "procedure": ("procedure", broken)}
    said = toeline(*words[what])
    assert said.code == 2
    assert "Value error" not in said.err
    assert len(said.err.strip().splitlines()) == 1
