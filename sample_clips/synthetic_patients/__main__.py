"""Command line: list the scenes, render some of them."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from synthetic_patients.clips import film, frame_times_s, play
from synthetic_patients.scenes import SAMPLE_CLIPS, SCENES


@click.group()
def main() -> None:
    """Clips of invented patients whose truth is known."""


@main.command("list")
def list_scenes() -> None:
    """List the scenes."""
    samples = {scene.name for scene in SAMPLE_CLIPS}
    for name, scene in SCENES.items():
        mark = "sample" if name in samples else "tuning"
        click.echo(f"{name:34} {mark}  {scene.patient.code}  {scene.camera.fps:.0f} frames/s")


@main.command()
@click.argument("names", nargs=-1, type=click.Choice(sorted(SCENES)))
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
@click.option("--frame-arrays", is_flag=True, help="Also write the joints of every frame (.npz).")
def render(names: tuple[str, ...], out: Path, frame_arrays: bool) -> None:
    """Render the named scenes, or all sample clips, with their truth."""
    for name in names or [scene.name for scene in SAMPLE_CLIPS]:
        scene = SCENES[name]
        frames = len(frame_times_s(scene, play(scene)))
        with click.progressbar(length=frames, label=name) as bar:
            film(scene, out, frame_arrays=frame_arrays, advance=partial(bar.update, 1))


if __name__ == "__main__":
    main()
