"""Which frames are looked at: all that matter, and few of those in which nothing happens."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from stick_patient import jump_plan, make_clip, make_motion, make_poses

from landing_analysis.landmarks.choosing import FirstPass, Movement, steps, timed_frames
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.pose import Model, poses_of
from landing_analysis.landmarks.windows import InWindow
from landing_analysis.progress import NO_PROGRESS
from landing_analysis.settings import PoseSettings, Settings
from landing_analysis.stages import moments_that_count
from landing_analysis.tables import LIMBS, NO_PICTURE, FloatArray, Frame, Landmarks, Seen

SETTINGS = PoseSettings()
MODEL = Model("none", "0", b"")


@pytest.fixture(scope="module")
def motion() -> Landmarks:
    return make_motion(jump_plan(2), "front", LIMBS)[0]


def _seen(person: Landmarks, frames: np.ndarray, people: int = 1) -> list[Seen]:
    values = np.concatenate([person.xy_px, person.visibility[..., None], person.world_m], axis=2)
    return [
        Seen(int(k), float(person.t_s[k]), np.repeat(values[k][None], people, 0)) for k in frames
    ]


def _detected(person: Landmarks, number: int, people: int = 1) -> Seen:
    """Return a look with windows of the detector, which lies around the hips."""
    (seen,) = _seen(person, np.array([number]), people)
    hips = seen.people[:, 23:25, :2].mean(axis=1)
    return seen._replace(windows_px=np.column_stack([hips, np.full((people, 2), [500.0, 0.1])]))


def _moving(person: Landmarks, step: int, people: int = 1) -> np.ndarray:
    frames = np.arange(0, len(person.t_s), step)
    return _moments(person.t_s, _seen(person, frames, people))


def _moments(t_s: np.ndarray, seen: list[Seen]) -> np.ndarray:
    """Say of each moment whether there is movement, once all looks are known."""
    movement = Movement(SETTINGS)
    for one in seen:
        movement.add(one)
    movement.end()
    return np.array([movement.at(moment_s) for moment_s in t_s], dtype=bool)


@pytest.mark.parametrize(
    ("fps", "rounds"),
    [(12, (1,)), (24, (2, 1)), (25, (2, 1)), (29.97, (2, 1)), (30, (2, 1)), (50, (4, 1)),
     (59.94, (5, 1)), (60, (5, 1)), (120, (10, 2, 1)), (239.8, (20, 4, 1))],
)  # fmt: skip
def test_rates_of_phones_give_rounds_down_to_every_frame(fps, rounds):
    assert steps(fps, SETTINGS) == rounds


def test_contacts_and_deepest_flexion_are_looked_at_and_standing_is_not(motion):
    poses = make_poses(motion)
    moments_s = moments_that_count(poses, link_people(poses, Settings().people), Settings())
    assert len(moments_s) >= 6
    chosen = _moving(motion, 5)
    for moment_s in moments_s:
        assert chosen[np.abs(motion.t_s - moment_s) <= 0.05].all()
    still = motion.t_s < moments_s.min() - 0.8
    assert still.sum() > 10
    assert chosen[still].mean() < 0.2


@pytest.mark.parametrize("slowed_by", [2, 4])
def test_slow_motion_is_looked_at_around_contacts_too(motion, slowed_by):
    """A clip filmed at 120 or 240 frames/s that plays at 60."""
    poses = make_poses(motion)
    moments_s = moments_that_count(poses, link_people(poses, Settings().people), Settings())
    t_s = np.arange(0.0, motion.t_s[-1], 1 / (60 * slowed_by))
    every = [np.interp(t_s, motion.t_s, xy) for xy in motion.xy_px.reshape(len(motion.t_s), -1).T]
    n = len(t_s)
    slowed = replace(
        motion,
        t_s=slowed_by * t_s,
        xy_px=np.stack(every, axis=1).reshape(n, 33, 2),
        visibility=np.ones((n, 33)),
        world_m=np.zeros((n, 33, 3)),
    )
    chosen = _moving(slowed, 5)
    looked = [chosen[np.abs(t_s - moment_s) <= 0.01].all() for moment_s in moments_s]
    assert np.mean(looked) >= 0.9


@pytest.mark.parametrize("people", [0, 2])
def test_every_frame_is_looked_at_where_not_just_one_person_is_seen(motion, people):
    assert _moving(motion, 5, people).all()


def test_frames_beyond_the_first_and_last_look_are_looked_at(motion):
    numbers = np.arange(len(motion.t_s))
    chosen = _moments(motion.t_s, _seen(motion, numbers[7:-9:5]))
    assert chosen[:7].all()
    assert chosen[-5:].all()
    assert _moments(motion.t_s, []).all()


Asked = dict[int, FloatArray | None]
"""The windows in which frames are looked at, by number; None for everybody."""


def _asked(
    motion: Landmarks,
    behind: int,
    known: list[Seen] = (),
    see: Callable[[Landmarks, int], Seen] = _detected,
) -> tuple[Asked, int]:
    """Return which frames are chosen when answers come so late, and how many are held at most."""
    choice = FirstPass((5, 1), known, NO_PROGRESS, SETTINGS)
    frames = (Frame(k, float(t_s), NO_PICTURE) for k, t_s in enumerate(motion.t_s))
    asked: Asked = {}
    due: list[int] = []

    def answered():
        for wanted in choice.chosen(frames):
            if wanted is not None:
                windowed = isinstance(wanted, InWindow)
                number = (wanted.frame if windowed else wanted).number
                asked[number] = wanted.window_px if windowed else None
                due.append(number)
            if wanted is None or len(due) > behind:
                yield _answer(due.pop(0))
        while due:
            yield _answer(due.pop(0))

    def _answer(number: int) -> Seen:
        seen = see(motion, number)
        return seen if asked[number] is None else seen._replace(windows_px=np.full((1, 4), np.nan))

    def held() -> int:
        return len(choice._held) + len(choice._windowless)

    most_held = max((held() for _ in choice.noted(answered())), default=0)
    return asked, most_held


def _told(asked: Asked) -> list[tuple[int, list[float] | None]]:
    return [(number, None if w is None else w.tolist()) for number, w in sorted(asked.items())]


@pytest.mark.parametrize("behind", [0, 1, 6, 50])
def test_the_same_frames_are_chosen_however_late_the_answers_come(motion, behind):
    asked, most_held = _asked(motion, behind)
    everywhere = np.arange(len(motion.t_s)) % 5 == 0
    assert sorted(asked) == np.flatnonzero(_moving(motion, 5) | everywhere).tolist()
    assert most_held < 40
    assert _told(asked) == _told(_asked(motion, 0)[0])


def test_a_body_that_moves_is_looked_at_in_windows_between_those_of_the_detector(motion):
    asked, _ = _asked(motion, 6)
    windows = {number: window for number, window in asked.items() if window is not None}
    last_look = len(motion.t_s) - 1 - (len(motion.t_s) - 1) % 5
    between = {number for number in asked if number % 5 in (1, 3, 4) and number < last_look}
    assert windows.keys() == between
    number = next(number for number in windows if number % 5 == 4 and number - 2 in asked)
    before, after = (_detected(motion, end).windows_px[0] for end in (number - 2, number + 1))
    assert_allclose(windows[number], before + 2 / 3 * (after - before))


@pytest.mark.parametrize("spoilt", ["two people", "nobody", "far away", "much larger"])
def test_everybody_is_looked_for_beside_a_look_that_shows_not_the_same_one(motion, spoilt):
    middle = len(motion.t_s) // 10 * 5

    def see(motion: Landmarks, number: int) -> Seen:
        seen = _detected(motion, number)
        if number != middle:
            return seen
        if spoilt == "two people":
            return _detected(motion, number, people=2)
        if spoilt == "nobody":
            return Seen(number, seen.t_s, np.empty((0, 33, 6)), np.empty((0, 4)))
        change = [150.0, 0, 0, 0] if spoilt == "far away" else [0.0, 0, 150, 0]
        return seen._replace(windows_px=seen.windows_px + change)

    asked, _ = _asked(motion, 6, see=see)
    beside = [middle - 2, middle - 1, middle + 1]
    assert all(asked[number] is None for number in beside if number in asked)
    assert set(beside) & asked.keys()
    without, _ = _asked(motion, 6)
    assert any(without[number] is not None for number in beside if number in without)


def test_frames_known_from_a_stopped_search_are_not_asked_for_again(motion):
    asked, _ = _asked(motion, 6)
    first = list(asked)[:50]
    known = [
        _detected(motion, number)
        if asked[number] is None
        else _detected(motion, number)._replace(windows_px=np.full((1, 4), np.nan))
        for number in first
    ]
    rest, _ = _asked(motion, 6, known)
    assert rest.keys() == asked.keys() - set(first)
    assert _told(rest) == _told({number: asked[number] for number in rest})


def test_only_frames_near_a_moment_are_timed(motion):
    numbers = np.arange(len(motion.t_s))
    seen = _seen(motion, numbers[::5])
    chosen = timed_frames(numbers, motion.t_s, seen, np.array([1.0]), SETTINGS)
    within = motion.t_s <= motion.t_s[numbers[::5][-1]]
    near = np.abs(motion.t_s - 1.0) <= SETTINGS.around_moment_s
    assert_array_equal(chosen[within][1:], near[within][1:])


def test_what_nobody_looked_at_is_interpolated_and_marked(motion):
    numbers = list(range(21))
    t_s = motion.t_s[:21].tolist()
    seen = [*_seen(motion, [0, 10]), *_seen(motion, [20], people=2)]
    poses = poses_of(seen, numbers, t_s, make_clip(motion, "P07.mp4"), MODEL)
    assert_array_equal(np.flatnonzero(poses.looked), [0, 10, 20])
    assert_allclose(poses.xy_px[5, 0], motion.xy_px[[0, 10]].mean(axis=0))
    assert np.isnan(poses.xy_px[11:20]).all()
    every = poses_of(_seen(motion, numbers), numbers, t_s, make_clip(motion, "P07.mp4"), MODEL)
    assert every.looked is None
