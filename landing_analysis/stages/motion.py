"""Who moves, seen from where and by which clock, and where the feet first seem to touch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np

from landing_analysis.clock.time_base import FreeFalls, FreeFallSeen, Settled, settle_time_base
from landing_analysis.contacts.events import find_contacts
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.contacts.lifting import lifted_between_flights
from landing_analysis.landmarks.lying import quarter_turns, stood_up, the_one_who_lies
from landing_analysis.landmarks.people import choose_patient
from landing_analysis.landmarks.view import estimate_view
from landing_analysis.reps.turning import find_contacts_by_view, jumping
from landing_analysis.settings import ContactSettings, ViewSettings
from landing_analysis.stages.candidates import Candidates, thinned
from landing_analysis.stages.options import Options
from landing_analysis.tables import Clip, Contacts, FloatArray, MeasuredPerson, Tracks, ViewEstimate
from landing_analysis.tracks.cleaning import clean_tracks
from landing_analysis.tracks.gravity import measure_free_fall, slow_motion_factor
from landing_analysis.tracks.pull import with_own_pull


class Motion(NamedTuple):
    """Who moves, seen from where, and where the feet first seem to touch the ground."""

    patient: MeasuredPerson
    view: ViewEstimate
    tracks: Tracks
    contacts: Contacts


def settled_motion(clip: Clip, candidates: Candidates, options: Options) -> tuple[Settled, Motion]:
    """Settle the clip's clock, and read the motion by it."""

    @cache
    def as_it_plays() -> Motion:
        return motion_of(candidates, clip.t_s, options)

    def motion_at(t_s: FloatArray) -> Motion:
        same = np.array_equal(t_s, clip.t_s)
        return as_it_plays() if same else motion_of(candidates, t_s, options)

    settled = settle_time_base(
        clip.t_s,
        clip.capture_fps,
        options.slowed_by,
        lambda t_s: _free_falls(candidates, motion_at, t_s, options),
        options.settings.clock,
    )
    return settled, motion_at(settled.t_s)


class Facing(NamedTuple):
    """The patient, stood up by so many quarter turns, and from where they are seen."""

    patient: MeasuredPerson
    view: ViewEstimate
    quarter_turns: int


def facing_of(candidates: Candidates, t_s: FloatArray, options: Options) -> Facing:
    """Choose the patient and estimate the view, with frame times of (n_frames,) seconds."""
    settings = options.settings
    timed = tuple(replace(person, t_s=t_s) for person in candidates.steady)
    patient = the_one_who_lies(
        choose_patient(timed, settings.people, options.person), timed, settings.lying
    )
    _, seen = candidates.around(patient.number - 1)
    turns = quarter_turns(candidates.steady[patient.number - 1], settings.lying)
    patient = replace(patient, landmarks=stood_up(replace(seen, t_s=t_s), turns))
    return Facing(patient, estimate_view(patient.landmarks, settings.view, options.view), turns)


def motion_of(
    candidates: Candidates, t_s: FloatArray, options: Options, facing: Facing | None = None
) -> Motion:
    """Run the stages up to contacts under the given frame times, (n_frames,) seconds."""
    settings = options.settings
    patient, view, turns = facing or facing_of(candidates, t_s, options)
    tracks = clean_tracks(patient.landmarks, settings.tracks, options.stature_m)
    if turns:
        tracks = with_own_pull(
            replace(tracks, turns=turns),
            lambda pulled: contacts_in(pulled, view, settings.contacts, settings.view),
            settings.lying,
            settings.gravity,
        )
    contacts = contacts_in(tracks, view, settings.contacts, settings.view)
    if view.turns and contacts.flights:
        within = jumping(contacts, t_s, settings.view)
        view = estimate_view(patient.landmarks, settings.view, options.view, within)
        contacts = contacts_in(tracks, view, settings.contacts, settings.view)
    return Motion(patient, view, tracks, contacts)


def _free_falls(
    candidates: Candidates,
    motion_at: Callable[[FloatArray], Motion],
    t_s: FloatArray,
    options: Options,
) -> FreeFalls:
    """Measure free fall flight by flight under the given frame times."""
    settings = options.settings
    rate_hz = 1.0 / float(np.median(np.diff(t_s)))
    every = max(1, int(rate_hz / settings.clock.free_fall_check_rate_hz))
    if len(t_s) < every * settings.gravity.min_samples:
        return FreeFalls(0, ())
    if every == 1:
        motion = motion_at(t_s)
    else:
        motion = motion_of(thinned(candidates, every), t_s[::every], options)
    if motion.tracks.turns:  # cords pull, not gravity: nothing tells a slowed clip
        return FreeFalls(0, ())
    measured = []
    for flight in motion.contacts.flights:
        free_fall = measure_free_fall(motion.tracks, Contacts((), (flight,)), settings.gravity)
        if free_fall is None or flight.take_off is None or flight.landing is None:
            continue
        factor, sd = slow_motion_factor(motion.tracks, free_fall)
        if sd <= settings.clock.sure_fall_sd:
            first, last = np.searchsorted(t_s, [flight.take_off.t_s, flight.landing.t_s])
            measured.append(FreeFallSeen(int(first), min(int(last), len(t_s) - 1), factor, sd))
    lifted = lifted_between_flights(motion.tracks, motion.contacts, settings.clock)
    return FreeFalls(len(motion.contacts.flights), tuple(measured), lifted)


def contacts_in(
    tracks: Tracks, view: ViewEstimate, feet: ContactSettings, turns: ViewSettings
) -> Contacts:
    """Find contacts, each foot seen as the view shows it; a patient may turn in between."""
    if view.turns:
        return find_contacts_by_view(tracks, view, feet, turns)
    return find_contacts(tracks, feet, foot_visibility_of(view.view, view.near_limb))
