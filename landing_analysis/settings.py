"""Every adjustable number of the stages, in seconds, degrees and hertz, with its source.

"See accuracy/methods" means the file of that subject in ``tests/accuracy/methods``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields, is_dataclass

from landing_analysis.errors import SettingsError


@dataclass(frozen=True)
class PoseSettings:
    """How the pose model is asked."""

    max_people: int = 3  # choice: patient, spotter and one passer-by
    workers: int = 2  # one landmarker per core; more gives nothing on one thread each
    ahead: int = 3  # pictures under way per worker, so that none idles; 6 MB each at 1080p
    # Which frames are looked at, and how; see accuracy/methods.
    first_hz: float = 12.0  # everybody, throughout: who walks in is noticed within 0.1 s
    moving_hz: float = 60.0  # where somebody moves
    moved_legs: float = 0.03  # between two looks: feet, or hips and knees; noise is 0.007
    around_motion_s: float = 0.05  # before and after (choice)
    around_moment_s: float = 0.07  # around a contact or deepest flexion: what is smoothed over
    step_tolerance: float = 0.2  # of a frame in a step: 59.94 frames/s are 60 (choice)
    most_window_change: float = 0.25  # of a window's side, else everybody is looked for (choice)
    # Which frames are looked at mirrored as well; see accuracy/methods/angles.md.
    mirrored_hz: float = 30.0  # around a lowest point
    mirrored_reach_s: float = 0.04  # before and after it: three frames do as well as five (drawn)
    mirrored_standing: int = 6  # frames of quiet standing, evenly spread (choice)
    mirrored_torsos: float = 0.5  # a body farther away is somebody else's (choice)
    # How the detector's window is laid anew for such a look at a leg that stands alone, seen from
    # the side: it shows legs larger and nearer to its middle (crowd of drawn bodies).
    relaid_side_share: float = 0.88  # of its side that is left
    relaid_lower: float = 0.02  # by so much of its side
    relaid_forward_deg: float = 5.0  # its top towards where the body faces


@dataclass(frozen=True)
class BackgroundSettings:
    """How points of the still background are followed; px are those of a small grey picture."""

    rate_hz: float = 30.0  # of pictures; a hand shakes at 10 Hz (choice: speed)
    long_side_px: int = 640  # of the small picture (choice: speed)
    cells: tuple[int, ...] = (16, 20, 24, 28, 32)  # along the long side, a point each (choice)
    least_cell_px: int = 4  # (choice)
    enough_points: int = 80  # finer cells are tried for fewer (choice)
    window_px: int = 15  # matched around each point (choice)
    halvings: int = 3  # points are found up to 50 px from where expected (worked)
    search_rounds: int = 10  # of the search for one point (choice)
    search_settled_px: float = 0.03  # a smaller step ends it (choice)
    least_gradient: float = 1e-7  # smaller eigenvalue below which no search is tried (choice)
    least_corner: float = 2e-5  # smaller eigenvalue; weaker corners add few that stay (choice)
    least_edge: float = 1e-3  # larger eigenvalue, where a cell has no corner (choice)
    gradient_block_px: int = 5  # over which gradients are averaged (choice)
    unlike_share: float = 0.6  # of a patch's contrast; two of mere noise differ by 1.4 (choice)
    agreeing_within_px: float = 1.5  # of the points' common motion, for the next guess (choice)
    least_in_view_share: float = 0.75  # of the points; fewer renew the reference picture (choice)
    fewest_points: int = 12  # a picture with fewer is no reference (choice)
    try_again_frames: int = 30  # until another one is tried (choice)
    block_frames: int = 512  # kept together in memory; touches no number (choice)


@dataclass(frozen=True)
class CameraSettings:
    """How the camera's motion is read from the still background."""

    focal_share: float = 0.78  # of the long side: 28 mm for 36 mm, a phone's main lens
    focal_from_share: float = 0.04  # of the long side moved; less does not show it (choice)
    focal_better_share: float = 0.8  # of the residuals; else the assumed one is kept (choice)
    focal_least_share: float = 0.65  # of the assumed one, that of a wide lens (choice)
    focal_most_share: float = 3.2  # of the assumed one, that of a long lens (choice)
    focal_steps: int = 9  # tried between them (choice)
    focal_frames: int = 40  # those that moved farthest show it (choice)
    outline_directions: int = 16  # of the lines that enclose a body (choice)
    body_torsos: float = 4.0  # a body's height; bent over, a torso looks short (choice)
    block_frames: int = 1000  # fitted at once, for the memory (choice)
    coarse_rounds: int = 8  # of the fit, least absolute residuals (choice)
    fine_rounds: int = 6  # of the fit, trimmed squares (choice)
    trimmed_at_sds: float = 4.685  # 95 % efficient (Beaton & Tukey 1974; from memory, sure)
    damping: float = 1e-3  # of a step: few points, or points on a line, stay harmless (choice)
    largest_step: float = 0.3  # radians, or logarithm of the zoom, in one round (choice)
    near_person_torsos: float = 0.3  # clothes reach beyond the landmarks (choice)
    above_person_torsos: float = 0.15  # more above: landmarks end at the ears (choice)
    near_person_s: float = 0.1  # before and after: the model misses single frames (choice)
    fewest_points: int = 10  # that agree; twice what fixes the four unknowns (choice)
    least_spread: float = 0.06  # SD of their places across the picture, of its short side (choice)
    agreeing_share: float = 0.6  # of the points off people; fewer follow different things (choice)
    agreeing_within_share: float = 0.0015  # of the long side: 2 px of 1280 (choice)
    points_per_independent: float = 4.0  # neighbours err alike: four count as one (choice)
    least_residual_share: float = 0.0001  # of the long side: a point is found to 0.1 px of 1280
    worst_sd_share: float = 0.002  # of the long side at the body; the pose model's own noise
    still_share: float = 0.0008  # of the long side; a camera that moves less stands still
    bridged_s: float = 0.1  # longest segment of frames placed between their neighbours
    least_known_share: float = 0.5  # of the frames; fewer and the path is not used (choice)
    judged_from_rim_share: float = 0.25  # of the picture: where it must move to be said to (choice)
    moved_percentile: float = 99.0  # of the frames; single wild ones move nothing (choice)
    surely_sds: float = 3.0  # a path that strays less stands still (choice)
    falls_along: float = 0.3  # of a body's fall; a path that shares more follows the body
    falling_s: float = 0.12  # shorter falls are not asked (choice)
    fall_half_window_s: float = 0.07  # half of a short flight (choice)
    fall_least_share: float = 0.5  # of gravity; between standing and free fall (choice)
    fall_most_share: float = 2.0  # of gravity; more is misread (choice)
    eyes_to_toes_m: float = 1.6  # of an adult (choice)
    one_sided_frames: int = 3  # beside unknown ones, in which accelerations are wild (choice)
    # What a camera that moves costs; see accuracy/methods.
    hand_event_sd_s: float = 0.0015  # a lens that a hand moves by 1 cm, walls at 3 to 8 m (worked)
    landing_m_s: float = 1.5  # speed of a foot that lands from 0.3 s in the air
    quiet_feet_share: float = 0.012  # of the leg; 70 rendered clips: one on a tripod has more
    stabilised_feet_share: float = 0.02  # of the leg; 25 stabilised clips: 0.003 to 0.016
    leaving_s: float = 0.4  # before take-off feet may roll (choice)
    settled_s: float = 0.6  # after landing they stand (choice)
    standing_s: float = 0.4  # shorter standing does not show a sway (choice)
    hand_turn_deg: float = 1.0  # of a phone held in the hand, standard deviation (choice)
    worst_event_sd_s: float = 0.010  # swaying more, contacts are misread; see accuracy/methods


