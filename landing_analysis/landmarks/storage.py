"""Landmarks and camera path of a clip <-> a Parquet file.

A Parquet file, schema version 1, with one row per frame and person slot, ordered
by frame and then slot:

========================  =======  ====================================================
column                    type     meaning
========================  =======  ====================================================
frame                     int64    frame number from 0
t_s                       float64  presentation time, seconds
person                    int64    slot from 0; a slot is not an identity
<landmark>_x_px           float64  pixels of the upright picture, x to the right
<landmark>_y_px           float64  pixels, y down
<landmark>_visibility     float64  0..1, the model's own scale
<landmark>_world_x_m      float64  metres from mid-hip, x to the right in the picture
<landmark>_world_y_m      float64  metres, y down
<landmark>_world_z_m      float64  metres, z away from the camera
camera_shift_x_px         float64  where the frame's middle lies in the reference picture
camera_shift_y_px         float64  the same, y down
camera_turn_deg           float64  clockwise turn of the frame into the reference
camera_zoom               float64  size of things in the frame over that in the reference
camera_sd_px              float64  standard uncertainty of a point carried over
looked                    bool     the model looked at the frame; else interpolated
<landmark>_mirrored_x_px  float64  the patient's, by a look at the mirrored picture, turned back
<landmark>_mirrored_y_px  float64  the same, y down
========================  =======  ====================================================

The camera's columns are the same for all slots of a frame, NaN where the frame could not
be placed, and missing in files of earlier versions, as ``looked`` is where the model looked at
every frame, and the mirrored ones where no mirrored picture was looked at; landmarks are always
as filmed.

Landmarks are named as in `tables.LANDMARK_NAMES`; an empty slot is NaN throughout.
Values come back exactly as they were. The schema's metadata holds one entry,
``landing_analysis``: a JSON object with ``schema_version``, ``package_version``,
``clip`` (its facts, without the name of its file), ``model`` (name and sha256), ``camera``
(state, focal length of the reference picture in pixels, reason; null where nobody looked) and
``light`` (lists of the record `tables.Light`, null where a slot is empty or nothing was
measured).
"""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import Any, cast

import numpy as np

from landing_analysis import __version__
from landing_analysis.errors import CacheError, TableError
from landing_analysis.files import new_file
from landing_analysis.reasons import as_plain, from_plain
from landing_analysis.tables import (
    LANDMARK_NAMES,
    N_LANDMARKS,
    BoolArray,
    CameraPath,
    Clip,
    FloatArray,
    Light,
    Note,
    Poses,
)

SCHEMA_VERSION = 1
_FRAMES_AT_ONCE = 5000  # 8 MB per person, so that a long clip is not held three times
_METADATA_KEY = b"landing_analysis"
_VALUES = ("x_px", "y_px", "visibility", "world_x_m", "world_y_m", "world_z_m")
_COLUMNS = tuple(f"{name}_{value}" for name in LANDMARK_NAMES for value in _VALUES)
_MIRRORED = tuple(f"{name}_mirrored_{axis}_px" for name in LANDMARK_NAMES for axis in ("x", "y"))
_CAMERA_COLUMNS = ("camera_shift_x_px", "camera_shift_y_px", "camera_turn_deg", "camera_zoom",
                   "camera_sd_px")  # fmt: skip


def write_landmarks(path: Path, poses: Poses, clip: Clip) -> None:
    """Store what the pose model saw, so that it need not look again.

    Parameters
    ----------
    path : of the Parquet file; its schema is in the module's docstring
    poses, clip : of the same frames

    Raises
    ------
    TableError
        When clip and poses are not of the same frames.
    OutputError
    """
    import pyarrow.parquet as pq

    if not np.array_equal(poses.t_s, clip.t_s):
        raise TableError("Clip and poses do not have the same frame times.")
    metadata = {_METADATA_KEY: json.dumps(_describe(poses, clip)).encode()}
    schema = _rows(poses, slice(0, 0)).schema.with_metadata(metadata)
    with (
        new_file(path) as temporary,
        pq.ParquetWriter(temporary, schema, compression="zstd", use_dictionary=False) as writer,
    ):
        for first in range(0, len(poses.t_s), _FRAMES_AT_ONCE):
            rows = _rows(poses, slice(first, first + _FRAMES_AT_ONCE))
            writer.write_table(rows.replace_schema_metadata(metadata))


