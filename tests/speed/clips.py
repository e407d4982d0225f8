"""Makes the benchmark's clips out of the sample clips: longer, larger, faster, coded otherwise."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from av.video.frame import VideoFrame

_SAMPLES = Path(__file__).parents[2] / "sample_clips"
_ONE, _OTHER = _SAMPLES / "p01_jumps_front.mp4", _SAMPLES / "p01_jumps_left_side.mp4"
_SAMPLE_FPS = 60
_CLOCK = Fraction(1, 90_000)
_QUICK_HEVC = {"preset": "ultrafast", "crf": "26", "x265-params": "log-level=none"}
_ENCODER = {
    "h264": ("libx264", {"preset": "veryfast", "crf": "23"}),
    "hevc": ("libx265", _QUICK_HEVC),
}


@dataclass(frozen=True)
class Kind:
    """What a clip of the benchmark is like; ``short_px`` is the picture's shorter side."""

    short_px: int = 720
    codec: str = "h264"
    fps: int = 60
    seconds: float = 20.0
    people: int = 1

    @property
    def name(self) -> str:
        whose = "two people" if self.people == 2 else "one person"
        return f"{self.short_px}p {self.codec} {self.fps}/s {self.seconds:g} s, {whose}"


def make_clip(kind: Kind, folder: Path) -> Path:
    """Return the clip of a kind, made unless it is there."""
    path = folder / (kind.name.replace("/", "").replace(",", "").replace(" ", "_") + ".mp4")
    if not path.exists():
        part = path.with_suffix(".part")
        _write(part, _pictures(kind), kind)
        part.rename(path)
    return path


def _pictures(kind: Kind) -> Iterator[np.ndarray]:
    """Yield as many pictures as the clip has, at its own rate, the sample over and over."""
    filmed = (
        _looped(_ONE) if kind.people == 1 else map(_side_by_side, _looped(_ONE), _looped(_OTHER))
    )
    before, number = next(filmed), 0
    after = next(filmed)
    for k in range(round(kind.seconds * kind.fps)):
        at = k * _SAMPLE_FPS / kind.fps
        while number + 1 <= at:
            before, after, number = after, next(filmed), number + 1
        share = at - number  # between two pictures: as a faster camera would have blurred them
        mixed = cv2.addWeighted(before, 1 - share, after, share, 0) if share else before
        height, width = mixed.shape[:2]
        scale = kind.short_px / min(height, width)
        size = tuple(2 * round(scale * side / 2) for side in (width, height))
        yield mixed if size == (width, height) else cv2.resize(mixed, size)


def _looped(path: Path) -> Iterator[np.ndarray]:
    while True:
        with av.open(str(path)) as container:
            for frame in container.decode(video=0):
                yield frame.to_ndarray(format="rgb24")


def _side_by_side(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Two people apart in one picture of the format of a phone held upright."""
    height, width = one.shape[:2]
    both = np.hstack([one[:, width // 6 : -width // 6], other[:, width // 6 : -width // 6]])
    whole = np.full((round(both.shape[1] * height / width), both.shape[1], 3), 127, np.uint8)
    whole[-height:] = both
    return whole


def _write(path: Path, pictures: Iterator[np.ndarray], kind: Kind) -> None:
    codec, options = _ENCODER[kind.codec]
    with av.open(str(path), "w", format="mp4") as container:
        stream = None
        for k, rgb in enumerate(pictures):
            if stream is None:
                stream = container.add_stream(codec, rate=kind.fps, options=options)
                stream.height, stream.width, stream.pix_fmt = *rgb.shape[:2], "yuv420p"
                stream.time_base = stream.codec_context.time_base = _CLOCK
            frame = VideoFrame.from_ndarray(rgb, format="rgb24").reformat(format="yuv420p")
            frame.time_base, frame.pts = _CLOCK, round(k / kind.fps / _CLOCK)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