@dataclass(frozen=True)
class PeopleSettings:
    """How people are told apart and the patient is chosen."""

    reach_torsos: float = 0.5  # from frame to frame; a jumper moves .2 of a torso at 30 frames/s
    reach_torsos_per_s: float = 3.0  # since last seen (choice)
    reach_torsos_most: float = 3.0  # farther away it is somebody else (choice)
    reach_log_size: float = 0.5  # 1.6 times larger or smaller is somebody else (choice)
    least_share: float = 0.05  # of the clip; seen for less is nobody (choice)
    least_fall_s: float = 0.1  # in the air at least this long to count as jumping (choice)
    fall_half_window_s: float = 0.07  # half of a short flight (choice)
    fall_least_share: float = 0.5  # of gravity; between standing and free fall (choice)
    fall_most_share: float = 2.0  # of gravity; more is misread (choice)
    upside_down_share: float = 0.8  # of the frames of one who is a reflection (choice)
    kept_size_share: float = 0.9  # of a person's size when seen anew; the rest follows (choice)
    least_spread_m2: float = 0.05  # the torso's corners about their middle; folded 0.08 (rendered)
    # Who is who after bodies have met; torso lengths.
    twice_torsos: float = 0.15  # nearer than this is one person seen twice (choice)
    clear_torsos: float = 0.9  # two torsos farther apart are never mixed (rendered)
    least_piece_frames: int = 3  # a segment of clear frames (choice)
    predicted_s: float = 1.0  # for which somebody unseen walks on at their speed (choice)
    piece_end_s: float = 0.25  # at a piece's end, where speed and size are read (choice)
    piece_end_share: float = 0.4  # of that must be seen to tell a speed (choice)
    clearer_by: float = 0.1  # torsos and log size by which a body must fit one better (choice)
    back_torsos: float = 0.2  # across the picture: a body is where its person must be (choice)
    back_torsos_along: float = 0.8  # the same along it; a jump is half of it (choice)
    back_log_size: float = 0.2  # a body 1.2 times as large is somebody else (choice)
    # Who else is near the patient; shares are of the height from shoulders to feet.
    overlap_share_of_body: float = 0.03  # boxes nearer than this overlap; see accuracy/methods
    near_share_of_body: float = 0.4  # nearer than this the model mixes bodies (rendered)
    same_share_of_body: float = 0.06  # two landmarks nearer than this are the same one (choice)
    same_landmarks: int = 3  # more than this in common: a body drawn from two (choice)
    lost_s: float = 0.6  # for which a crossing may hide one of the two (choice)
    beside_share_of_body: float = 0.04  # feet less apart in height: beside, not behind (choice)
    feet_around_s: float = 0.5  # before and after a meeting a walker's feet are looked at (choice)
    floor_percentile: float = 80.0  # of the feet's height in the picture: where they stand (choice)
    compared_s: float = 1.5  # before and after an occlusion: time to stand upright once (choice)
    same_px: float = 1.0  # a body seen within this of a person's is theirs (choice)
    around_occlusion_s: float = 0.15  # the model mixes legs a frame or two longer (rendered)
    unsure_s: float = 0.15  # beside a loss bodies are mixed for 7 frames at 60/s (rendered)
    mixed_share: float = 0.1  # of the frames; 0 of 90 clips of one person, 0.17 with a spotter
    near_widens: float = 3.0  # an event's uncertainty; see accuracy/methods
    alike_size: float = 1.15  # two who jump and are so nearly of one size: no clear patient


@dataclass(frozen=True)
class ViewSettings:
    """How the view is decided."""

    square_on_within_deg: float = 25.0  # beyond, flexion reads 9 % and FPPA 25 deg wrong: oblique
    smoothing_s: float = 0.5  # half-window; nobody turns much faster between landings (choice)
    turned_deg: float = 25.0  # out of the clip's view: another; 13 at most in 90 clips without turn
    turned_s: float = 0.3  # turned for less is noise (choice)
    turning_deg: float = 20.0  # to either side within a rep: it has no one view (choice)
    landing_s: float = 0.2  # after landing the body is deep (choice)
    feet_apart_s: float = 0.25  # over any lead of a foot, below contact and flight (choice)
    standing_s: float = 0.1  # before toe-off and after landing a foot's rest is read (choice)
    least_main_share: float = 0.3  # of the frames, square-on to one view; fewer: oblique (choice)
    # What the model adds to the true turn, and what is left of it once taken away: 190 rendered
    # views of four bodies, one body left out at a time; see accuracy/methods.
    handed_deg: float = 1.9  # to the own left when seen from the front; mirrored pictures agree
    side_short_deg: float = 5.0  # seen from the side the turn reads smaller
    oblique_long_deg: float = 7.1  # between front and side it reads larger
    front_yaw_sd_deg: float = 2.5  # rendered
    back_yaw_sd_deg: float = 4.5  # rendered
    side_yaw_sd_deg: float = 4.5  # rendered


@dataclass(frozen=True)
class TrackSettings:
    """How landmarks become tracks."""

    max_gap_s: float = 0.1  # the longest gap that is bridged
    angle_cutoff_hz: float = 15.0  # motion low-pass in landing work: Nordin & Dufek, PMC4969247
    cutoff_per_rate: float = 0.2  # cut-off at most this share of the frame rate (choice)
    min_visibility: float = 0.1  # full model, image mode; a hidden far limb stays above it
    spike_window_s: float = 0.1  # half-width of the running median (choice)
    spike_share_of_leg: float = 0.06  # knee and below: 5 cm off the running median (choice)
    spike_share_of_leg_body: float = 0.12  # hips and above: a deep landing's bottom is 8 cm off
    spike_rounds: int = 3  # of asking whether a sample only turns quickly (choice)
    fewest_spike_frames: int = 5  # of a clip; fewer show no usual place (choice)
    line_s: float = 0.075  # before a frame, where the line begins on which legs go on (drawn)
    exchange_legs: float = 0.03  # legs; more than noise moves the mean of ten landmarks (drawn)
    exchanged_legs_per_s: float = 0.4  # a wrong reading saves .25 leg at each of its ends (choice)
    twisted_legs_per_s: float = 20.0  # hips turned against shoulders, for each leg^2 (drawn)
    most_stray_legs: float = 0.25  # of a landmark off where it was going; wild ones (drawn)
    even_stray_legs: float = 0.1  # counts as it is; half of it as a quarter (drawn)
    feet_apart_legs: float = 0.2  # feet are seen apart (choice)
    foot_stays_legs: float = 0.04  # within handed_over_s: it stands (choice)
    carried_window_s: float = 0.06  # on both sides, over which the trunk's fall is read (choice)
    carried_legs_s2: float = 4.0  # a body that falls less does not fly; gravity is 11 (choice)
    handed_over_s: float = 0.07  # without a flight no foot takes the other's place so soon (choice)
    hand_over_legs: float = 0.4  # by each pair of frames; 0.2 to 1 do alike (choice)
    stray_in_s: float = 1 / 60  # quicker frames' ways are drawn out to this (choice)
    fewest_smoothed_frames: int = 13  # of an unbroken segment; the filter needs ten (choice)
    roll_sd_deg: float = 4.0  # phone on a tripod or held upright (choice, no source)
    scale_sd_known: float = 0.05  # segment lengths differ by 5 to 10 % (memory, fairly sure)
    scale_sd_unknown: float = 0.08  # as above, with an adult's unknown stature


@dataclass(frozen=True)
class FootSettings:
    """What the pose model makes of the edges of a foot, seconds.

    ``late``: how long after the true instant an edge is read (negative: before it);
    ``sd``: the scatter of that. ``stays_within_m``: the toes of a foot that stands stray less.
    ``toe_sinking_share``: how much of the usual speed toes sink on with once they touched.
    """

    toe_on_late_s: float
    toe_on_sd_s: float
    ankle_on_sd_s: float
    toe_off_late_s: float
    toe_off_sd_s: float
    stays_within_m: float
    toe_sinking_share: float = 1.0  # of toe_sinking_m_s (drawn)


@dataclass(frozen=True)
class EdgeShares:
    """Whose an edge's error is, in shares of its variance; what is left is the clip's.

    ``foot``: one foot's in one rep; ``rep``: both feet's alike in a rep that lands on both;
    ``limb``: one limb's alike in all of a clip.
    """

    foot: float
    rep: float
    limb: float


