"""What people set right about clips, in the record: entries are added and never changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

from landing_analysis.corrections import (
    EXCLUDED,
    LONGEST_REASON,
    clean_reason,
    in_force,
    makes_sense,
)
from landing_analysis.errors import CorrectionError, PatientError
from landing_analysis.patients import doubt_about, require_code
from landing_analysis.record.clips import SHORT_ID, hand_over_clip
from landing_analysis.record.database import Record, Row
from landing_analysis.record.patients import find_patient
from landing_analysis.tables import Corrected, Correction, LegPart, Limb

_FEWEST = 4  # characters that may name a clip (choice)
_FIRST_YEAR = 2000  # of a visit; phones filmed nothing before (choice)


@dataclass(frozen=True)
class Wish:
    """What is to be set: ``new`` None is as the program found it."""

    what: Corrected
    new: str | None
    rep: int | None = None
    rep_s: float | None = None
    limb: Limb | None = None
    part: LegPart | None = None
    player_s: float | None = None

    def is_about(self, one: Correction) -> bool:
        """Return whether a correction is about the same thing."""
        if self.what == "rep" and self.rep_s is None:
            return (one.what, one.rep_s, one.rep) == (self.what, None, self.rep)
        return (one.what, one.rep_s, one.limb, one.part, one.player_s) == (
            self.what, self.rep_s, self.limb, self.part, self.player_s
        )  # fmt: skip


@dataclass(frozen=True)
class KnownRep:
    """One rep of the newest analysis; ``player_s`` is when it lands as a player shows it."""

    number: int
    used: bool
    excluded: bool
    reason: str | None
    player_s: float | None


@dataclass(frozen=True)
class KnownClip:
    """One clip of the record with everything that was set right about it, oldest first.

    ``people``, ``report`` and ``reps`` are those of the newest analysis, None and nothing
    before there is one.
    """

    id: int
    sha256: str
    code: str
    day: str
    people: int | None
    report: Path | None
    reps: tuple[KnownRep, ...]
    history: tuple[Correction, ...]

    @property
    def short_id(self) -> str:
        """What names the clip on the command line."""
        return self.sha256[:SHORT_ID]

    @property
    def in_force(self) -> tuple[Correction, ...]:
        """The corrections that count."""
        return in_force(self.history)


def find_clip(record: Record, name: str) -> KnownClip:
    """Return the clip whose fingerprint starts with some characters.

    Raises
    ------
    CorrectionError
        When none does, or several do.
    """
    start = name.lower()
    if len(start) < _FEWEST or set(start) - set("0123456789abcdef"):
        raise CorrectionError(
            f"{name!r} names no clip; take the id that landing-analysis clips prints beside it."
        )
    rows = record.rows(
        "SELECT clip.id, sha256, code, date FROM clip JOIN visit ON visit_id = visit.id "
        "JOIN patient ON patient_id = patient.id WHERE substr(sha256, 1, ?1) = ?2",
        len(start),
        start,
    )
    if not rows:
        raise CorrectionError(
            f"There is no clip {name} in the record; landing-analysis clips prints the ids."
        )
    if len(rows) > 1:
        ids = ", ".join(row["sha256"][: max(len(start), SHORT_ID) + 4] for row in rows)
        raise CorrectionError(f"{name} may be any of {ids}; give more of its characters.")
    return _known(record, rows[0])


def _known(record: Record, row: Row) -> KnownClip:
    newest = record.rows(
        "SELECT id, people, report FROM analysis WHERE clip_id = ? ORDER BY id DESC LIMIT 1",
        row["id"],
    )
    reps = record.rows(
        "SELECT number, used, excluded, reason, player_s FROM rep WHERE analysis_id = ? "
        "ORDER BY number",
        newest[0]["id"] if newest else None,
    )
    return KnownClip(
        id=row["id"],
        sha256=row["sha256"],
        code=row["code"],
        day=row["date"],
        people=newest[0]["people"] if newest else None,
        report=record.folder.report_at(newest[0]["report"]) if newest else None,
        reps=tuple(
            KnownRep(r["number"], bool(r["used"]), bool(r["excluded"]), r["reason"], r["player_s"])
            for r in reps
        ),
        history=history_of(record.connection, row["id"]),
    )


def history_of(connection: sqlite3.Connection, clip_id: int) -> tuple[Correction, ...]:
    """Return everything that was set right about a clip, oldest first."""
    rows = connection.execute(
        "SELECT * FROM correction WHERE clip_id = ? ORDER BY id", (clip_id,)
    ).fetchall()
    return tuple(map(correction_in, rows))


def corrections_in_force(
    record: Record, clip_id: int | None = None
) -> dict[int, tuple[Correction, ...]]:
    """Return what counts of one clip's corrections or of all, by the number of the clip's row."""
    rows = record.rows(
        "SELECT * FROM correction WHERE ?1 IS NULL OR clip_id = ?1 ORDER BY id", clip_id
    )
    histories: dict[int, list[Correction]] = {}
    for row in rows:
        histories.setdefault(row["clip_id"], []).append(correction_in(row))
    return {one: in_force(history) for one, history in histories.items()}


def correction_in(row: Row) -> Correction:
    """Return the correction in a row of its table."""
    return Correction(
        what=row["what"],
        old=row["old"],
        new=row["new"],
        at=row["made_at"],
        by=row["made_by"],
        reason=row["reason"],
        rep=row["rep"],
        rep_s=row["rep_s"],
        limb=row["limb"],
        part=row["part"],
        player_s=row["player_s"],
    )


def last_correction(connection: sqlite3.Connection, clip_id: int) -> int:
    """Return the number of a clip's latest correction, 0 without any."""
    row = connection.execute(
        "SELECT coalesce(max(id), 0) FROM correction WHERE clip_id = ?", (clip_id,)
    ).fetchone()
    return int(row[0])


