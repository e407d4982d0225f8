"""A visit's Bundle against HL7 FHIR R4.

Two independent checks: the classes of the package fhirclient, generated from FHIR 4.0.1 (it
says so at the head of each file), which refuse what is missing, superfluous, of the wrong type
or single where a list is due; and HL7's own JSON schema of R4 (see data/ATTRIBUTION.md), which
knows required value sets and the form of dates, names and codes as well. Neither knows
preferred value sets or invariants: those below are from memory of the specification (sure).
"""

from __future__ import annotations

import json
import re
import stat
import uuid
from collections.abc import Iterator
from copy import deepcopy
from datetime import date, timedelta
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner
from exported import LAST_DAY, REAL, REAL_DAY
from fhirclient.models import bundle as r4_bundle
from fhirclient.models.fhirabstractbase import FHIRValidationError

from landing_analysis.commands.main import main
from landing_analysis.definitions import DEFINITIONS
from landing_analysis.export.columns import TABLES, UCUM
from landing_analysis.maths.statistics import Z_95
from landing_analysis.record.database import open_record
from landing_analysis.record.reading import read_analyses

OBSERVATION_CATEGORY = {
    "social-history", "vital-signs", "imaging", "laboratory", "procedure", "survey", "exam",
    "therapy", "activity",
}  # fmt: skip
DATA_ABSENT_REASON = {
    "unknown", "asked-unknown", "temp-unknown", "not-asked", "asked-declined", "masked",
    "not-applicable", "unsupported", "as-text", "error", "not-a-number", "negative-infinity",
    "positive-infinity", "not-performed", "not-permitted",
}  # fmt: skip
UCUM_CODES = {"s", "ms", "m", "deg", "%", "1", "Hz", "wk", "d", "{pixel}", "/min"}
"""From memory of the UCUM specification; the parser ucumvert 0.3.2 reads each of them."""

SCHEMA = json.loads((Path(__file__).parent / "data" / "fhir_r4.schema.json").read_text("utf-8"))


def _command(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


def _bundle(folder, target: Path, *words: object) -> dict:
    result = _command("record", "fhir", *words, "--out", target, "--data", folder.path)
    assert result.exit_code == 0, result.output
    return json.loads(target.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def real(sample_record, tmp_path_factory) -> dict:
    """Two clips of jumps, really analysed."""
    return _bundle(sample_record, tmp_path_factory.mktemp("real") / "visit.json", REAL.code)


@pytest.fixture(scope="module")
def hops(sample_record, tmp_path_factory) -> dict:
    """Two clips of hops, really analysed, of an invented patient."""
    return _bundle(sample_record, tmp_path_factory.mktemp("hops") / "visit.json", "DEMO2")


@pytest.fixture(scope="module")
def invented(invented_record, tmp_path_factory) -> dict:
    """All sets of an invented visit."""
    target = tmp_path_factory.mktemp("invented") / "visit.json"
    return _bundle(invented_record, target, "DEMO5", LAST_DAY)


@pytest.fixture(params=["real", "hops", "invented"])
def bundle(request) -> dict:
    return request.getfixturevalue(request.param)


def _resources(bundle: dict, kind: str) -> list[dict]:
    found = [entry["resource"] for entry in bundle["entry"]]
    return [resource for resource in found if resource["resourceType"] == kind]


def _code(resource: dict) -> tuple[str, str]:
    (coding,) = resource["code"]["coding"]
    return coding["system"].rsplit(":", 1)[-1], coding["code"]


def _means(bundle: dict) -> list[dict]:
    return [one for one in _resources(bundle, "Observation") if _code(one)[0] == "measure"]


def _part(observation: dict, key: str) -> dict:
    return next(part for part in observation["component"] if _code(part) == ("part", key))


def _walk(value: object) -> Iterator[object]:
    yield value
    if isinstance(value, (dict, list)):
        for inner in value.values() if isinstance(value, dict) else value:
            yield from _walk(inner)


# --- the standard --------------------------------------------------------------------------------


def _validator() -> jsonschema.protocols.Validator:
    return jsonschema.validators.validator_for(SCHEMA)(SCHEMA)


def test_the_classes_of_r4_accept_it_and_give_it_back_unchanged(bundle):
    parsed = r4_bundle.Bundle(bundle)
    assert parsed.as_json() == bundle


def test_the_schema_of_r4_accepts_it(bundle):
    _validator().validate(bundle)


_WRONG = {
    "no status": (("status",), None),
    "no code": (("code",), None),
    "one where a list is due": (("category",), {"text": "one"}),
    "an unknown element": (("nonsense",), "x"),
    "text where a number is due": (("valueQuantity", "value"), "12"),
    "a status of no value set": (("status",), "guessed"),
    "a day without a month": (("effectiveDateTime",), "2026-13-01"),
    "an id with a blank": (("id",), "a b"),
}
_ONLY_THE_SCHEMA_SEES = {"a status of no value set", "an id with a blank"}


@pytest.mark.parametrize("what", _WRONG)
def test_what_is_wrong_is_refused(real, what):
    one = deepcopy(next(one for one in _means(real) if "valueQuantity" in one))
    *path, last = _WRONG[what][0]
    place = one
    for key in path:
        place = place[key]
    place[last] = _WRONG[what][1]
    if place[last] is None:
        del place[last]
    broken = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one}]}
    if what != "no status":  # HL7's schema does not require primitive elements
        assert not _validator().is_valid(broken)
    if what not in _ONLY_THE_SCHEMA_SEES:
        with pytest.raises(FHIRValidationError):
            r4_bundle.Bundle(broken)


