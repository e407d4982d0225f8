"""The written schema of the record, as numbered steps, each applied once.

Step n turns a record of version n - 1 into one of version n. A step that was released is
never changed; a new need is a new step. Times of day are ISO 8601 text, dates YYYY-MM-DD;
columns named ``frames``, ``parts``, ``limbs``, ``settings``, ``limits``,
``body`` and ``content`` hold JSON.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from functools import cache

APPLICATION_ID = 0x4C414E44
"""Marks an SQLite file as a record of this program."""

_THE_RECORD = """
CREATE TABLE patient (
  id INTEGER PRIMARY KEY,
  code TEXT NOT NULL COLLATE NOCASE UNIQUE CHECK (code <> ''),
  surgical_side TEXT CHECK (surgical_side IN ('left', 'right')),
  surgery_date TEXT CHECK (surgery_date IS date(surgery_date)),
  stature_m REAL CHECK (stature_m > 0),
  added_at TEXT NOT NULL,
  description_sha256 TEXT
) STRICT;

CREATE TABLE visit (
  id INTEGER PRIMARY KEY,
  patient_id INTEGER NOT NULL REFERENCES patient ON DELETE CASCADE,
  date TEXT NOT NULL CHECK (date IS date(date)),
  UNIQUE (patient_id, date)
) STRICT;

CREATE TABLE clip (
  id INTEGER PRIMARY KEY,
  visit_id INTEGER NOT NULL REFERENCES visit ON DELETE CASCADE,
  sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
  file TEXT NOT NULL,
  recorded_at TEXT NOT NULL,
  recorded_from TEXT NOT NULL CHECK (recorded_from IN ('clip', 'file name', 'file time')),
  width_px INTEGER NOT NULL,
  height_px INTEGER NOT NULL,
  frames INTEGER NOT NULL,
  duration_s REAL NOT NULL,
  median_fps REAL NOT NULL,
  mirrored INTEGER NOT NULL CHECK (mirrored IN (0, 1))
) STRICT;
CREATE INDEX clip_of_visit ON clip (visit_id);

CREATE TABLE analysis (
  id INTEGER PRIMARY KEY,
  clip_id INTEGER NOT NULL REFERENCES clip ON DELETE CASCADE,
  schema_version INTEGER NOT NULL,
  analysed_at TEXT NOT NULL,
  version TEXT NOT NULL,
  model_name TEXT NOT NULL,
  model_sha256 TEXT NOT NULL CHECK (length(model_sha256) = 64),
  settings TEXT NOT NULL,
  limits TEXT NOT NULL,
  made_by TEXT NOT NULL,
  task TEXT CHECK (task IN ('jump', 'hop')),
  task_origin TEXT NOT NULL,
  view TEXT NOT NULL,
  view_origin TEXT NOT NULL,
  view_yaw_deg REAL,
  view_yaw_sd_deg REAL,
  view_reason TEXT,
  near_limb TEXT CHECK (near_limb IN ('left', 'right')),
  limb TEXT CHECK (limb IN ('left', 'right')),
  surgical_side TEXT CHECK (surgical_side IN ('left', 'right')),
  stature_m REAL,
  target_flexion_deg REAL NOT NULL,
  people INTEGER NOT NULL,
  patient_number INTEGER NOT NULL,
  patient_reason TEXT NOT NULL,
  report TEXT NOT NULL
) STRICT;
CREATE INDEX analysis_of_clip ON analysis (clip_id);

CREATE TABLE rep (
  id INTEGER PRIMARY KEY,
  analysis_id INTEGER NOT NULL REFERENCES analysis ON DELETE CASCADE,
  number INTEGER NOT NULL,
  task TEXT NOT NULL CHECK (task IN ('jump', 'hop')),
  limbs TEXT NOT NULL,
  used INTEGER NOT NULL CHECK (used IN (0, 1)),
  reason TEXT,
  take_off_s REAL,
  take_off_sd_s REAL,
  landing_s REAL,
  landing_sd_s REAL,
  peak_flexion_s REAL,
  UNIQUE (analysis_id, number),
  CHECK (used = (reason IS NULL))
) STRICT;

