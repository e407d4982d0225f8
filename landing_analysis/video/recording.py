"""When a clip was recorded: told by the clip itself, else by its name, else by its file time."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from landing_analysis.tables import RecordedFrom

_LOCAL_TAG = "com.apple.quicktime.creationdate"  # local time with its offset from UTC
_UTC_TAG = "creation_time"
_IN_NAME = re.compile(r"(?<!\d)(20\d\d)(\d\d)(\d\d)[_-](\d\d)(\d\d)(\d\d)(?:\d{3})?(?!\d)")
_UTC_NAMES = ("PXL_",)  # names of that kind are in UTC, others local: common practice, no source
_FIRST_YEAR = 2000  # clocks that were never set say 1904 or 1970
_CLOCKS_DIFFER = timedelta(days=1)


@dataclass(frozen=True)
class Recording:
    """When a clip was recorded, with time zone, and where that was found."""

    at: datetime
    found_in: RecordedFrom


def recording_date(
    tags: Mapping[str, str],
    file: str,
    file_time: datetime | None,
    now: datetime,
    zone: tzinfo | None = None,
) -> Recording | None:
    """Choose the recording time of a clip.

    Parameters
    ----------
    tags : of the container
    file : name of the file
    file_time : its time of change, with time zone; None when that is no time at all
    now : with time zone; what lies before 2000 or more than a day later is no recording time
    zone : of the clinic, None for the machine's

    Returns
    -------
    Recording or None
        In the zone of the clinic, or in that of the phone when the clip names it; None when
        nothing tells.
    """
    local = _moment(tags.get(_LOCAL_TAG))
    if local and _is_likely(local, now):
        return Recording(local, "clip")
    utc = _moment(tags.get(_UTC_TAG))
    if utc and _is_likely(utc, now):
        return Recording(utc.astimezone(zone), "clip")
    named = _moment_in(file, zone)
    if named and _is_likely(named, now):
        return Recording(named, "file name")
    if file_time and _is_likely(file_time, now):
        return Recording(file_time.astimezone(zone), "file time")
    return None


def file_time(facts: os.stat_result) -> datetime | None:
    """Return when a file was changed, None when no calendar holds that moment."""
    try:
        return datetime.fromtimestamp(facts.st_mtime, UTC)
    except (OverflowError, ValueError, OSError):
        return None


def _moment(text: str | None) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text or "")
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _moment_in(file: str, zone: tzinfo | None) -> datetime | None:
    found = _IN_NAME.search(file)
    if found is None:
        return None
    try:
        moment = datetime(*map(int, found.groups()))  # type: ignore[arg-type]
    except ValueError:
        return None
    if file.upper().startswith(_UTC_NAMES):
        return moment.replace(tzinfo=UTC).astimezone(zone)
    return moment.replace(tzinfo=zone) if zone else moment.astimezone()


def _is_likely(moment: datetime, now: datetime) -> bool:
    return moment.year >= _FIRST_YEAR and moment <= now + _CLOCKS_DIFFER
