"""What a knee flexion from the side errs by on many bodies, and what the mirrored look does for it.

Run from the project's root, the frames made first (`sample_clips/README.md`); `table` needs none,
since what was seen is kept in ``tests/frozen``:

    python -m tests.accuracy.side_flexion look --frames build/side      three minutes of one core
    python -m tests.accuracy.side_flexion freeze --frames build/side
    python -m tests.accuracy.side_flexion table --write                 writes side_flexion.md

An angle is read as `measures` does, at the true instants: what contacts err by is not in it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))
sys.path.append(str(Path(__file__).parents[1]))

from drawn_rooms import packed, unpacked
from synthetic_patients.landings import STANDING, read_landing_truth
from synthetic_patients.sets import SetPlan
from synthetic_patients.side_landings import MOMENTS, near_limb, side_plans

from landing_analysis.files import write_text
from landing_analysis.landmarks.choosing import mirrored_frames
from landing_analysis.maths.statistics import Z_95
from landing_analysis.measures.knee import (
    NearKnee,
    SecondLook,
    Seen,
    looks_of_landing,
    second_look,
    straight_leg_px,
)
from landing_analysis.measures.knee_flexion import model_parts
from landing_analysis.measures.readings import value_at, value_at_impact
from landing_analysis.settings import Settings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    N_LANDMARKS,
    BoolArray,
    FloatArray,
    Measure,
    UncertaintyPart,
)

from .coverage import KINDS, Claim, LimbSet, claims
from .landing_rows import stored_sets
from .looking import keep_looks

TABLE = Path(__file__).with_name("side_flexion.md")
FROZEN = Path(__file__).parents[1] / "frozen" / "side_landings.npz"
AGAIN = FROZEN.with_name("side_visits.npz")
"""Some of the sets at a second visit: the same limb through a camera put up anew."""
KEPT = [LANDMARK[f"{limb}_{part}"] for part in ("hip", "knee", "ankle") for limb in LIMBS]
SETTINGS = Settings()
_TRUTH = {"contact": "knee_flexion_initial_contact_deg", "peak": "knee_flexion_peak_deg"}
_PEAK_REACH_S = 0.08
"""Holds the five drawn frames about a peak."""


@dataclass(frozen=True)
class Flexion:
    """One knee at one moment of one landing: what is true, and what is read of it."""

    plan: SetPlan
    rep: int
    moment: str
    true_deg: float
    plain_deg: float
    read_deg: float
    sd_deg: float

    @property
    def held_out(self) -> bool:
        """Whether its body is only quoted."""
        return self.plan.member.split == "held_out"

    @property
    def one_leg(self) -> bool:
        """Whether it is a hop."""
        return len(self.plan.support) == 1


def read_flexions(path: Path) -> Iterator[Flexion]:
    """Yield what ``freeze`` kept, but for landings in which legs are taken for one another."""
    plans = list(side_plans(2 if path == AGAIN else 1))
    for number, table in stored_sets(path):
        yield from _of_set(plans[number], table)


def _of_set(plan: SetPlan, table: dict[str, np.ndarray]) -> Iterator[Flexion]:
    points_px = np.full((*table["points_px"].shape[:2], N_LANDMARKS, 2), np.nan)
    points_px[:, :, KEPT] = unpacked(table["points_px"], 10.0)
    limb, t_s = near_limb(plan), table["frame_s"].astype(float)
    leg = tuple(points_px[:, 0, LANDMARK[f"{limb}_{p}"]] for p in ("hip", "knee", "ankle"))
    no_frames = np.zeros(len(t_s), dtype=bool)
    second = second_look(points_px[:, 0], points_px[:, 1], limb)
    other = "right" if limb == "left" else "left"
    # The foot of a leg that is held up does not lie below the standing one.
    down_px = [points_px[:, 0, LANDMARK[f"{who}_ankle"], 1] for who in (limb, other)]
    taken_for_other = (down_px[1] > down_px[0]) & (len(plan.support) == 1)
    moments = np.array(MOMENTS)[table["moment"]]
    nothing = SecondLook(np.zeros(len(t_s)), np.ones(len(t_s)))
    read, added_sd_deg = SecondLook(*map(np.copy, nothing)), np.zeros(len(t_s))
    apart = set()
    for rep in np.unique(table["rep"][table["rep"] != STANDING]):
        at = (table["rep"] == rep) & (moments == "peak")
        looks = looks_of_landing(second, _looked_at(at, t_s, table["at_s"]), SETTINGS.knee)
        if limb == "left":
            continue
        if looks is None:
            apart.add(rep)
            continue
        read.added_deg[at], read.shortened[at], added_sd_deg[at] = looks
    one_leg = np.full(len(t_s), len(plan.support) == 1)
    straight_px = straight_leg_px(leg, SETTINGS.knee)
    as_right = np.full(len(t_s), limb == "right")
    knees = {
        "plain": NearKnee(
            straight_px, Seen(one_leg, as_right), nothing, 0 * added_sd_deg, no_frames
        ),
        "read": NearKnee(straight_px, Seen(one_leg, no_frames), read, added_sd_deg, no_frames),
    }
    angles = {name: knee.flexion_deg(leg, 0.0, SETTINGS.knee) for name, knee in knees.items()}
    for rep in np.unique(table["rep"][table["rep"] != STANDING]):
        if rep in apart or taken_for_other[table["rep"] == rep].any():
            continue
        for moment in _TRUTH:
            at = (table["rep"] == rep) & (moments == moment)
            plain_deg, read_deg = (
                _value(moment, t_s[at], angles[name][at], float(table["at_s"][at][0]))
                for name in ("plain", "read")
            )
            frame = int(np.flatnonzero(at)[at.sum() // 2])
            sd_deg = knees["read"].offset_sd_deg(read_deg, frame, SETTINGS.knee)
            true_deg = float(table["flexion_deg"][at][0])
            yield Flexion(plan, int(rep), moment, true_deg, plain_deg, read_deg, sd_deg)


def _looked_at(peak: BoolArray, t_s: FloatArray, at_s: FloatArray) -> BoolArray:
    """Say which frames of a peak a clip's second looks would be of."""
    no_standing = np.zeros(len(t_s), dtype=bool)
    return peak & mirrored_frames(t_s, [float(at_s[peak][0])], no_standing, SETTINGS.pose)


