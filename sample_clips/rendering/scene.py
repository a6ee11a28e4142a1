"""A room, a mat, a client and a phone: draws one posed body with software OpenGL (EGL, no display).

World axes: x, y on the floor, z up, metres; the client's head points towards +y.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import moderngl
import numpy as np
from numpy.typing import NDArray

from sample_clips.rendering.body import SEGMENTS, Body, Floats

Picture = NDArray[np.uint8]

# Columns: the mat frame's X (anterior), Y (cranial), Z (right) in the world, by how the client lies.
MAT_FRAMES = {
    ("supine", ""): np.array([[0, 0, -1], [0, 1, 0], [1, 0, 0]], float),
    ("side_lying", "right"): np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1]], float),
    ("side_lying", "left"): np.array([[-1, 0, 0], [0, 1, 0], [0, 0, -1]], float),
    ("kneeling", ""): np.array([[0, 0, 1], [0, 1, 0], [-1, 0, 0]], float),
}

_VERTEX = """
#version 330
uniform mat4 clip; uniform mat4 flatten;
in vec3 at; in vec3 normal; in vec3 rest; in float material;
out vec3 n; out vec3 r; out vec3 w; flat out int m;
void main() { vec4 p = flatten * vec4(at, 1.0); gl_Position = clip * p; n = normal; r = rest; w = p.xyz; m = int(material + 0.5); }
"""
_FRAGMENT = """
#version 330
uniform vec3 light; uniform float ambient; uniform float gain; uniform vec3 colours[12];
uniform vec4 patterns[12]; uniform float shadow;
in vec3 n; in vec3 r; in vec3 w; flat in int m; out vec4 colour;
float hash(vec3 p) { p = fract(p * 0.3183 + .1); p *= 17.0; return fract(p.x * p.y * p.z * (p.x + p.y + p.z)); }
float noise(vec3 x) { vec3 i = floor(x), f = fract(x); f = f * f * (3.0 - 2.0 * f);
  return mix(mix(mix(hash(i), hash(i + vec3(1,0,0)), f.x), mix(hash(i + vec3(0,1,0)), hash(i + vec3(1,1,0)), f.x), f.y),
             mix(mix(hash(i + vec3(0,0,1)), hash(i + vec3(1,0,1)), f.x), mix(hash(i + vec3(0,1,1)), hash(i + vec3(1,1,1)), f.x), f.y), f.z); }
