"""Frames -> annotated.mp4: legs, contact state of each foot, running angles, rep number."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

from landing_analysis.camera.stabilisation import filmed_px
from landing_analysis.definitions import VIEW_WORDS
from landing_analysis.findings.judging import COVERAGE
from landing_analysis.progress import NO_PROGRESS, Progress, StartProgress
from landing_analysis.reasons import Code
from landing_analysis.report.faces import blur_heads
from landing_analysis.report.style import limb_style
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    Analysis,
    Contact,
    Event,
    Flight,
    FloatArray,
    Frame,
    Limb,
    Picture,
    Rep,
    other_limb,
)
from landing_analysis.video.clips import read_frames, write_clip

FootState = Literal["on the ground", "in the air", ""]

_LONG_SIDE_PX = 1280
_CHAIN = ("hip", "knee", "ankle", "heel", "toe", "ankle")
_WHITE = (255, 255, 255)
_INK = (34, 48, 60)
_FONT = "sans"
_PALER = (0.2 * np.arange(256) + 0.8 * 255).astype(np.uint8)
"""What a grey level becomes under the pale ground of the words."""
_APART_S = 0.2  # feet farther apart than this leave or land apart (choice, as for contacts)


@dataclass(frozen=True)
class _Pen:
    """Sizes that grow with the picture."""

    scale: float
    text_px: int
    line_px: int

    @classmethod
    def of(cls, width_px: int, height_px: int) -> _Pen:
        scale = min(1.0, _LONG_SIDE_PX / max(width_px, height_px))
        short = scale * min(width_px, height_px)
        return cls(scale, max(12, round(short / 26)), max(2, round(short / 200)))


def annotate(
    target: Path, video: Path, analysis: Analysis, heads: FloatArray | None, start: StartProgress
) -> None:
    """Write the annotated clip of a video, in a process of its own for instance.

    Parameters
    ----------
    target : of the new clip
    video : the clip that was analysed
    analysis, heads : as for `write_annotated_clip`
    start : gives the listener of the drawing

    Raises
    ------
    OutputError
        When the place cannot be written.
    """
    clip = analysis.clip
    progress = start(f"{clip.file}: drawing the clip", clip.frames)
    write_annotated_clip(target, read_frames(video, clip), analysis, heads, progress)


def write_annotated_clip(
    path: Path,
    frames: Iterable[Frame],
    analysis: Analysis,
    heads: FloatArray | None,
    progress: Progress = NO_PROGRESS,
) -> None:
    """Write the clip with everything that was seen drawn into it.

    Parameters
    ----------
    path : of the new clip; without sound or metadata
    frames : of the clip, in order
    analysis : Analysis
    heads : (n_frames, n, 3) circles to blur, None to leave faces as they are
    progress : told of every frame

    Raises
    ------
    OutputError
        When the place cannot be written.
    """
    painter = _Painter(analysis, heads)
    start_s = float(analysis.clip.t_s[0])
    try:
        with write_clip(path, *painter.size_px) as writer:
            for frame in frames:
                writer.write(painter.paint(frame), frame.t_s - start_s)
                progress.advance(1)
    finally:
        progress.close()


def draw_frame(frame: Frame, analysis: Analysis, heads: FloatArray | None) -> Picture:
    """Return one frame, at most 1280 pixels long, with what was seen drawn into it."""
    return _Painter(analysis, heads).paint(frame)


class _Painter:
    """Draws frame after frame on one canvas: new ones would cost more than the drawing."""

    def __init__(self, analysis: Analysis, heads: FloatArray | None) -> None:
        clip = analysis.clip
        self._analysis, self._heads = analysis, heads
        self._pen = pen = _Pen.of(clip.width_px, clip.height_px)
        self.size_px = (round(clip.width_px * pen.scale), round(clip.height_px * pen.scale))
        self._whole = np.empty((clip.height_px, clip.width_px, 3), np.uint8)
        same = self.size_px == (clip.width_px, clip.height_px)
        self._canvas = self._whole if same else np.empty((*self.size_px[::-1], 3), np.uint8)

    def paint(self, frame: Frame) -> Picture:
        """Return the canvas, which holds this frame until the next one is painted."""
        analysis, pen, picture = self._analysis, self._pen, self._canvas
        np.copyto(self._whole, frame.rgb)
        if self._heads is not None:
            blur_heads(self._whole, self._heads[frame.number])
        if picture is not self._whole:
            cv2.resize(self._whole, self.size_px, dst=picture, interpolation=cv2.INTER_AREA)
        points = filmed_px(analysis, analysis.tracks.raw_px, frame.number) * pen.scale
        points[analysis.tracks.filled[frame.number]] = np.nan
        t_s = float(analysis.tracks.t_s[frame.number])
        states = {limb: foot_state(analysis, limb, t_s) for limb in LIMBS}
        for limb in _far_limb_first(analysis):
            _draw_leg(picture, points, limb, analysis, pen)
            _draw_foot(picture, points, limb, states[limb], analysis, pen)
        _draw_angles(picture, points, frame.number, states, analysis, pen)
        _draw_words(picture, frame, states, analysis, pen)
        return picture


def foot_state(analysis: Analysis, limb: Limb, t_s: float) -> FootState:
    """Return where a foot is; empty where the contacts do not say, and beside their edges.

    On the ground: in a contact that was seen, or before the first take-off of a foot that left.
    In the air: in a flight of which both ends were seen, and from the foot's own toe-off before
    it to its own initial contact after it. Nothing is said of a flight whose rep is not used,
    of a foot that merely has no contact, and nearer to an edge than its 95 % interval.
    """
    doubted = [rep.flight for rep in analysis.reps.reps if not rep.used]
    own = [contact for contact in analysis.contacts.contacts if contact.limb == limb]
    for contact in own:
        end = contact.toe_off
        why = contact.toe_off_reason
        held = why is not None and why.code == Code.HELD_TO_END and contact is own[-1]
        if _after(contact.initial_contact, t_s) and (held or (end and _before(end, t_s))):
            return "on the ground"
    for flight in analysis.contacts.flights:
        if flight in doubted or flight.take_off is None or flight.landing is None:
            continue
        start, end = _of_foot(flight, own)
        if start and end and _after(start, t_s) and _before(end, t_s):
            return "in the air"
    first = next(iter(analysis.contacts.flights), None)
    if first is None or first in doubted or first.take_off is None:
        return ""
    stands = limb in first.take_off_limbs and _before(first.take_off, t_s)
    return "on the ground" if stands else ""


def _of_foot(flight: Flight, own: list[Contact]) -> tuple[Event | None, Event | None]:
    """Return when a foot left for a flight and landed after it, None for one that did not land.

    The body's own take-off stands in for a toe-off that no contact holds, as of the first jump.
    """
    if flight.take_off is None or flight.landing is None:
        return None, None
    landed = (
        contact.initial_contact
        for contact in own
        if 0 <= contact.initial_contact.t_s - flight.landing.t_s <= _APART_S
    )
    left = (
        contact.toe_off
        for contact in own
        if contact.toe_off and 0 <= flight.take_off.t_s - contact.toe_off.t_s <= _APART_S
    )
    return next(left, flight.take_off), next(landed, None)


def _after(event: Event, t_s: float) -> bool:
    return t_s >= event.t_s + COVERAGE * event.sd_s


def _before(event: Event, t_s: float) -> bool:
    return t_s < event.t_s - COVERAGE * event.sd_s


def shows_angle(analysis: Analysis, limb: Limb, state: FootState, t_s: float) -> bool:
    """Whether a knee's angle is drawn: of a leg that stands, or of a used rep under way."""
    if state == "on the ground":
        return True
    rep = rep_at(analysis, t_s)
    return rep is not None and rep.used and limb in rep.limbs


