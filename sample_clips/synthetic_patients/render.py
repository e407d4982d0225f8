"""Draw a patient in a plain training room and write the clip.

Needs ``moderngl`` with an EGL driver (software is enough) and ``av``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import moderngl
import numpy as np
from numpy.typing import NDArray

from synthetic_patients.body import SEGMENTS, SIDES, Body, FloatArray
from synthetic_patients.camera import Camera
from synthetic_patients.furniture import Slab
from synthetic_patients.looks import Look, Surroundings
from synthetic_patients.motion import AnyMotion

ImageArray = NDArray[np.uint8]
Posture = tuple[FloatArray, FloatArray]
"""Rotations and origins of the segments, as `Body.place` takes them."""
SUB_FRAME_SHIFTS_PX = ((-1 / 3, -1 / 6), (0.0, 1 / 3), (1 / 3, -1 / 6))
"""One picture of the exposure each: averaged for motion blur, shifted to smooth edges."""
SUB_FRAMES = len(SUB_FRAME_SHIFTS_PX)

TRAILING_S = 0.045
"""Loose cloth is drawn toward where it was this long ago (choice)."""

_SHADOW_REACH = 2.0
_MIRROR = np.array([1.0, 1.0, -1.0, 1.0])
_CORNERS = ((-1, -1), (-1, 1), (1, -1), (1, 1))
_GRAIN_MARGIN_PX = 256

_PERSON_VERTEX = """
#version 330
uniform mat4 to_clip;
in vec3 place; in vec3 normal; in vec3 rest; in vec3 field; in float material;
out vec3 v_normal; out vec3 v_rest; out vec3 v_field; flat out int v_material; out vec3 v_place;
void main() {
    gl_Position = to_clip * vec4(place, 1.0);
    v_normal = normal; v_rest = rest; v_field = field; v_place = place;
    v_material = int(material + 0.5);
}
"""

_PERSON_FRAGMENT = """
#version 330
uniform vec3 colours[6];   // skin, shirt, shorts, hair, shoe, sole
uniform vec3 left_eye;     // rest position
uniform vec3 eye_of_camera;
uniform float share;       // below 1 for a reflection
uniform float light;
in vec3 v_normal; in vec3 v_rest; in vec3 v_field; flat in int v_material; in vec3 v_place;
out vec4 colour;

float ellipse(vec2 p, vec2 centre, vec2 radius) { return length((p - centre) / radius); }

float grain(vec3 p) {
    return fract(sin(dot(floor(p * 160.0), vec3(12.9898, 78.233, 37.719))) * 43758.5453);
}

vec3 face(vec3 skin) {
    vec2 p = vec2(abs(v_rest.y), v_rest.z);
    if (v_rest.x < left_eye.x - 0.025) return skin;
    vec2 eye = left_eye.yz;
    vec2 brow = p - eye - vec2(0.001, 0.020);
    brow.y += 0.12 * brow.x;
    if (ellipse(brow, vec2(0.0), vec2(0.019, 0.0040)) < 1.0) return mix(skin, colours[3], 0.8);
    if (ellipse(p, eye, vec2(0.0145, 0.0072)) < 1.0)
        return ellipse(p, eye, vec2(0.0062)) < 1.0 ? vec3(0.10, 0.07, 0.05) : vec3(0.93);
    if (ellipse(p, vec2(0.0, eye.y - 0.074 + 4.0 * p.x * p.x), vec2(0.025, 0.0062)) < 1.0)
        return skin * vec3(0.84, 0.58, 0.55);
    return skin;
}

