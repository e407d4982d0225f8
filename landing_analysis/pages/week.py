"""One week of all patients -> whom to look at first, and why; who is new; the rest; what waits."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from pathlib import Path

from landing_analysis.pages.history import History, side_changes, visit_facts
from landing_analysis.pages.words import (
    SOME_INVENTED,
    Nav,
    address,
    day_words,
    limb_role,
    render,
    since_surgery,
)
from landing_analysis.record.unread import StrayFile, UnreadClip
from landing_analysis.report.numbers import sentence
from landing_analysis.trend.changes import Key, MinimalChange
from landing_analysis.trend.triage import FIRST_VISIT, KINDS, Flag, Kind, flags_to_look

_MOST_ENTRIES = 6  # of patients on the first sheet of paper (choice)
_MOST_WAITING = 3  # clips without numbers there (choice)
_MOST_CODES = 20  # of everybody else there (choice)
_BADGES: dict[Kind, str] = {
    "pain or swelling": "finding",
    "new finding": "finding",
    "side difference grown": "grown",
    "quality too poor to read": "poor",
    "first visit": "first-visit",
}
"""How the badge of each kind of reason looks."""


@dataclass(frozen=True)
class Entry:
    """One patient in the list."""

    code: str
    invented: bool
    about: str
    visits: tuple[tuple[str, str | None], ...]
    compare: str | None
    is_new: bool
    reasons: tuple[Flag, ...]

    @property
    def comes_first(self) -> bool:
        """Whether there is more to look at than what a first visit showed."""
        return any(reason.kind != FIRST_VISIT for reason in self.reasons)

    @property
    def by_kind(self) -> list[tuple[Kind, list[str]]]:
        """The reasons' sentences, kind by kind."""
        texts = {kind: [r.text for r in self.reasons if r.kind == kind] for kind in KINDS}
        return [(kind, found) for kind, found in texts.items() if found]


def first_day_of_week(day: date) -> date:
    """Return the Monday of a day's week."""
    return day - timedelta(days=day.weekday())


def seen_in_week(history: History, monday: date) -> tuple[date, ...]:
    """Return the days of a week on which a patient was filmed."""
    return tuple(d for d in history.days if monday <= d < monday + timedelta(days=7))


@dataclass(frozen=True)
class Summary:
    """What the first sheet of paper says of the week.

    ``rows`` are patients to look at first, each with one sentence and how many more reasons
    there are; ``more`` counts those left for below. ``also`` names everybody else who was seen,
    as far as there is room.
    """

    rows: tuple[tuple[Entry, str, int], ...]
    more: int
    also: tuple[tuple[str, str], ...]
    waiting: tuple[Waiting, ...]
    more_waiting: int


@dataclass(frozen=True)
class Waiting:
    """One clip without numbers."""

    code: str
    state: str
    text: str


def week_html(
    histories: Iterable[History],
    minimal: Mapping[Key, MinimalChange],
    stray: Sequence[StrayFile],
    day: date,
    page: Path | None,
    place_of: Callable[[str, date | None], str | None] | None = None,
    nav: Nav = (),
) -> str:
    """Return the page on one week.

    Parameters
    ----------
    histories : of all patients
    minimal : from the sets of the whole clinic
    stray : files of the drop folders that are no clips of the record yet, of no known day
    day : any day of the week, which runs from Monday to Sunday
    page : where the page will lie; pages on visits and change lie in a folder by the code
    place_of : gives the address of a patient's visit, or with None of the page on change, where
        these lie elsewhere
    nav : where one goes on from it
    """
    links = place_of or partial(_place_beside, page)
    monday = first_day_of_week(day)
    sunday = monday + timedelta(days=6)
    until = [(history, seen_in_week(history, monday)) for history in histories]
    entries = [_entry(history, minimal, days, monday, links) for history, days in until if days]
    first = sorted((e for e in entries if e.comes_first), key=_urgency)
    waiting = _waiting(until, stray, monday)
    others = [entry for entry in entries if not entry.comes_first]
    new = [entry for entry in others if entry.is_new]
    rest = [entry for entry in others if not entry.is_new]
    summary = _summary(first, new, rest, waiting)
    return render(
        "week.html.j2",
        kind="Week",
        nav=nav,
        title=f"{day_words(monday)} to {day_words(sunday)}",
        page_title=f"Week of {monday}",
        invented=_invented([history for history, _ in until]),
        facts=[
            ("Patients seen", f"{len(entries)} of {len(until)}"),
            ("To look at first", str(len(first))),
            ("Seen for the first time", str(sum(entry.is_new for entry in entries))),
            ("Clips without numbers", str(len(waiting))),
        ],
        summary=summary,
        in_full=[e for e in first if len(e.reasons) > 1] if not summary.more else first,
        new=new,
        rest=rest,
        waiting=waiting,
        nobodys=sum(file.code is None for file in stray),
        of_other_weeks=sum(not _in_week(clip, monday) for h, _ in until for clip in h.unread),
        unseen=[_unseen(history, monday) for history, days in until if not days],
        fppa_shown=any("FPPA" in r.text for entry in entries for r in entry.reasons),
        sentence=sentence,
        badges=_BADGES,
    )


