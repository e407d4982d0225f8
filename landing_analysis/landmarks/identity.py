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

from landing_analysis.maths.signals import runs
from landing_analysis.settings import PeopleSettings
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
    """Follow people through occlusions.

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
    clear = [_clear_frames(torsos, thread, settings) for thread in threads]
    places = [
        _expected(torsos, thread, c, settings) for thread, c in zip(threads, clear, strict=True)
    ]
    pieces = []
    for own, thread in enumerate(threads):
        together = [bool((clear[own] & other).any()) for other in clear]
        unseen = [place for k, place in enumerate(places) if k != own and together[k]]
        sure = clear[own] & ~_near_unseen(torsos, thread, unseen, settings)
        pieces += _pieces(thread, sure, settings)
    if not pieces:
        return threads
    people: list[Followed] = []
    for piece in sorted(pieces, key=min):
        costs = [_cost(torsos, person, piece, settings) for person in people]
        if costs and min(costs) < np.inf:
            people[int(np.argmin(costs))].slots.update(piece)
        else:
            people.append(Followed(dict(piece)))
    _give_back(torsos, people, settings)
    return [person.slots for person in people]


def _pieces(
    thread: dict[int, int], sure: BoolArray, settings: PeopleSettings
) -> list[dict[int, int]]:
    """Cut a thread into the segments in which its body is surely one and the same."""
    return [
        {frame: thread[frame] for frame in range(first, last + 1)}
        for first, last in runs(sure)
        if last - first >= settings.least_piece_frames - 1
    ]


def _clear_frames(torsos: Torsos, thread: dict[int, int], settings: PeopleSettings) -> BoolArray:
    """Return (n_frames,) True where a body stands clear of all that are seen with it."""
    clear = np.zeros(len(torsos.t_s), dtype=bool)
    for frame, slot in thread.items():
        clear[frame] = _stands_clear(torsos, frame, slot, settings)
    return clear


def _expected(
    torsos: Torsos, thread: dict[int, int], clear: BoolArray, settings: PeopleSettings
) -> FloatArray:
    """Return (n_frames, 2) where a body must be while it is not seen, NaN elsewhere.

    On the line between where it stood clear before and after, or there for a while.
    """
    expected = np.full((len(torsos.t_s), 2), np.nan)
    known = np.flatnonzero(clear)
    if not len(known):
        return expected
    middle = torsos.middle_px[known, [thread[int(frame)] for frame in known]]
    at = np.searchsorted(known, np.arange(len(torsos.t_s)))
    before = torsos.t_s - torsos.t_s[known[np.clip(at - 1, 0, len(known) - 1)]]
    after = torsos.t_s[known[np.clip(at, 0, len(known) - 1)]] - torsos.t_s
    soon = np.minimum(np.abs(before), np.abs(after)) <= settings.lost_s
    unseen = np.ones(len(torsos.t_s), dtype=bool)
    unseen[list(thread)] = False
    for axis in range(2):
        place = np.interp(torsos.t_s, torsos.t_s[known], middle[:, axis])
        expected[:, axis] = np.where(unseen & soon, place, np.nan)
    return expected


def _near_unseen(
    torsos: Torsos,
    thread: dict[int, int],
    places: list[FloatArray],
    settings: PeopleSettings,
) -> BoolArray:
    """Return (n_frames,) True where somebody who is not seen must be close to a thread's body.

    A body that is seen alone there may be either of the two, or drawn from both.
    """
    near = np.zeros(len(torsos.t_s), dtype=bool)
    frames = np.array(sorted(thread))
    slots = [thread[int(frame)] for frame in frames]
    middle, length = torsos.middle_px[frames, slots], torsos.length_px[frames, slots]
    for place in places:
        with np.errstate(invalid="ignore"):
            apart = np.linalg.norm(place[frames] - middle, axis=1)
            near[frames] |= apart < settings.clear_torsos * length
    return near


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
    """Return how unlike a piece is to what a person would do next; infinite when impossible.

    Going on at the speed of the one end must lead to the other, and back again.
    """
    last, first = max(person.slots), min(piece)
    gap_s = float(torsos.t_s[first] - torsos.t_s[last])
    if gap_s <= 0 or set(person.slots) & set(piece):
        return float("inf")
    end, start = (
        _side(torsos, slots, at, way, settings)
        for slots, at, way in ((person.slots, last, -1), (piece, first, +1))
    )
    unlike = abs(float(np.log(start.length_px / end.length_px)))
    moved_s = min(gap_s, settings.predicted_s)
    step = start.middle_px - end.middle_px
    missed = [
        float(np.linalg.norm(step - np.array([speed * moved_s, 0.0])))
        for speed in (end.speed_px_s, start.speed_px_s)
    ]
    share = 0.5 * sum(missed) / end.length_px
    reach = settings.reach_torsos + settings.reach_torsos_per_s * gap_s
    if share > min(reach, settings.reach_torsos_most) or unlike > settings.reach_log_size:
        return float("inf")
    return share + unlike


@dataclass(frozen=True)
class _Side:
    """Place, speed across the picture and size at one end of a piece."""

    middle_px: FloatArray
    speed_px_s: float
    length_px: float


def _side(
    torsos: Torsos, slots: dict[int, int], end: int, way: int, settings: PeopleSettings
) -> _Side:
    reach_s = settings.piece_end_s
    frames = [f for f in slots if way * (f - end) >= 0 and
              abs(torsos.t_s[f] - torsos.t_s[end]) <= reach_s]  # fmt: skip
    held = [slots[f] for f in frames]
    t_s, middle = torsos.t_s[frames], torsos.middle_px[frames, held]
    length = float(np.median(torsos.length_px[frames, held]))
    speed = 0.0
    if np.ptp(t_s) > settings.piece_end_share * reach_s:
        speed = float(np.polyfit(t_s - t_s.mean(), middle[:, 0], 1)[0])
    return _Side(torsos.middle_px[end, slots[end]], speed, length)


def _give_back(torsos: Torsos, people: list[Followed], settings: PeopleSettings) -> None:
    """Give people the frames between their pieces in which a body is where they must be.

    Where two people who are both missing fit a body nearly as well, neither gets it.
    """
    misfits = [_misfit(torsos, person, settings) for person in people]
    taken = np.zeros(torsos.length_px.shape, dtype=bool)
    for person in people:
        taken[list(person.slots), list(person.slots.values())] = True
    for number, person in enumerate(people):
        others = [misfit for k, misfit in enumerate(misfits) if k != number]
        rival = np.min(others, axis=0) if others else np.full(taken.shape, np.inf)
        own = np.where(
            taken | (misfits[number] + settings.clearer_by > rival), np.inf, misfits[number]
        )
        best = own.argmin(axis=1)
        for frame in np.flatnonzero(np.isfinite(own.min(axis=1))):
            person.slots[int(frame)] = int(best[frame])


def _misfit(torsos: Torsos, person: Followed, settings: PeopleSettings) -> FloatArray:
    """Return (n_frames, n_slots) how badly each body fits a person who is missing there.

    Infinite where it does not fit, where the person is known, and long after they were.
    """
    frames = np.array(person.frames)
    held = [person.slots[frame] for frame in person.frames]
    t_s, known_s = torsos.t_s, torsos.t_s[frames]
    middle, length = torsos.middle_px[frames, held], torsos.length_px[frames, held]
    size = np.interp(t_s, known_s, length)[:, None]
    place = np.stack([np.interp(t_s, known_s, column) for column in middle.T], axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        apart = np.abs(torsos.middle_px - place[:, None]) / size[..., None]
        unlike = np.abs(np.log(torsos.length_px / size))
        fits = (
            (apart[..., 0] < settings.back_torsos)
            & (apart[..., 1] < settings.back_torsos_along)
            & (unlike < settings.back_log_size)
        )
    at = np.clip(np.searchsorted(known_s, t_s), 1, max(len(known_s) - 1, 1))
    nearest_s = np.minimum(
        np.abs(t_s - known_s[at - 1]), np.abs(t_s - known_s[np.minimum(at, len(known_s) - 1)])
    )
    fits &= (nearest_s <= settings.lost_s)[:, None]
    fits[frames] = False
    return np.where(fits, apart[..., 0] + unlike, np.inf)