def rep_at(analysis: Analysis, t_s: float) -> Rep | None:
    """Return the rep that a moment belongs to: from its take-off to the next one."""
    current = None
    for rep in analysis.reps.reps:
        start = rep.flight.take_off or rep.flight.landing
        if start is not None and t_s >= start.t_s:
            current = rep
    return current


def _far_limb_first(analysis: Analysis) -> tuple[Limb, Limb]:
    return ("right", "left") if analysis.view.near_limb == "left" else LIMBS


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _at(point: FloatArray) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def _draw_leg(
    picture: Picture, points: FloatArray, limb: Limb, analysis: Analysis, pen: _Pen
) -> None:
    """Draw the leg: round joints on the left, square ones on the right, whichever is surgical."""
    style = limb_style(limb, None)
    chain = [points[LANDMARK[f"{limb}_{part}"]] for part in _CHAIN]
    for colour, width in ((_WHITE, 2 * pen.line_px + 2), (_rgb(style.colour), pen.line_px + 1)):
        for start, end in pairwise(chain):
            if np.isfinite([start, end]).all():
                cv2.line(picture, _at(start), _at(end), colour, width, cv2.LINE_AA)
    reach = 2 * pen.line_px
    for joint in chain[:3]:
        if not np.isfinite(joint).all():
            continue
        (x, y), size, colour = _at(joint), reach + 1, _rgb(style.colour)
        if style.marker == "o":
            cv2.circle(picture, (x, y), size, colour, -1, cv2.LINE_AA)
        else:
            cv2.rectangle(picture, (x - size, y - size), (x + size, y + size), colour, -1)


