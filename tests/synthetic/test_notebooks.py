"""Every notebook runs on the reports of the sample clips, and is stored without output."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from matplotlib.figure import Figure

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))


def _code_cells(path: Path) -> list[dict]:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return [cell for cell in cells if cell["cell_type"] == "code"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_on_the_sample_reports(path, sample_reports, monkeypatch, capsys):
    monkeypatch.setenv("LANDING_REPORTS", str(sample_reports))
    names: dict[str, object] = {}
    for cell in _code_cells(path):
        exec(compile("".join(cell["source"]), path.name, "exec"), names)
    assert "peak flexion" in capsys.readouterr().out
    figure = names["figure"]
    assert isinstance(figure, Figure)
    assert len(figure.axes[0].containers) == 2


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_stored_without_output(path):
    assert all(cell["outputs"] == [] for cell in _code_cells(path))
