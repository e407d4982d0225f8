"""A pinhole phone camera that looks at the place where the patient lands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from synthetic_patients.body import FloatArray

View = Literal["front", "back", "left_side", "right_side"]
VIEW_AZIMUTH_DEG: dict[View, float] = {
    "front": 0.0, "left_side": 90.0, "back": 180.0, "right_side": -90.0
}  # fmt: skip
FULL_FRAME_LONG_SIDE_MM = 36.0


@dataclass(frozen=True)
class Camera:
    """Where the phone stands and how it films.

    Attributes
    ----------
    view : side of the body that faces the camera
    yaw_deg : turn of the camera's place about the patient, off square, positive
        towards the patient's left (counter-clockwise seen from above)
    roll_deg : positive turns the picture's content clockwise
    pitch_deg : positive looks upwards
    height_m : lens above the floor
    distance_m : lens to the landing place, along the floor
    offset_m : the camera's shift to its own right with its axis kept parallel
    focal_equivalent_mm : focal length for a 36 mm long side
    exposure_s : shutter time; a frame's presentation time is its middle
    sway_deg : size of hand-held sway, 0 on a tripod
    """

    view: View = "front"
    yaw_deg: float = 0.0
    roll_deg: float = 0.0
    pitch_deg: float = -2.0
    height_m: float = 0.95
    distance_m: float = 2.7
    offset_m: float = 0.0
    focal_equivalent_mm: float = 28.0
    width_px: int = 720
    height_px: int = 1280
    fps: float = 60.0
    exposure_s: float = 1 / 120
    noise_levels: float = 2.0
    sway_deg: float = 0.0

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        long_side_px = max(self.width_px, self.height_px)
        return self.focal_equivalent_mm / FULL_FRAME_LONG_SIDE_MM * long_side_px

    def position_m(self) -> FloatArray:
        """Lens centre in world axes."""
        azimuth = np.deg2rad(VIEW_AZIMUTH_DEG[self.view] + self.yaw_deg)
        to_camera = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
        camera_right = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
        lens = self.distance_m * to_camera + self.offset_m * camera_right
        return np.asarray(lens + np.array([0.0, 0.0, self.height_m]))

    def rotation(self, t_s: float = 0.0) -> FloatArray:
        """World to camera axes (x right, y down, z ahead) as a (3, 3) rotation."""
        azimuth = np.deg2rad(VIEW_AZIMUTH_DEG[self.view] + self.yaw_deg)
        sway = self.sway_deg * np.array(
            [np.sin(2 * np.pi * rate_hz * t_s + phase)
             for rate_hz, phase in ((0.7, 0.4), (0.9, 2.1), (0.5, 1.3))]
        )  # fmt: skip
        pan, pitch = azimuth + np.deg2rad(sway[0]), np.deg2rad(self.pitch_deg + sway[1])
        roll = np.deg2rad(self.roll_deg + sway[2])
        flat = -np.array([np.cos(pan), np.sin(pan), 0.0])
        ahead = np.cos(pitch) * flat + np.array([0.0, 0.0, np.sin(pitch)])
        right = np.array([-np.sin(pan), np.cos(pan), 0.0])
        down = np.cross(ahead, right)
        turned_right = np.cos(roll) * right - np.sin(roll) * down
        turned_down = np.sin(roll) * right + np.cos(roll) * down
        return np.stack([turned_right, turned_down, ahead])

    def project(self, points_m: FloatArray, t_s: float = 0.0) -> FloatArray:
        """World points (..., 3) to pixels (..., 2), origin at the centre of the top-left pixel."""
        seen = (points_m - self.position_m()) @ self.rotation(t_s).T
        centre = (np.array([self.width_px, self.height_px]) - 1) / 2
        return np.asarray(self.focal_px * seen[..., :2] / seen[..., 2:] + centre)

    def clip_matrix(self, t_s: float = 0.0, near_m: float = 0.3, far_m: float = 30.0) -> FloatArray:
        """World to OpenGL clip coordinates, (4, 4), agreeing with `project`."""
        rotation = self.rotation(t_s)
        view = np.eye(4)
        view[:3, :3], view[:3, 3] = rotation, -rotation @ self.position_m()
        lens = np.zeros((4, 4))
        lens[0, 0] = 2 * self.focal_px / self.width_px
        lens[1, 1] = -2 * self.focal_px / self.height_px
        lens[2, 2] = (far_m + near_m) / (far_m - near_m)
        lens[2, 3] = -2 * far_m * near_m / (far_m - near_m)
        lens[3, 2] = 1.0
        return np.asarray(lens @ view)
