"""Whether an MP4 or MOV file is whole, told from the lengths of its top-level boxes."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Literal

Wholeness = Literal["whole", "stray end", "cut short", "no index", "other format"]

_BOXES = {
    b"ftyp", b"styp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot", b"uuid", b"meta",
    b"udta", b"moof", b"mfra", b"sidx", b"ssix", b"prft", b"emsg", b"pdin",
}  # fmt: skip


def check_boxes(path: Path) -> Wholeness:
    """Walk the top-level boxes of an ISO media file.

    Returns
    -------
    ``whole``
        The boxes fill the file exactly and one of them is the index (``moov``).
    ``stray end``
        The same with media (``mdat``), but bytes that are no box follow; not in a file of
        fragments, where they may have been the next one.
    ``cut short``
        The last box promises more bytes than there are.
    ``no index``
        No ``moov`` box: the recording or the copy was never finished.
    ``other format``
        Not an ISO media file.

    References
    ----------
    ISO/IEC 14496-12: a box starts with its size (32 bit) and its type; size 1
    means that a 64-bit size follows, size 0 that the box runs to the end.
    """
    kinds: list[bytes] = []
    for kind, size, room in _boxes(path):
        if not kinds and kind not in _BOXES:
            return "other format"
        if not 8 <= size <= room or not _is_name(kind):
            whole_before = {b"moov", b"mdat"} <= set(kinds) and b"moof" not in kinds
            stray = whole_before and kind not in _BOXES
            return "stray end" if stray else "cut short"
        kinds.append(kind)
    return "whole" if b"moov" in kinds else "no index"


def media_bytes(path: Path) -> int:
    """Return how many bytes the media boxes (``mdat``) hold, 0 in other formats."""
    return sum(size - 8 for kind, size, room in _boxes(path) if kind == b"mdat" and size <= room)


def _is_name(kind: bytes) -> bool:
    """Say whether a type is made of letters, as all are; one of zeros is a hole in the file."""
    return len(kind) == 4 and all(0x20 <= letter < 0x7F or letter == 0xA9 for letter in kind)


def _boxes(path: Path) -> Iterator[tuple[bytes, int, int]]:
    """Yield type and size of each top-level box and the room that is left for it."""
    end = path.stat().st_size
    position = 0
    with path.open("rb") as file:
        while position < end:
            size, kind = _read_header(file, position, end)
            yield kind, size, end - position
            if size < 8:
                return
            position += size


def _read_header(file: BinaryIO, position: int, end: int) -> tuple[int, bytes]:
    """Size and type of the box at ``position``; size 0 where no header fits."""
    file.seek(position)
    header = file.read(16)
    if len(header) < 8:
        return 0, b""
    size, kind = struct.unpack(">I4s", header[:8])
    if size == 1 and len(header) == 16:
        size = struct.unpack(">Q", header[8:])[0]
    elif size == 0:
        size = end - position
    return size, kind