CREATE TABLE contact (
  id INTEGER PRIMARY KEY,
  analysis_id INTEGER NOT NULL REFERENCES analysis ON DELETE CASCADE,
  limb TEXT NOT NULL CHECK (limb IN ('left', 'right')),
  rep INTEGER,
  origin TEXT NOT NULL CHECK (origin IN ('detected', 'reviewed')),
  initial_contact_s REAL,
  initial_contact_sd_s REAL,
  initial_contact_frame INTEGER NOT NULL,
  toe_off_s REAL,
  toe_off_sd_s REAL,
  toe_off_frame INTEGER,
  toe_off_reason TEXT,
  toe_contact_s REAL,
  toe_contact_sd_s REAL,
  heel_contact_s REAL,
  heel_contact_sd_s REAL,
  CHECK ((initial_contact_s IS NULL) = (initial_contact_sd_s IS NULL)),
  CHECK ((toe_off_frame IS NULL) = (toe_off_reason IS NOT NULL))
) STRICT;
CREATE INDEX contact_of_analysis ON contact (analysis_id);

CREATE TABLE measure (
  id INTEGER PRIMARY KEY,
  analysis_id INTEGER NOT NULL,
  rep INTEGER NOT NULL,
  name TEXT NOT NULL,
  limb TEXT CHECK (limb IN ('left', 'right')),
  value REAL,
  unit TEXT NOT NULL,
  sd REAL,
  reason TEXT,
  foot_strike TEXT,
  frames TEXT NOT NULL,
  parts TEXT NOT NULL,
  FOREIGN KEY (analysis_id, rep) REFERENCES rep (analysis_id, number) ON DELETE CASCADE,
  CHECK ((value IS NULL) = (reason IS NOT NULL)),
  CHECK ((value IS NULL) = (sd IS NULL))
) STRICT;
CREATE INDEX measure_of_rep ON measure (analysis_id, rep);

CREATE TABLE summary (
  id INTEGER PRIMARY KEY,
  analysis_id INTEGER NOT NULL REFERENCES analysis ON DELETE CASCADE,
  name TEXT NOT NULL,
  limb TEXT CHECK (limb IN ('left', 'right')),
  unit TEXT NOT NULL,
  reps_used INTEGER NOT NULL,
  mean REAL NOT NULL,
  mean_sd REAL NOT NULL,
  sd REAL,
  best REAL,
  worst REAL,
  first_third REAL,
  last_third REAL,
  fatigue REAL,
  fatigue_sd REAL
) STRICT;
CREATE INDEX summary_of_analysis ON summary (analysis_id);

CREATE TABLE comparison (
  id INTEGER PRIMARY KEY,
  analysis_id INTEGER NOT NULL REFERENCES analysis ON DELETE CASCADE,
  name TEXT NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('lsi', 'difference')),
  limb TEXT NOT NULL CHECK (limb IN ('left', 'right')),
  value REAL NOT NULL,
  sd REAL NOT NULL,
  unit TEXT NOT NULL
) STRICT;
CREATE INDEX comparison_of_analysis ON comparison (analysis_id);

CREATE TABLE finding (
  id INTEGER PRIMARY KEY,
  analysis_id INTEGER NOT NULL REFERENCES analysis ON DELETE CASCADE,
  name TEXT NOT NULL,
  measure TEXT NOT NULL,
  limb TEXT CHECK (limb IN ('left', 'right')),
  side TEXT CHECK (side IN ('surgical', 'non-surgical')),
  rep INTEGER,
  verdict TEXT NOT NULL CHECK (verdict IN ('above', 'below', 'within', 'cannot tell')),
  value REAL NOT NULL,
  sd REAL NOT NULL,
  limit_value REAL NOT NULL,
  unit TEXT NOT NULL,
  source TEXT NOT NULL,
  text TEXT NOT NULL,
  frames TEXT NOT NULL
) STRICT;
CREATE INDEX finding_of_analysis ON finding (analysis_id);

