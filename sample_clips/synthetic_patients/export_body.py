"""Write one small body file per patient from the parametric body package.

The only module that needs ``anny`` and ``torch``; run rarely, by hand::

    python -m synthetic_patients.export_body               the four of the clips
    python -m synthetic_patients.export_body --crowd DIR   the many of `crowd`, 20 MB

Everything downstream reads the ``.npz`` files this writes. Axes everywhere in
this package: x forward, y to the patient's left, z up, metres, floor at z = 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import click
import numpy as np

from synthetic_patients.body import JOINTS, SEGMENTS, SIDES

BODIES = Path(__file__).parent / "bodies"
SOLE_THICKNESS_M = 0.022
"""Height the shoe adds under the foot."""

KNEE_HEIGHT_SHARE = 0.285
"""Knee height over stature: Drillis and Contini 1966 as drawn in Winter, Biomechanics and Motor
Control of Human Movement, fig. 4.1 (number from memory)."""
BALL_HEIGHT_M = 0.026
"""Height of the axis about which the toes bend."""

Layer = dict[str, np.ndarray]
Legs = Literal["shorts", "trousers", "leggings"]
_GARMENTS = ((0.011, 0.010, 14), (0.012, 0.012, 14), (0.014, -0.006, 4))
"""Thickness (m), flare at the edge (m) and smoothing rounds of shirt, shorts and hair."""
_LEGGINGS = (0.004, 0.0, 3)
"""The same of leggings, in the place of shorts."""
_JOINT_BONES = {
    "hip": "upperleg01", "knee": "lowerleg01", "ankle": "foot", "shoulder": "upperarm01",
    "elbow": "lowerarm01", "wrist": "wrist", "eye": "eye",
}  # fmt: skip
_SPINE = {"spine05": "pelvis", "spine04": "abdomen", "spine03": "abdomen", "spine02": "chest"}
_LIMB = {
    "pelvis": "pelvis", "upperleg": "thigh", "lowerleg": "shank", "foot": "foot", "toe": "toes",
    "clavicle": "chest", "breast": "chest", "shoulder": "chest", "upperarm": "upper_arm",
    "lowerarm": "forearm", "wrist": "forearm", "metacarpal": "forearm", "finger": "forearm",
}  # fmt: skip


@dataclass(frozen=True)
class BodyShape:
    """What one invented patient looks like.

    ``gender``, ``muscle``, ``weight``, ``proportions`` and ``age`` are the body
    package's own dimensionless shape parameters, 0..1 (gender 0 = male; age two thirds = a
    young adult, 1 = old). ``hem_share`` is of the thigh, where shorts end.
    """

    name: str
    gender: float
    stature_m: float
    muscle: float
    weight: float
    proportions: float = 0.5
    age: float = 0.7
    legs: Legs = "shorts"
    hem_share: float = 0.70
    long_hair: bool = False


SHAPES = (
    BodyShape("slim_woman", 1.0, 1.66, muscle=0.55, weight=0.38, long_hair=True),
    BodyShape("heavy_man", 0.0, 1.82, muscle=0.55, weight=0.78),
    BodyShape("short_man", 0.0, 1.68, muscle=0.65, weight=0.5, legs="trousers"),
    BodyShape("tall_woman", 1.0, 1.78, muscle=0.6, weight=0.55, legs="trousers", long_hair=True),
)


def _segment_of_bone(label: str) -> str:
    """Name of the rigid segment a bone of the package's rig belongs to."""
    stem, _, side = label.partition(".")
    suffix = {"L": "left_", "R": "right_"}.get(side, "")
    if stem in _SPINE:
        return _SPINE[stem]
    if stem.startswith("spine"):
        return "chest"
    for prefix, segment in _LIMB.items():
        if stem.startswith(prefix):
            return segment if segment in ("pelvis", "chest") else suffix + segment
    return {"root": "pelvis", "neck01": "neck", "neck02": "neck", "neck03": "neck"}.get(
        stem, "head"
    )


def _to_our_axes(points: np.ndarray) -> np.ndarray:
    """Package axes (left, back, up) to (forward, left, up)."""
    return np.stack([-points[:, 1], points[:, 0], points[:, 2]], axis=1)


def _fit_stature(model: Any, shape: BodyShape) -> dict[str, float]:
    """Find the package's height parameter that gives the wanted stature, by bisection."""
    low, high = 0.0, 1.0
    kwargs: dict[str, float] = {}
    for _ in range(12):
        middle = (low + high) / 2
        kwargs = {
            "gender": shape.gender, "age": shape.age, "muscle": shape.muscle,
            "weight": shape.weight, "height": middle, "proportions": shape.proportions,
        }  # fmt: skip
        points = model(phenotype_kwargs=kwargs)["rest_vertices"][0].detach().numpy()
        if np.ptp(points[:, 2]) < shape.stature_m:
            low = middle
        else:
            high = middle
    return kwargs