void main() {
    vec3 base = colours[v_material];
    if (v_material == 0) {
        if (v_field.x > 0.012 || v_field.y > 0.012) discard;
        base = face(base);
    } else if (v_material == 4) {
        base = v_rest.z < 0.020 ? colours[5] : colours[4];
        if (v_rest.z > 0.034 && v_rest.z < 0.042) base = colours[5];
    } else {
        float inside = v_field[v_material - 1];
        if (inside < 0.0) discard;
        if (inside < 0.012 && v_material < 3) base *= 0.78;
        base *= 0.96 + 0.08 * grain(v_rest);
    }
    vec3 n = normalize(v_normal);
    vec3 to_eye = normalize(eye_of_camera - v_place);
    if (dot(n, to_eye) < 0.0 && v_material != 0) n = -n;
    vec3 sun = normalize(vec3(0.55, 0.45, 0.80));
    float direct = max(dot(n, sun), 0.0);
    float sky = 0.5 + 0.5 * n.z;
    float fill = max(dot(n, to_eye), 0.0);
    float lit = 0.30 + 0.22 * sky + 0.45 * direct + 0.16 * fill;
    colour = share * vec4(light * base * lit, 1.0);
}
"""

_SLAB_VERTEX = """
#version 330
uniform mat4 to_clip;
in vec3 place; in vec3 normal;
out vec3 v_normal; out vec3 v_place;
void main() { gl_Position = to_clip * vec4(place, 1.0); v_normal = normal; v_place = place; }
"""

_SLAB_FRAGMENT = """
#version 330
uniform vec3 base; uniform vec3 eye_of_camera; uniform float light;
in vec3 v_normal; in vec3 v_place;
out vec4 colour;
void main() {
    float direct = max(dot(v_normal, normalize(vec3(0.55, 0.45, 0.80))), 0.0);
    float fill = max(dot(v_normal, normalize(eye_of_camera - v_place)), 0.0);
    float lit = 0.41 + 0.11 * v_normal.z + 0.45 * direct + 0.16 * fill;
    colour = vec4(light * base * lit, 1.0);
}
"""

_ROOM_VERTEX = """
#version 330
in vec2 corner; out vec2 v_corner;
void main() { gl_Position = vec4(corner, 0.0, 1.0); v_corner = corner; }
"""

_ROOM_FRAGMENT = """
#version 330
uniform mat4 from_clip; uniform vec3 eye_of_camera; uniform vec2 wall_normal;
uniform float wall_m; uniform float pixel_rad; uniform vec3 floor_colour;
uniform float light;
in vec2 v_corner; out vec4 colour;

float hash(vec2 p) { return fract(sin(dot(p, vec2(127.1, 311.7))) * 43758.5453); }
float noise(vec2 p) {
    vec2 i = floor(p), f = fract(p); f = f * f * (3.0 - 2.0 * f);
    return mix(mix(hash(i), hash(i + vec2(1, 0)), f.x),
               mix(hash(i + vec2(0, 1)), hash(i + vec2(1, 1)), f.x), f.y);
}
float line(float x, float half_width, float soft) {
    return 1.0 - smoothstep(half_width, half_width + soft, abs(x));
}

