"""(Tracks, ViewEstimate, Contacts) -> a view for each rep, where the patient turns within the clip.

One clip has one main view; a rep that is seen in another one keeps its times, and what
its view would have to carry is not measured.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from landing_analysis.contacts.events import find_contacts
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.landmarks.view import NEAR_LIMB, middle_deg, seen_as, wrapped_deg
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ContactSettings, ViewSettings
from landing_analysis.tables import (
    BoolArray,
    Contact,
    Contacts,
    Flight,
    FloatArray,
    Note,
    Rep,
    Reps,
    Tracks,
    View,
    ViewEstimate,
)


def jumping(contacts: Contacts, t_s: FloatArray, settings: ViewSettings) -> BoolArray:
    """Return (n_frames,) True from each take-off until the landing is deep."""
    inside = np.zeros(len(t_s), dtype=bool)
    for flight in contacts.flights:
        first_s, last_s = _span_s(flight, t_s, settings)
        inside |= (t_s >= first_s) & (t_s <= last_s + settings.landing_s)
    return inside


def find_contacts_by_view(
    tracks: Tracks, view: ViewEstimate, contacts: ContactSettings, settings: ViewSettings
) -> Contacts:
    """Find contacts with each foot seen as the view of its own time shows it.

    Parameters
    ----------
    tracks : Tracks
    view : ViewEstimate of the same frames, that turns
    contacts : ContactSettings
    settings : ViewSettings

    Returns
    -------
    Contacts
        Found once for each view that the patient is seen in; of each search the flights
        that lie in its view are kept, with their landings.
    """
    found: list[tuple[View, Contacts]] = []
    yaw_deg = view.frame_yaw_deg
    views = {seen_as(float(deg), view, settings)[0] for deg in yaw_deg[np.isfinite(yaw_deg)]}
    for name in sorted(views | {view.view, "oblique"}):
        visibilities = foot_visibility_of(name, NEAR_LIMB.get(name))
        found.append((name, find_contacts(tracks, contacts, visibilities)))
    flights: list[Flight] = []
    landings: list[Contact] = []
    for name, one in found:
        kept = [
            flight for flight in one.flights if _view_of(flight, tracks.t_s, view, settings) == name
        ]
        kept = [flight for flight in kept if not any(_same(flight, f, settings) for f in flights)]
        flights += kept
        landings += [c for c in one.contacts if any(_lands(f, c, settings) for f in kept)]
    return Contacts(
        tuple(sorted(landings, key=lambda contact: contact.initial_contact.t_s)),
        tuple(sorted(flights, key=lambda flight: _span_s(flight, tracks.t_s, settings))),
        found[0][1].notes,
    )


def view_reps(reps: Reps, t_s: FloatArray, view: ViewEstimate, settings: ViewSettings) -> Reps:
    """Give every rep its own view and yaw, from take-off to the lowest point of its landing.

    Parameters
    ----------
    reps : Reps
    t_s : (n_frames,) seconds
    view : ViewEstimate of the same frames
    settings : ViewSettings

    Returns
    -------
    Reps
        A rep within which the patient turns by more than ``settings.turning_deg`` is
        oblique, whatever its middle.
    """
    return replace(reps, reps=tuple(_viewed(rep, t_s, view, settings) for rep in reps.reps))


def in_view(tracks: Tracks, view: ViewEstimate, settings: ViewSettings) -> Tracks:
    """Blank the frames in which the patient is turned out of the clip's main view.

    So that nothing that is read over the whole clip (the straight length of a limb, the
    vertical) mixes views. A clip without a turn is returned as it is.
    """
    if not view.turns:
        return tracks
    with np.errstate(invalid="ignore"):
        away = np.abs(wrapped_deg(view.frame_yaw_deg - view.middle_deg)) > settings.turned_deg
    return replace(
        tracks,
        raw_px=np.where(away[:, None, None], np.nan, tracks.raw_px),
        xy_px=np.where(away[:, None, None], np.nan, tracks.xy_px),
    )


def turn_notes(reps: Reps, view: ViewEstimate) -> tuple[Note, ...]:
    """Say which reps are seen in another view than the clip, and what that costs."""
    apart = [(rep.number, rep.view) for rep in reps.reps if rep.view not in (None, view.view)]
    if not apart:
        return ()
    remark = because(
        Code.REPS_IN_OTHER_VIEWS,
        view=view.view,
        reps=tuple(number for number, _ in apart),
        views=tuple(name for _, name in apart if name),
    )
    return (Note("turning", "limited", (remark,)),)


def _viewed(rep: Rep, t_s: FloatArray, view: ViewEstimate, settings: ViewSettings) -> Rep:
    first_s, last_s = _span_s(rep.flight, t_s, settings)
    name, yaw_deg = view_in(
        (first_s, max(last_s, rep.peak_flexion_s or last_s)), t_s, view, settings
    )
    return replace(rep, view=name, yaw_deg=yaw_deg)


def view_in(
    span_s: tuple[float, float], t_s: FloatArray, view: ViewEstimate, settings: ViewSettings
) -> tuple[View | None, float | None]:
    """Return the view in a span of time and the yaw out of it, None where nothing is known.

    A clip without a turn has one view throughout.
    """
    yaw_deg = view.frame_yaw_deg[(t_s >= span_s[0]) & (t_s <= span_s[1])]
    yaw_deg = yaw_deg[np.isfinite(yaw_deg)]
    if not len(yaw_deg):
        return None, None
    own_deg = middle_deg(yaw_deg)
    if not view.turns:
        return view.view, float(wrapped_deg(view.yaw_deg + own_deg - view.middle_deg))
    name, off_deg = seen_as(own_deg, view, settings)
    turning = float(np.abs(wrapped_deg(yaw_deg - own_deg)).max()) > settings.turning_deg
    return ("oblique" if turning else name), off_deg


def _view_of(flight: Flight, t_s: FloatArray, view: ViewEstimate, settings: ViewSettings) -> View:
    """Return the view of a flight, the clip's where nothing was seen of it."""
    return view_in(_span_s(flight, t_s, settings), t_s, view, settings)[0] or view.view


def _span_s(flight: Flight, t_s: FloatArray, settings: ViewSettings) -> tuple[float, float]:
    """Return take-off and landing, the clip's ends where it cuts the flight off."""
    beside_s = settings.standing_s
    first_s = flight.take_off.t_s - beside_s if flight.take_off else float(t_s[0])
    last_s = flight.landing.t_s + beside_s if flight.landing else float(t_s[-1])
    return first_s, last_s


def _same(one: Flight, other: Flight, settings: ViewSettings) -> bool:
    """Say whether two searches found the same flight, at the border between two views."""
    if one.landing is None or other.landing is None:
        return one.landing is other.landing
    return abs(one.landing.t_s - other.landing.t_s) < settings.feet_apart_s


def _lands(flight: Flight, contact: Contact, settings: ViewSettings) -> bool:
    """Say whether a contact is the landing of a flight: the feet land close together."""
    if flight.landing is None or contact.limb not in flight.landing_limbs:
        return False
    return abs(contact.initial_contact.t_s - flight.landing.t_s) < settings.feet_apart_s
