"""Flight-time height from an open force-plate record."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from landing_analysis.maths.kinematics import flight_height_m

RECORDS = Path(__file__).parents[1] / "data"
RATE_HZ = 600.0
THRESHOLD_N = 10.0


def test_flight_time_height_of_the_open_jump_record():
    # Duarte M, Watanabe RN, Notes on Scientific Computing for Biomechanics and Motor Control,
    # GRFZjump.txt (CC BY 4.0): minimum subtracted, first and last sample below 10 N; take-off
    # 0.9067 s, landing 1.3233 s, height 0.2129 m with g = 9.81. Status: read, rerun.
    force_n = np.loadtxt(RECORDS / "GRFZjump.txt")
    force_n = (force_n if force_n.ndim == 1 else force_n[:, -1]) - force_n.min()
    airborne = np.flatnonzero(force_n < THRESHOLD_N)
    take_off_s, landing_s = airborne[0] / RATE_HZ, airborne[-1] / RATE_HZ
    assert take_off_s == pytest.approx(0.9067, abs=5e-5)
    assert landing_s == pytest.approx(1.3233, abs=5e-5)
    assert flight_height_m(landing_s - take_off_s) == pytest.approx(0.2129, abs=5e-5)


@pytest.mark.parametrize(
    ("name", "flight_s", "height_m"), [("jump1", 0.5511, 0.372), ("jump2", 0.5867, 0.422)]
)
def test_flight_time_height_of_two_longer_jumps(name, flight_s, height_m):
    # The same collection (CC BY 4.0), 450 Hz: from the first sample at 20 N or less to the
    # first above. Values derived.
    on = np.flatnonzero(np.loadtxt(RECORDS / f"{name}.txt") > 20.0)
    airborne_s = float(np.diff(on).max() - 1) / 450.0
    assert airborne_s == pytest.approx(flight_s, abs=5e-5)
    assert flight_height_m(airborne_s) == pytest.approx(height_m, abs=5e-4)
