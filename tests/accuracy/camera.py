"""What a moving camera costs, and what is left of that once the background steadies it.

Exact camera turns are made from clips of a still camera with known truth: every frame is
warped as a camera that turned about its lens would have seen it, and cut to the part that
stays in view. Each such clip is analysed as it is and stabilised; the same part of the
unmoved clip is the standard.

    python -m tests.accuracy.camera --base FOLDER_OF_RENDERED_CLIPS --out DIR
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from pathlib import Path

import av
import click
import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from landing_analysis.camera.background import watch_background
from landing_analysis.camera.path import find_camera_path
from landing_analysis.camera.stabilisation import into_reference, middle_of, rays_of, seen_at
from landing_analysis.errors import CacheError, LandingAnalysisError
from landing_analysis.files import new_file, write_text
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.pose import find_poses, load_model
from landing_analysis.landmarks.storage import read_landmarks, write_landmarks
from landing_analysis.progress import NO_PROGRESS
from landing_analysis.report.documents import analysis_document
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, LIMBS, Background, CameraPath, Clip, Poses, Segment
from landing_analysis.video.clips import read_clip, read_frames

from .scoring import Error, score_clip, score_nothing

RESULTS = Path(__file__).parent / "camera.md"
SEEDS = {
    "slim_woman_jumps_front": 0, "heavy_man_jumps_side": 1, "tall_woman_jumps_front": 2,
    "tall_woman_jumps_side": 3, "slim_woman_jumps_front_low_far_30fps": 3,
}  # fmt: skip
"""Of the camera's motion, by the clip that it moves."""
BASES = tuple(SEEDS)[:-1]
FAR = tuple(SEEDS)[-1]
"""A patient who fills half of the picture's height, so that a wide pan keeps room around."""
IN_THE_HAND = tuple(
    f"{body}_jumps_front_favoured_handheld"
    for body in ("slim_woman", "heavy_man", "short_man", "tall_woman")
)
"""Rendered with a swaying camera, 0.5 deg in each axis: taken as they are."""
QUANTITIES = (
    ("initial_contact", "initial contact, ms", 1000.0), ("toe_off", "toe-off, ms", 1000.0),
    ("contact_time", "contact time, ms", 1000.0), ("fppa_peak_flexion", "FPPA at peak, deg", 1.0),
    ("knee_flexion_peak", "peak flexion, deg", 1.0), ("pelvis_shift", "pelvis shift, %", 1.0),
    ("trunk_lean", "trunk lean, deg", 1.0), ("trunk_flexion", "trunk flexion, deg", 1.0),
)  # fmt: skip
_BODY = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS
         for part in ("shoulder", "hip", "knee", "ankle", "toe")]  # fmt: skip
Angles = np.ndarray
"""(n, 4): pan, tilt and roll of the camera in degrees, and its zoom, frame by frame."""


@dataclass(frozen=True)
class Motion:
    """One way to move a camera, and what of the picture stays in view."""

    name: str
    angles: Callable[[Poses, np.random.Generator], Angles]
    width_px: int = 560
    height_px: int = 1024
    scenery: str = "room"
    bases: tuple[str, ...] = BASES


# --- how the camera moves ------------------------------------------------------------------------


def _waves(
    t_s: np.ndarray, rng: np.random.Generator, low_hz: float, high_hz: float, rms: float
) -> np.ndarray:
    """Return (n, 3) sums of sines between two frequencies, slower ones larger."""
    waves = np.zeros((len(t_s), 3))
    for hz in np.geomspace(low_hz, high_hz, 7) * rng.uniform(0.9, 1.1, 7):
        phase = rng.uniform(0, 2 * np.pi, 3)
        waves += np.sin(2 * np.pi * hz * t_s[:, None] + phase) / hz
    return rms * waves / waves.std(axis=0)


