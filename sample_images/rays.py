"""Light and pictures: bakes the light into the mesh, then traces the phone's exact rays.

Mitsuba 3 finds what each ray hits (``llvm_ad_rgb``; Dr.Jit needs LLVM 19 or later, named by the
environment variable DRJIT_LIBLLVM_PATH). The lens, the printed faces and the shading are our own,
because their exactness is the purpose: rays follow from the lens model by Newton's iteration in
double precision, and what is printed on a card is a formula, not a texture.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import drjit as dr
import mitsuba as mi
import numpy as np

import scenario
from scenario import Array, PlacedCard
from targets.card import TAG_CELLS, card_of, tag_pattern
from underbody import MATERIALS, Scene

mi.set_variant("llvm_ad_rgb")

Float64 = mi.Float64
WHITE, BLACK = 0.80, 0.045
"""Reflectance of paper and of print."""


def tileable_noise(size: int, slope: float, random: np.random.Generator, low: float = 1.0) -> Array:
    """Random field with amplitude ~ frequency^-slope, unit variance, periodic."""
    row, column = np.fft.fftfreq(size) * size, np.fft.rfftfreq(size) * size
    frequency = np.hypot(row[:, None], column[None, :])
    amplitude = np.where(frequency < low, 0.0, np.maximum(frequency, 1.0) ** -slope)
    phase = random.uniform(0.0, 2.0 * np.pi, amplitude.shape)
    noise = np.fft.irfft2(amplitude * np.exp(1j * phase), s=(size, size))
    return (noise - noise.mean()) / noise.std()


def _textures() -> tuple[mi.Texture2f, mi.Texture2f]:
    """Coarse (cloud, cloud, grit, streak) and fine (bump x, bump y, grit, speckle) fields."""
    random = np.random.default_rng(scenario.SEED + 20)
    n = 1024
    streak = tileable_noise(n, 1.3, random)
    streak = cv2.GaussianBlur(np.tile(streak, (3, 3)), (0, 0), sigmaX=1.0, sigmaY=22.0)
    streak = streak[n : 2 * n, n : 2 * n]
    coarse = np.stack(
        [
            tileable_noise(n, 1.75, random, 2.0),
            tileable_noise(n, 1.62, random, 3.0),
            tileable_noise(n, 1.4, random, 6.0),
            (streak - streak.mean()) / streak.std(),
        ],
        axis=-1,
    )
    relief = tileable_noise(n, 2.1, random, 9.0)
    slope_v, slope_u = np.gradient(np.pad(relief, 1, mode="wrap"))
    speckle = tileable_noise(n, 1.5, random, 30.0)
    fine = np.stack(
        [
            slope_u[1:-1, 1:-1] / slope_u.std(),
            slope_v[1:-1, 1:-1] / slope_v.std(),
            tileable_noise(n, 1.5, random, 8.0),
            speckle,
        ],
        axis=-1,
    )
    return tuple(
        mi.Texture2f(
            mi.TensorXf(t.astype(np.float32)),
            filter_mode=dr.FilterMode.Linear,
            wrap_mode=dr.WrapMode.Repeat,
        )
        for t in (coarse, fine)
    )


@dataclass
class Shot:
    """What a photo is taken with: pose camera_from_world, flash, size of the grid of samples."""

    rotation: Array
    translation: Array
    flash: float = 0.0
    samples: int = 3


def lens_rays(
    u_px: Float64, v_px: Float64, constants: Array = scenario.CONSTANTS
) -> tuple[Float64, Float64]:
    """Undistorted x/z, y/z of image points, by Newton's iteration in double precision."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = (float(c) for c in constants)
    want_x, want_y = (u_px - cx) / fx, (v_px - cy) / fy
    x, y = Float64(want_x), Float64(want_y)
    for _ in range(5):
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3))
        off_x = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x) - want_x
        off_y = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y - want_y
        a = radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x
        b = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
        d = radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x
        det = a * d - b * b
        x, y = x - (d * off_x - b * off_y) / det, y - (a * off_y - b * off_x) / det
    return x, y


