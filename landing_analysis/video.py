"""The only place that opens or writes video: upright frames at their own presentation times."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import cast

import av
import numpy as np
from av.buffer import Buffer
from av.container import InputContainer, OutputContainer
from av.packet import Packet
from av.stream import Disposition
from av.video.frame import VideoFrame
from av.video.reformatter import ColorPrimaries, ColorRange, Colorspace, ColorTrc
from av.video.stream import VideoStream

from landing_analysis.boxes import check_boxes
from landing_analysis.errors import (
    ClipError,
    IncompleteClipError,
    MissingClipError,
    NoVideoError,
    OutputError,
)
from landing_analysis.files import new_file, sha256_of
from landing_analysis.orientation import Orientation, read_display_matrix
from landing_analysis.tables import Clip, FloatArray, Frame, Note, Picture

CLIP_SUFFIXES = (".mp4", ".mov", ".m4v", ".3gp", ".mkv", ".webm", ".avi")
_UNFINISHED_SUFFIXES = (
    ".tmp", ".temp", ".part", ".partial", ".crdownload", ".download",
    ".filepart", ".!sync", ".icloud",
)  # fmt: skip
_PICTURE_BRANDS = {b"heic", b"heix", b"mif1", b"msf1", b"avif", b"M4A ", b"M4B "}
_ZERO_TAIL = 64  # bytes; no coded picture ends in that many zeros, a hole in a copy does
_LONGER_SOUND_S = 0.5  # sound may go on a little after the last frame
_SEEK_BEYOND_S = 1.0  # phones write a key frame about once a second
_SEEK_MARGIN_S = 0.25  # decoding order runs ahead of showing order by a few frames
_WRITE_CLOCK = Fraction(1, 90_000)  # holds the times of 24, 25, 30, 60, 120 and 240 Hz exactly
_WRITE_OPTIONS = {"movflags": "+faststart"}
_NOMINAL_FPS = 30  # for the encoder's bookkeeping; the frames carry their own times


# ---------------------------------------------------------------- reading


def read_clip(path: Path) -> Clip:
    """Read the facts of a clip without decoding more than one frame.

    Parameters
    ----------
    path : of the video file

    Returns
    -------
    Clip
        Sizes are those of the upright picture with square pixels; ``t_s`` holds
        the presentation time of every frame that a player shows.

    Raises
    ------
    MissingClipError, NoVideoError, IncompleteClipError, OrientationError, ClipError

    Notes
    -----
    Bytes damaged inside a frame are not noticed here; `read_frames` meets them.
    """
    path = Path(path)
    _require_file(path)
    notes = _require_whole(path)
    with _opened(path) as (container, stream):
        t_s = _packet_times(path, container, stream)
    with _opened(path) as (container, stream):
        layout = _first_layout(path, container, stream)
    if layout.orientation.mirrored:
        notes += (_MIRRORED,)
    clip = Clip(
        file=path.name,
        sha256=sha256_of(path),
        width_px=layout.shown_width_px,
        height_px=layout.shown_height_px,
        frames=0,
        duration_s=0.0,
        median_fps=float("nan"),
        mirrored=layout.orientation.mirrored,
        t_s=np.empty(0),
        notes=notes,
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
    if len(steps_s) == 0 or np.any(steps_s <= 0):
        raise ClipError(
            f"{clip.file} has a damaged clock: its frame times do not increase; "
            "export it from the phone again."
        )
    step_s = float(np.median(steps_s))
    return replace(
        clip,
        frames=len(t_s),
        duration_s=float(t_s[-1] - t_s[0]) + step_s,
        median_fps=1.0 / step_s,
        t_s=t_s,
    )


def read_frames(path: Path) -> Iterator[Frame]:
    """Yield every frame in showing order.

    Parameters
    ----------
    path : of the video file

    Yields
    ------
    Frame
        ``rgb`` is upright, with square pixels, contiguous, (height, width, 3) uint8.

    Raises
    ------
    MissingClipError, NoVideoError, IncompleteClipError, OrientationError, ClipError
        When reading begins, or at the first damaged frame.
    """
    path = Path(path)
    _require_file(path)
    with _opened(path) as (container, stream):
        layout: _Layout | None = None
        for number, frame in enumerate(_decoded(path, container, stream)):
            layout = layout or _Layout.of(frame, stream)
            yield Frame(number, _time_s(path, frame), layout.rgb(path, frame))


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
    with _opened(path) as (container, stream):
        layout = _first_layout(path, container, stream)
        position_s = -np.inf
        frames: Iterator[VideoFrame] = iter(())
        for number in wanted:
            if clip.t_s[number] - position_s > _SEEK_BEYOND_S:
                container.seek(int((clip.t_s[number] - _SEEK_MARGIN_S) * av.time_base))
                frames = _decoded(path, container, stream)
            frame = next((f for f in frames if _time_s(path, f) >= clip.t_s[number] - 1e-6), None)
            if frame is None or abs(_time_s(path, frame) - clip.t_s[number]) > 1e-6:
                raise ClipError(
                    f"Frame {number} of {path.name} is not at {clip.t_s[number]:.3f} s; "
                    "the file has changed since it was analysed."
                )
            position_s = clip.t_s[number]
            yield Frame(number, float(position_s), layout.rgb(path, frame))


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
    if path.is_file():
        return (path,)
    if not path.is_dir():
        raise MissingClipError(f"There is no clip or folder {path}; check the name.")
    return tuple(sorted(file for file in path.iterdir() if looks_like_clip(file)))


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
    with _opened(path) as (container, _):
        return dict(container.metadata)


def _is_video_head(head: bytes) -> bool:
    if head[4:8] == b"ftyp":
        return head[8:12] not in _PICTURE_BRANDS
    return head[:4] == b"\x1a\x45\xdf\xa3" or (head[:4] == b"RIFF" and head[8:12] == b"AVI ")


# ---------------------------------------------------------------- parts of reading

_MIRRORED = Note(
    "mirrored",
    "limited",
    "The phone stored this clip to be shown mirrored, so left and right limb may be exchanged; "
    "check on a frame which is which.",
)
_STRAY_END = Note(
    "file",
    "good",
    "The file ends in bytes that belong to no part of the video; the video itself is whole.",
)


@dataclass(frozen=True)
class _Layout:
    """How a stored frame becomes the picture that is shown."""

    orientation: Orientation
    stored: tuple[int, int]
    square: tuple[int, int]

    @classmethod
    def of(cls, frame: VideoFrame, stream: VideoStream) -> _Layout:
        matrix = cast(Mapping[str, Buffer], frame.side_data).get("DISPLAYMATRIX")
        aspect = stream.sample_aspect_ratio or Fraction(1)
        square = (
            round(frame.width * max(aspect, Fraction(1))),
            round(frame.height / min(aspect, Fraction(1))),
        )
        return cls(
            orientation=read_display_matrix(bytes(matrix)) if matrix else Orientation(),
            stored=(frame.width, frame.height),
            square=square,
        )

    @property
    def shown_width_px(self) -> int:
        return self.square[1 if self.orientation.exchange else 0]

    @property
    def shown_height_px(self) -> int:
        return self.square[0 if self.orientation.exchange else 1]

    def rgb(self, path: Path, frame: VideoFrame) -> Picture:
        if (frame.width, frame.height) != self.stored:
            raise ClipError(
                f"{path.name} changes its picture size at {_time_s(path, frame):.1f} s; "
                "cut it there and analyse the parts one by one."
            )
        width, height = self.square
        stored = cast(Picture, frame.to_ndarray(format="rgb24", width=width, height=height))
        return np.ascontiguousarray(self.orientation.upright(stored))


def _require_file(path: Path) -> None:
    if path.is_dir():
        raise MissingClipError(f"{path} is a folder, not a clip; name a file inside it.")
    if not path.is_file():
        raise MissingClipError(f"There is no clip {path}; check the name.")
    if path.stat().st_size == 0:
        raise IncompleteClipError(f"{path.name} is empty; copy it from the phone again.")


def _require_whole(path: Path) -> tuple[Note, ...]:
    found = check_boxes(path)
    if found in ("cut short", "no index"):
        raise _incomplete(path)
    return (_STRAY_END,) if found == "stray end" else ()


def _incomplete(path: Path) -> IncompleteClipError:
    return IncompleteClipError(
        f"{path.name} is incomplete, as after a copy that stopped half-way; "
        "copy it from the phone again."
    )


@contextmanager
def _opened(path: Path) -> Iterator[tuple[InputContainer, VideoStream]]:
    """Open a file, local protocols only, and choose its moving picture."""
    try:
        container = av.open(os.fspath(path), options={"protocol_whitelist": "file"})
    except PermissionError as error:
        raise ClipError(f"{path.name} may not be read by this user; change its rights.") from error
    except (av.FFmpegError, OSError) as error:
        raise NoVideoError(f"{path.name} is not a video; choose a clip from the phone.") from error
    with container:
        if container.format.name == "image2" or container.format.name.endswith("_pipe"):
            raise NoVideoError(f"{path.name} is a still image; choose a clip from the phone.")
        pictures = [
            stream
            for stream in container.streams.video
            if not stream.disposition & Disposition.attached_pic
        ]
        if not pictures:
            raise NoVideoError(f"{path.name} holds no picture track; choose a clip with picture.")
        stream = max(pictures, key=lambda s: s.width * s.height)
        if stream.codec_context is None:
            raise ClipError(
                f"{path.name} is coded in a way that cannot be read here; "
                "export it from the phone as H.264 (most compatible)."
            )
        stream.thread_type = "AUTO"
        yield container, stream


def _packet_times(path: Path, container: InputContainer, stream: VideoStream) -> FloatArray:
    """Read the times of all shown frames from the packets, which must all be there."""
    times_s: list[float] = []
    count = 0
    end_s = 0.0
    for packet in container.demux(stream):
        if packet.size == 0:
            continue
        count += 1
        if packet.is_corrupt or _is_hole(packet, stream):
            raise _incomplete(path)
        if packet.pts is None:
            raise ClipError(f"{path.name} has frames without a time; export it as MP4.")
        end_s = float(packet.pts * packet.time_base)
        if not packet.is_discard:
            times_s.append(end_s)
    if count < 2:
        raise NoVideoError(f"{path.name} is a still image; choose a clip from the phone.")
    if count < len(stream.index_entries) or _ends_early(container, end_s):
        raise _incomplete(path)
    return np.sort(times_s)


def _is_hole(packet: Packet[VideoStream], stream: VideoStream) -> bool:
    coded = stream.codec_context.name in ("h264", "hevc", "av1")
    return coded and not any(memoryview(packet)[-_ZERO_TAIL:])


def _ends_early(container: InputContainer, end_s: float) -> bool:
    """Whether a Matroska file, which has no box lengths to check, stops before its duration."""
    if "matroska" not in container.format.name or not container.duration:
        return False
    return end_s + _LONGER_SOUND_S < container.duration / av.time_base


def _decoded(path: Path, container: InputContainer, stream: VideoStream) -> Iterator[VideoFrame]:
    reached_s = 0.0
    try:
        for packet in container.demux(stream):
            for frame in packet.decode():
                if isinstance(frame, VideoFrame):
                    reached_s = _time_s(path, frame)
                    yield frame
    except av.FFmpegError as error:
        raise IncompleteClipError(
            f"{path.name} is damaged after {reached_s:.1f} s; copy it from the phone again."
        ) from error


def _time_s(path: Path, frame: VideoFrame) -> float:
    if frame.time is None:
        raise ClipError(f"{path.name} has frames without a time; export it as MP4.")
    return frame.time


def _first_layout(path: Path, container: InputContainer, stream: VideoStream) -> _Layout:
    frame = next(_decoded(path, container, stream), None)
    if frame is None:
        raise NoVideoError(f"Not one frame of {path.name} can be shown; copy it again.")
    return _Layout.of(frame, stream)


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
        stream.options = {"preset": "veryfast", "crf": "23"}
        stream.thread_type = "AUTO"
        stream.time_base = stream.codec_context.time_base = _WRITE_CLOCK
        stream.codec_context.colorspace = Colorspace.ITU709
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
        frame = VideoFrame.from_ndarray(rgb, format="rgb24").reformat(
            format="yuv420p", dst_colorspace=Colorspace.ITU709, dst_color_range=ColorRange.MPEG
        )
        frame.time_base = _WRITE_CLOCK
        frame.pts = round(t_s / _WRITE_CLOCK)
        self._container.mux(self._stream.encode(frame))

    def finish(self) -> None:
        """Write what the encoder still holds back."""
        self._container.mux(self._stream.encode())
