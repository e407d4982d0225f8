"""The front door for Python and notebooks: a clip goes in, tables come out.

Nothing is written unless asked for, and limits and findings are those of the command line:

>>> import landing_analysis as la
>>> a = la.analyse("set1.mp4", surgical_side="left", stature_cm=172)
>>> measures = a.measures()  # one value a row, its unit in a column
>>> used = measures[measures["used"] & measures["of_set"]]
>>> means = used.groupby(["measure", "limb", "unit"], dropna=False)["value"].mean()
>>> reps = a.reps()  # one rep and limb a row
>>> findings = a.findings()  # values held against the limits
>>> page = la.write_report(a, "reports/set1")
>>> again = la.read_analysis("reports/set1/analysis.json")
>>> again == a
True

The numbers describe a clip. They diagnose nobody and clear nobody for sport, and each stands with
its standard uncertainty; a value that view or frame rate cannot support is missing, with the
reason. Every error is a `LandingAnalysisError` of one sentence. `landing_analysis.frames` tells
what the tables hold.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from landing_analysis.corrections import SLOWED_RANGE
from landing_analysis.errors import DocumentError, LandingAnalysisError, SettingsError
from landing_analysis.exercises import EXERCISES, name_of
from landing_analysis.files import printable, read_document
from landing_analysis.progress import NO_PROGRESS, Progress, StartProgress
from landing_analysis.tables import LIMBS, VIEWS, short_clip

if TYPE_CHECKING:
    import pandas as pd

    from landing_analysis.analysing import Worked
    from landing_analysis.stages import Options

__all__ = ["ClipAnalysis", "LandingAnalysisError", "analyse", "read_analysis", "write_report"]

STATURE_CM_RANGE = (80.0, 230.0)
TARGET_FLEXION_DEG_RANGE = (10.0, 140.0)
PERSON_RANGE = (1, 99)
WORKERS_RANGE = (1, 64)
"""What the command line and `analyse` take (choice)."""

Word = TypeVar("Word", bound=str)


@dataclass(frozen=True)
class ClipAnalysis:
    """The analysis of one clip, just made or read back.

    Attributes
    ----------
    document : what analysis.json holds, as described in ``data/analysis.schema.json``; two
        analyses are equal when their documents are
    worked : the same as the package's own tables, with everybody who was seen in the clip;
        None when it was read back
    """

    document: dict[str, Any]
    worked: Worked | None = field(default=None, compare=False)

    def __repr__(self) -> str:
        decided, reps = self.document["decided"], self.document["reps"]
        clip = short_clip(self.document["clip"]["sha256"])
        used = sum(rep["used"] for rep in reps)
        exercise = name_of(decided["exercise"]) or "no reps"
        return (
            f"<ClipAnalysis {clip}: {exercise}, {decided['view']}, {used} of {len(reps)} reps used>"
        )

    def measures(self) -> pd.DataFrame:
        """Return one value a row; see `frames.measures_frame`."""
        from landing_analysis.frames import measures_frame

        return measures_frame(self.document)

    def reps(self) -> pd.DataFrame:
        """Return one rep and limb a row, as in reps.csv; see `frames.reps_frame`."""
        from landing_analysis.frames import reps_frame

        return reps_frame(self.document)

    def contacts(self) -> pd.DataFrame:
        """Return one contact of one foot a row; see `frames.contacts_frame`."""
        from landing_analysis.frames import contacts_frame

        return contacts_frame(self.document)

    def findings(self) -> pd.DataFrame:
        """Return one value held against one limit a row; see `frames.findings_frame`."""
        from landing_analysis.frames import findings_frame

        return findings_frame(self.document)

    def notes(self) -> pd.DataFrame:
        """Return one remark on the clip's quality a row; see `frames.notes_frame`."""
        from landing_analysis.frames import notes_frame

        return notes_frame(self.document)

    def bouts(self) -> pd.DataFrame:
        """Return one bout of one exercise a row; see `frames.bouts_frame`."""
        from landing_analysis.frames import bouts_frame

        return bouts_frame(self.document)

    def knee_angles(self) -> pd.DataFrame:
        """Return the knee's angle, one frame and limb a row; see `frames.knee_angles_frame`.

        Raises
        ------
        DocumentError
            When the analysis was read back: analysis.json holds nothing frame by frame.
        """
        from landing_analysis.frames import knee_angles_frame

        return knee_angles_frame(_in_memory(self).analysis)


