"""Long clips and many: ``python -m tests.endurance --help`` from the project's root."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import click

sys.path.insert(0, str(Path(__file__).parents[1]))

from .long_clip import make_long_clip
from .memory_curve import measure, plot, read


@click.group()
def main() -> None:
    """Make a long clip, and measure the memory that a command needs for it."""


@main.command("long-clip")
@click.argument("source", type=click.Path(exists=True, path_type=Path))
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--minutes", type=float, default=20.0, show_default=True)
@click.option("--width-px", type=int, default=2160, show_default=True)
@click.option("--mbit-s", type=float, default=30.0, show_default=True)
def long_clip(source: Path, target: Path, minutes: float, width_px: int, mbit_s: float) -> None:
    """Make TARGET, a long clip of 30 frames/s, out of SOURCE, a short one of 60."""
    frames = make_long_clip(source, target, minutes, width_px, mbit_s)
    click.echo(f"{target}: {frames} frames, {target.stat().st_size / 1e6:.0f} MB")


@main.command(context_settings={"ignore_unknown_options": True})
@click.argument("table", type=click.Path(path_type=Path))
@click.argument("command", nargs=-1, required=True, type=click.UNPROCESSED)
@click.option("--every-s", type=float, default=2.0, show_default=True)
@click.option("--ceiling-mb", type=float, default=1200.0, show_default=True)
def memory(table: Path, command: tuple[str, ...], every_s: float, ceiling_mb: float) -> None:
    """Run COMMAND, write its memory over time to TABLE (CSV) and draw it beside (PNG).

    Ends with the command's exit code, or with 1 when it went over the ceiling.
    """
    code = measure(list(command), table, every_s)
    plot(table, table.with_suffix(".png"), ceiling_mb)
    time_s, memory_mb = read(table)
    click.echo(f"{max(memory_mb):.0f} MB at most, {time_s[-1]:.0f} s")
    sys.exit(code or int(max(memory_mb) > ceiling_mb))


@main.command()
@click.option("--clips", type=int, default=500, show_default=True)
def many(clips: int) -> None:
    """Tell what a run over many clips costs beside their analyses."""
    from .many import analyse_many, many_clips, watch_many

    with tempfile.TemporaryDirectory() as place:
        root = Path(place) / "drop"
        many_clips(root, clips)
        rows = [*analyse_many(root, Path(place) / "out"), *watch_many(root, Path(place) / "data")]
    for what, value in rows:
        click.echo(f"{what}: {value}")


@main.command("picture-size")
@click.argument("clip", type=click.Path(exists=True, path_type=Path))
@click.option("--frames", type=int, default=60, show_default=True)
def picture_size(clip: Path, frames: int) -> None:
    """Tell how far landmarks move when CLIP, of 3840 pixels, is read smaller."""
    from .picture_size import moved_by

    for longest_px, words in moved_by(clip, (3840, 1920, 1280), frames):
        click.echo(f"{longest_px} px: {words}")


if __name__ == "__main__":
    main()
