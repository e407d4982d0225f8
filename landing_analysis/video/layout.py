"""How a decoded frame becomes the picture that is shown: upright, square pixels, ordinary colours.

High dynamic range (HLG and PQ curves) is brought to the ordinary range: undisturbed, both
look grey and flat. Frames of 720 lines and more that do not say how their colours are coded
are taken for BT.709, as video of that size is (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import cast

import numpy as np
from av.buffer import Buffer
from av.video.frame import VideoFrame
from av.video.reformatter import (
    ColorPrimaries,
    Colorspace,
    ColorTrc,
    Interpolation,
    VideoReformatter,
)
from av.video.stream import VideoStream

from landing_analysis.errors import ClipError
from landing_analysis.tables import Picture
from landing_analysis.video.orientation import Orientation, read_display_matrix

HIGH_RANGE = {int(ColorTrc.ARIB_STD_B67): "HLG", int(ColorTrc.SMPTE2084): "PQ"}
"""Transfer curves of high dynamic range, by the names that the standard BT.2100 gives them."""

_UNNAMED = 2  # ISO/IEC 23091-2: the colour matrix is not specified
_WIDEST_PIXEL = Fraction(4)  # anamorphic film is 2; beyond is a damaged header (choice)
_LONGEST_SIDE_PX = 8192
LONGEST_READ_PX = 1920
"""Larger pictures are read at this length: the pose model looks at cut-outs of 256 pixels."""
_NAMED_COLOURS_FROM_PX = 720


@dataclass(frozen=True)
class Layout:
    """What all frames of a clip share.

    Attributes
    ----------
    orientation : of the stored picture
    stored : (width, height) of the stored picture, pixels
    filmed : the same with square pixels
    high_range : name of the transfer curve of a clip of high dynamic range, else None
    """

    orientation: Orientation
    stored: tuple[int, int]
    filmed: tuple[int, int]
    high_range: str | None = None
    _reformatter: VideoReformatter = field(
        default_factory=VideoReformatter, repr=False, compare=False
    )  # kept, because it works out its colour tables for seconds once
    _sampler: VideoReformatter = field(default_factory=VideoReformatter, repr=False, compare=False)

    @classmethod
    def of(cls, file: str, frame: VideoFrame, stream: VideoStream) -> Layout:
        """Read the layout from the first frame.

        Raises
        ------
        OrientationError
        ClipError
            When the sizes make no sense.
        """
        matrix = cast(Mapping[str, Buffer], frame.side_data).get("DISPLAYMATRIX")
        aspect = stream.sample_aspect_ratio or Fraction(1)
        sane = 1 / _WIDEST_PIXEL <= aspect <= _WIDEST_PIXEL
        if not sane or max(frame.width, frame.height) > _LONGEST_SIDE_PX:
            raise ClipError(
                f"{file} claims a picture of {frame.width} x {frame.height} pixels, each "
                f"{float(aspect):.2g} times as wide as high; copy it from the phone again."
            )
        filmed = (
            round(frame.width * max(aspect, Fraction(1))),
            round(frame.height / min(aspect, Fraction(1))),
        )
        return cls(
            orientation=read_display_matrix(bytes(matrix)) if matrix else Orientation(),
            stored=(frame.width, frame.height),
            filmed=filmed,
            high_range=HIGH_RANGE.get(frame.color_trc),
        )

    @property
    def square(self) -> tuple[int, int]:
        """Size of the stored picture as it is read, with square pixels."""
        shrink = min(1.0, LONGEST_READ_PX / max(self.filmed))
        width, height = (max(1, round(shrink * side)) for side in self.filmed)
        return width, height

    @property
    def shown_width_px(self) -> int:
        """Width of the picture as it is read and shown."""
        return self.square[1 if self.orientation.exchange else 0]

    @property
    def shown_height_px(self) -> int:
        """Height of the picture as it is read and shown."""
        return self.square[0 if self.orientation.exchange else 1]

    def rgb(self, file: str, frame: VideoFrame) -> Picture:
        """Return the picture as it is shown, (height, width, 3), contiguous.

        Raises
        ------
        ClipError
            When the frame has another size than the first one.
        """
        self._require_size(file, frame)
        width, height = self.square
        colours = self._reformatter.reformat(
            frame, width, height, "rgb24", **self._conversion(frame)
        )
        stored = cast(Picture, colours.to_ndarray())
        return np.ascontiguousarray(self.orientation.upright(stored))

    def brightness(self, file: str, frame: VideoFrame, short_side_px: int) -> Picture:
        """Return single grey pixels of a frame as stored, about so many along its short side.

        Raises
        ------
        ClipError
            As `rgb`.
        """
        self._require_size(file, frame)
        step = max(1, min(self.stored) // short_side_px)
        width, height = (max(1, side // step) for side in self.stored)
        small = self._sampler.reformat(
            frame, width, height, "gray", interpolation=Interpolation.POINT
        )
        return cast(Picture, small.to_ndarray())

    def _require_size(self, file: str, frame: VideoFrame) -> None:
        if (frame.width, frame.height) != self.stored:
            raise ClipError(
                f"{file} changes its picture size at {frame.time or 0.0:.1f} s; "
                "cut it there and analyse the parts one by one."
            )

    def _conversion(self, frame: VideoFrame) -> dict[str, Colorspace | ColorTrc | ColorPrimaries]:
        if self.high_range is not None:
            return {"dst_color_trc": ColorTrc.BT709, "dst_color_primaries": ColorPrimaries.BT709}
        if frame.colorspace == _UNNAMED and min(self.stored) >= _NAMED_COLOURS_FROM_PX:
            return {"src_colorspace": Colorspace.ITU709, "dst_colorspace": Colorspace.ITU709}
        return {}
