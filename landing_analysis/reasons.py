"""Why a number is missing, a rep is left out or a clip is limited: a code with its numbers.

Stages hand these on and compare codes; `landing_analysis.wording` makes the sentence where it
is shown. Codes stand in analysis.json and in the tables, so a code is never given another
meaning; one that is no longer used is left here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

Number = float | int | str | bool | None | tuple[str, ...] | tuple[int, ...] | tuple[float, ...]


class Code(StrEnum):
    """Every reason and remark there is, in the order of the flow."""

    # The file and its pictures
    AS_WRITTEN_BEFORE = "as_written_before"
    STORED_MIRRORED = "stored_mirrored"
    STRAY_END = "stray_end"
    PICTURES_NOT_LISTED = "pictures_not_listed"
    HIGH_DYNAMIC_RANGE = "high_dynamic_range"
    READ_SMALLER = "read_smaller"
    FRAMES_AT_SAME_TIME = "frames_at_same_time"
    PICTURES_DAMAGED = "pictures_damaged"
    PICTURES_REPEATED = "pictures_repeated"

    # The clock
    FRAME_RATE = "frame_rate"
    RATE_TOO_SLOW_FOR_SHORT_TIMES = "rate_too_slow_for_short_times"
    RATE_TOO_SLOW_FOR_FLIGHTS = "rate_too_slow_for_flights"
    RATE_NOT_KNOWN = "rate_not_known"
    FRAMES_UNEVEN = "frames_uneven"
    FRAMES_MISSING = "frames_missing"
    FRAMES_MISSING_IN_REP = "frames_missing_in_rep"
    SHORTER_THAN_A_FRAME = "shorter_than_a_frame"
    LESS_THAN_A_FRAME_APART = "less_than_a_frame_apart"
    REAL_TIME_BY_FALL = "real_time_by_fall"
    REAL_TIME_UNCHECKED = "real_time_unchecked"
    SLOWED_BY_TAG = "slowed_by_tag"
    SLOWED_BY_INTERVALS = "slowed_by_intervals"
    SLOWED_AS_GIVEN = "slowed_as_given"
    RATE_CHANGED = "rate_changed"
    RATE_CHANGED_OR_SLOWED = "rate_changed_or_slowed"
    PART_SEEMS_SLOWED = "part_seems_slowed"
    FILE_NAMES_NO_RATE = "file_names_no_rate"
    TAG_CONTRADICTED = "tag_contradicted"
    PARTS_SEEM_SLOWED = "parts_seem_slowed"
    TIMES_SUPPRESSED = "times_suppressed"
    PART_MAY_BE_SLOWED = "part_may_be_slowed"
    FALLS_AS_IF_SLOWED = "falls_as_if_slowed"
    TAG_AND_FALL_DISAGREE = "tag_and_fall_disagree"
    FLIGHTS_FALL_UNALIKE = "flights_fall_unalike"

    # Who is seen, and from where
    ONLY_PERSON = "only_person"
    LARGEST_NOBODY_JUMPS = "largest_nobody_jumps"
    ONLY_ONE_WHO_JUMPS = "only_one_who_jumps"
    LARGEST_WHO_JUMPS = "largest_who_jumps"
    ONLY_ONE_WHO_LIES = "only_one_who_lies"
    GIVEN_BY_CLINICIAN = "given_by_clinician"
    OTHERS_ALIKE = "others_alike"
    NOBODY_ELSE = "nobody_else"
    PEOPLE_TOLD_APART = "people_told_apart"
    SOMEBODY_SEEN_BRIEFLY = "somebody_seen_briefly"
    CHOICE_NOT_SURE = "choice_not_sure"
    SOMEBODY_HID_PATIENT = "somebody_hid_patient"
    HIDDEN_BY_SOMEBODY = "hidden_by_somebody"
    HIDDEN_BEFORE_TOE_OFF = "hidden_before_toe_off"
    SIZE_CHANGED_BEHIND_SOMEBODY = "size_changed_behind_somebody"
    SOMEBODY_CLOSE = "somebody_close"
    FILM_ALONE = "film_alone"
    NAME_ANOTHER_PERSON = "name_another_person"
    REFLECTION = "reflection"
    LIES_ON_SLED = "lies_on_sled"
    SLED_SET_UP = "sled_set_up"
    SLED_SET_UP_UNSEEN = "sled_set_up_unseen"
    REAL_TIME_NOT_TOLD = "real_time_not_told"
    PULLED_BY_CORDS = "pulled_by_cords"
    RESTS_ON_CARRIAGE = "rests_on_carriage"
    TURN_NOT_SEEN = "turn_not_seen"
    TURNED_OUT_OF_VIEW = "turned_out_of_view"
    SQUARE_ON = "square_on"
    BODY_TURN_UNKNOWN = "body_turn_unknown"
    OBLIQUE = "oblique"
    TURNED = "turned"
    PATIENT_TURNED = "patient_turned"
    REPS_IN_OTHER_VIEWS = "reps_in_other_views"

    # Light, clothes, floor
    LEGS_STAND_OUT = "legs_stand_out"
    LEGS_TOO_DARK = "legs_too_dark"
    SILHOUETTE = "silhouette"
    LEG_COVERED = "leg_covered"
    KNEES_COVERED = "knees_covered"
    KNEES_FAINT = "knees_faint"
    FEET_LIKE_FLOOR = "feet_like_floor"
    FLOOR_MIRRORS = "floor_mirrors"
    FEET_NOT_SURE = "feet_not_sure"

    # The camera
    CAMERA_MOVED = "camera_moved"
    CAMERA_STILL = "camera_still"
    CAMERA_FOLLOWED = "camera_followed"
    CAMERA_LOST_STILL = "camera_lost_still"
    CAMERA_LOST = "camera_lost"
    CAMERA_FOLLOWED_WRONGLY = "camera_followed_wrongly"
    CAMERA_NOT_TAKEN_OUT = "camera_not_taken_out"
    BACKGROUND_NOT_FIRM = "background_not_firm"
    BACKGROUND_CROWDED = "background_crowded"
    BACKGROUND_DISAGREES = "background_disagrees"
    BACKGROUND_PLAIN = "background_plain"
    BACKGROUND_FELL = "background_fell"
    CAMERA_TURNED_AWAY = "camera_turned_away"

    # How it was filmed
    PICTURE_LEVEL = "picture_level"
    PICTURE_TILTED = "picture_tilted"
    TILT_UNKNOWN_SIDE = "tilt_unknown_side"
    TILT_UNKNOWN = "tilt_unknown"
    FEET_INSIDE = "feet_inside"
    FEET_CUT_OFF = "feet_cut_off"
    FEET_UNCLEAR = "feet_unclear"
    DISTANCE = "distance"
    LEGS_SEEN = "legs_seen"
    NOT_MEASURED_IN_CLIP = "not_measured_in_clip"

    # Feet on the ground, and reps
    HELD_TO_END = "held_to_end"
    TOE_OFF_NOT_SEEN = "toe_off_not_seen"
    FELL_BEFORE_TOE_OFF = "fell_before_toe_off"
    NO_FLIGHT = "no_flight"
    EXERCISE_NOT_SURE = "exercise_not_sure"
    STARTS_IN_THE_AIR = "starts_in_the_air"
    ENDS_IN_THE_AIR = "ends_in_the_air"
    ENDS_DURING_LANDING = "ends_during_landing"
    ONE_FOOT_IN_JUMPS = "one_foot_in_jumps"
    TWO_FEET_IN_HOPS = "two_feet_in_hops"
    OTHER_FOOT_NOT_SEEN = "other_foot_not_seen"
    LEGS_NOT_TOLD_APART = "legs_not_told_apart"
    KNEE_BENDS_NO_FURTHER = "knee_bends_no_further"
    KNEE_STILL_EXTENDING = "knee_still_extending"
    FEW_REPS = "few_reps"

    # Measures
    VIEW_CANNOT_SHOW = "view_cannot_show"
    LIMB_BEHIND_THE_OTHER = "limb_behind_the_other"
    LANDMARKS_UNCLEAR = "landmarks_unclear"
    POINTS_UNCLEAR = "points_unclear"
    TOO_FEW_FRAMES = "too_few_frames"
    LANDING_NOT_SEEN = "landing_not_seen"
    LANDING_HELD = "landing_held"
    FLIGHT_CUT_OFF = "flight_cut_off"
    NO_FLIGHT_IN_SHIFT = "no_flight_in_shift"
    NO_FLIGHT_FOLLOWS = "no_flight_follows"
    LANDS_ON_ONE_FOOT = "lands_on_one_foot"
    STANDS_ON_ONE_FOOT = "stands_on_one_foot"
    TOE_OR_HEEL_NOT_SEEN = "toe_or_heel_not_seen"
    LOWEST_POINT_NOT_SEEN = "lowest_point_not_seen"
    LEG_TAKEN_FOR_OTHER = "leg_taken_for_other"
    LEG_FORESHORTENED = "leg_foreshortened"
    FOOT_TURNED = "foot_turned"
    LEG_UNSTEADY = "leg_unsteady"
    FPPA_CORRECTED = "fppa_corrected"
    FPPA_OUTSIDE_FIT = "fppa_outside_fit"

    # Set right by hand
    EXCLUDED_BY_HAND = "excluded_by_hand"
    EXCLUDED_REP_GONE = "excluded_rep_gone"
    EXCLUDED_REP_RENUMBERED = "excluded_rep_renumbered"
    CORRECTED_CONTACT_GONE = "corrected_contact_gone"
    OTHER_PEOPLE_THAN_WHEN_SET = "other_people_than_when_set"

    # Invented numbers
    INVENTED_NUMBERS = "invented_numbers"


@dataclass(frozen=True)
class Reason:
    """A code and the numbers that belong to it, each by its name with the unit in it."""

    code: Code
    numbers: tuple[tuple[str, Number], ...] = ()

    def as_dict(self) -> dict[str, Number]:
        """Return the numbers by name."""
        return dict(self.numbers)


def because(code: Code, **numbers: Number) -> Reason:
    """Return the reason of this code with its numbers."""
    return Reason(code, tuple(numbers.items()))


def as_plain(reason: Reason | None) -> dict[str, object] | None:
    """Return a reason as JSON holds it: its code, and its numbers by name."""
    if reason is None:
        return None
    return {"code": str(reason.code), "numbers": dict(reason.numbers)}


def from_plain(stored: object) -> Reason | None:
    """Return a reason from JSON; a sentence that an earlier version stored stays that sentence.

    Raises
    ------
    KeyError, TypeError, ValueError
        When it is no reason.
    """
    if stored is None or stored == "":
        return None
    if isinstance(stored, str):
        return because(Code.AS_WRITTEN_BEFORE, text=stored)
    if not isinstance(stored, dict):
        raise TypeError(f"{stored!r} is no reason.")
    numbers = {
        str(name): tuple(value) if isinstance(value, list) else value
        for name, value in stored["numbers"].items()
    }
    return because(Code(stored["code"]), **numbers)