@dataclass(frozen=True)
class StepSettings:
    """How quick steps from foot to foot are read, see accuracy/methods."""

    floor_reach_s: float = 1.5  # before and after, where a foot's floor is looked for (choice)
    floor_percentile: float = 10.0  # of its heights there; it stands for a quarter (choice)
    half_window_s: float = 0.04  # over which the toes' speed is read (choice)
    toe_high_m: float = 0.04  # above its floor a foot stands as likely as not (drawn)
    ankle_high_m: float = 0.10  # the same of its ankle, which rises before the toes (drawn)
    moves_m_s: float = 0.8  # the same of toes that move (drawn)
    in_air_weight: float = 1.5  # of a foot surely in the air, against one that stands (choice)
    falls_share: float = 0.35  # of the pull; the body flies as likely as not (drawn)
    fall_weight: float = 2.0  # of the body, against 1 for each foot (drawn)
    dip_share: float = 0.5  # less where a foot is at rest: bodies dip on it (choice)
    telling_s: float = 1 / 60  # of one such sign; twice as many frames tell no more (choice)
    change_cost: float = 3.0  # signs of a change; fewer are misread (drawn)
    shortest_step_s: float = 0.16  # from landing to landing: 375 a minute (choice)
    longest_step_s: float = 0.5  # the same, 120 a minute; jogging has 150 to 180 (memory)
    fewest_steps: int = 4  # in a row; fewer are no bout (choice)
    in_turn_share: float = 0.75  # of them change the foot; fewer are hops (choice)
    in_turn_share_exchanged: float = 0.5  # where legs were exchanged, if flights are low (choice)
    low_flight_s: float = 0.12  # hops on one foot fly longer (choice)
    rhythm_share: float = 0.25  # of the usual step, by which one in rhythm differs (choice)
    fallen_share: float = 0.5  # of them begin with a fall of the body; fewer are walking (choice)
    beside_s: float = 0.12  # a bout; a landing of the body there is one of its own (choice)
    carried_share: float = 1.0  # of the pull, upwards; feet in the air then tell nothing (choice)
    shortest_air_s: float = 0.045  # between stays on the same feet; less is no flight (choice)
    # Edges: drawn patients for tuning, at 60 frames/s.
    told_on_early_s: float = 0.008  # before the landing a foot is told to stand
    on_share: float = 0.3  # of the pull, where a fall's end is read
    fall_on_early_s: float = 0.003  # before the landing
    told_off_early_s: float = 0.010  # before toe-off a foot is told to be gone
    off_share: float = 0.5  # of the pull, where a fall's beginning is read
    fall_off_early_s: float = 0.008  # before toe-off
    # By how a clip is seen, besides: half of what tuning clips seen by the pose model err by.
    side_on_early_s: float = 0.005  # before the landing (drawn)
    side_off_late_s: float = 0.007  # after toe-off (drawn)
    front_off_early_s: float = 0.008  # before toe-off; from joints, too (drawn)
    fall_outside_s: float = 0.13  # of a stay, where the fall beside it is looked for (choice)
    fall_inside_s: float = 0.1  # (choice)
    landing_sd_s: float = 0.015  # of the two together; see accuracy/methods
    toe_off_sd_s: float = 0.020  # the same
    frame_share: float = 0.3  # of a frame interval, added to that (choice)