def _held(rms_deg: float, tremor_deg: float) -> Callable[[Poses, np.random.Generator], Angles]:
    def angles(poses: Poses, rng: np.random.Generator) -> Angles:
        sway = _waves(poses.t_s, rng, 0.3, 3.0, rms_deg)
        shake = _waves(poses.t_s, rng, 5.0, 10.0, tremor_deg)
        return np.column_stack([sway + shake, np.ones(len(sway))])

    return angles


def _pan(poses: Poses, rng: np.random.Generator) -> Angles:
    angles = _held(0.2, 0.03)(poses, rng)
    angles[:, 0] += np.linspace(-6.0, 6.0, len(angles))
    return angles


def _following(poses: Poses, rng: np.random.Generator) -> Angles:
    """Tilt half-way after the body as it rises and falls."""
    angles = _held(0.2, 0.03)(poses, rng)
    hips = poses.xy_px[:, 0, [LANDMARK["left_hip"], LANDMARK["right_hip"]], 1].mean(axis=1)
    filled = np.interp(poses.t_s, poses.t_s[np.isfinite(hips)], hips[np.isfinite(hips)])
    late = np.convolve(np.pad(filled, 8, mode="edge"), np.ones(17) / 17, mode="valid")
    angles[:, 1] -= np.degrees(0.5 * (late - np.median(late)) / 1000.0)
    return angles


def _zoom(poses: Poses, rng: np.random.Generator) -> Angles:
    angles = _held(0.2, 0.03)(poses, rng)
    angles[:, 3] = 1.0 + 0.02 * np.sin(2 * np.pi * 0.6 * (poses.t_s - poses.t_s[0]))
    return angles


def _rolled(roll_deg: float) -> Callable[[Poses, np.random.Generator], Angles]:
    def angles(poses: Poses, rng: np.random.Generator) -> Angles:
        held = _held(0.5, 0.04)(poses, rng)
        held[:, 2] += roll_deg
        return held

    return angles


def _still(poses: Poses, rng: np.random.Generator) -> Angles:
    return np.tile([0.0, 0.0, 0.0, 1.0], (len(poses.t_s), 1))


MOTIONS = (
    Motion("still", _still),
    Motion("sway 0.5 deg", _held(0.5, 0.04)),
    Motion("sway 1.2 deg", _held(1.2, 0.10)),
    Motion("far, still", _still, bases=(FAR,)),
    Motion("far, pan 12 deg", _pan, width_px=500, bases=(FAR,)),
    Motion("following", _following, height_px=960),
    Motion("zoom 2 %", _zoom),
    Motion("roll 8 deg", _rolled(8.0), width_px=520, height_px=960),
    Motion("blank wall", _held(0.5, 0.04), scenery="blank", bases=BASES[:2]),
    Motion("blank wall, still", _still, scenery="blank", bases=BASES[:2]),
    Motion("in the hand, rendered", _still, bases=IN_THE_HAND),
    Motion("patterned shirt", _held(0.5, 0.04), scenery="shirt", bases=BASES[:2]),
)


# --- the pictures --------------------------------------------------------------------------------


def camera_axes(angles: Angles) -> np.ndarray:
    """Return rotations (n, 3, 3) from a turned camera's axes to the unturned one's."""
    return Rotation.from_euler("YXZ", angles[:, :3], degrees=True).as_matrix()


