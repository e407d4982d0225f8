"""Tiny clips whose every frame carries its number, and whose corners tell which way is up.

Corners of an upright frame: top left red, top right green, bottom left blue, bottom
right white. A row of twelve squares along the middle is the frame number in binary,
least significant bit left.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

CORNER = 48
BIT = 24
COLOURS = {"R": (255, 0, 0), "G": (0, 255, 0), "B": (0, 0, 255), "W": (255, 255, 255)}
CLOCK = Fraction(1, 90_000)

# rows (a b u)(c d v)(x y w) as in the track header; a to d in 16.16 fixed point
ONE = 65536
MATRICES = {
    "upright": ((1, 0), (0, 1)),
    "cw90": ((0, 1), (-1, 0)),
    "half": ((-1, 0), (0, -1)),
    "ccw90": ((0, -1), (1, 0)),
    "reverse_columns": ((-1, 0), (0, 1)),
    "reverse_rows": ((1, 0), (0, -1)),
    "transpose": ((0, 1), (1, 0)),
    "transverse": ((0, -1), (-1, 0)),
}


def matrix_numbers(name: str) -> list[int]:
    """Return the nine integers of a display matrix without its shift."""
    (a, b), (c, d) = MATRICES[name]
    return [a * ONE, b * ONE, 0, c * ONE, d * ONE, 0, 0, 0, 1 << 30]


def draw_frame(number: int, width: int = 640, height: int = 360) -> np.ndarray:
    """Draw one marked frame, (height, width, 3) RGB."""
    rgb = np.full((height, width, 3), 60, np.uint8)
    rgb[:CORNER, :CORNER] = COLOURS["R"]
    rgb[:CORNER, -CORNER:] = COLOURS["G"]
    rgb[-CORNER:, :CORNER] = COLOURS["B"]
    rgb[-CORNER:, -CORNER:] = COLOURS["W"]
    top, left = height // 2 - BIT // 2, width // 2 - 6 * BIT
    for bit in range(12):
        if number >> bit & 1:
            rgb[top : top + BIT, left + bit * BIT : left + (bit + 1) * BIT] = 255
    return rgb


def read_corners(rgb: np.ndarray) -> str:
    """Read the four corners in the order top left, top right, bottom left, bottom right."""
    half = CORNER // 2
    corners = [rgb[y, x] for y in (half, -half) for x in (half, -half)]
    return "".join(
        min(COLOURS, key=lambda c: np.abs(corner.astype(int) - COLOURS[c]).sum())
        for corner in corners
    )


def read_number(rgb: np.ndarray) -> int:
    """Read the frame number of an upright frame."""
    height, width = rgb.shape[:2]
    left = width // 2 - 6 * BIT + BIT // 2
    bits = [rgb[height // 2, left + bit * BIT].mean() > 150 for bit in range(12)]
    return sum(1 << bit for bit, on in enumerate(bits) if on)


def write_marked_clip(
    path: Path,
    t_s: Sequence[float],
    size: tuple[int, int] = (640, 360),
    matrix: str | None = None,
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    key_frame_every: int = 30,
    b_frames: int = 0,
    aspect: Fraction | None = None,
    options: dict[str, str] | None = None,
    encoder: dict[str, str] | None = None,
    metadata: dict[str, str] | None = None,
    numbers: Sequence[int] | None = None,
    grain: float = 0.0,
) -> Path:
    """Write a marked clip whose frames are shown at ``t_s``.

    ``numbers`` are the frames that are drawn, in order of showing (0, 1, 2, ... without);
    ``grain`` is the deviation of noise on the grey ground, which gives the file some bytes.
    """
    width, height = size
    noise = np.random.default_rng(5)
    with av.open(str(path), "w", options=options or {}) as container:
        container.metadata.update(metadata or {})
        stream = container.add_stream(codec, rate=30)
        stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
        stream.codec_context.time_base = stream.time_base = CLOCK
        stream.codec_context.gop_size = key_frame_every
        stream.codec_context.max_b_frames = b_frames
        stream.options = {
            "crf": "14",
            "preset": "veryfast",
            "bf": str(b_frames),
            **(encoder or {}),
        }
        if aspect is not None:
            stream.codec_context.sample_aspect_ratio = aspect
        if matrix is not None:
            stream.set_display_matrix(matrix_numbers(matrix))
        drawn = range(len(t_s)) if numbers is None else numbers
        for number, shown_s in zip(drawn, t_s, strict=True):
            rgb = draw_frame(number, width, height)
            if grain:
                rgb[CORNER : height // 3] = np.clip(
                    noise.normal(60, grain, (height // 3 - CORNER, width, 3)), 0, 255
                )
            frame = av.VideoFrame.from_ndarray(rgb, format="rgb24")
            frame.time_base, frame.pts = CLOCK, round(shown_s / CLOCK)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def shift_start(
    source: Path, target: Path, earlier_s: float, until_s: float = float("inf")
) -> Path:
    """Copy the stream so that it starts before time 0, as a trim on the phone does.

    Packets that are decoded ``until_s`` after the new start and later stay behind.
    """
    with av.open(str(source)) as old, av.open(str(target), "w") as new:
        stream = new.add_stream_from_template(old.streams.video[0])
        for packet in old.demux(video=0):
            if packet.dts is None or packet.pts is None:
                continue
            ticks = round(earlier_s / packet.time_base)
            packet.pts -= ticks
            packet.dts -= ticks
            if packet.dts * packet.time_base >= until_s:
                break
            packet.stream = stream
            new.mux(packet)
    return target