@dataclass(frozen=True)
class ContactSettings:
    """How contacts and flights are found."""

    toe_half_window_s: float = 0.04  # over which the toes' speed is read (choice)
    body_half_window_s: float = 0.07  # the same of the body's acceleration (choice)
    min_flight_s: float = 0.075  # the shortest running flight (CMU, Rajagopal)
    max_flight_s: float = 1.0  # a jump of 1.2 m
    min_rest_s: float = 0.06  # half of the fastest rebound of 150 ms (plausibility, no source)
    max_inter_limb_delay_s: float = 0.2  # feet farther apart than this are two landings (choice)
    max_contact_s: float = 1.5  # a longer stay on the ground is a held landing (choice)
    cut_off_s: float = 0.15  # an edge this close to the clip's end may lie outside it (choice)
    min_rate_hz: float = 20.0  # two frames in the shortest running flight (choice)
    falling_share: float = 0.5  # of gravity; between standing and free fall (choice)
    falling_edge_share: float = 0.2  # a segment ends where less than this is left (choice)
    sure_rise_share: float = 0.5  # the same of such a body's toes: a squat's wander by 15 mm
    flown_share: float = 0.5  # of a free arc's height above its ends; a contact has 0 or less
    falling_gap_s: float = 0.06  # noise may break a fall for this long; no contact is so short
    rest_speed_m_s: float = 0.4  # toes slower than this rest; a 0.1 s flight lands at 0.5 m/s
    rest_gap_s: float = 0.035  # two noisy frames at 60 frames/s do not end a rest (choice)
    falling_mean_share: float = 0.45  # of gravity over a flight; smoothing dilutes short ones
    sure_fall_s: float = 0.12  # a body that falls freely this long is in the air (choice)
    sure_fall_share: float = 0.8  # of gravity, on average
    # Take-off and landing from the body's fall alone, see accuracy/methods: the fall seems to begin
    # 14 to 28 ms (rendered), 45 ms (force plates) before take-off, to end 1 to 17 ms after landing.
    body_off_late_s: float = 0.025  # rendered and force plates
    body_off_sd_s: float = 0.020  # rendered and force plates
    body_on_early_s: float = 0.008  # rendered and force plates
    heels_fall_s: float = 0.22  # in shorter falls heels, not the body, tell take-off (drawn)
    short_fall_sd_s: float = 0.025  # more of take-off in such a fall, which begins early (drawn)
    body_on_sd_s: float = 0.015  # rendered and force plates
    off_before_body_s: float = 0.075  # as much more as both err by (choice)
    off_after_body_s: float = 0.045  # three standard uncertainties of the difference (choice)
    on_before_body_s: float = 0.070  # more, for a first foot that lands alone (choice)
    beside_from_s: float = 0.04  # before and after a fall, where levels are compared (choice)
    beside_to_s: float = 0.14  # (choice)
    toes_before_s: float = 0.15  # a fall, where their level is read (choice)
    toes_after_from_s: float = 0.03  # a fall, the same (choice)
    toes_after_to_s: float = 0.15  # (choice)
    down_from_s: float = 0.05  # after a fall, where it is asked which feet are down (choice)
    down_to_s: float = 0.2  # (choice)
    deep_share: float = 0.35  # of a fall; farther inside it no foot leaves or lands (choice)
    noise_sds: float = 3.0  # a rise, or a misfit, of fewer is noise (choice)
    seldom_share: float = 0.5  # of the other's landings; a foot held up lands less often (choice)
    carried_rest_share: float = 0.6  # of a flight; toes that rest for more carry the body (choice)
    carried_rise_share: float = 0.25  # of a free arc's rise; toes in the air rise more (choice)
    floor_percentile: float = 10.0  # of the heights at which toes rest (choice)
    better_placed_ratio: float = 2.0  # of uncertainties; worse ones settle no flight (choice)
    stood_before_s: float = 0.3  # before it leaves, a foot is seen where it stood (choice)
    least_heel_rise_m: float = 0.025  # of heel and ankle as a foot leaves; 0.03 to 0.2 (rendered)
    short_fall_s: float = 0.25  # longer ones move the toes faster than at rest (rendered: 0.23)
    # Toes that fly through a short fall against toes that stand through it, see accuracy/methods.
    arc_log_odds: float = 5.0  # 150 times likelier (choice; drawn: bodies that bob on their toes)
    fall_log_odds: float = 20.0  # for each g by which the body falls faster (drawn sticks)
    even_fall_share: float = 0.6  # of gravity, on average; as likely carried as not (drawn sticks)
    arc_beside_s: float = 0.1  # before and after a flight, where toes stand (choice)
    arc_step_s: float = 0.0125  # from flight to flight that is tried (choice)
    fewest_beside_frames: int = 2  # fewer show no stand (choice)
    least_toe_noise_m: float = 0.001  # no point of a shoe is placed better (choice)
    least_rise_share: float = 0.4  # of a free arc's rise; legs that bend lift the toes more
    far_foot_m: float = 0.16  # side view, lens 1.4 m high: feet on the floor differ by 0.14 m
    held_foot_m: float = 0.08  # above the other foot's level, of a foot that seldom lands
    fewest_stay_frames: int = 3  # fewer show nothing (choice)
    stay_s: float = 0.2  # after landing and before toe-off toes are asked whether they stay
    stay_margin_s: float = 0.02  # but not this near to the edge: they sink, and roll (choice)
    late_s: float = 0.06  # later than the other a foot may only have sunk with the body (choice)
    surely_moved_share: float = 2.0  # a hidden foot that stands moves by 1.5 (see accuracy/methods)
    doubted_share: float = 0.5  # of these limits, for a foot that hung on the flight's other side
    heel_before_s: float = 0.08  # toe contact the heel is looked at (choice)
    heel_after_s: float = 0.18  # (choice)
    heel_fewest_frames: int = 5  # in that time (choice)
    heel_rest_share: float = 0.25  # of that time, its end: the heel rests (choice)
    heel_high_share: float = 0.2  # of its rise; the heel is last so high before it lands (choice)
    heel_near_s: float = 0.01  # after which it is looked for (choice)
    lift_share: float = 0.25  # of the rise; here a part has surely left, or not yet landed (choice)
    lift_time_share: float = 0.067  # of a flight, until a parabola has risen by that (worked)
    least_lift_m: float = 0.01  # less is no rise (choice)
    heel_moving_s: float = 0.05  # from toe contact to heel contact (choice)
    heel_early_s: float = 0.030  # its last centimetre is slow: rendered heels read 35 ms early
    heel_model_sd_s: float = 0.025  # scatter of that
    hidden_visibility: float = 0.75  # near foot .95, far foot .35 to .61 on rendered side views
    poor_event_ratio: float = 1.5  # to the other foot's uncertainty; a better one stays (choice)
    poor_event_sd_s: float = 0.014  # an edge less certain than this asks the other foot (choice)
    feet_apart_sd_s: float = 0.015  # between the feet of a two-leg jump, to help a hidden one
    unseen_apart_sd_s: float = 0.025  # of a hidden foot that stands beside the other (choice)
    ankle_near_s: float = 0.015  # after which the ankle's break is looked for (choice)
    ankle_before_from_s: float = 0.05  # before toe contact, where its height is read (choice)
    ankle_before_to_s: float = 0.02  # after toe contact (choice)
    ankle_after_from_s: float = 0.03  # after its break, the same (choice)
    ankle_after_to_s: float = 0.12  # (choice)
    # From toe contact to the ankle's break, and more per metre that the ankle sinks: rendered
    # feet 20 ms at 18 mm, force plates 32 ms at 54 mm and 54 ms at 84 mm.
    ankle_on_lag_s: float = 0.005  # rendered and force plates
    ankle_on_lag_s_per_m: float = 0.62  # rendered and force plates
    # By how a foot is seen; see accuracy/methods.
    front: FootSettings = FootSettings(0.0, 0.004, 0.010, 0.001, 0.010, 0.025, 0.5)
    near: FootSettings = FootSettings(-0.002, 0.009, 0.012, 0.003, 0.011, 0.020)
    far: FootSettings = FootSettings(0.006, 0.028, 0.025, 0.0, 0.025, 0.024)
    behind: FootSettings = FootSettings(0.008, 0.015, 0.015, -0.010, 0.018, 0.025)
    # At a plate the model errs by 27 (toe) and 22 mm (ankle) RMS, in jumps by 13 and 17; half of
    # the squares beyond those are claimed, since three bodies tell no more (drawn).
    near_plate_toe_on_sd_s: float = 0.015  # of a near foot as fast as in a jump
    near_plate_ankle_on_sd_s: float = 0.014  # the same of its ankle
    frame_share: float = 0.2  # of a frame interval, added to an edge's uncertainty (rendered)
    # Held-out bodies, a third more than measured, see accuracy/methods; side: rendered.
    front_landing: EdgeShares = EdgeShares(foot=0.45, rep=0.1, limb=0.15)
    front_leaving: EdgeShares = EdgeShares(foot=0.3, rep=0.3, limb=0.1)
    back_landing: EdgeShares = EdgeShares(foot=0.5, rep=0.1, limb=0.1)
    back_leaving: EdgeShares = EdgeShares(foot=0.15, rep=0.15, limb=0.1)
    side_edges: EdgeShares = EdgeShares(foot=0.45, rep=0.05, limb=0.1)
    change_point_search_s: float = 0.07  # on both sides of the frame where the toes start or stop
    change_point_moving_s: float = 0.09  # at most half of the flight; least scatter (rendered)
    drawn_up_s_per_m: float = 0.2  # of toes' rise beyond the body's (drawn, tuning bodies)
    jumping_speed_m_s: float = 1.4  # of feet that land or leave in a jump; slower: unsure (drawn)
    most_slowed: float = 3.0  # times as unsure as from a jump, of feet that hardly move (choice)
    slow_toes_m_s: float = 0.8  # leaving for 0.16 s; they creep up as far as they fly (drawn)
    # Where heels rise fastest, with slow toes: drawn tuning clips, see accuracy/methods.
    heel_half_window_s: float = 0.05  # over which their speed is read (drawn)
    heel_off_before_s: float = 0.03  # the body's take-off, where it is looked for (choice)
    heel_off_after_s: float = 0.06  # after it (choice)
    heel_off_early_s: float = 0.008  # before toe-off (drawn)
    heel_off_sd_s: float = 0.015  # the scatter of that (drawn)
    change_point_misfit_m: float = 0.012  # a held foot misses by more (choice, see tests)
    leaving_misfit_share: float = 0.08  # or this of its way: a leg drawn up bends it (choice)
    toe_sinking_m_s: float = 0.25  # the model's toes sink on while the heel comes down (rendered)
    landing_rest_s: float = 0.08  # about half of the fastest rebound
    leap_sd_s: float = 0.007  # more, from foot to foot: 6 early, 10 late (drawn, tuning bodies)
    longest_quick_contact_s: float = 0.6  # in less nobody sets the other foot down, too (choice)
    leaving_rest_s: float = 0.05  # shorter: toes creep while the heel rises
    steps: StepSettings = StepSettings()


@dataclass(frozen=True)
class BodySettings:
    """Whether two clips can be of one body; none of this touches a number."""

    upright_pct: float = 85.0  # of frames; a trunk is that long in the picture or shorter (choice)
    trunk_per_leg_sd: float = 0.03  # six rendered clips: 0.01 in a body; real ones wider (choice)
    apart_sds: float = 2.0  # usual 95 %; the sds count in full what two clips share (choice)


@dataclass(frozen=True)
class GravitySettings:
    """How free fall is used as a ruler and a plumb line."""

    min_flight_s: float = 0.15  # shorter flights bend by less than their noise (choice)
    min_samples: float = 5  # two more than a parabola has coefficients
    flight_share: float = 0.07  # of gravity, from flight to flight; see accuracy/methods
    body_share: float = 0.12  # of gravity, common to all flights; see accuracy/methods
    standing_sd_deg: float = 0.6  # of shoulders over ankles from the front; see accuracy/methods
    standing_half_window_s: float = 0.15  # over which their speed is read (choice)
    still_m_s: float = 0.08  # shoulders slower than this stand still (choice)
    still_s: float = 0.3  # for at least this long (choice)
    level_share_of_leg: float = 0.08  # ankles less apart in height: on both feet (choice)
    trust_factor: float = 1.4  # scales farther apart than this question the clock


