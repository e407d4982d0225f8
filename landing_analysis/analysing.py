"""One clip or many, from file to report: what is read, stored and written where."""

from __future__ import annotations

import os
import shutil
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from landing_analysis.child import Child
from landing_analysis.errors import (
    CacheError,
    ClipError,
    LandingAnalysisError,
    MissingClipError,
    OutputError,
)
from landing_analysis.exercises import EXERCISES
from landing_analysis.files import (
    MEGABYTE,
    new_folder,
    printable,
    read_document,
    sha256_of,
    sole_writer,
    write_text,
)
from landing_analysis.frames import reps_csv
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.storage import read_landmarks, write_landmarks
from landing_analysis.landmarks.unfinished import Parts, stored_parts
from landing_analysis.progress import NO_PROGRESS, StartProgress, no_progress
from landing_analysis.report.documents import analysis_document, analysis_json
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import (
    Analysis,
    Clip,
    FloatArray,
    Landmarks,
    Poses,
    short_clip,
)
from landing_analysis.video.recording import recording_date

if TYPE_CHECKING:
    from landing_analysis.search import Found

REPORT, DATA, TABLE = "report.html", "analysis.json", "reps.csv"
ANNOTATED, LANDMARKS, INDEX = "annotated.mp4", "landmarks.parquet", "index.html"
_LARGE_MEGABYTES = 200  # reading less, twice, takes less than two seconds (choice)
_LONG_FRAMES = 5000  # of fewer all is measured in some seconds (choice)


@dataclass(frozen=True)
class Outcome:
    """What became of one clip: an analysis and its report, or the sentence why not.

    ``unexpected`` is the exception behind the sentence when it was no error of ours.
    ``copy_of`` names the clip of the same content that was analysed in its stead.
    ``number`` counts the clips of a run from 1 to ``of``.
    """

    name: str
    analysis: Analysis | None = None
    report: Path | None = None
    error: str | None = None
    unexpected: Exception | None = None
    copy_of: str | None = None
    number: int = 1
    of: int = 1


# --- one clip ----------------------------------------------------------------------------------


def analyse_clip(
    path: Path, out_dir: Path, options: Options, start: StartProgress = no_progress
) -> Outcome:
    """Analyse one clip, or the stored landmarks of one, and write its folder.

    Parameters
    ----------
    path : of a clip, or of the ``landmarks.parquet`` of an earlier analysis, which
        gives a report with stick figures and no annotated clip
    out_dir : the folder of the clip is made in it
    options : Options
    start : gives the listener of each long step

    Returns
    -------
    Outcome with an analysis

    Raises
    ------
    LandingAnalysisError
        With an earlier report of the clip left as it was.

    Notes
    -----
    Landmarks are stored while they are found, so that a search which was stopped goes
    on, and used again when clip, model and schema are the same. Everything else appears
    at once when it is complete.
    """
    opened = _open(path, start)
    place = out_dir / short_clip(opened.clip.sha256)
    with sole_writer(place):
        earlier = _earlier_folder(out_dir, opened.clip)
        with stored_parts(place) as parts:
            worked = _work_out(opened, earlier, parts, options, start)
            analysis = worked.analysis
            folder = _moved(earlier, out_dir / folder_name(analysis))
            write_landmarks(folder / LANDMARKS, worked.poses, analysis.clip)
        video = None if _is_stored(path) else path
        heads = _heads(worked) if video and not options.keep_faces else None
        del opened, worked  # a hundred megabytes in a long clip
        _write_folder(folder, analysis, video, heads, options, start)
    return Outcome(analysis.clip.file, analysis, folder / REPORT)


@dataclass(frozen=True)
class Worked:
    """An analysis, with what its report needs besides: everybody who was seen, and the video.

    ``video`` is None when stored landmarks were analysed.
    """

    analysis: Analysis
    poses: Poses
    people: tuple[Landmarks, ...]
    options: Options
    video: Path | None


def analyse_in_memory(path: Path, options: Options, start: StartProgress = no_progress) -> Worked:
    """Analyse one clip, or the stored landmarks of one, and write nothing.

    Parameters
    ----------
    path, options, start : as for `analyse_clip`

    Raises
    ------
    LandingAnalysisError
    """
    return _work_out(_open(path, start), None, Parts(), options, start)


