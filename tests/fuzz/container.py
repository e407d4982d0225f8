"""Damage bytes of small clips and read them in a child process that may be lost.

A clip may be refused by one of the package's own errors, or be read. Read means: times that
increase, pictures of the size that was promised, only frames that the file lists, and a
remark for each that did not come, or when the clip is shorter than it was. All else is a
finding: another exception, a crash, a hang, or a success that breaks one of these.

Not told, because nothing in a file tells it: a flipped bit in the header that makes the clock
run faster or the picture a little larger (5 of 3000 cases of seed 1).
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from marked_clips import write_marked_clip
from phone_clips import find_box

from fuzz.child import Child, answer_all

LONGEST_S = 30.0  # for a clip of half a second; reading it takes some hundredths

FRAMES = 30
_DESCRIPTION = 700  # bytes

LAYOUTS: dict[str, dict[str, str]] = {
    "index_last.mp4": {},
    "index_first.mov": {"movflags": "+faststart"},
    "fragments.mp4": {"movflags": "+frag_keyframe+empty_moov"},
    "chunks.avi": {},
}


@dataclass(frozen=True)
class Finding:
    """One damaged clip that did not end as it should; ``file`` holds it for a second look."""

    case: str
    what: str
    file: Path


def damage(data: bytes, seed: int) -> tuple[str, bytes]:
    """Damage a copy in one of four ways, half of the time inside the index.

    Returns
    -------
    name of the damage, damaged bytes
    """
    rng = np.random.default_rng(seed)
    start, end = _index(data) if rng.random() < 0.5 else (0, len(data))
    copy = bytearray(data)
    kind = ("flip", "zero", "cut", "noise")[int(rng.integers(4))]
    at = int(rng.integers(start, end))
    length = int(rng.integers(1, max(2, min(400, end - at))))
    if kind == "flip":
        for place in rng.integers(start, end, int(rng.integers(1, 12))):
            copy[place] ^= 1 << int(rng.integers(8))
    elif kind == "zero":
        copy[at : at + length] = bytes(length)
    elif kind == "cut":
        del copy[at : at + length if rng.random() < 0.5 else len(copy)]
    else:
        copy[at : at + length] = rng.bytes(length)
    return kind, bytes(copy)


def _index(data: bytes) -> tuple[int, int]:
    """Return where the description of the tracks stands; other containers start with it."""
    return find_box(data, b"moov") if data[4:8] == b"ftyp" else (0, _DESCRIPTION)


def make_clips(folder: Path) -> dict[str, bytes]:
    """Write the clips that are then damaged."""
    t_s = np.arange(FRAMES) / 60
    return {
        name: write_marked_clip(
            folder / name, t_s, (320, 180), options=options, key_frame_every=10, grain=10.0
        ).read_bytes()
        for name, options in LAYOUTS.items()
    }


def run(cases: int, seed: int, keep: Path | None = None) -> tuple[Counter[str], list[Finding]]:
    """Damage and read ``cases`` clips.

    Parameters
    ----------
    cases : how many
    seed : of the first; each case has its own, so that one can be repeated alone
    keep : folder for the clips behind findings; a temporary one without

    Returns
    -------
    outcomes with their counts, findings
    """
    outcomes: Counter[str] = Counter()
    findings = []
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        clips = list(make_clips(folder).items())
        reader = Child("container", LONGEST_S)
        try:
            for case in range(seed, seed + cases):
                name, data = clips[case % len(clips)]
                kind, damaged = damage(data, case)
                path = folder / f"{case}_{kind}_{name}"
                path.write_bytes(damaged)
                answer = reader.ask(str(path))
                outcomes[answer.split(":")[0]] += 1
                if answer.startswith(("traceback", "crash", "hang", "wrong")):
                    kept = path if keep is None else path.rename(keep / path.name)
                    findings.append(Finding(path.name, answer, kept))
                else:
                    path.unlink()
        finally:
            reader.stop()
    return outcomes, findings


# --- in the child --------------------------------------------------------------------------------


def serve() -> None:
    """Read the clips named on standard input; answer each with one line."""
    answer_all(lambda path: _read(Path(path)))


def _read(path: Path) -> str:
    from landing_analysis.errors import LandingAnalysisError
    from landing_analysis.findings.quality import damage_notes
    from landing_analysis.video.clips import read_clip, read_frames

    try:
        clip = read_clip(path)
        times_s = []
        for frame in read_frames(path, clip):
            if frame.rgb.shape != (clip.height_px, clip.width_px, 3):
                return "wrong: a picture of another size"
            times_s.append(frame.t_s)
    except LandingAnalysisError as error:
        sentence = str(error)
        broken = "\n" in sentence or not sentence.endswith(".")
        return "wrong: not one sentence" if broken else f"refused {type(error).__name__}"
    except Exception as error:
        return f"traceback: {type(error).__name__}: {error}"
    read_s = np.array(times_s)
    noted = any(note.state == "limited" for note in clip.notes)
    if clip.frames < FRAMES and not noted and _listed_frames(path) < FRAMES:
        return "wrong: a shorter clip without a remark"
    return _judged(clip.t_s, read_s, noted=bool(damage_notes(clip.t_s, read_s)))


def _listed_frames(path: Path) -> int:
    """Count the frames that a file lists, those that it hides by a trim included."""
    with av.open(str(path)) as container:
        return sum(packet.size > 0 for packet in container.demux(video=0))


def _judged(promised_s: np.ndarray, read_s: np.ndarray, *, noted: bool) -> str:
    if not np.isfinite(promised_s).all() or np.any(np.diff(promised_s) <= 0):
        return "wrong: times that do not increase"
    if not np.isin(read_s, promised_s).all() or np.any(np.diff(read_s) <= 0):
        return "wrong: frames that the file does not list"
    if len(read_s) < len(promised_s) and not noted:
        return "wrong: frames are missing without a remark"
    return "read in part, said so" if noted else "read"


def listed(findings: Iterator[Finding] | list[Finding]) -> str:
    """Return findings one a line."""
    return "\n".join(f"{item.case}: {item.what}" for item in findings)