@dataclass(frozen=True)
class RepSettings:
    """How contacts become reps."""

    longest_landing_s: float = 0.6  # the lowest point comes sooner than this after contact (choice)
    odd_share: float = 0.25  # landings unlike the set's, when fewer, are refused (choice)
    half_contact_s: float = 0.05  # half of the shortest contact is more (choice)
    lowest_reach_s: float = 0.08  # a parabola fits the bottom of a landing this far (choice)
    exchange_reach_s: float = 0.1  # legs exchanged this near a flight leave its feet in doubt
    shortest_hop_s: float = 0.12  # in the air; steps from foot to foot fly shorter (choice)
    passing_s: float = 0.07  # legs exchanged no longer land on the right foot (choice)
    turn_reach_s: float = 0.25  # a parabola fits the turn of a pelvis that shifts this far (choice)
    after_lowest_s: float = 0.05  # the clip must go on this long after the lowest point (choice)
    same_rep_s: float = 0.15  # found anew it lands this near; no two land so near (choice)


@dataclass(frozen=True)
class ShiftSettings:
    """How loads are read where the weight goes from leg to leg without a flight."""

    least_stance_legs: float = 0.3  # between the feet; closer ones are standing or walking (choice)
    over_share: float = 0.2  # of the stance beyond its middle: the pelvis went to a side (choice)
    half_window_s: float = 0.08  # over which the pelvis is smoothed (choice)
    shortest_load_s: float = 0.25  # (choice)
    longest_load_s: float = 4.0  # (choice)
    fewest_loads: int = 4  # in turn; fewer are a sway (choice)
    # A slide board: a foot stops at its own end and leaves again; offsets from drawn patients.
    fewest_stops: int = 3  # of both feet in turn (choice)
    least_slide_legs: float = 0.25  # both feet go along at least so far: 0.2 m (choice)
    ends_percentile: float = 3.0  # of a foot's places: the ends of its way (choice)
    end_share: float = 0.25  # of its way; a foot that stands so near stands at its end (choice)
    slides_m_s: float = 0.3  # a slower foot stands (choice)
    shortest_stop_s: float = 0.25  # (choice)
    stop_search_s: float = 0.12  # around where it is still, where the stop is fitted (choice)
    stop_moving_s: float = 0.12  # (choice)
    stop_resting_s: float = 0.15  # (choice)
    stop_misfit_m: float = 0.05  # (choice)
    stop_misfit_sds: float = 5.0  # (choice)
    stop_late_s: float = 0.020  # the fit, after the stop
    stop_sd_s: float = 0.008  # the scatter of that
    still_late_s: float = 0.046  # where it is still, after the stop
    leaving_late_s: float = 0.036  # where it is still for the last time, after it leaves
    leaving_sd_s: float = 0.015  # the scatter of both
    sd_s: float = 0.020  # of a load's beginning, from force against place (choice)
    share_sd: float = 0.03  # of the stance: where the pelvis is (choice)
    least_per_s: float = 0.5  # stances a second; a slower pass is no worse (choice)
    frame_share: float = 0.3  # of a frame interval, added to a load's uncertainty (choice)


@dataclass(frozen=True)
class SignSettings:
    """How exercises are recognised and bouts are cut."""

    hanging_percentile: float = 95.0  # of how far a joint is below another: the leg hangs (choice)
    reps_around: int = 1  # before and after, whose likeness counts as well (choice)
    bout_change_cost: float = 4.5  # log-likelihood; three reps misread for sure lose 9 (choice)
    fewest_of_bout: int = 3  # reps; fewer between others are misread (choice)
    pause_s: float = 2.0  # nothing is done for longer: another bout (choice)
    rebound_s: float = 1.2  # from landing to landing; a rebound follows at once (choice)
    from_box_legs: float = 0.12  # a lower landing than this is from a box, 10 cm (choice)
    least_likeness: float = 0.05  # all exercises together less alike: nothing is sure (choice)
    longest_swing_s: float = 0.6  # of a step: slower ones are no steps (choice)
    beside_s: float = 0.08  # before a take-off, and after a landing, a foot stands (choice)
    size_over_s: float = 0.25  # after a landing, in which the trunk's size is read (choice)
    phone_away_legs: float = 4.2  # 3 m, over the trunk's share of the feet's way, 0.8 (choice)
    way_before_s: float = 1.0  # a landing, where the way from foot to foot begins (choice)
    edge_steepness: float = 3.0  # of a sign: at its range's edge it is 0.95 likely (choice)
    # What is read of a swing; the pose model on drawn sticks only, see accuracy/methods.
    thigh_offset_sd_deg: float = 3.0  # of a level thigh: the model's hip point (choice)
    heel_offset_sd_pct_of_leg: float = 2.0  # of the leg, of the model's heel (choice)
    halfway_frame_share: float = 0.3  # of a frame interval, where an angle is halfway up (choice)
    least_sine: float = 0.2  # a thigh that hangs is read from a cosine, bluntly (choice)
    possible_likeness: float = 0.05  # of a planned exercise; less speaks surely against (choice)
    most_reps_share: float = 0.75  # of the reps; a planned exercise is possible in so many (choice)
    sure_share: float = 0.8  # a confidence of less is not stated as certain (choice)


@dataclass(frozen=True)
class KneeSettings:
    """How knee flexion is read in a side view; the figures are from rendered patients."""

    # Of the angle at the knee, whose near leg the pose model sees as a left one: what it reads low
    # by, straight and bent, and how surely (crowd of drawn bodies, accuracy/methods/angles.md).
    low_reading_deg: float = 3.0  # up to low_until_deg; published 2.3 to 5.1 deg in squats
    low_until_deg: float = 20.0  # about where feet touch the ground (drawn)
    low_lost_per_deg: float = 0.06  # less for each degree beyond
    least_low_reading_deg: float = 0.6  # from 60 deg on (drawn)
    angle_sd_deg: float = 3.5  # of a knee bent less than distance_from_deg
    # More for each degree beyond, where none, one and both of these hold: the leg is seen as a
    # right one; the body stands on it alone, with the other knee beside it.
    sd_per_deg: tuple[float, float, float] = (0.01, 0.10, 0.30)  # (drawn)
    most_between_looks_deg: float = 20.0  # apart: one of them took one leg for the other (choice)
    # Of the hip-ankle distance over the straight length: on one foot, and on both, of which each is
    # set down nearer or farther than it stood.
    alone_distance_sd_share: float = 0.024  # (drawn)
    distance_sd_share: float = 0.030  # (drawn)
    distance_from_deg: float = 30.0  # a knee bent less is read from its angle alone
    distance_full_deg: float = 50.0  # a knee bent more gives the distance its full weight
    least_bent_deg: float = 3.0  # less counts as this: the distance tells nothing (choice)
    most_bent_deg: float = 150.0  # no knee bends more (choice)
    least_distance_weight: float = 1e-3  # of its full one; hardly any (choice)
    largest_yaw_deg: float = 30.0  # beyond, no side view, and its correction none (choice)
    least_sd_deg: float = 3.0  # definitions of flexion differ by more (lab drop jumps)
    # Of its variance, a third more than drawn bodies show at two visits, see accuracy/methods.
    visit_share: float = 0.2  # may differ at the next visit
    posture_share: float = 0.35  # one landing's own
    nearly_straight_deg: float = 15.0  # bent less than this shows the straight length
    nearly_straight_alone_deg: float = 25.0  # the same of a leg that alone carries the body
    floor_percentile: float = 20.0  # of an ankle's heights in a landing: its lowest (choice)
    standing_ankle_m: float = 0.15  # above its lowest; 0.10 on the toes, 0.25 held up (rendered)
    falling_m_s: float = 3.0  # before contact and after the heel rises: no ankle is faster
    heel_rise_s: float = 0.1  # before toe-off the heel rises (force-plate records: 0.12)
    fewest_straight_frames: float = 5  # frames of that kind a clip must hold (choice)


