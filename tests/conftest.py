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
from landing_analysis.record.place import DataFolder
from landing_analysis.settings import Settings
from landing_analysis.stages import Options
from landing_analysis.tables import Tracks
from landing_analysis.tracks.cleaning import clean_tracks


@pytest.fixture
def stick_tracks() -> Tracks:
    """Tracks of three quiet jumps in closed form."""
    return clean_tracks(jump_set([0.3, 0.3, 0.3], [0.3, 0.3]).landmarks, Settings().tracks)


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
            for outcome in analyse_paths((clips,), made, Options(limits=read_limits())):
                assert outcome.error is None, outcome.error
                outcome.report.parent.rename(made / Path(outcome.name).stem)
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