void main() {
  if (shadow > 0.0) { colour = vec4(0, 0, 0, shadow); return; }
  vec3 c = colours[m]; vec4 p = patterns[m];
  float t = 0.0;
  if (p.x > 2.5) t = mod(floor(r.x * p.y) + floor(r.y * p.y) + floor(r.z * p.y), 2.0) - 0.5;
  else if (p.x > 1.5) t = sin(r.y * p.y * 6.28) > 0.0 ? 0.5 : -0.5;
  else if (p.x > 0.5) t = noise(r * p.y) + 0.5 * noise(r * p.y * 2.7) - 0.75;
  c = clip_(c + p.z * t);
  float diffuse = max(dot(normalize(n), light), 0.0);
  colour = vec4(clip_(c * (ambient * (0.75 + 0.25 * normalize(n).z) + (1.0 - ambient) * diffuse) * gain), 1.0);
}
""".replace("clip_", "clamp01").replace(
    "void main() {\n  if (shadow",
    "vec3 clamp01(vec3 c) { return clamp(c, 0.0, 1.0); }\nvoid main() {\n  if (shadow",
)

# Apart: a software rasteriser would read the print for every pixel of the room.
_CARD_FRAGMENT = """
#version 330
uniform vec3 light; uniform float ambient; uniform float gain; uniform sampler2D card;
in vec3 n; in vec3 r; in vec3 w; flat in int m; out vec4 colour;
void main() {
  float lit = ambient + (1.0 - ambient) * abs(dot(normalize(n), light));
  colour = vec4(vec3(texture(card, r.xy).r * lit * gain), 1.0);
}
"""
_LAYOUT = ("3f 3f 3f 1f", "at", "normal", "rest", "material")
_CARD_LAYOUT = ("3f 3f 3f 4x", "at", "normal", "rest")
SKIN, HAIR, TOP, BOTTOM, SHOES, MAT, FLOOR, WALL, BOX_A, BOX_B, CARD = range(11)
FLOOR_M, MAT_HALF_M = -0.012, 0.33  # height of the floor below the mat's top, half the mat's width


@dataclass(frozen=True, eq=False)
class Camera:
    """A phone: where, what it looks at, roll [deg], picture size and focal length [px]."""

    at: Floats
    target: Floats
    roll_deg: float
    width: int
    height: int
    focal: float

    def axes(self) -> Floats:
        """Rows: picture right, picture down, viewing direction, in the world."""
        forward = (self.target - self.at) / np.linalg.norm(self.target - self.at)
        up = np.array([0.0, 0.0, 1.0]) if abs(forward[2]) < 0.98 else np.array([0.0, 1.0, 0.0])
        right = np.cross(forward, up)
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        c, s = np.cos(np.radians(self.roll_deg)), np.sin(np.radians(self.roll_deg))
        return np.array([c * right + s * down, -s * right + c * down, forward])

    def project(self, points: Floats) -> Floats:
        """World points (..., 3) to pixels (..., 2)."""
        q = (points - self.at) @ self.axes().T
        return q[..., :2] / q[..., 2:] * self.focal + np.array([self.width / 2, self.height / 2])

    def clip_matrix(self) -> Floats:
        """World to OpenGL clip space."""
        a = self.axes()
        view = np.eye(4)
        view[:3, :3] = np.array([a[0], -a[1], -a[2]])
        view[:3, 3] = -view[:3, :3] @ self.at
        near, far = 0.05, 30.0
        lens = np.zeros((4, 4))
        lens[0, 0], lens[1, 1] = 2 * self.focal / self.width, 2 * self.focal / self.height
        lens[2, 2], lens[2, 3], lens[3, 2] = -(far + near) / (far - near), -2 * far * near / (far - near), -1
        return lens @ view


@dataclass(frozen=True, eq=False)
class Look:
    """Colours (12, 3) and patterns (12, 4: kind, scale, strength, -) by material, and the light."""

    colours: Floats
    patterns: Floats
    light: Floats
    ambient: float
    gain: float
    short_sleeves: bool
    short_legs: bool


def materials(body: Body, look: Look) -> NDArray[np.int64]:
    """Material of every vertex: skin, hair, top, bottom, shoes."""
    segment = np.array(SEGMENTS)[body.weights.argmax(1)]
    y, x = body.vertices[:, 1], body.vertices[:, 0]
    out = np.full(len(y), TOP)
    hip, knee = body.pivots["pelvis"][1], body.pivots["shank_left"][1]
    waist = hip + 0.09
    starts = {s: np.char.startswith(segment, s) for s in ("thigh", "shank", "foot", "upper", "fore")}
    out[(y < waist) & ~starts["upper"] & ~starts["fore"]] = BOTTOM
    out[starts["thigh"] | starts["shank"]] = BOTTOM
    out[starts["foot"]] = SHOES
    hands = starts["fore"] & (np.abs(body.vertices[:, 2]) > abs(body.pivots["hand_left"][2]) - 0.02)
    out[starts["fore"] if look.short_sleeves else hands] = SKIN
    if look.short_legs:
        out[starts["shank"] | (starts["thigh"] & (y < knee + 0.08))] = SKIN
    head = segment == "head"
    out[(segment == "neck") | head] = SKIN
    top, skull = body.pivots["head_top"], body.pivots["head"]
    front = skull[0] + 0.075
    crown = y > skull[1] + 0.62 * (top[1] - skull[1])
    out[head & ((x < skull[0] + 0.02) | (crown & (x < front)))] = HAIR
    return out


def _normals(v: Floats, tri: NDArray[np.int32]) -> Floats:
    a, b, c = v[tri[:, 0]], v[tri[:, 1]], v[tri[:, 2]]
    face = np.cross(b - a, c - a)
    out = np.zeros_like(v)
    for k in range(3):
        for axis in range(3):
            out[:, axis] += np.bincount(tri[:, k], face[:, axis], len(v))
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)


def quad(centre: Floats, u: Floats, v: Floats, material: int, unit_rest: bool = False) -> Floats:
    """Two triangles (6, 10): at, normal, rest, material; u and v are the half sides."""
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, -1], [1, 1], [-1, 1]], float)
    at = centre + corners[:, :1] * u + corners[:, 1:] * v
    n = np.cross(u, v)
    n = n / np.linalg.norm(n)
    rest = np.column_stack([(corners + 1) / 2, np.zeros(6)]) if unit_rest else at
    return np.column_stack([at, np.tile(n, (6, 1)), rest, np.full(6, material)])


def _box(centre: Floats, half: Floats, material: int) -> Floats:
    faces = []
    for axis in range(3):
        for sign in (-1, 1):
            u, v = np.eye(3)[(axis + 1) % 3] * half, np.eye(3)[(axis + 2) % 3] * half
            faces.append(quad(centre + sign * np.eye(3)[axis] * half, u, sign * v, material))
    return np.vstack(faces)


def room(rng: np.random.Generator, camera: Camera) -> Floats:
    """Floor, mat, the two walls behind the client and some furniture (N, 10)."""
    parts = [
        quad(np.array([0, 0, FLOOR_M]), np.array([6.0, 0, 0]), np.array([0, 6.0, 0]), FLOOR),
        _box(np.array([0, -0.05, FLOOR_M / 2]), np.array([MAT_HALF_M, 1.0, -FLOOR_M / 2]), MAT),
    ]
    away = -np.sign(camera.at[:2] - camera.target[:2])
    gap = rng.uniform(1.0, 2.6, 2)
    parts.append(
        quad(np.array([away[0] * gap[0], 0, 1.5]), np.array([0, 6.0, 0]), np.array([0, 0, 1.6]), WALL)
    )
    parts.append(
        quad(np.array([0, away[1] * (gap[1] + 0.9), 1.5]), np.array([6.0, 0, 0]), np.array([0, 0, 1.6]), WALL)
    )
    for _ in range(int(rng.integers(0, 4))):
        half = rng.uniform([0.1, 0.1, 0.15], [0.4, 0.5, 0.6])
        spot = np.array([away[0] * (gap[0] - half[0]), rng.uniform(-2, 2), half[2]])
        parts.append(_box(spot, half, int(rng.choice([BOX_A, BOX_B]))))
    return np.vstack(parts)


@cache
def _context() -> moderngl.Context:
    """One for all clips of a process: making one takes long. What a clip put there goes when its scene goes."""
    context = moderngl.create_standalone_context(backend="egl")
    context.gc_mode = "auto"
    return context


class Studio:
    """Owns the buffers of one clip's scene; `draw` returns an RGB picture."""

    def __init__(
        self, body: Body, look: Look, camera: Camera, still: Floats, card: Picture | None = None
    ) -> None:
        self.body, self.look, self.camera = body, look, camera
        self.gl = _context()
        self.program, self.print = (
            self.gl.program(vertex_shader=_VERTEX, fragment_shader=f) for f in (_FRAGMENT, _CARD_FRAGMENT)
        )
        size = (camera.width, camera.height)
        self.empty, self.target = (
            self.gl.framebuffer(
                [self.gl.renderbuffer(size, samples=4)], self.gl.depth_renderbuffer(size, samples=4)
            )
            for _ in range(2)
        )
        self.plain = self.gl.framebuffer([self.gl.renderbuffer(size)], self.gl.depth_renderbuffer(size))
        self.materials = materials(body, look)
        self.index = self.gl.buffer(body.triangles.astype("i4").tobytes())
        self.moving = self.gl.buffer(reserve=len(body.vertices) * 10 * 4)
        self.person = self.gl.vertex_array(self.program, [(self.moving, *_LAYOUT)], self.index)
        if card is not None:
            data = np.ascontiguousarray(card[::-1]).tobytes()
            # kept: else it is collected, and the card is black
            self.texture = self.gl.texture(card.shape[::-1], 1, data, alignment=1)
            self.texture.build_mipmaps()
            self.texture.anisotropy = 8.0
            self.texture.use(0)
        self._set_uniforms()
        self._draw_room(still)

    def _draw_room(self, still: Floats) -> None:
        """The room without the client, once: it takes most of the time, and nothing in it moves."""
        self.empty.use()
        self.gl.enable(moderngl.DEPTH_TEST)
        self.empty.clear(0.35, 0.36, 0.38)
        self._pass(self._array(still))

    def _array(self, data: Floats, *, card: bool = False) -> moderngl.VertexArray:
        program, layout = (self.print, _CARD_LAYOUT) if card else (self.program, _LAYOUT)
        return self.gl.vertex_array(program, [(self.gl.buffer(data.astype("f4").tobytes()), *layout)])

    def _set_uniforms(self) -> None:
        look = self.look
        for program in (self.program, self.print):
            program["clip"].write(self.camera.clip_matrix().T.astype("f4").tobytes())
            program["light"].write((look.light / np.linalg.norm(look.light)).astype("f4").tobytes())
            program["ambient"].value, program["gain"].value = look.ambient, look.gain
        self.program["colours"].write(look.colours.astype("f4").tobytes())
        self.program["patterns"].write(look.patterns.astype("f4").tobytes())

    def draw(self, vertices: Floats, cards: Floats | None = None) -> Picture:
        """Draw the posed vertices (V, 3) in world metres, with card quads (N, 10) if any."""
        data = np.column_stack(
            [vertices, _normals(vertices, self.body.triangles), self.body.vertices, self.materials]
        )
        self.moving.write(data.astype("f4").tobytes())
        self.gl.copy_framebuffer(self.target, self.empty)
        self.target.use()
        self._shadow()
        self._pass(self.person)
        if cards is not None:
            extra = self._array(cards, card=True)
            self._pass(extra)
            extra.release()
        self.gl.copy_framebuffer(self.plain, self.target)
        raw = self.plain.read(components=3)
        return np.frombuffer(raw, np.uint8).reshape(self.camera.height, self.camera.width, 3)[::-1]

    def _pass(self, array: moderngl.VertexArray, flatten: Floats | None = None) -> None:
        matrix = np.eye(4) if flatten is None else flatten
        array.program["flatten"].write(matrix.T.astype("f4").tobytes())
        array.render()

    def _shadow(self) -> None:
        """The body flattened on to the floor along the light, as one soft dark sheet."""
        light = self.look.light / np.linalg.norm(self.look.light)
        flatten = np.eye(4)
        flatten[0, 2], flatten[1, 2], flatten[2, 2], flatten[2, 3] = (
            -light[0] / light[2],
            -light[1] / light[2],
            0,
            0.003,
        )
        self.gl.enable(moderngl.BLEND)
        self.gl.depth_func = "<"
        self.program["shadow"].value = 0.35 * (1 - self.look.ambient) + 0.08
        self._pass(self.person, flatten)
        self.program["shadow"].value = 0.0
        self.gl.disable(moderngl.BLEND)