@dataclass(frozen=True)
class LyingSettings:
    """How a body on a sled is known, and what pulls it to the plate."""

    least_share: float = 0.6  # of its frames the trunk lies sideways (choice)
    down_sd_deg: float = 10.0  # of the plate's direction before a flight shows it (choice)
    pull_half_window_s: float = 0.06  # over which the carriage's acceleration is read (choice)
    moves_m_s: float = 0.2  # faster than this along the rails (choice)
    usual_pull_m_s2: float = 4.0  # where nothing moves (choice)
    least_pull_m_s2: float = 1.0  # a weaker pull brings nobody back to the plate (choice)
    most_pull_m_s2: float = 12.0  # a little above gravity (choice)
    rounds: int = 3  # of flights by pull and pull by flights (choice)
    # The carriage's way shows the rails; see accuracy/methods.
    rails_beside_s: float = 0.3  # before the first take-off and after the last landing (choice)
    fewest_rail_frames: int = 10  # fewer show no line (choice)
    least_rail_m: float = 0.03  # root mean square from the middle; 0.07 to 0.1 (drawn)
    rail_straightness: float = 4.0  # as far along as across, at least; 8 to 22 (drawn)
    rails_sd_deg: float = 2.5  # of their direction: 1.8 RMS, 3.1 at worst (drawn, 8 clips)
    rest_half_window_s: float = 0.15  # over which the carriage's speed is read (choice)
    rests_m_s: float = 0.05  # a slower carriage stands still (choice)
    least_rest_s: float = 0.3  # for at least this long (choice)
    taught_rest_deg: float = 90.0  # knee at rest on the plate; common practice, no source
    # On a sled no knee is ever straight, and the hip's point strays with the arch of the back: the
    # angle at the knee alone is read. Drawn sleds: -5 to +2 deg by body, 3 from rep to rep.
    knee: KneeSettings = KneeSettings(
        angle_sd_deg=5.5,
        sd_per_deg=(0.01, 0.01, 0.01),
        low_lost_per_deg=1e-9,
        fewest_straight_frames=1e9,
    )


@dataclass(frozen=True)
class FppaErrors:
    """What the pose model's FPPA errs by as it is read, by whose it is, as standard uncertainties.

    From still landings of the bodies of the crowd, see accuracy/methods. The usual error of
    all bodies, which is not taken off, is in the person's.
    """

    person_sd_deg: float
    limb_sd_deg: float
    clip_sd_deg: float
    posture_sd_deg: float


@dataclass(frozen=True)
class MeasureSettings:
    """How angles are read, and what the pose model adds to their uncertainty.

    The offsets are standard uncertainties that all reps of a clip share; they were
    measured on rendered patients, see accuracy/methods.
    """

    before_impact_s: float = 0.06  # the angle is straight enough before contact (choice)
    after_impact_s: float = 0.04  # shorter after it: the knee soon slows down (choice)
    # A knee that extends until it lands turns sharply there, and the pose model rounds that off. In
    # steps by 0 to 15 deg, which hangs on the body (rendered, five clips): no angle is given there.
    # Else this share of the last extension is claimed.
    most_extended_deg: float = 10.0  # of a step; 19 seen were 45 in truth (rendered)
    rounded_share: float = 0.4  # 12 of 30 deg (one rendered run, 10 landings)
    extends_s: float = 0.1  # before contact, where that begins (choice)
    least_extended_deg: float = 20.0  # jumps and hops extend by less (rendered)
    unseen_reach_s: float = 0.1  # around contact, where unclear points are named (choice)
    fewest_reps_for_thirds: int = 6  # two reps in a third (choice)
    fewest_reps_to_pair: int = 2  # of both limbs, as of one for a spread (choice)
    least_leg_share: float = 0.2  # of its length that a bent leg shows; sizes yaw's effect (choice)
    peak_reach_s: float = 0.06  # a parabola fits a landing's bottom this far (choice)
    peak_instant_sd_s: float = 0.012  # of the lowest point
    turn_instant_sd_s: float = 0.03  # of a pelvis that turns back over one leg (drawn)
    fppa_front: FppaErrors = FppaErrors(3.0, 2.1, 1.0, 1.9)  # 4.3 in all
    fppa_back: FppaErrors = FppaErrors(5.8, 3.7, 2.2, 3.7)  # the kneecap is hidden: 8.1
    trunk_offset_sd_deg: float = 2.0  # see accuracy/methods
    pelvis_shift_offset_sd_pct: float = 2.0  # see accuracy/methods
    passing_leg_sd_deg: float = 3.0  # peak flexion beside a leg that swings past (drawn: 5 for 4)
    quick_step_contact_sd_deg: float = 9.0  # knee at contact, jog 13, run 8, knees 5 off (tuning)
    pelvis_height_offset_sd_pct: float = 4.0  # see accuracy/methods
    offset_sd_pct_of_leg: float = 2.0  # see accuracy/methods
    ratio_offset_sd: float = 0.05  # see accuracy/methods


@dataclass(frozen=True)
class AlignmentSettings:
    """When an FPPA says something of a knee's alignment; see tests/accuracy/methods/angles.md."""

    most_turn_gain: float = 3.0  # deg per deg of leg turn: 3.3 deg make the limit's 10 (choice)
    foot_share_of_leg: float = 0.26  # heel to toe landmark, 0.22 m on a leg of 0.84 m (choice)
    most_over_foot_deg: float = 25.0  # FPPA of a knee straight over its foot; rendered: 18 at most
    standing_percentile: float = 90.0  # of a segment's length: when it is straight (choice)
    scatter_reach_s: float = 0.1  # on both sides of an instant (choice)
    most_scatter_deg: float = 4.0  # of one frame's angle; 1.1 at most on two plain clips


@dataclass(frozen=True)
class OffsetSettings:
    """How the pose model's offset of an FPPA is known and taken off."""

    # Of coefficients, in landing_analysis/data; "" for none.
    front_file: str = "offsets.json"  # fitted to drawn bodies
    back_file: str = "offsets.json"  # the same
    straight_share: float = 0.96  # hip to ankle over the straightest that stands still (choice)
    least_standing_share: float = 0.85  # of the longest leg of the clip; 0.91 in drawn sets
    fewest_standing_frames: int = 5  # fewer show no angle of quiet standing (choice)
    inside_share: float = 0.5  # of a set's landing frames inside the fitted range (choice)
    beyond_share: float = 0.25  # of that range, by which they may lie beyond it (choice)


@dataclass(frozen=True)
class ClockSettings:
    """How the clip's clock is questioned: gaps, slow motion, what a frame rate cannot carry."""

    jitter_sds: float = 3.0  # beyond the clip's own jitter an interval is long (choice)
    gap_share: float = 1.6  # of the usual interval; a missing frame doubles it (choice)
    void_gap_s: float = 0.1  # as long as the longest bridged gap of a track
    other_rate_ratio: float = 1.5  # phones slow by 2 and more; poor light takes 30 to 24 (choice)
    speed_share: float = 0.25  # a body's middle is only roughly its centre of mass (choice)
    segment_share: float = 0.15  # a slowed squat falls at 1.2 (rendered), a flight within 1.1
    sure_fall_sd: float = 0.2  # of one flight's factor; less certain ones say nothing (choice)
    surely_sds: float = 3.0  # flights that disagree by more do so surely (choice)
    trials: tuple[float, ...] = (2.0, 4.0, 8.0, 16.0, 32.0)  # 60 to 960 frames/s at 30 (choice)
    trial_least: float = 0.6  # of real time, of flights under a trial worth refining (choice)
    trial_most: float = 1.6  # the same (choice)
    usual_factors: tuple[int, ...] = (1, 2, 4, 5, 8, 10, 16, 20, 32)  # to 960 at 24 or 30 (worked)
    usual_within_share: float = 0.15  # a factor as near as that is the usual one (choice)
    mostly_share: float = 0.5  # of a flight in the slower segment, to tell of it (choice)
    landing_s: float = 0.6  # a landing belongs to the flight before it for this long (choice)
    floor_percentile: float = 10.0  # of the toes' heights: where they mostly rest (choice)
    mixed_ratio: float = 1.4  # flights of rendered sets differ by up to 1.2 (24 sets)
    # Feet lifted between flights may fly in slow motion: a flight of 0.2 s lifts by 5 cm, and
    # slowed 4 times, less than which is found without that, it lasts 0.8 s.
    lifted_m: float = 0.02  # (choice)
    lifted_s: float = 0.2  # (choice)
    lifted_beside_s: float = 0.15  # heels rise before and toes settle after a flight (choice)
    free_fall_check_rate_hz: float = 120.0  # more frames tell nothing more of a fall (choice)
    timing_rate_hz: float = 50.0  # slower, an interval of 20 ms is less than a frame