def _outer_triangles(faces: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Triangles of the connected pieces that show: body and eyes, not teeth or tongue."""
    import trimesh

    triangles = np.concatenate([faces[:, [0, 1, 2]], faces[:, [0, 2, 3]]])
    pieces = trimesh.graph.connected_components(
        trimesh.geometry.faces_to_edges(triangles), nodes=np.arange(len(points))
    )
    largest = max(pieces, key=len)
    keep = np.zeros(len(points), bool)
    keep[largest] = True
    return np.asarray(triangles[keep[triangles].all(axis=1)])


def _vertex_normals(points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    corners = points[triangles]
    face = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.zeros_like(points)
    for corner in range(3):
        np.add.at(normals, triangles[:, corner], face)
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12))


def _along(points: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Metres along the axis from ``start`` towards ``end``."""
    axis = (end - start) / np.linalg.norm(end - start)
    return np.asarray((points - start) @ axis)


def _smooth(
    points: np.ndarray, triangles: np.ndarray, amount: np.ndarray, rounds: int
) -> np.ndarray:
    """Laplacian smoothing, ``amount`` (n,) 0..1 per vertex: hides anatomy under cloth."""
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    edges = np.concatenate([edges, edges[:, ::-1]])
    count = np.maximum(np.bincount(edges[:, 0], minlength=len(points)), 1)[:, None]
    for _ in range(rounds):
        total = np.zeros_like(points)
        np.add.at(total, edges[:, 0], points[edges[:, 1]])
        points = points + amount[:, None] * (total / count - points)
    return points


def _cloth_fields(
    points: np.ndarray, weights: np.ndarray, joints: dict[str, np.ndarray], shape: BodyShape
) -> np.ndarray:
    """Signed distances (n, 3) in metres, positive inside shirt, shorts and hair."""
    share = {name: weights[:, SEGMENTS.index(name)] for name in SEGMENTS}
    arm = sum(share[s + p] for s in ("left_", "right_") for p in ("upper_arm", "forearm"))
    skull = share["head"] + share["neck"]
    hip_z, neck_z = joints["left_hip"][2], joints["neck"][2]
    shirt = np.minimum(points[:, 2] - (hip_z - 0.03), neck_z + 0.025 - points[:, 2])
    shirt = np.minimum(
        shirt, neck_z + 0.055 - points[:, 2] - 0.5 * (points[:, 0] - joints["neck"][0])
    )
    shorts = (hip_z + 0.10) - points[:, 2]
    for side in ("left_", "right_"):
        shoulder, elbow = joints[side + "shoulder"], joints[side + "elbow"]
        own_arm = (points[:, 1] > 0) == (side == "left_")
        sleeve = 0.62 * np.linalg.norm(elbow - shoulder) - _along(points, shoulder, elbow)
        far = own_arm & (arm > 0.3)
        shirt = np.where(far, sleeve, shirt)
        hip, knee, ankle = (joints[side + j] for j in ("hip", "knee", "ankle"))
        if shape.legs == "shorts":
            hem = np.linalg.norm(knee - hip) * shape.hem_share - _along(points, hip, knee)
        else:
            hem = np.linalg.norm(ankle - knee) * 0.93 - _along(points, knee, ankle)
        shorts = np.where(own_arm, np.minimum(shorts, hem), shorts)
    shirt = np.where(skull > 0.6, -0.1, shirt)
    shorts = np.where(arm > 0.3, -0.1, shorts)
    head = points - joints["head"]
    eye_up = joints["left_eye"][2] - joints["head"][2]
    eye_forward = joints["left_eye"][0] - joints["head"][0]
    slope = 1.1 if shape.long_hair else 0.8
    hair = head[:, 2] - (eye_up + 0.062) - slope * (head[:, 0] - eye_forward)
    hair = np.where(skull > 0.5, hair, -0.1)
    return np.stack([shirt, shorts, hair], axis=1)


def _shoe(foot: np.ndarray, ankle: np.ndarray, mtp: np.ndarray, side: str) -> Layer:
    """Loft a shoe around the foot's points: flat sole at z = 0, open top hidden by the shank."""
    stations = np.linspace(foot[:, 0].min() - 0.008, foot[:, 0].max() + 0.012, 22)
    length = stations[-1] - stations[0]
    collar_z = ankle[2] + 0.012
    rings = []
    for x in stations:
        inside = np.clip(x, stations[0] + 0.14 * length, stations[-1] - 0.16 * length)
        near = foot[np.abs(foot[:, 0] - inside) < 0.02]
        low = near[near[:, 2] < 0.07]
        left, right = low[:, 1].max() + 0.006, low[:, 1].min() - 0.006
        toe_in = np.clip((x - (stations[-1] - 0.20 * length)) / (0.20 * length), 0, 1)
        heel_in = np.clip(((stations[0] + 0.12 * length) - x) / (0.12 * length), 0, 1)
        round_off = np.sqrt(np.maximum(1 - np.maximum(toe_in, heel_in) ** 2.6, 0.02))
        top = min(float(near[:, 2].max()) + 0.010, collar_z)
        top *= 1 - 0.42 * toe_in**2 - 0.22 * heel_in**2
        angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        c, s = np.cos(angle), np.sin(angle)
        y = (left + right) / 2 + (left - right) / 2 * round_off * np.sign(c) * np.abs(c) ** 0.55
        below, above = 1 - np.abs(s) ** 0.25, 1 + 3 * np.abs(s) ** 0.75
        z = 0.25 * top * np.where(s < 0, below, above)
        rings.append(np.stack([np.full_like(y, x), y, z], axis=1))
    n_ring = len(rings[0])
    points = np.concatenate(
        [*rings, rings[0].mean(0, keepdims=True), rings[-1].mean(0, keepdims=True)]
    )
    triangles = []
    for i in range(len(rings) - 1):
        for j in range(n_ring):
            a, b = i * n_ring + j, i * n_ring + (j + 1) % n_ring
            c_, d = a + n_ring, b + n_ring
            triangles += [[a, c_, b], [b, c_, d]]
    last = len(rings) - 1
    for j in range(n_ring):
        k = (j + 1) % n_ring
        triangles += [
            [len(points) - 2, j, k],
            [len(points) - 1, last * n_ring + k, last * n_ring + j],
        ]
    bend = np.clip((points[:, 0] - mtp[0] + 0.012) / 0.024, 0, 1)
    bend = bend * bend * (3 - 2 * bend)
    weights = np.zeros((len(points), len(SEGMENTS)))
    weights[:, SEGMENTS.index(side + "toes")] = bend
    weights[:, SEGMENTS.index(side + "foot")] = 1 - bend
    height = np.repeat(points[:, 2:3], 3, axis=1)
    return _layer(points, np.array(triangles), weights, height, material=4)


def _skeleton(bone: dict[str, np.ndarray], stature_m: float) -> dict[str, np.ndarray]:
    """Rest positions of our joints, but for the ends of the shoes.

    The package's knee lies above the joint line; it is moved down the shank to
    `KNEE_HEIGHT_SHARE` of stature.
    """
    joints = {
        "mid_hip": (bone["upperleg01.L"] + bone["upperleg01.R"]) / 2,
        "waist": bone["spine04"],
        "thorax": bone["spine02"],
        "neck": bone["neck01"],
        "head": bone["head"],
    }
    for side, tag in zip(SIDES, (".L", ".R"), strict=True):
        for joint, label in _JOINT_BONES.items():
            joints[side + joint] = bone[label + tag]
        knee, ankle = joints[side + "knee"], joints[side + "ankle"]
        drop_m = knee[2] - SOLE_THICKNESS_M - KNEE_HEIGHT_SHARE * stature_m
        joints[side + "knee"] = knee + (ankle - knee) * drop_m / (knee[2] - ankle[2])
        toes = np.mean([bone[f"toe{i}-1{tag}"] for i in (1, 2, 3)], axis=0)
        y = (joints[side + "ankle"][1] + toes[1]) / 2
        joints[side + "mtp"] = np.array([toes[0], y, BALL_HEIGHT_M])
    return joints


def _segment_weights(model: Any, n_points: int) -> np.ndarray:
    """Share of each of our segments in each point, (n, n_segments)."""
    weights = np.zeros((n_points, len(SEGMENTS)))
    segment = np.array([SEGMENTS.index(_segment_of_bone(b)) for b in model.bone_labels])
    bones, shares = model.vertex_bone_indices.numpy(), model.vertex_bone_weights.numpy()
    for column in range(bones.shape[1]):
        np.add.at(weights, (np.arange(n_points), segment[bones[:, column]]), shares[:, column])
    return weights


def _shares(weights: np.ndarray, *segments: str) -> np.ndarray:
    """Sum the shares of some segments in each point."""
    return np.asarray(weights[:, [SEGMENTS.index(s) for s in segments]].sum(axis=1))


def _garment(
    points: np.ndarray,
    triangles: np.ndarray,
    weights: np.ndarray,
    joints: dict[str, np.ndarray],
    shape: BodyShape,
    column: int,
) -> Layer:
    """Shirt, shorts or hair: a smoothed, puffed copy of the skin, cut by its signed distance."""
    tight = column == 1 and shape.legs == "leggings"
    thickness_m, flare_m, rounds = _LEGGINGS if tight else _GARMENTS[column]
    inside = _cloth_fields(points, weights, joints, shape)[:, column]
    cover = triangles[(inside > -0.03)[triangles].any(axis=1)]
    puff_m = thickness_m + flare_m * np.clip(1 - inside / 0.15, 0, 1)
    if column == 1:  # the waist goes under the shirt
        puff_m = np.where(points[:, 2] > joints["left_hip"][2] - 0.03, 0.005, puff_m)
    shell = _smooth(points, triangles, 0.6 * np.clip((inside + 0.03) / 0.03, 0, 1), rounds)
    fields = _cloth_fields(shell, weights, joints, shape)
    shell = shell + _vertex_normals(points, triangles) * puff_m[:, None]
    return _layer(shell, cover, weights, fields, material=column + 1)


def export(model: Any, shape: BodyShape, folder: Path = BODIES) -> Path:
    """Write ``<name>.npz`` for one shape and return its path."""
    rest = model(phenotype_kwargs=_fit_stature(model, shape))
    points = _to_our_axes(rest["rest_vertices"][0].detach().numpy().astype(float))
    heads = _to_our_axes(rest["rest_bone_heads"][0].detach().numpy().astype(float))
    lift = np.array([0.0, 0.0, SOLE_THICKNESS_M - points[:, 2].min()])
    points, heads = points + lift, heads + lift
    joints = _skeleton(
        {label: heads[i] for i, label in enumerate(model.bone_labels)}, shape.stature_m
    )
    weights = _segment_weights(model, len(points))
    triangles = _outer_triangles(model.faces.numpy(), points)
    bare = _shares(weights, *(s + p for s in SIDES for p in ("foot", "toes"))) < 0.97
    skin = triangles[bare[triangles].any(axis=1)]
    fields = _cloth_fields(points, weights, joints, shape)
    layers = [_layer(points, skin, weights, fields, material=0)]
    layers += [_garment(points, triangles, weights, joints, shape, c) for c in range(3)]
    for side in SIDES:
        foot = points[_shares(weights, side + "foot", side + "toes") > 0.6]
        shoe = _shoe(foot, joints[side + "ankle"], joints[side + "mtp"], side)
        layers.append(shoe)
        y = joints[side + "ankle"][1]
        joints[side + "toe_tip"] = np.array([shoe["points"][:, 0].max(), y, 0.0])
        joints[side + "heel"] = np.array([shoe["points"][:, 0].min(), y, 0.0])
    path = folder / f"{shape.name}.npz"
    _save(path, layers, joints, shape.stature_m)
    return path


def _save(path: Path, layers: list[Layer], joints: dict[str, np.ndarray], stature_m: float) -> None:
    """Store all layers as one surface, with the four largest shares per point in bytes."""
    starts = np.cumsum([0, *(len(layer["points"]) for layer in layers[:-1])])
    joined = {name: np.concatenate([layer[name] for layer in layers]) for name in layers[0]}
    triangles = [x["triangles"] + start for x, start in zip(layers, starts, strict=True)]
    top = np.argsort(-joined["weights"], axis=1)[:, :4]
    kept = np.take_along_axis(joined["weights"], top, axis=1)
    np.savez_compressed(
        path,
        points=joined["points"].astype(np.float32),
        triangles=np.concatenate(triangles).astype(np.uint16),
        weight_segments=top.astype(np.uint8),
        weights=np.round(255 * kept / kept.sum(axis=1, keepdims=True)).astype(np.uint8),
        fields=joined["fields"].astype(np.float16),
        materials=joined["material"].astype(np.uint8),
        joints=np.array([joints[name] for name in JOINTS]),
        stature_m=stature_m,
    )


def _layer(
    points: np.ndarray,
    triangles: np.ndarray,
    weights: np.ndarray,
    fields: np.ndarray,
    material: int,
) -> Layer:
    """One surface with only the points its triangles use."""
    used, compact = np.unique(triangles, return_inverse=True)
    return {
        "points": points[used], "triangles": compact.reshape(-1, 3), "weights": weights[used],
        "fields": fields[used], "material": np.full(len(used), material),
    }  # fmt: skip


@click.command()
@click.option(
    "--crowd", "folder", type=click.Path(file_okay=False, path_type=Path),
    help="Export the many bodies of `crowd` into this folder; bodies there are kept.",
)  # fmt: skip
def main(folder: Path | None) -> None:
    """Export the bodies of the clips, or many."""
    import anny

    from synthetic_patients.crowd import CROWD

    model = anny.create_fullbody_model(rig="default", topology="default")
    shapes = SHAPES if folder is None else tuple(member.shape for member in CROWD)
    target = folder or BODIES
    target.mkdir(parents=True, exist_ok=True)
    with click.progressbar(shapes, label="bodies") as bar:
        for shape in bar:
            if folder is None or not (target / f"{shape.name}.npz").exists():
                export(model, shape, target)


if __name__ == "__main__":
    main()
