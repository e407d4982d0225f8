"""What kind of container a file is, and whether it is whole by the lengths of its outer parts."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Literal

Container = Literal["mov", "matroska", "avi"]
Wholeness = Literal["whole", "stray end", "cut short", "no index", "other format"]

_BOXES = {
    b"ftyp", b"styp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot", b"uuid", b"meta",
    b"udta", b"moof", b"mfra", b"sidx", b"ssix", b"prft", b"emsg", b"pdin",
}  # fmt: skip
_MOST_BOXES = 200_000  # at one level; an hour in fragments of a tenth of a second has 72 000
_EBML, _SEGMENT, _VOID, _CHECKSUM = b"\x1a\x45\xdf\xa3", b"\x18\x53\x80\x67", b"\xec", b"\xbf"


def container_of(head: bytes) -> Container | None:
    """Tell the kind of container from a file's first 12 bytes, None when it is none of ours.

    ``mov`` is ISO media (MP4, MOV, 3GP), ``matroska`` also WebM; the names are those by which
    the video library knows its readers.
    """
    if head[4:8] in _BOXES:
        return "mov"
    if head[:4] == _EBML:
        return "matroska"
    return "avi" if head[:4] == b"RIFF" and head[8:12] == b"AVI " else None


def check_lengths(path: Path, container: Container) -> Wholeness:
    """Compare the lengths that a file's outer parts state with the bytes that are there.

    Returns
    -------
    As `check_boxes`; ``other format`` when no length is stated, as in a recording that was
    never closed.
    """
    if container == "mov":
        return check_boxes(path)
    stated = _matroska_length(path) if container == "matroska" else _avi_length(path)
    length = path.stat().st_size
    if stated is None:
        return "other format"
    return "cut short" if stated > length else "whole" if stated == length else "stray end"


def _matroska_length(path: Path) -> int | None:
    """Return where the last top-level element ends (RFC 8794), None when that is left open."""
    length, position = path.stat().st_size, 0
    with path.open("rb") as file:
        while position < length:
            file.seek(position)
            name = _variable(file, marked=True)
            size = _variable(file, marked=False)
            if name not in (_EBML, _SEGMENT, _VOID, _CHECKSUM):
                return position or None  # no element of ours: what follows is stray
            if not size or size == b"\xff" * len(size):
                return None
            position = file.tell() + int.from_bytes(size)
    return position


def _variable(file: BinaryIO, *, marked: bool) -> bytes:
    """Read a number of variable length, with the bit that marks its length or without.

    A size whose bits are all 1 means "unknown" and comes as bytes of 255.
    """
    first = file.read(1)
    more = 8 - (first or b"\0")[0].bit_length()
    number = first + file.read(more)
    if len(number) != 1 + more or more > 7:
        return b""
    value, mark = int.from_bytes(number), 1 << 7 * len(number)
    if marked:
        return number
    value -= mark
    return b"\xff" * len(number) if value == mark - 1 else value.to_bytes(len(number))


def _avi_length(path: Path) -> int | None:
    """Return where the last RIFF chunk ends, None when its size was never filled in."""
    length, position = path.stat().st_size, 0
    with path.open("rb") as file:
        while position < length:
            file.seek(position)
            head = file.read(8)
            if head[:4] != b"RIFF" or len(head) < 8:
                return position
            size = int.from_bytes(head[4:], "little")
            if size in (0, 0xFFFFFFFF):
                return None
            position += 8 + size + size % 2
    return position


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


def stated_samples(path: Path) -> int | None:
    """Count the pictures, sounds and notes for which an ISO media file asks for room in memory.

    Returns
    -------
    int or None
        Over all tracks and fragments, plain sound left out, of which only chunks are listed;
        None when the index is packed (``cmov``), as nothing has written it for twenty years.
        A count needs no bytes of its own where all samples are said to be alike, so that a
        file of some kilobytes can state thousands of millions.

    References
    ----------
    ISO/IEC 14496-12, 8.6.1.2 (stts), 8.7.3 (stsz, stz2), 8.8.8 (trun).
    """
    end, total = path.stat().st_size, 0
    with path.open("rb") as file:
        if any(_inside(file, (b"moov", b"cmov"), 0, end)):
            return None
        for table in _inside(file, (b"moov", b"trak", b"mdia", b"minf", b"stbl"), 0, end):
            numbers = {
                kind: struct.unpack(">4I", file.read(16).ljust(16, b"\0"))
                for kind, start, _ in _children(file, *table)
                if file.seek(start)
            }
            _, size, count, _ = numbers.get(b"stsz", (0, 0, 0, 0))
            _, runs, _, length = numbers.get(b"stts", (0, 0, 0, 0))
            plain_sound = size and (runs, length) == (1, 1)
            total += 0 if plain_sound else count + numbers.get(b"stz2", (0, 0, 0, 0))[2]
        for start, _ in _inside(file, (b"moof", b"traf", b"trun"), 0, end):
            file.seek(start + 4)
            total += int.from_bytes(file.read(4))
    return total


def _inside(
    file: BinaryIO, kinds: tuple[bytes, ...], start: int, end: int
) -> Iterator[tuple[int, int]]:
    """Yield where the content of each box along a path of kinds starts and ends."""
    for kind, content, stop in _children(file, start, end):
        if kind != kinds[0]:
            continue
        if len(kinds) == 1:
            yield content, stop
        else:
            yield from _inside(file, kinds[1:], content, stop)


def _children(file: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield kind, start and end of the content of each box between two places."""
    for _ in range(_MOST_BOXES):
        size, kind = _read_header(file, start, end)
        if size < 8:
            return
        header = file.tell() - start
        yield kind, start + header, min(start + size, end)
        start += size


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
        for _ in range(_MOST_BOXES):
            if position >= end:
                return
            size, kind = _read_header(file, position, end)
            yield kind, size, end - position
            if size < 8:
                return
            position += size
    yield b"", 0, end - position


def _read_header(file: BinaryIO, position: int, end: int) -> tuple[int, bytes]:
    """Size and type of the box at ``position``, 0 where no header fits; stops behind the header."""
    file.seek(position)
    header = file.read(8)
    if len(header) < 8 or position + 8 > end:
        return 0, b""
    size, kind = struct.unpack(">I4s", header)
    if size == 1 and len(long := file.read(8)) == 8:
        size = struct.unpack(">Q", long)[0]
    elif size == 0:
        size = end - position
    return size, kind
