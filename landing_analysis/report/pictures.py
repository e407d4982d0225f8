"""Analysis -> key pictures: initial contact and peak flexion of each rep, the angle on the limb.

A key picture is a cut-out of the clip, or nothing where the clip is not at hand, and
the lines that are laid over it. Lines and words stay vectors: the page draws them.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from landing_analysis.camera.stabilisation import filmed_px
from landing_analysis.report.faces import blur_heads
from landing_analysis.report.style import MUTED, limb_style
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    Analysis,
    FloatArray,
    Frame,
    Limb,
    Measure,
    Picture,
    Rep,
)

Moment = Literal["initial contact", "peak flexion"]
MOMENTS: tuple[Moment, Moment] = ("initial contact", "peak flexion")

_MOST_REPS = 60  # with pictures; 25 kB each, so that the page stays below some 5 MB (choice)
_HEIGHT_PX = 460
_SHAPE = 0.72  # width over height
_JPEG_QUALITY = 76
_BESIDE_PX = 20  # from the knee to its label
_LETTER_PX = 21  # width of one letter of a label
_BODY = (
    ("left_shoulder", "right_shoulder"), ("left_hip", "right_hip"),
    ("left_shoulder", "left_hip"), ("right_shoulder", "right_hip"),
    ("left_shoulder", "left_elbow"), ("left_elbow", "left_wrist"),
    ("right_shoulder", "right_elbow"), ("right_elbow", "right_wrist"),
)  # fmt: skip
_LEG = (("hip", "knee"), ("knee", "ankle"), ("ankle", "heel"), ("heel", "toe"), ("ankle", "toe"))


@dataclass(frozen=True)
class Line:
    """A straight line in a key picture, pixels of the picture."""

    x1: float
    y1: float
    x2: float
    y2: float
    colour: str
    kind: Literal["segment", "extension", "body"]


@dataclass(frozen=True)
class AngleLabel:
    """A value written beside a knee."""

    x: float
    y: float
    text: str
    colour: str
    anchor: Literal["start", "end"]


@dataclass(frozen=True)
class KeyPicture:
    """One moment of one rep.

    ``jpeg`` is a data address, None where the clip is not at hand and a stick
    figure stands in.
    """

    rep: int
    moment: Moment
    frame: int
    t_s: float
    width: float
    height: float
    jpeg: str | None
    lines: tuple[Line, ...]
    labels: tuple[AngleLabel, ...]
    description: str


@dataclass(frozen=True)
class _Crop:
    """A part of the frame, and how much larger it is drawn."""

    x: int
    y: int
    width: int
    height: int

    @property
    def scale(self) -> float:
        return _HEIGHT_PX / self.height

    def place(self, points: FloatArray) -> FloatArray:
        return (points - [self.x, self.y]) * self.scale


def pictured_reps(analysis: Analysis) -> tuple[Rep, ...]:
    """Return the reps that get pictures: all, or sixty of them spread evenly over a long set."""
    reps = analysis.reps.reps
    if len(reps) <= _MOST_REPS:
        return reps
    return tuple(reps[k] for k in np.linspace(0, len(reps) - 1, _MOST_REPS).round().astype(int))


def key_frames(analysis: Analysis) -> tuple[int, ...]:
    """Return the frames that `key_pictures` shows, each once and in order."""
    frames = {
        frame
        for rep in pictured_reps(analysis)
        for moment in MOMENTS
        if (frame := _frame(analysis, rep, moment)) is not None
    }
    return tuple(sorted(frames))


def key_jpeg(analysis: Analysis, frame: Frame, heads: FloatArray | None) -> str | None:
    """Cut the patient out of one frame.

    Parameters
    ----------
    analysis : Analysis
    frame : of the clip
    heads : (n_frames, n, 3) circles to blur, None to leave faces as they are

    Returns
    -------
    str or None
        A JPEG as a data address, None when the patient is not seen in this frame.
    """
    crop = _crop(analysis, frame.number)
    if crop is None:
        return None
    rgb = frame.rgb
    if heads is not None:
        rgb = rgb.copy()
        blur_heads(rgb, heads[frame.number])
    return _jpeg(rgb, crop)


def key_pictures(
    analysis: Analysis, jpegs: Mapping[int, str] | None = None
) -> tuple[KeyPicture, ...]:
    """Return the pictures of every one of `pictured_reps` whose moments the clip shows.

    Parameters
    ----------
    analysis : Analysis
    jpegs : from `key_jpeg`, by frame number; a stick figure stands in for a missing one
    """
    jpegs = jpegs or {}
    return tuple(
        picture
        for rep in pictured_reps(analysis)
        for moment in MOMENTS
        if (picture := _picture(analysis, rep, moment, jpegs)) is not None
    )


def _picture(
    analysis: Analysis, rep: Rep, moment: Moment, jpegs: Mapping[int, str]
) -> KeyPicture | None:
    frame = _frame(analysis, rep, moment)
    crop = None if frame is None else _crop(analysis, frame)
    if frame is None or crop is None:
        return None
    jpeg = jpegs.get(frame)
    width = round(crop.width * crop.scale, 1)
    shown = analysis.knee_angles.deg if analysis.knee_angles else {}
    limbs = [limb for limb in rep.limbs if limb in shown]
    points = crop.place(filmed_px(analysis, analysis.tracks.xy_px, frame))
    drawn = [line for limb in limbs for line in _leg_lines(analysis, points, limb)]
    body = [] if jpeg else _stick_lines(points)
    labels = [
        label for limb in limbs if (label := _label(analysis, rep, moment, points, limb, width))
    ]
    return KeyPicture(
        rep=rep.number,
        moment=moment,
        frame=frame,
        t_s=float(analysis.clip.t_s[frame]),
        width=width,
        height=float(_HEIGHT_PX),
        jpeg=jpeg,
        lines=tuple(body + drawn),
        labels=tuple(labels),
        description=_describe(rep, moment, labels),
    )


def _frame(analysis: Analysis, rep: Rep, moment: Moment) -> int | None:
    at_s = _instant_s(analysis, rep, moment)
    if at_s is None:
        return None
    return int(np.argmin(np.abs(analysis.tracks.t_s - at_s)))


def _instant_s(analysis: Analysis, rep: Rep, moment: Moment) -> float | None:
    near = analysis.view.near_limb
    landed = [contact for contact in rep.contacts if contact.limb == near] or list(rep.contacts)
    if not landed:
        return None
    contact_s = min(contact.initial_contact.t_s for contact in landed)
    if moment == "initial contact":
        return contact_s
    row = _row(analysis, rep, "time_to_peak_flexion", near)
    if row is not None and row.value is not None:
        return contact_s + row.value
    return rep.peak_flexion_s


def _row(analysis: Analysis, rep: Rep, name: str, limb: Limb | None) -> Measure | None:
    return next(
        (
            row
            for row in analysis.measures.measures
            if (row.rep, row.name, row.limb) == (rep.number, name, limb)
        ),
        None,
    )


def _crop(analysis: Analysis, frame: int) -> _Crop | None:
    """Cut from the shoulders to below the feet, as large in every rep."""
    tracks, clip = analysis.tracks, analysis.clip
    points = filmed_px(analysis, tracks.xy_px, frame)
    hips = points[[LANDMARK[f"{limb}_hip"] for limb in LIMBS]]
    feet = points[[LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("heel", "toe")]]
    if not np.isfinite(hips).any() or not np.isfinite(feet).any():
        return None
    height = min(int(1.9 * tracks.leg_px), clip.height_px)
    width = min(int(_SHAPE * height), clip.width_px)
    bottom = float(np.nanmax(feet[:, 1])) + 0.12 * tracks.leg_px
    middle = float(np.nanmean(np.concatenate([hips, feet])[:, 0]))
    x = int(np.clip(middle - width / 2, 0, clip.width_px - width))
    y = int(np.clip(bottom - height, 0, clip.height_px - height))
    return _Crop(x, y, width, height)


def _jpeg(rgb: Picture, crop: _Crop) -> str:
    cut = rgb[crop.y : crop.y + crop.height, crop.x : crop.x + crop.width]
    size = (round(crop.width * crop.scale), _HEIGHT_PX)
    small = cv2.resize(np.ascontiguousarray(cut), size, interpolation=cv2.INTER_AREA)
    bgr = cv2.cvtColor(small, cv2.COLOR_RGB2BGR)
    _, coded = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
    return "data:image/jpeg;base64," + base64.b64encode(coded.tobytes()).decode("ascii")


def _line(
    start: FloatArray, end: FloatArray, colour: str, kind: Literal["segment", "extension", "body"]
) -> list[Line]:
    if not np.isfinite([start, end]).all():
        return []
    x1, y1, x2, y2 = (round(float(v), 1) for v in (*start, *end))
    return [Line(x1, y1, x2, y2, colour, kind)]


def _leg_lines(analysis: Analysis, points: FloatArray, limb: Limb) -> list[Line]:
    colour = limb_style(limb, None).colour
    hip, knee, ankle = (points[LANDMARK[f"{limb}_{part}"]] for part in ("hip", "knee", "ankle"))
    return [
        *_line(knee, knee + 0.55 * (knee - hip), colour, "extension"),
        *_line(hip, knee, colour, "segment"),
        *_line(knee, ankle, colour, "segment"),
    ]


def _stick_lines(points: FloatArray) -> list[Line]:
    legs = [(f"{limb}_{a}", f"{limb}_{b}") for limb in LIMBS for a, b in _LEG]
    return [
        line
        for a, b in (*_BODY, *legs)
        for line in _line(points[LANDMARK[a]], points[LANDMARK[b]], MUTED, "body")
    ]


def _label(
    analysis: Analysis, rep: Rep, moment: Moment, points: FloatArray, limb: Limb, width: float
) -> AngleLabel | None:
    frontal = analysis.knee_angles is not None and analysis.knee_angles.kind == "fppa"
    if frontal:
        name = f"fppa_{moment.replace(' ', '_')}"
    else:
        name = f"knee_flexion_{'peak' if moment == 'peak flexion' else 'initial_contact'}"
    row = _row(analysis, rep, name, limb)
    hip, knee = points[LANDMARK[f"{limb}_hip"]], points[LANDMARK[f"{limb}_knee"]]
    if row is None or row.value is None or not np.isfinite([hip, knee]).all():
        return None
    facing_right = analysis.view.view == "right_side"
    limb_on_right = (limb == "left") == (analysis.view.view == "front")
    to_right = limb_on_right if frontal else facing_right
    sign = "+" if frontal and row.value >= 0.5 else ""
    text = f"{sign}{row.value:z.0f}°".replace("-", "−")
    room = _LETTER_PX * len(text)
    x = float(knee[0]) + (_BESIDE_PX if to_right else -_BESIDE_PX)
    return AngleLabel(
        x=round(min(x, width - room) if to_right else max(x, room), 1),
        y=round(float(knee[1]) + (8 if frontal else -12), 1),
        text=text,
        colour=limb_style(limb, None).colour,
        anchor="start" if to_right else "end",
    )


def _describe(rep: Rep, moment: Moment, labels: list[AngleLabel]) -> str:
    angles = " and ".join(label.text for label in labels)
    return f"Rep {rep.number} at {moment}" + (f", {angles} at the knee" if angles else "")
