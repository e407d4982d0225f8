"""The only place that opens or writes video: upright frames at their own presentation times."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.container import InputContainer, OutputContainer
from av.video.frame import VideoFrame
from av.video.reformatter import (
    ColorPrimaries,
    ColorRange,
    Colorspace,
    ColorTrc,
)
from av.video.stream import VideoStream

from landing_analysis.errors import (
    ClipError,
    IncompleteClipError,
    MissingClipError,
    NoVideoError,
    OutputError,
)
from landing_analysis.files import new_file, sha256_of
from landing_analysis.progress import NO_PROGRESS, Progress
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ReadingSettings
from landing_analysis.tables import NO_PICTURE, Clip, FloatArray, Frame, Note, Picture
from landing_analysis.video.boxes import check_lengths, container_of, media_bytes, stated_samples
from landing_analysis.video.container_facts import capture_fps, frame_times, incomplete
from landing_analysis.video.decoding import trusted_frames
from landing_analysis.video.layout import Layout
from landing_analysis.video.opening import opened, require_container

CLIP_SUFFIXES = (".mp4", ".mov", ".m4v", ".3gp", ".mkv", ".webm", ".avi")
_UNFINISHED_SUFFIXES = (
    ".tmp", ".temp", ".part", ".partial", ".crdownload", ".download",
    ".filepart", ".!sync", ".icloud",
)  # fmt: skip
_PICTURE_BRANDS = {b"heic", b"heix", b"mif1", b"msf1", b"avif", b"M4A ", b"M4B "}
_READING = ReadingSettings()
_SEEK_BEYOND_S = 1.0  # phones write a key frame about once a second
_SEEK_MARGIN_S = 0.25  # decoding order runs ahead of showing order by a few frames
_LISTED_SHARE = 0.95  # of the media bytes; the rest may be padding (choice)
_MANY_SHARE = 0.8  # of the frames need a time of their own; else the clock is damaged (choice)
_LONGEST_CLIP_S = 86_400.0
_SAME_INSTANT_S = 1e-6
_WRITE_CLOCK = Fraction(1, 90_000)  # holds the times of 24, 25, 30, 60, 120 and 240 Hz exactly
_WRITE_OPTIONS = {"movflags": "+faststart"}
_NOMINAL_FPS = 30  # for the encoder's bookkeeping; the frames carry their own times


# ---------------------------------------------------------------- reading


def read_clip(path: Path, progress: Progress = NO_PROGRESS) -> Clip:
    """Read the facts of a clip without decoding more than one frame.

    Parameters
    ----------
    path : of the video file
    progress : counts megabytes, each twice, since the file is read twice

    Returns
    -------
    Clip
        Sizes are those of the upright picture with square pixels as it is read, at most
        `layout.LONGEST_READ_PX` long; ``t_s`` holds the presentation time of every frame
        that a player shows.

    Raises
    ------
    MissingClipError, NoVideoError, IncompleteClipError, OrientationError, ClipError

    Notes
    -----
    Bytes damaged inside a frame are not noticed here: ``t_s`` then holds frames that
    `read_frames` leaves out.
    """
    path = Path(path)
    _require_file(path)
    before = _state(path)
    notes = _require_whole(path)
    with closing(progress), opened(path, _READING) as (container, stream):
        tagged_fps = capture_fps(container, stream)
        t_s, listed_bytes = frame_times(path.name, container, stream, _READING, progress)
        sha256 = sha256_of(path, progress)
    with opened(path, _READING) as (container, stream):
        layout = _first_layout(path, container, stream)
    once_s = np.unique(t_s)
    if _MANY_SHARE * len(t_s) < len(once_s) < len(t_s):
        notes += (_same_time(len(t_s) - len(once_s)),)
        t_s = once_s
    if listed_bytes < _LISTED_SHARE * media_bytes(path):
        notes += (_UNLISTED,)
    if layout.orientation.mirrored:
        notes += (_MIRRORED,)
    if layout.high_range is not None:
        notes += (_high_range(layout.high_range),)
    if layout.square != layout.filmed:
        notes += (_read_smaller(layout),)
    clip = Clip(
        file=path.name,
        sha256=sha256,
        width_px=layout.shown_width_px,
        height_px=layout.shown_height_px,
        frames=0,
        duration_s=0.0,
        median_fps=float("nan"),
        mirrored=layout.orientation.mirrored,
        t_s=np.empty(0),
        notes=notes,
        capture_fps=tagged_fps,
    )
    if _state(path) != before:
        raise IncompleteClipError(
            f"{path.name} is still being written; analyse it when the copy is done."
        )
    return with_frame_times(clip, t_s)


def with_frame_times(clip: Clip, t_s: FloatArray) -> Clip:
    """Return the clip with another table of frame times and what follows from it.

    Parameters
    ----------
    clip : Clip
    t_s : (n_frames,) seconds, strictly increasing, at least two
    """
    steps_s = np.diff(t_s)
    if len(t_s) < 2:
        raise ClipError(
            f"{clip.file} is damaged: fewer than two pictures can be read; "
            "copy it from the phone again."
        )
    if np.any(steps_s <= 0) or t_s[-1] - t_s[0] > _LONGEST_CLIP_S:
        raise ClipError(
            f"{clip.file} has a damaged clock: its frame times do not increase, or go on for "
            "more than a day; export it from the phone again."
        )
    step_s = float(np.median(steps_s))
    return replace(
        clip,
        frames=len(t_s),
        duration_s=float(t_s[-1] - t_s[0]) + step_s,
        median_fps=1.0 / step_s,
        t_s=t_s,
    )


def read_frames(
    path: Path,
    clip: Clip | None = None,
    pictures: Callable[[int], bool] = lambda _: True,
    brightness_px: int = 0,
) -> Iterator[Frame]:
    """Yield the frames of a clip in showing order, past damage.

    Parameters
    ----------
    path : of the video file
    clip : its facts; None for every frame that can be decoded
    pictures : whether the frame of a number needs its picture, whose colours take as long as
        decoding it; others come with an empty one
    brightness_px : along the short side of each frame's ``brightness``; 0 for none

    Yields
    ------
    Frame
        ``rgb`` is upright, with square pixels, contiguous, (height, width, 3) uint8.
        With ``clip`` the frames are those of ``clip.t_s`` and numbered by it; those
        that damage has spoilt do not come.

    Raises
    ------
    MissingClipError, NoVideoError, OrientationError, ClipError
        When reading begins.
    """
    path = Path(path)
    _require_file(path)
    with opened(path, _READING) as (container, stream):
        layout: Layout | None = None
        for number, frame in _numbered(path, trusted_frames(container, stream), clip):
            layout = layout or Layout.of(path.name, frame, stream)
            rgb = layout.rgb(path.name, frame) if pictures(number) else NO_PICTURE
            grey = layout.brightness(path.name, frame, brightness_px) if brightness_px else None
            yield Frame(number, _time_s(path, frame), rgb, grey)


def _numbered(
    path: Path, frames: Iterator[VideoFrame], clip: Clip | None
) -> Iterator[tuple[int, VideoFrame]]:
    if clip is None:
        yield from enumerate(frames)
        return
    last = -1
    for frame in frames:
        shown_s = _time_s(path, frame)
        number = int(np.searchsorted(clip.t_s, shown_s - _SAME_INSTANT_S))
        listed = number < clip.frames and clip.t_s[number] <= shown_s + _SAME_INSTANT_S
        if listed and number > last:
            last = number
            yield number, frame


def read_frames_at(path: Path, clip: Clip, numbers: Iterable[int]) -> Iterator[Frame]:
    """Yield chosen frames, found by their times, each once and in showing order.

    Parameters
    ----------
    path : of the video file
    clip : its facts, whose ``t_s`` says when each frame is shown
    numbers : frame numbers

    Raises
    ------
    ClipError
        As `read_frames`, and when a frame is not found at its time.
    """
    path = Path(path)
    _require_file(path)
    wanted = sorted(set(numbers))
    with opened(path, _READING) as (container, stream):
        layout = _first_layout(path, container, stream)
        position_s = -np.inf
        frames: Iterator[VideoFrame] = iter(())
        for number in wanted:
            if clip.t_s[number] - position_s > _SEEK_BEYOND_S:
                container.seek(int((clip.t_s[number] - _SEEK_MARGIN_S) * av.time_base))
                frames = trusted_frames(container, stream)
            after_s = clip.t_s[number] - _SAME_INSTANT_S
            frame = next((f for f in frames if _time_s(path, f) >= after_s), None)
            if frame is None or _time_s(path, frame) > clip.t_s[number] + _SAME_INSTANT_S:
                raise ClipError(
                    f"Frame {number} of {path.name} is not at {clip.t_s[number]:.3f} s; "
                    "the file has changed since it was analysed."
                )
            position_s = clip.t_s[number]
            yield Frame(number, float(position_s), layout.rgb(path.name, frame))


def list_clips(path: Path) -> tuple[Path, ...]:
    """Return the clips in a folder by name, or the clip itself when given one.

    Hidden, empty and unfinished files are left out. A file with the suffix of a
    video counts as a clip even if it turns out to be broken; a file with another
    suffix counts when its first bytes are those of a video.

    Raises
    ------
    MissingClipError
        When there is nothing at ``path``.
    """
    path = Path(path)
    try:
        if path.is_file():
            return (path,)
        if not path.is_dir():
            raise MissingClipError(f"There is no clip or folder {path}; check the name.")
        return tuple(sorted(file for file in path.iterdir() if looks_like_clip(file)))
    except OSError as error:
        raise MissingClipError(
            f"{path} cannot be looked into ({error.strerror}); check its name and its rights."
        ) from error


def looks_like_clip(file: Path) -> bool:
    """Return whether a file is worth reading as a clip; of an unknown suffix, by its content."""
    name = file.name.lower()
    if name.startswith((".", "~")) or name.endswith(("~", *_UNFINISHED_SUFFIXES)):
        return False
    try:
        if not file.is_file() or file.stat().st_size == 0:
            return False
        if name.endswith(CLIP_SUFFIXES):
            return True
        with file.open("rb") as opened:
            return _is_video_head(opened.read(12))
    except OSError:
        return False


def read_tags(path: Path) -> dict[str, str]:
    """Return what the container says about itself, such as ``creation_time``.

    Raises
    ------
    MissingClipError, NoVideoError, ClipError
    """
    path = Path(path)
    _require_file(path)
    with opened(path, _READING) as (container, _):
        return dict(container.metadata)


def _is_video_head(head: bytes) -> bool:
    if container_of(head) == "mov":  # by another name only with its mark, which most have
        return head[4:8] == b"ftyp" and head[8:12] not in _PICTURE_BRANDS
    return container_of(head) is not None


# ---------------------------------------------------------------- parts of reading

_MIRRORED = Note("mirrored", "limited", (because(Code.STORED_MIRRORED),))
_STRAY_END = Note("file", "good", (because(Code.STRAY_END),))
_UNLISTED = Note("file", "limited", (because(Code.PICTURES_NOT_LISTED),))


def _high_range(curve: str) -> Note:
    return Note("picture", "good", (because(Code.HIGH_DYNAMIC_RANGE, curve=curve),))


def _read_smaller(layout: Layout) -> Note:
    filmed, read = sorted(layout.filmed), sorted(layout.square)
    remark = because(
        Code.READ_SMALLER,
        filmed_long_px=filmed[1], filmed_short_px=filmed[0],
        read_long_px=read[1], read_short_px=read[0],
    )  # fmt: skip
    return Note("picture", "good", (remark,))


def _same_time(frames: int) -> Note:
    return Note("clock", "limited", (because(Code.FRAMES_AT_SAME_TIME, frames=frames),))


def _state(path: Path) -> tuple[int, int]:
    state = path.stat()
    return state.st_size, state.st_mtime_ns


def _require_file(path: Path) -> None:
    if path.is_dir():
        raise MissingClipError(f"{path} is a folder, not a clip; name a file inside it.")
    if not path.is_file():
        raise MissingClipError(f"There is no clip {path}; check the name.")
    if path.stat().st_size == 0:
        raise IncompleteClipError(f"{path.name} is empty; copy it from the phone again.")


def _require_whole(path: Path) -> tuple[Note, ...]:
    container = require_container(path)
    if path.stat().st_size > _READING.most_bytes:
        raise ClipError(
            f"{path.name} has {path.stat().st_size / 1e9:,.0f} GB, more than is read here; cut out "
            "the sets that count and analyse those."
        )
    found = check_lengths(path, container)
    if found in ("cut short", "no index"):
        raise incomplete(path.name)
    samples = stated_samples(path) if container == "mov" else 0
    if samples is None or samples > _READING.most_samples:
        raise ClipError(
            f"{path.name} has an index that no phone writes, of millions of pictures or packed; "
            "export it from the phone again."
        )
    return (_STRAY_END,) if found == "stray end" else ()


def _time_s(path: Path, frame: VideoFrame) -> float:
    if frame.time is None:
        raise ClipError(f"{path.name} has frames without a time; export it as MP4.")
    return frame.time


def _first_layout(path: Path, container: InputContainer, stream: VideoStream) -> Layout:
    frame = next(trusted_frames(container, stream), None)
    if frame is None:
        raise NoVideoError(
            f"Not one frame of {path.name} can be decoded, or its pictures are larger than 4K; "
            "copy it again, or export it from the phone as H.264 (most compatible) and at most 4K."
        )
    return Layout.of(path.name, frame, stream)


# ---------------------------------------------------------------- writing


@contextmanager
def write_clip(path: Path, width_px: int, height_px: int) -> Iterator[ClipWriter]:
    """Write an H.264 clip without sound or metadata, playable in browsers.

    Parameters
    ----------
    path : of the clip, ending in ``.mp4``; it appears only when it is complete
    width_px, height_px : of the frames; an odd size grows by one repeated row or column

    Yields
    ------
    ClipWriter
        Takes the frames one by one.

    Raises
    ------
    OutputError
        When the place cannot be written.
    """
    with (
        new_file(Path(path)) as temporary,
        av.open(os.fspath(temporary), "w", format="mp4", options=_WRITE_OPTIONS) as container,
    ):
        writer = ClipWriter(container, width_px, height_px)
        yield writer
        writer.finish()


class ClipWriter:
    """Takes the frames of one clip; made by `write_clip`."""

    def __init__(self, container: OutputContainer, width_px: int, height_px: int) -> None:
        self._container = container
        self._size = (width_px, height_px)
        stream = container.add_stream("libx264", rate=_NOMINAL_FPS)
        stream.width, stream.height = width_px + width_px % 2, height_px + height_px % 2
        stream.pix_fmt = "yuv420p"
        # Half of the time of "veryfast" for four times the bytes: somebody waits for it.
        stream.options = {"preset": "ultrafast", "crf": "23"}
        stream.thread_type = "AUTO"
        stream.time_base = stream.codec_context.time_base = _WRITE_CLOCK
        stream.codec_context.colorspace = Colorspace.ITU601
        stream.codec_context.color_primaries = ColorPrimaries.BT709
        stream.codec_context.color_trc = ColorTrc.BT709
        stream.codec_context.color_range = ColorRange.MPEG
        self._stream = stream

    def write(self, rgb: Picture, t_s: float) -> None:
        """Add one frame.

        Parameters
        ----------
        rgb : (height, width, 3) uint8
        t_s : its presentation time, later than the last one's
        """
        width, height = self._size
        if rgb.shape != (height, width, 3):
            raise OutputError(f"A frame of shape {rgb.shape} does not fit a {width}x{height} clip.")
        if width % 2 or height % 2:
            rgb = np.pad(rgb, ((0, height % 2), (0, width % 2), (0, 0)), mode="edge")
        import cv2

        # A quarter of the time of the video library's own conversion; it knows this matrix only.
        planes = cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2YUV_I420)
        frame = VideoFrame.from_numpy_buffer(planes.astype(np.uint8, copy=False), format="yuv420p")
        frame.time_base = _WRITE_CLOCK
        frame.pts = round(t_s / _WRITE_CLOCK)
        self._container.mux(self._stream.encode(frame))

    def finish(self) -> None:
        """Write what the encoder still holds back."""
        self._container.mux(self._stream.encode())
