"""Files as phones, copies and damage make them, from the tiny clips of `marked_clips`.

Result with the library that reads them, so that no program besides Python is needed. What only
an encoder that is not built in could make is skipped by name.
"""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av.codec import Codec
from av.codec.codec import UnknownCodecError
from av.video.frame import VideoFrame
from av.video.reformatter import ColorPrimaries, ColorRange, Colorspace, ColorTrc
from marked_clips import CLOCK, MATRICES, ONE, draw_frame

HEVC = {"preset": "ultrafast", "crf": "16", "x265-params": "log-level=error:bframes=0"}
SKIN = (210, 150, 120)  # RGB of a patch, as skin in the light
GREY = 128
CAPTURE_TAG = "com.android.capture.fps"
KEEP_TAGS = {"movflags": "use_metadata_tags"}


def need_encoder(name: str) -> None:
    """Skip the test where the picture library was built without an encoder."""
    try:
        Codec(name, "w")
    except UnknownCodecError:
        pytest.skip(f"this build of the video library cannot write {name}")


# --- boxes of an MP4 ---------------------------------------------------------------------------


def find_box(data: bytes, *path: bytes) -> tuple[int, int]:
    """Return start and end of the first box along a path of types, header included."""
    start, end = 0, len(data)
    for depth, kind in enumerate(path):
        position = start + (8 if depth else 0)
        while position < end:
            size, found = struct.unpack_from(">I4s", data, position)
            if found == kind:
                start, end = position, position + size
                break
            position += size
        else:
            raise LookupError(f"no box {kind!r} in {path}")
    return start, end


def patch_matrix(source: Path, target: Path, name: str) -> Path:
    """Write another display matrix into the first track header (ISO/IEC 14496-12, 8.3.2)."""
    data = bytearray(source.read_bytes())
    start, _ = find_box(bytes(data), b"moov", b"trak", b"tkhd")
    wide = data[start + 8] == 1  # version 1 has 64-bit times
    at = start + 12 + (32 if wide else 20) + 16
    (a, b), (c, d) = MATRICES[name]
    numbers = (a * ONE, b * ONE, 0, c * ONE, d * ONE, 0, 0, 0, 0x40000000)
    struct.pack_into(">9i", data, at, *numbers)
    target.write_bytes(data)
    return target


def tag_as_number(path: Path, value: float) -> Path:
    """Turn the capture tag's value from text into a 32-bit number, as phones write it.

    Lengths of all boxes around it shrink; the index must be the file's last box, so
    that no chunk moves.
    """
    data = bytearray(path.read_bytes())
    text = f"{value:.6f}".encode()
    end = data.rindex(text) + len(text)
    start = end - len(text) - 16
    size, kind, form = struct.unpack_from(">I4sI", data, start)
    assert (size, kind, form) == (16 + len(text), b"data", 1)
    shorter = len(text) - 4
    for box in (b"ilst", b"meta", b"moov"):
        at = data.rindex(box, 0, start) - 4
        struct.pack_into(">I", data, at, struct.unpack_from(">I", data, at)[0] - shorter)
    entry = start - 8
    struct.pack_into(">I", data, entry, struct.unpack_from(">I", data, entry)[0] - shorter)
    struct.pack_into(">I4sI", data, start, 20, b"data", 23)
    data[start + 16 : end] = struct.pack(">f", value)
    path.write_bytes(data)
    return path


# --- other makings -----------------------------------------------------------------------------


def with_sound(source: Path, target: Path, sound_s: float = 1.0, later_s: float = 0.0) -> Path:
    """Copy the pictures, ``later_s`` later, beside a track of silence."""
    with av.open(str(source)) as old, av.open(str(target), "w") as new:
        pictures = new.add_stream_from_template(old.streams.video[0])
        sound = new.add_stream("aac", rate=44_100)
        for packet in sound.encode(silence(sound_s)) + sound.encode():
            new.mux(packet)
        for packet in old.demux(video=0):
            if packet.dts is None or packet.pts is None:
                continue
            ticks = round(later_s / packet.time_base)
            packet.pts += ticks
            packet.dts += ticks
            packet.stream = pictures
            new.mux(packet)
    return target


def silence(length_s: float) -> av.AudioFrame:
    count = round(44_100 * length_s)
    frame = av.AudioFrame.from_ndarray(np.zeros((1, count), np.float32), "fltp", "mono")
    frame.sample_rate, frame.pts = 44_100, 0
    return frame


def sound_only(path: Path) -> Path:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=44_100)
        for packet in stream.encode(silence(1.0)) + stream.encode():
            container.mux(packet)
    return path


def photo(path: Path) -> Path:
    with av.open(str(path), "w", format="image2") as container:
        stream = container.add_stream("mjpeg", rate=1)
        stream.width, stream.height, stream.pix_fmt = 640, 360, "yuvj420p"
        container.mux(stream.encode(VideoFrame.from_ndarray(draw_frame(0), format="rgb24")))
        container.mux(stream.encode())
    return path


