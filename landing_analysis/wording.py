"""Reasons and notes -> sentences. Every sentence about a clip's quality stands here, once.

A reason is a clause without a full stop ("the landing was held for 1.2 s ..."); a remark of a
note is a whole sentence.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from landing_analysis.definitions import VIEW_WORDS
from landing_analysis.reasons import Code, Reason, because
from landing_analysis.tables import Note

_STAND = "Put the phone on a stand or a tripod"
_SHORTS = "Film in shorts."


def words_of(reason: Reason | None) -> str:
    """Return the sentence of a reason, empty without one."""
    if reason is None:
        return ""
    sentence = _SENTENCES[reason.code]
    numbers = reason.as_dict()
    return sentence.format(**numbers) if isinstance(sentence, str) else sentence(numbers)


def note_words(note: Note) -> str:
    """Return all that a note says."""
    return " ".join(words_of(remark) for remark in note.remarks)


def code_words(code: Code) -> str:
    """Return what a code says, with the names of its numbers in braces where they stand."""
    sentence = _SENTENCES[code]
    if isinstance(sentence, str):
        return re.sub(r"\{(\w+):[^}]*\}", r"{\1}", sentence)
    return str(code).replace("_", " ")


def _times(factor: float) -> str:
    if abs(factor - 1.0) < 0.05:
        return "in real time"
    return (
        f"{factor:.1f} times slower than real time"
        if factor > 1
        else f"{1 / factor:.1f} times faster"
    )


def _listed(words: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _reps(numbers: tuple[int, ...]) -> str:
    return f"rep{'s' if len(numbers) > 1 else ''} {_listed([str(n) for n in numbers])}"


def _are(things: tuple[Any, ...]) -> str:
    return "are" if len(things) > 1 else "is"


def _command(n: Mapping[str, Any]) -> str:
    """Return the command that takes an option, where that is not plain."""
    return f"{n['command']} " if n["command"] else ""


def _view(name: str) -> str:
    return name.replace("_", " ")


Numbers = Mapping[str, Any]


# --- the file and its pictures -----------------------------------------------------------------


def _same_time(n: Numbers) -> str:
    which = "One frame is" if n["frames"] == 1 else f"{n['frames']} frames are"
    return f"{which} to be shown at the time of another; of such frames the first is measured."


def _damaged(n: Numbers) -> str:
    spans = zip(n["from_s"], n["to_s"], strict=True)
    holes = "; ".join(f"{start:.2f} to {end:.2f} s" for start, end in spans)
    return (
        f"The file is damaged: {n['lost']} of {n['frames']} pictures are left out, from {holes}. "
        "Copy it from the phone again if you can."
    )


# --- the clock ---------------------------------------------------------------------------------


def _missing_frames(n: Numbers) -> str:
    count = "One gap" if n["gaps"] == 1 else f"{n['gaps']} gaps"
    return (
        f"{count} between frames, the longest {n['longest_ms']:.0f} ms at {n['at_s']:.2f} s; "
        "events beside a gap are less certain, a rep across one of more than "
        f"{n['void_ms']:.0f} ms is not used. Frames come every {n['usual_ms']:.1f} ms, "
        f"{n['shortest_ms']:.1f} to {n['longest_step_ms']:.1f} ms."
    )


def _slowed_by_tag(n: Numbers) -> str:
    agrees = "free fall agrees" if n["seen"] else "no flight was seen that could confirm it"
    return (
        f"The phone's tag says {n['capture_fps']:.0f} frames/s, so the clip plays "
        f"{_times(n['slowed_by'])}: taken out of all times, {agrees}."
    )


def _slowed_as_given(n: Numbers) -> str:
    said = f"Taken as {_times(n['slowed_by'])}, as given"
    if n["seems_slowed_by"] is None:
        return f"{said}."
    if n["agrees"]:
        return f"{said}; free fall agrees."
    return f"{said}; bodies fall as if it were {_times(n['seems_slowed_by'])}."


def _as_if(n: Numbers) -> str:
    return f"bodies fall as if the clip were {_times(n['seems_slowed_by'])}"


def _settles(n: Numbers) -> str:
    return f"; {_command(n)}--slowed-by settles it"


def _times_suppressed(n: Numbers) -> str:
    options = [
        f"--slowed-by {factor:.3g}" + (" (real time)" if factor == 1 else "")
        for factor in n["choices"]
    ]
    return (
        f"All times are suppressed, angles are given. Settle it with {_command(n)}"
        f"{' or '.join(options)}, or analyse the clip as the phone filmed it."
    )


_LONGER = "A part of the clip has {ratio:.1f} times longer intervals between frames"


# --- who is seen, and from where ----------------------------------------------------------------


def _others_alike(n: Numbers) -> str:
    others = " and ".join(str(number) for number in n["persons"])
    return f"person {others} is nearly as large and does the same"


def _told_apart(n: Numbers) -> str:
    why = words_of(because(Code(n["why"]), **n))
    return f"{n['people']} people were told apart; person {n['number']} is measured: {why}."


def _hid_patient(n: Numbers) -> str:
    cost = "jumps in that time may be missing from the count"
    reps = n.get("reps", ())
    if reps:
        cost = f"{_reps(reps)} {_are(reps)} not used, and {cost}"
    return (
        f"Somebody was {n['where']} the patient and hid them at {n['start_s']:.1f} to "
        f"{n['end_s']:.1f} s: {cost}."
    )


_MOSTLY = " for most of a clip in which the patient turns"


def _turn_not_seen(n: Numbers) -> str:
    return f"the body's turn could not be seen{_MOSTLY if n['mostly'] else ''}"


def _turned_out(n: Numbers) -> str:
    said = f"turned {n['turned_deg']:.0f} deg out of the {_view(n['view'])} view"
    return f"{said}{_MOSTLY if n['mostly'] else ''}"


def _square_on(n: Numbers) -> str:
    said = f"pelvis and shoulders within {n['within_deg']:.0f} deg of square-on"
    return f"{said}{_MOSTLY if n['mostly'] else ''}"


def _patient_turned(n: Numbers) -> str:
    seen, clip = VIEW_WORDS[n["rep_view"]], VIEW_WORDS[n["clip_view"]]
    return f"the patient had turned: this rep is seen {seen}, the clip {clip}"


def _in_other_views(n: Numbers) -> str:
    seen: dict[str, list[int]] = {}
    for rep, view in zip(n["reps"], n["views"], strict=True):
        seen.setdefault(view, []).append(rep)
    told = "; ".join(
        f"{_reps(tuple(reps))} {_are(tuple(reps))} seen {VIEW_WORDS[view]}"  # type: ignore[index]
        for view, reps in seen.items()
    )
    return (
        f"The patient turned during the clip, which is measured {VIEW_WORDS[n['view']]}: {told}. "
        "Such a rep keeps its times; angles and offsets are not measured in it, and no mean or "
        "comparison takes it in. Film each view as a clip of its own."
    )


def _turned(n: Numbers) -> str:
    text = f"Turned by {n['turned_deg']:.0f} deg"
    if n["false_fppa_deg"] is not None:
        text += (
            f": a knee bent by {n['bent_deg']:.0f} deg would then show up to "
            f"{n['false_fppa_deg']:.0f} deg of false FPPA, of opposite sign in the two limbs"
        )
    return f"{text}." if n["square_on"] else f"{text}. Film square-on."


# --- light, clothes, floor ---------------------------------------------------------------------


def _knees(n: Numbers) -> str:
    return f"the {n['limbs'][0]} knee" if len(n["limbs"]) == 1 else "both knees"


def _knees_covered(n: Numbers) -> str:
    return (
        f"Nothing of the leg's outline is seen at {_knees(n)}, as under a coat or before a "
        "background of the same colour: no angle is given there, and contacts rest on the feet. "
        + _SHORTS
    )


def _knees_faint(n: Numbers) -> str:
    return (
        f"The outline of {_knees(n)} is faint, as in wide trousers: angles there carry "
        f"{n['flexion_sd_deg']:.0f} deg (flexion) and {n['fppa_sd_deg']:.0f} deg (FPPA) more "
        "standard uncertainty. How far a knee is from where the cloth makes it seem is not in the "
        f"picture. {_SHORTS}"
    )


_SEEN = (
    "Patient {body_pct:.0f} %, background {around_pct:.0f} % of full brightness; the legs stand "
    "out by {legs_pct:.0f} %"
)


# --- the camera --------------------------------------------------------------------------------


def _followed(n: Numbers) -> str:
    text = (
        f"The camera moved: it swung by up to {n['swing_deg']:.1f} deg and turned about its axis "
        f"by up to {n['turn_deg']:.1f} deg. That is taken out with the still background; about "
        f"{n['left_px']:.1f} px of its turning are left and counted in."
    )
    if n["unplaced"]:
        text += (
            f" In {n['unplaced']} of {n['frames']} frames the background could not be followed; "
            "they are not measured."
        )
    return f"{text} {_STAND} for surer numbers."


_BETTER = (
    f"{_STAND}, or have something with a pattern behind the patient: a poster, a shelf, "
    "strips of tape."
)


def _lost(n: Numbers) -> str:
    found = f"Whether the camera moved cannot be told from the background: {_clause(n['why'])}."
    if n["sway_px"] is None:
        return (
            f"{found} No standing before or after the set tells it either; a phone in the hand is "
            "taken."
        )
    return f"{found} Feet that stand sway by {n['sway_px']:.0f} px, so it moved."


def _lost_still(n: Numbers) -> str:
    return (
        f"Whether the camera moved cannot be told from the background: {_clause(n['why'])}. "
        f"Feet that stand sway by {n['sway_px']:.1f} px only, so it was all but still and "
        f"nothing is taken out. {_BETTER}"
    )


def _clause(code: str) -> str:
    """Return the sentence of a code that has no numbers."""
    return words_of(Reason(Code(code)))


def _not_taken_out(n: Numbers) -> str:
    taken_out = "What was taken out may be wrong" if n["followed"] else "Nothing could be taken out"
    edges = f"each foot event is less certain by {n['event_sd_ms']:.0f} ms"
    if not n["times"]:
        edges = "contact and flight times are not given"
    return (
        f"{taken_out}: {edges}, and the vertical is less certain by {n['turn_sd_deg']:.1f} deg "
        f"(standard uncertainty). {_BETTER}"
    )


# --- how it was filmed -------------------------------------------------------------------------


def _tilted(n: Numbers) -> str:
    touched, told_by = "the forward tilt of the trunk", "free fall"
    if n["frontal"]:
        touched = "trunk lean, pelvis shift and knee over toes"
        told_by = "free fall and standing"
    text = (
        f"The picture is tilted sideways by {n['roll_deg']:.0f} deg (95 % interval "
        f"{max(n['roll_deg'] - n['within_deg'], 0):.0f} to {n['roll_deg'] + n['within_deg']:.0f}), "
        f"told by {told_by}. It is corrected in {touched}; what is not known of it is in their "
        "uncertainty."
    )
    return f"{text} Level the phone by the lines or the level of its camera." if n["much"] else text


def _distance(n: Numbers) -> str:
    side = "width" if n.get("lies") else "height"
    text = (
        f"The patient fills {n['share_pct']:.0f} % of the picture's {side}: {n['noise_px']:.1f} "
        f"px of landmark noise are {n['noise_deg']:.1f} deg at a knee in a single frame."
    )
    if n["nearer_pct"] is None:
        return text
    return (
        f"{text} Film from about {n['nearer_pct']:.0f} % nearer, so that the patient fills two "
        "thirds and a jump still fits in."
    )


def _legs_seen(n: Numbers) -> str:
    text = f"Both legs were seen in {n['seen_pct']:.0f} % of the frames"
    if n["bridged"]:
        text += f", {n['bridged']} of them with short gaps bridged"
    if n["exchanged"]:
        text += f"; left and right were exchanged back in {n['exchanged']}"
    return f"{text}."


# --- measures ----------------------------------------------------------------------------------


def _view_cannot_show(n: Numbers) -> str:
    article = "an" if n["view"] == "oblique" else "a"
    needs = {
        "frontal": "a front or back view",
        "side": "a side view",
        "side of this limb": "a side view of this limb",
    }[n["needs"]]
    return f"this is {article} {_view(n['view'])} view; it needs {needs}"


def _points_unclear(n: Numbers) -> str:
    points = [_view(point) for point in n["points"]]
    verb = "was" if len(points) == 1 else "were"
    return f"the {' and '.join(points)} {verb} not seen clearly {n['when']}"


# --- set right by hand -------------------------------------------------------------------------


def _rep_gone(n: Numbers) -> str:
    at = "" if n["at_s"] is None else f" at {n['at_s']:.2f} s"
    return (
        f"Rep {n['rep']}{at} was excluded by hand; no rep is found there now, so nothing is left "
        "out in its stead."
    )


def _other_people(n: Numbers) -> str:
    people = "person is" if n["people"] == 1 else "people are"
    return (
        f"Person {n['person']} was set by hand; now {n['people']} {people} told apart, so the "
        "numbers may have changed: look who is measured."
    )


_SENTENCES: dict[Code, str | Callable[[Numbers], str]] = {
    Code.AS_WRITTEN_BEFORE: "{text}",
    Code.STORED_MIRRORED: (
        "The phone stored this clip to be shown mirrored, so left and right limb may be "
        "exchanged; check on a frame which is which."
    ),
    Code.STRAY_END: (
        "The file ends in bytes that belong to no part of the video; the video itself is whole."
    ),
    Code.PICTURES_NOT_LISTED: (
        "The file holds more than its list of pictures names, as after a trim on the phone or "
        "when that list is damaged; check that the clip is not shorter than it was."
    ),
    Code.HIGH_DYNAMIC_RANGE: (
        "Filmed with high dynamic range ({curve}) and shown in the ordinary range here; colours "
        "come out paler, measures are the same."
    ),
    Code.READ_SMALLER: (
        "Filmed at {filmed_long_px} x {filmed_short_px} pixels and read at {read_long_px} x "
        "{read_short_px}, which is more than the pose model looks at."
    ),
    Code.FRAMES_AT_SAME_TIME: _same_time,
    Code.PICTURES_DAMAGED: _damaged,
    Code.PICTURES_REPEATED: (
        "{repeats} of {frames} frames show the picture before them once more, as editors and "
        "messengers add them; they are not measured. {new_fps:.0f} new pictures/s are left."
    ),
    Code.FRAME_RATE: (
        "{fps:.0f} frames/s: one frame is {frame_ms:.0f} ms, and counting frames alone would "
        "know an interval to {interval_sd_ms:.0f} ms (standard uncertainty)."
    ),
    Code.RATE_TOO_SLOW_FOR_SHORT_TIMES: (
        "Too slow for which foot lands first, for toe to heel, and for a difference in time "
        "between the limbs below {frame_ms:.0f} ms: these are not given. Contact and flight "
        "times carry the uncertainty that stands beside them. Film at 60 frames/s or more."
    ),
    Code.RATE_TOO_SLOW_FOR_FLIGHTS: (
        "{fps:.0f} frames/s is too slow to tell a flight from a step; film at 60 frames/s or more."
    ),
    Code.RATE_NOT_KNOWN: (
        "The clip plays {fps:.0f} frames/s; how many were filmed in a second of real time is not "
        "known."
    ),
    Code.FRAMES_UNEVEN: (
        "Frames come every {usual_ms:.1f} ms, {shortest_ms:.1f} to {longest_step_ms:.1f} ms; each "
        "is measured at its own time."
    ),
    Code.FRAMES_MISSING: _missing_frames,
    Code.FRAMES_MISSING_IN_REP: "frames are missing for {missing_s:.2f} s inside this rep",
    Code.SHORTER_THAN_A_FRAME: (
        "one frame is {frame_ms:.0f} ms, more than what is asked for; film at 60 frames/s or more"
    ),
    Code.LESS_THAN_A_FRAME_APART: ("the limbs differ by less than one frame ({frame_ms:.0f} ms)"),
    Code.REAL_TIME_BY_FALL: "Bodies fall as they do in real time: the clip plays in real time.",
    Code.REAL_TIME_UNCHECKED: (
        "Nothing in the file speaks against real time, and no flight was long enough to check "
        "it by free fall."
    ),
    Code.REAL_TIME_NOT_TOLD: (
        "Nothing in the file speaks against real time; cords pull the body, so that its flights "
        "cannot check it. If the clip is slowed, say so with --slowed-by."
    ),
    Code.SLOWED_BY_TAG: _slowed_by_tag,
    Code.SLOWED_BY_INTERVALS: _LONGER
    + ", and bodies fall there as in slow motion: taken out of all times.",
    Code.RATE_CHANGED: _LONGER
    + "; bodies fall as in real time, so the camera changed its rate and times hold.",
    Code.RATE_CHANGED_OR_SLOWED: _LONGER
    + ": slow motion, or a camera that changed its rate; nobody flies in it.",
    Code.PART_SEEMS_SLOWED: _LONGER + ", and free fall does not tell whether it is slowed.",
    Code.FILE_NAMES_NO_RATE: lambda n: (
        f"The file does not name the rate it was filmed at, but {_as_if(n)} (or the stature is "
        "wrong)."
    ),
    Code.TAG_CONTRADICTED: lambda n: (
        f"The phone's tag says {n['capture_fps']:.0f} frames/s, so the clip plays "
        f"{_times(n['slowed_by'])}, but bodies fall as if it were {_times(n['seems_slowed_by'])}."
    ),
    Code.PARTS_SEEM_SLOWED: lambda n: (
        f"Bodies fall as if parts of the clip played {_times(n['least_slowed_by'])} and others "
        f"{_times(n['most_slowed_by'])}: a part of it may be in slow motion. All times are "
        "suppressed, angles are given. Analyse the clip as the phone filmed it, or cut it into "
        "its parts."
    ),
    Code.TIMES_SUPPRESSED: _times_suppressed,
    Code.PART_MAY_BE_SLOWED: lambda n: "a part of the clip may be slowed" + _settles(n),
    Code.FALLS_AS_IF_SLOWED: lambda n: _as_if(n) + _settles(n),
    Code.TAG_AND_FALL_DISAGREE: lambda n: (
        "the phone's tag and free fall disagree about the clip's speed" + _settles(n)
    ),
    Code.FLIGHTS_FALL_UNALIKE: (
        "the flights of this clip do not fall alike; a part of it may be slowed"
    ),
    Code.SLOWED_AS_GIVEN: _slowed_as_given,
    Code.GIVEN_BY_CLINICIAN: "chosen by the clinician",
    Code.ONLY_PERSON: "the only person in view",
    Code.LARGEST_NOBODY_JUMPS: "the largest of {people} people; nobody was seen to jump",
    Code.ONLY_ONE_WHO_JUMPS: "the only one of {people} people who jumps",
    Code.ONLY_ONE_WHO_LIES: (
        "the only one of {people} people who lies; nobody was seen to jump standing"
    ),
    Code.LARGEST_WHO_JUMPS: "the largest of {jumpers} people who jump",
    Code.OTHERS_ALIKE: _others_alike,
    Code.NOBODY_ELSE: "Nobody else was seen.",
    Code.SOMEBODY_SEEN_BRIEFLY: (
        "Somebody else was seen near the patient, too briefly to be followed."
    ),
    Code.PEOPLE_TOLD_APART: _told_apart,
    Code.CHOICE_NOT_SURE: lambda n: f"This choice is not sure: {_others_alike(n)}.",
    Code.SOMEBODY_CLOSE: (
        "Somebody stood close to the patient in {share_pct:.0f} % of the frames: the pose model "
        "then draws one leg or one body for the other now and then. Times near it carry "
        "{widens:g} times their usual uncertainty, and standing there does not show the vertical."
    ),
    Code.NAME_ANOTHER_PERSON: lambda n: (
        f"Person N of {n['people']} is measured instead with {_command(n)}--person N."
    ),
    Code.SOMEBODY_HID_PATIENT: _hid_patient,
    Code.HIDDEN_BY_SOMEBODY: (
        "another person was {where} the patient and hid them at {start_s:.1f} to {end_s:.1f} s"
    ),
    Code.HIDDEN_BEFORE_TOE_OFF: "somebody hid the patient before the foot was seen to leave",
    Code.SIZE_CHANGED_BEHIND_SOMEBODY: (
        "Who is measured afterwards is {grew:.2f} times as large as before: it may be somebody "
        "else."
    ),
    Code.FILM_ALONE: (
        "Film with nobody else within two metres of the patient, and nobody between patient and "
        "camera."
    ),
    Code.REFLECTION: (
        "The floor mirrors the body: what is seen upside down is taken for the reflection and is "
        "not measured. Film where the floor is dull."
    ),
    Code.LIES_ON_SLED: (
        "The body lies, and pushes off a plate at the side of the picture. Where the plate is, and "
        "how the cords pull, was read from the flights; the direction is known to within "
        "{within_deg:.0f} deg."
    ),
    Code.SLED_SET_UP: (
        "At rest with the feet on the plate the near knee is bent by {rest_deg:.0f} ± "
        "{sd_deg:.0f} deg, and by {landing_deg:.0f} deg in the middle one of the landings. Taught: "
        "rest near {taught_rest_deg:.0f}, land near 60 (common practice, no source)."
    ),
    Code.SLED_SET_UP_UNSEEN: (
        "The sled's set-up could not be read: film from the side, and let the patient rest with "
        "both feet on the plate for a second before the first push."
    ),
    Code.PULLED_BY_CORDS: (
        "cords pull the body with a share of gravity that is not known, so that a time tells no "
        "height"
    ),
    Code.RESTS_ON_CARRIAGE: "the trunk rests on the carriage",
    Code.TURN_NOT_SEEN: _turn_not_seen,
    Code.TURNED_OUT_OF_VIEW: _turned_out,
    Code.SQUARE_ON: _square_on,
    Code.PATIENT_TURNED: _patient_turned,
    Code.BODY_TURN_UNKNOWN: "The turn of the body could not be seen.",
    Code.OBLIQUE: "Oblique: neither knee flexion nor FPPA can be measured; film square-on.",
    Code.TURNED: _turned,
    Code.REPS_IN_OTHER_VIEWS: _in_other_views,
    Code.LEGS_STAND_OUT: _SEEN + ".",
    Code.LEGS_TOO_DARK: _SEEN
    + (
        ", too little to be seen well. Toe-off carries {toe_off_sd_ms:.0f} ms, knee flexion "
        "{flexion_sd_deg:.0f} deg and FPPA {fppa_sd_deg:.1f} deg more standard uncertainty. Film "
        "with the lights on, with light from the camera's side, before a wall unlike the clothes."
    ),
    Code.SILHOUETTE: _SEEN
    + (
        ". The patient is a dark shape before a bright background: look whether the drawn legs lie "
        "on the legs. Film with light from the camera's side and no window behind."
    ),
    Code.LEG_COVERED: (
        "nothing of the leg's outline is seen at thigh and knee, as under a coat or before a "
        "background of the same colour; film in shorts"
    ),
    Code.KNEES_COVERED: _knees_covered,
    Code.KNEES_FAINT: _knees_faint,
    Code.FEET_LIKE_FLOOR: (
        "The toes stand out from the floor by {toes_pct:.0f} % of full brightness: feet are not "
        "told from it well. Toe-off carries {toe_off_sd_ms:.0f} ms and knee flexion "
        "{flexion_sd_deg:.0f} deg more standard uncertainty; a foot behind the other may have "
        "landed unseen. Film in shoes unlike the floor."
    ),
    Code.FLOOR_MIRRORS: (
        "The floor in front of the feet changes with the body, as where it mirrors or where a "
        "hard shadow falls: feet may be drawn toward their own image. The image is not measured; "
        "initial contact carries {initial_contact_sd_ms:.0f} ms and knee flexion "
        "{flexion_sd_deg:.0f} deg more standard uncertainty. Film on a dull floor."
    ),
    Code.FEET_NOT_SURE: (
        "the feet are not seen well enough to know whether one landed or both; name the exercise "
        "if it was a hop"
    ),
    Code.CAMERA_MOVED: (
        "the camera moved, or may have, and the background could not be followed to take that "
        "out; film from a stand"
    ),
    Code.CAMERA_STILL: "The camera stood still.",
    Code.CAMERA_FOLLOWED: _followed,
    Code.CAMERA_LOST_STILL: _lost_still,
    Code.CAMERA_LOST: _lost,
    Code.CAMERA_FOLLOWED_WRONGLY: (
        "The camera seems to have moved, and what was taken for the room was followed. But feet "
        "that stand then sway by {sway_px:.0f} px, so it was not the room."
    ),
    Code.CAMERA_NOT_TAKEN_OUT: _not_taken_out,
    Code.BACKGROUND_NOT_FIRM: "the points that could be followed do not hold the picture firmly",
    Code.BACKGROUND_CROWDED: "the points that could be followed lie close together",
    Code.BACKGROUND_DISAGREES: "the points that could be followed move differently",
    Code.BACKGROUND_PLAIN: "too little of the background has a pattern that can be followed",
    Code.BACKGROUND_FELL: (
        "what could be followed fell together with the body, so it was not the room"
    ),
    Code.CAMERA_TURNED_AWAY: "the camera turned away from all that could be followed",
    Code.PICTURE_LEVEL: "The picture is level within {within_deg:.0f} deg.",
    Code.PICTURE_TILTED: _tilted,
    Code.TILT_UNKNOWN_SIDE: (
        "From the side the picture's sideways tilt is known to within {within_deg:.0f} deg only: "
        "standing people lean forward. That is in the uncertainty of trunk flexion. Level the "
        "phone."
    ),
    Code.TILT_UNKNOWN: (
        "Neither free fall nor quiet standing tells the picture's sideways tilt: it is known to "
        "within {within_deg:.0f} deg only, which is in the uncertainty of trunk lean, pelvis shift "
        "and knee over toes. Level the phone, and let the patient stand still before and after "
        "the set."
    ),
    Code.FEET_INSIDE: "Both feet stay inside the picture.",
    Code.FEET_CUT_OFF: (
        "The feet touch the picture's {edge} edge in {cut_pct:.0f} % of the frames; what is cut "
        "off is guessed by the pose model, so contacts are less certain than they say. Leave a "
        "hand's breadth of floor below the feet."
    ),
    Code.FEET_UNCLEAR: (
        "The feet are unclear in {hidden_pct:.0f} % of the frames; keep them in the picture and "
        "in the light."
    ),
    Code.DISTANCE: _distance,
    Code.LEGS_SEEN: _legs_seen,
    Code.NOT_MEASURED_IN_CLIP: "Not measured in this clip.",
    Code.HELD_TO_END: "held landing: the foot stayed on the ground until the clip ended",
    Code.TOE_OFF_NOT_SEEN: "the foot was not seen to leave the ground before the next flight",
    Code.FELL_BEFORE_TOE_OFF: (
        "the body fell in between as in a flight: a short flight may have been missed"
    ),
    Code.EXERCISE_NOT_SURE: (
        "The motion looks most like {exercise}, but not surely so ({sure_pct:.0f} %); say which "
        "exercise it is (--exercise)."
    ),
    Code.NO_FLIGHT: "No flight was found in this clip, so there are no reps.",
    Code.STARTS_IN_THE_AIR: "the clip starts in the air",
    Code.ENDS_IN_THE_AIR: "the clip ends in the air",
    Code.ENDS_DURING_LANDING: "the clip ends before the landing is over",
    Code.ONE_FOOT_IN_JUMPS: ("only the {limb} foot was seen to land in a set of two-leg jumps"),
    Code.TWO_FEET_IN_HOPS: "both feet landed in a set of one-leg hops",
    Code.OTHER_FOOT_NOT_SEEN: (
        "it was not seen whether the {limb} foot landed as well; say what the set is (--exercise), "
        "or film it from the front"
    ),
    Code.LEGS_NOT_TOLD_APART: (
        "left and right leg could not be told apart where this set goes from foot to foot; film "
        "it from the front"
    ),
    Code.KNEE_BENDS_NO_FURTHER: (
        "the knee is seen to bend no further once it landed, as no landing does; the leg may have "
        "been taken for the other one"
    ),
    Code.KNEE_STILL_EXTENDING: lambda n: (
        f"the knee straightened by {n['extended_deg']:.0f} deg in the tenth of a second before "
        "contact; by how much the pose model rounds off such a turn differs between bodies, up to "
        "15 deg"
    ),
    Code.FEW_REPS: lambda n: (
        f"{n['used']} used rep{'s' if n['used'] > 1 else ''}; a mean of {n['enough']} or more is "
        "steadier (Ortiz 2007)."
    ),
    Code.VIEW_CANNOT_SHOW: _view_cannot_show,
    Code.LIMB_BEHIND_THE_OTHER: (
        "the {limb} limb is behind the other in this view; film that side"
    ),
    Code.LANDMARKS_UNCLEAR: "the landmarks were not seen clearly at this instant",
    Code.POINTS_UNCLEAR: _points_unclear,
    Code.TOO_FEW_FRAMES: "there are too few frames {when}",
    Code.LANDING_NOT_SEEN: "the landing of the {limb} foot was not seen",
    Code.LANDING_HELD: "the landing was held for {held_s:.1f} s before the next take-off",
    Code.FLIGHT_CUT_OFF: "the flight is cut off by the clip",
    Code.NO_FLIGHT_IN_SHIFT: "the weight was shifted without leaving the ground",
    Code.NO_FLIGHT_FOLLOWS: "no flight follows this landing",
    Code.LANDS_ON_ONE_FOOT: "both feet must land; this landing is on one foot",
    Code.STANDS_ON_ONE_FOOT: ("both feet must stand on the ground; this landing is on one foot"),
    Code.TOE_OR_HEEL_NOT_SEEN: "toes and heel were not both seen to come down",
    Code.LOWEST_POINT_NOT_SEEN: "the lowest point of the pelvis was not seen",
    Code.LEG_TAKEN_FOR_OTHER: "one leg was taken for the other at this instant",
    Code.LEG_FORESHORTENED: (
        "thigh or shank points toward the camera, and a slight turn of the leg changes the angle "
        "more than its alignment does"
    ),
    Code.FOOT_TURNED: (
        "the foot points away from the camera, so that a knee bent straight over it looks far off "
        "the line"
    ),
    Code.LEG_UNSTEADY: "the hip or the knee is not found steadily enough in these frames",
    Code.FPPA_CORRECTED: (
        "The pose model reads FPPA low, the more so the farther the knee lies inward; what it "
        "misses on drawn bodies is added in every rep. analysis.json keeps the angles as read."
    ),
    Code.FPPA_OUTSIDE_FIT: (
        "FPPA is not corrected in any rep of this set, and less certain: these angles lie outside "
        "what the correction was fitted to."
    ),
    Code.EXCLUDED_BY_HAND: lambda n: f"excluded by hand: {n['given'] or 'no reason'}",
    Code.EXCLUDED_REP_GONE: _rep_gone,
    Code.EXCLUDED_REP_RENUMBERED: (
        "The rep excluded by hand as number {then} is number {now} now."
    ),
    Code.CORRECTED_CONTACT_GONE: (
        "The {what} of the {limb} foot that was set by hand at {at_s:.2f} s fits no contact that "
        "is found now."
    ),
    Code.OTHER_PEOPLE_THAN_WHEN_SET: _other_people,
    Code.INVENTED_NUMBERS: "Nobody was filmed; the numbers were drawn at random.",
}