def _draw_foot(
    picture: Picture, points: FloatArray, limb: Limb, state: FootState, analysis: Analysis,
    pen: _Pen,
) -> None:  # fmt: skip
    """Draw a bar under a foot on the ground, an arrow head above one in the air."""
    foot = points[[LANDMARK[f"{limb}_heel"], LANDMARK[f"{limb}_toe"]]]
    if not state or not np.isfinite(foot).all():
        return
    colour = _rgb(limb_style(limb, None).colour)
    middle, low = float(foot[:, 0].mean()), float(foot[:, 1].max())
    half = max(float(np.ptp(foot[:, 0])) / 2, 6.0 * pen.line_px)
    if state == "on the ground":
        y = round(low + 5 * pen.line_px)
        ends = (round(middle - half), y), (round(middle + half), y)
        cv2.line(picture, *ends, _WHITE, 4 * pen.line_px, cv2.LINE_AA)
        cv2.line(picture, *ends, colour, 3 * pen.line_px, cv2.LINE_AA)
        return
    foot_px = low + 9 * pen.line_px
    tip = [
        (middle - half / 2, foot_px),
        (middle, foot_px - 4 * pen.line_px),
        (middle + half / 2, foot_px),
    ]
    corners = np.array(tip).round().astype(np.int32)
    cv2.polylines(picture, [corners], False, _WHITE, 2 * pen.line_px + 2, cv2.LINE_AA)
    cv2.polylines(picture, [corners], False, colour, pen.line_px + 1, cv2.LINE_AA)


def _draw_angles(
    picture: Picture, points: FloatArray, number: int, states: Mapping[Limb, FootState],
    analysis: Analysis, pen: _Pen,
) -> None:  # fmt: skip
    angles = analysis.knee_angles
    t_s = float(analysis.tracks.t_s[number])
    for limb, deg in (angles.deg if angles else {}).items():
        knee = points[LANDMARK[f"{limb}_knee"]]
        known = np.isfinite([deg[number], *knee]).all()
        if not known or not shows_angle(analysis, limb, states[limb], t_s):
            continue
        whole = round(float(deg[number]))
        text = f"{whole:+d}°" if angles and angles.kind == "fppa" and whole else f"{whole}°"
        style = limb_style(limb, None)
        other = points[LANDMARK[f"{other_limb(limb)}_knee"]]
        frontal = angles is not None and angles.kind == "fppa"
        facing_right = analysis.view.view == "right_side"
        to_right = not (knee[0] < other[0]) if frontal else facing_right
        x, y = _at(knee)
        width = round(0.62 * pen.text_px * len(text))
        x = x + 5 * pen.line_px if to_right else x - 5 * pen.line_px - width
        _write(picture, text, (x, y + pen.text_px // 2), pen.text_px, _rgb(style.colour))


def _draw_words(
    picture: Picture, frame: Frame, states: Mapping[Limb, FootState], analysis: Analysis, pen: _Pen
) -> None:
    rep = rep_at(analysis, float(analysis.tracks.t_s[frame.number]))
    angles = analysis.knee_angles
    title = "" if rep is None else f"Rep {rep.number}" + ("" if rep.used else ", not used")
    if rep is not None and rep.view not in (None, analysis.decided.view):
        title += f", seen {VIEW_WORDS[rep.view]}"
    top = [title] if title else []
    if angles is not None:
        name = "FPPA at the knees" if angles.kind == "fppa" else "Knee flexion"
        top.append(f"{name}, {frame.t_s:.2f} s")
    else:
        top.append(f"{frame.t_s:.2f} s")
    _panel(picture, top, [_INK] * len(top), pen, bottom=False)
    told = [limb for limb in LIMBS if states[limb]]
    lines = [f"{limb}: {states[limb]}" for limb in told]
    colours = [_rgb(limb_style(limb, None).colour) for limb in told]
    _panel(picture, lines, colours, pen, bottom=True)


def _panel(
    picture: Picture,
    lines: list[str],
    colours: list[tuple[int, int, int]],
    pen: _Pen,
    *,
    bottom: bool,
) -> None:
    """Write lines on a pale ground in the corner, at the top or at the bottom."""
    if not lines:
        return
    pad = pen.text_px // 2
    step = round(1.45 * pen.text_px)
    width = round(0.6 * pen.text_px * max(len(line) for line in lines)) + 2 * pad
    height = step * len(lines) + pad
    top = picture.shape[0] - height if bottom else 0
    ground = picture[top : top + height, :width]
    cv2.LUT(ground, _PALER, ground)
    for row, (line, colour) in enumerate(zip(lines, colours, strict=True)):
        _write(picture, line, (pad, top + step * (row + 1) - pad // 2), pen.text_px, colour, 0)


def _write(
    picture: Picture,
    text: str,
    origin: tuple[int, int],
    size_px: int,
    colour: tuple[int, int, int],
    halo_px: int = 2,
) -> None:
    """Write text, with a pale rim that keeps it readable on any ground."""
    face = cv2.FontFace(_FONT)
    text = text.replace("-", "−")
    for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1)) if halo_px else ():
        rim = (origin[0] + dx * halo_px, origin[1] + dy * halo_px)
        cv2.putText(picture, text, rim, _WHITE, face, size_px, weight=600)
    cv2.putText(picture, text, origin, colour, face, size_px, weight=600)