def turned(rgb: np.ndarray, angles: np.ndarray, focal_px: float, motion: Motion) -> np.ndarray:
    """Return a frame as a camera turned by pan, tilt and roll would have seen it."""
    old = _lens(focal_px, rgb.shape[1], rgb.shape[0])
    new = _lens(focal_px * angles[3], motion.width_px, motion.height_px)
    from_new = old @ camera_axes(angles[None])[0] @ np.linalg.inv(new)
    return cv2.warpPerspective(
        rgb, from_new, (motion.width_px, motion.height_px),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip


def left_px(poses: Poses, angles: Angles, focal_px: float) -> np.ndarray:
    """Return how far the body's carried points are from where a still camera sees them, (n, 10)."""
    path = poses.camera
    size_px = (poses.width_px, poses.height_px)
    middle = middle_of(size_px)
    body = poses.xy_px[:, 0, _BODY]
    away = np.linalg.norm(path.shift_px, axis=1) + abs(path.turn_deg) + 100 * abs(path.zoom - 1)
    reference = int(np.nanargmin(away))
    axes = camera_axes(angles)
    turned_rays = rays_of(body, middle, focal_px * angles[:, 3]) @ np.swapaxes(axes, 1, 2)
    seen = seen_at(turned_rays @ axes[reference], middle, focal_px * angles[reference, 3])
    return np.linalg.norm(into_reference(body, path, size_px) - seen, axis=2)


def _lens(focal_px: float, width: int, height: int) -> np.ndarray:
    return np.array([[focal_px, 0, (width - 1) / 2], [0, focal_px, (height - 1) / 2], [0, 0, 1.0]])


def _dressed(rgb: np.ndarray, body: np.ndarray, scenery: str, rng: np.random.Generator):
    """Leave only the body of a frame, before a flat wall; in a chequered shirt when asked."""
    if scenery == "room" or not np.isfinite(body).all():
        return rgb
    hull = cv2.convexHull(body.astype(np.float32)).astype(np.int32)
    mask = cv2.fillConvexPoly(np.zeros(rgb.shape[:2], np.uint8), hull, 1)
    mask = cv2.dilate(mask, np.ones((61, 61), np.uint8))
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 12)[..., None]
    wall = np.full_like(rgb, 205, dtype=np.float32) + rng.normal(0, 2.0, (*rgb.shape[:2], 1))
    picture = soft * cv2.GaussianBlur(rgb, (0, 0), 1.0) + (1 - soft) * wall
    body_mask = cv2.fillConvexPoly(np.zeros(rgb.shape[:2], np.uint8), hull, 1)
    if scenery == "shirt":
        corners = body[[LANDMARK[n] for n in ("left_shoulder", "right_shoulder", "right_hip",
                                              "left_hip")]].astype(np.float32)  # fmt: skip
        squares = np.kron(np.indices((10, 7)).sum(axis=0) % 2, np.ones((12, 12))) * 180 + 40
        cloth = cv2.cvtColor(squares.astype(np.uint8), cv2.COLOR_GRAY2RGB)
        ends = np.array([[84, 0], [0, 0], [0, 120], [84, 120]], np.float32)
        onto = cv2.getPerspectiveTransform(ends, corners)
        size = rgb.shape[1::-1]
        shirt = cv2.warpPerspective(cloth, onto, size)
        where = cv2.warpPerspective(np.ones((120, 84), np.uint8), onto, size) > 0
        picture[where & (body_mask > 0)] = shirt[where & (body_mask > 0)]
    return np.clip(picture, 0, 255).astype(np.uint8)


@contextmanager
def _writer(target: Path, motion: Motion) -> Iterator[Callable[[np.ndarray, float], None]]:
    """Write H.264 at some 10 Mbit/s, as phones do: a thin stream smears faint patterns."""
    with new_file(target) as temporary, av.open(str(temporary), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=60)
        stream.width, stream.height, stream.pix_fmt = motion.width_px, motion.height_px, "yuv420p"
        stream.options = {"preset": "veryfast", "crf": "14"}
        stream.time_base = stream.codec_context.time_base = Fraction(1, 90000)

        def write(rgb: np.ndarray, t_s: float) -> None:
            frame = av.VideoFrame.from_ndarray(rgb, format="rgb24")
            frame.pts, frame.time_base = round(t_s * 90000), stream.time_base
            container.mux(stream.encode(frame))

        yield write
        container.mux(stream.encode())


