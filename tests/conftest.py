"""Fixtures shared by the tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from exported import add_reports, make_invented
from filelock import FileLock
from jumper import jump_set

from landing_analysis.analysing import analyse_paths
from landing_analysis.findings.limits import read_limits
from landing_analysis.pages import compare, visit
from landing_analysis.record.place import DataFolder
from landing_analysis.report import page
from landing_analysis.settings import Settings
from landing_analysis.stages import Options
from landing_analysis.tables import Tracks
from landing_analysis.tracks.cleaning import clean_tracks

ANNOTATED = ("p01_jumps_front", "p01_jumps_left_side")
"""The sample clips whose annotated copy is looked at; drawing one takes a third of the work."""


@pytest.fixture
def stick_tracks() -> Tracks:
    """Tracks of three quiet jumps in closed form."""
    return clean_tracks(jump_set([0.3, 0.3, 0.3], [0.3, 0.3]).landmarks, Settings().tracks)


@pytest.fixture
def without_plots(monkeypatch) -> None:
    """Reports and pages without their plots, for tests that do not look at any.

    Drawing them takes longer than the rest; test_report.py, test_pages.py and test_window.py,
    among others, draw them all.
    """
    none = page.Plots(small=None, timeline=None, curves=(), strips=(), sides=None)
    monkeypatch.setattr(page, "draw_plots", lambda _: none)
    for module in (compare, visit):
        monkeypatch.setattr(module, "trend_figure", lambda _: None)
        monkeypatch.setattr(module, "svg_text", lambda *_: "")


@pytest.fixture(scope="session")
def sample_reports(tmp_path_factory) -> Path:
    """The folder of reports that the whole job writes for the sample clips, by the clips' names.

    Made once for all processes that share the tests of a run.
    """
    clips = Path(__file__).parents[1] / "sample_clips"
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    out = shared / "reports_of_samples"
    with FileLock(f"{out}.lock"):
        if not out.exists():
            made = out.with_suffix(".part")
            for clip in sorted(clips.glob("*.mp4")):
                options = Options(limits=read_limits(), annotated_clip=clip.stem in ANNOTATED)
                (outcome,) = analyse_paths((clip,), made, options)
                assert outcome.error is None, outcome.error
                outcome.report.parent.rename(made / clip.stem)
            made.rename(out)
    return out


@pytest.fixture(scope="session")
def invented_record(tmp_path_factory) -> DataFolder:
    """A record of invented patients; read it only."""
    folder = tmp_path_factory.mktemp("invented") / "data"
    return make_invented(folder, "DEMO2", "DEMO5", "DEMO6")


@pytest.fixture(scope="session")
def sample_record(tmp_path_factory, invented_record, sample_reports) -> DataFolder:
    """The same with the sample clips, really analysed; read it only."""
    folder = tmp_path_factory.mktemp("with_samples") / "data"
    return add_reports(folder, invented_record, sample_reports)
