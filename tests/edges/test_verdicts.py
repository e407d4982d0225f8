"""A verdict is given only where the uncertainty allows one, and in words a clinician uses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm
from told import told

from landing_analysis.findings.judging import (
    edges,
    edges_of,
    favoured_limb,
    in_roles,
    judge_measures,
    odds,
    probability_words,
    verdict,
    with_roles,
)
from landing_analysis.findings.tally import count_reps, tally_of_set
from landing_analysis.measures.summaries import compare_sides, summarise
from landing_analysis.report.verdicts import landings_words, tally_words
from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import (
    Decided,
    Finding,
    Limb,
    Limit,
    Measure,
    Measures,
    SideComparison,
    UncertaintyPart,
)

UPPER = Limit("knee_inward", "fppa_peak_flexion", "upper", 10.0, "deg", "a choice")
LOWER = Limit("stiff_landing", "knee_flexion_excursion", "lower", 25.0, "deg", "a choice")
BAND = Limit("limb_offloading", "pelvis_shift", "band", 0.0, "%", "a choice", half_width=10.0)
SIDES = Limit("side_difference", "contact_time", "lower", 90.0, "%", "a choice")
BOTH_WAYS = replace(SIDES, kind="band", value=100.0, half_width=10.0)
EXACT = 1e-12
LEAD = Limit("limb_offloading", "inter_limb_delay", "band", 0.0, "ms", "a choice", half_width=10.0)

DECIDED = Decided(
    exercise="jump",
    exercise_origin="detected",
    view="front",
    view_origin="detected",
    view_yaw_deg=0.0,
    view_yaw_sd_deg=4.0,
    limb=None,
    surgical_side="right",
    stature_m=None,
    target_flexion_deg=60.0,
    patient_number=1,
    people=1,
    patient_reason="the only person in view",
)


@pytest.mark.parametrize(
    ("limit", "value", "expected"),
    [
        (UPPER, 11.65, "above"),
        (UPPER, 11.64, "probably above"),
        (UPPER, 10.85, "probably above"),
        (UPPER, 10.83, "cannot tell"),
        (UPPER, 9.17, "cannot tell"),
        (UPPER, 9.15, "probably within"),
        (UPPER, 8.36, "probably within"),
        (UPPER, 8.35, "within"),
        (LOWER, 23.35, "below"),
        (LOWER, 23.36, "probably below"),
        (LOWER, 24.17, "cannot tell"),
        (LOWER, 26.65, "within"),
        (BAND, 11.65, "above"),
        (BAND, -11.65, "below"),
        (BAND, -10.9, "probably below"),
        (BAND, 9.9, "cannot tell"),
        (BAND, -9.1, "probably within"),
        (BAND, 0.0, "within"),
    ],
)
def test_verdict_on_both_sides_of_every_edge(limit, value, expected):
    # Of a normal distribution 95 % lie below 1.6449 and 80 % below 0.8416 (tables; memory, sure).
    assert verdict(value, 1.0, limit) == expected


@pytest.mark.parametrize("limit", [UPPER, LOWER, BAND, SIDES])
@pytest.mark.parametrize("sd", [0.5, 3.0, 20.0])
def test_the_odds_are_those_of_a_normal_distribution(limit, sd):
    # Against scipy.stats.norm, by the edges of each limit.
    low, high = (
        np.inf * sign if e is None else e for e, sign in zip(edges(limit), (-1, 1), strict=True)
    )
    for value in (-40.0, 9.0, 25.0, 100.0):
        below, within, above = odds(value, sd, limit)
        np.testing.assert_allclose(below, norm.cdf(low, value, sd), atol=EXACT)
        np.testing.assert_allclose(above, norm.sf(high, value, sd), atol=EXACT)
        assert below + within + above == pytest.approx(1.0)


def test_a_clinic_sets_from_which_probability_on_a_verdict_is_given():
    # z = 1.5 is 93.3 %, z = 0.7 is 75.8 % (tables; memory, sure).
    plain, bold = UPPER, replace(UPPER, surely_pct=90.0, probably_pct=75.0)
    assert (verdict(11.5, 1.0, plain), verdict(11.5, 1.0, bold)) == ("probably above", "above")
    assert (verdict(10.7, 1.0, plain), verdict(10.7, 1.0, bold)) == (
        "cannot tell", "probably above",
    )  # fmt: skip


def test_verdicts_are_right_as_often_as_they_say():
    # Truth by construction: true values spread evenly about the limit, read with a known error.
    rng = np.random.default_rng(3)
    true = rng.uniform(0.0, 20.0, 20_000)
    said = [verdict(float(value), 2.0, UPPER) for value in true + rng.normal(0, 2.0, len(true))]
    right = {
        word: np.mean((true > 10.0)[[one == word for one in said]]) for word in set(said)
    }  # fmt: skip
    assert right["above"] > 0.95 > right["probably above"] > 0.80
    assert right["within"] < 0.05 < right["probably within"] < 0.20


def test_an_exact_value_on_the_limit_cannot_be_told():
    assert verdict(10.0, 0.0, UPPER) == "cannot tell"


def test_a_wide_uncertainty_always_means_cannot_tell():
    values = np.linspace(-30.0, 30.0, 61)
    assert {verdict(float(value), 25.0, BAND) for value in values} == {"cannot tell"}


def test_edges_of_each_kind():
    assert edges(UPPER) == (None, 10.0)
    assert edges(LOWER) == (25.0, None)
    assert edges(BAND) == (-10.0, 10.0)


def _row(rep: int, name: str, limb: Limb | None, value: float, sd: float, unit: str) -> Measure:
    parts = (UncertaintyPart("landmark noise", sd),)
    return Measure(rep, name, limb, value, unit, sd, None, (10 * rep,), parts)


def _measures(rows: list[Measure]) -> Measures:
    return Measures(
        tuple(rows), summarise(tuple(rows), MeasureSettings()), compare_sides(tuple(rows))
    )


def _inward(values: list[float]) -> Measures:
    return _measures(
        [_row(k + 1, "fppa_peak_flexion", "right", v, 1.0, "deg") for k, v in enumerate(values)]
    )


def test_the_set_comes_first_and_then_every_rep():
    findings = judge_measures(_inward([15.0, 10.0, 2.0]), (UPPER,), DECIDED.exercise)
    assert [f.rep for f in findings] == [None, 1, 2, 3]
    assert [f.verdict for f in findings[1:]] == ["above", "cannot tell", "within"]
    assert [f.frames for f in findings[1:]] == [(10,), (20,), (30,)]
    assert findings[0].value == pytest.approx(9.0)


def test_a_rep_without_a_value_makes_no_finding():
    missing = Measure(1, "fppa_peak_flexion", "right", None, "deg", None, told("hidden"))
    assert judge_measures(_measures([missing]), (UPPER,), DECIDED.exercise) == ()


def test_a_limit_of_another_exercise_is_not_held_against_the_set():
    hops_only = replace(UPPER, exercises=("hop",))
    assert judge_measures(_inward([15.0]), (hops_only,), DECIDED.exercise) == ()


@pytest.mark.parametrize(
    ("surgical", "words"),
    [
        ("right", "surgical (right) limb"),
        ("left", "non-surgical (right) limb"),
        (None, "right limb"),
    ],
)
def test_a_page_names_the_limb_as_the_clinician_does(surgical, words):
    for finding in judge_measures(_inward([15.0, 16.0]), (UPPER,), DECIDED.exercise):
        assert f", {words}, " in in_roles(finding.text, surgical)


def test_findings_name_no_limb_as_the_surgical_one():
    rows = [
        *_inward([15.0, 16.0]).measures,
        _row(1, "contact_time", "right", 0.200, 0.005, "s"),
        _row(1, "contact_time", "left", 0.300, 0.005, "s"),
        _row(1, "pelvis_shift", None, -25.0, 1.0, "%"),
    ]
    found = judge_measures(_measures(rows), (UPPER, SIDES, BAND), DECIDED.exercise)
    assert {finding.limb for finding in found} == {"left", "right", None}
    assert not [finding for finding in found if "surgical" in finding.text]


@pytest.mark.parametrize(("left_s", "right_s"), [(0.200, 0.300), (0.300, 0.200)])
@pytest.mark.parametrize(("kind", "value"), [("lower", 90.0), ("upper", 111.0)])
def test_one_edge_for_the_symmetry_of_limbs_holds_for_either_limb(left_s, right_s, kind, value):
    rows = [
        _row(1, "contact_time", "left", left_s, 0.001, "s"),
        _row(1, "contact_time", "right", right_s, 0.001, "s"),
    ]
    limit = replace(SIDES, kind=kind, value=value)
    (finding,) = judge_measures(_measures(rows), (limit,), DECIDED.exercise)
    assert finding.verdict == ("below" if left_s < right_s else "above")


def test_a_text_says_value_uncertainty_verdict_and_limit():
    finding = judge_measures(_inward([15.0]), (UPPER,), DECIDED.exercise)[1]
    assert finding.text == (
        "FPPA at peak flexion, right limb, rep 1: +15.0 ± 2.0 deg, above the limit "
        "(limit: at most +10.0 deg; passed with a probability of over 99 %)."
    )


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.796, "79 %"), (0.8, "80 %"), (0.9496, "94 %"), (0.95, "95 %"), (0.204, "21 %"),
        (0.2, "20 %"), (0.051, "6 %"), (0.05, "5 %"), (0.5, "50 %"), (0.995, "over 99 %"),
    ],
)  # fmt: skip
def test_a_printed_probability_never_reaches_an_edge_that_the_true_one_does_not(probability, words):
    assert probability_words(probability) == words


@pytest.mark.parametrize(
    ("value", "surgical", "words"),
    [
        (25.0, "right", "the trunk and pelvis are shifted toward the non-surgical (left) limb"),
        (-25.0, "right", "the trunk and pelvis are shifted toward the surgical (right) limb"),
        (-25.0, None, "the trunk and pelvis are shifted toward the right limb"),
    ],
)
def test_a_shift_says_to_which_limb_and_that_it_is_motion(value, surgical, words):
    rows = [_row(1, "pelvis_shift", None, value, 1.0, "%")]
    finding = judge_measures(_measures(rows), (BAND,), DECIDED.exercise)[1]
    assert f"{words} (motion, not force)" in in_roles(finding.text, surgical)


def test_a_shift_that_cannot_be_told_points_to_nobody():
    rows = [_row(1, "pelvis_shift", None, 11.0, 3.0, "%")]
    finding = judge_measures(_measures(rows), (BAND,), DECIDED.exercise)[1]
    assert finding.verdict == "cannot tell"
    assert "limb" not in finding.text


def test_a_side_difference_below_what_frames_show_is_not_called_one():
    # 12 ms of a 300 ms contact, each known to 14 ms as at 30 frames/s (13.6 ms = interval /
    # sqrt(6), derived): the index of 104 % must not be called plainly within or above 111 %.
    rows = [
        _row(1, "contact_time", "right", 0.288, 0.0136, "s"),
        _row(1, "contact_time", "left", 0.300, 0.0136, "s"),
    ]
    (finding,) = judge_measures(_measures(rows), (SIDES,), DECIDED.exercise)
    assert finding.value == pytest.approx(100 * 0.300 / 0.288)
    assert finding.verdict == "probably within"
    words = "non-surgical (right) limb"
    assert f"surgical (left) limb as a share of the {words}" in in_roles(finding.text, "left")


@pytest.mark.parametrize(
    ("left_s", "kept", "told"),
    [(0.220, "below", "above"), (0.390, "above", "below"), (0.300, "within", "within"),
     (0.267, "cannot tell", "cannot tell")],
)  # fmt: skip
def test_a_page_sets_the_surgical_limb_against_the_other_with_the_same_verdict(left_s, kept, told):
    rows = [_row(1, "contact_time", "right", 0.300, 0.003, "s"),
            _row(1, "contact_time", "left", left_s, 0.003, "s")]  # fmt: skip
    (finding,) = judge_measures(_measures(rows), (BOTH_WAYS,), DECIDED.exercise)
    turned = with_roles(finding, (UPPER, BOTH_WAYS), "right")
    assert (finding.limb, finding.verdict) == ("left", kept)
    assert (turned.limb, turned.verdict) == ("right", told)
    assert turned.value == pytest.approx(100 * 0.300 / left_s)
    assert turned.sd / turned.value == pytest.approx(finding.sd / finding.value)
    assert turned.probability == finding.probability
    assert "surgical (right) limb as a share of the non-surgical (left) limb" in turned.text
    assert edges_of(turned, BOTH_WAYS) == pytest.approx((100 * 100 / 110, 100 * 100 / 90))
    assert f"{turned.value:.0f} ± " in turned.text
    assert "(limit: 91 to 111 %; passed with" in turned.text
    assert with_roles(turned, (UPPER, BOTH_WAYS), "right") == turned
    assert with_roles(finding, (UPPER, BOTH_WAYS), "left").value == finding.value
    assert with_roles(finding, (UPPER, BOTH_WAYS), None) == finding


def test_differences_in_degrees_are_no_symmetry_index():
    side = SideComparison("fppa_peak_flexion", "difference", "right", 40.0, 1.0, "deg")
    limit = replace(SIDES, measure="fppa_peak_flexion")
    assert judge_measures(Measures((), (), (side,)), (limit,), DECIDED.exercise) == ()


def _evidence(measure: str, value: float, name: str = "limb_offloading", limb: Limb | None = None):
    judged = "below" if value < 0 or name == "side_difference" else "above"
    return Finding(name, limb, None, judged, value, 1.0, 0.0, "", "", "", (), measure)


@pytest.mark.parametrize(
    ("evidence", "limb"),
    [
        ((), "none"),
        ((_evidence("pelvis_shift", 15.0),), "left"),
        ((_evidence("pelvis_shift", -15.0), _evidence("inter_limb_delay", -20.0)), "right"),
        ((_evidence("pelvis_shift", -15.0), _evidence("inter_limb_delay", 20.0)), "unclear"),
        # the right foot stays on the ground for 80 % of the left foot's time
        (
            (
                _evidence("inter_limb_delay", 20.0),
                _evidence("contact_time", 80.0, "side_difference", "right"),
            ),
            "left",
        ),
        # hops on one limb and then the other say nothing about favouring
        ((_evidence("contact_time", 80.0, "side_difference", "right"),), "none"),
    ],
)
def test_evidence_for_favouring_agrees_disagrees_or_is_absent(evidence, limb):
    assert favoured_limb(evidence) == (limb, limb != "none")


def test_single_reps_and_values_within_their_limit_do_not_count():
    within = replace(_evidence("pelvis_shift", 3.0), verdict="cannot tell", limit=5.0)
    one_rep = replace(_evidence("inter_limb_delay", -20.0), rep=2)
    assert favoured_limb((within, one_rep)) == ("none", False)


def test_a_value_outside_its_limit_names_a_limb_without_certainty():
    undecided = replace(_evidence("pelvis_shift", 9.0), verdict="cannot tell", limit=5.0)
    assert favoured_limb((undecided,)) == ("left", False)
    against = replace(_evidence("inter_limb_delay", -12.0), verdict="cannot tell", limit=-10.0)
    assert favoured_limb((undecided, against)) == ("unclear", False)
    assert favoured_limb((undecided, _evidence("trunk_lean", -9.0))) == ("right", True)


def test_no_text_diagnoses_or_clears():
    rows = [
        *_inward([15.0, 16.0]).measures,
        _row(1, "pelvis_shift", None, 25.0, 1.0, "%"),
        _row(1, "inter_limb_delay", None, -40.0, 1.0, "ms"),
    ]
    texts = [
        f.text.lower()
        for f in judge_measures(_measures(rows), (UPPER, BAND, LEAD), DECIDED.exercise)
    ]
    assert len(texts) == 7
    for word in ("risk", "injur", "clear", "safe", "normal", "diagnos", "force plate"):
        assert not [text for text in texts if word in text]


# --- counted out -------------------------------------------------------------------------------

OUTWARD = Limit("knee_outward", "fppa_peak_flexion", "lower", -10.0, "deg", "a choice")


def _tally(measures: Measures, *limits: Limit, view="front", near=None):
    findings = judge_measures(measures, limits, DECIDED.exercise)
    return tally_of_set(measures, findings, limits, DECIDED.exercise, view, near)


def test_one_rep_of_a_poor_clip_is_counted_out_and_is_too_few_for_a_verdict():
    rows = [
        _row(1, "fppa_peak_flexion", "left", 2.0, 2.0, "deg"),
        _row(1, "fppa_peak_flexion", "right", 9.0, 2.0, "deg"),
        _row(1, "pelvis_shift", None, 9.0, 3.0, "%"),
        _row(1, "inter_limb_delay", None, 0.0, 2.0, "ms"),
    ]
    counted = _tally(_measures(rows), UPPER, BAND, LEAD)
    words = "2 cannot tell, 2 within, 1 rep: too few for a verdict."
    assert tally_words(counted) == words


def test_a_value_with_two_limits_counts_once_by_the_worse():
    undecided = _tally(_inward([9.7, 9.6, 9.9]), UPPER, OUTWARD)
    assert (undecided.within, undecided.cannot_tell, undecided.judged) == (0, 1, 1)
    outward = _tally(_inward([-15.0, -14.0, -16.0]), UPPER, OUTWARD)
    assert (outward.outside, outward.judged) == (1, 1)
    assert tally_words(outward) == "1 outside a limit."


def test_what_could_not_be_measured_is_counted_and_never_passed_over():
    why = told("the foot points away from the camera")
    missing = [Measure(n, "fppa_peak_flexion", "left", None, "deg", None, why) for n in (1, 2, 3)]
    seen = [_row(n, "fppa_peak_flexion", "right", 1.0 + n, 1.0, "deg") for n in (1, 2, 3)]
    counted = _tally(_measures(missing + seen), UPPER, OUTWARD)
    assert tally_words(counted) == "1 within, 1 not measurable."
    nothing = _tally(_measures(missing), UPPER, OUTWARD)
    assert tally_words(nothing) == "1 not measurable."


def test_the_hidden_limb_of_a_side_view_is_not_missed():
    why = told("the right limb is behind the other in this view; film that side")
    missing = Measure(1, "knee_flexion_excursion", "right", None, "deg", None, why)
    rows = [_row(1, "knee_flexion_excursion", "left", 40.0, 3.0, "deg"), missing]
    counted = _tally(_measures(rows), LOWER, view="left_side", near="left")
    assert (counted.within, counted.not_measurable) == (1, 0)


def test_a_value_of_few_reps_among_others_is_named():
    rows = [_row(n, "inter_limb_delay", None, 1.0, 2.0, "ms") for n in (1, 2, 3)]
    rows.append(_row(1, "fppa_peak_flexion", "right", 3.0, 1.0, "deg"))
    counted = _tally(_measures(rows), UPPER, LEAD)
    assert tally_words(counted) == "2 within. 1 of them on 1 rep: too few for a verdict."


# --- counted over the landings -------------------------------------------------------------------


def test_landings_are_counted_by_how_sure_they_are():
    findings = judge_measures(_inward([15.0] * 6 + [11.0, 2.0]), (UPPER, OUTWARD), DECIDED.exercise)
    inward, outward = count_reps(findings, range(1, 20))
    assert landings_words(inward) == "in 6 of 8 landings, probably in 1"
    assert landings_words(outward) == "in 0 of 8 landings"
    assert (inward.is_outside, outward.is_outside) == (True, False)


def test_what_is_most_often_outside_comes_first_and_what_cannot_be_told_is_counted():
    rows = [
        *_inward([15.0, 10.2, 2.0]).measures,
        *(_row(n, "pelvis_shift", None, 25.0, 1.0, "%") for n in (1, 2, 3)),
    ]
    found = judge_measures(_measures(rows), (UPPER, BAND), DECIDED.exercise)
    counts = count_reps(found, range(1, 20))
    assert [landings_words(one) for one in counts] == [
        "in 3 of 3 landings", "in 1 of 3 landings, cannot tell in 1",
    ]  # fmt: skip
    assert landings_words(None) == ""
