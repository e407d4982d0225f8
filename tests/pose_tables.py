"""What the pose model saw of one drawn person, stored small: places, visibility and the truth.

A table holds per clip ``steps``, the places of the landmarks named in ``parts`` in tenths of a
pixel as the first frame and then the steps from frame to frame; ``visibility`` in 255ths; the
``view``, ``rate_hz`` and the true contacts: ``limb``, ``initial_contact_s`` and ``toe_off_s``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, Landmarks, Poses

PARTS = [f"{limb}_{part}" for part in ("shoulder", "hip", "knee", "ankle", "heel", "toe")
         for limb in LIMBS]  # fmt: skip


def table_row(name: str, poses: Poses, truth: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Return the arrays of one clip."""
    if poses.xy_px.shape[1] != 1:
        raise ValueError(f"{name} shows more than one person; make it again.")
    columns = [LANDMARK[part] for part in PARTS]
    tenths = np.rint(10 * poses.xy_px[:, 0, columns])
    yield f"{name}.steps", np.diff(tenths, axis=0, prepend=0).astype(np.int16)
    yield f"{name}.visibility", np.rint(255 * poses.visibility[:, 0, columns]).astype(np.uint8)
    contacts = truth["contacts"]
    yield f"{name}.rate_hz", np.array(truth["fps"])
    yield f"{name}.view", np.array(truth["view"])
    yield f"{name}.limb", np.array([contact["limb"] for contact in contacts])
    for edge in ("initial_contact_s", "toe_off_s"):
        yield f"{name}.{edge}", np.array([contact[edge] for contact in contacts], dtype=float)


def stored_landmarks(store: Path, name: str, rate_hz: int, first: int = 0) -> Landmarks:
    """Return a stored clip, thinned to a rate from a first frame on."""
    with np.load(store) as table:
        columns = [LANDMARK[part] for part in table["parts"]]
        filmed_hz = int(table[f"{name}.rate_hz"])
        places = np.cumsum(table[f"{name}.steps"].astype(float), axis=0) / 10.0
        visibility = table[f"{name}.visibility"] / 255.0
    n = len(places)
    xy, seen = np.full((n, N_LANDMARKS, 2), 300.0), np.ones((n, N_LANDMARKS))
    xy[:, columns], seen[:, columns] = places, visibility
    kept = slice(first, None, filmed_hz // rate_hz)
    t_s = np.arange(n)[kept] / filmed_hz
    return Landmarks(t_s, xy[kept], seen[kept], np.zeros((len(t_s), N_LANDMARKS, 3)), 720, 1280)
