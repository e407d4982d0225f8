"""Files: fingerprints, writing that never leaves half a file, and stored landmarks.

Stored landmarks
----------------
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
========================  =======  ====================================================

The camera's columns are the same for all slots of a frame, NaN where the frame could not
be placed, and missing in files of earlier versions; landmarks are always as filmed.

Landmarks are named as in `tables.LANDMARK_NAMES`; an empty slot is NaN throughout.
Values come back exactly as they were. The schema's metadata holds one entry,
``landing_analysis``: a JSON object with ``schema_version``, ``package_version``,
``clip`` (its facts, without the name of its file), ``model`` (name and sha256), ``camera``
(state, focal length of the reference picture in pixels, reason; null where nobody looked) and
``light`` (lists of the record `tables.Light`, null where a slot is empty or nothing was
measured).
"""

from __future__ import annotations

import glob
import hashlib
import json
import os
import re
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from landing_analysis import __version__
from landing_analysis.errors import CacheError, OutputError, TableError
from landing_analysis.progress import NO_PROGRESS, Progress
from landing_analysis.reasons import as_plain, from_plain
from landing_analysis.tables import (
    LANDMARK_NAMES,
    N_LANDMARKS,
    CameraPath,
    Clip,
    FloatArray,
    Light,
    Note,
    Poses,
)

SCHEMA_VERSION = 1
MEGABYTE = 1 << 20
_FRAMES_AT_ONCE = 5000  # 8 MB per person, so that a long clip is not held three times
_LARGEST_DOCUMENT = 256 * MEGABYTE  # bytes; twenty minutes of jumps have a tenth (choice)
_UNSHOWN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
_PART, _REPLACED = ".part", ".replaced"
_METADATA_KEY = b"landing_analysis"
_VALUES = ("x_px", "y_px", "visibility", "world_x_m", "world_y_m", "world_z_m")
_COLUMNS = tuple(f"{name}_{value}" for name in LANDMARK_NAMES for value in _VALUES)
_CAMERA_COLUMNS = ("camera_shift_x_px", "camera_shift_y_px", "camera_turn_deg", "camera_zoom",
                   "camera_sd_px")  # fmt: skip


def sha256_of(path: Path, progress: Progress = NO_PROGRESS) -> str:
    """Return the sha256 of a file's content in hexadecimal; ``progress`` counts its megabytes."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as file:
        while block := file.read(MEGABYTE):
            digest.update(block)
            progress.advance(1)
    return digest.hexdigest()


def printable(text: str) -> str:
    """Return a file name, or a sentence with one in it, as text that any file and screen can hold.

    Bytes that are no text, and characters that would move the cursor or turn or break the line,
    are replaced.
    """
    return _UNSHOWN.sub("\ufffd", os.fsencode(text).decode("utf-8", "replace"))


def read_at_most(path: Path, most_bytes: int) -> bytes | None:
    """Return what is in a file, None when that is longer than is looked at."""
    with path.open("rb") as file:
        content = file.read(most_bytes + 1)
    return content if len(content) <= most_bytes else None


def read_document(path: Path) -> Any:
    """Read a JSON document of a report.

    Raises
    ------
    OSError
    ValueError
        When it is none, or longer or deeper than any report's.
    """
    content = read_at_most(path, _LARGEST_DOCUMENT)
    try:
        return json.loads(content or b"")
    except RecursionError as error:
        raise ValueError(f"{path} is nested too deep") from error


@contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """Give a temporary name to write to; the file takes its place only when complete.

    Parameters
    ----------
    path : where the file is to be; its folder is made when missing

    Yields
    ------
    Path
        A hidden name in the same folder, which is gone after an error.

    Raises
    ------
    OutputError
        When the place cannot be written.
    """
    temporary = _temporary_beside(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        temporary.replace(path)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


@contextmanager
def new_folder(path: Path) -> Iterator[Path]:
    """Give a temporary folder to fill; it takes its place, and the old one's, when complete.

    Parameters
    ----------
    path : where the folder is to be

    Raises
    ------
    OutputError
        When the place cannot be written; an earlier folder is then still there.
    """
    temporary, replaced = _temporary_beside(path), _temporary_beside(path, _REPLACED)
    try:
        temporary.mkdir(parents=True)
        yield temporary
        if path.exists():
            path.rename(replaced)
        temporary.rename(path)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        if replaced.exists() and not path.exists():
            replaced.rename(path)
        shutil.rmtree(replaced, ignore_errors=True)
        shutil.rmtree(temporary, ignore_errors=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file in UTF-8, whole or not at all."""
    with new_file(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def write_bytes(path: Path, data: bytes) -> None:
    """Write a binary file, whole or not at all."""
    with new_file(path) as temporary:
        temporary.write_bytes(data)


def _temporary_beside(path: Path, suffix: str = _PART) -> Path:
    return path.with_name(f".{path.name}.{uuid.uuid4().hex}{suffix}")


@contextmanager
def sole_writer(path: Path) -> Iterator[None]:
    """Keep a clip's folders to oneself, and put right what a killed process left there.

    Parameters
    ----------
    path : of the place; its name ends the names of the folders that `new_folder` makes there

    Raises
    ------
    OutputError
        When another process has it, which goes on undisturbed, or it cannot be written.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(path.with_name(f".{path.name}.lock"), blocking=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout as error:
        raise OutputError(
            f"The report of the same clip in {path.parent} is being written by another analysis; "
            "wait until that has ended, then start again."
        ) from error
    except OSError as error:
        raise _cannot_write(path, error) from error
    try:
        _clear_leftovers(path)
        yield
    finally:
        with suppress(OSError):
            Path(lock.lock_file).unlink()  # while held: who waits for it notices and makes another
        lock.release()


def _clear_leftovers(path: Path) -> None:
    """Delete temporary files of processes that were killed; a folder set aside comes back."""
    name = re.compile(rf"\.(.*{re.escape(path.name)})\.[0-9a-f]{{32}}(\.\w+)")
    for left in path.parent.iterdir():
        found = name.fullmatch(left.name)
        if found is None:
            continue
        target = left.with_name(found[1])
        if found[2] == _REPLACED and not target.exists():
            left.rename(target)
        shutil.rmtree(left, ignore_errors=True)
    for folder in path.parent.glob(f"*{glob.escape(path.name)}"):
        for left in folder.glob(f".*{_PART}") if folder.is_dir() else ():
            left.unlink(missing_ok=True)


def _cannot_write(path: Path, error: OSError) -> OutputError:
    return OutputError(
        f"{path} cannot be written ({error.strerror or error}); choose another place."
    )


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
    return pa.table({
        "frame": np.repeat(numbers, n_slots),
        "t_s": np.repeat(poses.t_s[frames], n_slots),
        "person": np.tile(np.arange(n_slots), n_frames),
        **dict(zip(_COLUMNS, by_column, strict=True)),
        **_camera_columns(poses.camera, n_slots, frames),
    })  # fmt: skip


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
        table = pq.read_table(path, memory_map=False)
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
        values: FloatArray = table[name].to_numpy()
        return values

    facts_of_clip = {**facts["clip"], "file": file}  # earlier versions stored the clip's own name
    notes = tuple(_restore_note(note) for note in facts_of_clip.pop("notes"))
    n_frames = facts_of_clip["frames"]
    n_slots = len(table) // n_frames
    t_s = column("t_s")[::n_slots].copy()
    values = np.stack([column(name) for name in _COLUMNS], axis=1)
    values = values.reshape(n_frames, n_slots, N_LANDMARKS, len(_VALUES))
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
    )
    return clip, poses


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
