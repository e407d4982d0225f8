"""Fixtures shared by the tests."""

from __future__ import annotations

import pytest
from jumper import jump_set

from landing_analysis.settings import Settings
from landing_analysis.tables import Tracks
from landing_analysis.tracks import clean_tracks


@pytest.fixture
def stick_tracks() -> Tracks:
    """Tracks of three quiet jumps in closed form."""
    return clean_tracks(jump_set([0.3, 0.3, 0.3], [0.3, 0.3]).landmarks, Settings().tracks)
