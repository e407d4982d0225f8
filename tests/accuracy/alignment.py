"""How the error of FPPA grows with foreshortening, and what a turned-out foot makes of it.

    python -m tests.accuracy.alignment CLIP...

Each clip was rendered with ``--frame-arrays``, so that its ``.truth.npz`` has the joint centres
in every picture; ``sample_clips/README.md`` says how a recorded human motion is rendered.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np

from landing_analysis.landmarks.people import link_people
from landing_analysis.maths.kinematics import fppa_deg
from landing_analysis.measures.alignment import read_shape
from landing_analysis.stages import Options
from landing_analysis.tables import LANDMARK, LIMBS, FloatArray
from landing_analysis.tracks.cleaning import clean_tracks

from .stored import landmarks_of

_GAINS = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 9.0)
_OVER_FOOT_DEG = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 90.0)


@click.command()
@click.argument(
    "clips", nargs=-1, required=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
)  # fmt: skip
def main(clips: tuple[Path, ...]) -> None:
    """Print FPPA's error by foreshortening, and the true FPPA by what the foot makes of it."""
    frames = np.concatenate([part for clip in clips for part in _frames_of(clip)])
    gain, over_foot_deg, true_deg, error_deg = frames[np.isfinite(frames).all(axis=1)].T
    click.echo("| degrees of FPPA per degree of leg turn | frames | bias | RMS of the error, deg |")
    click.echo("|---|--:|--:|--:|")
    for low, high in itertools.pairwise(_GAINS):
        error = error_deg[(gain >= low) & (gain < high)]
        if len(error):
            rms = np.sqrt((error**2).mean())
            click.echo(f"| {low:g} to {high:g} | {len(error)} | {error.mean():+.1f} | {rms:.1f} |")
    click.echo("\n| FPPA of a knee over its foot, deg | frames | true FPPA, median (range) |")
    click.echo("|---|--:|---|")
    for low, high in itertools.pairwise(_OVER_FOOT_DEG):
        true = true_deg[(over_foot_deg >= low) & (over_foot_deg < high)]
        if len(true):
            words = f"{np.median(true):.0f} ({true.min():.0f} to {true.max():.0f})"
            click.echo(f"| {low:g} to {high:g} | {len(true)} | {words} |")


def _frames_of(path: Path) -> Iterator[FloatArray]:
    """Yield gain, angle of a knee over its foot, true FPPA and its error, (n, 4), of each limb."""
    options = Options()
    _, poses = landmarks_of(path, options)
    person = link_people(poses, options.settings.people)[0]
    tracks = clean_tracks(person, options.settings.tracks)
    truth = np.load(path.with_suffix(".truth.npz"))
    joints = list(truth["joints"])
    for limb in LIMBS:
        parts = [f"{limb}_{part}" for part in ("hip", "knee", "ankle")]
        seen = [tracks.xy_px[:, LANDMARK[part]] for part in parts]
        true = [truth["joints_px"][:, joints.index(part)] for part in parts]
        seen_deg, true_deg = (fppa_deg(*points, limb, False) for points in (seen, true))
        shape = read_shape(tracks, limb, options.settings.alignment)
        yield np.stack([shape.gain, shape.over_foot_deg, true_deg, seen_deg - true_deg], axis=1)


if __name__ == "__main__":
    main()
