"""Who a clip belongs to: patients' codes, what a folder and a file name say, and the text file.

Pure rules; where clips and patients are kept is the business of `folder` and `record`.

A code is 1 to 32 letters A-Z, digits, ``-`` and ``_``, starts with a letter or a digit,
and means the same in capitals and small letters, because disks of some systems cannot
tell them apart.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

from landing_analysis.errors import PatientError
from landing_analysis.tables import LIMBS, Limb

DESCRIPTION = "patient.toml"
"""The text file that may describe a patient in the patient's own folder."""
LARGEST_DESCRIPTION = 16_384  # bytes; three lines have a hundred (choice)

INVENTED_MODEL = "none, the numbers are invented"
"""Stands in the record for the pose model of values that no clip was measured for."""

STATURE_RANGE_M = (0.8, 2.3)  # as in the command line (choice)
_FIRST_YEAR = 1950  # of a surgery; earlier is a slip of the pen (choice)
_LONGEST_RECORD_FREE = 5  # digits; record numbers and dates of birth have six or more (choice)

_LONG_AGO_DAYS = 10 * 365  # training of this kind follows within a few years (choice)

_NUMBER, _LETTERS_AT_END = re.compile(r"\d+"), re.compile(r"(?<=\d)[a-z]+$")
_ALIKE = str.maketrans("oil", "011")
_ALNUM = re.compile(r"[A-Za-z0-9]+")
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
_LETTERS = re.compile(r"[A-Za-z]{3,}")
_NEUTRAL = {
    "acl", "aclr", "athlete", "case", "client", "clinic", "code", "control", "demo", "group",
    "hop", "jump", "knee", "left", "part", "pat", "patient", "person", "pilot", "pt", "right",
    "sample", "site", "study", "subj", "subject", "test", "trial",
}  # fmt: skip
_DEVICE_NAMES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)
_KEYS = ("surgical_side", "surgery_date", "stature_cm")


@dataclass(frozen=True)
class Patient:
    """One patient, known by a code only; what is not known is None.

    An ``invented`` patient belongs to a demonstration; every page about them says so.
    """

    code: str
    surgical_side: Limb | None = None
    surgery_date: date | None = None
    stature_m: float | None = None
    invented: bool = False

    def __post_init__(self) -> None:
        require_code(self.code)
        low, high = STATURE_RANGE_M
        if self.stature_m is not None and not low <= self.stature_m <= high:
            raise PatientError(
                f"A stature of {100 * self.stature_m:g} cm is not one of a person who jumps; "
                f"give {100 * low:g} to {100 * high:g}."
            )
        if self.surgery_date is not None and self.surgery_date.year < _FIRST_YEAR:
            raise PatientError(
                f"The date of surgery {self.surgery_date} lies too far back; give YYYY-MM-DD."
            )


# --- codes -------------------------------------------------------------------------------------


def require_code(code: str) -> None:
    """Refuse what cannot serve as a code on every system.

    Raises
    ------
    PatientError
    """
    if not _CODE.fullmatch(code):
        raise PatientError(
            f"{code!r} is no patient's code: use 1 to 32 letters A-Z, digits, - and _, "
            "the first a letter or a digit, for instance P07."
        )
    if _DEVICE_NAMES.fullmatch(code):
        raise PatientError(f"{code!r} names a device on some systems; choose another code.")


def doubt_about(code: str) -> str | None:
    """Say why a code might tell who the patient is, or None.

    Parameters
    ----------
    code : as `require_code` accepts it

    Returns
    -------
    str or None
        ``a person's name or initials`` for a code without a digit, or with a run of
        four or more letters (three unless all are capitals) other than words such as
        ``knee`` or ``case``; ``a record number or a date of birth`` for six or more
        digits. Rules of thumb: a short name in capitals with a digit passes.
    """
    if sum(letter.isdigit() for letter in code) > _LONGEST_RECORD_FREE:
        return "a record number or a date of birth"
    if not any(letter.isdigit() for letter in code):
        return "a person's name or initials"
    for run in _LETTERS.findall(code):
        if run.lower() not in _NEUTRAL and (len(run) > 3 or not run.isupper()):
            return "a person's name or initials"
    return None


def require_neutral_code(code: str) -> None:
    """Refuse a code that might tell who the patient is.

    Raises
    ------
    PatientError
    """
    require_code(code)
    doubt = doubt_about(code)
    if doubt:
        raise PatientError(
            f"The code {code} looks like {doubt}; use one that tells nothing, for instance P07."
        )


def same_code(one: str, other: str) -> bool:
    """Return whether two codes mean the same patient."""
    return one.lower() == other.lower()


def close_codes(code: str, known: Iterable[str]) -> tuple[str, ...]:
    """Return the known codes that a slip of the hand could turn into this one, or it into them.

    Parameters
    ----------
    code : as typed, or as a folder or file is named
    known : codes of all patients

    Returns
    -------
    tuple of str
        Those that differ only in zeros before a number, in ``-`` and ``_``, in letters and
        digits that look alike (O and 0, I or l and 1), or in letters after the last number:
        P7 is close to P07 and P08b to P08, but P08 not to P07. The same code is not close.
    """
    own = _cores(code)
    return tuple(o for o in known if not same_code(code, o) and not own.isdisjoint(_cores(o)))


def _cores(code: str) -> set[str]:
    """Return what slips leave as it is of a code, with and without letters at the end."""
    plain = code.lower().replace("-", "").replace("_", "")
    return {
        _NUMBER.sub(lambda found: found[0].lstrip("0") or "0", text.translate(_ALIKE))
        for text in (plain, _LETTERS_AT_END.sub("", plain))
    }


