"""Command line: list the scenes, render some of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from importlib.util import find_spec
from pathlib import Path

import click

from synthetic_patients.body import load_body
from synthetic_patients.camera import VIEW_AZIMUTH_DEG, Camera, View
from synthetic_patients.choreography import Performance
from synthetic_patients.clips import film, frame_times_s, play
from synthetic_patients.crowd_ladder import CROWD_LADDER, film_crowd_step
from synthetic_patients.crowd_matrix import CROWD_MATRIX, film_crowd_entry
from synthetic_patients.ladder import choose as ladder_steps
from synthetic_patients.ladder import film_step, play_step
from synthetic_patients.matrix import choose, film_entry, is_filmed, play_entry
from synthetic_patients.mocap import (
    INITIAL_CONTACT_UNCERTAINTY_S,
    TOE_OFF_UNCERTAINTY_S,
    apparent_gravity_m_s2,
    perform_recording,
    read_bvh,
)
from synthetic_patients.rooms import ROOMS, film_room, play_room
from synthetic_patients.scenes import PATIENTS, SAMPLE_CLIPS, SCENES, Scene


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
        _film(scene, play(scene), out, None, frame_arrays)


@main.command()
@click.argument("names", nargs=-1)
@click.option("--split", type=click.Choice(["tune", "hold", "short"]), help="All without it.")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def matrix(names: tuple[str, ...], split: str | None, out: Path) -> None:
    """Render the benchmark's scenes that NAMES name or that contain one of them, or all.

    A clip that is there already, of the same scene and motion, is kept.
    """
    _ask_for_moderngl()
    chosen = {entry.name: entry for name in names or (None,) for entry in choose(split, name)}
    if not chosen:
        raise click.ClickException("No scene has such a name; leave the names out for all.")
    for number, entry in enumerate(chosen.values(), start=1):
        label, performance = f"{number}/{len(chosen)} {entry.name}", play_entry(entry)
        if is_filmed(entry, performance, out):
            click.echo(f"{label} is there")
            continue
        frames = len(frame_times_s(entry.scene, performance))
        with click.progressbar(length=frames, label=label) as bar:
            film_entry(entry, performance, out, partial(bar.update, 1))


@main.command()
@click.argument("scenes", nargs=-1, required=True)
@click.option("--guise", "chosen", multiple=True, help="All without it; repeatable.")
@click.option(
    "--plain", type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of the same scenes in plain light, from which the dark ones are made.",
)  # fmt: skip
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def guises(scenes: tuple[str, ...], chosen: tuple[str, ...], plain: Path | None, out: Path) -> None:
    """Render SCENES of the benchmark in other clothes, rooms and light; clips there are kept."""
    _ask_for_moderngl()
    from synthetic_patients.guises import GUISES, film_in, film_in_the_dark
    from synthetic_patients.lighting import DARKNESS

    names = chosen or (*GUISES, *(DARKNESS if plain else ()))
    for scene in scenes:
        for room in names:
            if (out / f"{scene}_{room}.truth.json").exists():
                click.echo(f"{scene}_{room} is there")
            elif room in GUISES:
                click.echo(film_in(scene, room, out).name)
            elif plain is None:
                raise click.ClickException(f"{room} is made of a plain clip; name --plain.")
            else:
                click.echo(film_in_the_dark(plain / f"{scene}.mp4", room, out).name)


@main.command()
@click.argument("names", nargs=-1, type=click.Choice([room.name for room in ROOMS]))
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def rooms(names: tuple[str, ...], out: Path) -> None:
    """Render the scenes with other people, or of a patient who turns; a clip there is kept."""
    _ask_for_moderngl()
    for room in ROOMS:
        if (names and room.name not in names) or (out / f"{room.name}.mp4").exists():
            continue
        frames = int(play_room(room)[1].duration_s * room.scene.camera.fps)
        with click.progressbar(length=frames, label=room.name) as bar:
            film_room(room, out, partial(bar.update, 1))


@main.command()
@click.argument("names", nargs=-1)
@click.option("--split", type=click.Choice(["tune", "hold"]), help="All without it.")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def ladder(names: tuple[str, ...], split: str | None, out: Path) -> None:
    """Render the exercises' scenes that contain one of NAMES, or all; a clip there is kept."""
    _ask_for_moderngl()
    chosen = {step.name: step for name in names or (None,) for step in ladder_steps(split, name)}
    if not chosen:
        raise click.ClickException("No scene has such a name; leave the names out for all.")
    for step in chosen.values():
        if (out / f"{step.name}.mp4").exists():
            click.echo(f"{step.name} is there")
            continue
        frames = len(frame_times_s(step.scene, play_step(step)))
        with click.progressbar(length=frames, label=step.name) as bar:
            film_step(step, out, partial(bar.update, 1))


_BODIES = click.option(
    "--bodies", type=click.Path(exists=True, file_okay=False, path_type=Path), required=True,
    help="Folder that `export_body --crowd` filled.",
)  # fmt: skip


@main.command()
@_BODIES
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def crowd_ladder(bodies: Path, out: Path) -> None:
    """Render each exercise on one body of the crowd; a clip there is kept."""
    _film_missing(CROWD_LADDER, partial(film_crowd_step, bodies=bodies, folder=out), out)


@main.command()
@_BODIES
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def crowd_matrix(bodies: Path, out: Path) -> None:
    """Render the benchmark's conditions on bodies of the crowd; a clip there is kept."""
    _film_missing(CROWD_MATRIX, partial(film_crowd_entry, bodies=bodies, folder=out), out)