void main() {
    vec4 far = from_clip * vec4(v_corner, 1.0, 1.0);
    vec3 ray = normalize(far.xyz / far.w - eye_of_camera);
    vec2 back = wall_normal;
    float to_floor = ray.z < -1e-4 ? -eye_of_camera.z / ray.z : 1e9;
    float facing = dot(ray.xy, back);
    float to_wall = facing < -1e-4 ? (-wall_m - dot(eye_of_camera.xy, back)) / facing : 1e9;
    if (to_floor < to_wall) {
        vec2 p = (eye_of_camera + to_floor * ray).xy;
        vec2 q = vec2(dot(p, back), dot(p, vec2(-back.y, back.x)));
        float soft = pixel_rad * to_floor * 2.0;
        float speck = noise(q * 90.0) * 0.6 + noise(q * 210.0) * 0.4;
        speck = mix(speck, 0.5, clamp(soft * 40.0, 0.0, 1.0));
        vec3 base = floor_colour * (0.90 + 0.20 * speck);
        vec2 tile = abs(fract(q / 1.0 + 0.5) - 0.5);
        base *= 1.0 - 0.25 * max(line(tile.x, 0.003, soft), line(tile.y, 0.003, soft));
        base *= 0.94 + 0.10 * noise(q * 1.3);
        colour = vec4(light * base, 1.0);
    } else {
        vec3 hit = eye_of_camera + to_wall * ray;
        float along = dot(hit.xy, vec2(-back.y, back.x));
        float soft = pixel_rad * to_wall * 2.0;
        float high = smoothstep(0.0, 2.6, hit.z);
        vec3 base = mix(vec3(0.80, 0.80, 0.77), vec3(0.72, 0.75, 0.76), high);
        base *= 0.97 + 0.05 * noise(vec2(along, hit.z) * 2.0);
        base = mix(base, vec3(0.50, 0.42, 0.34), line(hit.z - 0.06, 0.06, soft));
        base = mix(base, vec3(0.58, 0.66, 0.70), line(hit.z - 1.30, 0.03, soft));
        base = mix(base, vec3(0.35, 0.37, 0.40), line(along - 1.15, 0.012, soft));
        colour = vec4(light * base, 1.0);
    }
}
"""

_SHADOW_VERTEX = """
#version 330
uniform mat4 to_clip; uniform vec4 spot; uniform float strength;
in vec2 corner; out vec2 v_corner;
void main() {
    v_corner = corner;
    gl_Position = to_clip * vec4(spot.xy + corner * spot.zw * 2.0, 0.0, 1.0);
}
"""

_SHADOW_FRAGMENT = """
#version 330
uniform float strength; in vec2 v_corner; out vec4 colour;
void main() {
    float fall = max(exp(-4.0 * dot(v_corner, v_corner)) - exp(-4.0), 0.0);
    colour = vec4(0.0, 0.0, 0.0, strength * fall);
}
"""


@dataclass(frozen=True)
class Person:
    """Somebody who is drawn: a body in motion, and its colours."""

    motion: AnyMotion
    look: Look


class _Mesh:
    """One body's surfaces on the drawing machine."""

    def __init__(
        self, context: moderngl.Context, program: moderngl.Program, body: Body, look: Look
    ) -> None:
        self.body, self._program = body, program
        self._moving = context.buffer(reserve=len(body.points) * 24, dynamic=True)
        fixed = np.concatenate([body.points, body.fields, body.materials[:, None]], axis=1)
        self._array = context.vertex_array(
            program,
            [
                (self._moving, "3f 3f", "place", "normal"),
                (context.buffer(fixed.astype("f4").tobytes()), "3f 3f 1f", "rest", "field",
                 "material"),
            ],
            index_buffer=context.buffer(body.triangles.astype("i4").tobytes()),
        )  # fmt: skip
        colours = [look.skin, look.shirt, look.shorts, look.hair, look.shoe, look.sole]
        self._colours = np.array(colours, "f4").tobytes()

    def move(self, now: Posture, earlier: Posture) -> FloatArray:
        """Place the surfaces in a posture, loose cloth behind it; returns their points (n, 3)."""
        placed = self.body.place_trailing(now, earlier)
        moving = np.concatenate([placed, self.body.normals(placed)], axis=1).astype("f4")
        self._moving.write(moving.tobytes())
        return placed

    def draw(self) -> None:
        """Draw the surfaces where they were placed."""
        self._program["colours"].write(self._colours)
        self._program["left_eye"].value = tuple(self.body.joints["left_eye"])
        self._array.render()