CREATE TABLE quality (
  id INTEGER PRIMARY KEY,
  analysis_id INTEGER NOT NULL REFERENCES analysis ON DELETE CASCADE,
  check_name TEXT NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('good', 'limited', 'poor')),
  text TEXT NOT NULL
) STRICT;
CREATE INDEX quality_of_analysis ON quality (analysis_id);
"""

WORK_OF_CLIPS = """
INSERT INTO work (clip_id, state)
SELECT id, iif(EXISTS (SELECT 1 FROM analysis WHERE clip_id = clip.id), 'done', 'waiting')
FROM clip WHERE id NOT IN (SELECT clip_id FROM work);
"""
"""Gives each clip that has none its state."""

_THE_DROP_FOLDER = f"""
CREATE TABLE work (
  clip_id INTEGER PRIMARY KEY REFERENCES clip ON DELETE CASCADE,
  state TEXT NOT NULL CHECK (state IN ('waiting', 'analysing', 'done', 'needs attention')),
  reason TEXT,
  attempts INTEGER NOT NULL DEFAULT 0,
  retry_at_s REAL NOT NULL DEFAULT 0,
  worker TEXT,
  CHECK ((state = 'analysing') = (worker IS NOT NULL))
) STRICT;
{WORK_OF_CLIPS}
CREATE TABLE dropped (
  folder BLOB NOT NULL,
  path BLOB NOT NULL,
  size INTEGER NOT NULL,
  mtime_ns INTEGER NOT NULL,
  unchanged_since_s REAL NOT NULL,
  sha256 TEXT,
  problem TEXT,
  needs_attention INTEGER NOT NULL DEFAULT 0 CHECK (needs_attention IN (0, 1)),
  checks INTEGER NOT NULL DEFAULT 0,
  retry_at_s REAL NOT NULL DEFAULT 0,
  PRIMARY KEY (folder, path)
) STRICT;
CREATE INDEX dropped_content ON dropped (sha256);
"""

_INVENTED_PATIENTS = """
ALTER TABLE patient ADD COLUMN invented INTEGER NOT NULL DEFAULT 0 CHECK (invented IN (0, 1));
"""

_FROM_FOOT_TO_FOOT = """
ALTER TABLE rep ADD COLUMN bound INTEGER CHECK (bound IN (0, 1));
"""

_CORRECTIONS = """
CREATE TABLE correction (
  id INTEGER PRIMARY KEY,
  clip_id INTEGER NOT NULL REFERENCES clip ON DELETE CASCADE,
  what TEXT NOT NULL CHECK (what IN (
    'patient', 'date', 'task', 'view', 'person', 'slowed by', 'clip', 'rep')),
  old TEXT,
  new TEXT,
  rep INTEGER CHECK (rep > 0),
  rep_s REAL,
  reason TEXT CHECK (length(reason) BETWEEN 1 AND 200),
  made_by TEXT CHECK (length(made_by) BETWEEN 1 AND 32),
  made_at TEXT NOT NULL,
  CHECK ((what = 'rep') = (rep IS NOT NULL)),
  CHECK (what = 'rep' OR rep_s IS NULL),
  CHECK (what NOT IN ('clip', 'rep') OR coalesce(new, 'excluded') = 'excluded')
) STRICT;
CREATE INDEX correction_of_clip ON correction (clip_id);
ALTER TABLE rep ADD COLUMN excluded INTEGER NOT NULL DEFAULT 0
  CHECK (excluded = 0 OR (excluded = 1 AND used = 0));
ALTER TABLE rep ADD COLUMN player_s REAL;
"""

_LIMB_NAMES = {
    f"{role} ({limb}) limb": f"{limb} limb"
    for role in ("non-surgical", "surgical") for limb in ("left", "right")
}  # fmt: skip


def _renamed(column: str, names: dict[str, str]) -> str:
    for old, new in names.items():
        column = f"replace({column}, '{old}', '{new}')"
    return column


_LEFT_AND_RIGHT_ONLY = f"""
UPDATE finding SET text = {_renamed("text", _LIMB_NAMES)};
ALTER TABLE finding DROP COLUMN side;
"""

_REASON_CODES = """
ALTER TABLE rep ADD COLUMN reason_code TEXT;
ALTER TABLE contact ADD COLUMN toe_off_reason_code TEXT;
ALTER TABLE measure ADD COLUMN reason_code TEXT;
ALTER TABLE quality ADD COLUMN codes TEXT;
UPDATE measure SET reason = substr(reason, length('not measurable: ') + 1)
  WHERE reason LIKE 'not measurable: %';
