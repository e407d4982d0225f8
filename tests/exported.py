"""A record to hand over: invented patients, and one whose clips were really analysed."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np

from landing_analysis.demo.clinic import add_stories
from landing_analysis.demo.stories import STORIES
from landing_analysis.patients import Patient
from landing_analysis.record.clips import insert_clip
from landing_analysis.record.database import Record, open_record
from landing_analysis.record.patients import add_patient
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.record.storing import insert_analysis
from landing_analysis.tables import Clip

LAST_DAY = date(2026, 5, 29)
REAL_DAY = date(2026, 6, 1)
REAL = Patient("P01", surgical_side="left", surgery_date=date(2026, 3, 2), stature_m=1.72)
TYPED = "Erika_Musterfrau_hops.mp4"
"""A file name that tells who it is; it must not come out."""


def make_invented(folder: Path, *codes: str) -> DataFolder:
    """Fill a record with invented patients; DEMO2's last visit is left out."""
    place = data_folder(folder)
    stories = [story for story in STORIES if story.code in codes]
    with open_record(place) as record:
        add_stories(record, stories, LAST_DAY, 1, but_last_of={"DEMO2"})
    return place


def add_reports(folder: Path, invented: DataFolder, reports: Path) -> DataFolder:
    """Copy a record and add the sample clips' analyses: to P01, and to DEMO2's last visit."""
    place = data_folder(folder)
    shutil.copytree(invented.path, place.path)
    with open_record(place) as record:
        add_patient(record, REAL)
        for name in ("p01_jumps_front", "p01_jumps_left_side"):
            add_report(record, REAL.code, REAL_DAY, reports / name)
        for name in ("p02_hops_left_side", "p02_hops_right_side"):
            add_report(record, "DEMO2", LAST_DAY, reports / name)
    return place


def add_report(record: Record, code: str, day: date, report: Path) -> None:
    """Put one written analysis into the record, as if its file had had a telling name."""
    document = json.loads((report / "analysis.json").read_text(encoding="utf-8"))
    facts = {**document["clip"], "file": TYPED}
    facts.pop("first_frame_s")
    clip = Clip(**facts, t_s=np.linspace(0.0, facts["duration_s"], facts["frames"]))
    at = datetime(day.year, day.month, day.day, 9, 30, tzinfo=UTC)
    with record.change() as connection:
        clip_id = insert_clip(connection, code, clip, at, "file time")
        insert_analysis(connection, clip_id, document, "f" * 64, f"reports/{TYPED}")
