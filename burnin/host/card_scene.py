"""A generated scene drawn twice, once for each eye, into a target off screen: the same picture for the same numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from burnin.host.wgpu_door import Batch, Card

POSES: Final = 4
"""Directions in which the head looks, in turn."""

COST_OF_A_ROUND: Final = 64
"""Cost of one round of arithmetic on every pixel; between two rounds some cubes have one more than others."""

_EYE_M: Final = 0.032
"""Half the distance between the eyes (common practice: 64 mm)."""

_FIELD: Final = math.radians(100.0)
_CODE: Final = """
struct Knobs { cubes: u32, cost: u32, seed: u32, pad: u32 }
@group(0) @binding(0) var<storage, read> views: array<mat4x4<f32>>;
@group(0) @binding(1) var<storage, read> knobs: Knobs;
struct Corner { @builtin(position) at: vec4<f32>, @location(0) shade: vec3<f32>, @location(1) spot: vec2<f32>,
  @location(2) @interpolate(flat) steps: u32 }
fn mixed(value: u32) -> u32 {
  var h = value;
  h ^= h >> 16u; h *= 0x85ebca6bu; h ^= h >> 13u; h *= 0xc2b2ae35u; h ^= h >> 16u;
  return h;
}
fn unit(n: u32) -> f32 { return f32(mixed(n + knobs.seed) >> 8u) / 16777216.0; }
@vertex
fn corner(@builtin(vertex_index) v: u32, @builtin(instance_index) instance: u32) -> Corner {
  let cube = instance % knobs.cubes;
  let face = v / 6u;
  let turn = array<u32, 6>(0u, 1u, 2u, 2u, 1u, 3u)[v % 6u];
  let s = vec2<f32>(f32(turn & 1u), f32(turn >> 1u)) - vec2<f32>(0.5);
  let side = f32(face & 1u) - 0.5;
  var p = vec3<f32>(side, s.x, s.y);
  if (face / 2u == 1u) { p = vec3<f32>(s.x, side, s.y); }
  if (face / 2u == 2u) { p = vec3<f32>(s.x, s.y, side); }
  let n = cube * 8u;
  let size = 0.3 + 0.9 * unit(n);
  let c = unit(n + 1u) * 2.0 - 1.0;
  let q = sqrt(1.0 - c * c);
  p = size * vec3<f32>(c * p.x - q * p.y, q * p.x + c * p.y, p.z);
  let away = vec3<f32>(unit(n + 2u) - 0.5, unit(n + 3u) - 0.5, unit(n + 4u) - 0.5) * vec3<f32>(14.0, 14.0, 14.0);
  var out: Corner;
  out.at = views[instance / knobs.cubes] * vec4<f32>(p + away, 1.0);
  out.shade = vec3<f32>(unit(n + 5u), unit(n + 6u), unit(n + 7u)) * (0.4 + 0.1 * f32(face));
  out.spot = s;
  out.steps = (knobs.cost + mixed(cube) % 64u) / 64u;
  return out;
}
@fragment
fn colour(in: Corner) -> @location(0) vec4<f32> {
  var a = in.spot.x * 1.5;
  var b = in.spot.y * 1.5;
  for (var i = 0u; i < in.steps; i++) { a = fma(-a, a, 1.5 + 0.25 * b); b = fma(-b, b, 1.2); }
  return vec4<f32>(in.shade * (0.75 + 0.1 * clamp(a, -2.0, 2.0)), 1.0);
}
"""
_SUM_CODE: Final = """
@group(0) @binding(0) var picture: texture_2d<f32>;
@group(0) @binding(1) var<storage, read_write> rows: array<u32>;
var<workgroup> total: atomic<u32>;
@compute @workgroup_size(256)
fn main(@builtin(workgroup_id) group: vec3<u32>, @builtin(local_invocation_index) lane: u32) {
  let size = textureDimensions(picture);
  if (lane == 0u) { atomicStore(&total, 0u); }
  workgroupBarrier();
  var sum = 0u;
  for (var x = lane; x < size.x; x += 256u) {
    var h = pack4x8unorm(textureLoad(picture, vec2<u32>(x, group.x), 0)) + x * 0x9E3779B1u;
    h ^= h >> 16u; h *= 0x85ebca6bu; h ^= h >> 13u; h *= 0xc2b2ae35u; h ^= h >> 16u;
    sum += h;
  }
  atomicAdd(&total, sum);
  workgroupBarrier();
  if (lane == 0u) { rows[group.x] = atomicLoad(&total); }
}
"""


@dataclass(frozen=True, kw_only=True)
class SceneSize:
    """Size of the scene.

    Attributes:
        eye_width: Pixels across, for each eye.
        eye_height: Pixels down.
        cubes: Cubes.
        seed: 32-bit seed of their places.
    """

    eye_width: int
    eye_height: int
    cubes: int
    seed: int


def view_of(pose: int, eye: int, *, aspect: float) -> NDArray[np.float32]:
    """Return the matrix from the scene to what one eye sees, columns first, depth from 0 to 1."""
    yaw = 2 * math.pi * pose / POSES + 0.3
    sine, cosine = math.sin(yaw), math.cos(yaw)
    turned = np.array([[cosine, 0, -sine, 0], [0, 1, 0, 0], [sine, 0, cosine, 0], [0, 0, 0, 1]])
    moved = np.eye(4)
    moved[0, 3] = _EYE_M if eye == 0 else -_EYE_M
    near, far, reach = 0.1, 40.0, 1 / math.tan(_FIELD / 2)
    seen = np.array(
        [
            [reach / aspect, 0, 0, 0],
            [0, reach, 0, 0],
            [0, 0, far / (near - far), near * far / (near - far)],
            [0, 0, -1, 0],
        ]
    )
    matrix: NDArray[np.float32] = (seen @ moved @ turned).T.astype(np.float32)
    return matrix


class StereoScene:
    """The scene and its target.

    Args:
        card: The card.
        size: Size of the scene.
    """

    def __init__(self, card: Card, size: SceneSize) -> None:
        self._card, self.size = card, size
        across = (2 * size.eye_width, size.eye_height, 1)
        make = card.device.create_texture
        self.picture = make(
            size=across, format="rgba8unorm", usage="RENDER_ATTACHMENT|TEXTURE_BINDING|COPY_SRC|COPY_DST"
        )
        self._depth = make(size=across, format="depth32float", usage="RENDER_ATTACHMENT").create_view()
        self._view = self.picture.create_view()
        aspect = size.eye_width / size.eye_height
        views = np.stack([view_of(pose, eye, aspect=aspect) for pose in range(POSES) for eye in range(2)])
        self._knobs = card.storage(16)
        self.set_cost(COST_OF_A_ROUND)
        self._pipeline = self._draws()
        self._bound = card.bind(self._pipeline, card.filled(views), self._knobs)
        self._sums = card.kernel(_SUM_CODE)
        self.rows = card.storage(4 * size.eye_height)
        self._sums_bound = card.bind(self._sums, self._view, self.rows)

    def _draws(self) -> Any:
        module = self._card.device.create_shader_module(code=_CODE)
        return self._card.device.create_render_pipeline(
            layout="auto",
            vertex={"module": module, "entry_point": "corner"},
            primitive={"topology": "triangle-list"},
            depth_stencil={"format": "depth32float", "depth_write_enabled": True, "depth_compare": "less"},
            fragment={"module": module, "entry_point": "colour", "targets": [{"format": "rgba8unorm"}]},
        )

    def set_cost(self, cost: int) -> None:
        """Set the arithmetic for each pixel drawn, in parts of a round: the knob of the cost of a frame."""
        self.cost = max(1, cost)
        words = np.array([self.size.cubes, self.cost, self.size.seed, 0], dtype=np.uint32)
        self._card.write(self._knobs, words)

    def draw(self, batch: Batch, pose: int, *, first_stamp: int) -> None:
        """Draw both eyes of a frame in one pass that notes its beginning and end."""
        marks = batch.marks(first_stamp)
        drawing = batch.encoder.begin_render_pass(
            color_attachments=[
                {"view": self._view, "load_op": "clear", "store_op": "store", "clear_value": (0, 0, 0, 1)}
            ],
            depth_stencil_attachment={
                "view": self._depth,
                "depth_load_op": "clear",
                "depth_store_op": "discard",
                "depth_clear_value": 1.0,
            },
            **({"timestamp_writes": marks} if marks else {}),
        )
        drawing.set_pipeline(self._pipeline)
        drawing.set_bind_group(0, self._bound)
        for eye in range(2):
            drawing.set_viewport(
                eye * self.size.eye_width, 0, self.size.eye_width, self.size.eye_height, 0, 1
            )
            drawing.draw(36, self.size.cubes, 0, (2 * pose + eye) * self.size.cubes)
        drawing.end()

    def sum_rows(self, batch: Batch) -> None:
        """Sum every row of the picture, so that one changed pixel changes its row's sum."""
        batch.run(self._sums, self._sums_bound, self.size.eye_height)
