"""Every notebook runs, on a record with the sample clips or on one of them; none stores output."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from matplotlib.container import ErrorbarContainer
from matplotlib.figure import Figure

from landing_analysis.analysing import LANDMARKS
from landing_analysis.export.writing import write_tables
from landing_analysis.record.database import open_record

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
TABLES, CLIP = (ROOT / "notebooks" / f"{name}.ipynb" for name in ("limb_against_limb", "one_clip"))
ROUNDING = 1e-9
BETWEEN_POINTS_DEG = 0.6  # the drawn curve has 101 points of an angle that turns round


def _code_cells(path: Path) -> list[dict]:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return [cell for cell in cells if cell["cell_type"] == "code"]


def _run(path: Path) -> dict[str, object]:
    names: dict[str, object] = {}
    for cell in _code_cells(path):
        exec(compile("".join(cell["source"]), path.name, "exec"), names)
    return names


def _heights(drawn: ErrorbarContainer) -> np.ndarray:
    return np.asarray(drawn[0].get_ydata(), dtype=float)


def test_a_notebook_draws_both_limbs_from_the_tables(sample_record, tmp_path, monkeypatch, capsys):
    with open_record(sample_record) as record:
        write_tables(record, tmp_path / "tables", "parquet")
    monkeypatch.setenv("LANDING_TABLES", str(tmp_path / "tables"))
    names = _run(TABLES)
    assert "non-surgical limb: peak flexion" in capsys.readouterr().out
    across, rep_by_rep = names["figure"], names["by_rep"]
    assert isinstance(across, Figure)
    assert isinstance(rep_by_rep, Figure)
    limbs, difference = across.axes
    assert len(limbs.containers) == 2
    (drawn,) = difference.containers
    surgical, other = (_heights(container) for container in limbs.containers)
    np.testing.assert_allclose(_heights(drawn), surgical - other, atol=ROUNDING)
    assert [len(_heights(shown)) for shown in rep_by_rep.axes[0].containers] == [8, 8]
    for number, figure in enumerate((across, rep_by_rep)):
        figure.savefig(tmp_path / f"{number}.png")


def test_a_notebook_draws_the_knee_of_one_clip_as_it_was_bent(
    sample_reports, tmp_path, monkeypatch
):
    name = "p01_jumps_left_side"
    truth_file = ROOT / "sample_clips" / f"{name}.truth.json"
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    # The clip's stored landmarks, which it takes as well: the body need not be looked for again.
    monkeypatch.setenv("LANDING_CLIP", str(sample_reports / name / LANDMARKS))
    monkeypatch.chdir(tmp_path)
    names = _run(CLIP)
    assert list(tmp_path.iterdir()) == []  # nothing is written that was not asked for
    measures, curves = names["measures"], names["curves"]
    peaks = measures[(measures["measure"] == "knee_flexion_peak") & (measures["limb"] == "left")]
    scripted = [rep["landing"]["left"]["knee_flexion_peak_deg"] for rep in truth["reps"]]
    assert len(peaks) == len(scripted) == len(curves) + 1  # the last landing is held
    assert (abs(peaks["value"] - scripted) < 2 * peaks["value_sd"]).all()
    deepest = np.max(curves, axis=1)
    np.testing.assert_allclose(deepest, peaks["value"][:-1], atol=BETWEEN_POINTS_DEG)
    assert len(names["axes"].lines) == len(curves) + 1
    names["figure"].savefig(tmp_path / "knee.png")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_stored_without_output_and_says_that_its_data_are_invented(path):
    assert all(cell["outputs"] == [] for cell in _code_cells(path))
    assert "**Invented data.**" in path.read_text(encoding="utf-8")
