"""What a phone makes of poor light: few photons, a noisy sensor, long exposure, glare."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

ImageArray = NDArray[np.uint8]

_GAMMA = 2.2  # the usual approximation of the sRGB curve
_TABLE = ((np.arange(256) / 255.0) ** _GAMMA).astype(np.float32)
_GLARE_SHARE, _GLARE_PX = 0.06, 40
_GRAIN_MARGIN_PX = 256
_EVERY = 8
"""Glare is worked out on a picture this many times smaller."""


@dataclass(frozen=True)
class Darkness:
    """How dark it is.

    Attributes
    ----------
    photons : that a white pixel collects in one exposure
    read_noise : of the sensor, in photons
    brightness : of the picture against one in plain light, linear
    smoothing_px : of the camera's noise filter
    """

    photons: float
    read_noise: float
    brightness: float
    smoothing_px: float


DARKNESS: dict[str, Darkness] = {
    "dim": Darkness(photons=120.0, read_noise=2.0, brightness=0.30, smoothing_px=0.7),
    "dark": Darkness(photons=25.0, read_noise=2.0, brightness=0.10, smoothing_px=0.9),
    "nearly_black": Darkness(photons=6.0, read_noise=1.5, brightness=0.03, smoothing_px=1.2),
}
"""Chosen by eye: a dim hall, a room at dusk, a room with the light off."""


def filmed_in_the_dark(
    pictures: Iterable[ImageArray], darkness: Darkness, noise: np.random.Generator
) -> Iterator[ImageArray]:
    """Expose twice as long, count few photons, read them with noise, brighten and smooth.

    Parameters
    ----------
    pictures : in plain light, (height, width, 3), sRGB
    darkness : Darkness
    noise : source of the noise

    Yields
    ------
    As many pictures; each is the mean of two neighbours, which doubles the exposure.

    Notes
    -----
    Photons are taken as normal, which is right from ten on and close below; one picture of
    grain is drawn and shifted.
    """
    before: NDArray[np.float32] | None = None
    grain: NDArray[np.float32] | None = None
    for picture in pictures:
        light = _TABLE[picture]
        exposed = light if before is None else 0.5 * (before + light)
        before = light
        if grain is None:
            margins = (picture.shape[0] + _GRAIN_MARGIN_PX, picture.shape[1] + _GRAIN_MARGIN_PX, 3)
            grain = noise.standard_normal(margins, dtype=np.float32)
        down, along = noise.integers(0, _GRAIN_MARGIN_PX, 2)
        here = grain[down : down + picture.shape[0], along : along + picture.shape[1]]
        counted = darkness.photons * exposed
        counted += np.sqrt(counted + darkness.read_noise**2) * here
        blurred = cv2.GaussianBlur(counted, (0, 0), darkness.smoothing_px)
        linear = np.clip(darkness.brightness / darkness.photons * blurred, 0.0, 1.0)
        yield (255 * linear ** np.float32(1 / _GAMMA) + 0.5).astype(np.uint8)


def with_glare(pictures: Iterable[ImageArray]) -> Iterator[ImageArray]:
    """Spread part of the light of bright surroundings over the whole picture.

    Parameters
    ----------
    pictures : (height, width, 3)
    """
    for picture in pictures:
        small = picture[::_EVERY, ::_EVERY].astype(np.float32)
        spread = cv2.GaussianBlur(small, (0, 0), _GLARE_PX / _EVERY)
        glare = cv2.resize(spread, picture.shape[1::-1])
        yield np.clip(picture + _GLARE_SHARE * glare, 0, 255).astype(np.uint8)