def sound_with_cover(path: Path) -> Path:
    """Write a song: sound, and a picture that is a cover and no moving picture."""
    cover = photo(path.with_suffix(".jpg"))
    with av.open(str(cover)) as still, av.open(str(path), "w") as container:
        sound = container.add_stream("aac", rate=44_100)
        pictures = container.add_stream_from_template(still.streams.video[0])
        pictures.disposition = av.stream.Disposition.attached_pic
        for packet in sound.encode(silence(1.0)) + sound.encode():
            container.mux(packet)
        for packet in still.demux(video=0):
            if packet.size:
                packet.stream = pictures
                packet.pts = packet.dts = 0
                container.mux(packet)
    cover.unlink()
    return path


def two_tracks(path: Path, frames: int) -> Path:
    """Write a small track first and the marked one after it."""
    with av.open(str(path), "w") as container:
        tracks = []
        for size in ((320, 180), (640, 360)):
            stream = container.add_stream("libx264", rate=30)
            stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
            stream.time_base = stream.codec_context.time_base = CLOCK
            tracks.append((stream, size))
        for number in range(frames):
            for stream, size in tracks:
                frame = VideoFrame.from_ndarray(draw_frame(number, *size), format="rgb24")
                frame.time_base, frame.pts = CLOCK, number * 3000
                container.mux(stream.encode(frame))
        for stream, _ in tracks:
            container.mux(stream.encode())
    return path


# --- colours -----------------------------------------------------------------------------------


def patched_frame(number: int) -> np.ndarray:
    """Draw a marked frame with a skin and a grey patch at the bottom."""
    rgb = draw_frame(number)
    rgb[250:300, 280:360], rgb[305:355, 280:360] = SKIN, GREY
    return rgb


def read_patches(rgb: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Return the mean colour of the skin patch, the grey patch and the white corner."""
    skin = rgb[260:290, 290:350].reshape(-1, 3).mean(axis=0)
    return skin, float(rgb[315:345, 290:350].mean()), float(rgb[-36:-12, -36:-12].mean())


def hlg_signal(rgb: np.ndarray) -> np.ndarray:
    """Return the HLG signal (0..1) of an ordinary picture whose white is 203 cd/m2.

    Rec. ITU-R BT.2100-2: OETF of table 5 after the inverse OOTF, gamma 1.2, for a display
    of 1000 cd/m2; reference white of 203 cd/m2 (75 % of the signal): Rep. ITU-R BT.2408.
    """
    light = _wide(rgb) * 0.203
    luminance = light @ np.array([0.2627, 0.6780, 0.0593])
    scene = light * np.maximum(luminance, 1e-9)[..., None] ** (1 / 1.2 - 1)
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    upper = a * np.log(np.maximum(12 * scene - b, 1e-9)) + c
    return np.where(scene <= 1 / 12, np.sqrt(3 * scene), upper)


def pq_signal(rgb: np.ndarray) -> np.ndarray:
    """Return the PQ signal (0..1) of an ordinary picture whose white is 203 cd/m2.

    Rec. ITU-R BT.2100-2, inverse EOTF of table 4.
    """
    power = (_wide(rgb) * 203 / 10_000) ** 0.1593017578125
    return ((0.8359375 + 18.8515625 * power) / (1 + 18.6875 * power)) ** 78.84375


def _wide(rgb: np.ndarray) -> np.ndarray:
    """Return light, white 1, in BT.2020 primaries (matrix of Rep. ITU-R BT.2087)."""
    to_2020 = np.array(
        [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    )
    return np.clip((rgb / 255.0) ** 2.4 @ to_2020.T, 0, 1)


def write_patched_clip(
    path: Path, codec: str, pix_fmt: str, encoder: dict[str, str], frames: int, curve: str = "709"
) -> Path:
    """Write a clip with patches, in ordinary (``709``) or high dynamic range (``hlg``, ``pq``)."""
    high = curve != "709"
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=60)
        stream.width, stream.height, stream.pix_fmt = 640, 360, pix_fmt
        stream.options = encoder
        stream.time_base = stream.codec_context.time_base = Fraction(1, 60)
        context = stream.codec_context
        context.color_range = ColorRange.MPEG
        context.colorspace = Colorspace.BT2020 if high else Colorspace.ITU709
        context.color_primaries = ColorPrimaries.BT2020 if high else ColorPrimaries.BT709
        context.color_trc = {
            "709": ColorTrc.BT709,
            "hlg": ColorTrc.ARIB_STD_B67,
            "pq": ColorTrc.SMPTE2084,
        }[curve]
        for number in range(frames):
            rgb = patched_frame(number)
            if high:
                signal = {"hlg": hlg_signal, "pq": pq_signal}[curve](rgb.astype(float))
                frame = VideoFrame.from_ndarray(
                    np.round(65535 * signal).astype(np.uint16), format="rgb48le"
                )
            else:
                frame = VideoFrame.from_ndarray(rgb, format="rgb24")
            frame = frame.reformat(
                format=pix_fmt, dst_colorspace=context.colorspace, dst_color_range=ColorRange.MPEG
            )
            frame.pts = number
            frame.time_base = Fraction(1, 60)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path
