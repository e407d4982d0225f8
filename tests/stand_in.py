"""Tiny clips, and an analysis that stands in for the real one: quick, and logged."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from functools import cache, partial
from pathlib import Path
from random import Random

import numpy as np
from stick_patient import jump_plan, make_clip, make_motion, make_poses

from landing_analysis.analysing import REPORT
from landing_analysis.errors import LandingAnalysisError, PatientError
from landing_analysis.files import new_folder, sha256_of, write_text
from landing_analysis.findings.limits import read_limits
from landing_analysis.folder import queue, watch
from landing_analysis.folder.entries import check_clip
from landing_analysis.folder.watch import Job
from landing_analysis.folder.worker import Analyse, Result
from landing_analysis.landmarks.people import link_people
from landing_analysis.patients import Patient, require_neutral_code
from landing_analysis.record.backups import fault_in
from landing_analysis.record.database import Record, open_record
from landing_analysis.record.patients import add_patient, list_patients
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.report.documents import analysis_document
from landing_analysis.settings import Settings, WatchSettings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS, Analysis, short_clip
from landing_analysis.video.clips import write_clip

MODEL_SHA256 = "a" * 64
AT_ONCE = WatchSettings(poll_s=0.1, settled_s=0.0, least_pause_s=0.0, retry_after_s=(0.0, 0.0))


def tiny_clip(path: Path, seed: int = 0) -> Path:
    """Write a clip of a few small frames; its content is another for each seed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    with write_clip(path, 32, 32) as writer:
        for k in range(4):
            writer.write(rng.integers(0, 255, (32, 32, 3)).astype(np.uint8), k / 30)
    return path


@cache
def template_analysis() -> Analysis:
    """Analyse a stick figure's jumps once; the values of every clip that follows."""
    landmarks = make_motion(jump_plan(4), "front", LIMBS)[0]
    clip, poses = make_clip(landmarks, "P07.mp4", "c" * 64), make_poses(landmarks)
    people = link_people(poses, Settings().people)
    options = Options(surgical_side="left", limits=read_limits())
    return analyse_people(clip, poses, people, options, "2026-03-04T10:11:12+00:00")


def template_document() -> dict:
    """Return the document of `template_analysis`."""
    return analysis_document(template_analysis())


def stand_in(template: dict, log: Path, step_s: float = 0.0) -> Analyse:
    """Return an analysis that copies the template, and logs where it is."""
    copied = json.dumps(template)

    def analyse(path: Path, out_dir: Path, options: Options, start: object) -> Result:
        sha256 = sha256_of(path)
        _log(log, f"start {sha256}")
        document = json.loads(copied)
        document["clip"].update(sha256=sha256)
        document["decided"]["occasion"] = asdict(options.occasion)
        document["provenance"].update(clip_sha256=sha256, model_sha256=MODEL_SHA256)
        document["decided"]["surgical_side"] = options.surgical_side
        document["decided"]["stature_m"] = options.stature_m
        folder = out_dir / f"report_{short_clip(sha256)}"
        with new_folder(folder) as new:
            for name in ("analysis.json", "reps.csv", REPORT):
                time.sleep(step_s)
                write_text(new / name, json.dumps(document) if name.endswith("json") else name)
        _log(log, f"end {sha256}")
        return Result(document, folder)

    return analyse


def _log(log: Path, line: str) -> None:
    with log.open("a") as file:
        file.write(line + "\n")


def job(root: Path, analyse: Analyse, **how: object) -> Job:
    """Return a job with the stand-in and no waiting."""
    return Job(**{
        "root": root,
        "options": Options(),
        "model_sha256": MODEL_SHA256,
        "settings": AT_ONCE,
        "check": check_clip,
        "analyse": analyse,
        **how,
    })  # fmt: skip


def add_patients(record: Record, root: Path) -> None:
    """Add the patients whose codes the sub-folders of a drop folder bear, as a clinic does."""
    known = {patient.code.lower() for patient in list_patients(record)}
    for folder in root.iterdir() if root.is_dir() else ():
        with suppress(PatientError):
            require_neutral_code(folder.name)
            if folder.is_dir() and folder.name.lower() not in known:
                add_patient(record, Patient(folder.name))


def run(folder: DataFolder, job: Job) -> dict[str, str]:
    """Add the patients of a folder, work through it once, and return the state of each file."""
    with open_record(folder) as record:
        add_patients(record, job.root)
        return {clip.file: clip.state for clip in watch.work_through(record, job)}


