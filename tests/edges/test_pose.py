"""The pose engine behind its door: same answer from any worker, any array, any machine state."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from importlib.resources import files
from io import BytesIO
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from landing_analysis.errors import ModelError, TableError
from landing_analysis.landmarks import pose, workers
from landing_analysis.landmarks.engine import Answer, Question, _missing_part
from landing_analysis.landmarks.pose import Model, find_poses, load_model
from landing_analysis.landmarks.windows import InWindow, Relaid
from landing_analysis.landmarks.workers import Places
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import LANDMARK, Clip, Frame, Poses
from landing_analysis.video.clips import read_frames

SAMPLE = Path(__file__).parents[2] / "sample_clips" / "p01_jumps_front.mp4"
CROP_NOISE_PX = 12.0
"""The engine crops anew in every frame, which moves landmarks by some pixels."""


def _clip_of(frames: list[Frame]) -> Clip:
    height, width = frames[0].rgb.shape[:2]
    t_s = np.array([frame.t_s for frame in frames])
    return Clip("P-01.mp4", "0", width, height, len(frames), 1.0, 60.0, False, t_s)


def _with_pictures(frames: list[Frame], change) -> list[Frame]:
    return [frame._replace(rgb=change(frame.rgb)) for frame in frames]


def _look(frames: list[Frame], **settings: int) -> Poses:
    return find_poses(frames, _clip_of(frames), PoseSettings(**settings))


@pytest.fixture(scope="module")
def frames() -> list[Frame]:
    return list(islice(read_frames(SAMPLE), 0, 5))


@pytest.fixture(scope="module")
def poses(frames) -> Poses:
    return _look(frames, workers=2)


def test_the_person_is_found_the_right_way_up(frames, poses):
    assert poses.xy_px.shape == (5, 1, 33, 2)
    assert_array_equal(poses.t_s, [frame.t_s for frame in frames])
    xy = poses.xy_px[0, 0]
    heights = [xy[LANDMARK[f"left_{part}"], 1] for part in ("shoulder", "hip", "knee", "ankle")]
    assert heights == sorted(heights)
    # Seen from the front the patient's left is to the right of the picture.
    assert xy[LANDMARK["left_hip"], 0] > xy[LANDMARK["right_hip"], 0]
    assert poses.visibility.min() >= 0
    assert poses.model_sha256 == hashlib.sha256(load_model().data).hexdigest()


def test_the_number_of_workers_changes_nothing(frames, poses):
    alone = _look(frames, workers=1)
    assert_array_equal(alone.xy_px, poses.xy_px)
    assert_array_equal(alone.world_m, poses.world_m)
    assert_array_equal(alone.visibility, poses.visibility)


def test_padded_and_reversed_arrays_do_not_shear_the_picture(frames, poses):
    def padded(rgb: np.ndarray) -> np.ndarray:
        wide = np.zeros((rgb.shape[0], rgb.shape[1] + 5, 3), np.uint8)
        wide[:, :-5] = rgb
        return wide[:, :-5]

    def twice_reversed(rgb: np.ndarray) -> np.ndarray:
        return np.ascontiguousarray(rgb[::-1, ::-1])[::-1, ::-1]

    for change in (padded, twice_reversed):
        changed = _with_pictures(frames[:2], change)
        assert not changed[0].rgb.flags.c_contiguous
        assert_array_equal(_look(changed, workers=1).xy_px, poses.xy_px[:2])


@pytest.mark.parametrize("width", [405, 412, 540])
def test_a_narrow_picture_gives_the_same_body(frames, poses, width):
    left = (720 - width) // 2
    cut = _with_pictures(frames[:1], lambda rgb: rgb[:, left : left + width])
    found = _look(cut, workers=1).xy_px[0, 0] + [left, 0]
    assert_allclose(found, poses.xy_px[0, 0], atol=CROP_NOISE_PX)


def test_windows_laid_anew_show_what_the_same_windows_show_when_they_are_given(frames):
    relaid = Relaid(side_share=0.9, lower=0.02, turn=-0.1)
    with pose.started(_clip_of(frames), PoseSettings(workers=1), load_model()) as engine:
        (plain,) = engine.look_for_people(frames[:1])
        (anew,) = engine.look_for_people(frames[:1], relaid={frames[0].number: relaid})
        window_px = relaid.of(plain.windows_px)[0]
        (given,) = engine.look_for_people([InWindow(frames[0], window_px)])
    assert_array_equal(anew.people, given.people)
    assert np.abs(anew.people - plain.people)[..., :2].max() > 0.1


def test_pictures_reach_the_engine_as_they_are(frames, monkeypatch):
    seen = []

    class Engines:
        def __init__(self, places: Places) -> None:
            self._places = places

        def look(self, question: Question) -> Future:
            seen.append(self._places.picture(question.place).copy())
            answer: Future = Future()
            answer.set_result(Answer(np.empty((0, 33, 6)), np.empty((0, 4))))
            return answer

    @contextmanager
    def engines(workers: int, bundle: bytes, max_people: int, places: Places) -> Iterator[Engines]:
        yield Engines(places)

    monkeypatch.setattr(pose, "engines", engines)
    _look(frames[:1], workers=1)
    # Red first: the reader's own tests hold it to that.
    assert_array_equal(seen[0], frames[0].rgb)


def test_nobody_in_view_is_an_empty_slot():
    black = [Frame(n, n / 30, np.zeros((320, 240, 3), np.uint8)) for n in range(2)]
    found = _look(black, workers=1)
    assert found.xy_px.shape == (2, 1, 33, 2)
    assert np.isnan(found.xy_px).all()
    assert (found.visibility == 0).all()


def test_two_people_get_two_slots(frames):
    beside = _with_pictures(frames[:1], lambda rgb: np.concatenate([rgb, rgb], axis=1))
    found = _look(beside, workers=1)
    assert found.xy_px.shape[1] == 2
    hips = np.sort(found.xy_px[0, :, LANDMARK["left_hip"], 0])
    assert_allclose(hips[1] - hips[0], 720, atol=2 * CROP_NOISE_PX)


def test_frames_of_another_size_or_kind_are_refused(frames):
    clip = _clip_of(frames)
    with pytest.raises(TableError, match="Frame 0 is uint8"):
        find_poses([frames[0]._replace(rgb=frames[0].rgb[:-2])], clip, PoseSettings())
    grey = frames[0]._replace(rgb=frames[0].rgb.astype(np.float32))
    with pytest.raises(TableError, match="float32"):
        find_poses([grey], clip, PoseSettings())


def test_progress_counts_every_frame_and_is_closed_after_an_error(frames):
    told: list[object] = []

    class Listener:
        def advance(self, n: int) -> None:
            told.append(n)

        def close(self) -> None:
            told.append("closed")

    def stops() -> list[Frame]:
        yield from frames[:2]
        raise ValueError("the disk is gone")

    clip = _clip_of(frames)
    find_poses(frames, clip, PoseSettings(workers=1), progress=Listener())
    assert told == [1] * 5 + ["closed"]
    told.clear()
    with pytest.raises(ValueError, match="disk is gone"):
        find_poses(stops(), clip, PoseSettings(workers=1), progress=Listener())
    assert told[-1] == "closed"


# --- the model bundle


def test_the_bundle_is_the_pinned_one_and_can_be_mapped():
    model = load_model()
    path = files("landing_analysis") / "data" / "pose_full.task"
    with path.open("rb") as opened, zipfile.ZipFile(opened) as bundle:
        members = bundle.infolist()
    assert {m.filename for m in members} == {
        "pose_detector.tflite",
        "pose_landmarks_detector.tflite",
    }
    assert all(m.compress_type == zipfile.ZIP_STORED for m in members)
    assert model.name == "pose_full.task"


def test_a_window_shows_the_person_whom_the_detector_found_there_and_no_other(frames, poses):
    beside = _with_pictures(frames[:1], lambda rgb: np.concatenate([rgb, rgb], axis=1))
    clip = _clip_of(beside)
    with pose.started(clip, PoseSettings(workers=1), load_model()) as engine:
        (everybody,) = engine.look_for_people(beside)
        asked = [InWindow(beside[0], window_px) for window_px in everybody.windows_px]
        one_by_one = list(engine.look_for_people(asked))
        elsewhere = np.array([-5000.0, -5000.0, 10.0, 0.0])
        (lost,) = engine.look_for_people([InWindow(beside[0], elsewhere)])
    for one, person in zip(one_by_one, everybody.people, strict=True):
        assert_array_equal(one.people[0], person)
        assert np.isnan(one.windows_px).all()
    assert_array_equal(lost.people, everybody.people)  # where nobody is, everybody is looked for
    assert_array_equal(lost.windows_px, everybody.windows_px)


def test_an_altered_bundle_in_the_package_is_refused(monkeypatch):
    monkeypatch.setattr(pose, "_pinned_sha256", lambda: "0" * 64)
    with pytest.raises(ModelError, match="was altered"):
        load_model()


def test_a_bundle_of_ones_own_is_recorded_by_its_fingerprint(tmp_path):
    path = tmp_path / "other.task"
    path.write_bytes(b"abc")
    model = load_model(path)
    assert (model.name, model.sha256) == ("other.task", hashlib.sha256(b"abc").hexdigest())
    with pytest.raises(ModelError, match="cannot be read"):
        load_model(tmp_path / "nowhere.task")


def test_a_bundle_of_other_networks_is_refused_in_one_sentence(frames):
    with zipfile.ZipFile(BytesIO(load_model().data)) as bundle:
        detector = bundle.read("pose_detector.tflite")
    other = BytesIO()
    with zipfile.ZipFile(other, "w") as bundle:
        bundle.writestr("pose_detector.tflite", detector)
        bundle.writestr("pose_landmarks_detector.tflite", detector)
    with pytest.raises(ModelError, match="other inputs or outputs"):
        find_poses(frames, _clip_of(frames), PoseSettings(), Model("x", "0", other.getvalue()))


def test_what_is_no_bundle_is_refused_in_one_sentence(frames):
    with pytest.raises(ModelError, match="refuses the model") as caught:
        find_poses(frames, _clip_of(frames), PoseSettings(workers=2), Model("x", "0", b"abc"))
    assert "\n" not in str(caught.value)


def test_a_missing_system_library_is_named():
    lacking = ImportError(
        "libstdc++.so.6: cannot open shared object file: No such file or directory"
    )
    assert "libstdc++.so.6" in _missing_part(lacking)
    assert "not installed" in _missing_part(ImportError("No module named 'ai_edge_litert'"))


def test_an_engine_that_dies_is_an_error_and_not_a_wait(frames, monkeypatch):
    monkeypatch.setattr(workers, "_START", "import os, sys; {path!r}; os._exit(9)")
    with pytest.raises(ModelError, match=r"ended by itself \(exit code 9\)"):
        find_poses(frames, _clip_of(frames), PoseSettings(workers=2))


# --- what the rest of the program may rely on


def test_importing_the_door_does_not_load_the_engine():
    code = (
        "import sys, landing_analysis.landmarks.pose, landing_analysis.video.clips;"
        "print(sorted({'ai_edge_litert', 'cv2', 'matplotlib', 'pyarrow'} & set(sys.modules)))"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert result.stdout.strip() == "[]"


def test_a_script_without_a_main_guard_runs_quietly(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "import numpy as np\n"
        "from landing_analysis.landmarks.pose import find_poses\n"
        "from landing_analysis.settings import PoseSettings\n"
        "from landing_analysis.tables import Clip, Frame\n"
        "frames = [Frame(0, 0.0, np.zeros((64, 64, 3), np.uint8))]\n"
        "clip = Clip('x', '0', 64, 64, 1, 1.0, 30.0, False, np.zeros(1))\n"
        "print(find_poses(frames, clip, PoseSettings()).xy_px.shape)\n"
    )
    result = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, check=True, timeout=120
    )
    assert result.stdout == "(1, 1, 33, 2)\n"
    assert result.stderr == ""
