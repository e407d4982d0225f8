"""How fast it is, against an earlier revision in the same run: ``python -m tests.speed --help``."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import click

from tests.endurance.memory_curve import memory_mb

from .clips import Kind, make_clip

Words = tuple[str, ...]

ROOT = Path(__file__).parents[2]
JOBS = Path(__file__).with_name("jobs.py")
FIRST = "c034ba9"
"""The last revision that looked at every picture."""
WHOLE_MODEL = "3aee337"
"""The last revision with the whole pose model, which the earlier revision is given."""
MODEL_FILES = ("landing_analysis/data/pose_full.task", "landing_analysis/data/models.txt")

SHORT = (Kind(seconds=20), Kind(fps=240, seconds=3), Kind(seconds=3, people=2))
ALL = (
    Kind(seconds=20), Kind(seconds=10), Kind(seconds=60), Kind(fps=30), Kind(fps=240, seconds=10),
    Kind(codec="hevc", seconds=10), Kind(short_px=1080, seconds=10),
    Kind(short_px=1080, codec="hevc", seconds=10), Kind(seconds=10, people=2),
)  # fmt: skip


@dataclass
class Run:
    """One process that was timed; ``told`` is what it printed of itself."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    told: dict[str, float] = field(default_factory=dict)


def run(python: str, tree: Path, *words: str) -> Run:
    """Run a job with the package of a tree; memory is that of all its processes."""
    environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": ""}
    command = [python, str(JOBS), *words]
    started_s, before = time.perf_counter(), os.times()
    with subprocess.Popen(command, env=environment, cwd=tree, stdout=subprocess.PIPE,
                          stderr=subprocess.DEVNULL, text=True) as process:  # fmt: skip
        peaks = [0.0]
        watcher = threading.Thread(target=_watch, args=(process, peaks), daemon=True)
        watcher.start()
        try:
            said = process.communicate()[0].strip().splitlines()
        finally:
            process.kill()
    after = os.times()
    if process.returncode:
        raise click.ClickException(f"{' '.join(words)} failed in {tree}.")
    told = json.loads(said[-1]) if said and said[-1].startswith("{") else {}
    cpu_s = sum(after[2:4]) - sum(before[2:4])
    return Run(time.perf_counter() - started_s, cpu_s, max(peaks), told)


def _watch(process: subprocess.Popen[str], peaks: list[float]) -> None:
    while process.poll() is None:
        peaks.append(memory_mb(process.pid))
        time.sleep(0.5)


@contextmanager
def checked_out(revision: str, place: Path) -> Iterator[Path]:
    """Give an earlier revision's tree, with the whole pose model in it."""
    tree = place / "base"
    subprocess.run(
        ["git", "worktree", "add", "-q", "--detach", tree, revision], cwd=ROOT, check=True
    )
    try:
        subprocess.run(
            ["git", "checkout", "-q", WHOLE_MODEL, "--", *MODEL_FILES], cwd=tree, check=True
        )
        yield tree
    finally:
        subprocess.run(["git", "worktree", "remove", "--force", tree], cwd=ROOT, check=True)


class Table:
    """Prints each job as soon as it was run with both trees, in turns, so that drift cancels."""

    def __init__(self, before: Path, after: Path, base_python: str, rounds: int) -> None:
        self._trees, self._rounds = (before, after), rounds
        self._pythons = base_python, sys.executable
        click.echo(f"{'':58}{'before':>9}{'after':>9}{'ratio':>7}{'CPU':>7}{'memory':>10}")

    def row(
        self, what: str, words: Callable[[Path], Words], *, told: bool = False
    ) -> tuple[float, float]:
        """Run a job; return this tree's seconds, by its own clock where it ``told``, and CPU."""
        runs: tuple[list[Run], list[Run]] = ([], [])
        for turn in range(self._rounds):
            for which in (0, 1) if turn % 2 == 0 else (1, 0):
                tree = self._trees[which]
                runs[which].append(run(self._pythons[which], tree, *words(tree)))
        seconds = [
            median(one.told["seconds"] if told else one.wall_s for one in each) for each in runs
        ]
        cpu = [median(one.cpu_s for one in each) for each in runs]
        peaks = [max(one.peak_mb for one in each) for each in runs]
        click.echo(
            f"{what:58}{seconds[0]:8.2f}s{seconds[1]:8.2f}s{seconds[0] / seconds[1]:6.1f}x"
            f"{cpu[0] / cpu[1]:6.1f}x{peaks[0]:5.0f}>{peaks[1]:.0f} MB"
        )
        return seconds[1], cpu[1]