def values_in(record: Record) -> list[tuple]:
    """Return every value of the record with what it belongs to, in a fixed order."""
    return [
        tuple(row)
        for row in record.rows(
            "SELECT clip.sha256, analysis.id, rep, name, measure.limb, value, sd, reason "
            "FROM clip JOIN analysis ON clip_id = clip.id "
            "JOIN measure ON analysis_id = analysis.id ORDER BY measure.id"
        )
    ]


# --- what child processes do -------------------------------------------------------------------


def forked(act: Callable[[], None]) -> int:
    """Run something in a process of its own and return its number."""
    pid = os.fork()
    if pid:
        return pid
    code = 1
    try:
        act()
        code = 0
    except LandingAnalysisError as error:
        sys.stderr.write(f"Error: {error}\n")
    finally:
        os._exit(code)


def kill_at_random_moments(root: Path, data: Path, log: Path, seed: int, kills: int) -> None:
    """Start the work anew and kill it, again and again, and print what was done by then."""
    template, folder = template_document(), data_folder(data)
    rng = Random(seed)
    for kill in range(kills):
        begun = _size(log)
        pid = forked(lambda: run(folder, job(root, stand_in(template, log, 0.03))))
        ended = 0
        if kill % 2:  # however slow the machine is, half of the kills come with a clip in hand
            while not ended and _size(log) == begun:
                time.sleep(0.001)
                ended, _status = os.waitpid(pid, os.WNOHANG)
        time.sleep(rng.uniform(0.0, 0.04 if kill % 2 else 0.25))
        if not ended:
            ended, _status = os.waitpid(pid, os.WNOHANG)
        if not ended:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        with open_record(folder) as record:
            held = record.rows("SELECT count(*) FROM work WHERE state = 'analysing'")[0][0]
            done = len(record.rows("SELECT id FROM analysis"))
            sys.stdout.write(f"{done} {held} {int(bool(ended))}\n")


def _size(log: Path) -> int:
    return log.stat().st_size if log.exists() else 0


def die_at_each(base: Path, moments: tuple[tuple[str, str, str], ...]) -> None:
    """Work in a process of its own for each moment, which it dies at; print how it ended."""
    template = template_document()
    for moment in moments:
        pid = forked(partial(_die_at, base / "-".join(moment), template, *moment))
        _, status = os.waitpid(pid, 0)
        sys.stdout.write(f"{os.waitstatus_to_exitcode(status)}\n")


def _die_at(place: Path, template: dict, module: str, name: str, when: str) -> None:
    owner = {"watch": watch, "queue": queue}[module]
    function = getattr(owner, name)

    def deadly(*args: object, **kwargs: object) -> None:
        if when == "after":
            function(*args, **kwargs)
        os.kill(os.getpid(), signal.SIGKILL)

    setattr(owner, name, deadly)
    analyse = stand_in(template, place / "log")
    run(data_folder(place / "data"), job(place / "drop", analyse))


def work_alone(root: Path, data: Path, log: Path) -> None:
    """Work through a folder with the stand-in."""
    run(data_folder(data), job(root, stand_in(template_document(), log, 0.01)))


def fill_a_disk_and_make_room(root: Path, data: Path, log: Path) -> None:
    """Work on a disk in memory until it is full, make room, go on; print what was said and kept.

    Needs a mount namespace of its own, in which ``data`` may be mounted upon.
    """
    analyse = stand_in(template_document(), log)
    data.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200k", "none", data], check=True)
    said, kept = [], [0]
    for size_kb in (400, 600, 800, 1000, 1300, 100_000):
        try:
            states = run(data_folder(data), job(root, analyse))
            said.append(" ".join(sorted(set(states.values()))))
        except LandingAnalysisError as error:
            said.append(str(error))
        remount = ["mount", "-o", f"remount,size={size_kb}k", data]
        subprocess.run(remount, check=True)
        with open_record(data_folder(data)) as record, record.change() as connection:
            connection.execute("UPDATE work SET retry_at_s = 0")
            kept.append(len(values_in(record)))
    states = run(data_folder(data), job(root, analyse))
    with open_record(data_folder(data)) as record:
        per_clip = [row[0] for row in record.rows("SELECT count(*) FROM analysis GROUP BY clip_id")]
        fault = fault_in(record.connection)
    left = [str(path) for path in data.rglob("*") if ".part" in path.name]
    sys.stdout.write(json.dumps([said, kept, states, per_clip, fault, left]))


def work_on_a_small_disk(root: Path, data: Path, log: Path, largest_file: int) -> None:
    """Work through a folder while no file may grow beyond a size, as on a full disk."""
    analyse = stand_in(template_document(), log)
    resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file, resource.RLIM_INFINITY))
    try:
        run(data_folder(data), job(root, analyse))
    except LandingAnalysisError as error:
        sys.stderr.write(f"Error: {error}\n")
        sys.exit(1)
