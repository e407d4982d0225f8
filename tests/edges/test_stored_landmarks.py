"""Landmarks found once are used again, and only when clip, model and schema are the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from marked_engine import stand_in_by_time
from page import read_page
from stick_patient import jump_plan, make_motion, seen_at

from landing_analysis.analysing import analyse_clip
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks import pose
from landing_analysis.landmarks.storage import read_landmarks, write_landmarks
from landing_analysis.stages import Options
from landing_analysis.tables import LIMBS
from landing_analysis.video.clips import read_clip, write_clip
from landing_analysis.wording import words_of

_WHOLE, _ = make_motion(jump_plan(2), "front", LIMBS)
WIDTH, HEIGHT = 360, 640
LANDMARKS = replace(_WHOLE, xy_px=_WHOLE.xy_px / 2, width_px=WIDTH, height_px=HEIGHT)
OPTIONS = Options(limits=read_limits())


@pytest.fixture(scope="module")
def clip_path(tmp_path_factory) -> Path:
    """A grey clip with the times of the invented patient."""
    path = tmp_path_factory.mktemp("clips") / "P07_jumps.mp4"
    grey = np.full((HEIGHT, WIDTH, 3), 120, np.uint8)
    with write_clip(path, WIDTH, HEIGHT) as writer:
        for t_s in LANDMARKS.t_s:
            writer.write(grey, float(t_s))
    return path


@pytest.fixture
def looked(monkeypatch, clip_path, without_plots) -> list[str]:
    """Stands in for the pose engine and counts how often it is asked."""
    asked: list[str] = []
    started = stand_in_by_time(lambda _, frame: seen_at(LANDMARKS, frame), asked)
    monkeypatch.setattr(pose, "started", started)
    return asked


def test_the_light_of_a_clip_is_measured_once_and_stored(clip_path, looked, tmp_path):
    options = replace(OPTIONS, annotated_clip=False)
    folder = analyse_clip(clip_path, tmp_path, options).report.parent
    light = read_landmarks(folder / "landmarks.parquet")[1].light
    assert light is not None
    # The clip is grey, 120 of 255, but for what the encoder rounds.
    assert np.nanmax(np.abs(light.around_levels - 120)) <= 2
    checks = {note.check for note in analyse_clip(clip_path, tmp_path, options).analysis.notes}
    assert "light" in checks
    assert len(looked) == 1


def test_a_clip_gives_every_file_with_pictures_of_its_frames(clip_path, looked, tmp_path):
    folder = analyse_clip(clip_path, tmp_path, OPTIONS).report.parent
    assert {item.name for item in folder.iterdir()} == {
        "report.html", "reps.csv", "analysis.json", "annotated.mp4", "landmarks.parquet",
    }  # fmt: skip
    html = (folder / "report.html").read_text("utf-8")
    assert html.count("data:image/jpeg;base64,") >= 4  # some once more on the first page
    assert "stick figures" not in read_page(html).text
    assert read_clip(folder / "annotated.mp4").frames == len(LANDMARKS.t_s)


def test_a_second_analysis_does_not_look_again(clip_path, looked, tmp_path):
    first = analyse_clip(clip_path, tmp_path, replace(OPTIONS, annotated_clip=False))
    again = analyse_clip(clip_path, tmp_path, replace(OPTIONS, annotated_clip=False))
    assert looked == ["P07_jumps.mp4"]
    assert again.analysis.measures == first.analysis.measures


def test_landmarks_of_an_earlier_version_get_the_cameras_path_without_looking_again(
    clip_path, looked, tmp_path
):
    options = replace(OPTIONS, annotated_clip=False)
    stored = analyse_clip(clip_path, tmp_path, options).report.parent / "landmarks.parquet"
    clip, poses = read_landmarks(stored)
    write_landmarks(stored, replace(poses, camera=None), clip)
    again = analyse_clip(clip_path, tmp_path, options).analysis
    assert len(looked) == 1
    assert again.camera.state == "lost"
    assert "pattern that can be followed" in words_of(again.camera.reason)
    assert read_landmarks(stored)[1].camera is not None


@pytest.mark.parametrize("changed", ["clip", "model", "damaged"])
def test_landmarks_of_anything_else_are_found_anew(clip_path, looked, tmp_path, changed):
    options = replace(OPTIONS, annotated_clip=False)
    stored = analyse_clip(clip_path, tmp_path, options).report.parent / "landmarks.parquet"
    clip, poses = read_landmarks(stored)
    if changed == "clip":
        write_landmarks(stored, poses, replace(clip, sha256="0" * 64))
    elif changed == "model":
        write_landmarks(stored, replace(poses, model_sha256="0" * 64), clip)
    else:
        stored.write_bytes(b"half a file")
    analyse_clip(clip_path, tmp_path, options)
    assert len(looked) == 2
    assert read_landmarks(stored)[0].sha256 == clip.sha256


def test_the_annotated_clip_can_be_left_out(clip_path, looked, tmp_path):
    folder = analyse_clip(clip_path, tmp_path, replace(OPTIONS, annotated_clip=False)).report.parent
    assert not (folder / "annotated.mp4").exists()
    assert "annotated.mp4" not in (folder / "report.html").read_text("utf-8")


def test_long_steps_tell_how_far_they_are(clip_path, looked, tmp_path):
    steps: dict[str, list[int]] = {}

    def start(label: str, n: int):
        steps[label] = [n, 0]
        return _Counter(steps[label])

    analyse_clip(clip_path, tmp_path, OPTIONS, start)
    n = len(LANDMARKS.t_s)
    assert steps == {
        "P07_jumps.mp4: finding the body": [n, n],
        "P07_jumps.mp4: looking at it mirrored": [12, 12],  # two landings, and standing
        "P07_jumps.mp4: cutting out pictures": [4, 4],
        "P07_jumps.mp4: drawing the clip": [n, n],
    }


class _Counter:
    def __init__(self, state: list[int]) -> None:
        self.state = state

    def advance(self, n: int) -> None:
        self.state[1] += n

    def close(self) -> None:
        pass