@dataclass(frozen=True)
class RepeatSettings:
    """When a frame shows the picture before it once more; levels are grey levels, 0..255."""

    short_side_samples: int = 180  # along the picture's shorter side (choice)
    block_samples: int = 8  # a twentieth of the shorter side, about a lower leg (choice)
    moved_levels: float = 10.0  # a limb in motion changes a block by more (rendered clips)
    sure_ratio: float = 10.0  # true repeats, coded again: 11 to 90; 27 clips without: at most 7
    least_levels: float = 0.5  # rounding of the pictures (worked)
    longest_run_frames: int = 3  # 15 frames/s shown at 60; more are a still scene (choice)
    throughout_share: float = 0.1  # of the frames in motion: repeats are the clip's making (choice)
    nearly_share: float = 0.8  # of the interval that is left (choice)


@dataclass(frozen=True)
class LookSettings:
    """Where and how often the light in the picture is read; a leg is 0.83 m.

    Patches are squares, given by half of their side.
    """

    short_side_samples: int = 240  # along the picture's shorter side; a shoe is 15 of them (choice)
    every_s: float = 0.2  # light changes slowly (choice)
    most_looks: int = 128  # 13 MB; a longer clip is looked at less often (choice)
    patch_legs: float = 0.08  # (choice)
    patch_9cm_legs: float = 0.11  # 9 cm (choice)
    patch_12cm_legs: float = 0.14  # 12 cm (choice)
    patch_tail_pct: float = 5.0  # of its pixels at either end are not its range (choice)
    down_thigh_share: float = 0.6  # from the hip; under a coat a knee is drawn to its hem (choice)
    line_points: int = 12  # along each part of trunk and legs (choice)
    beside_from_legs: float = 0.15  # from the body's box to the sides, 12 cm (choice)
    beside_to_legs: float = 0.75  # the same, 60 cm (choice)
    floor_from_legs: float = 0.12  # in the picture below the feet, 10 cm in front of them (choice)
    floor_to_legs: float = 0.45  # the same, 37 cm (choice)
    floor_margin_legs: float = 0.05  # around the feet (choice)
    floor_aside_legs: float = 0.3  # from there to what counts as beside (choice)
    floor_percentile: float = 90.0  # of the change of its pixels (choice)
    floor_fewest_pixels: int = 60  # fewer tell nothing (choice)
    usual_looks: int = 32  # that tell how the floor looks most of the time (choice)


@dataclass(frozen=True)
class LightSettings:
    """When the picture supports the legs, and what it costs where not; see accuracy/methods.

    Levels are grey levels, 0..255, and sds are added to what a good clip's values carry.
    """

    clear_levels: float = 95.0  # strongest step at the leg: plain clips 135 and more, dark 64 to 75
    poor_levels: float = 50.0  # the same in a room with the light off: 37 to 42
    # Where the legs do not stand out at all; in between in proportion to what is lacking.
    dark_on_sd_s: float = 0.020  # see accuracy/methods
    dark_off_sd_s: float = 0.060  # see accuracy/methods
    dark_flexion_sd_deg: float = 14.0  # see accuracy/methods
    dark_fppa_sd_deg: float = 3.0  # see accuracy/methods
    bright_level: float = 235.0  # a background about to clip
    shadow_level: float = 30.0  # a patient before it as dark as this is a silhouette
    least_step_levels: float = 40.0  # body against background, below which shares mean nothing
    covered_share: float = 0.5  # of that step within 12 cm of the thigh: coat 0.3, else 1.1
    loose_share: float = 0.5  # within 9 cm: wide trousers from the front 0.3, bare knees 1.1
    loose_flexion_sd_deg: float = 4.0  # see accuracy/methods
    loose_fppa_sd_deg: float = 2.0  # see accuracy/methods
    covered_event_sd_s: float = 0.022  # see accuracy/methods
    covered_body_reach_s: float = 0.13  # of a foot's edge from the body's, which a coat moves
    covered_body_sd_s: float = 0.06  # see accuracy/methods
    mirror_share: float = 0.05  # of the step body to background; glossy floors 0.07 to 0.24
    mirror_ratio: float = 2.0  # to the floor beside; a moving camera changes both alike (choice)
    mirror_on_sd_s: float = 0.014  # see accuracy/methods
    mirror_flexion_sd_deg: float = 4.0  # the ankle is drawn toward the reflection
    lost_foot_levels: float = 20.0  # step at the toes: black shoes on a black floor 12
    lost_on_sd_s: float = 0.012  # see accuracy/methods
    lost_off_sd_s: float = 0.028  # see accuracy/methods
    lost_flexion_sd_deg: float = 4.0  # the ankle goes with the foot
    lost_offset_sd_pct: float = 4.0  # of pelvis shift and knee over toes


@dataclass(frozen=True)
class QualitySettings:
    """What counts as a good clip."""

    good_rate_hz: float = 50.0  # 60 frames/s with room for a varying rate (choice)
    limited_rate_hz: float = 28.0  # 30 frames/s: the impact phase is two frames
    square_on_deg: float = 5.0  # 6 deg of false valgus at 60 deg of flexion
    false_valgus_at_deg: float = 60.0  # of flexion, it is worked out for the reader (choice)
    good_seen_share: float = 0.95  # of the frames (choice)
    limited_seen_share: float = 0.75  # of the frames (choice)
    clear_visibility: float = 0.3  # the model's own scale (choice)
    hidden_share: float = 0.1  # of the frames (choice)
    enough_reps: int = 5  # mean of five trials: Ortiz 2007, N Am J Sports Phys Ther 2(2)


@dataclass(frozen=True)
class FramingSettings:
    """What counts as well filmed."""

    small_swing_deg: float = 0.5  # of the camera: 9 px of 1280 (choice)
    small_rest_share: float = 0.003  # of the leg: below the pose model's own noise
    measured_share: float = 0.9  # of what is assumed of the vertical; more is not measured
    level_deg: float = 2.0  # a camera held with care (choice)
    tilted_deg: float = 5.0  # the advice begins (choice)
    edge_share_of_leg: float = 0.03  # toes reach beyond their landmark (choice)
    cut_share: float = 0.02  # of the frames (choice)
    mostly_cut_share: float = 0.25  # of the frames (choice)
    small_share: float = 0.40  # of the picture's height; see accuracy/methods
    tiny_share: float = 0.20  # of the picture's height (choice)
    wanted_share: float = 0.65  # two thirds, with room for a jump (choice)


def _numbers(settings: object) -> Iterator[tuple[str, float]]:
    """Every number of a group of settings and of the groups in it, with its name."""
    for item in fields(settings):  # type: ignore[arg-type]
        value = getattr(settings, item.name)
        if is_dataclass(value):
            yield from _numbers(value)
        elif isinstance(value, tuple):
            yield from ((item.name, number) for number in value)
        elif not isinstance(value, str):
            yield item.name, value


@dataclass(frozen=True)
class ByHandSettings:
    """How contacts and landmarks that a person set are taken in."""

    picked_sd_frames: float = 0.5  # of an event picked by eye among frames (choice)
    same_contact_s: float = 0.12  # found anew a contact begins this near; no two do (choice)
    same_landing_s: float = 0.2  # feet of one landing come down this near each other (choice)
    longest_flight_s: float = 1.2  # a jump's; a toe-off longer ago belongs to another (choice)
    least_share_of_sd: float = 0.02  # a smaller change of a value is none (choice)
    reach_s: float = 0.07  # neighbours that a moved landmark takes along; holds both fits (choice)