class Renderer:
    """Draws one patient, and whoever else is there, through one camera. Hold one per clip."""

    def __init__(
        self,
        body: Body,
        look: Look,
        camera: Camera,
        others: Sequence[Person] = (),
        shifts_px: Sequence[tuple[float, float]] = SUB_FRAME_SHIFTS_PX,
        surroundings: Surroundings | None = None,
        furniture: Sequence[Slab] = (),
    ) -> None:
        self._camera, self._others, self._shifts_px = camera, tuple(others), shifts_px
        self._surroundings = surroundings or Surroundings()
        self._body, self._furniture = body, tuple(furniture)
        self._context = moderngl.create_standalone_context(backend="egl")
        size = (camera.width_px, camera.height_px)
        self._tile_size = (0, 0)
        self._plain = self._context.simple_framebuffer(size, 4)
        self._person = self._context.program(_PERSON_VERTEX, _PERSON_FRAGMENT)
        self._room = self._context.program(_ROOM_VERTEX, _ROOM_FRAGMENT)
        self._shadow = self._context.program(_SHADOW_VERTEX, _SHADOW_FRAGMENT)
        self._meshes = [
            _Mesh(self._context, self._person, *who)
            for who in ((body, look), *((o.motion.body, o.look) for o in self._others))
        ]
        self._slab = self._context.program(_SLAB_VERTEX, _SLAB_FRAGMENT)
        self._slab["light"].value = self._surroundings.room_light
        self._slab_corners = self._context.buffer(reserve=36 * 24, dynamic=True)
        self._slab_mesh = self._context.vertex_array(
            self._slab, [(self._slab_corners, "3f 3f", "place", "normal")]
        )
        square = self._context.buffer(np.array([-1, -1, 1, -1, -1, 1, 1, 1], "f4").tobytes())
        self._room_mesh = self._context.vertex_array(self._room, [(square, "2f", "corner")])
        self._shadow_mesh = self._context.vertex_array(self._shadow, [(square, "2f", "corner")])
        self._room["floor_colour"].value = self._surroundings.floor
        self._room["light"].value = self._surroundings.room_light
        self._person["light"].value = self._surroundings.body_light
        self._still_room: ImageArray | None = None
        grain_shape = (camera.height_px + _GRAIN_MARGIN_PX, camera.width_px + _GRAIN_MARGIN_PX, 3)
        grain = np.random.default_rng(0).standard_normal(grain_shape, dtype=np.float32)
        self._grain = camera.noise_levels * grain + np.float32(0.5)

    def aim(self, camera: Camera) -> None:
        """Film on through another camera whose picture is as large."""
        if camera is not self._camera:
            self._camera, self._still_room = camera, None

    def close(self) -> None:
        """Free the drawing context."""
        self._context.release()

    def room(self, t_s: float) -> ImageArray:
        """Floor and wall alone, (height, width, 3)."""
        if self._still_room is not None and self._camera.sway_deg == 0:
            return self._still_room
        camera = self._camera
        position = camera.position_m()
        toward = np.array([position[0], position[1]])
        square_on = np.round(toward / np.abs(toward).max())
        self._room["from_clip"].write(
            np.linalg.inv(camera.clip_matrix(t_s)).T.astype("f4").tobytes()
        )
        self._room["eye_of_camera"].value = tuple(position)
        self._room["wall_normal"].value = tuple(square_on)
        self._room["wall_m"].value = 1.9
        self._room["pixel_rad"].value = 1 / camera.focal_px
        self._plain.use()
        self._context.disable(moderngl.DEPTH_TEST | moderngl.BLEND)
        self._room_mesh.render(moderngl.TRIANGLE_STRIP)
        picture = np.frombuffer(self._plain.read(components=3), np.uint8)
        picture = picture.reshape(camera.height_px, camera.width_px, 3)[::-1]
        self._still_room = picture
        return picture

    def _box(
        self, placed: FloatArray, shadows: FloatArray, t_s: float
    ) -> tuple[int, int, int, int]:
        """Pixels that person and shadow may touch: left, top, right, bottom."""
        reach = _SHADOW_REACH * shadows[:, 2:4]
        spots = [shadows[:, :2] + reach * np.array(corner) for corner in _CORNERS]
        floor = np.concatenate([np.concatenate(spots), np.zeros((4 * len(shadows), 1))], axis=1)
        shown = [placed, floor.reshape(-1, 3)]
        shown += [placed * _MIRROR[:3]] if self._surroundings.mirrors else []
        seen = self._camera.project(np.concatenate(shown), t_s)
        size = np.array([self._camera.width_px, self._camera.height_px])
        left, top = np.clip(np.floor(seen.min(0)).astype(int) - 2, 0, size)
        right, bottom = np.clip(np.ceil(seen.max(0)).astype(int) + 3, 0, size)
        return int(left), int(top), int(right), int(bottom)

    def _use_tile(self, left: int, top: int, right: int, bottom: int) -> None:
        """Draw into a small picture that holds the box, enlarging it when needed."""
        need = (max(right - left, self._tile_size[0]), max(bottom - top, self._tile_size[1]))
        if need != self._tile_size:
            self._tile_size = need
            self._tile = self._context.simple_framebuffer(need, 4)
        self._tile.use()
        width, height = self._camera.width_px, self._camera.height_px
        self._tile.viewport = (-left, bottom - height, width, height)
        self._tile.clear(0.0, 0.0, 0.0, 0.0, depth=1.0)

    def picture(
        self,
        rotations: FloatArray,
        origins: FloatArray,
        t_s: float,
        shift_px: tuple[float, float] = (0.0, 0.0),
        earlier: tuple[FloatArray, FloatArray] | None = None,
    ) -> ImageArray:
        """One sharp picture (height, width, 3) of one posture, the person moved by ``shift_px``.

        ``earlier`` is the posture that loose cloth trails behind.
        """
        camera = self._camera
        at_s = np.array([t_s])
        of_others = [other.motion.segments(at_s) for other in self._others]
        postures = [(rotations, origins), *((r[0], o[0]) for r, o in of_others)]
        behind = [earlier or postures[0], *postures[1:]]
        placed = np.concatenate(
            [mesh.move(*both) for mesh, *both in zip(self._meshes, postures, behind, strict=True)]
        )
        to_clip = camera.clip_matrix(t_s)
        to_clip[0] += 2 * shift_px[0] / camera.width_px * to_clip[3]
        to_clip[1] -= 2 * shift_px[1] / camera.height_px * to_clip[3]
        matrix = to_clip.T.astype("f4").tobytes()
        shadows = np.concatenate([_shadows(origin) for _, origin in postures])
        slabs = [(slab.colour, *slab.mesh(t_s)) for slab in self._furniture]
        placed = np.concatenate([placed, *(corners for _, corners, _ in slabs)])
        left, top, right, bottom = self._box(placed, shadows, t_s)
        if right <= left or bottom <= top:
            return self.room(t_s).copy()
        self._use_tile(left, top, right, bottom)
        self._person["eye_of_camera"].value = tuple(camera.position_m())
        if self._surroundings.mirrors:
            self._draw_people(to_clip @ np.diag(_MIRROR), self._surroundings.mirrors)
        self._context.disable(moderngl.DEPTH_TEST | moderngl.CULL_FACE)
        self._context.enable(moderngl.BLEND)
        self._context.blend_func = (
            moderngl.SRC_ALPHA, moderngl.ONE_MINUS_SRC_ALPHA, moderngl.ONE,
            moderngl.ONE_MINUS_SRC_ALPHA,
        )  # fmt: skip
        self._shadow["to_clip"].write(matrix)
        for x, y, radius_x, radius_y, strength in shadows:
            self._shadow["spot"].value = (x, y, radius_x, radius_y)
            self._shadow["strength"].value = strength
            self._shadow_mesh.render(moderngl.TRIANGLE_STRIP)
        self._draw_people(to_clip, 1.0)
        self._draw_slabs(slabs, to_clip)
        box = (0, 0, right - left, bottom - top)
        layer = np.frombuffer(self._tile.read(viewport=box, components=4), np.uint8)
        layer = layer.reshape(bottom - top, right - left, 4)[::-1].astype(np.uint16)
        picture = self.room(t_s).copy()
        under = picture[top:bottom, left:right].astype(np.uint16)
        covered = layer[..., :3] + under * (255 - layer[..., 3:]) // 255
        picture[top:bottom, left:right] = np.minimum(covered, 255)
        return picture

    def _draw_people(self, to_clip: FloatArray, share: float) -> None:
        """Draw the bodies over what the tile holds; ``share`` below 1 is their reflection."""
        self._context.disable(moderngl.BLEND)
        self._context.enable(moderngl.DEPTH_TEST)
        self._person["to_clip"].write(to_clip.T.astype("f4").tobytes())
        self._person["share"].value = share
        for mesh in self._meshes:
            mesh.draw()

    def _draw_slabs(
        self,
        slabs: Sequence[tuple[tuple[float, float, float], FloatArray, FloatArray]],
        to_clip: FloatArray,
    ) -> None:
        """Draw blocks, each a colour, corners and normals, where no body hides them."""
        self._slab["to_clip"].write(to_clip.T.astype("f4").tobytes())
        self._slab["eye_of_camera"].value = tuple(self._camera.position_m())
        for colour, corners, normals in slabs:
            self._slab["base"].value = colour
            self._slab_corners.write(np.concatenate([corners, normals], axis=1).astype("f4"))
            self._slab_mesh.render()

    def frame(self, motion: AnyMotion, t_s: float, noise: np.random.Generator) -> ImageArray:
        """One exposed frame: sub-frames averaged around ``t_s``, with sensor noise."""
        camera = self._camera
        total = np.zeros((camera.height_px, camera.width_px, 3), np.uint16)
        count = len(self._shifts_px)
        steps = (np.arange(count) - (count - 1) / 2) / count
        times_s = t_s + steps * camera.exposure_s
        rotations, origins = motion.segments(times_s)
        trailing = self._body.trailing is not None
        before = motion.segments(times_s - TRAILING_S) if trailing else (rotations, origins)
        for k, at_s in enumerate(times_s):
            earlier = (before[0][k], before[1][k])
            total += self.picture(
                rotations[k], origins[k], float(at_s), self._shifts_px[k], earlier
            )
        down, along = noise.integers(0, _GRAIN_MARGIN_PX, 2)
        grain = self._grain[down : down + camera.height_px, along : along + camera.width_px]
        return np.clip(total / np.float32(count) + grain, 0, 255).astype(np.uint8)