def test_codes_of_preferred_value_sets_are_those_of_r4(bundle):
    for one in _resources(bundle, "Observation"):
        assert one["category"][0]["coding"][0]["code"] in OBSERVATION_CATEGORY
        absent = one.get("dataAbsentReason", {"coding": [{"code": "unknown"}]})
        assert absent["coding"][0]["code"] in DATA_ABSENT_REASON


def test_every_unit_is_one_of_ucum(bundle):
    assert set(UCUM.values()) == UCUM_CODES
    quantities = [v for v in _walk(bundle) if isinstance(v, dict) and "unit" in v]
    assert len(quantities) > 50
    for quantity in quantities:
        assert quantity["system"] == "http://unitsofmeasure.org"
        assert quantity["code"] in UCUM_CODES
        assert isinstance(quantity["value"], (int, float))
    units = {c.unit for table in TABLES.values() for c in table.columns} - {None, "column unit"}
    assert units <= set(UCUM)
    assert {definition.unit for definition in DEFINITIONS.values()} <= set(UCUM)


def test_nothing_is_empty_or_null(bundle):
    for value in _walk(bundle):
        assert value not in (None, "", [], {})
        if isinstance(value, str):
            assert value == value.strip()


def test_every_entry_is_found_by_its_name_and_every_reference_leads_to_one(bundle):
    names = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(names) == len(set(names))  # bdl-7
    for entry in bundle["entry"]:
        assert entry["fullUrl"] == f"urn:uuid:{entry['resource']['id']}"
        assert uuid.UUID(entry["resource"]["id"]).version == 5
    references = [v["reference"] for v in _walk(bundle) if isinstance(v, dict) and "reference" in v]
    assert references
    assert set(references) <= set(names)


def test_there_is_one_value_or_the_reason_why_there_is_none(bundle):
    for one in _resources(bundle, "Observation"):
        for part in (one, *one.get("component", ())):
            told = [key for key in part if key.startswith("value") or key == "dataAbsentReason"]
            is_group = _code(part)[0] in ("set", "symptoms")
            expected = 0 if is_group else 1  # obs-6; a group has members or parts
            assert len(told) == expected


def test_no_part_has_the_code_of_the_whole(bundle):
    for one in _resources(bundle, "Observation"):  # obs-7
        assert _code(one) not in [_code(part) for part in one.get("component", ())]


# --- what it says --------------------------------------------------------------------------------


def test_it_says_what_the_record_says(sample_record, real):
    with open_record(sample_record) as record:
        stored = read_analyses(record, REAL.code, REAL_DAY)
    expected = {
        (row["name"], row["limb"], one.values["sha256"]): row
        for one in stored
        for row in one.tables["summary"]
    }
    written = {}
    by_name = {entry["fullUrl"]: entry["resource"] for entry in real["entry"]}
    for whole in _resources(real, "Observation"):
        if _code(whole)[0] != "set":
            continue
        sha256 = _part(whole, "clip")["valueString"]
        for member in (by_name[link["reference"]] for link in whole["hasMember"]):
            if _code(member)[0] == "measure" and "valueQuantity" in member:
                limb = member["bodySite"]["coding"][0]["code"] if "bodySite" in member else None
                written[_code(member)[1], limb, sha256] = member
    assert set(written) == set(expected)
    for key, row in expected.items():
        half_a_digit = 0.5 * 10.0 ** -(DEFINITIONS[key[0]].decimals + 1) + 1e-12
        one = written[key]
        assert abs(one["valueQuantity"]["value"] - row["mean"]) <= half_a_digit
        sd = _part(one, "standard-uncertainty")["valueQuantity"]["value"]
        assert abs(sd - row["mean_sd"]) <= half_a_digit
        high = _part(one, "interval-95")["valueRange"]["high"]["value"]
        assert abs(high - (row["mean"] + Z_95 * row["mean_sd"])) <= half_a_digit
        assert _part(one, "reps-used")["valueInteger"] == row["reps_used"]
        assert one["valueQuantity"]["code"] == UCUM[row["unit"]]


