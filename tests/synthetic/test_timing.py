"""What a frame rate cannot carry is not printed, with the reason in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from page import read_page
from stick_patient import make_analysis
from told import told

from landing_analysis.disturbances.applying import disturbed_measures
from landing_analysis.disturbances.timing import timing_effect
from landing_analysis.measures.summaries import TIMING, with_set
from landing_analysis.report.documents import analysis_document
from landing_analysis.report.page import report_html
from landing_analysis.report.pictures import key_pictures
from landing_analysis.settings import ClockSettings, MeasureSettings
from landing_analysis.tables import Analysis, Measure, Measures, TimeBase, UncertaintyPart
from landing_analysis.wording import words_of


def row(name: str, limb: str | None, value: float, unit: str, rep: int = 1) -> Measure:
    sd = abs(value) / 50
    return Measure(rep, name, limb, value, unit, sd, parts=(UncertaintyPart(TIMING, sd),))


def contact_times(left_s: float, right_s: float) -> tuple[Measure, ...]:
    return tuple(
        row("contact_time", limb, value, "s", rep)
        for rep in (1, 2, 3)
        for limb, value in (("left", left_s), ("right", right_s))
    )


def carried(rows: tuple[Measure, ...], rate_hz: float, base: TimeBase | None = None) -> Measures:
    effects = (timing_effect(base or TimeBase(), (), rate_hz, ClockSettings()),)
    return with_set(disturbed_measures(Measures(rows), effects), MeasureSettings(), effects)


# One frame: 33 ms at 30 frames/s, 17 at 60, 4 at 240. The limbs differ by 20 ms.
@pytest.mark.parametrize(("rate_hz", "printed"), [(30.0, False), (49.0, False), (60.0, True)])
def test_a_side_difference_that_one_frame_could_make_is_not_printed(rate_hz, printed):
    found = carried(contact_times(0.300, 0.320), rate_hz)
    assert [item.name for item in found.comparisons] == ["contact_time"] * printed
    assert [item.name for item in found.not_compared] == ["contact_time"] * (not printed)
    if not printed:
        assert f"less than one frame ({1000 / rate_hz:.0f} ms)" in words_of(
            found.not_compared[0].reason
        )


def test_a_side_difference_of_more_than_a_frame_is_printed_at_any_rate():
    assert carried(contact_times(0.300, 0.350), 30.0).comparisons[0].name == "contact_time"


def test_angles_are_compared_at_any_rate():
    rows = tuple(row("fppa_peak_flexion", limb, 5.0, "deg") for limb in ("left", "right"))
    assert [item.name for item in carried(rows, 25.0).comparisons] == ["fppa_peak_flexion"]


@pytest.mark.parametrize("name", ["inter_limb_delay", "toe_to_heel_interval"])
@pytest.mark.parametrize(("rate_hz", "given"), [(30.0, False), (49.9, False), (50.0, True)])
def test_intervals_shorter_than_a_frame_need_a_fast_clip(name, rate_hz, given):
    limb = "left" if name == "toe_to_heel_interval" else None
    (found,) = carried((row(name, limb, 25.0, "ms"),), rate_hz).measures
    assert (found.value is not None) == given
    if not given:
        assert words_of(found.reason).startswith("one frame is ")
        assert found.sd is None
        assert found.parts == ()


def test_a_doubtful_clock_takes_times_and_leaves_angles_and_earlier_reasons():
    unseen = Measure(1, "flight_time", None, None, "s", None, told("not seen"))
    rows = (
        row("contact_time", "left", 0.3, "s"),
        row("jump_height", None, 0.2, "m"),
        row("reactive_strength_index", None, 1.0, "1"),
        row("fppa_peak_flexion", "left", 5.0, "deg"),
        unseen,
    )
    found = carried(rows, 60.0, TimeBase(None, "unsettled", told("nobody knows")))
    assert [item.value for item in found.measures] == [None, None, None, 5.0, None]
    assert {item.reason for item in found.measures[:3]} == {told("nobody knows")}
    assert found.measures[-1] == unseen
    assert [summary.name for summary in found.summaries] == ["fppa_peak_flexion"]


def _at(rate_hz: float) -> Analysis:
    analysis = make_analysis()
    return replace(analysis, measures=carried(analysis.measures.measures, rate_hz))


def test_what_is_left_out_stands_with_its_reason_in_report_and_json():
    analysis = _at(30.0)
    document = analysis_document(analysis)
    assert "inter_limb_delay" not in {item["name"] for item in document["summaries"]}
    assert "contact_time" in {item["name"] for item in document["not_compared"]}
    page = read_page(report_html(analysis, key_pictures(analysis, {}), None)).text
    assert "the limbs differ by less than one frame (33 ms)" in page.lower()
    assert "Contact time, one limb against the other" in page
    assert "one frame is 33 ms, more than what is asked for" in page.lower()


def test_a_fast_clip_loses_nothing():
    analysis = make_analysis()
    found = carried(analysis.measures.measures, 1000.0)
    np.testing.assert_equal(found.comparisons, analysis.measures.comparisons)
    assert found.measures == analysis.measures.measures
    assert found.not_compared == ()