def make_clip(base: Path, target: Path, motion: Motion, seed: int) -> None:
    """Write a clip as the moved camera would have filmed it, with its truth beside it."""
    if base.stem in IN_THE_HAND:
        for ending in (".mp4", ".truth.json", ".landmarks.parquet"):
            shutil.copyfile(base.with_suffix(ending), target.with_suffix(ending))
        return
    truth = json.loads(base.with_suffix(".truth.json").read_text(encoding="utf-8"))
    clip, poses = read_landmarks(base.with_suffix(".landmarks.parquet"))
    rng = np.random.default_rng(seed)
    angles = motion.angles(poses, rng)
    with _writer(target, motion) as write:
        for frame in read_frames(base, clip):
            body = poses.xy_px[frame.number, 0]
            rgb = _dressed(frame.rgb, body, motion.scenery, rng)
            focal_px = truth["camera"]["focal_px"]
            write(turned(rgb, angles[frame.number], focal_px, motion), frame.t_s)
    write_text(target.with_suffix(".truth.json"), json.dumps(truth))


# --- the analyses --------------------------------------------------------------------------------


def landmarks_of(path: Path, options: Options, again: bool) -> tuple[Clip, Poses]:
    """Return the stored landmarks of a clip, or find them; the background followed again or not."""
    stored = path.with_suffix(".landmarks.parquet")
    clip, model = read_clip(path), load_model()
    segments: list[Segment] = []
    try:
        known, poses = read_landmarks(stored)
        if known.sha256 != clip.sha256:
            raise CacheError
        if poses.camera is not None and not again:
            return known, poses
        for _ in watch_background(read_frames(path, clip), segments, options.settings.background):
            pass
    except CacheError:
        frames = watch_background(read_frames(path, clip), segments, options.settings.background)
        poses = find_poses(frames, clip, options.settings.pose, model, NO_PROGRESS)
    people = link_people(poses, options.settings.people)
    background = Background(len(poses.t_s), tuple(segments))
    path_ = find_camera_path(background, poses, people, options.settings.camera)
    poses = replace(poses, camera=path_)
    write_landmarks(stored, poses, clip)
    return clip, poses


def left_of(path: Path, base: Path, motion: Motion, seed: int, poses: Poses) -> np.ndarray:
    """Return what is left at the body of a clip's motion, and what is claimed for it, (n, 2)."""
    if poses.camera is None or poses.camera.state != "followed" or base.stem in IN_THE_HAND:
        return np.empty((0, 2))
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    _, still = read_landmarks(base.with_suffix(".landmarks.parquet"))
    angles = motion.angles(still, np.random.default_rng(seed))
    left = left_px(poses, angles, truth["camera"]["focal_px"])
    claimed = np.broadcast_to(poses.camera.sd_px[:, None], left.shape)
    both = np.stack([left.ravel(), claimed.ravel()], axis=1)
    return both[np.isfinite(both).all(axis=1)]


@dataclass(frozen=True)
class Outcome:
    """One clip analysed in one way."""

    motion: str
    way: str
    path: CameraPath | None
    errors: tuple[Error, ...]
    true: int
    missed: int
    invented: int
    declined: int
    left: np.ndarray


def analysed(
    path: Path, motion: str, way: str, clip: Clip, poses: Poses, left: np.ndarray
) -> Outcome:
    """Analyse and score one clip; ``as filmed`` leaves out all that is known of the camera."""
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    options = Options(limits=read_limits())
    if way == "as filmed":
        poses = replace(poses, camera=None)
    try:
        people = link_people(poses, options.settings.people)
        document = analysis_document(analyse_people(clip, poses, people, options, "benchmark"))
        withheld = any(c["initial_contact_s"] is None for c in document["contacts"])
        score = (score_nothing if withheld else partial(score_clip, analysis=document))(
            path.stem, truth=truth
        )
    except LandingAnalysisError as error:
        click.echo(f"{path.name}: {error}", err=True)
        score = score_nothing(path.stem, truth)
    return Outcome(motion, way, poses.camera, score.errors, score.contacts_true,
                   score.contacts_missed, score.contacts_invented, len(score.declined),
                   left if poses.camera else left[:0])  # fmt: skip


# --- the table -----------------------------------------------------------------------------------


