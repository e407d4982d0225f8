"""Fill drop folders with odd entries around good clips and work through them in a child process.

Whatever lies in a folder may cost its own line and nothing else. A finding is: an exception, a
crash, a hang, a good clip that is not done, more lines than there are entries, a line that no
screen can show, another outcome the second time, a damaged record, or much memory.
"""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from random import Random

from fuzz.child import Child, answer_all
from fuzz.container import Finding

LONGEST_S = 120.0  # for a folder of some ten entries; working through it takes a second
MEMORY_MB = 700  # of the child, which needs 250 for a good clip
GOOD = ("P01/a.mp4", "P02/day one/b.mp4", "P02_c.mp4")

UNSHOWN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Characters that move the cursor, break or turn a line, or are none."""

Make = Callable[[Path, Random, bytes], None]
"""Puts one odd entry into a folder, with the content of a clip at hand."""

# Seconds since 1970: past what 64 bits hold in nanoseconds (2262), the last and first that disks
# of this kind keep, before 1970, never set, in ten years.
TIMES_S = (9_300_000_000, 15_032_385_535, -2_147_483_648, -1_000_000_000, 0, 2_100_000_000)
NAMES = (
    b"\xff\xfe.mp4", b"caf\xe9.mp4", b"two\nlines.mp4", b"\x1b[2Jclear.mp4", b"tab\t\r.mp4",
    "\u202emirror 4pm.mp4".encode(), "日本 \U0001f3c3.mp4".encode(), b"x" * 251 + b".mp4",
    b"\xff" * 251 + b".mp4", b"-rf.mp4", b"concat:a|b.mp4", b"http:x.mp4", b"%03d.mp4", b"*?[].mp4",
    b"'; DROP TABLE clip; --.mp4", b"<script>.mp4", b"{file}.mp4", b" .mp4", b"con.mp4", b"a.MP4 ",
    b"...x.mp4", b"P01_.mp4", b"P99_.mp4",
)  # fmt: skip
FOLDERS = (
    b"\xff", b"P01 ", b"p01", b"P 3", b"con", b"12345678", b"Somebody", b"x" * 255, b"P03.mp4",
    b"two\nlines", b"-", b"\x1b[31m", b"P04",
)  # fmt: skip
TEXTS = (
    b"\xff\xfe\0", b"[" * 3000, b"a = " + b"[" * 9000, b"stature_cm = " + b"9" * 5000,
    b"stature_cm = " + b"9" * 400, b"stature_cm = nan", b"stature_cm = 1e999",
    b"surgery_date = 0001-01-01", b"surgery_date = 10:00:00", b'"\\ud800" = 1',
    b"surgical_side = []", b"=", b"\0" * 100, b"[a.b.c]\n" * 1000,
)  # fmt: skip


def _odd_time(place: Path, rng: Random, clip: bytes) -> None:
    path = place / f"time{rng.randrange(1000)}.mp4"
    path.write_bytes(clip)
    os.utime(path, (rng.choice(TIMES_S),) * 2)


def _deep(place: Path, rng: Random, clip: bytes) -> None:
    here = os.open(place, os.O_RDONLY)
    try:
        for _ in range(rng.choice((10, 30, 300, 1500))):  # a path as long has no name in one piece
            with suppress(FileExistsError):
                os.mkdir("d", dir_fd=here)
            below = os.open("d", os.O_RDONLY, dir_fd=here)
            os.close(here)
            here = below
        file = os.open("deep.mp4", os.O_CREAT | os.O_WRONLY, dir_fd=here)
        os.write(file, clip)
        os.close(file)
    finally:
        os.close(here)


def _odd_name(place: Path, rng: Random, clip: bytes) -> None:
    name = rng.choice(NAMES)
    if rng.random() < 0.3:
        name = bytes(rng.choice([*range(1, 47), *range(48, 256)]) for _ in range(20)) + b".mp4"
    (place / os.fsdecode(name)).write_bytes(clip if rng.random() < 0.7 else b"no clip")


def _odd_folder(place: Path, rng: Random, clip: bytes) -> None:
    folder = place / os.fsdecode(rng.choice(FOLDERS))
    folder.mkdir()
    (folder / f"in{rng.randrange(1000)}.mp4").write_bytes(clip)


def _text_file(place: Path, rng: Random, clip: bytes) -> None:
    folder = place / f"P{rng.randrange(50, 60)}"
    folder.mkdir(exist_ok=True)
    text = folder / "patient.toml"
    kind = rng.randrange(6)
    if kind == 0:
        with text.open("wb") as file:
            file.truncate(3 << 30)  # sparse: takes no room on the disk
    elif kind == 1:
        os.mkfifo(text)
    elif kind == 2:
        text.mkdir()
    elif kind == 3:
        text.symlink_to("/dev/zero")
    else:
        text.write_bytes(rng.choice(TEXTS))
    (folder / "clip.mp4").write_bytes(clip)


def _no_file(place: Path, rng: Random, _clip: bytes) -> None:
    path = place / f"none{rng.randrange(1000)}.mp4"
    kind = rng.randrange(7)
    if kind == 0:
        os.mkfifo(path)
    elif kind == 1:
        here = Path.cwd()
        os.chdir(place)  # the names of sockets are short
        try:
            with socket.socket(socket.AF_UNIX) as one:
                one.bind(path.name)
        finally:
            os.chdir(here)
    elif kind == 2:
        path.symlink_to(path.name)
    elif kind == 3:
        path.with_suffix("").symlink_to("..", target_is_directory=True)
    elif kind == 4:
        path.symlink_to("nowhere")
    elif kind == 5:
        path.symlink_to("/dev/zero")
    else:
        path.mkdir()


def _odd_content(place: Path, rng: Random, clip: bytes) -> None:
    path = place / f"content{rng.randrange(1000)}.mp4"
    kind = rng.randrange(4)
    if kind == 0:
        path.touch()
    elif kind == 1:
        with path.open("wb") as file:
            file.write(clip[:32])
            file.truncate(1 << 40)
    elif kind == 2:
        path.write_text("ffconcat version 1.0\nfile a.mp4\n")
    else:
        path.write_bytes(clip[: rng.randrange(1, len(clip))])


def _no_rights(place: Path, rng: Random, clip: bytes) -> None:
    path = place / f"closed{rng.randrange(1000)}"
    if rng.random() < 0.5:
        path.mkdir()
        (path / "x.mp4").write_bytes(clip)
    else:
        path = path.with_suffix(".mp4")
        path.write_bytes(clip)
    path.chmod(rng.choice((0o000, 0o200, 0o400)))


KINDS: dict[str, Make] = {
    "time": _odd_time,
    "deep": _deep,
    "name": _odd_name,
    "folder": _odd_folder,
    "text": _text_file,
    "none": _no_file,
    "content": _odd_content,
    "rights": _no_rights,
}


def fill(root: Path, clips: list[bytes], seed: int) -> tuple[list[str], int]:
    """Put good clips and odd entries into a drop folder.

    Returns
    -------
    kinds of the odd entries, and how many files and folders could have a line
    """
    rng = Random(seed)
    for name, clip in zip(GOOD, clips, strict=False):
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(clip)
    kinds = []
    for number in range(rng.randrange(1, 10)):
        kind = rng.choice(list(KINDS))
        place = root / rng.choice(("", "P01", "P02", "P02/day one"))
        with suppress(FileExistsError, OSError):  # what this disk cannot hold, it cannot show us
            KINDS[kind](place, rng, clips[len(GOOD) + number])
            kinds.append(kind)
    return kinds, len(GOOD) + len(kinds)


def run(cases: int, seed: int, keep: Path | None = None) -> tuple[Counter[str], list[Finding]]:
    """Fill ``cases`` folders, each by its own seed, and work through them twice.

    Returns
    -------
    outcomes with their counts, findings; folders behind findings stay in ``keep``
    """
    from stand_in import tiny_clip

    outcomes: Counter[str] = Counter()
    findings = []
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary)
        clips = [tiny_clip(place / f"{k}.mp4", k).read_bytes() for k in range(len(GOOD) + 10)]
        child = Child("folder", LONGEST_S)
        try:
            for case in range(seed, seed + cases):
                folder = (keep or place) / f"folder{case}"
                (folder / "drop").mkdir(parents=True)
                kinds, most = fill(folder / "drop", clips, case)
                answer = child.ask([str(folder), most])
                outcomes[answer.split(":")[0]] += 1
                if answer.startswith(("traceback", "crash", "hang", "wrong")):
                    name = f"folder{case} ({', '.join(kinds)})"
                    findings.append(Finding(name, answer, folder))
                    if keep is not None:
                        continue
                remove(folder)
        finally:
            child.stop()
    return outcomes, findings


def remove(folder: Path) -> None:
    """Delete a folder however deep it is."""
    subprocess.run(["rm", "-rf", folder], check=False)


# --- in the child --------------------------------------------------------------------------------


def serve() -> None:
    """Work through the folders named on standard input; answer each with one line."""
    from stand_in import template_document

    template = template_document()
    answer_all(lambda about: _worked(Path(about[0]), about[1], template))


def _worked(folder: Path, most: int, template: dict) -> str:
    from stand_in import add_patients, job, open_record, stand_in

    from landing_analysis.folder import watch
    from landing_analysis.record.backups import fault_in
    from landing_analysis.record.place import data_folder

    root, log = folder / "drop", folder / "log"
    log.touch()
    try:
        with open_record(data_folder(folder / "data")) as record:
            add_patients(record, root)
            said: list[str] = []
            work = job(root, stand_in(template, log), say=lambda clip: said.append(_line(clip)))
            first = watch.work_through(record, work)
            begun = log.read_text()
            second = watch.work_through(record, work)
            fault = fault_in(record.connection)
    except Exception as error:
        return f"traceback: {type(error).__name__}: {error}"
    states = {clip.file: clip.state for clip in first}
    lost = [name for name in GOOD if states.get(name) != "done"]
    if lost:
        return f"wrong: {lost} are {[states.get(name) for name in lost]}"
    if len(first) > most:
        return f"wrong: {len(first)} lines of {most} entries: {sorted(states)}"
    unshown = [line for line in map(_line, first) if UNSHOWN.search(line)]
    if unshown:
        return f"wrong: no screen can show {unshown[0]!r}"
    if begun != log.read_text() or list(map(_line, first)) != list(map(_line, second)):
        return "wrong: another outcome the second time"
    if fault is not None:
        return f"wrong: the record is damaged ({fault})"
    return _judged_memory(states)


def _line(clip: object) -> str:
    return json.dumps([clip.file, clip.code, clip.state, clip.reason], ensure_ascii=False)


def _judged_memory(states: dict[str, str]) -> str:
    # Not the maximum of getrusage, which a child begins with that of the process that forked it.
    status = Path("/proc/self/status")
    if status.exists():
        most_mb = int(re.search(r"VmHWM:\s+(\d+)", status.read_text())[1]) / 1024
        if most_mb > MEMORY_MB:
            return f"wrong: {most_mb:.0f} MB of memory"
    return "all done" if set(states.values()) == {"done"} else "good ones done, others said"