def _hash01(index: mi.UInt32, seed: mi.UInt32) -> mi.Float:
    """Uniform numbers that belong to an index and a seed."""
    state = index * mi.UInt32(747796405) + seed * mi.UInt32(2891336453) + mi.UInt32(12345)
    word = ((state >> ((state >> 28) + 4)) ^ state) * mi.UInt32(277803737)
    word = (word >> 22) ^ word
    return mi.Float(word >> 8) * (1.0 / 16777216.0)


class Tracer:
    """The scene in Mitsuba, with its light baked into the vertices."""

    def __init__(self, scene: Scene, cards: list[PlacedCard]) -> None:
        self.scene = scene
        self.cards = cards
        self.vertices = np.concatenate(scene.vertices_mm)
        self.normals = np.concatenate(scene.normals)
        self.faces = np.concatenate(scene.faces).astype(np.uint32)
        self.face_material = np.concatenate(scene.materials)
        self.face_card = np.concatenate(scene.cards)
        self.texture = np.concatenate(scene.texture_mm)
        mesh = mi.Mesh("all", len(self.vertices), len(self.faces))
        parameters = mi.traverse(mesh)
        parameters["vertex_positions"] = mi.Float(self.vertices.astype(np.float32).ravel())
        parameters["faces"] = mi.UInt32(self.faces.ravel())
        parameters.update()
        self.mi_scene = mi.load_dict({"type": "scene", "mesh": mesh})
        self.coarse, self.fine = _textures()
        self.mi_faces = mi.UInt32(self.faces.ravel())
        self.mi_face_tag = mi.UInt32(
            (self.face_material | ((self.face_card + 1) << 8)).astype(np.uint32)
        )
        table = np.zeros((len(MATERIALS), 16))
        table[:, :14] = np.array(list(MATERIALS.values()))
        self.material_table = table
        self.mi_table = mi.Float(table.astype(np.float32).ravel())
        self._pack_cards()

    def _pack_cards(self) -> None:
        bits = np.zeros((len(self.cards), TAG_CELLS, TAG_CELLS), dtype=np.float32)
        for i, card in enumerate(self.cards):
            bits[i] = tag_pattern(card.id)
        self.mi_bits = mi.Float(bits.ravel())
        sizes = [card_of(c.id) for c in self.cards]
        self.mi_card_size = mi.Float(
            np.array(
                [
                    [c.tag_mm / 2, c.dots_mm[2, 0], c.dot_diameter_mm / 2, c.width_mm / 2]
                    for c in sizes
                ],
                dtype=np.float32,
            ).ravel()
        )

    # -- light ---------------------------------------------------------------------------------

    def bake(self, bounce_rays: int = 192, bounces: int = 2, lamp_samples: int = 12) -> None:
        """Irradiance (r, g, b) and mean direction of light at every vertex."""
        count = len(self.vertices)
        normal = self.normals.astype(np.float32)
        origin = (self.vertices + 1.5 * self.normals).astype(np.float32)
        n = mi.Vector3f(
            mi.Float(normal[:, 0].copy()),
            mi.Float(normal[:, 1].copy()),
            mi.Float(normal[:, 2].copy()),
        )
        o = mi.Point3f(
            mi.Float(origin[:, 0].copy()),
            mi.Float(origin[:, 1].copy()),
            mi.Float(origin[:, 2].copy()),
        )
        random = np.random.default_rng(scenario.SEED + 21)
        index = dr.arange(mi.UInt32, count)

        light = mi.Float(0.0)
        arrow = mi.Vector3f(0.0)
        for lamp in self.scene.lamps:
            area = 4.0 * np.linalg.norm(lamp.half_a_mm) * np.linalg.norm(lamp.half_b_mm)
            face = np.cross(lamp.half_a_mm, lamp.half_b_mm)
            face /= np.linalg.norm(face)
            for k in range(lamp_samples):
                seed = mi.UInt32(int(random.integers(1 << 30)))
                dr.make_opaque(seed)
                a = 2.0 * (mi.Float(k) + _hash01(index, seed)) / lamp_samples - 1.0
                b = 2.0 * _hash01(index, seed + 77) - 1.0
                dr.make_opaque(a)
                at = (
                    mi.Point3f(*[float(v) for v in lamp.centre_mm])
                    + a * mi.Vector3f(*[float(v) for v in lamp.half_a_mm])
                    + b * mi.Vector3f(*[float(v) for v in lamp.half_b_mm])
                )
                way = at - o
                distance = dr.norm(way)
                way = way / distance
                cos_here = dr.dot(way, n)
                cos_lamp = -dr.dot(way, mi.Vector3f(*[float(v) for v in face]))
                open_ = (cos_here > 0.0) & (cos_lamp > 0.0)
                ray = mi.Ray3f(o, way)
                ray.maxt = distance - 8.0
                open_ &= ~self.mi_scene.ray_test(ray, open_)
                part = dr.select(
                    open_,
                    lamp.radiance * area / lamp_samples * cos_here * cos_lamp / dr.square(distance),
                    0.0,
                )
                light += part
                arrow += part * way
                dr.eval(light, arrow)
        direct = np.stack([light.numpy()] * 3, axis=-1)
        direction = arrow.numpy().T.copy()

        total = direct.copy()
        albedo = self._face_albedo()
        s, t = mi.coordinate_system(n)
        for bounce in range(bounces):
            radiosity = self._face_mean(total) * albedo / np.pi
            shine = self.material_table[self.face_material, 13]
            # Direct light of lamps is already counted; only windows and tubes seen by chance
            # would be counted twice.
            radiosity[shine > 0.0] = 0.0
            source = [mi.Float(radiosity[:, c].astype(np.float32).copy()) for c in range(3)]
            sums = [mi.Float(0.0) for _ in range(3)]
            arrow = mi.Vector3f(0.0)
            side = int(np.sqrt(bounce_rays))
            for i in range(side):
                for j in range(side):
                    seed = mi.UInt32(int(random.integers(1 << 30)))
                    fi, fj = mi.Float(i), mi.Float(j)
                    dr.make_opaque(seed, fi, fj)
                    a = (fi + _hash01(index, seed)) / side
                    b = (fj + _hash01(index, seed + 77)) / side
                    r, phi = dr.sqrt(a), 2.0 * np.pi * b
                    way = (r * dr.cos(phi)) * s + (r * dr.sin(phi)) * t + dr.sqrt(1.0 - a) * n
                    hit = self.mi_scene.ray_intersect_preliminary(mi.Ray3f(o, way), coherent=False)
                    ok = hit.is_valid()
                    got = [dr.gather(mi.Float, source[c], hit.prim_index, ok) for c in range(3)]
                    for c in range(3):
                        sums[c] += got[c]
                    arrow += ((got[0] + got[1] + got[2]) / 3.0) * way
                    dr.eval(sums, arrow)
            scale = np.pi / side**2
            gathered = np.stack([x.numpy() for x in sums], axis=-1) * scale
            total = direct + gathered
            if bounce == bounces - 1:
                direction += arrow.numpy().T * scale
        size = total.mean(axis=1, keepdims=True)
        self.light = total
        self.direction = direction / np.maximum(size, 1e-9)
        self._pack_vertices()

    def _face_mean(self, values: Array) -> Array:
        return values[self.faces].mean(axis=1)

    def _face_albedo(self) -> Array:
        row = self.material_table[self.face_material]
        dirt, rust = row[:, 3:4], row[:, 7:8]
        mean = row[:, 0:3] * (1 - dirt) + row[:, 4:7] * dirt
        return mean * (1 - rust) + row[:, 8:11] * rust

    def _pack_vertices(self) -> None:
        packed = np.zeros((len(self.vertices), 12), dtype=np.float32)
        packed[:, 0:3] = self.light
        packed[:, 3:5] = self.texture
        packed[:, 5:8] = self.normals
        packed[:, 8:11] = self.direction
        self.mi_packed = mi.Float(packed.ravel())

    # -- pictures ------------------------------------------------------------------------------

    def picture(self, shot: Shot, crop: tuple[int, int, int, int] | None = None) -> Array:
        """Linear picture (height, width, 3), box-filtered samples, no blur and no noise.

        ``crop``: first column, first row, columns, rows.
        """
        left, top, width, height = crop or (0, 0, scenario.WIDTH_PX, scenario.HEIGHT_PX)
        eye = -shot.rotation.T @ shot.translation
        frames = []
        for card in self.cards:
            axes = scenario.WORLD_FROM_VEHICLE_R @ card.axes
            start = axes.T @ (eye - scenario.to_world(card.centre_mm))
            frames.append(np.concatenate([(shot.rotation @ axes).T.ravel(), start]))
        packed = np.zeros((max(1, len(frames)), 16), dtype=np.float32)
        if frames:
            packed[:, :12] = np.array(frames)
        mi_frames = mi.Float(packed.ravel())
        turn = [
            [dr.opaque(mi.Float, float(shot.rotation[i, j])) for j in range(3)] for i in range(3)
        ]
        mi_eye = [dr.opaque(mi.Float, float(v)) for v in eye]
        flash = dr.opaque(mi.Float, shot.flash)
        index = dr.arange(mi.UInt32, width * height)
        column, row = index % width, index // width
        sums = [mi.Float(0.0) for _ in range(3)]
        n = shot.samples
        random = np.random.default_rng(scenario.SEED + 22)
        for k in range(n * n):
            seed = dr.opaque(mi.UInt32, int(random.integers(1 << 30)))
            du = dr.opaque(mi.Float, (k % n) / n - 0.5)
            dv = dr.opaque(mi.Float, (k // n) / n - 0.5)
            u = Float64(column) + float(left) + Float64(du + _hash01(index, seed) / n)
            v = Float64(row) + float(top) + Float64(dv + _hash01(index, seed + 77) / n)
            colour = self._radiance(u, v, n, turn, mi_eye, mi_frames, flash)
            for c in range(3):
                sums[c] += colour[c]
            dr.eval(sums)
        picture = np.stack([x.numpy() for x in sums], axis=-1).reshape(height, width, 3)
        return picture / np.float32(n * n)

    def _radiance(
        self,
        u: Float64,
        v: Float64,
        n: int,
        turn: list[list[mi.Float]],
        eye: list[mi.Float],
        frames: mi.Float,
        flash: mi.Float,
    ) -> list[mi.Float]:
        x64, y64 = lens_rays(u, v)
        x, y = mi.Float(x64), mi.Float(y64)
        way = mi.Vector3f(*[turn[0][j] * x + turn[1][j] * y + turn[2][j] for j in range(3)])
        way = dr.normalize(way)
        hit = self.mi_scene.ray_intersect_preliminary(
            mi.Ray3f(mi.Point3f(*eye), way), coherent=True
        )
        ok = hit.is_valid()
        face = hit.prim_index
        b1, b2 = hit.prim_uv.x, hit.prim_uv.y
        weights = (1.0 - b1 - b2, b1, b2)
        light_texture, more, arrow = mi.Vector4f(0.0), mi.Vector4f(0.0), mi.Vector4f(0.0)
        for corner in range(3):
            vertex = dr.gather(mi.UInt32, self.mi_faces, 3 * face + corner, ok)
            light_texture += weights[corner] * dr.gather(
                mi.Vector4f, self.mi_packed, 3 * vertex, ok
            )
            more += weights[corner] * dr.gather(mi.Vector4f, self.mi_packed, 3 * vertex + 1, ok)
            arrow += weights[corner] * dr.gather(mi.Vector4f, self.mi_packed, 3 * vertex + 2, ok)
        tag = dr.gather(mi.UInt32, self.mi_face_tag, face, ok)
        material, card = tag & 255, tag >> 8
        rows = [dr.gather(mi.Vector4f, self.mi_table, 4 * material + k, ok) for k in range(4)]
        base = mi.Vector3f(rows[0].x, rows[0].y, rows[0].z)
        dirt_share, rust_share = rows[0].w, rows[1].w
        dirt = mi.Vector3f(rows[1].x, rows[1].y, rows[1].z)
        rust = mi.Vector3f(rows[2].x, rows[2].y, rows[2].z)
        bump, gloss, shine = rows[2].w, rows[3].x, rows[3].y

        uv = mi.Point2f(light_texture.w, more.x)
        coarse = self.coarse.eval(uv * (1.0 / 1350.0))
        middle = self.coarse.eval(uv * (1.0 / 410.0) + mi.Point2f(0.37, 0.11))
        fine = self.fine.eval(uv * (1.0 / 330.0))
        cloud = 0.55 * coarse[0] + 0.45 * middle[0] + 0.35 * middle[1] + 0.16 * middle[2]
        # Shares are met by thresholds on fields of unit variance, roughly.
        limit = (0.5 - dirt_share) * 2.4
        dirty = dr.clip((cloud - limit) * 0.62 + 0.5 + 0.05 * fine[2], 0.0, 1.0)
        dirty = dr.select(dirt_share > 0.0, 0.85 * dirty, 0.0)
        patchy = 0.7 * coarse[1] + 0.6 * middle[1] + 0.25 * fine[2] + 0.25 * coarse[3]
        limit = (0.5 - rust_share) * 2.6
        rusted = dr.clip((patchy - limit) * 1.5 + 0.5, 0.0, 1.0)
        rusted = dr.select(rust_share > 0.0, 0.9 * rusted, 0.0)
        albedo = base * (1.0 - rusted) + rust * (rusted * (1.0 + 0.16 * middle[0]))
        albedo = albedo * (1.0 - dirty) + dirt * (dirty * (1.0 + 0.10 * fine[2]))
        uneven = dr.select(bump > 0.08, 0.10, 0.025)
        albedo *= dr.clip(1.0 + uneven * middle[1] + 0.06 * fine[3] * bump, 0.4, 1.7)
        printed = card > 0
        albedo = dr.select(printed, self._printed(x, y, n, card - 1, frames, printed), albedo)

        normal = mi.Vector3f(more.y, more.z, more.w)
        normal = dr.normalize(normal)
        normal = dr.select(dr.dot(normal, way) > 0.0, -normal, normal)
        s, t = mi.coordinate_system(normal)
        rough = dr.select(printed, 0.0, 0.16 * bump * (0.5 + 0.8 * dirty + 0.6 * rusted))
        tilted = dr.normalize(normal + rough * (fine[0] * s + fine[1] * t))
        from_ = mi.Vector3f(arrow.x, arrow.y, arrow.z)
        shade = dr.clip(1.0 + 1.1 * dr.dot(from_, tilted - normal), 0.15, 2.5)
        irradiance = mi.Vector3f(light_texture.x, light_texture.y, light_texture.z) * shade
        facing = dr.maximum(-dr.dot(tilted, way), 0.0)
        lit = flash * facing / dr.square(hit.t * 1e-3)
        irradiance += lit
        gloss = dr.select(printed, 0.0, gloss * (1.0 - 0.75 * dirty) * (1.0 - 0.6 * rusted))
        half = dr.normalize(dr.normalize(from_ + 1e-6) - way)
        lobe = dr.power(dr.maximum(dr.dot(tilted, half), 0.0), 28.0) * dr.norm(from_)
        mean = (light_texture.x + light_texture.y + light_texture.z) * (1.0 / 3.0)
        glint = gloss * (1.6 * lobe * mean + 2.2 * dr.power(facing, 40.0) * lit)
        found = albedo * irradiance * (1.0 / np.pi) + glint * (1.0 / np.pi)
        found = dr.select(shine > 0.0, mi.Vector3f(dr.minimum(shine, 9.0)), found)
        return [dr.select(ok, found[c], 0.0) for c in range(3)]

    def _printed(
        self, x: mi.Float, y: mi.Float, n: int, card: mi.UInt32, frames: mi.Float, on: mi.Bool
    ) -> mi.Vector3f:
        """Reflectance of a card's face where the ray (x, y, 1) meets its plane."""
        a = dr.gather(mi.Vector4f, frames, 4 * card, on)
        b = dr.gather(mi.Vector4f, frames, 4 * card + 1, on)
        c = dr.gather(mi.Vector4f, frames, 4 * card + 2, on)
        rx, ry, rz = (a.x, a.y, a.z), (a.w, b.x, b.y), (b.z, b.w, c.x)
        start = (c.y, c.z, c.w)

        def meet(px: mi.Float, py: mi.Float) -> tuple[mi.Float, mi.Float]:
            depth = -start[2] / (rz[0] * px + rz[1] * py + rz[2])
            return (
                start[0] + depth * (rx[0] * px + rx[1] * py + rx[2]),
                start[1] + depth * (ry[0] * px + ry[1] * py + ry[2]),
            )

        at_x, at_y = meet(x, y)
        size = dr.gather(mi.Vector4f, self.mi_card_size, card, on)
        half_tag, offset, radius = size.x, size.y, size.z

        def to_edge(px: mi.Float, py: mi.Float) -> mi.Float:
            return dr.sqrt(dr.square(dr.abs(px) - offset) + dr.square(dr.abs(py) - offset)) - radius

        # The edge of a dot is spread over one sample's width, so that the sum over samples is
        # the covered area and not a throw of dice.
        step = 1.0 / (n * float(scenario.CONSTANTS[0]))
        distance = to_edge(at_x, at_y)
        by_x = to_edge(*meet(x + step, y)) - distance
        by_y = to_edge(*meet(x, y + step)) - distance
        width = dr.maximum(dr.sqrt(dr.square(by_x) + dr.square(by_y)), 1e-6)
        white = dr.clip(0.5 + distance / width, 0.0, 1.0)

        cell = 2.0 * half_tag / TAG_CELLS
        i = mi.Int32(dr.floor((at_x + half_tag) / cell))
        j = mi.Int32(dr.floor((at_y + half_tag) / cell))
        inside = on & (i >= 0) & (i < TAG_CELLS) & (j >= 0) & (j < TAG_CELLS)
        bit = dr.gather(
            mi.Float,
            self.mi_bits,
            mi.UInt32((mi.Int32(card) * TAG_CELLS + j) * TAG_CELLS + i),
            inside,
        )
        white = dr.select(inside, bit, white)
        value = BLACK + (WHITE - BLACK) * white
        return mi.Vector3f(value, value, value * 0.985)


def board_picture(
    rotation: Array, translation: Array, samples: int, random: np.random.Generator
) -> Array:
    """Linear picture of the calibration board on a bench, pose camera_from_board."""
    across, down = scenario.BOARD_SQUARES
    side, marker = scenario.BOARD_SQUARE_MM, scenario.BOARD_MARKER_MM
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    board = cv2.aruco.CharucoBoard((across, down), side, marker, dictionary)
    cells = 7
    # Marker numbers per square as the board object has them; squares without one are black.
    number = np.full((down, across), -1, dtype=np.int32)
    for marker_id, corners in zip(board.getIds().ravel(), board.getObjPoints(), strict=True):
        middle = np.asarray(corners).mean(axis=0)
        number[int(middle[1] // side), int(middle[0] // side)] = marker_id
    bits = np.stack(
        [
            cv2.aruco.generateImageMarker(dictionary, int(i), cells, None, 1) > 127
            for i in board.getIds().ravel()
        ]
    ).astype(np.float32)
    mi_bits, mi_number = mi.Float(bits.ravel()), mi.Int32(number.ravel())
    coarse, fine = _textures()

    width, height = scenario.WIDTH_PX, scenario.HEIGHT_PX
    index = dr.arange(mi.UInt32, width * height)
    eye = [dr.opaque(mi.Float, float(v)) for v in -rotation.T @ translation]
    turn = [[dr.opaque(mi.Float, float(rotation[i, j])) for j in range(3)] for i in range(3)]
    sums = [mi.Float(0.0) for _ in range(3)]
    sun = [dr.opaque(mi.Float, float(v)) for v in random.uniform(-1.0, 1.0, 2)]
    for k in range(samples**2):
        seed = dr.opaque(mi.UInt32, int(random.integers(1 << 30)))
        du = dr.opaque(mi.Float, (k % samples) / samples - 0.5)
        dv = dr.opaque(mi.Float, (k // samples) / samples - 0.5)
        u = Float64(index % width) + Float64(du + _hash01(index, seed) / samples)
        v = Float64(index // width) + Float64(dv + _hash01(index, seed + 77) / samples)
        x64, y64 = lens_rays(u, v)
        x, y = mi.Float(x64), mi.Float(y64)
        way = [turn[0][j] * x + turn[1][j] * y + turn[2][j] for j in range(3)]
        depth = -eye[2] / way[2]
        px, py = eye[0] + depth * way[0], eye[1] + depth * way[1]
        ix, iy = mi.Int32(dr.floor(px / side)), mi.Int32(dr.floor(py / side))
        on_board = (ix >= 0) & (ix < across) & (iy >= 0) & (iy < down)
        held = dr.gather(mi.Int32, mi_number, mi.UInt32(iy * across + ix), on_board)
        margin = (side - marker) / 2.0
        cx = mi.Int32(dr.floor((px - mi.Float(ix) * side - margin) * (cells / marker)))
        cy = mi.Int32(dr.floor((py - mi.Float(iy) * side - margin) * (cells / marker)))
        in_marker = on_board & (held >= 0) & (cx >= 0) & (cx < cells) & (cy >= 0) & (cy < cells)
        bit = dr.gather(mi.Float, mi_bits, mi.UInt32((held * cells + cy) * cells + cx), in_marker)
        white = dr.select(in_marker, bit, dr.select(on_board & (held < 0), 0.0, 1.0))
        value = BLACK + (WHITE - BLACK) * white
        paper = (px > -13.5) & (px < 283.5) & (py > -15.0) & (py < 195.0)
        plate = (px > -40.0) & (px < 310.0) & (py > -40.0) & (py < 220.0)
        uv = mi.Point2f(px, py)
        grain = coarse.eval(uv * (1.0 / 900.0))
        grit = fine.eval(uv * (1.0 / 260.0))
        bench = 0.17 * dr.clip(1.0 + 0.25 * grain[3] + 0.12 * grain[0] + 0.02 * grit[2], 0.3, 2.0)
        # Soft shadow of the plate on the bench.
        off_x = dr.maximum(dr.maximum(-46.0 - px, px - 322.0), 0.0)
        off_y = dr.maximum(dr.maximum(-46.0 - py, py - 238.0), 0.0)
        bench *= 1.0 - 0.55 * dr.exp(-dr.sqrt(off_x * off_x + off_y * off_y) / 16.0)
        grey = dr.select(paper, value, dr.select(plate, 0.33, bench))
        fall = 1.0 + 0.16 * (sun[0] * (px - 135.0) + sun[1] * (py - 90.0)) / 250.0
        grey *= dr.clip(fall, 0.4, 1.6)
        wood = ~paper & ~plate
        colour = [
            grey * dr.select(wood, 1.18, 1.0),
            grey,
            grey * dr.select(wood, 0.74, dr.select(paper, 0.985, 1.02)),
        ]
        for c in range(3):
            sums[c] += colour[c]
        dr.eval(sums)
    picture = np.stack([s.numpy() for s in sums], axis=-1).reshape(height, width, 3)
    return picture / np.float32(samples**2)
