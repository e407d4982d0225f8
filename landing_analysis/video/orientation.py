"""Which way up a stored picture is meant to be shown, from the container's display matrix."""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from landing_analysis.errors import OrientationError

FIXED_POINT = 65536
TOLERANCE = 0.001


@dataclass(frozen=True)
class Orientation:
    """How to set a stored picture upright: exchange rows and columns first, then reverse."""

    exchange: bool = False
    reverse_columns: bool = False
    reverse_rows: bool = False

    @property
    def mirrored(self) -> bool:
        """Whether left and right come out exchanged, as in a looking-glass."""
        return self.exchange ^ self.reverse_columns ^ self.reverse_rows

    def upright(self, picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return the picture as a viewer shows it.

        Parameters
        ----------
        picture : (height, width, channels), as stored

        Returns
        -------
        (height, width, channels)
            A view, in general not contiguous.
        """
        if self.exchange:
            picture = picture.swapaxes(0, 1)
        rows = slice(None, None, -1 if self.reverse_rows else 1)
        columns = slice(None, None, -1 if self.reverse_columns else 1)
        return picture[rows, columns]


def read_display_matrix(data: bytes) -> Orientation:
    """Understand the nine numbers of a display matrix.

    Parameters
    ----------
    data : nine 32-bit integers in the machine's byte order, rows
        (a b u), (c d v), (x y w), with a to d in 16.16 fixed point

    Raises
    ------
    OrientationError
        Unless the matrix is one of the eight quarter turns and mirrorings.

    References
    ----------
    ISO/IEC 14496-12, track header box: a point (x, y) of the stored picture is
    shown at (a x + c y, b x + d y), apart from a shift.
    """
    a, b, _, c, d = (value / FIXED_POINT for value in struct.unpack("=9i", data)[:5])
    size = np.abs([a, b, c, d])
    for exchange, expected in ((False, [1, 0, 0, 1]), (True, [0, 1, 1, 0])):
        if np.all(np.abs(size - expected) < TOLERANCE):
            along_x, along_y = (c, b) if exchange else (a, d)
            return Orientation(exchange, along_x < 0, along_y < 0)
    raise OrientationError(
        f"The clip asks to be shown by the matrix ({a:.3f} {b:.3f} / {c:.3f} {d:.3f}), "
        "which is no plain turn; export it again without rotating it by hand."
    )