@dataclass(frozen=True)
class Settings:
    """All settings of one analysis."""

    pose: PoseSettings = field(default_factory=PoseSettings)
    background: BackgroundSettings = field(default_factory=BackgroundSettings)
    camera: CameraSettings = field(default_factory=CameraSettings)
    people: PeopleSettings = field(default_factory=PeopleSettings)
    view: ViewSettings = field(default_factory=ViewSettings)
    tracks: TrackSettings = field(default_factory=TrackSettings)
    contacts: ContactSettings = field(default_factory=ContactSettings)
    gravity: GravitySettings = field(default_factory=GravitySettings)
    lying: LyingSettings = field(default_factory=LyingSettings)
    body: BodySettings = field(default_factory=BodySettings)
    reps: RepSettings = field(default_factory=RepSettings)
    shifts: ShiftSettings = field(default_factory=ShiftSettings)
    signs: SignSettings = field(default_factory=SignSettings)
    knee: KneeSettings = field(default_factory=KneeSettings)
    measures: MeasureSettings = field(default_factory=MeasureSettings)
    alignment: AlignmentSettings = field(default_factory=AlignmentSettings)
    offsets: OffsetSettings = field(default_factory=OffsetSettings)
    clock: ClockSettings = field(default_factory=ClockSettings)
    repeats: RepeatSettings = field(default_factory=RepeatSettings)
    quality: QualitySettings = field(default_factory=QualitySettings)
    looks: LookSettings = field(default_factory=LookSettings)
    light: LightSettings = field(default_factory=LightSettings)
    framing: FramingSettings = field(default_factory=FramingSettings)
    by_hand: ByHandSettings = field(default_factory=ByHandSettings)
    target_flexion_deg: float = 60.0  # taught landing target; common practice, no source

    def __post_init__(self) -> None:
        for name, value in _numbers(self):
            if value <= 0 and not name.endswith("_late_s"):
                raise SettingsError(f"Setting {name} is {value}; it must be above 0.")
        if not 0 < self.target_flexion_deg < 150:
            raise SettingsError(
                f"The target knee flexion is {self.target_flexion_deg} deg; "
                "give a value between 0 and 150."
            )


@dataclass(frozen=True)
class ReadingSettings:
    """Which clips are read at all; none of this touches a number."""

    most_pixels: int = 4096 * 2304  # 4K; an 8K clip took 1362 MB, 1200 are promised (measured)
    most_tracks: int = 64  # pictures, sound and a phone's own notes are some ten (choice)
    most_samples: int = 4_000_000  # listed in all tracks: 100 MB; an hour has 0.4 million (worked)
    most_bytes: int = 64 << 30  # an hour at 140 Mb/s, which is 4K at 120 frames/s (worked)
    most_frames: int = 216_000  # an hour at 60 frames/s: a session filmed without a stop (choice)
    long_frames: int = 18_000  # five minutes at 60 frames/s; beyond, frames must hold (choice):
    least_frame_bytes: float = 100.0  # a small picture sent by a messenger has 400 (worked)
    frames_per_s: float = 25.0  # looked at on two cores: 80 ms of processor time each (measured)


@dataclass(frozen=True)
class CurveSettings:
    """How the knee's angle is drawn; no measure is read from these curves."""

    points: int = 61  # of a curve (choice)
    around_s: float = 0.1  # before and after it, frames that its ends are drawn from (choice)
    fewest_frames: int = 4  # fewer are no curve (choice)
    longest_gap_s: float = 0.15  # unseen or turned away for longer: no line across (choice)
    held_s: float = 0.6  # of a landing without toe-off, as long as measures look (choice)
    before_s: float = 0.2  # initial contact, where sets are laid over one another (choice)
    after_s: float = 0.5  # it, there: a landing to its deepest and back up (choice)
    step_s: float = 0.01  # of curves there (choice)
    least_share: float = 0.67  # of the used reps seen at an instant, for a mean of it (choice)


@dataclass(frozen=True)
class CorrectionSettings:
    """What a person may say of a clip; none of this touches a number."""

    least_slowed_by: float = 0.1  # a clip played ten times as fast (choice)
    most_slowed_by: float = 64.0  # twice the slowest motion that is looked for (choice)
    longest_reason: int = 200  # characters (choice)


@dataclass(frozen=True)
class SessionSettings:
    """What may be entered of a visit; wide enough for every programme, and no advice."""

    sets: tuple[int, int] = (1, 20)  # of one exercise (choice)
    reps: tuple[int, int] = (1, 200)  # of a set (choice)
    bout_s: tuple[float, float] = (3.0, 600.0)  # of a timed set (choice)
    rest_s: tuple[float, float] = (0.0, 1800.0)  # between sets (choice)
    cords: tuple[int, int] = (1, 12)  # of one colour (choice)
    box_cm: tuple[float, float] = (1.0, 120.0)  # height of a box (choice)
    most_exercises: int = 20  # of one visit (choice)
    most_lines: int = 10  # of what was modified or stopped (choice)
    longest_line: int = 500  # characters (choice)
    largest_file_bytes: int = 65_536  # of `session.toml`; a long one has two thousand (choice)


@dataclass(frozen=True)
class DoseSettings:
    """How a set is told from the next one; none of this touches a measure."""

    rest_from_s: float = 10.0  # without a landing; a slow single rep takes 4 to 6 s (choice)
    stamp_s: float = 1.0  # resolution of a clip's time of recording (choice)
    fewest_of_bout: int = 4  # reps of another exercise in a row; fewer are strays (choice)


@dataclass(frozen=True)
class WatchSettings:
    """How a drop folder is watched; none of this touches a number."""

    poll_s: float = 2.5  # between scans; folders on a network send no events (choice)
    least_pause_s: float = 0.3  # between scans while events pour in (choice)
    settled_s: float = 2.0  # size and time unchanged this long, and the clip whole (choice)
    incomplete_after_s: float = 600.0  # a copy that stalls longer has stopped (choice)
    deepest_folder: int = 12  # patient, day, exercise and side are four (choice)
    longest_recheck_s: float = 60.0  # between looks at a clip that is not whole yet (choice)
    retry_after_s: tuple[float, ...] = (10.0, 60.0, 300.0)  # then it needs attention (choice)
    full_disk_retry_s: float = 60.0  # between attempts while reports cannot be written (choice)


@dataclass(frozen=True)
class WindowSettings:
    """How the clinic's window is served; none of this touches a number."""

    largest_clip_bytes: int = 8 * 1024**3  # a phone's longest clip of a set is far below (choice)
    largest_form_bytes: int = 64 * 1024  # a form and its notes (choice)
    kept_analyses: int = 4  # in memory, two of them side by side (choice)
    report_wait_s: float = 5.0  # for a report that changes places, which takes no time (choice)
    report_pause_s: float = 0.05  # between looks whether it did (choice)
    kept_documents: int = 32  # in memory, some hundred kB each (choice)
    longest_note: int = 2000  # characters (choice)


@dataclass(frozen=True)
class TrendSettings:
    """When two visits are set against each other; none of this touches a value."""

    offset_person_share: float = 0.34  # of its variance; 60 rendered bodies: 1.53^2 of 2.63^2
    fewest_visits: int = 4  # of a line; two show no scatter, three hardly any (choice)
    fewest_repeats: int = 10  # beyond the first of each visit; fewer know no SEM (choice)
    rhythm_ratio: float = 1.5  # of one exercise; rebounds and squat jumps differ by 2 (choice)
    one_by_one_s: float = 2.0  # from landing to landing; slower is no rebound (choice)
    frame_rate_ratio: float = 1.1  # 29.97 and 30 frames/s are alike, 30 and 60 not (choice)