@click.command()
@click.option("--base", default=FIRST, show_default=True, help="The revision to compare with.")
@click.option(
    "--base-python",
    default=sys.executable,
    help="The interpreter of an environment with what the earlier revision needs.",
)
@click.option("--short", is_flag=True, help="Three short clips, once: within ten minutes.")
@click.option("--only", default="", help="Only clips whose names contain this, such as 1080p.")
@click.option("--rounds", type=int, default=3, show_default=True, help="Of each job and revision.")
@click.option("--processes", type=int, default=os.cpu_count() or 1, show_default=True)
def main(base: str, base_python: str, short: bool, only: str, rounds: int, processes: int) -> None:
    """Time everything with this tree and with an earlier revision, in turns.

    Ratios are of wall time (before over after), then of processor time; memory is the most that
    all processes of a job held together (PSS, on Linux). The machine must be quiet: nothing
    else may run on it.
    """
    clips = ROOT / "build" / "speed"
    clips.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary)
        with checked_out(base, place) as before:
            kinds = [kind for kind in (SHORT if short else ALL) if only in kind.name]
            if not kinds:
                raise click.ClickException(f"No clip's name contains {only!r}.")
            paths = {kind: make_clip(kind, clips) for kind in kinds}
            _measure(
                Table(before, ROOT, base_python, 1 if short else rounds), paths, place, processes
            )


def _measure(table: Table, paths: dict[Kind, Path], place: Path, processes: int) -> None:
    number = iter(range(10_000))

    def out(tree: Path) -> str:
        return str(place / tree.name / str(next(number)))

    cores = ("--workers", str(processes))
    first = next(iter(paths))
    click.echo(first.name)
    bare_s, _ = table.row(
        f"  bare engine, 240 frames, {processes} processes",
        lambda _: ("engine", str(paths[first]), str(processes)),
        told=True,
    )
    for kind, path in paths.items():
        if kind is not first:
            click.echo(kind.name)
        table.row("  decoding alone", lambda tree, path=path: ("decode", str(path)))
        written: dict[Path, str] = {}

        def without(tree: Path, path: Path = path, written: dict[Path, str] = written) -> Words:
            written[tree] = out(tree)
            where = "--out", written[tree], "--no-annotated-clip"
            return "analyse", "analyse", str(path), *where, *cores

        without_s, _ = table.row("  whole analysis, without annotated clip", without)
        drawn_s, cpu_s = table.row(
            "  whole analysis, with annotated clip",
            lambda tree, path=path: (
                "analyse", "analyse", str(path), "--out", out(tree), *cores
            ),
        )  # fmt: skip
        click.echo(f"  the annotated clip adds {100 * (drawn_s / without_s - 1):.0f} %")
        click.echo(f"  a thousand such clips, with it: {1000 * cpu_s / 3600:.1f} hours of one core")
        if kind is first:
            alone_s = bare_s / 240 * kind.fps * kind.seconds
            click.echo(f"  {alone_s / without_s:.2f} of the bare engine's speed")
            _again(table, written, out)
            _print_stages(path, out(ROOT))


def _again(table: Table, written: dict[Path, str], out: Callable[[Path], str]) -> None:
    """Time what starts from the landmarks that each tree has stored itself."""

    def landmarks(tree: Path) -> str:
        return str(next(Path(written[tree]).rglob("landmarks.parquet")))

    table.row(
        "  again from stored landmarks, page and plots",
        lambda tree: ("analyse", "analyse", landmarks(tree), "--out", out(tree)),
    )
    table.row("  again in memory, no page", lambda tree: ("again", landmarks(tree)), told=True)
    table.row("  --help", lambda tree: ("analyse", "--help"))


def _print_stages(clip: Path, out: str) -> None:
    spent_s = run(sys.executable, ROOT, "stages", str(clip), out).told
    click.echo("  now, step by step, with annotated clip:")
    for name, seconds in spent_s.items():
        click.echo(f"    {name:40}{seconds:7.2f} s{100 * seconds / sum(spent_s.values()):5.0f} %")
    shutil.rmtree(out, ignore_errors=True)


if __name__ == "__main__":
    main()