def as_markdown(outcomes: list[Outcome], bases: int) -> str:
    """Return the table of errors by motion and way."""
    head = ["motion", "way", "camera", "left at the body, px (claimed)",
            "contacts missed / invented"]  # fmt: skip
    head += [label for _, label, _ in QUANTITIES] + ["inside 95 %"]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for key in dict.fromkeys((o.motion, o.way) for o in outcomes):
        group = [o for o in outcomes if (o.motion, o.way) == key]
        states = [o.path.state if o.path else "-" for o in group]
        told = ", ".join(f"{states.count(s)} {s}" for s in dict.fromkeys(states))
        left = np.concatenate([o.left for o in group])
        rms = np.sqrt((left**2).mean(axis=0)) / [1.0, np.sqrt(0.5)] if len(left) else None
        over = "-" if rms is None else f"{rms[0]:.1f} ({rms[1]:.1f})"
        missed, invented = sum(o.missed for o in group), sum(o.invented for o in group)
        cells = [*key, told, over, f"{missed} / {invented} of {sum(o.true for o in group)}"]
        errors = [error for o in group for error in o.errors]
        for name, _, factor in QUANTITIES:
            values = [factor * e.error for e in errors if e.quantity == name]
            cells.append(f"{np.sqrt(np.mean(np.square(values))):.1f}" if values else "-")
        sure = [e.covered for e in errors if np.isfinite(e.sd)]
        cells.append(f"{100 * np.mean(sure):.0f} % of {len(sure)}" if sure else "-")
        lines.append("| " + " | ".join(cells) + " |")
    return (
        f"# A moving camera\n\n{bases} rendered clips, warped as a turning camera would have seen "
        "them; root-mean-square errors against the truth, and the share of values whose 95 % "
        "interval holds it. Result by\n\n"
        "    python -m tests.accuracy.camera --base FOLDER --out DIR\n\n"
        + "\n".join(lines) + "\n"
    )  # fmt: skip


def _chosen(only: tuple[str, ...]) -> Iterator[tuple[int, str, Motion]]:
    for base in (*BASES, FAR, *IN_THE_HAND):
        for motion in MOTIONS:
            asked = not only or any(word in f"{base} {motion.name}" for word in only)
            if base in motion.bases and asked:
                yield SEEDS.get(base, 0), base, motion


@click.command()
@click.option("--base", type=click.Path(path_type=Path), default=Path("build/accuracy"),
              show_default=True, help="Folder of rendered clips and their truth.")  # fmt: skip
@click.option("--out", type=click.Path(path_type=Path), required=True)
@click.option("--only", multiple=True, help="A part of a clip's or a motion's name; repeatable.")
@click.option("--again", is_flag=True, help="Follow the background again, not the bodies.")
@click.option("--results", type=click.Path(path_type=Path), default=RESULTS, show_default=True)
def main(base: Path, out: Path, only: tuple[str, ...], again: bool, results: Path) -> None:
    """Make the moved clips that are not there, analyse all and write the table."""
    out.mkdir(parents=True, exist_ok=True)
    outcomes = []
    for seed, name, motion in _chosen(only):
        words = "".join(c if c.isalnum() else "_" for c in motion.name)
        path = out / f"{name}__{words}.mp4"
        if not path.exists():
            make_clip(base / f"{name}.mp4", path, motion, seed)
        clip, poses = landmarks_of(path, Options(), again)
        for way in ("as filmed", "stabilised"):
            left = left_of(path, base / name, motion, seed, poses)
            outcomes.append(analysed(path, motion.name, way, clip, poses, left))
        state = poses.camera.state if poses.camera else ""
        click.echo(f"{path.stem}: {state} {poses.camera.reason if poses.camera else ''}")
    outcomes.sort(key=lambda o: [m.name for m in MOTIONS].index(o.motion))
    page = as_markdown(
        outcomes, len({o.errors[0].clip.split("__")[0] for o in outcomes if o.errors})
    )
    write_text(results, page)
    click.echo(page)


if __name__ == "__main__":
    main()
