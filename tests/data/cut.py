"""Make the files of this folder from their originals: `python cut.py FORCE_FOLDER MOCAP_FOLDER`.

What the tests do not use is left out: fingers and digits beyond a hundredth of a
centimetre or degree of the recordings, and digits beyond a tenth of a newton of the forces.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
FINGERS = ("FingerBase", "HandIndex", "Thumb")


def cut_force(path: Path) -> None:
    """Keep the force column of a record, one value a line."""
    force_n = np.loadtxt(path, skiprows=1)[:, 1]
    np.savetxt(HERE / path.name, force_n, fmt="%.1f", header="vertical force, N, 450 Hz")


def cut_recording(path: Path) -> None:
    """Leave the fingers out of a BVH file, and digits that no joint is known to."""
    tree, motion = path.read_text(encoding="utf-8").split("MOTION")
    kept_lines, kept_columns, depth, skipped_from = [], [], 0, None
    for line in tree.splitlines():
        words = line.split()
        if words[:1] == ["JOINT"] and skipped_from is None and _is_finger(words[1]):
            skipped_from = depth
        if words[:1] == ["CHANNELS"]:
            kept_columns += [skipped_from is None] * int(words[1])
        if skipped_from is None:
            kept_lines.append(line)
        depth += line.count("{") - line.count("}")
        if words == ["}"] and depth == skipped_from:
            skipped_from = None
    head, frame_time, *rows = motion.strip().splitlines()
    numbers = np.array([row.split() for row in rows], float)[:, np.array(kept_columns)]
    lines = [" ".join(re.sub(r"\.?0+$", "", f"{value:.2f}") for value in row) for row in numbers]
    text = "\n".join([*kept_lines, "MOTION", head, frame_time, *lines]) + "\n"
    (HERE / path.name).write_text(_with_hand_ends(text), encoding="utf-8")


def _is_finger(name: str) -> bool:
    return any(part in name for part in FINGERS)


def _with_hand_ends(text: str) -> str:
    """Give a hand that lost its fingers the end that the format asks of a last joint."""
    hand = r"(JOINT \w+Hand\s*\{\s*OFFSET[^\n]*\n\s*CHANNELS[^\n]*\n)(\s*\})"
    return re.sub(hand, r"\1 End Site { OFFSET 0 0 0 }\n\2", text)


def main() -> None:
    """Cut every file."""
    force, mocap = map(Path, sys.argv[1:])
    for name in ("jump1", "jump2"):
        cut_force(force / f"{name}.txt")
    for name in ("cmueval_train_jumping_2", "cmueval_train_jumping_5"):
        cut_recording(mocap / f"{name}.bvh")


if __name__ == "__main__":
    main()
