"""Toes that the leg draws up, or stretches down, faster than the body moves: written-down paths.

The body flies on a free arc; after toe-off, and before landing, the toes move by half of an
acceleration times the square of the time from there besides. Nobody was measured.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from landing_analysis.contacts.drawn_up import with_legs_drawn_up
from landing_analysis.contacts.feet import FootEvents, Motion, foot_events
from landing_analysis.maths.change_point import ChangePointWindows, fit_change_point
from landing_analysis.settings import ContactSettings
from landing_analysis.tables import LIMBS, Event, FloatArray

SETTINGS = ContactSettings()
G_M_S2, EDGE_S, RISE_M_S, SD_S = 9.81, 0.5037, 0.8, 0.010
SEGMENT = (15, 32)
"""Frames of a fall of 0.28 s."""
Kind = Literal["leaving", "landing"]


def moved(kind: Kind, drawn_m_s2: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times, heights of the body's middle and of the toes, at 60 frames/s."""
    t_s = np.arange(0.0, 1.0, 1 / 60)
    s = np.maximum((t_s - EDGE_S) * (1 if kind == "leaving" else -1), 0.0)
    body_m = RISE_M_S * s - 0.5 * G_M_S2 * s**2
    return (
        t_s,
        0.9 + body_m,
        np.where(drawn_m_s2 > 0, 0.5 * drawn_m_s2 * s**2, 0.0)
        + (0.0 if drawn_m_s2 > 0 else body_m),
    )  # toes that are drawn up start from rest, others with the body


def motion_of(t_s: FloatArray, body_m: FloatArray, toe_m: FloatArray) -> Motion:
    still, no = np.zeros_like(t_s), np.zeros(len(t_s), dtype=bool)
    return Motion(
        t_s=t_s, frame_s=1 / 60, body_m=body_m, body_acceleration=still, mass_m=body_m,
        toe_m=dict.fromkeys(LIMBS, toe_m),
        toe_place_m=dict.fromkeys(LIMBS, np.column_stack([still, -toe_m])),
        heel_m=dict.fromkeys(LIMBS, still), ankle_m=dict.fromkeys(LIMBS, still),
        resting=dict.fromkeys(LIMBS, no), seen=dict.fromkeys(LIMBS, 1.0), exchanged=no,
        noise_m={f"{limb}_{part}": 0.003 for limb in LIMBS for part in ("toe", "ankle", "heel")},
        pull_m_s2=G_M_S2,
    )  # fmt: skip


def corner(t_s: FloatArray, toe_m: FloatArray, kind: Kind) -> FootEvents:
    """Return the edge as the corner between a rest and a free arc tells it."""
    rest_s = SETTINGS.leaving_rest_s if kind == "leaving" else SETTINGS.landing_rest_s
    windows = ChangePointWindows(
        SETTINGS.change_point_search_s, SETTINGS.change_point_moving_s, rest_s
    )
    found = fit_change_point(
        t_s, toe_m, EDGE_S, kind, windows, 0.003, fall_m_s2=G_M_S2,
        worst_misfit_m=SETTINGS.change_point_misfit_m, worst_misfit_sds=SETTINGS.noise_sds,
        step_s=1 / 60,
    )  # fmt: skip
    assert found is not None
    event = Event(found.at_s, SD_S)
    if kind == "leaving":
        return FootEvents(toe_off=event, level_before_m=found.level_m)
    return FootEvents(toe_contact=event, level_after_m=found.level_m)


def edge(events: FootEvents, kind: Kind) -> Event:
    event = events.toe_off if kind == "leaving" else events.toe_contact
    assert event is not None
    return event


@pytest.mark.parametrize("kind", ["leaving", "landing"])
@pytest.mark.parametrize("drawn_m_s2", [22.0, 28.0])
def test_an_edge_of_toes_that_start_from_rest_is_placed_nearer_and_claims_what_is_left(
    kind, drawn_m_s2
):
    t_s, body_m, toe_m = moved(kind, drawn_m_s2)
    read = corner(t_s, toe_m, kind)
    placed = edge(
        with_legs_drawn_up(motion_of(t_s, body_m, toe_m), "left", SEGMENT, read, SETTINGS), kind
    )
    late = 1.0 if kind == "leaving" else -1.0
    before_s, after_s = (late * (one.t_s - EDGE_S) for one in (edge(read, kind), placed))
    assert before_s > 0.010, "the corner of an arc from rest is read inside the air"
    assert 0 < after_s < before_s - 0.002
    if kind == "leaving":  # a landing on a bare parabola to rest is read farther off than a foot's
        assert abs(after_s) < 1.96 * placed.sd_s
    assert placed.sd_s > SD_S


@pytest.mark.parametrize("kind", ["leaving", "landing"])
def test_an_edge_of_toes_that_move_with_the_body_stays(kind):
    t_s, body_m, toe_m = moved(kind, 0.0)
    read = corner(t_s, toe_m, kind)
    placed = edge(
        with_legs_drawn_up(motion_of(t_s, body_m, toe_m), "left", SEGMENT, read, SETTINGS), kind
    )
    assert abs(placed.t_s - edge(read, kind).t_s) < 0.002
    assert placed.sd_s < SD_S + 0.001


@pytest.mark.parametrize("missing", ["event", "toes"])
def test_what_is_not_seen_stays_as_it_is(missing):
    t_s, body_m, toe_m = moved("leaving", 25.0)
    events = FootEvents() if missing == "event" else corner(t_s, toe_m, "leaving")
    unseen_m = np.full_like(toe_m, np.nan) if missing == "toes" else toe_m
    motion = motion_of(t_s, body_m, unseen_m)
    assert with_legs_drawn_up(motion, "left", SEGMENT, events, SETTINGS).toe_off == events.toe_off


def landed_at(speed_m_s: float) -> Event:
    """Return the contact of toes that come down on a free arc, at a speed, and rest."""
    t_s = np.arange(0.0, 1.0, 1 / 60)
    s = np.clip(EDGE_S - t_s, 0.0, 2 * speed_m_s / G_M_S2)
    toe_m = speed_m_s * s - 0.5 * G_M_S2 * s**2
    motion = motion_of(t_s, toe_m, toe_m)
    motion = replace(motion, resting=dict.fromkeys(LIMBS, t_s > EDGE_S))
    found = foot_events(motion, "left", (16, 29), SETTINGS, "far").toe_contact
    assert found is not None
    return found


def test_a_foot_that_comes_down_slowly_lands_at_a_less_certain_instant():
    from_jump, from_sled = landed_at(1.4), landed_at(0.7)
    assert from_sled.sd_s > 1.3 * from_jump.sd_s
    assert abs(landed_at(2.8).sd_s - from_jump.sd_s) < 0.003, "a quick one is no surer"
