"""Start the benchmark from the project's root: ``python -m tests.accuracy``."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))

from .benchmark import main

main(prog_name="python -m tests.accuracy")
