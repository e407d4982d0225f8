"""What is installed holds all that it needs, the clips for the demonstration too."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from zipfile import ZipFile

import pytest

ROOT = Path(__file__).parents[2]
LARGEST_MB = 15  # the pose model and four clips; more should be a decision
TELL = """
from pathlib import Path
from landing_analysis.demo import clinic
seen = []
clinic._analyse_samples = lambda record, day, samples, start: seen.append(samples) or 4
clinic.write_all_pages = lambda *_: Path("page")
clinic.add_stories = lambda *_, **__: 0
clinic.make_clinic(Path("data"), __import__("datetime").date(2026, 5, 29), 1)
for code, clips in seen[0].items():
    print(code, *(clip.relative_to(Path(clinic.__file__).parent) for clip in clips))
"""


@pytest.mark.slow
def test_an_installed_package_brings_the_clips_of_the_demonstration_along(tmp_path):
    source = tmp_path / "source"
    source.mkdir()
    for name in ("landing_analysis", "sample_clips"):
        shutil.copytree(ROOT / name, source / name)
    for path in ROOT.iterdir():
        if path.is_file():
            shutil.copy(path, source)
    pip = [sys.executable, "-m", "pip", "wheel", "--no-deps", "-q"]
    subprocess.run([*pip, "-w", tmp_path, source], check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    assert wheel.stat().st_size < LARGEST_MB * 2**20
    ZipFile(wheel).extractall(tmp_path / "site")
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, {str(tmp_path / 'site')!r}){TELL}"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.splitlines() == [
        "DEMO1 clips/bounds_p01_front.mp4 clips/p01_jumps_front.mp4 clips/p01_jumps_left_side.mp4 "
        "clips/run_p01_left_side.mp4 clips/sled_p01_left_side.mp4",
        "DEMO2 clips/p02_hops_left_side.mp4 clips/p02_hops_right_side.mp4",
    ]
