"""Windows between two of the detector: where they lie, their turn, and when there are none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from landing_analysis.landmarks.windows import between, to_picture
from landing_analysis.tables import FloatArray, Seen

MOST = 0.25


def _look(t_s: float, *windows: tuple[float, float, float, float]) -> Seen:
    return Seen(0, t_s, np.zeros((len(windows), 33, 6)), np.array(windows).reshape(-1, 4))


def _corners(window: FloatArray, size_px: int = 256) -> FloatArray:
    """Return the corners at the top left, top right and bottom left, (3, 2)."""
    back = to_picture(window, size_px)
    cut_out = np.array([[0, 0], [size_px, 0], [0, size_px]])
    return cut_out @ back[:, :2].T + back[:, 2]


@pytest.mark.parametrize("turn", [0.0, 0.3, -2.0, 3.1])
def test_a_turned_window_keeps_its_middle_and_its_side(turn):
    top_left, top_right, bottom_left = _corners(np.array([360.0, 640.0, 900.0, turn]))
    assert_allclose((top_right + bottom_left) / 2, [360, 640])
    assert_allclose(top_right - top_left, 900 * np.array([np.cos(turn), np.sin(turn)]), atol=1e-9)
    assert_allclose(np.hypot(*(bottom_left - top_left)), 900)


def test_an_upright_window_is_cut_out_as_it_stands():
    assert_allclose(
        _corners(np.array([100.0, 200.0, 50.0, 0.0])), [[75, 175], [125, 175], [75, 225]]
    )


def test_a_quarter_turn_clockwise_puts_the_top_side_at_the_right():
    corners = _corners(np.array([0.0, 0.0, 2.0, np.pi / 2]))
    assert_allclose(corners, [[1, -1], [1, 1], [-1, -1]], atol=1e-12)


def test_a_window_in_between_moves_evenly_in_time():
    before, after = _look(1.0, (100, 200, 400, 0.1)), _look(1.05, (110, 190, 420, 0.2))
    assert_allclose(between(before, after, 1.02, MOST), [104, 196, 408, 0.14])


def test_a_window_turns_the_short_way_round():
    before, after = _look(0.0, (0, 0, 1, 3.1)), _look(1.0, (0, 0, 1, -3.1))
    assert_allclose(between(before, after, 0.5, MOST)[3], np.pi)


@pytest.mark.parametrize(
    "after",
    [
        Seen(0, 1.0, np.zeros((1, 33, 6))),
        _look(1.0),
        _look(1.0, (0, 0, 100, 0), (300, 0, 100, 0)),
        _look(1.0, (np.nan,) * 4),
        _look(1.0, (26, 0, 100, 0)),
        _look(1.0, (0, -26, 100, 0)),
        _look(1.0, (0, 0, 126, 0)),
        _look(1.0, (0, 0, 79, 0)),
    ],
)
def test_there_is_none_where_not_the_same_one_person_is_alone_in_both_looks(after):
    before = _look(0.0, (0, 0, 100, 0))
    assert between(before, after, 0.5, MOST) is None
    assert between(after._replace(t_s=0.0), before._replace(t_s=1.0), 0.5, MOST) is None