def test_what_a_view_cannot_show_is_absent_with_the_reason(real):
    absent = [one for one in _means(real) if "dataAbsentReason" in one]
    assert absent
    reasons = {one["dataAbsentReason"]["text"] for one in absent}
    assert any("front view; it needs a side view" in reason for reason in reasons)
    assert all(reasons)


def test_limbs_that_are_not_compared_are_absent_with_the_reason(real):
    sides = {
        _code(one)[1]: one.get("dataAbsentReason", {}).get("text")
        for one in _resources(real, "Observation")
        if _code(one)[0] == "side-comparison" and "from the front" in one["method"]["text"]
    }
    expected = "the limbs differ by less than one frame"
    assert sides["contact_time-lsi"] == expected
    assert sides["fppa_peak_flexion-difference"] is None


def test_both_limbs_of_the_record_are_there_with_their_role(real):
    roles = {
        (one["bodySite"]["text"], _part(one, "limb-role")["valueString"])
        for one in _means(real)
        if "bodySite" in one
    }
    assert roles == {
        ("left lower limb, surgical", "surgical"),
        ("right lower limb, non-surgical", "non-surgical"),
    }


def test_measures_of_the_whole_body_in_hops_tell_which_limb_hops(hops):
    flights = [one for one in _means(hops) if _code(one)[1] == "flight_time"]
    methods = {one["method"]["text"].partition("; ")[0] for one in flights}
    assert methods == {
        f"2D pose estimation in one clip of one-leg hops on the {limb} limb, filmed from the "
        f"{limb} side"
        for limb in ("left", "right")
    }
    sets = [one for one in _resources(hops, "Observation") if _code(one) == ("set", "hop")]
    assert {_part(one, "landing-limb")["valueString"] for one in sets} == {"left", "right"}


def test_what_comes_from_a_poor_clip_says_so_itself(invented_record, tmp_path):
    bundle = _bundle(invented_record, tmp_path / "visit.json", "DEMO5")
    of_clips = [one for one in _resources(bundle, "Observation") if "device" in one]
    assert len(of_clips) > 50
    for one in of_clips:
        assert any("Quality, landmarks (poor): Both legs" in note["text"] for note in one["note"])


def test_one_limb_against_the_other_rests_on_both_means(real):
    sides = [o for o in _resources(real, "Observation") if _code(o)[0] == "side-comparison"]
    assert "fppa_peak_flexion-difference" in {_code(one)[1] for one in sides}
    by_name = {entry["fullUrl"]: entry["resource"] for entry in real["entry"]}
    for one in sides:
        behind = [by_name[link["reference"]] for link in one["derivedFrom"]]
        assert [b["bodySite"]["coding"][0]["code"] for b in behind] == ["left", "right"]
        assert {_code(b)[1] for b in behind} == {_code(one)[1].rsplit("-", 1)[0]}


def test_a_limb_symmetry_index_is_a_percentage_and_a_difference_has_the_measures_unit(invented):
    sides = [o for o in _resources(invented, "Observation") if _code(o)[0] == "side-comparison"]
    units = {_code(one)[1]: one["valueQuantity"]["code"] for one in sides}
    assert units["contact_time-lsi"] == "%"
    assert units["fppa_peak_flexion-difference"] == "deg"


def test_a_code_has_one_display_wherever_it_stands(real, hops, invented):
    displays: dict[tuple[str, str], set[str]] = {}
    for coding in _walk([real, hops, invented]):
        if isinstance(coding, dict) and "display" in coding:
            displays.setdefault((coding["system"], coding["code"]), set()).add(coding["display"])
    assert len(displays) > 30
    assert {key for key, found in displays.items() if len(found) > 1} == set()


def test_nothing_is_final_interpreted_or_diagnosed(bundle):
    assert {one["status"] for one in _resources(bundle, "Observation")} == {"preliminary"}
    kinds = {entry["resource"]["resourceType"] for entry in bundle["entry"]}
    assert kinds == {"Patient", "Device", "Observation"}
    for one in _resources(bundle, "Observation"):
        assert "interpretation" not in one
        assert any("It does not diagnose" in note["text"] for note in one["note"])