# --- whose clip --------------------------------------------------------------------------------


def owner_of(parts: tuple[str, ...], known: Iterable[str], where: str = "") -> str:
    """Tell from its place in the drop folder whose clip it is.

    Parameters
    ----------
    parts : names of the folders below the drop folder, and of the file, in that order
    known : codes of all patients
    where : what a command needs besides to find the record, with a space before it

    Returns
    -------
    str
        The known code that is the name of the first sub-folder, or that starts the file
        name, followed by neither letter nor digit.

    Raises
    ------
    PatientError
        When neither says, or when they contradict each other; the sentence says how to add
        the patient, and whose code is close.
    """
    known = tuple(known)
    file = parts[-1]
    by_name = _code_at_start(file, known)
    by_folder = None
    if len(parts) > 1:
        by_folder = next((code for code in known if same_code(code, parts[0])), None)
    if by_folder and by_name and not same_code(by_folder, by_name):
        raise PatientError(
            f"{file} lies in the folder of {by_folder} but its name starts with {by_name}; "
            "move or rename it."
        )
    code = by_folder or by_name
    if code:
        return code
    if len(parts) > 1:
        raise PatientError(_about_strange_folder(parts[0], known, where))
    raise PatientError(_about_strange_file(file, known, where))


def _code_at_start(file: str, known: tuple[str, ...]) -> str | None:
    for code in sorted(known, key=len, reverse=True):
        rest = file[len(code) :]
        if same_code(file[: len(code)], code) and not rest[:1].isalnum():
            return code
    return None


def _about_strange_file(file: str, known: tuple[str, ...], where: str) -> str:
    start = _ALNUM.match(file)
    near = close_codes(start[0], known) if start else ()
    perhaps = f" (if it is {_either(near)}, say so in its name)" if near else ""
    return (
        f"{file} belongs to no patient{perhaps}: put it into a folder named by the patient's "
        "code, or start its name with the code of a patient who was added with: "
        f"landing-analysis patient add CODE{where}"
    )


def _about_strange_folder(folder: str, known: tuple[str, ...], where: str) -> str:
    require_code(folder)
    add = f"landing-analysis patient add {folder}"
    doubt = doubt_about(folder)
    if doubt is None and not any(letter.isalpha() for letter in folder):
        doubt = "a date or a number of the phone's"
    if doubt:
        return (
            f"The folder {folder} looks like {doubt}; name it by a code that tells nothing, for "
            f"instance P07, or run: {add} --accept-code{where}"
        )
    near = close_codes(folder, known)
    if near:
        return (
            f"There is no patient {folder} yet; if it is {_either(near)}, move the clip into that "
            f"folder, and if it is somebody else, run: {add} --accept-code{where}"
        )
    return f"There is no patient {folder} yet; the clip waits for: {add}{where}"


def _either(codes: tuple[str, ...]) -> str:
    return " or ".join(codes)


# --- the day of surgery ------------------------------------------------------------------------


def doubt_about_surgery(day: date, today: date) -> str | None:
    """Say why a day is hardly that of a patient's surgery, or None.

    Parameters
    ----------
    day : of the surgery
    today : of the clinic
    """
    if day > today:
        return f"The date of surgery {day} lies in the future."
    if (today - day).days > _LONG_AGO_DAYS:
        return f"The date of surgery {day} lies more than {_LONG_AGO_DAYS // 365} years back."
    return None


# --- the text file -----------------------------------------------------------------------------


def read_description(text: str, code: str) -> dict[str, object]:
    """Read the text file of a patient's folder.

    Parameters
    ----------
    text : TOML with any of ``surgical_side`` ("left" or "right"), ``surgery_date``
        (YYYY-MM-DD) and ``stature_cm``
    code : of the patient, for the error's sentence

    Returns
    -------
    dict
        Fields of `Patient` to replace; keys that the file does not name are left out.

    Raises
    ------
    PatientError
    """
    name = f"{DESCRIPTION} of {code}"
    try:
        given = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # numbers too long, lists nested too deep
        raise PatientError(f"{name} is not valid TOML ({error}); correct that line.") from error
    unknown = sorted(set(given) - set(_KEYS))
    if unknown:
        raise PatientError(f"{name} names {unknown[0]!r}; it may hold {', '.join(_KEYS)}.")
    facts: dict[str, object] = {}
    if "surgical_side" in given:
        facts["surgical_side"] = _limb(given["surgical_side"], name)
    if "surgery_date" in given:
        facts["surgery_date"] = _date(given["surgery_date"], name)
    if "stature_cm" in given:
        facts["stature_m"] = _metres(given["stature_cm"], name)
    replace(Patient("P1"), **facts)  # type: ignore[arg-type]  # refuses what makes no sense
    return facts


def _limb(value: object, name: str) -> Limb:
    limb = next((limb for limb in LIMBS if limb == value), None)
    if limb is None:
        raise PatientError(f'{name} says surgical_side = {value!r}; write "left" or "right".')
    return limb


def _date(value: object, name: str) -> date:
    if isinstance(value, date):
        return date(value.year, value.month, value.day)
    try:
        return date.fromisoformat(str(value))
    except ValueError as error:
        raise PatientError(f"{name} says surgery_date = {value!r}; write YYYY-MM-DD.") from error


def _metres(value: object, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise PatientError(f"{name} says stature_cm = {value!r}; write a number.")
    try:
        return value / 100
    except OverflowError as error:
        raise PatientError(f"{name} gives a stature_cm of many digits; correct it.") from error
