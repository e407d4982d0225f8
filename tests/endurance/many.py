"""Hundreds of clips in a folder: what a run costs beside the analyses, which are stood in for."""

from __future__ import annotations

import resource
import time
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import replace
from io import StringIO
from pathlib import Path
from unittest import mock

from stand_in import (
    add_patients,
    data_folder,
    job,
    open_record,
    stand_in,
    template_document,
    tiny_clip,
)
from stick_patient import make_analysis

from landing_analysis import analysing
from landing_analysis.analysing import Outcome
from landing_analysis.commands.main import main
from landing_analysis.errors import ClipError
from landing_analysis.files import sha256_of, write_text
from landing_analysis.folder import watch
from landing_analysis.progress import StartProgress
from landing_analysis.report.documents import analysis_document, analysis_json
from landing_analysis.stages import Options
from landing_analysis.tables import short_clip

Row = tuple[str, str]


def many_clips(root: Path, clips: int, patients: int = 6) -> None:
    """Write small clips of different content for some patients, and one file that is broken."""
    for k in range(clips):
        folder = root / f"P{k % patients + 1:02d}"
        if k == clips // 2:
            folder.mkdir(parents=True, exist_ok=True)
            (folder / f"clip{k:04d}.mp4").write_text("no video\n" * 100)
        else:
            tiny_clip(folder / f"clip{k:04d}.mp4", seed=k)


def analyse_many(root: Path, out: Path) -> Iterator[Row]:
    """Run ``analyse`` on one folder of all clips."""
    flat = root.with_name("flat")
    flat.mkdir()
    for clip in sorted(root.glob("*/*.mp4")):
        (flat / clip.name).hardlink_to(clip)
    template = make_analysis("front")

    def stood_in(path: Path, out_dir: Path, options: Options, start: StartProgress) -> Outcome:
        if path.read_bytes().startswith(b"no video"):
            raise ClipError(f"{path.name} is not a video.")
        tracks = replace(template.tracks, raw_px=template.tracks.raw_px.copy())
        analysis = replace(template, tracks=tracks)
        folder = out_dir / short_clip(sha256_of(path))
        write_text(folder / analysing.DATA, analysis_json(analysis_document(analysis)))
        write_text(folder / analysing.REPORT, "report")
        return Outcome(path.name, analysis, folder / analysing.REPORT)

    said, complained = StringIO(), StringIO()
    before_mb, started_s = _most_mb(), time.process_time()
    with (
        mock.patch.object(analysing, "analyse_clip", stood_in),
        redirect_stdout(said),
        redirect_stderr(complained),
    ):
        code = _exit_code(["analyse", str(flat), "--out", str(out)])
    clips = len(list(flat.iterdir()))
    yield "analyse: exit code", str(code)
    yield "analyse: CPU per clip, stand-in and its files included", _ms(started_s, clips)
    yield "analyse: memory grew by", f"{_most_mb() - before_mb:.0f} MB"
    yield "analyse: a line of progress", said.getvalue().splitlines()[0]
    yield "analyse: complaints", " | ".join(complained.getvalue().splitlines())
    yield "index page", f"{(out / analysing.INDEX).stat().st_size / 1000:.0f} kB"
    started_s = time.process_time()
    analyse_index(out)
    yield "index page: CPU", f"{time.process_time() - started_s:.1f} s"


def analyse_index(out: Path) -> None:
    """Make the page of all reports once more."""
    from landing_analysis.report.index import index_html

    index_html(out)


def watch_many(root: Path, data: Path) -> Iterator[Row]:
    """Work through the clips as a drop folder, and look at it again when all is done."""
    work = job(root, stand_in(template_document(), data.with_name("log")))
    clips = len(list(root.glob("*/*.mp4")))
    before_mb, started_s = _most_mb(), time.process_time()
    with open_record(data_folder(data)) as record:
        add_patients(record, root)
        states = watch.work_through(record, work)
        yield "drop folder: CPU per clip beside the analysis", _ms(started_s, clips)
        yield "drop folder: memory grew by", f"{_most_mb() - before_mb:.0f} MB"
        counts = {state: [s.state for s in states].count(state) for state in ("done", "waiting")}
        yield "drop folder: states", f"{counts}, {len(states) - sum(counts.values())} other"
        for _ in range(2):
            started_s = time.process_time()
            watch._look(record, work)
        yield "drop folder: one more look, nothing new", f"{time.process_time() - started_s:.3f} s"


def _exit_code(arguments: list[str]) -> int:
    try:
        main(arguments)
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def _ms(started_s: float, clips: int) -> str:
    return f"{(time.process_time() - started_s) / clips * 1000:.0f} ms"


def _most_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