def _in_memory(analysis: ClipAnalysis) -> Worked:
    if analysis.worked is None:
        raise DocumentError(
            "This analysis was read from its analysis.json, which holds nothing frame by frame; "
            "give the landmarks.parquet beside it, or the clip, to analyse()."
        )
    return analysis.worked


def analyse(
    path: str | Path,
    *,
    surgical_side: str | None = None,
    stature_cm: float | None = None,
    target_flexion_deg: float | None = None,
    limits: str | Path | None = None,
    exercise: str | None = None,
    view: str | None = None,
    person: int | None = None,
    slowed_by: float | None = None,
    model: str | Path | None = None,
    workers: int | None = None,
    start: StartProgress | None = None,
) -> ClipAnalysis:
    """Analyse one clip in memory, as ``landing-analysis analyse`` does.

    Parameters
    ----------
    path : of a clip of one set of jumps, hops, bounds or steps on the spot, or of the
        landmarks.parquet of an earlier analysis, which needs no video
    surgical_side : ``left`` or ``right``, the operated limb
    stature_cm : body height of the patient, cm; makes the scale less uncertain
    target_flexion_deg : peak knee flexion that is being taught, degrees; 60 unless given
    limits : a TOML file of your own limits; they replace the built-in ones of the same
        finding and measure
    exercise, view, person, slowed_by : overrule what the pictures show: a code of
        `exercises.EXERCISES`, such as ``lateral_bound``; from where the camera looks, ``front``,
        ``back``, ``left_side``, ``right_side`` or ``oblique``; which person, counted from the one
        in view for most of the clip; how many times slower than real time the clip plays
    model : another pose model bundle than the one in the package
    workers : processes that look for the body; one per processor core unless given
    start : gives the listener of each long step; a line on the screen or in the notebook unless
        given, `progress.no_progress` for none

    Returns
    -------
    ClipAnalysis
        It keeps what was seen of everybody, a hundred megabytes in a long clip.

    Raises
    ------
    LandingAnalysisError
        With one sentence: what was found, and what to do.
    """
    options = make_options(
        surgical_side=surgical_side, stature_cm=stature_cm,
        target_flexion_deg=target_flexion_deg, limits=limits, exercise=exercise, view=view,
        person=person, slowed_by=slowed_by, model=model, workers=workers,
    )  # fmt: skip
    from landing_analysis.analysing import analyse_in_memory
    from landing_analysis.report.documents import analysis_document

    worked = analyse_in_memory(Path(path), options, start or _start_line)
    return ClipAnalysis(analysis_document(worked.analysis), worked)


def write_report(
    analysis: ClipAnalysis,
    folder: str | Path,
    *,
    annotated_clip: bool = True,
    keep_faces: bool = False,
    start: StartProgress | None = None,
) -> Path:
    """Write what the command writes of a clip into a folder.

    Parameters
    ----------
    analysis : from `analyse`; the clip must still be where it was
    folder : made when missing. An earlier report of the same clip is replaced, and files of
        others beside it are kept
    annotated_clip : whether annotated.mp4 is made, which takes time
    keep_faces : leave faces as they are instead of blurring them
    start : gives the listener of each long step; a line on the screen or in the notebook unless
        given, `progress.no_progress` for none

    Returns
    -------
    Path
        Of report.html.

    Raises
    ------
    LandingAnalysisError
        With what was in the folder left as it was.
    """
    from landing_analysis.analysing import write_folder

    how = {"annotated_clip": annotated_clip, "keep_faces": keep_faces}
    return write_folder(_in_memory(analysis), Path(folder), start or _start_line, **how)


def read_analysis(path: str | Path) -> ClipAnalysis:
    """Read an analysis back.

    Parameters
    ----------
    path : of an analysis.json, or of the report's folder that holds one; those of earlier
        versions are read too, and keep the names that these gave to measures

    Returns
    -------
    ClipAnalysis
        With the same tables to the last digit, but nothing frame by frame.

    Raises
    ------
    DocumentError
    """
    path = Path(path)
    path = path / "analysis.json" if path.is_dir() else path
    try:
        document = read_document(path)
        _require_version(document, path)
        known = ClipAnalysis(document)
        for table in (known.measures, known.reps, known.contacts, known.findings, known.notes):
            table()
        repr(known)
    except FileNotFoundError as error:
        raise DocumentError(
            printable(f"{path} is not there; name the analysis.json of a report.")
        ) from error
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError) as error:
        raise DocumentError(
            printable(
                f"{path} is no analysis.json that can be read, or lacks parts of one; analyse "
                "the clip, or the landmarks.parquet beside it, again."
            )
        ) from error
    return known