def _rows(poses: Poses, frames: slice):  # type: ignore[no-untyped-def]
    """Return the rows of some frames as a pyarrow table."""
    import pyarrow as pa

    numbers = np.arange(len(poses.t_s))[frames]
    parts = [poses.xy_px[frames], poses.visibility[frames, :, :, None], poses.world_m[frames]]
    values = np.concatenate(parts, axis=3)
    n_frames, n_slots = values.shape[:2]
    by_column = np.ascontiguousarray(values.reshape(n_frames * n_slots, len(_COLUMNS)).T)
    columns = {
        "frame": np.repeat(numbers, n_slots),
        "t_s": np.repeat(poses.t_s[frames], n_slots),
        "person": np.tile(np.arange(n_slots), n_frames),
        **dict(zip(_COLUMNS, by_column, strict=True)),
        **_camera_columns(poses.camera, n_slots, frames),
        **({} if poses.looked is None else {"looked": np.repeat(poses.looked[frames], n_slots)}),
        **_mirrored_columns(poses.mirrored_px, n_slots, frames),
    }
    return pa.table({name: _as_arrow(values) for name, values in columns.items()})


def _as_arrow(values: Any) -> Any:
    """Return an array as pyarrow's; `pa.array` would load pandas."""
    import pyarrow as pa

    packed = np.packbits(values, bitorder="little") if values.dtype == bool else values
    buffers = [None, pa.py_buffer(packed)]
    return pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(values), buffers)


