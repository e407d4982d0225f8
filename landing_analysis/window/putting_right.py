"""What a person sets right about a clip: into the record, and through all stages at once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import partial

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from landing_analysis.corrections import DELETED, EXCLUDED, SWAPPED, are_swapped
from landing_analysis.errors import CacheError, CorrectionError, LandingAnalysisError
from landing_analysis.folder.again import require_something_left
from landing_analysis.folder.queue import let_wait
from landing_analysis.record.correcting import (
    KnownClip,
    Wish,
    correct,
    find_clip,
    redo,
    undo,
    wish_about_rep,
)
from landing_analysis.record.database import Record, reopened
from landing_analysis.record.remarks import Kind, remark_on_clip
from landing_analysis.tables import LIMBS, Analysis, Corrected, LegPart, short_clip
from landing_analysis.window.again import begin_again, has_file
from landing_analysis.window.answers import (
    ChangedMeanwhileError,
    Given,
    optional,
    to,
    wants_json,
)
from landing_analysis.window.clip_view import changes, clip_view, model_limb
from landing_analysis.window.clips import clip_at, version_of
from landing_analysis.window.reanalysis import store
from landing_analysis.window.state import Window

_OF_CLIP: tuple[Corrected, ...] = ("patient", "date", "exercise", "view", "person", "slowed by")
_PARTS: tuple[LegPart, ...] = ("hip", "knee", "ankle", "heel", "toe")


def set_clip(window: Window, request: Request, given: Given) -> Response:
    """Set what is not so about a clip as a whole; ``as found`` takes a setting back."""

    def wishes(clip: KnownClip) -> list[Wish]:
        named = [
            Wish(what, None if new == "as found" else new.replace("-", "_"))
            if what == "view" else Wish(what, None if new == "as found" else new)
            for what in _OF_CLIP
            if (new := optional(given, what)) is not None
        ]  # fmt: skip
        if "sides" in given:
            named.append(Wish("sides", SWAPPED if given["sides"] == SWAPPED else None))
        return named

    return _set(window, request, given, wishes)


def exclude(window: Window, request: Request, given: Given) -> Response:
    """Leave out a clip or a rep, or take it in again."""
    out = given.get("out") == "yes"

    def wishes(clip: KnownClip) -> list[Wish]:
        if "rep" not in given:
            return [Wish("clip", EXCLUDED if out else None)]
        return [wish_about_rep(clip, _whole(given, "rep"), excluded=out)]

    if out and optional(given, "reason") is None:
        raise CorrectionError("Say in a few words why it is left out.")
    return _set(window, request, given, wishes)


def contact(window: Window, request: Request, given: Given) -> Response:
    """Move, add or delete a contact, or move a landmark; times as a player shows them."""

    def wishes(clip: KnownClip) -> list[Wish]:
        limb = next((limb for limb in LIMBS if limb == given.get("limb")), None)
        if limb is None:
            raise CorrectionError("Say which limb: left or right.")
        limb = model_limb(limb, swapped=are_swapped(clip.in_force))
        what, new = given.get("what", ""), given.get("new", "")
        at_s = _seconds(given, "player_s")
        if what == "landmark":
            part = next((part for part in _PARTS if part == given.get("part")), None)
            if part is None:
                raise CorrectionError(f"Say which part of the leg: {', '.join(_PARTS)}.")
            return [Wish("landmark", new or None, limb=limb, part=part, player_s=at_s)]
        for known in ("contact", "initial contact", "toe-off"):
            if what == known:
                return _about_contact(clip, Wish(known, new or None, limb=limb, player_s=at_s))
        raise CorrectionError("Say what is set right.")

    return _set(window, request, given, wishes)


def _about_contact(clip: KnownClip, wish: Wish) -> list[Wish]:
    """Return what is entered about one contact.

    One that a person added and takes out again was never found.
    """
    added = any(
        one.what == "contact" and one.new not in (None, DELETED)
        and (one.limb, one.player_s) == (wish.limb, wish.player_s)
        for one in clip.in_force
    )  # fmt: skip
    if added and wish.what == "contact" and wish.new == DELETED:
        return [Wish("contact", None, limb=wish.limb, player_s=wish.player_s)]
    return [wish]


def step_back(window: Window, request: Request, given: Given) -> Response:
    """Take back what was set last."""
    return _changed(window, request, given, lambda record, clip, by: undo(record, clip, by))


def step_again(window: Window, request: Request, given: Given) -> Response:
    """Make again what was taken back last."""
    return _changed(window, request, given, lambda record, clip, by: redo(record, clip, by))


def again(window: Window, request: Request, given: Given) -> Response:
    """Make the report anew as the clip is set now, without its file where that is gone."""
    with window.record() as record:
        clip = clip_at(record, request)
        if has_file(record, clip):
            let_wait(record, clip.id)
            window.working.wake.set()
        else:
            begin_again(window, clip.sha256)
    return to("/")


def remark(window: Window, request: Request, given: Given) -> Response:
    """Note something about a clip or a rep, or tick it as reviewed."""
    with window.record() as record:
        clip = clip_at(record, request)
        _require_version(record, clip, given)
        kind: Kind = "reviewed" if "reviewed" in given else "note"
        text = optional(given, "reviewed" if kind == "reviewed" else "text")
        rep = _whole(given, "rep") if optional(given, "rep") else None
        remark_on_clip(record, clip, kind, text, optional(given, "by"), rep)
        version = version_of(record, clip)
    if wants_json(request):
        return JSONResponse({"version": version})
    return to(f"/clip/{short_clip(clip.sha256)}")


# --- through all stages --------------------------------------------------------------------------


def _set(
    window: Window,
    request: Request,
    given: Given,
    wishes_of: Callable[[KnownClip], list[Wish]],
) -> Response:
    def enter(record: Record, clip: KnownClip, by: str | None) -> None:
        wishes = wishes_of(clip)
        require_something_left(record, clip, wishes)
        correct(record, clip, wishes, by, optional(given, "reason"))

    return _changed(window, request, given, enter)


def _changed(
    window: Window,
    request: Request,
    given: Given,
    enter: Callable[[Record, KnownClip, str | None], object],
) -> Response:
    """Enter what is set right, run the stages again, and answer with what changed.

    What cannot be analysed as it was set is taken back at once, and the sentence says why.
    """
    with window.record() as record:
        clip = was = clip_at(record, request)
        _require_version(record, clip, given)
        by = optional(given, "by")
        before = _made(window, record, clip)
        enter(record, clip, by)
        clip = find_clip(record, clip.sha256)
        try:
            after = window.analyses.of(record, clip, window.job) if before else None
        except LandingAnalysisError:
            undo(record, clip, by)
            raise
        version = version_of(record, clip)
    answer = to(f"/clip/{short_clip(clip.sha256)}")
    if wants_json(request):
        told: dict[str, object] = {"version": version}
        if before is not None and after is not None:
            told |= {"changes": changes(before, after), "view": clip_view(after)}
        answer = JSONResponse(told)
    new = after if after is not before else None
    window.afterwards.do(partial(_follow, window, was, clip, new))
    return answer


def _follow(window: Window, was: KnownClip, clip: KnownClip, new: Analysis | None) -> None:
    """Write new values for all other pages, and have report and written pages made anew."""
    try:
        with reopened(window.folder) as record:
            if new is not None:
                store(record, clip, window.job, new)
                if not has_file(record, clip):
                    begin_again(window, clip.sha256)
        for code in dict.fromkeys((was.code, clip.code)):
            window.rewriting.ask(code, map(date.fromisoformat, (was.day, clip.day)))
    except LandingAnalysisError as error:
        window.working.trouble = str(error)
    finally:
        window.working.wake.set()


def _made(window: Window, record: Record, clip: KnownClip) -> Analysis | None:
    try:
        return window.analyses.of(record, clip, window.job)
    except CacheError:
        return None


def _require_version(record: Record, clip: KnownClip, given: Given) -> None:
    """Refuse what was filled in upon an earlier state; a form without a version takes any."""
    seen = optional(given, "version")
    if seen is not None and seen != version_of(record, clip):
        raise ChangedMeanwhileError(
            "This clip was changed meanwhile, in another window or by a command. Nothing was "
            "saved; reload the page and look at it again."
        )


def _whole(given: Given, name: str) -> int:
    text = given.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) < 6):
        raise CorrectionError(f"{name} is no number.")
    return int(text)


def _seconds(given: Given, name: str) -> float:
    try:
        return round(float(given.get(name, "")), 5)
    except ValueError as error:
        raise CorrectionError(f"{name} is no time.") from error
