"""The first page: what arrives and what became of it, and what somebody must settle."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from itertools import chain, count
from pathlib import Path
from typing import Any, Literal
from urllib.parse import unquote

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from landing_analysis.errors import CorrectionError, LandingAnalysisError
from landing_analysis.exercises import EXERCISES
from landing_analysis.files import printable
from landing_analysis.folder import queue
from landing_analysis.folder.entries import is_left_alone
from landing_analysis.folder.queue import ClipState
from landing_analysis.patients import same_code
from landing_analysis.reasons import Code
from landing_analysis.record.correcting import require_visit_date
from landing_analysis.record.database import Record
from landing_analysis.record.dropped_again import dropped_again
from landing_analysis.record.overview import ClipLine, clip_lines
from landing_analysis.record.patients import find_patient, list_patients
from landing_analysis.video.clips import CLIP_SUFFIXES
from landing_analysis.window.answers import (
    TOKEN_HEADER,
    Given,
    NotThereError,
    page,
    to,
    wants_json,
    window_of,
)
from landing_analysis.window.results import result_words
from landing_analysis.window.state import Window

_MOST_DONE = 40  # results on the page (choice)
_MOST_AGAIN = 5  # files that came in before, on the page (choice)

Question = Literal[
    "patient", "file date", "exercise", "slowed by", "person", "again", "gone", "drop", "look"
]


@dataclass(frozen=True)
class Open:
    """One thing that a person settles, and how.

    ``key`` names what it is about in the form: a clip, or a file of the drop folder.
    """

    question: Question
    about: str
    why: str
    key: str
    people: int = 0
    suggested: str | None = None


@dataclass(frozen=True)
class Arriving:
    """One clip that is not done yet."""

    about: str
    state: str
    why: str | None


def today(window: Window, request: Request) -> Response:
    """Show the page, or what of it changes, with a mark that differs when it did."""
    with window.record() as record:
        again = dropped_again(record)
        parts: dict[str, Any] = {
            "open": _open(record, window),
            "arriving": _arriving(record, window),
            "again": again[:_MOST_AGAIN],
            "more_again": len(again[_MOST_AGAIN:]),
            "done": [(line, result_words(line)) for line in clip_lines(record, most=_MOST_DONE)
                     if line.analysed],
            "codes": [patient.code for patient in list_patients(record)],
            "step": window.working.step,
            "trouble": window.working.trouble,
            "folder": window.job.root,
            "exercises": EXERCISES,
        }  # fmt: skip
    if not wants_json(request):
        return page(window, "today.html.j2", **parts)
    html = bytes(page(window, "today_live.html.j2", **parts).body).decode()
    mark = hashlib.sha256(html.encode()).hexdigest()
    return JSONResponse({"html": html, "mark": mark})


def _arriving(record: Record, window: Window) -> list[Arriving]:
    states = queue.states_in(record, window.job.root)
    return [
        Arriving(_file_words(state), state.state, state.reason)
        for state in states
        if state.state in ("waiting", "analysing")
    ]


def _file_words(state: ClipState) -> str:
    """Name a file by the end of its place: whose clip it is, and what it is called."""
    return f"{state.code}: {Path(state.file).name}" if state.code else state.file


# --- what somebody must settle -------------------------------------------------------------------


def _open(record: Record, window: Window) -> list[Open]:
    codes = [patient.code for patient in list_patients(record)]
    found = [
        _about_file(state, codes)
        for state in queue.all_states(record)
        if state.state == "needs attention"
    ]
    return found + [one for line in clip_lines(record, most=_MOST_DONE) for one in _doubts(line)]


def _about_file(state: ClipState, codes: Iterable[str]) -> Open:
    why, by_command, _ = (state.reason or "").partition(queue.BY_COMMAND)
    if by_command:
        return Open("gone", _file_words(state), f"Its file is gone. {why}.", state.short_id or "")
    if state.short_id and state.report is None:
        return Open("drop", _file_words(state), f"It was {why}.", state.short_id)
    if state.short_id:
        return Open("again", _file_words(state), why, state.short_id)
    key, parts = _key_of(state.file), Path(state.file).parts
    if "on which day it was recorded" in why:
        return Open("file date", state.file, why, key)
    folder = parts[0] if len(parts) > 1 else None
    if folder is None or not any(same_code(folder, code) for code in codes):
        nobody = f"There is no patient {folder} yet." if folder else "It is of no patient yet."
        return Open("patient", state.file, nobody, key, suggested=folder)
    return Open("look", state.file, why, key)


_CLOCK = frozenset({Code.TIMES_SUPPRESSED})
_PEOPLE = frozenset({Code.CHOICE_NOT_SURE, Code.OTHERS_ALIKE, Code.OTHER_PEOPLE_THAN_WHEN_SET})


def _doubts(line: ClipLine) -> list[Open]:
    """Say what of an analysed clip the pictures alone did not settle."""
    about = f"{line.code}, {line.day}, set {line.values['set_number']}"
    people = line.values["people"]
    doubts: tuple[tuple[bool, Question, str], ...] = (
        (bool(line.reps) and line.values["exercise"] is None, "exercise",
         "It could not be told which exercise this is."),
        (bool(line.codes & _CLOCK), "slowed by",
         "How fast the clip plays is in doubt, so no times are given."),
        (bool(line.codes & _PEOPLE), "person",
         f"{people} people were seen, and it is not sure who of them is the patient."),
    )  # fmt: skip
    return [
        Open(question, about, why, line.short_id, people=people or 0)
        for is_open, question, why in doubts
        if is_open and line.excluded is None
    ]


def _key_of(file: str) -> str:
    """Name a file of the drop folder without telling its name in an address."""
    return hashlib.sha256(file.encode()).hexdigest()[:16]


def _file_named(record: Record, window: Window, key: str) -> Path:
    for path in queue.known_files(record, window.job.root):
        if _key_of(printable(str(path))) == key:
            return path
    raise NotThereError("That file is no longer in the drop folder.")


def settle_patient(window: Window, request: Request, given: Given) -> Response:
    """Move a file into the folder of the patient whose clip it is."""
    with window.record() as record:
        code = find_patient(record, given.get("code", "")).code
        path = _file_named(record, window, given.get("key", ""))
    _move(window.job.root / path, window.job.root / code / path.name)
    window.working.wake.set()
    return to("/")


def settle_file_date(window: Window, request: Request, given: Given) -> Response:
    """Put the day on which a clip was filmed before its file's name."""
    day = given.get("day", "")
    require_visit_date(day)
    with window.record() as record:
        path = window.job.root / _file_named(record, window, given.get("key", ""))
    stamp = f"{date.fromisoformat(day):%Y%m%d}_120000"
    _move(path, path.with_name(f"{path.stem}_{stamp}{path.suffix}"))
    window.working.wake.set()
    return to("/")