def _require_version(document: dict[str, Any], path: Path) -> None:
    from landing_analysis.report.documents import SCHEMA_VERSION

    if document["schema_version"] > SCHEMA_VERSION:
        raise DocumentError(
            printable(
                f"{path} has schema version {document['schema_version']}, this program reads up "
                f"to {SCHEMA_VERSION}; use the program that wrote it, or a newer one."
            )
        )


# --- what is shown while it works --------------------------------------------------------------

_SHOW_EVERY_S = 0.5  # (choice)


class _Line:
    """A line that counts steps, without codes that only terminals know."""

    def __init__(self, label: str, steps: int) -> None:
        self._label, self._steps, self._done = label, steps, 0
        self._shown_s = time.monotonic()

    def advance(self, n: int) -> None:
        """Count ``n`` more steps as done."""
        self._done += n
        if time.monotonic() - self._shown_s >= _SHOW_EVERY_S:
            self._show()

    def close(self) -> None:
        """Leave the line as it is in the end."""
        self._show("\n")

    def _show(self, end: str = "") -> None:
        self._shown_s = time.monotonic()
        sys.stderr.write(f"\r{self._label}: {self._done} of {self._steps}{end}")
        sys.stderr.flush()


def _start_line(label: str, steps: int) -> Progress:
    """Start a line, or nothing when nobody is looking."""
    watched = sys.stderr.isatty() or "ipykernel" in sys.modules
    return _Line(label, steps) if watched else NO_PROGRESS


# --- options -----------------------------------------------------------------------------------


def make_options(
    *,
    surgical_side: str | None = None,
    stature_cm: float | None = None,
    target_flexion_deg: float | None = None,
    limits: str | Path | None = None,
    exercise: str | None = None,
    view: str | None = None,
    person: int | None = None,
    slowed_by: float | None = None,
    model: str | Path | None = None,
    workers: int | None = None,
) -> Options:
    """Return the options of an analysis from words and numbers as a person gives them.

    Parameters
    ----------
    As for `analyse`.

    Raises
    ------
    SettingsError
    """
    from landing_analysis.findings.limits import read_limits
    from landing_analysis.settings import PoseSettings, Settings
    from landing_analysis.stages import Options

    cores = min(os.cpu_count() or 1, WORKERS_RANGE[1])
    settings = Settings(
        pose=PoseSettings(workers=_whole("workers", workers, WORKERS_RANGE) or cores)
    )
    target = _number("target_flexion_deg", target_flexion_deg, TARGET_FLEXION_DEG_RANGE)
    if target is not None:
        settings = replace(settings, target_flexion_deg=target)
    stature = _number("stature_cm", stature_cm, STATURE_CM_RANGE)
    return Options(
        surgical_side=_word("surgical_side", surgical_side, LIMBS),
        stature_m=None if stature is None else stature / 100,
        exercise=_word("exercise", exercise and exercise.replace("-", "_"), tuple(EXERCISES)),
        view=_word("view", view and view.replace("-", "_"), VIEWS),
        person=_whole("person", person, PERSON_RANGE),
        slowed_by=_number("slowed_by", slowed_by, SLOWED_RANGE),
        model=None if model is None else Path(model),
        limits=read_limits(None if limits is None else Path(limits)),
        settings=settings,
    )


def _word(name: str, given: str | None, words: tuple[Word, ...]) -> Word | None:
    found = next((word for word in words if word == given), None)
    if given is not None and found is None:
        raise SettingsError(f"{name} is {given!r}; give {', '.join(words[:-1])} or {words[-1]}.")
    return found


def _number(name: str, given: float | None, within: tuple[float, float]) -> float | None:
    low, high = within
    if given is not None and not (_is_number(given) and low <= given <= high):
        raise SettingsError(f"{name} is {given!r}; give a number from {low:g} to {high:g}.")
    return None if given is None else float(given)


def _whole(name: str, given: int | None, within: tuple[int, int]) -> int | None:
    low, high = within
    if given is not None and not (
        _is_number(given) and given == int(given) and low <= given <= high
    ):
        raise SettingsError(f"{name} is {given!r}; give a whole number from {low} to {high}.")
    return None if given is None else int(given)


def _is_number(given: object) -> bool:
    return isinstance(given, int | float) and not isinstance(given, bool)