"""

_BODIES = """
ALTER TABLE analysis ADD COLUMN body TEXT;
"""

_SENTENCES = {
    "Landing lead": "Inter-limb contact delay",
    "Most inward FPPA": "Peak inward FPPA",
    "the body is carried toward": "the trunk and pelvis are shifted toward",
}
EARLIER_NAMES = {"landing_lead": "inter_limb_delay", "fppa_most_inward": "fppa_peak_inward"}
"""What measures are named now, by the names they had in records of earlier versions."""

EARLIER_FINDINGS = {"favouring": "limb_offloading"}
"""The same of findings."""

NAMING_COLUMNS = {
    "measure": "name", "summary": "name", "comparison": "name", "finding": "measure",
}  # fmt: skip
"""The column that names a measure, by table."""

_IN_LIMITS = {f'"{old}"': f'"{new}"' for old, new in {**EARLIER_NAMES, **EARLIER_FINDINGS}.items()}
_TERMS_OF_THE_FIELD = (
    "".join(
        f"UPDATE {table} SET {column} = '{new}' WHERE {column} = '{old}';\n"
        for old, new in EARLIER_NAMES.items()
        for table, column in NAMING_COLUMNS.items()
    )
    + f"""
ALTER TABLE contact DROP COLUMN origin;
UPDATE finding SET name = {_renamed("name", EARLIER_FINDINGS)};
UPDATE analysis SET limits = {_renamed("limits", _IN_LIMITS)};
UPDATE finding SET text = {_renamed("text", _SENTENCES)};
UPDATE measure SET parts = {_renamed("parts", {"poor support in the picture": "poorly seen legs"})};
"""
)

_SESSIONS = """
CREATE TABLE session (
  id INTEGER PRIMARY KEY,
  patient_id INTEGER NOT NULL REFERENCES patient ON DELETE CASCADE,
  date TEXT NOT NULL CHECK (date IS date(date)),
  content TEXT NOT NULL,
  file_sha256 TEXT CHECK (length(file_sha256) = 64),
  made_by TEXT CHECK (length(made_by) BETWEEN 1 AND 32),
  made_at TEXT NOT NULL
) STRICT;
CREATE INDEX session_of_patient ON session (patient_id, date);
CREATE TABLE tick (
  id INTEGER PRIMARY KEY,
  patient_id INTEGER NOT NULL REFERENCES patient ON DELETE CASCADE,
  exercise TEXT NOT NULL,
  date TEXT NOT NULL CHECK (date IS date(date)),
  ticked INTEGER NOT NULL CHECK (ticked IN (0, 1)),
  note TEXT,
  made_by TEXT CHECK (length(made_by) BETWEEN 1 AND 32),
  made_at TEXT NOT NULL
) STRICT;
CREATE INDEX tick_of_patient ON tick (patient_id);
"""

EARLIER_CORRECTED = "task"
"""What the correction of an exercise was called in records of earlier versions."""

_EXERCISES = f"""
ALTER TABLE analysis ADD COLUMN exercise TEXT CHECK (exercise <> '');
UPDATE analysis SET exercise = task, limits = replace(limits, '"tasks"', '"exercises"');
ALTER TABLE analysis DROP COLUMN task;
ALTER TABLE analysis RENAME COLUMN task_origin TO exercise_origin;
ALTER TABLE rep ADD COLUMN exercise TEXT CHECK (exercise <> '');
UPDATE rep SET exercise = task;
ALTER TABLE rep DROP COLUMN task;
DROP INDEX correction_of_clip;
ALTER TABLE correction RENAME TO earlier_correction;
CREATE TABLE correction (
  id INTEGER PRIMARY KEY,
  clip_id INTEGER NOT NULL REFERENCES clip ON DELETE CASCADE,
  what TEXT NOT NULL CHECK (what IN (
    'patient', 'date', 'exercise', 'view', 'person', 'slowed by', 'clip', 'rep')),
  old TEXT,
  new TEXT,
  rep INTEGER CHECK (rep > 0),
  rep_s REAL,
  reason TEXT CHECK (length(reason) BETWEEN 1 AND 200),
  made_by TEXT CHECK (length(made_by) BETWEEN 1 AND 32),
  made_at TEXT NOT NULL,
  CHECK ((what = 'rep') = (rep IS NOT NULL)),
  CHECK (what = 'rep' OR rep_s IS NULL),
  CHECK (what NOT IN ('clip', 'rep') OR coalesce(new, 'excluded') = 'excluded')
) STRICT;
INSERT INTO correction SELECT * FROM earlier_correction WHERE what <> '{EARLIER_CORRECTED}'
UNION ALL SELECT id, clip_id, 'exercise', old, new, rep, rep_s, reason, made_by, made_at
  FROM earlier_correction WHERE what = '{EARLIER_CORRECTED}' ORDER BY 1;