# --- setting -----------------------------------------------------------------------------------


def correct(
    record: Record,
    clip: KnownClip,
    wishes: Sequence[Wish],
    by: str | None,
    reason: str | None,
    *,
    undoes: int | None = None,
) -> tuple[Correction, ...]:
    """Enter what a person sets right about a clip; an analysis of it then waits.

    Parameters
    ----------
    record : Record
    clip : as it was found
    wishes : what is to be set; what is so already is passed over
    by : code of who does it, None when not given
    reason : None when not given
    undoes : number of the correction that this one takes back

    Returns
    -------
    tuple of Correction
        Those entered, nothing when all was so already.

    Raises
    ------
    CorrectionError, PatientError
        With nothing entered.
    """
    require_code_of_person(by)
    reason = _clean(reason)
    wishes = [_checked(record, clip, wish) for wish in wishes]
    at = datetime.now(UTC).isoformat(timespec="seconds")
    with record.change() as connection:
        history = history_of(connection, clip.id)
        entered = []
        for wish in wishes:
            old = _present(connection, clip.id, history, wish)
            if wish.new == old and (wish.new != EXCLUDED or _same_reason(history, wish, reason)):
                continue
            one = Correction(
                wish.what, old, wish.new, at, by, reason, wish.rep, wish.rep_s, wish.limb,
                wish.part, wish.player_s,
            )  # fmt: skip
            _enter(connection, clip.id, one, undoes)
            _move(connection, clip.id, history, one)
            entered.append(one)
        if entered:
            connection.execute(
                "UPDATE work SET state = 'waiting', reason = NULL, attempts = 0, retry_at_s = 0 "
                "WHERE clip_id = ? AND state <> 'analysing'",
                (clip.id,),
            )
    return tuple(entered)


def _enter(
    connection: sqlite3.Connection, clip_id: int, one: Correction, undoes: int | None
) -> None:
    connection.execute(
        "INSERT INTO correction (clip_id, what, old, new, rep, rep_s, reason, made_by, made_at, "
        "limb, part, player_s, undoes) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            clip_id, one.what, one.old, one.new, one.rep, one.rep_s, one.reason, one.by, one.at,
            one.limb, one.part, one.player_s, undoes,
        ),
    )  # fmt: skip


