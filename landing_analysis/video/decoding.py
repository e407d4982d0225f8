"""From packets to frames: decodes what can be trusted, in showing order, past damage if need be."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

import av
from av.container import InputContainer
from av.packet import Packet
from av.stream import Stream
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

_HELD_BACK = 3  # frames by which showing order may differ from decoding order


def trusted_frames(container: InputContainer, stream: VideoStream) -> Iterator[VideoFrame]:
    """Decode packet by packet and leave out what damage may have spoilt.

    Parameters
    ----------
    container : opened, at its start or at a key frame
    stream : the track to decode, in threads of whole frames: there the decoder reports
        damage, a packet or two late, instead of painting over it

    Yields
    ------
    VideoFrame
        In showing order. After a packet that cannot be decoded, or a frame that the
        decoder flags as spoilt, every frame up to the next key frame is left out: it
        was built upon pictures that are not there. So are the few frames before: the
        packet in which damage begins still decodes, to a wrong picture.

    Notes
    -----
    Limit: bytes that are altered but still decode go unnoticed in HEVC, whose decoder
    flags nothing.
    """
    spoilt: int | None = None  # presentation time of the last damage; None while all is well
    held: deque[VideoFrame] = deque()
    for packet in whole_packets(container, stream):
        try:
            frames = packet.decode()
        except av.FFmpegError:
            spoilt = _later(spoilt, packet.pts)
            held.clear()
            continue
        for frame in frames:
            if not isinstance(frame, VideoFrame):
                continue
            if frame.is_corrupt:
                spoilt = _later(spoilt, frame.pts)
            elif frame.key_frame and (frame.pts or 0) > (spoilt or 0):
                spoilt = None
            if spoilt is not None:
                held.clear()
                continue
            held.append(frame)
            if len(held) > _HELD_BACK:
                yield held.popleft()
    yield from held


def _later(one: int | None, other: int | None) -> int:
    return max(one or 0, other or 0)


def whole_packets(container: InputContainer, *streams: VideoStream) -> Iterator[Packet[Stream]]:
    """Yield packets, of all tracks unless some are named, as far as the container can be read."""
    try:
        yield from container.demux(*streams)
    except av.FFmpegError:
        return