def _invented(histories: list[History]) -> str | None:
    return SOME_INVENTED if any(history.patient.invented for history in histories) else None


def _summary(
    first: list[Entry], new: list[Entry], rest: list[Entry], waiting: list[Waiting]
) -> Summary:
    shown = first[:_MOST_ENTRIES]
    return Summary(
        rows=tuple((entry, entry.reasons[0].text, len(entry.reasons) - 1) for entry in shown),
        more=len(first[_MOST_ENTRIES:]),
        also=tuple(
            (what, _codes(entries))
            for what, entries in (("At a first visit", new), ("Nothing to look at first", rest))
            if entries
        ),
        waiting=tuple(waiting[:_MOST_WAITING]),
        more_waiting=len(waiting[_MOST_WAITING:]),
    )


def _codes(entries: list[Entry]) -> str:
    more = len(entries[_MOST_CODES:])
    words = ", ".join(entry.code for entry in entries[:_MOST_CODES])
    return f"{words} and {more} more" if more else words


def _urgency(entry: Entry) -> tuple[int, int, str]:
    """Put pain and swelling first, then new findings, and so on in the order of `KINDS`."""
    return KINDS.index(entry.reasons[0].kind), -len(entry.reasons), entry.code


def _entry(
    history: History,
    minimal: Mapping[Key, MinimalChange],
    days: tuple[date, ...],
    monday: date,
    place_of: Callable[[str, date | None], str | None],
) -> Entry:
    patient = history.patient
    last = monday + timedelta(days=6)
    facts = [facts for facts in visit_facts(history) if facts.day <= last]
    return Entry(
        code=patient.code,
        invented=patient.invented,
        about=f"{since_surgery(patient, days[-1])}, {_surgical(history)}{_left_out(history, days)}",
        visits=tuple((day_words(day), place_of(patient.code, day)) for day in days),
        compare=place_of(patient.code, None),
        is_new=history.days[0] >= monday,
        reasons=flags_to_look(facts, side_changes(history, minimal), monday),
    )


def _left_out(history: History, days: tuple[date, ...]) -> str:
    """Count the clips of some days that a person left out."""
    number = sum(one.date in days for one in history.excluded)
    return f", {number} clip{'s' if number > 1 else ''} left out by hand" if number else ""


def _waiting(
    until: list[tuple[History, tuple[date, ...]]], stray: Sequence[StrayFile], monday: date
) -> list[Waiting]:
    """Name the week's clips without numbers, and patients' files of no known day."""
    found = [
        Waiting(history.patient.code, clip.state,
                f"{day_words(clip.date)}, recorded at {clip.recorded_at:%H:%M}: {clip.reason}")
        for history, _ in until for clip in history.unread if _in_week(clip, monday)
    ]  # fmt: skip
    found += [
        Waiting(file.code, "needs attention" if file.needs_attention else "waiting", file.reason)
        for file in stray if file.code is not None
    ]  # fmt: skip
    return sorted(found, key=lambda one: (one.state != "needs attention", one.code))


def _in_week(clip: UnreadClip, monday: date) -> bool:
    return monday <= clip.date < monday + timedelta(days=7)


def _surgical(history: History) -> str:
    side = history.patient.surgical_side
    return f"{limb_role(side, None)} limb operated" if side else "surgical limb not known"


def _place_beside(page: Path | None, code: str, day: date | None) -> str | None:
    if page is None:
        return None
    target = page.parent / code / (f"visit-{day}.html" if day else "compare.html")
    return address(target, page) if target.is_file() else None


def _unseen(history: History, monday: date) -> tuple[str, bool, str]:
    earlier = [day for day in history.days if day < monday]
    words = f"last seen on {day_words(earlier[-1])}" if earlier else "not seen before"
    return history.patient.code, history.patient.invented, words