def _present(
    connection: sqlite3.Connection, clip_id: int, history: tuple[Correction, ...], wish: Wish
) -> str | None:
    """Return what a thing is now, None for as the program found it."""
    if wish.what in ("patient", "date"):
        return _place_of(connection, clip_id)[wish.what]
    same = [one for one in in_force(history) if wish.is_about(one)]
    return same[-1].new if same else None


def _place_of(connection: sqlite3.Connection, clip_id: int) -> dict[Corrected, str]:
    code, day = connection.execute(
        "SELECT code, date FROM clip JOIN visit ON visit_id = visit.id "
        "JOIN patient ON patient_id = patient.id WHERE clip.id = ?",
        (clip_id,),
    ).fetchone()
    return {"patient": code, "date": day}


def _same_reason(history: tuple[Correction, ...], wish: Wish, reason: str | None) -> bool:
    return any(one.reason == reason for one in in_force(history) if wish.is_about(one))


def _move(
    connection: sqlite3.Connection, clip_id: int, history: tuple[Correction, ...], one: Correction
) -> None:
    """Let a clip go to the patient or the day that a correction names."""
    if one.what not in ("patient", "date"):
        return
    to = one.new or found_at_first(history, one.what)
    if one.what == "patient":
        hand_over_clip(connection, clip_id, code=to)
    else:
        hand_over_clip(connection, clip_id, day=to)


def found_at_first(history: Sequence[Correction], what: Corrected) -> str | None:
    """Return whose a clip was, or of which day, before anybody set it; None if nobody did."""
    return next((one.old for one in history if one.what == what), None)


def _checked(record: Record, clip: KnownClip, wish: Wish) -> Wish:
    """Return a wish in the words of the record."""
    if wish.new is None:
        return _checked_return(record, clip, wish)
    if wish.what == "patient":
        return replace(wish, new=find_patient(record, wish.new).code)
    if wish.what == "date":
        require_visit_date(wish.new)
    if not makes_sense(wish.what, wish.new):
        raise CorrectionError(f"A clip's {wish.what} cannot be {wish.new!r}.")
    if wish.what == "person" and clip.people is not None and " of " not in wish.new:
        if int(wish.new) > clip.people:
            told = "1 person was" if clip.people == 1 else f"{clip.people} people were"
            raise CorrectionError(
                f"There is no person {wish.new} in clip {clip.short_id}: {told} told apart."
            )
        return replace(wish, new=f"{wish.new} of {clip.people}")
    return wish


def _checked_return(record: Record, clip: KnownClip, wish: Wish) -> Wish:
    if wish.what not in ("patient", "date"):
        return wish
    if not any(one.what == wish.what for one in clip.in_force):
        return replace(wish, new=clip.code if wish.what == "patient" else clip.day)
    first = found_at_first(clip.history, wish.what)
    if first is None:
        raise CorrectionError(f"Whose clip {clip.short_id} was at first is no longer known.")
    if wish.what == "patient":
        find_patient(record, first)
    return wish


def require_visit_date(text: str) -> None:
    """Refuse what cannot be the day of a visit.

    Raises
    ------
    CorrectionError
    """
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise CorrectionError(f"{text!r} is no date; write YYYY-MM-DD.") from error
    if day.isoformat() != text or day.year < _FIRST_YEAR or day > date.today():
        raise CorrectionError(f"A visit cannot have been on {text}; give a day up to today.")


def require_code_of_person(by: str | None) -> None:
    """Refuse what cannot be the code of somebody who works here, or may tell who it is.

    Raises
    ------
    CorrectionError
    """
    if by is None:
        return
    try:
        require_code(by)
    except PatientError as error:
        raise CorrectionError(
            f"{by!r} is no code: who set it is 1 to 32 letters, digits, - and _, such as T1."
        ) from error
    if doubt_about(by):
        raise CorrectionError(
            f"{by} looks like {doubt_about(by)}; name yourself by a code that tells nothing, "
            "such as T1."
        )


