"""The benchmark's scenes once more in clothes and rooms that hide the legs.

The motion, the camera and so the truth are those of the plain scene: only what is seen
differs.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import av
import numpy as np

from synthetic_patients.body import Body
from synthetic_patients.clips import frame_times_s, scene_truth, write_truth
from synthetic_patients.clothes import in_long_coat, in_loose_trousers
from synthetic_patients.lighting import DARKNESS, filmed_in_the_dark, with_glare
from synthetic_patients.looks import Look, Surroundings
from synthetic_patients.matrix import MATRIX, play_entry, remarks
from synthetic_patients.render import ImageArray, Renderer, write_clip
from synthetic_patients.scenes import Colour, Patient

Develop = Callable[[Iterator[ImageArray]], Iterator[ImageArray]]

_INSTANTS = (
    "initial_contact_s", "toe_off_s", "toe_contact_s", "heel_contact_s", "take_off_s",
    "lowest_pelvis_s", "peak_flexion_s",
)  # fmt: skip
_NEARLY_BLACK: Colour = (0.07, 0.07, 0.08)


@dataclass(frozen=True)
class Room:
    """What the patient wears, and where; colours as in `Patient`, None = the patient's own.

    ``develop`` is what the camera makes of the pictures.
    """

    dress: Callable[[Body], Body] = lambda body: body
    shirt: Colour | None = None
    shorts: Colour | None = None
    shoe: Colour | None = None
    sole: Colour | None = None
    surroundings: Surroundings = field(default_factory=Surroundings)
    develop: Develop = iter


GUISES: dict[str, Room] = {
    "loose_trousers": Room(in_loose_trousers, shorts=(0.30, 0.31, 0.34)),
    "long_coat": Room(in_long_coat, shirt=(0.42, 0.36, 0.30)),
    "glossy_floor": Room(surroundings=Surroundings(mirrors=0.5)),
    "dark_floor": Room(
        shoe=_NEARLY_BLACK,
        sole=_NEARLY_BLACK,
        surroundings=Surroundings(floor=(0.085, 0.088, 0.095)),
    ),
    "backlit": Room(
        surroundings=Surroundings(room_light=1.35, body_light=0.30), develop=with_glare
    ),
    "silhouette": Room(
        surroundings=Surroundings(room_light=1.7, body_light=0.10), develop=with_glare
    ),
}
"""Each hides something else: the knee, the whole leg, where the body ends, the feet."""


def _look(patient: Patient, room: Room) -> Look:
    look = Look(patient.skin, patient.shirt, patient.shorts, patient.hair, patient.shoe)
    parts = {name: getattr(room, name) for name in ("shirt", "shorts", "shoe", "sole")}
    return replace(look, **{name: colour for name, colour in parts.items() if colour})


def film_in(
    scene_name: str, room_name: str, folder: Path, advance: Callable[[], None] = lambda: None
) -> Path:
    """Render a scene of the matrix in another room: clip and truth.

    Parameters
    ----------
    scene_name : in `matrix.MATRIX`
    room_name : in `GUISES`
    folder : of the clip ``<scene>_<room>.mp4``
    advance : called after each frame

    Returns
    -------
    Path of the clip.
    """
    entry, room = MATRIX[scene_name], GUISES[room_name]
    performance = play_entry(entry)
    scene = replace(entry.scene, name=f"{scene_name}_{room_name}")
    folder.mkdir(parents=True, exist_ok=True)
    body = room.dress(performance.motion.body)
    renderer = Renderer(
        body, _look(scene.patient, room), scene.camera, surroundings=room.surroundings
    )
    noise = np.random.default_rng(scene.seed)

    def pictures() -> Iterator[np.ndarray]:
        for t_s in frame_times_s(scene, performance):
            yield renderer.frame(performance.motion, float(t_s), noise)
            advance()

    clip = folder / f"{scene.name}.mp4"
    try:
        write_clip(clip, room.develop(pictures()), scene.camera.fps)
    finally:
        renderer.close()
    truth = scene_truth(scene, performance) | remarks(entry) | {"room": room_name}
    write_truth(folder / f"{scene.name}.truth.json", truth)
    return clip


def film_in_the_dark(clip: Path, darkness: str, folder: Path, seed: int = 0) -> Path:
    """Make a dark clip of a rendered one, whose truth file lies beside it.

    A frame is exposed over its own time and that of the frame before, so that what it
    shows is half a frame late, and the truth with it.

    Parameters
    ----------
    clip : in plain light
    darkness : in `lighting.DARKNESS`
    folder : of the clip ``<scene>_<darkness>.mp4``

    Returns
    -------
    Path of the clip.
    """
    truth = json.loads(clip.with_suffix(".truth.json").read_text(encoding="utf-8"))
    target = folder / f"{clip.stem}_{darkness}.mp4"
    folder.mkdir(parents=True, exist_ok=True)
    with av.open(str(clip)) as box:
        pictures = (frame.to_ndarray(format="rgb24") for frame in box.decode(video=0))
        dark = filmed_in_the_dark(pictures, DARKNESS[darkness], np.random.default_rng(seed))
        write_clip(target, dark, truth["fps"])
    late = _later(truth, 0.5 / truth["fps"])
    write_truth(target.with_suffix(".truth.json"), late | {"clip": target.name, "room": darkness})
    return target


def _later(truth: Any, by_s: float) -> Any:
    """Shift every instant of a truth document; lengths of time stay."""
    if isinstance(truth, list):
        return [_later(item, by_s) for item in truth]
    if not isinstance(truth, dict):
        return truth
    return {
        key: round(value + by_s, 5)
        if key in _INSTANTS and value is not None
        else _later(value, by_s)
        for key, value in truth.items()
    }
