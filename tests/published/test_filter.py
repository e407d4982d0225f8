"""The two-pass low-pass filter against published coefficients and its own definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import median_filter, percentile_filter
from scipy.signal import butter, filtfilt, freqz

from landing_analysis.maths.kinematics import TWO_PASS, low_pass, two_pass_cutoff_hz
from landing_analysis.maths.signals import running_median, running_percentile

PRINTED_TO_0_001 = 0.001
ROUNDING = 1e-11
AFTER_THE_RECURSION = 1e-7  # coefficients are printed to 1e-8, and the recursion sums ten of them


def test_ratio_of_one_pass_to_two():
    # Winter 2009 through a teaching notebook: (sqrt 2 - 1)^(1/4) = 0.8022433. Read, recomputed.
    assert pytest.approx(0.8022433, abs=5e-8) == TWO_PASS


def test_low_pass_runs_the_published_coefficients_there_and_back():
    # BMC teaching notebooks: order 2, Wn 0.1. Read, recomputed. The recursion is written out here.
    cutoff_hz = 100 / np.pi * np.arctan(TWO_PASS * np.tan(0.05 * np.pi))
    assert two_pass_cutoff_hz(cutoff_hz, 100.0) == pytest.approx(0.1 * 100 / 2)
    samples = np.zeros(401)
    samples[200] = 1.0
    wanted = _one_pass(_one_pass(samples)[::-1])[::-1]
    np.testing.assert_allclose(
        low_pass(samples, 100.0, cutoff_hz), wanted, atol=AFTER_THE_RECURSION
    )


@pytest.mark.parametrize("n", [10, 63, 64, 65, 1000])
@pytest.mark.parametrize(("cutoff_hz", "rate_hz"), [(10, 30), (12, 60), (15, 240)])
def test_low_pass_is_that_of_the_reference_library(n, cutoff_hz, rate_hz):
    # Reference: scipy.signal.butter and filtfilt.
    samples = np.random.default_rng(n).normal(500.0, 100.0, (n, 2))
    b, a = butter(2, two_pass_cutoff_hz(cutoff_hz, rate_hz), fs=rate_hz)
    wanted = filtfilt(b, a, samples, axis=0)
    np.testing.assert_allclose(low_pass(samples, rate_hz, cutoff_hz), wanted, rtol=ROUNDING)
    np.testing.assert_allclose(
        low_pass(samples[:, 0], rate_hz, cutoff_hz), wanted[:, 0], rtol=ROUNDING
    )


@pytest.mark.parametrize(("ends", "theirs"), [("edge", "nearest"), ("symmetric", "reflect")])
def test_the_running_median_is_that_of_the_reference_library(ends, theirs):
    # Reference: scipy.ndimage.median_filter.
    samples = np.random.default_rng(3).normal(size=(100, 2))
    wanted = median_filter(samples, size=(9, 1), mode=theirs)
    np.testing.assert_array_equal(running_median(samples, 4, ends), wanted)


@pytest.mark.parametrize("n", [2, 100, 5000])
@pytest.mark.parametrize("reach", [0, 4, 90])
def test_running_percentile_is_that_of_the_reference_library(n, reach):
    # Reference: scipy.ndimage.percentile_filter.
    rng = np.random.default_rng(n)
    samples, width = rng.normal(size=n), 2 * reach + 1
    for percent in (0.0, 10.0, 80.0, 100.0):
        wanted = percentile_filter(samples, percent, width, mode="nearest")
        np.testing.assert_array_equal(running_percentile(samples, percent, reach), wanted)


def _one_pass(samples: np.ndarray) -> np.ndarray:
    x, y = np.zeros(len(samples) + 2), np.zeros(len(samples) + 2)
    x[2:] = samples
    for n in range(2, len(x)):
        y[n] = 0.02008337 * x[n] + 0.04016673 * x[n - 1] + 0.02008337 * x[n - 2]
        y[n] += 1.56101808 * y[n - 1] - 0.64135154 * y[n - 2]
    return y[2:]


def test_design_frequency_of_10_hz_at_100_hz():
    # 12.2492 Hz once the frequency is pre-warped (12.465 Hz is right for an analogue filter
    # only). Status: derived.
    assert two_pass_cutoff_hz(10.0, 100.0) == pytest.approx(12.2492, abs=5e-5)


@pytest.mark.parametrize(("cutoff_hz", "rate_hz"), [(10, 30), (12, 60), (15, 60), (15, 240)])
def test_two_passes_have_their_half_power_at_the_cutoff(cutoff_hz, rate_hz):
    # Definition of the cut-off: gain 1/sqrt 2 after both passes, at any frame rate.
    b, a = butter(2, two_pass_cutoff_hz(cutoff_hz, rate_hz), fs=rate_hz)
    _, response = freqz(b, a, worN=[cutoff_hz], fs=rate_hz)
    assert abs(response[0]) ** 2 == pytest.approx(np.sqrt(0.5), abs=1e-9)


@pytest.mark.parametrize(
    ("cutoff_hz", "rate_hz", "gain"),
    # What two passes let through at the cut-off when the analogue ratio is applied without
    # pre-warping; status: derived. It is why this package warps first.
    [(10, 100, 0.723), (10, 60, 0.755), (15, 60, 0.831), (10, 30, 0.953)],
)
def test_the_analogue_ratio_alone_misses_the_cutoff(cutoff_hz, rate_hz, gain):
    b, a = butter(2, cutoff_hz / TWO_PASS, fs=rate_hz)
    _, response = freqz(b, a, worN=[cutoff_hz], fs=rate_hz)
    assert abs(response[0]) ** 2 == pytest.approx(gain, abs=PRINTED_TO_0_001)
    own = two_pass_cutoff_hz(cutoff_hz, rate_hz)
    assert own < cutoff_hz / TWO_PASS


def test_low_pass_passes_a_sine_at_its_cutoff_with_the_gain_it_claims():
    t_s = np.arange(0, 8, 1 / 60)
    smooth = low_pass(np.sin(2 * np.pi * 12.0 * t_s), 60.0, 12.0)
    middle = smooth[120:-120]
    assert np.sqrt(2) * middle.std() == pytest.approx(np.sqrt(0.5), abs=1e-3)


def test_a_filtered_bump_keeps_its_instant():
    t_s = np.arange(0, 2, 1 / 60)
    bump = np.exp(-(((t_s - 1.0) / 0.1) ** 2))
    smooth = low_pass(bump, 60.0, 12.0)
    assert t_s[np.argmax(smooth)] == pytest.approx(1.0, abs=1e-9)
