"""Stored landmarks come back as they were; nothing is ever half-written."""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields, replace

import numpy as np
import pyarrow.parquet as pq
import pytest
from told import told

from landing_analysis.errors import CacheError, OutputError, TableError
from landing_analysis.files import new_folder, sha256_of, write_bytes, write_text
from landing_analysis.landmarks import storage
from landing_analysis.landmarks.storage import read_landmarks, write_landmarks
from landing_analysis.tables import (
    LANDMARK_NAMES,
    LIGHT_PARTS,
    N_LANDMARKS,
    Clip,
    Light,
    Note,
    Poses,
)


def _stored(n_frames: int = 7, n_slots: int = 2) -> tuple[Clip, Poses]:
    rng = np.random.default_rng(3)
    t_s = np.cumsum(rng.uniform(0.01, 0.05, n_frames))
    shape = (n_frames, n_slots, N_LANDMARKS)
    xy = rng.normal(400, 200, (*shape, 2))
    xy[2:4, -1] = np.nan
    poses = Poses(
        t_s, xy, rng.uniform(0, 1, shape), rng.normal(0, 1, (*shape, 3)), 720, 1280, "m.task", "ab"
    )
    notes = (Note("mirrored", "limited", (told("An Übung."),)),)
    return Clip(
        "new/landmarks.parquet", "cd", 720, 1280, n_frames, 1.5, 30.0, True, t_s, notes
    ), poses


def _assert_same(one: object, other: object) -> None:
    for item in fields(one):  # type: ignore[arg-type]
        np.testing.assert_array_equal(getattr(one, item.name), getattr(other, item.name))


def test_the_fingerprint_is_sha256(tmp_path):
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: the digest of "abc".
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of(path) == hashlib.sha256(b"abc").hexdigest()


@pytest.mark.parametrize("at_once", [5000, 7, 3])
@pytest.mark.parametrize("n_slots", [1, 3])
def test_landmarks_come_back_exactly(tmp_path, monkeypatch, n_slots, at_once):
    monkeypatch.setattr(storage, "_FRAMES_AT_ONCE", at_once)
    clip, poses = _stored(n_slots=n_slots)
    path = tmp_path / "new" / "landmarks.parquet"
    write_landmarks(path, poses, clip)
    clip_back, poses_back = read_landmarks(path)
    _assert_same(clip, clip_back)
    _assert_same(poses, poses_back)
    assert [item.name for item in path.parent.iterdir()] == ["landmarks.parquet"]


def test_which_frames_were_looked_at_comes_back_and_older_files_mean_all(tmp_path):
    clip, poses = _stored(n_slots=2)
    path = tmp_path / "landmarks.parquet"
    write_landmarks(path, poses, clip)
    assert read_landmarks(path)[1].looked is None
    looked = np.arange(len(poses.t_s)) % 3 == 0
    write_landmarks(path, replace(poses, looked=looked), clip)
    back = read_landmarks(path)[1].looked
    assert back.dtype == bool
    assert back.tolist() == looked.tolist()


def _light(poses: Poses, looks: int = 3) -> Light:
    rng = np.random.default_rng(4)
    shape = (looks, poses.xy_px.shape[1])
    levels = rng.uniform(0, 255, shape)
    levels[1, -1] = np.nan
    steps = rng.uniform(0, 255, (*shape, 2 * len(LIGHT_PARTS)))
    return Light(poses.t_s[:looks], levels, levels + 1.0, steps, steps[..., :2])


def test_the_light_comes_back_exactly_and_older_files_have_none(tmp_path):
    clip, poses = _stored()
    path = tmp_path / "landmarks.parquet"
    write_landmarks(path, poses, clip)
    assert read_landmarks(path)[1].light is None
    light = _light(poses)
    write_landmarks(path, replace(poses, light=light), clip)
    back = read_landmarks(path)[1].light
    assert back is not None
    _assert_same(light, back)


