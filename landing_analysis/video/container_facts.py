"""Container -> what it promises: the times of its frames, all of them there, and its tags."""

from __future__ import annotations

import av
import numpy as np
from av.container import InputContainer
from av.packet import Packet
from av.stream import Stream
from av.video.stream import VideoStream

from landing_analysis.errors import ClipError, IncompleteClipError, NoVideoError
from landing_analysis.tables import FloatArray
from landing_analysis.video.decoding import whole_packets

_ZERO_TAIL = 64  # bytes; no coded picture ends in that many zeros, a hole in a copy does
_LONGER_SOUND_S = 0.5  # sound may go on a little after the last frame
_FASTEST_HZ = 10_000.0  # no phone films faster; a larger tag is damaged
_CAPTURE_TAG = "com.android.capture.fps"  # the rate a phone filmed at, whatever the clip plays at


def incomplete(file: str) -> IncompleteClipError:
    """Return the error that a file lacks a part."""
    return IncompleteClipError(
        f"{file} is incomplete, as after a copy that stopped half-way; "
        "copy it from the phone again."
    )


def frame_times(
    file: str, container: InputContainer, stream: VideoStream
) -> tuple[FloatArray, int]:
    """Read the times of all shown frames from the packets, which must all be there.

    Parameters
    ----------
    file : name for messages
    container : opened, at its start
    stream : the track of pictures

    Returns
    -------
    (n_frames,) seconds in showing order, and the bytes of all packets of all tracks

    Raises
    ------
    IncompleteClipError, NoVideoError, ClipError
    """
    times_s: list[float] = []
    count = 0
    listed_bytes = 0
    end_s = 0.0
    for packet in whole_packets(container):
        listed_bytes += packet.size
        if packet.size == 0 or packet.stream.index != stream.index:
            continue
        count += 1
        if packet.is_corrupt or _is_hole(packet, stream):
            raise incomplete(file)
        if packet.pts is None:
            raise ClipError(f"{file} has frames without a time; export it as MP4.")
        end_s = float(packet.pts * packet.time_base)
        if not packet.is_discard:
            times_s.append(end_s)
    if count < 2:
        raise NoVideoError(f"{file} is a still image; choose a clip from the phone.")
    if count < len(stream.index_entries) or _ends_early(container, end_s):
        raise incomplete(file)
    return np.sort(times_s), listed_bytes


def _is_hole(packet: Packet[Stream], stream: VideoStream) -> bool:
    coded = stream.codec_context.name in ("h264", "hevc", "av1")
    return coded and not any(memoryview(packet)[-_ZERO_TAIL:])


def _ends_early(container: InputContainer, end_s: float) -> bool:
    """Whether a Matroska file, which has no box lengths to check, stops before its duration."""
    if "matroska" not in container.format.name or not container.duration:
        return False
    return end_s + _LONGER_SOUND_S < container.duration / av.time_base


def capture_fps(container: InputContainer, stream: VideoStream) -> float | None:
    """Read the rate that the phone says it filmed at; None without a tag, or with a senseless one.

    The tag is a text or a 32-bit number in the movie's metadata; both arrive as text.
    """
    text = container.metadata.get(_CAPTURE_TAG) or stream.metadata.get(_CAPTURE_TAG) or ""
    try:
        rate = float(text)
    except ValueError:
        return None
    return rate if 1.0 <= rate <= _FASTEST_HZ else None
