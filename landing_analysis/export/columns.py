"""The tidy tables, column by column: type, unit and meaning, written once.

The tables themselves are made in `rows`, the data dictionary here; both go
by what stands here. ``X_sd`` is always the standard uncertainty of ``X``. An empty cell
is not known or not measurable, never 0; where a value could not be measured a column
``reason`` says why.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from landing_analysis import __version__
from landing_analysis.definitions import (
    CAUTIONS,
    DEFINITIONS,
    INTENDED_USE,
    SIGNS,
    Definition,
    value_columns,
)
from landing_analysis.reasons import Code
from landing_analysis.wording import code_words

Kind = Literal["text", "category", "integer", "number", "boolean", "date", "time", "integers"]
"""Type of a column; a category is a text of few values, integers a list of them."""

UCUM: dict[str, str] = {
    "s": "s", "ms": "ms", "m": "m", "deg": "deg", "%": "%", "1": "1", "Hz": "Hz", "px": "{pixel}",
    "weeks": "wk", "days": "d", "1/min": "/min",
}  # fmt: skip
"""Our units as codes of the Unified Code for Units of Measure.

From memory of the UCUM specification (sure): 1 is the unit of a plain ratio, braces hold an
annotation.
"""

OWN_UNIT = "column unit"
"""Stands for the unit of a column whose rows each name their own."""


@dataclass(frozen=True)
class Column:
    """One column of one table; ``unit`` is one of `UCUM` or `OWN_UNIT`, None where none applies."""

    name: str
    kind: Kind
    meaning: str
    unit: str | None = None
    sign: str = ""
    source: str = ""


@dataclass(frozen=True)
class Table:
    """One table; ``row`` says what one of its rows is."""

    name: str
    row: str
    columns: tuple[Column, ...]


# --- columns that several tables share ---------------------------------------------------------

_PATIENT = (
    Column("patient", "category", "The patient's code; no name is kept anywhere."),
    Column("invented", "boolean", "True for a patient of the demonstration, who does not exist."),
    Column("visit_date", "date", "Day of the visit: the day on which the clip was recorded."),
    Column(
        "weeks_since_surgery", "number",
        "Days from the surgery to the visit, divided by 7, to two decimals; negative before it, "
        "empty without a date of surgery.",
        "weeks",
    ),
)  # fmt: skip
_CLIP = Column(
    "clip", "category", "First twelve characters of the clip's sha256; it stands for the set."
)
_ANALYSIS = Column(
    "analysis", "integer",
    "Number of the analysis in the record; a clip analysed again has several.",
)  # fmt: skip
_CURRENT = Column("current", "boolean", "True for the newest analysis of the clip.")
_CLIP_EXCLUDED = Column(
    "clip_excluded", "boolean",
    "True when a person left the whole clip out of averages; the table clips says why.",
)  # fmt: skip
_KEYS = (
    *_PATIENT,
    _CLIP,
    _ANALYSIS,
    _CURRENT,
    _CLIP_EXCLUDED,
    Column("exercise", "category", "What was done, a code of the ladder such as jump (two "
           "feet) or hop (one); empty without any rep. Where a clip surely holds several in a row, "
           "that of the reps a row is about."),
    Column("view", "category", "From where the camera looks: front, back, left_side, right_side "
           "or oblique."),
    Column("surgical_side", "category", "The operated limb, as the record knows it now: left or "
           "right."),
)  # fmt: skip
_LIMB = Column(
    "limb", "category", "left or right of the patient; empty for a measure of the whole body."
)
_LIMB_ROLE = Column(
    "limb_role", "category",
    "surgical or non-surgical, by surgical_side; empty without a surgical side or a limb.",
)  # fmt: skip
_REP = Column("rep", "integer", "Number of the rep in its set, from 1.")
_LANDING_LIMB = Column(
    "landing_limb", "category", "Feet that the rep lands on: left, right or both."
)
_BY_HAND = Column(
    "by_hand", "boolean",
    "True when contacts or landmarks that a person set made a value of a used rep behind it "
    "another; the table measures says which and what was found.",
)  # fmt: skip
_CORRECTED = Column(
    "corrected", "boolean",
    "True when what the pose model is known to miss on drawn bodies was taken off the value; the "
    "table measures has it as read.",
)  # fmt: skip
_USED = Column("used", "boolean", "False when the rep is left out of the set's values.")
_MEASURE = Column("measure", "category", "Name of the measure; see the table measure_definitions.")
_UNIT = Column("unit", "category", "Unit of the row's values, as a UCUM code.")
_REASON = Column("reason", "text", "Why there is no value; empty where there is one.")
_CODE_WORDS = (
    "The same as a code that never changes its meaning; the dictionary lists them. Empty where an "
    "earlier version stored no code."
)
_REASON_CODE = Column("reason_code", "category", _CODE_WORDS)
_FRAMES = Column(
    "frames", "integers",
    "Frames of the clip, from 0, that the value was read from; in CSV with blanks between.",
)  # fmt: skip
_MADE_WITH = (
    Column("version", "category", "Version of the program."),
    Column("model_sha256", "category", "Fingerprint of the pose model."),
    Column(
        "settings_sha256", "category",
        "Fingerprint of all settings that shape numbers: equal means made alike.",
    ),
)  # fmt: skip


def _sd(name: str, unit: str | None, of: str = "") -> Column:
    return Column(f"{name}_sd", "number", f"Standard uncertainty of {of or name}.", unit)


def _instant(name: str, what: str) -> tuple[Column, Column]:
    meaning = f"{what}, in seconds of real time from the clip's first time; empty when not known."
    sd = Column(f"{name}_sd_s", "number", f"Standard uncertainty of {name}_s.", "s")
    return Column(f"{name}_s", "number", meaning, "s"), sd


# --- the tables --------------------------------------------------------------------------------

_VISITS = Table(
    "visits", "one visit of one patient",
    (
        *_PATIENT,
        Column("days_since_surgery", "integer", "Days from the surgery to the visit.", "days"),
        Column("surgery_date", "date", "Day of the surgery."),
        Column("surgical_side", "category", "The operated limb: left or right."),
        Column("stature_m", "number", "Body height.", "m"),
        Column("clips", "integer", "Clips of the day.", "1"),
        Column("clips_analysed", "integer", "Clips of the day that have values.", "1"),
    ),
)  # fmt: skip

_CLIPS = Table(
    "clips", "one clip, with values or not",
    (
        *_PATIENT,
        _CLIP,
        Column("clip_sha256", "text", "Fingerprint of the clip's content; its file name is left "
               "out, since it may tell who it is."),
        Column("recorded_at", "time", "When it was recorded, in UTC; visit_date is the day where "
               "it was filmed."),
        Column("recorded_from", "category", "Where that was found: clip, file name or file time."),
        Column("state", "category", "done, waiting, analysing or needs attention; landing-analysis "
               "clips says why."),
        _CLIP_EXCLUDED,
        Column("excluded_reason", "text", "Why a person left the clip out; empty where it counts."),
        Column("width_px", "integer", "Width of the upright picture.", "px"),
        Column("height_px", "integer", "Height of the upright picture.", "px"),
        Column("n_frames", "integer", "Frames.", "1"),
        Column("duration_s", "number", "Duration as a player shows it.", "s"),
        Column("median_frame_rate_hz", "number", "One over the median frame interval.", "Hz"),
        Column("mirrored", "boolean", "Whether the file asks for a mirrored picture."),
    ),
)  # fmt: skip

_ANALYSES = Table(
    "analyses", "one analysis of one clip",
    (
        *_KEYS,
        Column("analysed_at", "time", "When it was analysed, in UTC."),
        *_MADE_WITH,
        Column("model_name", "category", "Name of the pose model."),
        Column("exercise_origin", "category", "Whether the exercise was detected, given, or taken "
               "from the day's plan."),
        Column("exercise_confidence", "number", "How sure the exercise is, 0 to 1; 1 where a "
               "person named it.", "1"),
        Column("bouts", "integer", "Bouts of an exercise without a pause that were told apart; "
               "empty in analyses of earlier versions.", "1"),
        Column("view_origin", "category", "Whether the view was detected or given."),
        Column("view_yaw_deg", "number", "Turn of the pelvis away from square-on in the view.",
               "deg", "positive to the patient's own left"),
        Column("view_yaw_sd_deg", "number", "Standard uncertainty of view_yaw_deg.", "deg"),
        Column("near_limb", "category", "The limb nearer to the camera in a side view."),
        Column("hop_limb", "category", "The hopping limb; empty for jumps."),
        Column("surgical_side_then", "category", "The surgical side known to this analysis; no "
               "value and no finding rests on it."),
        Column("stature_then_m", "number", "The stature that this analysis went by.", "m"),
        Column("target_flexion_deg", "number", "Peak knee flexion that was being taught.", "deg"),
        Column("people", "integer", "People seen in the clip.", "1"),
        Column("reps", "integer", "Reps counted.", "1"),
        Column("reps_used", "integer", "Reps that the set's values are made from.", "1"),
        Column("reps_excluded", "integer", "Reps that a person left out.", "1"),
        Column("quality", "category", "Worst state of the quality notes: good, limited or poor."),
    ),
)  # fmt: skip

_REPS = Table(
    "reps", "one rep of one set",
    (
        *_KEYS, _REP, _LANDING_LIMB, _USED,
        Column("excluded", "boolean", "True when a person left the rep out, and not the program."),
        Column("reason", "text", "Why the rep is left out; empty when it is used."),
        _REASON_CODE,
        *_instant("take_off", "Last toe-off before the flight"),
        *_instant("landing", "First initial contact after the flight"),
        Column("peak_flexion_s", "number", "When the landing is deepest, in seconds of real time "
               "from the clip's first time; empty when not known.", "s"),
        Column("by_hand", "boolean", "True when a person set a contact of the landing."),
    ),
)  # fmt: skip

_CONTACTS = Table(
    "contacts", "one ground contact of one foot",
    (
        *_KEYS, _LIMB, _LIMB_ROLE,
        Column("rep", "integer", "The rep whose landing it is; empty for other contacts."),
        *_instant("initial_contact", "Initial contact of the foot"),
        *_instant("toe_off", "Toe-off of the foot"),
        Column("toe_off_reason", "text", "Why there is no toe-off."),
        Column("toe_off_reason_code", "category", _CODE_WORDS),
        *_instant("toe_contact", "First contact of the toes"),
        *_instant("heel_contact", "First contact of the heel"),
        Column("initial_contact_frame", "integer", "The frame nearest to it, from 0."),
        Column("toe_off_frame", "integer", "The frame nearest to it, from 0."),
        Column("by_hand", "boolean", "True when a person set initial contact or toe-off."),
    ),
)  # fmt: skip

_MEASURES = Table(
    "measures", "one measure of one limb, or of the whole body, in one rep",
    (
        *_KEYS, _REP, _LANDING_LIMB, _USED, _LIMB, _LIMB_ROLE, _MEASURE,
        Column("value", "number", "The value.", OWN_UNIT, "see measure_definitions"),
        _sd("value", OWN_UNIT),
        _UNIT, _REASON, _REASON_CODE,
        Column("foot_strike", "category", "For toe_to_heel_interval: how the foot lands."),
        Column("by_hand", "boolean", "True when contacts or landmarks that a person set made it "
               "another value."),
        Column("found_value", "number", "Of a value by hand: what the program found by itself.",
               OWN_UNIT, "see measure_definitions"),
        replace(_CORRECTED, meaning="True when what the pose model is known to miss on drawn "
                "bodies was taken off the value."),
        Column("reading", "number", "Of a corrected value: what was read before; empty where an "
               "earlier version stored none.", OWN_UNIT, "see measure_definitions"),
        _FRAMES, *_MADE_WITH,
    ),
)  # fmt: skip

_SETS = Table(
    "sets", "one measure of one limb, or of the whole body, over the used reps of one set",
    (
        *_KEYS,
        Column("landing_limb", "category", "Feet that the set lands on: left, right or both; "
               "empty when its reps differ."),
        _LIMB, _LIMB_ROLE, _MEASURE,
        Column("reps_used", "integer", "Reps behind the mean; 0 without a value.", "1"),
        Column("mean", "number", "Mean over the used reps.", OWN_UNIT, "see measure_definitions"),
        _sd("mean", OWN_UNIT, "the mean; what all reps share does not shrink in it"),
        Column("between_reps_sd", "number", "Standard deviation from rep to rep; empty for one "
               "rep.", OWN_UNIT),
        _UNIT, _REASON,
        Column("best", "number", "Best rep; empty where neither direction is better.", OWN_UNIT),
        Column("worst", "number", "Worst rep; empty where neither direction is better.", OWN_UNIT),
        Column("first_third", "number", "Mean of the first third of the reps, from six on.",
               OWN_UNIT),
        Column("last_third", "number", "Mean of the last third of the reps, from six on.",
               OWN_UNIT),
        Column("fatigue", "number", "last_third minus first_third.", OWN_UNIT),
        _sd("fatigue", OWN_UNIT),
        _BY_HAND, _CORRECTED,
        Column("mean_reading", "number", "Of a corrected mean: the mean of what was read before; "
               "empty where an earlier version stored none.", OWN_UNIT, "see measure_definitions"),
        *_MADE_WITH,
    ),
)  # fmt: skip

_SIDES = Table(
    "side_comparisons", "one measure of one limb set against the other limb in one set",
    (
        *_KEYS, _MEASURE,
        Column("kind", "category", "lsi: limb symmetry index, the limb divided by the other; "
               "difference: the limb minus the other."),
        Column("limb", "category", "The limb named first: the left, in older analyses "
               "the surgical one."),
        _LIMB_ROLE,
        Column("value", "number", "The comparison.", OWN_UNIT),
        _sd("value", OWN_UNIT),
        _UNIT, _REASON, _BY_HAND, _CORRECTED, *_MADE_WITH,
    ),
)  # fmt: skip

_FINDINGS = Table(
    "findings", "one value held against one limit",
    (
        *_KEYS,
        Column("finding", "category", "Name of the finding."),
        _MEASURE, _LIMB, _LIMB_ROLE,
        Column("rep", "integer", "Number of the rep; empty for the mean of the set."),
        Column("verdict", "category", "above, below or within, alone or with probably before it, "
               "else cannot tell: by the probability, as the limits file asks. It describes a "
               "number and diagnoses nobody."),
        Column("probability", "number", "Probability that the true value lies outside the limit; "
               "empty where an earlier version stored none.", "1"),
        Column("value", "number", "The value held against the limit.", OWN_UNIT,
               "see measure_definitions"),
        _sd("value", OWN_UNIT),
        Column("limit", "number", "The limit; the text says where it holds in both directions.",
               OWN_UNIT),
        _UNIT,
        _BY_HAND, _CORRECTED,
        Column("limit_source", "text", "What the limit rests on."),
        Column("text", "text", "The sentence of the report."),
        _FRAMES,
    ),
)  # fmt: skip

_NOTES = Table(
    "quality_notes", "one remark on what the clip's making costs the numbers",
    (
        *_KEYS,
        Column("check", "category", "What was looked at."),
        Column("state", "category", "good, limited or poor."),
        Column("text", "text", "What was found."),
        Column("codes", "text", "The remarks as codes, with blanks between; see reason_code."),
    ),
)  # fmt: skip

_DEFINITION_COLUMNS = (
    Column("measure", "text", "Name of the measure in all tables."),
    Column("label", "text", "Name as reports print it."),
    Column("unit", "category", "Unit, as a UCUM code."),
    Column("wide_column", "text", "The measure's column in reps_wide; unit in its name."),
    Column("decimals", "integer", "Decimals that reports print.", "1"),
    Column("scope", "category", "limb, or body for the whole body."),
    Column("views", "text", "Views that show it, with blanks between."),
    Column("compared_by", "category", "lsi or difference; empty where sides are part of it."),
    Column("better", "category", "Direction that training aims for; empty where there is none."),
    Column("meaning", "text", "What it is."),
    Column("sign", "text", "What a positive value means, where it can be negative."),
    Column("source", "text", "Where the definition comes from."),
    Column("limits", "text", "What it cannot show."),
)
_DEFINITIONS = Table("measure_definitions", "one measure", _DEFINITION_COLUMNS)


def wide_names(definition: Definition) -> tuple[str, str]:
    """Return the columns of one measure and of its standard uncertainty in ``reps_wide``."""
    return value_columns(definition.name, definition.unit)


def _wide(definition: Definition) -> tuple[Column, Column]:
    value, sd = wide_names(definition)
    return (
        Column(
            value, "number", f"{definition.label}. {definition.meaning} {definition.limits}",
            definition.unit, SIGNS.get(definition.name, ""), definition.source,
        ),
        Column(sd, "number", f"Standard uncertainty of {value}.", definition.unit),
    )  # fmt: skip


_REPS_WIDE = Table(
    "reps_wide", "one limb, or the whole body, in one rep, with every measure in a column",
    (
        *_KEYS, _REP, _LANDING_LIMB, _USED,
        Column("limb", "category", "left, right, or both for measures of the whole body in jumps; "
               "those of a hop stand in the limb's row."),
        _LIMB_ROLE,
        *(column for definition in DEFINITIONS.values() for column in _wide(definition)),
        Column("not_measurable", "text", "Each measure of the row without a value, and why."),
        Column("measures_by_hand", "text", "Each measure of the row that contacts or landmarks "
               "which a person set made another; several with semicolons between."),
        Column("measures_corrected", "text", "Each measure of the row that is corrected; several "
               "with semicolons between."),
        *_MADE_WITH,
    ),
)  # fmt: skip

_ENTERED = (
    Column("entered_by", "category", "Code of who entered it; empty when not given."),
    Column("entered_at", "time", "When it was entered, in UTC."),
)
_EXERCISE = Column("exercise", "category", "Code of the exercise.")

_SESSIONS = Table(
    "sessions", "what was entered of one visit; a free text may tell who somebody is",
    (
        *_PATIENT,
        Column("modified", "text", "What was modified and why; several with semicolons between."),
        Column("stopped", "text", "What was stopped and why; several with semicolons between."),
        Column("note", "text", "A free note."),
        Column("went_well", "text", "Told to the patient: one thing that went well."),
        Column("work_on", "text", "Told to the patient: one thing to work on."),
        *_ENTERED,
    ),
)  # fmt: skip

_PLANS = Table(
    "plans", "one exercise as it was prescribed for one visit",
    (
        *_PATIENT,
        Column("line", "integer", "Place in the plan, from 1."),
        _EXERCISE,
        Column("sets", "integer", "Sets prescribed.", "1"),
        Column("reps", "integer", "Reps of each set; empty where seconds are prescribed.", "1"),
        Column("bout_s", "number", "Seconds of each set; empty where reps are prescribed.", "s"),
        Column("rest_s", "number", "Rest between sets; empty when not said.", "s"),
        Column("load", "text", "body for body weight, or cords by number and colour; empty when "
               "not said."),
        Column("cords", "integer", "Cords of all colours; 0 at body weight, empty when not said.",
               "1"),
        Column("box_height_m", "number", "Height of the box; empty without one.", "m"),
        Column("limb", "category", "left or right where one limb only is prescribed."),
    ),
)  # fmt: skip

_SYMPTOMS = Table(
    "symptoms", "how a patient was at one moment of one visit",
    (
        *_PATIENT,
        Column("moment", "category", "before, during, after or next_morning."),
        Column("pain", "integer", "0 (none) to 10 (worst), as the patient says.", "1"),
        Column("effusion_grade", "category", "Grade of the stroke test as the clinician gave it: "
               "0, trace, 1+, 2+ or 3+.",
               source="Sturgill LP et al. J Orthop Sports Phys Ther 2009;39(12):845-849."),
        Column("soreness", "category", "none or sore; during: none, warm-up only or throughout."),
        Column("confidence", "integer", "In the knee, 0 (none) to 10 (full), as the patient "
               "says.", "1"),
        Column("joint_distress", "text", "Distress of the joint in words."),
    ),
)  # fmt: skip

_DOSES = Table(
    "doses", "one set of one exercise as it was filmed",
    (
        *_PATIENT,
        _EXERCISE,
        Column("in_plan", "boolean", "Whether the visit's plan holds the exercise."),
        Column("set", "integer", "Number of the set among those of the exercise, from 1."),
        Column("clips", "integers", "Numbers of the visit's clips that show it, the counted one "
               "first."),
        Column("reps", "integer", "Landings counted, both feet together once: foot contacts. "
               "Without reps that a person left out.", "1"),
        Column("contacts_left", "integer", "Landings that the left foot takes part in.", "1"),
        Column("contacts_right", "integer", "Landings that the right foot takes part in.", "1"),
        Column("bout_s", "number", "From the first landing to the last; empty with fewer than "
               "two.", "s"),
        Column("pace_per_min", "number", "Landings per minute of the bout.", "1/min"),
        Column("rest_s", "number", "From the last landing of the set before it, of whichever "
               "exercise; empty for the first and where a time is not known.", "s"),
        Column("rest_sd_s", "number", "Standard uncertainty of rest_s.", "s"),
        Column("after_same", "boolean", "Whether the set before it was of the same exercise."),
    ),
)  # fmt: skip

_TICKS = Table(
    "ticks", "the clinician's newest mark on one exercise of one patient",
    (
        *_PATIENT,
        _EXERCISE,
        Column("ticked", "boolean", "True: the patient may go on; false: taken back."),
        Column("note", "text", "What it rests on, as the clinician says."),
        *_ENTERED,
    ),
)  # fmt: skip

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        _VISITS, _CLIPS, _ANALYSES, _REPS, _CONTACTS, _MEASURES, _REPS_WIDE, _SETS, _SIDES,
        _FINDINGS, _NOTES, _SESSIONS, _PLANS, _SYMPTOMS, _DOSES, _TICKS, _DEFINITIONS,
    )
}  # fmt: skip
"""Every tidy table by its name, in the order of the dictionary."""


DICTIONARY_COLUMNS = ("table", "column", "type", "unit", "meaning", "sign", "source")

_RULES = (
    "`X_sd` is the standard uncertainty of `X`; twice it is about half of a 95 % interval.",
    "An empty cell is not known or not measurable, never 0; `reason` says why a value is missing.",
    "Left and right are the patient's own limbs. Jump = two feet, hop = one.",
    "Units are UCUM codes; where rows differ, they name theirs in the column `unit`.",
    "Rows with `invented` true belong to people who do not exist; leave them out of any study.",
    "Each clip is there with its newest analysis (`current` true); with --all-analyses earlier "
    "ones are there as well: filter, or reps count twice.",
    "Clips of several views show the same limb in several sets; uncertainties of one patient's "
    "sets are not independent, because the pose model's own error repeats in them.",
    "Dates can tell who somebody is; `weeks_since_surgery` often does as well.",
)


def dictionary_rows() -> list[dict[str, str]]:
    """Return a row per column of each table, keyed by `DICTIONARY_COLUMNS`."""
    return [
        {
            "table": table.name,
            "column": column.name,
            "type": column.kind,
            "unit": _unit(column),
            "meaning": column.meaning,
            "sign": column.sign,
            "source": column.source,
        }
        for table in TABLES.values()
        for column in table.columns
    ]


def dictionary_text(ending: str) -> str:
    """Return the dictionary to read, in Markdown.

    Parameters
    ----------
    ending : of the tables' files, ``csv`` or ``parquet``
    """
    head = [
        "# The tables, column by column",
        "",
        f"Written by landing_analysis {__version__}. {INTENDED_USE}",
        "",
        *(f"- {rule}" for rule in (*_RULES, *CAUTIONS)),
    ]
    parts = [line for table in TABLES.values() for line in _table_lines(table, ending)]
    return "\n".join([*head, *parts, *_code_lines()]) + "\n"


def _code_lines() -> Iterable[str]:
    yield from ("", "## Reason codes", "", "| code | what it says |", "|---|---|")
    for code in Code:
        yield f"| `{code}` | {code_words(code)} |"


def _unit(column: Column) -> str:
    if column.unit is None:
        return ""
    return "see column unit" if column.unit == OWN_UNIT else UCUM[column.unit]


def _table_lines(table: Table, ending: str) -> Iterable[str]:
    yield from ("", f"## {table.name}.{ending}", "", f"A row is {table.row}.", "")
    yield from ("| column | type | unit | meaning |", "|---|---|---|---|")
    for column in table.columns:
        extra = [f"Sign: {column.sign}." if column.sign else "", column.source]
        meaning = " ".join(filter(None, [column.meaning, *extra])).replace("|", "\\|")
        yield f"| `{column.name}` | {column.kind} | {_unit(column)} | {meaning} |"
