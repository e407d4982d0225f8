"""Container -> what it promises: the times of its frames, all of them there, and its tags."""

from __future__ import annotations

import av
import numpy as np
from av.container import InputContainer
from av.packet import Packet
from av.stream import Stream
from av.video.stream import VideoStream

from landing_analysis.errors import ClipError, IncompleteClipError, NoVideoError
from landing_analysis.files import MEGABYTE
from landing_analysis.progress import NO_PROGRESS, Progress
from landing_analysis.settings import ReadingSettings
from landing_analysis.tables import FloatArray
from landing_analysis.video.decoding import whole_packets

_ZERO_TAIL = 64  # bytes; no coded picture ends in that many zeros, a hole in a copy does
_UNTOLD_S = 0.5  # by which a last packet may last longer than it says (choice)
_FASTEST_HZ = 10_000.0  # no phone films faster; a larger tag is damaged
_CAPTURE_TAG = "com.android.capture.fps"  # the rate a phone filmed at, whatever the clip plays at


def incomplete(file: str) -> IncompleteClipError:
    """Return the error that a file lacks a part."""
    return IncompleteClipError(
        f"{file} is incomplete, as after a copy that stopped half-way; "
        "copy it from the phone again."
    )


def frame_times(
    file: str,
    container: InputContainer,
    stream: VideoStream,
    settings: ReadingSettings,
    progress: Progress = NO_PROGRESS,
) -> tuple[FloatArray, int]:
    """Read the times of all shown frames from the packets, which must all be there.

    Parameters
    ----------
    file : name for messages
    container : opened, at its start
    stream : the track of pictures
    settings : ReadingSettings
    progress : counts megabytes

    Returns
    -------
    (n_frames,) seconds in showing order, and the bytes of all packets of all tracks

    Raises
    ------
    IncompleteClipError, NoVideoError, ClipError
    """
    listed = len(stream.index_entries)  # all frames, in a file whose index stands at one place
    _require_frames(file, listed, container.size, settings)
    times_s: list[float] = []
    count = 0
    picture_bytes = listed_bytes = 0
    end_s = 0.0
    for packet in whole_packets(container):
        listed_bytes += packet.size
        progress.advance(listed_bytes // MEGABYTE - (listed_bytes - packet.size) // MEGABYTE)
        end_s = max(end_s, _end_s(packet))
        if packet.size == 0 or packet.stream.index != stream.index:
            continue
        count += 1
        picture_bytes += packet.size
        if count > settings.most_frames:
            break
        if packet.is_corrupt or _is_hole(packet, stream):
            raise incomplete(file)
        if packet.pts is None:
            raise ClipError(f"{file} has frames without a time; export it as MP4.")
        if not packet.is_discard:
            times_s.append(float(packet.pts * packet.time_base))
    _require_frames(file, count, picture_bytes, settings)
    if count < 2:
        raise NoVideoError(f"{file} is a still image; choose a clip from the phone.")
    if count < len(stream.index_entries) or _ends_early(container, end_s):
        raise incomplete(file)
    return np.sort(times_s), listed_bytes


def _require_frames(file: str, count: int, picture_bytes: int, settings: ReadingSettings) -> None:
    """Refuse a clip that would take hours, and a long one whose pictures hold next to nothing."""
    each = picture_bytes / max(count, 1)
    empty = count > settings.long_frames and each < settings.least_frame_bytes
    if count <= settings.most_frames and not empty:
        return
    hours = count / settings.frames_per_s / 3600
    what = f", of {each:.0f} bytes each, which is no film of a phone's" if empty else ""
    raise ClipError(
        f"{file} has at least {count:,} frames{what}; looking at them would take about "
        f"{hours:.1f} hours, so cut out the sets that count and analyse those."
    )


def _end_s(packet: Packet[Stream]) -> float:
    """When what a packet holds is over, 0 where it does not say."""
    if packet.pts is None or packet.time_base is None:
        return 0.0
    return float((packet.pts + (packet.duration or 0)) * packet.time_base)


def _is_hole(packet: Packet[Stream], stream: VideoStream) -> bool:
    coded = stream.codec_context.name in ("h264", "hevc", "av1")
    return coded and not any(memoryview(packet)[-_ZERO_TAIL:])


def _ends_early(container: InputContainer, end_s: float) -> bool:
    """Whether all tracks of a Matroska file stop before its duration, which is the longest one's.

    For a file whose length is left open, as one that was never closed; of others it is known.
    """
    if "matroska" not in container.format.name or not container.duration:
        return False
    return end_s + _UNTOLD_S < container.duration / av.time_base


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
