"""Contacts as found -> Contacts as a person set them: moved, added, deleted. Pure.

Flights follow: an event of a flight that rests on a contact set by hand is read from the
contacts again, one without a landing is none any more, and an added contact that no flight
leads to gets one of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from landing_analysis.corrections import (
    CHECK,
    DELETED,
    AddedContact,
    added_contact,
    are_swapped,
)
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ByHandSettings
from landing_analysis.tables import (
    Contact,
    Contacts,
    Correction,
    Event,
    Flight,
    FloatArray,
    Limb,
    Note,
    other_limb,
)


class _Clock(NamedTuple):
    """Seconds as a player shows them -> an event picked by eye at that time."""

    clip_t_s: FloatArray
    t_s: FloatArray
    sd_s: float

    def event(self, player_s: float) -> Event:
        return Event(self.real_s(player_s), self.sd_s, by_hand=True)

    def real_s(self, player_s: float) -> float:
        return float(np.interp(player_s, self.clip_t_s, self.t_s))


def set_by_hand(
    contacts: Contacts,
    corrections: Iterable[Correction],
    clip_t_s: FloatArray,
    t_s: FloatArray,
    settings: ByHandSettings,
) -> Contacts:
    """Apply what a person set right about contacts.

    Parameters
    ----------
    contacts : as found
    corrections : in force
    clip_t_s : (n_frames,) seconds, as a player shows the clip
    t_s : (n_frames,) the same frames in seconds of real time
    settings : ByHandSettings

    Returns
    -------
    Contacts
        The very same without a correction. A contact is known again by its limb and when the
        foot touched down as first found; a note says which correction fits none any more. One
        that is added where another is takes its place. An
        event picked by eye has the standard uncertainty of the settings.
    """
    corrections = tuple(corrections)
    ours = [one for one in corrections if one.what in ("contact", "initial contact", "toe-off")]
    if not ours:
        return contacts
    clock = _Clock(clip_t_s, t_s, settings.picked_sd_frames * float(np.median(np.diff(t_s))))
    limb_of = _limb_reader(are_swapped(corrections))
    added = [
        (one, limb_of(one), new)
        for one in ours
        if one.what == "contact" and one.new and (new := added_contact(one.new))
    ]
    found = dict(enumerate(contacts.contacts))

    def found_again(one: Correction) -> int | None:
        own = [(other.limb, other.player_s) for other, _, _ in added]
        if (one.limb, one.player_s) in own:
            return len(found) + own.index((one.limb, one.player_s))
        return _found_again(found, limb_of(one), clock.real_s(one.player_s or 0.0), settings)

    deleted = [found_again(one) for one in ours if one.new == DELETED]
    changed = {k: contact for k, contact in found.items() if k not in deleted}
    for number, (_, limb, new) in enumerate(added, len(found)):
        there = _found_again(changed, limb, clock.real_s(new.on_s), settings)
        if there is not None:
            del changed[there]
        changed[number] = _contact(limb, new, clock)
    notes = []
    for one in (one for one in ours if one.what != "contact" or one.new == DELETED):
        at = found_again(one)
        if at is None or (one.new != DELETED and at not in changed):
            gone = because(
                Code.CORRECTED_CONTACT_GONE, what=one.what, limb=limb_of(one), at_s=one.player_s
            )
            notes.append(Note(CHECK, "limited", (gone,)))
        elif one.what == "initial contact":
            changed[at] = _landed_at(changed[at], clock.event(float(one.new or 0)))
        elif one.what == "toe-off":
            off = clock.event(float(one.new or 0))
            changed[at] = replace(changed[at], toe_off=off, toe_off_reason=None)
    gone_from = [found[at] for at in deleted if at is not None]
    taken_off = [(limb, new.from_s) for _, limb, new in added]
    kept = _merged(_cut(list(changed.values()), taken_off, clock), gone_from)
    kept.sort(key=lambda contact: contact.initial_contact.t_s)
    flights = _flights(contacts, kept, [(limb, new, clock) for _, limb, new in added], settings)
    return Contacts(tuple(kept), flights, (*contacts.notes, *notes))


def _limb_reader(swapped: bool) -> Callable[[Correction], Limb]:
    """Return what reads the patient's limb from a correction, which names the pose model's."""

    def read(one: Correction) -> Limb:
        limb = one.limb or "left"  # a contact always names one
        return other_limb(limb) if swapped else limb

    return read


def _contact(limb: Limb, new: AddedContact, clock: _Clock) -> Contact:
    off = None if new.off_s is None else clock.event(new.off_s)
    reason = None if off else because(Code.TOE_OFF_NOT_SEEN)
    return Contact(limb, clock.event(new.on_s), off, reason)


def _found_again(
    contacts: dict[int, Contact], limb: Limb, at_s: float, settings: ByHandSettings
) -> int | None:
    near = [
        (abs(contact.initial_contact.t_s - at_s), number)
        for number, contact in contacts.items()
        if contact.limb == limb
    ]
    apart_s, number = min(near, default=(np.inf, None))
    return number if apart_s <= settings.same_contact_s else None


def _landed_at(contact: Contact, event: Event) -> Contact:
    """Return a contact that begins with another event, at which that end of the foot lands."""
    toe, heel = contact.toe_contact, contact.heel_contact
    if toe and (heel is None or toe.t_s <= heel.t_s):
        toe, heel = event, heel if heel and heel.t_s >= event.t_s else None
    elif heel:
        heel, toe = event, toe if toe and toe.t_s >= event.t_s else None
    return replace(contact, initial_contact=event, toe_contact=toe, heel_contact=heel)


def _cut(
    contacts: list[Contact], added: list[tuple[Limb, float | None]], clock: _Clock
) -> list[Contact]:
    """End a contact before one of the same foot that was added within it."""
    ordered = sorted(contacts, key=lambda contact: contact.initial_contact.t_s)
    starts_s = {limb: [c.initial_contact.t_s for c in ordered if c.limb == limb]
                for limb, _ in added}  # fmt: skip
    taken_off = {limb: [clock.event(s) for other, s in added if other == limb and s is not None]
                 for limb, _ in added}  # fmt: skip

    def cut(contact: Contact) -> Contact:
        on_s, off = contact.initial_contact.t_s, contact.toe_off
        later = [s for s in starts_s.get(contact.limb, ()) if s > on_s]
        if not later or (off is not None and off.t_s < later[0]):
            return contact
        left = [event for event in taken_off[contact.limb] if on_s < event.t_s < later[0]]
        reason = None if left else because(Code.TOE_OFF_NOT_SEEN)
        return replace(contact, toe_off=left[0] if left else None, toe_off_reason=reason)

    return [cut(contact) for contact in contacts]


def _merged(contacts: list[Contact], deleted: list[Contact]) -> list[Contact]:
    """Let the foot stand on where the landing of both feet was deleted."""
    kept = list(contacts)
    for gone in deleted:
        others = [c for c in kept if c.limb != gone.limb and _together(c, gone)]
        before = [
            (c.initial_contact.t_s, k) for k, c in enumerate(kept)
            if c.limb == gone.limb and c.initial_contact.t_s < gone.initial_contact.t_s
        ]  # fmt: skip
        if before and not others:
            last = kept[max(before)[1]]
            kept[max(before)[1]] = replace(
                last, toe_off=gone.toe_off, toe_off_reason=gone.toe_off_reason
            )
    return kept


def _together(one: Contact, other: Contact) -> bool:
    """Whether two feet are on the ground at the same time."""
    ends = [c.toe_off.t_s if c.toe_off else np.inf for c in (one, other)]
    starts = [c.initial_contact.t_s for c in (one, other)]
    return max(starts) < min(ends)


# --- flights -------------------------------------------------------------------------------------


def _flights(
    found: Contacts,
    contacts: list[Contact],
    added: list[tuple[Limb, AddedContact, _Clock]],
    settings: ByHandSettings,
) -> tuple[Flight, ...]:
    """Return the flights as the contacts have them now."""
    half_s = 0.5 * settings.same_landing_s
    starts_s = [_middle_s(flight, half_s) for flight in found.flights]
    flights = []
    for k, flight in enumerate(found.flights):
        until_s = starts_s[k + 1] if k + 1 < len(starts_s) else np.inf
        landed = [c for c in contacts if starts_s[k] <= c.initial_contact.t_s < until_s]
        landed = [c for c in landed if not _is_second(c, landed)]
        before = [c for c in found.contacts if starts_s[k] <= c.initial_contact.t_s < until_s]
        if before and not landed:
            continue
        left = _left_before(contacts, starts_s[k - 1] if k else -np.inf, starts_s[k])
        flights.append(_taken_off(_landed(flight, landed, before), left))
    for limb, new, clock in added:
        contact = next(
            (c for c in contacts if c.limb == limb
             and c.initial_contact == clock.event(new.on_s)), None,
        )  # fmt: skip
        if contact is not None and not any(_leads_to(f, contact, settings) for f in flights):
            flights.append(_new_flight(contact, new, clock, contacts, settings))
    return tuple(sorted(flights, key=lambda flight: _middle_s(flight, half_s)))


def _middle_s(flight: Flight, half_s: float) -> float:
    """Return a moment of a flight: it lands later, and contacts before it began earlier."""
    if flight.landing is None:
        return np.inf
    take_off = flight.take_off
    on_s = flight.landing.t_s
    return on_s - half_s if take_off is None else 0.5 * (take_off.t_s + on_s)


def _is_second(contact: Contact, landed: list[Contact]) -> bool:
    """Whether a foot had landed before in the same time: that is another landing."""
    return any(
        c.limb == contact.limb and c.initial_contact.t_s < contact.initial_contact.t_s
        for c in landed
    )


def _left_before(contacts: list[Contact], from_s: float, until_s: float) -> list[Event]:
    """Return the toe-offs of the contacts that began between two flights' middles."""
    return [
        c.toe_off for c in contacts
        if c.toe_off is not None and from_s <= c.initial_contact.t_s < until_s
    ]  # fmt: skip


