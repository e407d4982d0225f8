"""Makes a long clip of large pictures out of a short one: drawn large once, then joined."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
from av.filter import Graph

_FPS = 30
_CLOCK = Fraction(1, 90_000)
_NOISE = 8  # grey levels: a sensor's, so that the encoder needs the bytes that a phone needs


def make_long_clip(source: Path, target: Path, minutes: float, width_px: int, mbit_s: float) -> int:
    """Write a clip of 30 frames/s and return how many frames it has.

    Every second frame of ``source`` (60 frames/s) is drawn ``width_px`` wide and coded once;
    that part is then repeated, packet by packet, until the clip is long enough.
    """
    part = target.with_suffix(".part.mp4")
    _encode(source, part, width_px, mbit_s)
    frames = _repeat(part, target, round(minutes * 60 * _FPS))
    part.unlink()
    return frames


def _encode(source: Path, target: Path, width_px: int, mbit_s: float) -> None:
    with av.open(str(source)) as small, av.open(str(target), "w") as large:
        stream = small.streams.video[0]
        stream.thread_type = "AUTO"
        height_px = 2 * round(width_px * stream.height / stream.width / 2)
        graph = Graph()
        steps = [
            graph.add_buffer(template=stream),
            graph.add("scale", f"{width_px}:{height_px}"),
            graph.add("noise", f"alls={_NOISE}:allf=t"),
            graph.add("buffersink"),
        ]
        graph.link_nodes(*steps).configure()
        out = large.add_stream("libx264", rate=_FPS)
        out.width, out.height, out.pix_fmt = width_px, height_px, "yuv420p"
        out.bit_rate = int(mbit_s * 1e6)
        out.options = {"preset": "veryfast", "g": str(_FPS), "x264-params": "open-gop=0"}
        out.thread_type = "AUTO"
        out.time_base = out.codec_context.time_base = _CLOCK
        for number, frame in enumerate(small.decode(stream)):
            if number % 2:
                continue
            graph.push(frame)
            drawn = graph.pull()
            drawn.time_base, drawn.pts = _CLOCK, number // 2 * 90_000 // _FPS
            drawn.pict_type = 0
            large.mux(out.encode(drawn))
        large.mux(out.encode())


def _repeat(part: Path, target: Path, frames: int) -> int:
    with av.open(str(target), "w", options={"movflags": "+faststart"}) as joined:
        out, done, step = None, 0, 0
        while done < frames:
            with av.open(str(part)) as once:
                stream = once.streams.video[0]
                out = out or joined.add_stream_from_template(stream)
                step = round(1 / _FPS / stream.time_base)
                shift, length = done * step, 0
                for packet in once.demux(stream):
                    if packet.dts is None:
                        continue
                    packet.pts, packet.dts = packet.pts + shift, packet.dts + shift
                    packet.stream = out
                    joined.mux(packet)
                    length += 1
                done += length
    return done