def _film_missing(names: Iterable[str], film: Callable[[str], Path], out: Path) -> None:
    _ask_for_moderngl()
    with click.progressbar(list(names), label="Clips", item_show_func=str) as shown:
        for name in shown:
            if not (out / f"{name}.truth.json").exists():
                film(name)


@main.command()
@_BODIES
@click.option(
    "--view", "views", multiple=True, type=click.Choice(list(VIEW_AZIMUTH_DEG)),
    help="All without it; repeatable.",
)  # fmt: skip
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def stills(bodies: Path, views: tuple[View, ...], out: Path) -> None:
    """Render the still landings of the many bodies, a clip each; a clip there is kept."""
    _ask_for_moderngl()
    from synthetic_patients.crowd import CROWD
    from synthetic_patients.stills import VIEWS, film_member, most_stills

    out.mkdir(parents=True, exist_ok=True)
    views = views or VIEWS
    for member in CROWD:
        if not (out / f"{member.name}.truth.npz").exists():
            with click.progressbar(length=most_stills(views), label=member.name) as bar:
                film_member(member, bodies, out, views, partial(bar.update, 1))


@main.command()
@_BODIES
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def sets(bodies: Path, out: Path) -> None:
    """Render small sets of jumps and hops of some of the many bodies; a clip there is kept."""
    _ask_for_moderngl()
    from synthetic_patients.sets import SETS, film_set, play_set

    for plan in SETS:
        if not (out / f"{plan.name}.truth.json").exists():
            frames = int(play_set(plan, bodies).motion.duration_s * plan.fps)
            with click.progressbar(length=frames, label=plan.name) as bar:
                film_set(plan, bodies, out, partial(bar.update, 1))


@main.command()
@_BODIES
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def landings(bodies: Path, out: Path) -> None:
    """Render those frames of the small sets that carry an FPPA; a clip there is kept."""
    _ask_for_moderngl()
    from synthetic_patients.landings import film_landings
    from synthetic_patients.sets import SETS

    with click.progressbar(SETS, label="landings") as bar:
        for plan in bar:
            if not (out / f"{plan.name}.truth.json").exists():
                film_landings(plan, bodies, out)


@main.command(name="side-landings")
@_BODIES
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
@click.option("--visit", type=click.IntRange(1, 2), default=1, show_default=True)
@click.option("--only", multiple=True, help="Sets whose names contain this; repeatable.")
def side_landings(bodies: Path, out: Path, visit: int, only: tuple[str, ...]) -> None:
    """Render frames of side views that carry a knee flexion; a clip there is kept."""
    _ask_for_moderngl()
    from synthetic_patients.side_landings import film_side_landings, side_plans

    plans = [plan for plan in side_plans(visit) if any(part in plan.name for part in only or ("",))]
    with click.progressbar(plans, label="side landings") as bar:
        for plan in bar:
            if not (out / f"{plan.name}.truth.json").exists():
                try:
                    film_side_landings(plan, bodies, out)
                except ValueError as reason:
                    click.echo(f"\nLeft out: {reason}.", err=True)


@main.command()
@click.argument("recording", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--rate-hz", type=float, required=True, help="True rate; files misstate it.")
@click.option("--patient", type=click.Choice(sorted(PATIENTS)), default="P-04", show_default=True)
@click.option("--view", type=click.Choice(list(VIEW_AZIMUTH_DEG)), default="front")
@click.option("--fps", type=float, default=60.0, show_default=True)
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
def record(
    recording: Path, rate_hz: float, patient: str, view: View, fps: float, out: Path
) -> None:
    """Put a recorded human motion (BVH) on an invented patient and film it."""
    camera = Camera(view=view, distance_m=3.0, fps=fps, exposure_s=0.5 / fps)
    scene = Scene(f"{recording.stem}_{view}", PATIENTS[patient], lambda _: [], 0, camera)
    try:
        performance = perform_recording(load_body(scene.patient.body), read_bvh(recording, rate_hz))
    except (ValueError, KeyError) as reason:
        message = f"{recording.name} cannot be used: {reason}. Give a BVH file of a whole body."
        raise click.ClickException(message) from reason
    remarks = {
        "invented": False,
        "motion": f"recorded: {recording.name}; contacts read from heights of toes and heels",
        "initial_contact_uncertainty_s": INITIAL_CONTACT_UNCERTAINTY_S,
        "toe_off_uncertainty_s": TOE_OFF_UNCERTAINTY_S,
        "apparent_gravity_m_s2": round(apparent_gravity_m_s2(performance), 2),
    }
    _film(scene, performance, out, remarks, frame_arrays=True)


def _ask_for_moderngl() -> None:
    if find_spec("moderngl") is None:
        raise click.ClickException("Drawing needs the package moderngl; install it and try again.")


def _film(
    scene: Scene,
    performance: Performance,
    out: Path,
    remarks: dict[str, object] | None,
    frame_arrays: bool,
) -> None:
    _ask_for_moderngl()
    frames = len(frame_times_s(scene, performance))
    with click.progressbar(length=frames, label=scene.name) as bar:
        film(
            scene,
            performance,
            out,
            remarks=remarks,
            frame_arrays=frame_arrays,
            advance=partial(bar.update, 1),
        )


if __name__ == "__main__":
    main()