def _value(moment: str, t_s: FloatArray, angle_deg: FloatArray, at_s: float) -> float:
    if moment == "peak":
        fit = value_at(t_s, angle_deg, at_s, _PEAK_REACH_S, 1.0 / 30.0)
    else:
        fit = value_at_impact(t_s, angle_deg, at_s, SETTINGS.measures, 1.0 / 60.0)
    return fit.value if fit else float("nan")


def rms(values: Sequence[float]) -> float:
    """Return the root of the mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def flexion_page(flexions: Sequence[Flexion], again: Sequence[Flexion]) -> str:
    """Return the tables as Markdown; ``again`` are of second visits."""
    lines = [
        "# Knee flexion from the side, on many bodies",
        "",
        "Printed by `python -m tests.accuracy.side_flexion table`. Frames of sets of invented",
        "bodies (`sample_clips/synthetic_patients/side_landings.py`), read at the true instants,",
        "deg; measured minus true. *Plain*: without looks at mirrored pictures. Left out are",
        "landings that the package refuses: both looks are too far apart, or the foot that is held",
        "up lies below the other.",
    ]
    for title, held_out in (("Bodies that were fitted to", False), ("Held-out bodies", True)):
        lines += [
            "",
            f"## {title}",
            "",
            "| | near limb | n (sets) | plain: bias | RMS | read: bias | RMS | of set means "
            "| claimed | in 95 % |",
            "|---|---|--:|--:|--:|--:|--:|--:|--:|--:|",
        ]
        for one_leg in (False, True):
            for moment in _TRUTH:
                for limb in LIMBS:
                    chosen = [
                        one for one in flexions
                        if (one.held_out, one.one_leg, one.moment) == (held_out, one_leg, moment)
                        and near_limb(one.plan) == limb
                    ]  # fmt: skip
                    what = f"{'hops' if one_leg else 'jumps'}, {moment}"
                    lines.append(f"| {what} | {limb} | {_cells(chosen)} |")
    return "\n".join(lines) + "\n\n" + _changes_page(flexions, again)


def claims_of(
    first: Sequence[Flexion], second: Sequence[Flexion], moment: str, *, one_leg: bool
) -> list[Claim]:
    """Hold set means and their changes against the truth, of sets that were seen at two visits."""
    again = {(one.plan.number, one.plan.view) for one in second}
    sets = [
        _limb_set([one for one in flexions if one.plan == plan and one.moment == moment])
        for flexions in (first, second)
        for plan in dict.fromkeys(one.plan for one in flexions)
        if (plan.number, plan.view) in again and (len(plan.support) == 1) == one_leg
    ]
    return claims(sets)


def _limb_set(flexions: Sequence[Flexion]) -> LimbSet:
    plan, limb = flexions[0].plan, near_limb(flexions[0].plan)
    rows = []
    for one in flexions:
        parts = tuple(UncertaintyPart(*p) for p in model_parts(one.sd_deg, SETTINGS.knee))
        name = "knee_flexion_peak"
        rows.append(Measure(one.rep, name, limb, one.read_deg, "deg", one.sd_deg, parts=parts))
    true = tuple(one.true_deg for one in flexions)
    return LimbSet(
        plan.number, plan.view, len(plan.support) == 1, plan.visit, limb, tuple(rows), true
    )


def _changes_page(first: Sequence[Flexion], second: Sequence[Flexion]) -> str:
    lines = [
        "## A set's mean, and its change between two visits: the same limb, bodies fitted to",
        "",
        "| | n | RMS | claimed | in 95 % | of these reps: claimed | in 95 % |",
        "|---|--:|--:|--:|--:|--:|--:|",
    ]
    for one_leg in (False, True):
        for moment in _TRUTH:
            found = claims_of(first, second, moment, one_leg=one_leg)
            for kind in KINDS[1], KINDS[3]:
                of = [claim for claim in found if claim.kind == kind]
                cells = (
                    f"{'hops' if one_leg else 'jumps'}, {moment}: {kind}", str(len(of)),
                    f"{rms([one.error_deg for one in of]):.1f}",
                    f"{rms([one.sd_deg for one in of]):.1f}",
                    f"{100 * np.mean([one.covered for one in of]):.0f} %",
                    f"{rms([one.same_reps_sd_deg for one in of]):.1f}",
                    f"{100 * np.mean([one.covered_as_same_reps for one in of]):.0f} %",
                )  # fmt: skip
                lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def _cells(chosen: Sequence[Flexion]) -> str:
    plain = [one.plain_deg - one.true_deg for one in chosen]
    read = [one.read_deg - one.true_deg for one in chosen]
    sets = {one.plan.name for one in chosen}
    means = [
        np.mean([e for e, one in zip(read, chosen, strict=True) if one.plan.name == name])
        for name in sets
    ]
    held = np.mean([abs(e) <= Z_95 * one.sd_deg for e, one in zip(read, chosen, strict=True)])
    claimed = rms([one.sd_deg for one in chosen])
    return (
        f"{len(chosen)} ({len(sets)}) | {np.mean(plain):+.1f} | {rms(plain):.1f} "
        f"| {np.mean(read):+.1f} | {rms(read):.1f} | {rms(means):.1f} | {claimed:.1f} "
        f"| {100 * held:.0f} %"
    )


# --- commands --------------------------------------------------------------------------------


@click.group()
def main() -> None:
    """What a knee flexion from the side errs by."""


_FRAMES = click.option(
    "--frames", "folder", default=Path("build/side"), show_default=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path), help="Folder of the clips.",
)  # fmt: skip


@main.command()
@_FRAMES
def look(folder: Path) -> None:
    """Run the pose model on the frames, plain and mirrored; what was looked at is kept."""
    for plan in (*side_plans(), *side_plans(2)):
        closer = near_limb(plan) == "right" and len(plan.support) == 1
        if keep_looks(folder / f"{plan.name}.mp4", closer=closer):
            click.echo(plan.name)


@main.command()
@_FRAMES
def freeze(folder: Path) -> None:
    """Keep what was seen of all bodies, with its truth, for the table and the tests."""
    for visit, store in enumerate((FROZEN, AGAIN), start=1):
        _freeze(folder, list(side_plans(visit)), store)


def _freeze(folder: Path, plans: Sequence[SetPlan], store: Path) -> None:
    kept: dict[str, list[np.ndarray]] = {}
    for number, plan in enumerate(plans):
        clip = folder / f"{plan.name}.mp4"
        if not clip.with_suffix(".looks.npy").exists():
            continue
        looks = np.load(clip.with_suffix(".looks.npy"))[:, :, KEPT, :2].swapaxes(0, 1)
        truth, t_s, of_rep = read_landing_truth(clip)
        moment = np.array(truth["frame_kind"])
        told = np.array(
            [_told(truth, plan, rep, MOMENTS[m]) for rep, m in zip(of_rep, moment, strict=True)]
        )
        rows = {
            "set": np.full(len(t_s), number, np.uint8),
            "rep": of_rep.astype(np.int8),
            "moment": moment.astype(np.uint8),
            "frame_s": t_s.astype(np.float32),
            "at_s": told[:, 0].astype(np.float32),
            "flexion_deg": told[:, 1].astype(np.float32),
            "points_px": packed(looks, 10.0),
        }
        for name, values in rows.items():
            kept.setdefault(name, []).append(values)
    np.savez_compressed(store, **{name: np.concatenate(v) for name, v in kept.items()})


def _told(truth: dict[str, Any], plan: SetPlan, rep: int, moment: str) -> tuple[float, float]:
    """Return when the true value is, and how large."""
    if rep == STANDING:
        return float("nan"), float("nan")
    limb, told = near_limb(plan), truth["reps"][rep]
    landing = told["landing"][limb]
    if moment == "peak":
        return landing["peak_flexion_s"], landing[_TRUTH["peak"]]
    contacts_s = [one["initial_contact_s"] for one in truth["contacts"] if one["limb"] == limb]
    return min(t for t in contacts_s if t > told["take_off_s"]), landing[_TRUTH["contact"]]


@main.command()
@click.option("--write", is_flag=True, help="Write the tables to side_flexion.md, too.")
def table(write: bool) -> None:
    """Print what flexion errs by, plain and as it is read, by limb, exercise and moment."""
    page = flexion_page(list(read_flexions(FROZEN)), list(read_flexions(AGAIN)))
    if write:
        write_text(TABLE, page)
    click.echo(page)


if __name__ == "__main__":
    main()