def write_folder(
    worked: Worked,
    folder: Path,
    start: StartProgress = no_progress,
    *,
    annotated_clip: bool,
    keep_faces: bool,
) -> Path:
    """Write what `analyse_clip` writes of a clip into a folder of any name.

    Parameters
    ----------
    worked : from `analyse_in_memory`
    folder : made when missing; an earlier report of the same clip is replaced
    start : gives the listener of each long step
    annotated_clip, keep_faces : as in `Options`

    Returns
    -------
    Path
        Of the report.

    Raises
    ------
    OutputError
        When something else is in the folder, which is left as it is.
    ClipError
        When the clip is gone, or another one has its name.
    """
    analysis, options = (
        worked.analysis,
        replace(worked.options, annotated_clip=annotated_clip, keep_faces=keep_faces),
    )
    _require_ours(folder, analysis.clip)
    if worked.video is not None:
        _require_same(worked.video, analysis.clip)
    with sole_writer(folder):
        heads = _heads(worked) if worked.video and not keep_faces else None
        _write_folder(folder, analysis, worked.video, heads, options, start)
        write_landmarks(folder / LANDMARKS, worked.poses, analysis.clip)
    return folder / REPORT


def _require_ours(folder: Path, clip: Clip) -> None:
    taken = any(folder.iterdir()) if folder.is_dir() else folder.exists()
    if taken and _clip_sha256_in(folder) != clip.sha256:
        raise OutputError(
            f"{folder} holds something else than a report of this clip; name a folder of its own."
        )


def _require_same(video: Path, clip: Clip) -> None:
    try:
        same = sha256_of(video) == clip.sha256
    except OSError:
        same = False
    if not same:
        raise ClipError(
            f"{printable(video.name)} is gone, or is no longer the clip that was analysed, so its "
            "report has no pictures; analyse the clip where it is now."
        )


class _Opened(NamedTuple):
    """What a path names: a clip, or the stored poses of one."""

    path: Path
    clip: Clip
    poses: Poses | None


def _open(path: Path, start: StartProgress) -> _Opened:
    return (
        _Opened(path, *read_landmarks(path))
        if _is_stored(path)
        else _Opened(path, _facts(path, start), None)
    )


def _is_stored(path: Path) -> bool:
    return path.suffix.lower() == ".parquet"


def _work_out(
    opened: _Opened, earlier: Path | None, parts: Parts, options: Options, start: StartProgress
) -> Worked:
    """Find everybody in the clip, and measure the patient."""
    path, clip, poses = opened
    if poses is None:
        clip, poses, people = _find_or_recall_poses(path, clip, earlier, parts, options, start)
    else:
        people = link_people(poses, options.settings.people)
    long = clip.frames >= _LONG_FRAMES
    with closing(start(f"{clip.file}: measuring", 1) if long else NO_PROGRESS) as progress:
        analysed_at = datetime.now(UTC).isoformat(timespec="seconds")
        analysis = analyse_people(clip, poses, people, options, analysed_at)
        progress.advance(1)
    return Worked(analysis, poses, people, options, None if opened.poses else path)


def _facts(path: Path, start: StartProgress) -> Clip:
    from landing_analysis.video.clips import read_clip, read_tags

    name = printable(path.name)
    megabytes = path.stat().st_size // MEGABYTE if path.is_file() else 0
    large = megabytes >= _LARGE_MEGABYTES
    progress = start(f"{name}: reading the file", 2 * megabytes) if large else NO_PROGRESS
    clip = read_clip(path, progress)
    told = recording_date(read_tags(path), name, None, datetime.now(UTC))
    return replace(clip, file=name, recorded_on=str(told.at.date()) if told else None)


def folder_name(analysis: Analysis) -> str:
    """Name a clip's folder by what the clip is, never by the name of its file.

    Returns
    -------
    str
        Patient's code, day, set number, exercise and view, as far as known, and the clip's
        short code, which keeps it apart from all others.
    """
    decided = analysis.decided
    occasion = decided.occasion
    words = (
        occasion.code,
        occasion.day,
        occasion.set_number and f"set-{occasion.set_number}",
        EXERCISES[decided.exercise].name.replace(" ", "-")
        if decided.exercise
        else "jumps-or-hops"
        if analysis.reps.reps
        else "no-reps",
        decided.limb,
        decided.view.replace("_", "-"),
        short_clip(analysis.clip.sha256),
    )
    return "_".join(word for word in words if word)