def _landed(flight: Flight, now: list[Contact], before: list[Contact]) -> Flight:
    """Return a flight that lands as its contacts do now, where a person changed one of them."""
    limbs = tuple(sorted({contact.limb for contact in now}))
    same = limbs == tuple(sorted({contact.limb for contact in before}))
    if same and not any(contact.initial_contact.by_hand for contact in now):
        return flight
    first = min((contact.initial_contact for contact in now), key=lambda event: event.t_s)
    unseen = tuple(limb for limb in flight.unseen_limbs if limb not in limbs)
    return replace(
        flight, landing=replace(first, by_hand=True), landing_limbs=limbs, unseen_limbs=unseen
    )


def _taken_off(flight: Flight, left: list[Event]) -> Flight:
    """Return a flight that begins with the last toe-off, where a person set one of them."""
    if not any(event.by_hand for event in left):
        return flight
    last = max(left, key=lambda event: event.t_s)
    return replace(flight, take_off=replace(last, by_hand=True))


def _leads_to(flight: Flight, contact: Contact, settings: ByHandSettings) -> bool:
    if flight.landing is None:
        return False
    return abs(flight.landing.t_s - contact.initial_contact.t_s) <= settings.same_landing_s


def _new_flight(
    contact: Contact,
    new: AddedContact,
    clock: _Clock,
    contacts: list[Contact],
    settings: ByHandSettings,
) -> Flight:
    """Return the flight that an added contact ends."""
    on = contact.initial_contact
    left = [
        c.toe_off for c in contacts
        if c.toe_off is not None and 0 < on.t_s - c.toe_off.t_s <= settings.longest_flight_s
    ]  # fmt: skip
    take_off = clock.event(new.from_s) if new.from_s is not None else None
    if take_off is None and left:
        take_off = max(left, key=lambda event: event.t_s)
    limbs = tuple(
        sorted(c.limb for c in contacts if c.toe_off == take_off and take_off is not None)
    )
    return Flight(take_off, on, limbs or (contact.limb,), (contact.limb,))