def test_the_patient_is_a_code_and_nothing_else(real):
    (patient,) = _resources(real, "Patient")
    assert set(patient) == {"resourceType", "id", "identifier"}
    assert patient["identifier"] == [
        {"system": "urn:landing-analysis:patient-code", "value": REAL.code}
    ]
    text = json.dumps(real)
    assert not re.search(r"Erika|Musterfrau|\.mp4|/home|reports/|birthDate|family", text)


def test_invented_resources_are_marked_and_others_are_not(real, hops, invented):
    for bundle, is_invented in ((real, False), (hops, True), (invented, True)):
        for resource in (bundle, *(entry["resource"] for entry in bundle["entry"])):
            marks = resource.get("meta", {}).get("security", [])
            assert ("HTEST" in {mark["code"] for mark in marks}) == is_invented
        text = json.dumps(bundle)
        assert ("Invented data: this patient does not exist" in text) == is_invented


def test_the_device_names_the_program_the_model_and_the_settings(real):
    (device,) = _resources(real, "Device")
    versions = {version["type"]["text"]: version["value"] for version in device["version"]}
    assert set(versions) == {"software", "pose model", "settings"}
    assert re.search(r"pose_full.task, sha256 [0-9a-f]{64}$", versions["pose model"])


def test_symptoms_and_dose_are_those_that_were_entered_and_filmed(invented_record, tmp_path):
    bundle = _bundle(invented_record, tmp_path / "visit.json", "DEMO5", LAST_DAY - timedelta(28))
    found = {_code(one): one for one in _resources(bundle, "Observation")}
    during = found["symptoms", "during"]
    assert _part(during, "soreness")["valueString"] == "warm-up only"
    assert _part(during, "pain")["valueInteger"] == 0
    morning = found["symptoms", "next_morning"]["effectiveDateTime"]
    assert morning == (LAST_DAY - timedelta(27)).isoformat()
    jumps = found["dose", "jump"]
    assert (jumps["valueInteger"], _part(jumps, "sets-filmed")["valueInteger"]) == (48, 6)
    assert _part(jumps, "prescribed")["valueString"].startswith("6 × 8 reps")
    assert found["dose", "lateral_bound"]["valueInteger"] == 36  # 20 s, one every 0.56 s


# --- the command ---------------------------------------------------------------------------------


def test_the_same_record_gives_the_same_file(sample_record, tmp_path):
    for name in ("one", "other"):
        _bundle(sample_record, tmp_path / name, REAL.code.lower(), REAL_DAY)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "other").read_bytes()
    assert stat.S_IMODE((tmp_path / "one").stat().st_mode) & 0o077 == 0


def test_without_a_date_it_is_the_last_visit(invented_record, tmp_path):
    bundle = _bundle(invented_record, tmp_path / "visit.json", "DEMO5")
    days = {one["effectiveDateTime"][:10] for one in _resources(bundle, "Observation")}
    assert days == {LAST_DAY.isoformat()}


def test_two_clinics_with_the_same_code_have_two_patients(sample_record, tmp_path):
    ours = _bundle(sample_record, tmp_path / "ours", REAL.code)
    system = "urn:oid:2.999.1"
    theirs = _bundle(sample_record, tmp_path / "theirs", REAL.code, "--code-system", system)
    assert _resources(theirs, "Patient")[0]["identifier"][0]["system"] == system
    names = [{entry["fullUrl"] for entry in bundle["entry"]} for bundle in (ours, theirs)]
    assert not names[0] & names[1]


@pytest.mark.parametrize(
    ("words", "says"),
    [(("P99",), "There is no patient P99"),
     ((REAL.code, date(2020, 1, 1)), f"no visit with values on 2020-01-01; there are: {REAL_DAY}"),
     ((REAL.code, "--code-system", "our clinic"), "is no URI")],
)  # fmt: skip
def test_what_cannot_be_written_is_said_in_one_sentence(sample_record, tmp_path, words, says):
    target = tmp_path / "visit.json"
    result = _command("record", "fhir", *words, "--out", target, "--data", sample_record.path)
    assert result.exit_code == 1
    assert says in result.output
    assert result.output.count("\n") == 1
    assert not target.exists()


def test_a_place_that_cannot_be_written_keeps_what_was_there(sample_record, tmp_path):
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("kept")
    for target in (tmp_path / "folder", tmp_path / "file" / "visit.json"):
        result = _command(
            "record", "fhir", REAL.code, "--out", target, "--data", sample_record.path
        )
        assert result.exit_code == 1
        assert "cannot be written" in result.output
    assert (tmp_path / "file").read_text() == "kept"
    assert {path.name for path in tmp_path.iterdir()} == {"folder", "file"}
