"""A limits file that makes no sense gets one clear sentence, one that does is laid over ours."""

from __future__ import annotations

import pytest

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.errors import SettingsError
from landing_analysis.findings.limits import read_limits

ENTRY = {
    "finding": '"knee_inward"',
    "measure": '"fppa_peak_flexion"',
    "kind": '"upper"',
    "value": "12.0",
    "unit": '"deg"',
    "source": '"this clinic\'s choice"',
}


def _file(tmp_path, text: str):
    path = tmp_path / "clinic.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _entry(**changes) -> str:
    merged = {**ENTRY, **changes}
    lines = [f"{key} = {value}" for key, value in merged.items() if value is not None]
    return "\n".join(["[[limit]]", *lines, ""])


def _one(limits, finding: str, measure: str):
    found = [x for x in limits if (x.finding, x.measure) == (finding, measure)]
    assert len(found) == 1
    return found[0]


def test_every_default_limit_has_a_source_and_a_measure_that_exists():
    limits = read_limits()
    assert len(limits) >= 8
    assert all(limit.source for limit in limits)
    assert all(limit.measure in DEFINITIONS for limit in limits)


def test_limits_switched_off_are_left_out():
    assert not [x for x in read_limits() if x.measure == "knee_flexion_peak"]


def test_an_own_value_replaces_ours_and_leaves_the_rest(tmp_path):
    own = read_limits(_file(tmp_path, _entry()))
    assert _one(own, "knee_inward", "fppa_peak_flexion").value == 12.0
    others = [x for x in own if x.finding != "knee_inward"]
    assert others == [x for x in read_limits() if x.finding != "knee_inward"]


def test_an_own_entry_may_give_only_what_it_changes(tmp_path):
    text = (
        '[[limit]]\nfinding = "limb_offloading"\nmeasure = "inter_limb_delay"\nhalf_width = 20.0\n'
    )
    changed = _one(read_limits(_file(tmp_path, text)), "limb_offloading", "inter_limb_delay")
    assert (changed.kind, changed.value, changed.half_width) == ("band", 0.0, 20.0)


def test_a_line_can_be_silenced_and_a_silent_one_heard(tmp_path):
    text = (
        '[[limit]]\nfinding = "knee_inward"\nmeasure = "fppa_peak_flexion"\nenabled = false\n'
        '[[limit]]\nfinding = "stiff_landing"\nmeasure = "knee_flexion_peak"\nenabled = true\n'
    )
    limits = read_limits(_file(tmp_path, text))
    assert not [x for x in limits if x.finding == "knee_inward"]
    assert _one(limits, "stiff_landing", "knee_flexion_peak").value == 90.0


def test_a_new_entry_is_added(tmp_path):
    text = _entry(measure='"fppa_peak_inward"', exercises='["hop"]')
    added = _one(read_limits(_file(tmp_path, text)), "knee_inward", "fppa_peak_inward")
    assert added.exercises == ("hop",)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[limit]\n", "not valid TOML"),
        ("", "must hold"),
        ("limit = 3\n", "must hold"),
        ("limit = [3]\n", "must hold"),
        ("[[limits]]\nvalue = 1\n", "must hold"),
        ("colour = 'red'\n" + _entry(), "must hold"),
        (_entry(finding='"valgus"'), "not known"),
        (_entry(measure='"knee_angle"'), "not known"),
        (_entry(finding=None), "not known"),
        (_entry(threshold="3"), "threshold is no key"),
        (_entry(measure='"fppa_peak_inward"', source=None), "source is missing"),
        (_entry(source='" "'), "source is empty"),
        (_entry(kind='"above"'), "use upper, lower or band"),
        (_entry(kind='"band"'), "needs half_width"),
        (_entry(kind='"band"', half_width="-2"), "needs half_width"),
        (_entry(value='"ten"'), "give a number"),
        (_entry(value="true"), "give a number"),
        (_entry(value="nan"), "finite"),
        (_entry(value="inf"), "finite"),
        (_entry(unit='"rad"'), "use 'deg'"),
        (_entry(unit="3"), "use 'deg'"),
        (_entry(enabled="1"), "use true or false"),
        (_entry(exercises="[]"), "list of codes such as 'jump'"),
        (_entry(exercises='"jump"'), "list of codes such as 'jump'"),
        (_entry(exercises='[["jump"]]'), "list of codes such as 'jump'"),
        (_entry(finding='"side_difference"', unit='"%"'), "no ratio"),
        (_entry(finding='"limb_offloading"'), "point to a limb"),
        (_entry(finding='"side_difference"', measure='"contact_time"', unit='"s"'), "use '%'"),
    ],
)
def test_a_file_that_makes_no_sense_gets_one_sentence(tmp_path, text, says):
    with pytest.raises(SettingsError) as caught:
        read_limits(_file(tmp_path, text))
    message = str(caught.value)
    assert says in message
    assert "clinic.toml" in message
    assert "\n" not in message


@pytest.mark.parametrize("make", ["missing", "folder", "binary"])
def test_a_file_that_cannot_be_read_gets_one_sentence(tmp_path, make):
    path = tmp_path / "clinic.toml"
    if make == "folder":
        path.mkdir()
    elif make == "binary":
        path.write_bytes(b"\xff\xfe\x00[[limit]]")
    with pytest.raises(SettingsError, match="cannot be read"):
        read_limits(path)


def test_long_ground_contact_is_judged_only_where_a_clinic_asks_for_it(tmp_path):
    assert not [x for x in read_limits() if x.finding == "long_ground_contact"]
    text = (
        '[[limit]]\nfinding = "long_ground_contact"\nmeasure = "contact_time"\nenabled = true\n'
        "value = 0.2\n"
    )
    asked = _one(read_limits(_file(tmp_path, text)), "long_ground_contact", "contact_time")
    assert asked.value == 0.2


def _with_verdicts(tmp_path, text: str):
    own = tmp_path / "own.toml"
    own.write_text(f"[verdicts]\n{text}\n")
    return own


def test_a_clinic_sets_from_which_probabilities_on_verdicts_are_given(tmp_path):
    limits = read_limits(_with_verdicts(tmp_path, "surely_pct = 90"))
    assert {(one.surely_pct, one.probably_pct) for one in limits} == {(90, 80)}
    assert {(one.surely_pct, one.probably_pct) for one in read_limits()} == {(95, 80)}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("surely_pct = 70", "probably_pct is 80 and surely_pct 70"),
        ("surely_pct = 100", "below 100"),
        ("probably_pct = 50", "above 50"),
        ("probably_pct = true", "probably_pct is True"),
        ('surely_pct = "high"', "surely_pct 'high'"),
        ("certainly_pct = 99", "takes surely_pct and probably_pct"),
    ],
)
def test_probabilities_that_make_no_sense_are_refused(tmp_path, text, words):
    with pytest.raises(SettingsError, match=words):
        read_limits(_with_verdicts(tmp_path, text))