def read_landmarks(path: Path) -> tuple[Clip, Poses]:
    """Read back what `write_landmarks` stored.

    Raises
    ------
    CacheError
        When the file is missing, damaged, or of another schema version.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path, memory_map=False) as file:  # read_table would load pandas
            table = file.read()
        facts = json.loads(table.schema.metadata[_METADATA_KEY])
    except (OSError, pa.ArrowInvalid, KeyError, TypeError, ValueError) as error:
        raise CacheError(
            f"{path} holds no stored landmarks that can be read; analyse the clip itself."
        ) from error
    if facts.get("schema_version") != SCHEMA_VERSION:
        raise CacheError(
            f"{path} was stored in schema version {facts.get('schema_version')}, this program "
            f"reads version {SCHEMA_VERSION}; analyse the clip itself."
        )
    try:
        return _restore(table, facts, "/".join(path.parts[-2:]))
    except (KeyError, TypeError, ValueError, TableError) as error:
        raise CacheError(
            f"{path} lacks parts of the stored landmarks; analyse the clip itself."
        ) from error


def _describe(poses: Poses, clip: Clip) -> dict[str, object]:
    elsewhere = ("t_s", "notes", "file")  # a clip's name may tell who it is
    facts = {f.name: getattr(clip, f.name) for f in fields(clip) if f.name not in elsewhere}
    return {
        "schema_version": SCHEMA_VERSION,
        "package_version": __version__,
        "clip": {**facts, "notes": [_plain_note(note) for note in clip.notes]},
        "model": {"name": poses.model_name, "sha256": poses.model_sha256},
        "light": poses.light and _describe_light(poses.light),
        "camera": poses.camera
        and {
            "state": poses.camera.state,
            "focal_px": poses.camera.focal_px,
            "reason": as_plain(poses.camera.reason),
        },
    }


def _plain_note(note: Note) -> dict[str, object]:
    remarks = [as_plain(remark) for remark in note.remarks]
    return {"check": note.check, "state": note.state, "remarks": remarks}


def _restore_note(facts: dict[str, Any]) -> Note:
    remarks = facts["remarks"] if "remarks" in facts else [facts["text"]]
    known = (from_plain(remark) for remark in remarks)
    return Note(facts["check"], facts["state"], tuple(remark for remark in known if remark))


def _camera_columns(path: CameraPath | None, n_slots: int, frames: slice) -> dict[str, FloatArray]:
    if path is None:
        return {}
    by_frame = (*path.shift_px.T, path.turn_deg, path.zoom, path.sd_px)
    return {
        name: np.repeat(values[frames], n_slots)
        for name, values in zip(_CAMERA_COLUMNS, by_frame, strict=True)
    }


def _mirrored_columns(
    points_px: FloatArray | None, n_slots: int, frames: slice
) -> dict[str, FloatArray]:
    if points_px is None:
        return {}
    by_column = points_px[frames].reshape(-1, len(_MIRRORED)).T
    return {
        name: np.repeat(values, n_slots) for name, values in zip(_MIRRORED, by_column, strict=True)
    }


def _describe_light(light: Light) -> dict[str, object]:
    return {f.name: _nan_to_none(getattr(light, f.name).tolist()) for f in fields(light)}


def _nan_to_none(values: object) -> object:
    if isinstance(values, list):
        return [_nan_to_none(value) for value in values]
    return None if values != values else values


def _restore_light(facts: dict[str, list[object]]) -> Light:
    return Light(**{f.name: np.array(facts[f.name], dtype=float) for f in fields(Light)})


def _restore(table, facts, file: str) -> tuple[Clip, Poses]:  # type: ignore[no-untyped-def]
    def column(name: str) -> FloatArray:
        stored = table[name]
        whole = stored.num_chunks and not stored.null_count  # to_numpy would load pandas
        return cast(
            FloatArray, np.from_dlpack(stored.combine_chunks()) if whole else stored.to_numpy()
        )

    facts_of_clip = {**facts["clip"], "file": file}  # earlier versions stored the clip's own name
    notes = tuple(_restore_note(note) for note in facts_of_clip.pop("notes"))
    n_frames = facts_of_clip["frames"]
    n_slots = len(table) // n_frames
    t_s = column("t_s")[::n_slots].copy()
    values = np.stack([column(name) for name in _COLUMNS], axis=1)
    values = values.reshape(n_frames, n_slots, N_LANDMARKS, len(_VALUES))
    names = table.schema.names
    clip = Clip(t_s=t_s, notes=notes, **facts_of_clip)
    poses = Poses(
        t_s=t_s,
        xy_px=values[..., 0:2].copy(),
        visibility=values[..., 2].copy(),
        world_m=values[..., 3:6].copy(),
        width_px=clip.width_px,
        height_px=clip.height_px,
        model_name=facts["model"]["name"],
        model_sha256=facts["model"]["sha256"],
        light=_restore_light(facts["light"]) if facts.get("light") else None,
        camera=_restore_camera(facts.get("camera"), column, n_slots),
        looked=_looked(table["looked"], n_slots) if "looked" in names else None,
        mirrored_px=_mirrored(column, n_slots) if _MIRRORED[0] in names else None,
    )
    return clip, poses


def _looked(stored, n_slots: int) -> BoolArray:  # type: ignore[no-untyped-def]
    whole: BoolArray = np.from_dlpack(stored.cast("uint8").combine_chunks()).astype(bool)
    return whole[::n_slots].copy()


def _mirrored(column, n_slots: int) -> FloatArray:  # type: ignore[no-untyped-def]
    by_frame = np.stack([column(name)[::n_slots] for name in _MIRRORED], axis=1)
    return by_frame.reshape(len(by_frame), N_LANDMARKS, 2)


def _restore_camera(facts, column, n_slots: int) -> CameraPath | None:  # type: ignore[no-untyped-def]
    if facts is None:
        return None
    by_frame = np.stack([column(name)[::n_slots] for name in _CAMERA_COLUMNS])
    return CameraPath(
        shift_px=by_frame[:2].T.copy(),
        turn_deg=by_frame[2],
        zoom=by_frame[3],
        sd_px=by_frame[4],
        known=np.isfinite(by_frame[2]),
        state=facts["state"],
        focal_px=facts["focal_px"],
        reason=from_plain(facts["reason"]),
    )
