"""Threads of people -> the same, cut where bodies meet and joined again where they part.

Where two bodies meet in the picture the pose model exchanges, mixes or loses them, and
whoever is followed from frame to frame may leave with the wrong one. So each thread is cut
into the pieces in which its body stands clear of all others; the pieces are joined by place,
speed and size; and the frames between two pieces are given back only where a body is just
where, and as large as, the pieces say.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from landing_analysis.settings import PeopleSettings
from landing_analysis.signals import runs
from landing_analysis.tables import BoolArray, FloatArray


@dataclass(frozen=True)
class Torsos:
    """Every torso of a clip: middles (n_frames, n_slots, 2) and lengths (n_frames, n_slots)."""

    t_s: FloatArray
    middle_px: FloatArray
    length_px: FloatArray


@dataclass
class Followed:
    """One person: the slot that holds them, by frame."""

    slots: dict[int, int] = field(default_factory=dict)

    @property
    def frames(self) -> list[int]:
        """Frames in which the person is seen, in order."""
        return sorted(self.slots)


def cut_and_join(
    torsos: Torsos, threads: list[dict[int, int]], settings: PeopleSettings
) -> list[dict[int, int]]:
    """Follow people through encounters.

    Parameters
    ----------
    torsos : Torsos
    threads : slot by frame of each person, as followed from frame to frame
    settings : PeopleSettings

    Returns
    -------
    list of dict, slot by frame
        The same threads where nobody ever stood clear of the others.
    """
    pieces = [piece for thread in threads for piece in _pieces(torsos, thread, settings)]
    if not pieces:
        return threads
    people: list[Followed] = []
    for piece in sorted(pieces, key=min):
        costs = [_cost(torsos, person, piece, settings) for person in people]
        if costs and min(costs) < np.inf:
            people[int(np.argmin(costs))].slots.update(piece)
        else:
            people.append(Followed(dict(piece)))
    taken = {(frame, slot) for person in people for frame, slot in person.slots.items()}
    for person in sorted(people, key=lambda person: -len(person.slots)):
        back = _given_back(torsos, person, taken, settings)
        taken |= set(back.items())
        person.slots.update(back)
    return [person.slots for person in people]


def _pieces(
    torsos: Torsos, thread: dict[int, int], settings: PeopleSettings
) -> list[dict[int, int]]:
    """Cut a thread into the stretches in which its body stands clear of all others."""
    clear = np.zeros(len(torsos.t_s), dtype=bool)
    for frame, slot in thread.items():
        clear[frame] = _stands_clear(torsos, frame, slot, settings)
    return [
        {frame: thread[frame] for frame in range(first, last + 1)}
        for first, last in runs(clear)
        if last - first >= settings.least_piece_frames - 1
    ]


def _stands_clear(torsos: Torsos, frame: int, slot: int, settings: PeopleSettings) -> bool:
    lengths = torsos.length_px[frame]
    apart = np.linalg.norm(torsos.middle_px[frame] - torsos.middle_px[frame, slot], axis=1)
    with np.errstate(invalid="ignore"):
        share = apart / np.fmax(lengths, lengths[slot])
        others = np.isfinite(share) & (share > settings.twice_torsos)
    return bool((share[others] > settings.clear_torsos).all())


def _cost(
    torsos: Torsos, person: Followed, piece: dict[int, int], settings: PeopleSettings
) -> float:
    """Return how unlike a piece is to what a person would do next; infinite when impossible."""
    last, first = max(person.slots), min(piece)
    gap_s = float(torsos.t_s[first] - torsos.t_s[last])
    if gap_s <= 0 or set(person.slots) & set(piece):
        return float("inf")
    end, start = _side(torsos, person.slots, last, -1), _side(torsos, piece, first, +1)
    unlike = abs(float(np.log(start.length_px / end.length_px)))
    moved_s = min(gap_s, settings.predicted_s)
    expected = end.middle_px + np.array([0.5 * (end.speed_px_s + start.speed_px_s) * moved_s, 0.0])
    apart = min(
        float(np.linalg.norm(start.middle_px - expected)),
        float(np.linalg.norm(start.middle_px - end.middle_px)) + end.length_px * _STILL_TORSOS,
    )
    share = apart / end.length_px
    reach = settings.reach_torsos + settings.reach_torsos_per_s * gap_s
    if share > min(reach, settings.reach_torsos_most) or unlike > settings.reach_log_size:
        return float("inf")
    return share + unlike


_STILL_TORSOS = (
    0.1  # a person who stopped while unseen is a little less likely than one who went on
)


@dataclass(frozen=True)
class _Side:
    """Place, speed across the picture and size at one end of a piece."""

    middle_px: FloatArray
    speed_px_s: float
    length_px: float


def _side(torsos: Torsos, slots: dict[int, int], end: int, way: int) -> _Side:
    reach_s = 0.25
    frames = [f for f in slots if way * (f - end) >= 0 and
              abs(torsos.t_s[f] - torsos.t_s[end]) <= reach_s]  # fmt: skip
    held = [slots[f] for f in frames]
    t_s, middle = torsos.t_s[frames], torsos.middle_px[frames, held]
    length = float(np.median(torsos.length_px[frames, held]))
    speed = 0.0
    if np.ptp(t_s) > 0.4 * reach_s:
        speed = float(np.polyfit(t_s - t_s.mean(), middle[:, 0], 1)[0])
    return _Side(torsos.middle_px[end, slots[end]], speed, length)


def _given_back(
    torsos: Torsos, person: Followed, taken: set[tuple[int, int]], settings: PeopleSettings
) -> dict[int, int]:
    """Find the person between two of their pieces, where a body is where they must be."""
    frames = np.array(person.frames)
    held = [person.slots[f] for f in frames]
    middle, length = torsos.middle_px[frames, held], torsos.length_px[frames, held]
    missing = ~_among(len(torsos.t_s), frames)
    back: dict[int, int] = {}
    for frame in np.flatnonzero(missing):
        at_s = torsos.t_s[frame]
        nearest_s = float(np.abs(torsos.t_s[frames] - at_s).min())
        if nearest_s > settings.lost_s:
            continue
        x = float(np.interp(at_s, torsos.t_s[frames], middle[:, 0]))
        y = float(np.interp(at_s, torsos.t_s[frames], middle[:, 1]))
        size = float(np.interp(at_s, torsos.t_s[frames], length))
        with np.errstate(invalid="ignore", divide="ignore"):
            across = np.abs(torsos.middle_px[frame, :, 0] - x) / size
            along = np.abs(torsos.middle_px[frame, :, 1] - y) / size
            unlike = np.abs(np.log(torsos.length_px[frame] / size))
            fits = (
                (across < settings.back_torsos)
                & (along < settings.back_torsos_along)
                & (unlike < settings.back_log_size)
            )
        free = [int(s) for s in np.flatnonzero(fits) if (int(frame), int(s)) not in taken]
        if free:
            back[int(frame)] = min(free, key=lambda slot: across[slot] + unlike[slot])
    return back


def _among(n_frames: int, frames: FloatArray) -> BoolArray:
    among = np.zeros(n_frames, dtype=bool)
    among[frames] = True
    return among
