"""Puts the sample clips, which lie beside the package in the source, into what is installed."""

from __future__ import annotations

import shutil
from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py

_CLIPS = sorted((Path(__file__).parent / "sample_clips").glob("*.mp4"))


class BuildWithClips(build_py):
    """Builds the package, and copies the clips for the demonstration into it."""

    def run(self) -> None:
        """Build; an editable installation finds the clips in the source."""
        super().run()
        if self.editable_mode:
            return
        folder = Path(self.build_lib) / "landing_analysis" / "demo" / "clips"
        folder.mkdir(parents=True, exist_ok=True)
        for clip in _CLIPS:
            shutil.copy2(clip, folder)


setup(cmdclass={"build_py": BuildWithClips})
