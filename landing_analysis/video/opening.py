"""Opens a file as one of the few containers that phones and editors write, and as nothing else.

The reader is chosen here, by the file's first bytes, and named to the video library, which may
use no other: a list of other files (a playlist), a device or an address in the network is never
looked at, whatever a file is called. Pictures that are too large are refused before any is
decoded: by what the container says of its tracks and, where that is wrong or missing, by the
decoder as soon as the first picture names its own size.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import av
from av.container import InputContainer
from av.stream import Disposition
from av.video.stream import VideoStream

from landing_analysis.errors import ClipError, NoVideoError
from landing_analysis.settings import ReadingSettings
from landing_analysis.video.boxes import Container, container_of

_HEAD = 12  # bytes
_PHOTOS = (b"\xff\xd8\xff", b"\x89PNG", b"GIF8", b"BM", b"II*\0", b"MM\0*")
_DECODING_THREADS = 2  # the same on every machine, so that damage is met the same way


def require_container(path: Path) -> Container:
    """Return the kind of container that a file is.

    Raises
    ------
    NoVideoError
        When it is none that phones and editors write.
    ClipError
        When it may not be read.
    """
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except PermissionError as error:
        raise ClipError(f"{path.name} may not be read by this user; change its rights.") from error
    container = container_of(head)
    if container:
        return container
    if head.startswith(_PHOTOS) or (head[:4] == b"RIFF" and head[8:] == b"WEBP"):
        raise NoVideoError(f"{path.name} is a still image; choose a clip from the phone.")
    raise NoVideoError(
        f"{path.name} is not a video as phones write them (MP4, MOV, 3GP, WebM, MKV or AVI); "
        "choose a clip from the phone, or export it as MP4."
    )


@contextmanager
def opened(path: Path, settings: ReadingSettings) -> Iterator[tuple[InputContainer, VideoStream]]:
    """Open a file and choose its moving picture, the largest where there are several.

    Parameters
    ----------
    path : of the video file
    settings : ReadingSettings

    Raises
    ------
    NoVideoError, ClipError
    """
    kind = require_container(path)
    try:
        container = av.open(
            str(path.absolute()),  # no name that could be read as an address
            format=kind,
            options={
                "format_whitelist": kind,
                "protocol_whitelist": "file",
                "max_streams": str(settings.most_tracks),
                "max_pixels": str(settings.most_pixels),
            },
            metadata_errors="replace",
        )
    except PermissionError as error:
        raise ClipError(f"{path.name} may not be read by this user; change its rights.") from error
    except (av.FFmpegError, OSError) as error:
        raise NoVideoError(f"{path.name} is not a video; choose a clip from the phone.") from error
    with container:
        pictures = [
            stream
            for stream in container.streams.video
            if not stream.disposition & Disposition.attached_pic
        ]
        if not pictures:
            raise NoVideoError(f"{path.name} holds no picture track; choose a clip with picture.")
        readable = [stream for stream in pictures if stream.codec_context is not None]
        if not readable:
            raise ClipError(
                f"{path.name} is coded in a way that cannot be read here; "
                "export it from the phone as H.264 (most compatible)."
            )
        stream = max(readable, key=lambda s: s.width * s.height)
        _require_size(path.name, stream, settings)
        stream.thread_type = "FRAME"  # in these the decoder reports damage instead of hiding it
        stream.codec_context.thread_count = _DECODING_THREADS
        stream.codec_context.options = {"max_pixels": str(settings.most_pixels)}
        yield container, stream


def _require_size(file: str, stream: VideoStream, settings: ReadingSettings) -> None:
    """Refuse pictures that are larger than what is read here, by what the container says."""
    if stream.width * stream.height > settings.most_pixels:
        raise ClipError(
            f"{file} has pictures of {stream.width} x {stream.height} pixels, more than are read "
            "here; film or export it in 4K (3840 x 2160) or smaller, which measures no worse."
        )