def _clean(reason: str | None) -> str | None:
    clean = None if reason is None else clean_reason(reason)
    if clean is None and reason is not None:
        raise CorrectionError(
            f"A reason is one line of at most {LONGEST_REASON} characters that starts with a "
            "letter or a digit."
        )
    return clean


def rep_of(clip: KnownClip, number: int) -> KnownRep:
    """Return a rep of a clip's newest analysis.

    Raises
    ------
    CorrectionError
        When there is none of that number.
    """
    for rep in clip.reps:
        if rep.number == number:
            return rep
    have = f"it has {len(clip.reps)}" if clip.reps else "it has no reps"
    raise CorrectionError(f"There is no rep {number} in clip {clip.short_id}; {have}.")


def wish_about_rep(clip: KnownClip, number: int, *, excluded: bool) -> Wish:
    """Return the wish to leave out a rep of a clip's newest analysis, or to take it in again.

    Raises
    ------
    CorrectionError
        When there is no such rep, or none was excluded under that number.
    """
    marked = [one for one in clip.in_force if one.what == "rep"]
    if excluded:
        rep = rep_of(clip, number)
        return Wish("rep", EXCLUDED, number, rep.player_s)
    rep_s = next((rep.player_s for rep in clip.reps if rep.number == number and rep.excluded), None)
    near = sorted(
        (one for one in marked if rep_s is not None and one.rep_s is not None),
        key=lambda one: abs((one.rep_s or 0.0) - (rep_s or 0.0)),
    ) or [one for one in marked if one.rep == number]
    if not near:
        raise CorrectionError(f"Rep {number} of clip {clip.short_id} is not excluded.")
    return Wish("rep", None, near[0].rep, near[0].rep_s)


# --- undo and redo -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Step:
    """One correction that can be taken back, or made again; ``number`` is that of its row."""

    number: int
    correction: Correction


def steps_of(record: Record, clip_id: int) -> tuple[list[Step], list[Step]]:
    """Return a clip's corrections that stand, and those taken back since, the latest last."""
    rows = record.rows("SELECT * FROM correction WHERE clip_id = ? ORDER BY id", clip_id)
    done: list[Step] = []
    undone: list[Step] = []
    for row in rows:
        step = Step(row["id"], correction_in(row))
        if row["undoes"] is None:
            done.append(step)
            undone.clear()
        elif done and done[-1].number == row["undoes"]:
            undone.append(Step(row["id"], done.pop().correction))
        elif undone:
            done.append(Step(row["id"], undone.pop().correction))
    return done, undone


def undo(record: Record, clip: KnownClip, by: str | None) -> Correction:
    """Take back a clip's latest correction that stands; both stay in the record.

    Raises
    ------
    CorrectionError
        When none stands.
    """
    done, _ = steps_of(record, clip.id)
    if not done:
        raise CorrectionError("There is nothing to take back.")
    return _again(record, clip, done[-1], done[-1].correction.old, by)


def redo(record: Record, clip: KnownClip, by: str | None) -> Correction:
    """Make again what was taken back last.

    Raises
    ------
    CorrectionError
        When nothing was.
    """
    _, undone = steps_of(record, clip.id)
    if not undone:
        raise CorrectionError("There is nothing to make again.")
    return _again(record, clip, undone[-1], undone[-1].correction.new, by)


def _again(
    record: Record, clip: KnownClip, step: Step, new: str | None, by: str | None
) -> Correction:
    one = step.correction
    wish = Wish(one.what, new, one.rep, one.rep_s, one.limb, one.part, one.player_s)
    entered = correct(record, clip, [wish], by, one.reason, undoes=step.number)
    if not entered:
        raise CorrectionError("It is so already.")
    return entered[0]