def _shadows(origins: FloatArray) -> FloatArray:
    """Soft spots on the floor under the body and each foot: x, y, two radii, strength."""
    x, y, _ = origins[SEGMENTS.index("pelvis")]
    spots = [(x, y, 0.30, 0.28, 0.25)]
    for side in SIDES:
        middle = (
            origins[SEGMENTS.index(side + "foot")] + origins[SEGMENTS.index(side + "toes")]
        ) / 2
        lift = max(float(middle[2]) - 0.065, 0.0)
        spread = 1 + 3 * lift
        spots.append((middle[0], middle[1], 0.17 * spread, 0.085 * spread, 0.62 / (1 + 14 * lift)))
    return np.array(spots)


def write_clip(path: Path, pictures: Iterator[ImageArray], fps: float, quality: int = 25) -> None:
    """Encode H.264, 4:2:0, BT.709, without metadata; frame k is presented at k / fps."""
    partial = path.with_name(path.stem + ".part.mp4")
    rate = Fraction(fps).limit_denominator(1001)
    with av.open(
        str(partial), "w", options={"movflags": "+faststart", "fflags": "+bitexact"}
    ) as box:
        stream = box.add_stream("libx264", rate=rate)
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": str(quality), "preset": "medium", "x264-params": (
            "colorprim=bt709:transfer=bt709:colormatrix=bt709:range=tv")}  # fmt: skip
        stream.codec_context.time_base = 1 / rate
        for number, picture in enumerate(pictures):
            if number == 0:
                stream.height, stream.width = picture.shape[:2]
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(
                format="yuv420p", dst_colorspace="ITU709"
            )
            frame.pts, frame.time_base = number, 1 / rate
            box.mux(stream.encode(frame))
        box.mux(stream.encode(None))
    partial.replace(path)