def _move(path: Path, target: Path) -> None:
    """Move a file to where none is."""
    if target.exists():
        raise CorrectionError(
            "A file of that name is there already; rename one of the two in the drop folder."
        )
    try:
        target.parent.mkdir(exist_ok=True)
        path.rename(target)
    except OSError as error:
        raise CorrectionError(f"The file cannot be moved ({error.strerror}).") from error


def look_again(window: Window, request: Request, given: Given) -> Response:
    """Try anew what needs attention in the drop folder."""
    with window.record() as record:
        queue.look_again(record, window.job.root)
    window.working.wake.set()
    return to("/")


# --- a clip dragged onto the page ----------------------------------------------------------------


async def drop(request: Request) -> Response:
    """Put a clip that was dragged onto the page into the drop folder, under its name."""
    window = window_of(request)
    if not window.keys.may_write(request.headers.get(TOKEN_HEADER)):
        return JSONResponse({"error": "Reload this page and try again."}, 403)
    try:
        with window.record() as record:
            code = _code_for(record, request.headers.get("x-patient", ""))
        name = _name_of_clip(unquote(request.headers.get("x-file-name", "")))
    except LandingAnalysisError as error:
        return JSONResponse({"error": str(error)}, 422)
    folder = window.job.root / code if code else window.job.root
    folder.mkdir(exist_ok=True)
    aside = folder / f".{uuid.uuid4().hex}.part"
    try:
        with aside.open("wb") as file:
            async for piece in request.stream():
                file.write(piece)
        aside.rename(_free_place(folder, name))
    except (ClientDisconnect, OSError) as error:
        sentence = f"{name} did not arrive whole ({type(error).__name__}); drop it again."
        return JSONResponse({"error": sentence}, 422)
    finally:
        aside.unlink(missing_ok=True)
    window.working.wake.set()
    return JSONResponse({"said": f"{name} is in the drop folder."})


def _code_for(record: Record, asked: str) -> str | None:
    return find_patient(record, asked).code if asked else None


def _name_of_clip(name: str) -> str:
    """Return the name under which a clip from the page is put into the drop folder.

    Raises
    ------
    CorrectionError
        When it is no plain name of a clip.
    """
    plain = Path(name.replace("\\", "/")).name
    if not plain.lower().endswith(CLIP_SUFFIXES) or is_left_alone(plain) or not plain.isprintable():
        raise CorrectionError(
            f"Only clips can be dropped here; their names end in {', '.join(CLIP_SUFFIXES)}."
        )
    return plain


def _free_place(folder: Path, name: str) -> Path:
    """Return where no file is yet, with a number behind the name when one is."""
    path = Path(name)
    tries = (f"{path.stem} ({number}){path.suffix}" for number in count(2))
    return next(folder / one for one in chain((name,), tries) if not (folder / one).exists())