DROP TABLE earlier_correction;
CREATE INDEX correction_of_clip ON correction (clip_id);
"""

_SET_IN_THE_CLIP = """
DROP INDEX correction_of_clip;
ALTER TABLE correction RENAME TO earlier_correction;
CREATE TABLE correction (
  id INTEGER PRIMARY KEY,
  clip_id INTEGER NOT NULL REFERENCES clip ON DELETE CASCADE,
  what TEXT NOT NULL CHECK (what IN (
    'patient', 'date', 'exercise', 'view', 'person', 'slowed by', 'clip', 'rep', 'sides',
    'contact', 'initial contact', 'toe-off', 'landmark')),
  old TEXT,
  new TEXT,
  rep INTEGER CHECK (rep > 0),
  rep_s REAL,
  reason TEXT CHECK (length(reason) BETWEEN 1 AND 200),
  made_by TEXT CHECK (length(made_by) BETWEEN 1 AND 32),
  made_at TEXT NOT NULL,
  limb TEXT CHECK (limb IN ('left', 'right')),
  part TEXT CHECK (part IN ('hip', 'knee', 'ankle', 'heel', 'toe')),
  player_s REAL,
  undoes INTEGER REFERENCES correction ON DELETE CASCADE,
  CHECK ((what = 'rep') = (rep IS NOT NULL)),
  CHECK (what = 'rep' OR rep_s IS NULL),
  CHECK (what NOT IN ('clip', 'rep') OR coalesce(new, 'excluded') = 'excluded'),
  CHECK ((what IN ('contact', 'initial contact', 'toe-off', 'landmark')) = (limb IS NOT NULL)),
  CHECK ((limb IS NULL) = (player_s IS NULL)),
  CHECK ((what = 'landmark') = (part IS NOT NULL))
) STRICT;
INSERT INTO correction (id, clip_id, what, old, new, rep, rep_s, reason, made_by, made_at)
  SELECT id, clip_id, what, old, new, rep, rep_s, reason, made_by, made_at
  FROM earlier_correction;
DROP TABLE earlier_correction;
CREATE INDEX correction_of_clip ON correction (clip_id);
ALTER TABLE measure ADD COLUMN by_hand INTEGER NOT NULL DEFAULT 0 CHECK (by_hand IN (0, 1));
ALTER TABLE measure ADD COLUMN found REAL;
ALTER TABLE contact ADD COLUMN by_hand INTEGER NOT NULL DEFAULT 0 CHECK (by_hand IN (0, 1));
CREATE TABLE remark (
  id INTEGER PRIMARY KEY,
  patient_id INTEGER NOT NULL REFERENCES patient ON DELETE CASCADE,
  date TEXT NOT NULL CHECK (date IS date(date)),
  clip_id INTEGER REFERENCES clip ON DELETE CASCADE,
  rep INTEGER CHECK (rep > 0),
  rep_s REAL,
  kind TEXT NOT NULL CHECK (kind IN ('note', 'reviewed')),
  text TEXT CHECK (length(text) BETWEEN 1 AND 2000),
  made_by TEXT CHECK (length(made_by) BETWEEN 1 AND 32),
  made_at TEXT NOT NULL,
  CHECK (rep IS NULL OR clip_id IS NOT NULL),
  CHECK (rep IS NOT NULL OR rep_s IS NULL)
) STRICT;
CREATE INDEX remark_of_patient ON remark (patient_id, date);
CREATE INDEX remark_of_clip ON remark (clip_id);
"""

_GRADED_VERDICTS = """
ALTER TABLE summary ADD COLUMN parts TEXT;
ALTER TABLE comparison ADD COLUMN parts TEXT;
ALTER TABLE finding RENAME TO earlier_finding;
CREATE TABLE finding (
  id INTEGER PRIMARY KEY,
  analysis_id INTEGER NOT NULL REFERENCES analysis ON DELETE CASCADE,
  name TEXT NOT NULL,
  measure TEXT NOT NULL,
  limb TEXT CHECK (limb IN ('left', 'right')),
  rep INTEGER,
  verdict TEXT NOT NULL CHECK (verdict IN (
    'above', 'probably above', 'below', 'probably below', 'within', 'probably within',
    'cannot tell')),
  probability REAL CHECK (probability BETWEEN 0 AND 1),
  value REAL NOT NULL,
  sd REAL NOT NULL,
  limit_value REAL NOT NULL,
  unit TEXT NOT NULL,
  source TEXT NOT NULL,
  text TEXT NOT NULL,
  frames TEXT NOT NULL
) STRICT;
INSERT INTO finding SELECT id, analysis_id, name, measure, limb, rep, verdict, NULL, value, sd,
  limit_value, unit, source, text, frames FROM earlier_finding;