def test_light_of_another_shape_is_refused(tmp_path):
    _, poses = _stored()
    light = _light(poses)
    with pytest.raises(TableError, match="contrast_levels"):
        replace(light, contrast_levels=light.contrast_levels[:, :, 1:])


def test_the_table_is_as_documented(tmp_path):
    clip, poses = _stored()
    path = tmp_path / "landmarks.parquet"
    write_landmarks(path, poses, clip)
    table = pq.read_table(path)
    values = ("x_px", "y_px", "visibility", "world_x_m", "world_y_m", "world_z_m")
    landmarks = [f"{name}_{value}" for name in LANDMARK_NAMES for value in values]
    assert table.column_names == ["frame", "t_s", "person", *landmarks]
    assert len(table) == 7 * 2
    row = table.slice(2 * 5 + 1, 1).to_pylist()[0]
    assert (row["frame"], row["t_s"], row["person"]) == (5, poses.t_s[5], 1)
    assert row["left_knee_y_px"] == poses.xy_px[5, 1, LANDMARK_NAMES.index("left_knee"), 1]
    assert row["nose_world_z_m"] == poses.world_m[5, 1, 0, 2]
    facts = json.loads(table.schema.metadata[b"landing_analysis"])
    assert facts["schema_version"] == 1
    assert facts["model"] == {"name": "m.task", "sha256": "ab"}
    assert facts["clip"]["sha256"] == "cd"


def test_landmarks_of_another_clip_are_not_stored(tmp_path):
    clip, poses = _stored()
    with pytest.raises(TableError, match="same frame times"):
        write_landmarks(tmp_path / "l.parquet", poses, replace(clip, t_s=clip.t_s + 1))
    assert not any(tmp_path.iterdir())


def test_what_is_no_landmark_table_is_refused(tmp_path):
    clip, poses = _stored()
    path = tmp_path / "landmarks.parquet"
    with pytest.raises(CacheError, match="no stored landmarks"):
        read_landmarks(path)
    write_landmarks(path, poses, clip)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(CacheError, match="no stored landmarks"):
        read_landmarks(path)


def test_a_table_of_another_version_or_without_columns_is_refused(tmp_path):
    clip, poses = _stored()
    path = tmp_path / "landmarks.parquet"
    write_landmarks(path, poses, clip)
    table = pq.read_table(path)
    pq.write_table(table.drop_columns(["left_hip_x_px"]), path)
    with pytest.raises(CacheError, match="lacks parts"):
        read_landmarks(path)
    facts = json.loads(table.schema.metadata[b"landing_analysis"]) | {"schema_version": 99}
    pq.write_table(table.replace_schema_metadata({b"landing_analysis": json.dumps(facts)}), path)
    with pytest.raises(CacheError, match="version 99"):
        read_landmarks(path)


def test_files_are_replaced_whole(tmp_path):
    path = tmp_path / "deep" / "report.txt"
    write_text(path, "first\nÜbung")
    write_text(path, "second")
    assert path.read_bytes() == b"second"
    write_bytes(path, b"\0\1")
    assert path.read_bytes() == b"\0\1"
    assert list(path.parent.iterdir()) == [path]


def test_a_place_that_cannot_be_written_is_one_sentence(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match=r"cannot be written .*choose another place"):
        write_text(tmp_path / "file" / "report.txt", "text")
    with pytest.raises(OutputError, match="cannot be written"):
        write_landmarks(tmp_path / "file" / "l.parquet", *reversed(_stored()))


def test_a_folder_is_replaced_whole_or_not_at_all(tmp_path):
    target = tmp_path / "report"

    def fill(text: str, *, fail: bool = False) -> None:
        with new_folder(target) as folder:
            (folder / "page.html").write_text(text)
            if fail:
                raise ValueError("stopped half-way")

    fill("first")
    fill("second")
    assert (target / "page.html").read_text() == "second"
    with pytest.raises(ValueError, match="half-way"):
        fill("third", fail=True)
    assert (target / "page.html").read_text() == "second"
    assert list(tmp_path.iterdir()) == [target]