def _earlier_folder(out_dir: Path, clip: Clip) -> Path | None:
    """Return the folder of an earlier analysis of the clip, whatever else its name says.

    Earlier versions named it by the file.
    """
    mine = sorted(out_dir.glob(f"*_{short_clip(clip.sha256)}"))
    stem = Path(clip.file).stem
    for named_by_file in (out_dir / stem, out_dir / f"{stem}_{clip.sha256[:8]}"):
        if _clip_sha256_in(named_by_file) == clip.sha256:
            mine.append(named_by_file)
    return next((folder for folder in mine if folder.is_dir()), None)


def _moved(earlier: Path | None, folder: Path) -> Path:
    """Return the clip's folder, to which what there is of it is moved."""
    if earlier is not None and not folder.exists():
        try:
            earlier.rename(folder)
        except OSError as error:
            raise OutputError(f"{earlier} cannot be renamed ({error.strerror}).") from error
    return folder


def _clip_sha256_in(folder: Path) -> str | None:
    try:
        return str(read_document(folder / DATA)["clip"]["sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _find_or_recall_poses(
    path: Path,
    clip: Clip,
    earlier: Path | None,
    parts: Parts,
    options: Options,
    start: StartProgress,
) -> Found:
    from landing_analysis.landmarks.pose import load_model
    from landing_analysis.search import find_people, look_around

    model = load_model(options.model)
    try:
        if earlier is None:
            raise CacheError("Nothing is stored of this clip.")
        known, poses = read_landmarks(earlier / LANDMARKS)
    except CacheError:
        return find_people(path, clip, model, parts, options.settings, start)
    size_px = (clip.width_px, clip.height_px)  # earlier versions read larger pictures
    same_model = options.stored or poses.model_sha256 == model.sha256
    same = known.sha256 == clip.sha256 and same_model
    if not same or size_px != (known.width_px, known.height_px):
        return find_people(path, clip, model, parts, options.settings, start)
    facts = ("file", "capture_fps", "recorded_on")  # not told apart by the clip's content alone
    known = replace(known, **{name: getattr(clip, name) for name in facts})
    return look_around(path, known, poses, options.settings, start)


def _heads(worked: Worked) -> FloatArray:
    from landing_analysis.report.faces import find_heads

    return find_heads(worked.poses, worked.people)


def _write_folder(
    folder: Path,
    analysis: Analysis,
    path: Path | None,
    heads: FloatArray | None,
    options: Options,
    start: StartProgress,
) -> None:
    with new_folder(folder) as new, ThreadPoolExecutor(1) as beside:
        drawn = bool(path) and options.annotated_clip
        with _annotate(new / ANNOTATED, path if drawn else None, analysis, heads, start):
            cut_out = beside.submit(_key_jpegs, path, analysis, heads, start)
            document = analysis_document(analysis)
            write_text(new / DATA, analysis_json(document))
            write_text(new / TABLE, reps_csv(document))
            annotated = ANNOTATED if drawn or (folder / ANNOTATED).exists() else None
            write_text(new / REPORT, _page(analysis, cut_out, annotated))
        _keep_other_files(folder, new)


def _page(analysis: Analysis, cut_out: Future[dict[int, str]], annotated_clip: str | None) -> str:
    """Return the report, whose plots are drawn while its pictures are still cut out."""
    from landing_analysis.report.page import draw_plots, report_html
    from landing_analysis.report.pictures import key_pictures

    plots = draw_plots(analysis)
    return report_html(analysis, key_pictures(analysis, cut_out.result()), annotated_clip, plots)


def _key_jpegs(
    path: Path | None, analysis: Analysis, heads: FloatArray | None, start: StartProgress
) -> dict[int, str]:
    """Cut out the key pictures of a clip, by frame; none where the clip is not at hand."""
    from landing_analysis.report.pictures import key_frames, key_jpeg

    if path is None:
        return {}
    from landing_analysis.video.clips import read_frames_at

    clip, numbers = analysis.clip, key_frames(analysis)
    jpegs: dict[int, str] = {}
    with closing(start(f"{clip.file}: cutting out pictures", len(numbers))) as progress:
        for frame in read_frames_at(path, clip, numbers):
            jpeg = key_jpeg(analysis, frame, heads)
            if jpeg is not None:
                jpegs[frame.number] = jpeg
            progress.advance(1)
    return jpegs


@contextmanager
def _annotate(
    target: Path,
    video: Path | None,
    analysis: Analysis,
    heads: FloatArray | None,
    start: StartProgress,
) -> Iterator[None]:
    """Draw the annotated clip in a process of its own while something else is done here."""
    if video is None:
        yield
        return
    draw = "landing_analysis.report.annotated:annotate"
    with Child(draw, target, video, analysis, heads) as child:
        yield
        child.result(start)


def _keep_other_files(folder: Path, new: Path) -> None:
    """Carry over what this analysis does not write, a clinician's own notes among it."""
    for item in folder.iterdir() if folder.is_dir() else ():
        if (new / item.name).exists() or item.name in (REPORT, DATA, TABLE):
            continue
        if item.is_dir():
            shutil.copytree(item, new / item.name)
        else:
            shutil.copy2(item, new / item.name)


# --- many clips --------------------------------------------------------------------------------


def analyse_paths(
    paths: tuple[Path, ...],
    out_dir: Path,
    options: Options,
    start: StartProgress = no_progress,
) -> Iterator[Outcome]:
    """Analyse clips and folders of clips one after the other.

    Parameters
    ----------
    paths : clips, folders of clips, or stored landmarks
    out_dir : where the folders go
    options, start : as for `analyse_clip`

    Yields
    ------
    Outcome
        One per clip as soon as it is done. A clip that fails gives its sentence and
        never stops the rest. A second copy of a clip's content is analysed once.
    """
    listed: list[Path | Outcome] = []
    for path in paths:
        try:
            listed += _clips_in(path)
        except LandingAnalysisError as error:
            listed.append(Outcome(printable(path.name), error=printable(str(error))))
    copied = _copied([item for item in listed if isinstance(item, Path)])
    for number, item in enumerate(listed, 1):
        if isinstance(item, Outcome):
            outcome = item
        elif (first := next(copied)) is not None:
            outcome = Outcome(printable(item.name), copy_of=printable(first.name))
        else:
            outcome = _outcome(item, out_dir, options, counted(start, number, len(listed)))
        yield replace(outcome, number=number, of=len(listed))


def _copied(clips: list[Path]) -> Iterator[Path | None]:
    """Yield for each clip the earlier one of the same content, None without any."""
    sizes = [_size(clip) for clip in clips]
    alike = Counter(sizes)
    first: dict[str, Path] = {}
    for clip, size in zip(clips, sizes, strict=True):
        if alike[size] == 1 or size < 0:
            yield None
            continue
        try:
            sha256 = sha256_of(clip)
        except OSError:
            yield None
            continue
        yield first.get(sha256)
        first.setdefault(sha256, clip)


def _size(clip: Path) -> int:
    """Return the size of a file in bytes, -1 when it has none that can be told."""
    try:
        return clip.stat().st_size if clip.is_file() else -1
    except OSError:
        return -1


def counted(start: StartProgress, number: int, of: int) -> StartProgress:
    """Return ``start`` with which of the clips it is about before each label."""
    if of == 1:
        return start
    return lambda label, steps: start(f"{number} of {of}, {label}", steps)


def _clips_in(path: Path) -> tuple[Path, ...]:
    with suppress(OSError):
        if _is_stored(path) and path.is_file():
            return (path,)  # without the video library, which takes a while to load
    from landing_analysis.video.clips import list_clips

    clips = list_clips(path)
    if not clips:
        raise MissingClipError(f"The folder {path} holds no clips; name one that does.")
    return clips


def _outcome(path: Path, out_dir: Path, options: Options, start: StartProgress) -> Outcome:
    name = printable(path.name)
    try:
        return analyse_clip(path, out_dir, options, start)
    except LandingAnalysisError as error:
        return Outcome(name, error=printable(str(error)))
    except Exception as error:
        sentence = (
            f"{name} met an error that nobody foresaw ({type(error).__name__}: {error}); run it "
            "again with --debug and send what it prints to the makers."
        )
        return Outcome(name, error=sentence, unexpected=error)


def prepare_out_dir(out_dir: Path) -> None:
    """Make the output folder and make sure that it can be written.

    Raises
    ------
    OutputError
    """
    probe = out_dir / f".probe-{os.getpid()}"
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        probe.write_bytes(b"")
        probe.unlink()
    except OSError as error:
        raise OutputError(
            f"The output folder {out_dir} cannot be written ({error.strerror}); "
            "choose another with --out."
        ) from error