DROP TABLE earlier_finding;
CREATE INDEX finding_of_analysis ON finding (analysis_id);
"""

_BOUTS = """
ALTER TABLE analysis ADD COLUMN exercise_confidence REAL;
ALTER TABLE analysis ADD COLUMN bouts TEXT;
"""

_READINGS = """
ALTER TABLE measure ADD COLUMN reading REAL;
"""

_LANDINGS_THAT_COUNT = """
ALTER TABLE rep ADD COLUMN rebound INTEGER CHECK (rebound IN (0, 1));
ALTER TABLE rep ADD COLUMN view TEXT;
"""

MIGRATIONS: tuple[str, ...] = (
    _THE_RECORD, _THE_DROP_FOLDER, _INVENTED_PATIENTS, _FROM_FOOT_TO_FOOT, _CORRECTIONS,
    _LEFT_AND_RIGHT_ONLY, _REASON_CODES, _BODIES, _TERMS_OF_THE_FIELD,
    _SESSIONS, _EXERCISES, _SET_IN_THE_CLIP, _GRADED_VERDICTS, _BOUTS, _READINGS,
    _LANDINGS_THAT_COUNT,
)  # fmt: skip
LATEST = len(MIGRATIONS)
"""The version of the record that this program writes."""

RECORD_TABLES = (
    "patient", "visit", "clip", "correction", "analysis", "rep", "contact", "measure", "summary",
    "comparison", "finding", "quality", "session", "tick", "remark",
)  # fmt: skip
"""What is exported, parents before children; the state of the drop folder is not."""

FIRST_VERSION = {
    "correction": MIGRATIONS.index(_CORRECTIONS) + 1,
    **dict.fromkeys(("session", "tick"), MIGRATIONS.index(_SESSIONS) + 1),
    "remark": MIGRATIONS.index(_SET_IN_THE_CLIP) + 1,
}
"""Of the record, with each table that the first version had not."""


def tables_of(version: int) -> tuple[str, ...]:
    """Return the tables that an export of a record's version holds."""
    return tuple(table for table in RECORD_TABLES if FIRST_VERSION.get(table, 1) <= version)


def version_of(connection: sqlite3.Connection) -> int:
    """Return the version of the record, 0 for an empty file."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def migrate(connection: sqlite3.Connection, to: int = LATEST) -> None:
    """Apply the steps that are missing, all in one transaction with their number.

    Parameters
    ----------
    connection : in autocommit mode
    to : version to reach
    """
    if version_of(connection) >= to:
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        steps = MIGRATIONS[version_of(connection) : to]  # somebody may have been quicker
        made = _made_by(steps) if steps == MIGRATIONS[:to] else None
        for statement in made or _statements("\n".join(steps)):
            connection.execute(statement)
        if steps:
            connection.execute(f"PRAGMA user_version = {to}")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


@cache
def _made_by(steps: tuple[str, ...]) -> tuple[str, ...]:
    """Return what makes in one go the empty tables that all these steps make one after another."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as empty:
        for statement in _statements("\n".join(steps)):
            empty.execute(statement)
        made = empty.execute(
            "SELECT sql FROM sqlite_schema WHERE sql NOT NULL AND name NOT LIKE 'sqlite%' "
            "ORDER BY rowid"
        )
        return tuple(sql for (sql,) in made)


def _statements(script: str) -> Iterator[str]:
    statement = ""
    for line in script.splitlines():
        statement += line + "\n"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
