"""Geometry of the invented van's underbody and of the workshop around it.

Everything is a patch: a grid of points with texture coordinates in mm. Patches of the body are
built in the vehicle frame, pushed in by the crash and then moved to the world frame.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter

import scenario
from scenario import Array, PlacedCard

MATERIALS: dict[str, tuple[float, ...]] = {
    # base r g b, dirt share, dirt r g b, rust share, rust r g b, bump, gloss strength, emission
    "underseal": (
        0.060,
        0.060,
        0.063,
        0.50,
        0.205,
        0.165,
        0.120,
        0.06,
        0.16,
        0.07,
        0.035,
        0.55,
        0.05,
        0.0,
    ),
    "rail": (
        0.185,
        0.190,
        0.200,
        0.38,
        0.215,
        0.175,
        0.130,
        0.30,
        0.200,
        0.082,
        0.038,
        0.35,
        0.10,
        0.0,
    ),
    "paint": (
        0.300,
        0.325,
        0.345,
        0.22,
        0.200,
        0.170,
        0.130,
        0.0,
        0.20,
        0.08,
        0.04,
        0.06,
        0.35,
        0.0,
    ),
    "rusty": (
        0.150,
        0.105,
        0.080,
        0.22,
        0.200,
        0.160,
        0.120,
        0.62,
        0.215,
        0.090,
        0.042,
        0.70,
        0.04,
        0.0,
    ),
    "cast": (
        0.170,
        0.165,
        0.155,
        0.42,
        0.120,
        0.095,
        0.070,
        0.18,
        0.17,
        0.08,
        0.04,
        0.60,
        0.12,
        0.0,
    ),
    "exhaust": (
        0.270,
        0.250,
        0.225,
        0.25,
        0.170,
        0.140,
        0.110,
        0.48,
        0.190,
        0.085,
        0.042,
        0.45,
        0.20,
        0.0,
    ),
    "plastic": (
        0.022,
        0.023,
        0.025,
        0.40,
        0.180,
        0.148,
        0.110,
        0.0,
        0.1,
        0.1,
        0.1,
        0.25,
        0.16,
        0.0,
    ),
    "rubber": (0.018, 0.018, 0.019, 0.46, 0.170, 0.140, 0.105, 0.0, 0.1, 0.1, 0.1, 0.40, 0.05, 0.0),
    "rim": (
        0.330,
        0.335,
        0.340,
        0.42,
        0.130,
        0.110,
        0.090,
        0.12,
        0.20,
        0.09,
        0.05,
        0.20,
        0.25,
        0.0,
    ),
    "brake": (
        0.230,
        0.200,
        0.180,
        0.15,
        0.150,
        0.120,
        0.100,
        0.60,
        0.23,
        0.10,
        0.045,
        0.30,
        0.20,
        0.0,
    ),
    "zinc": (
        0.230,
        0.232,
        0.228,
        0.26,
        0.180,
        0.150,
        0.115,
        0.14,
        0.20,
        0.09,
        0.05,
        0.10,
        0.40,
        0.0,
    ),
    "alu": (0.300, 0.303, 0.308, 0.0, 0.2, 0.2, 0.2, 0.0, 0.2, 0.1, 0.05, 0.05, 0.35, 0.0),
    "hole": (0.012, 0.011, 0.010, 0.10, 0.06, 0.05, 0.04, 0.0, 0.1, 0.1, 0.1, 0.1, 0.0, 0.0),
    "cardboard": (0.700, 0.700, 0.690, 0.0, 0.3, 0.3, 0.3, 0.0, 0.1, 0.1, 0.1, 0.0, 0.0, 0.0),
    "backing": (0.080, 0.085, 0.095, 0.0, 0.3, 0.3, 0.3, 0.0, 0.1, 0.1, 0.1, 0.0, 0.1, 0.0),
    "lift": (
        0.100,
        0.190,
        0.165,
        0.24,
        0.110,
        0.100,
        0.085,
        0.10,
        0.17,
        0.07,
        0.04,
        0.10,
        0.25,
        0.0,
    ),
    "concrete": (
        0.250,
        0.243,
        0.230,
        0.40,
        0.170,
        0.162,
        0.150,
        0.0,
        0.1,
        0.1,
        0.1,
        0.20,
        0.02,
        0.0,
    ),
    "wall": (0.520, 0.510, 0.470, 0.22, 0.470, 0.455, 0.410, 0.0, 0.1, 0.1, 0.1, 0.05, 0.0, 0.0),
    "ceiling": (0.420, 0.430, 0.440, 0.25, 0.370, 0.375, 0.380, 0.0, 0.1, 0.1, 0.1, 0.05, 0.0, 0.0),
    "cabinet": (
        0.330,
        0.120,
        0.060,
        0.12,
        0.200,
        0.180,
        0.150,
        0.0,
        0.1,
        0.1,
        0.1,
        0.03,
        0.30,
        0.0,
    ),
    "door": (0.110, 0.150, 0.230, 0.15, 0.200, 0.190, 0.170, 0.0, 0.1, 0.1, 0.1, 0.05, 0.2, 0.0),
    "wood": (0.330, 0.220, 0.130, 0.30, 0.200, 0.140, 0.090, 0.0, 0.1, 0.1, 0.1, 0.15, 0.1, 0.0),
    "tube": (0.8, 0.8, 0.8, 0.0, 0.8, 0.8, 0.8, 0.0, 0.1, 0.1, 0.1, 0.0, 0.0, 11.0),
    "lamp": (0.8, 0.8, 0.8, 0.0, 0.8, 0.8, 0.8, 0.0, 0.1, 0.1, 0.1, 0.0, 0.0, 60.0),
    "window": (0.8, 0.8, 0.8, 0.0, 0.8, 0.8, 0.8, 0.0, 0.1, 0.1, 0.1, 0.0, 0.0, 2.2),
}
MATERIAL_NAMES = list(MATERIALS)


@dataclass
class Lamp:
    """A rectangular area light: centre and half edges, world frame mm, radiance."""

    centre_mm: Array
    half_a_mm: Array
    half_b_mm: Array
    radiance: float


@dataclass
class Scene:
    """Triangles with attributes, world frame."""

    vertices_mm: list[Array] = field(default_factory=list)
    normals: list[Array] = field(default_factory=list)
    texture_mm: list[Array] = field(default_factory=list)
    faces: list[NDArray[np.int32]] = field(default_factory=list)
    materials: list[NDArray[np.int32]] = field(default_factory=list)
    cards: list[NDArray[np.int32]] = field(default_factory=list)
    lamps: list[Lamp] = field(default_factory=list)
    warp: Callable[[Array], Array] | None = None
    """Vehicle frame to the damaged vehicle frame, for the parts that are body."""
    in_world: bool = False
    count: int = 0
    random: np.random.Generator = field(
        default_factory=lambda: np.random.default_rng(scenario.SEED + 10)
    )

    def patch(
        self,
        grid_mm: Array,
        material: str,
        *,
        outward: Array | None = None,
        closed: bool = False,
        card: int = -1,
        keep: NDArray[np.bool_] | None = None,
        warp: bool = True,
        texture: Array | None = None,
    ) -> None:
        """Add a grid of points (rows, columns, 3).

        Parameters
        ----------
        outward : a direction (3,), or a point field (rows, columns, 3) of directions, on whose
            side the surface is seen; without it the winding of rows x columns decides.
        closed : the last column repeats the first one (normals run through the seam).
        card : index of the printed card this is the face of.
        keep : (rows - 1, columns - 1) cells to keep.
        texture : (rows, columns, 2) texture coordinates, mm; else lengths along the grid.
        """
        grid = np.asarray(grid_mm, dtype=float)
        rows, columns = grid.shape[:2]
        along = np.linalg.norm(np.diff(grid, axis=0), axis=-1).mean(axis=1)
        across = np.linalg.norm(np.diff(grid, axis=1), axis=-1).mean(axis=0)
        v = np.concatenate([[0.0], np.cumsum(along)])
        u = np.concatenate([[0.0], np.cumsum(across)])
        if texture is None:
            texture = np.stack(np.meshgrid(u, v), axis=-1)
        texture = texture + self.random.uniform(0.0, 4000.0, 2)
        if not self.in_world:
            if warp and self.warp is not None:
                grid = self.warp(grid)
            grid = scenario.to_world(grid)
            if outward is not None:
                outward = np.asarray(outward) @ scenario.WORLD_FROM_VEHICLE_R.T
        by_row = np.gradient(grid, axis=0)
        if closed:
            around = np.concatenate([grid[:, -2:-1], grid, grid[:, 1:2]], axis=1)
            by_column = (around[:, 2:] - around[:, :-2]) / 2.0
        else:
            by_column = np.gradient(grid, axis=1)
        normal = np.cross(by_column, by_row)
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True) + 1e-12
        if outward is not None and float(np.sum(normal * outward)) < 0.0:
            normal = -normal
        index = np.arange(rows * columns, dtype=np.int32).reshape(rows, columns) + self.count
        a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
        pick = np.ones(a.shape, dtype=bool) if keep is None else keep
        faces = np.concatenate(
            [np.stack([a, b, c], -1)[pick], np.stack([a, c, d], -1)[pick]]
        ).reshape(-1, 3)
        self.vertices_mm.append(grid.reshape(-1, 3))
        self.normals.append(normal.reshape(-1, 3))
        self.texture_mm.append(texture.reshape(-1, 2))
        self.faces.append(faces)
        self.materials.append(np.full(len(faces), MATERIAL_NAMES.index(material), np.int32))
        self.cards.append(np.full(len(faces), card, np.int32))
        self.count += rows * columns

    def rectangle(
        self,
        centre: Array,
        half_a: Array,
        half_b: Array,
        outward: Array,
        material: str,
        step_mm: float = 25.0,
        card: int = -1,
        warp: bool = True,
    ) -> None:
        """A flat rectangle cut into cells of about ``step_mm``."""
        na = max(2, int(np.ceil(2 * np.linalg.norm(half_a) / step_mm)) + 1)
        nb = max(2, int(np.ceil(2 * np.linalg.norm(half_b) / step_mm)) + 1)
        a = np.linspace(-1.0, 1.0, na)[None, :, None]
        b = np.linspace(-1.0, 1.0, nb)[:, None, None]
        self.patch(
            centre + a * half_a + b * half_b, material, outward=outward, card=card, warp=warp
        )

    def box(
        self,
        centre: Sequence[float] | Array,
        half: Sequence[float],
        material: str,
        turn: Array | None = None,
        step_mm: float = 25.0,
        warp: bool = True,
    ) -> None:
        """A box with its own axes ``turn`` (columns)."""
        frame = np.eye(3) if turn is None else turn
        edges = frame * np.asarray(half, dtype=float)
        middle = np.asarray(centre, dtype=float)
        for i in range(3):
            a, b = edges[:, (i + 1) % 3], edges[:, (i + 2) % 3]
            for sign in (-1.0, 1.0):
                self.rectangle(
                    middle + sign * edges[:, i],
                    a,
                    b,
                    sign * frame[:, i],
                    material,
                    step_mm,
                    warp=warp,
                )

    def blob(
        self,
        centre: Sequence[float],
        half: Sequence[float],
        material: str,
        roundness: float = 0.35,
        turn: Array | None = None,
        step_mm: float = 15.0,
    ) -> None:
        """A superellipsoid: a box with rounded edges (0 sharp, 1 an ellipsoid)."""
        size = float(max(half))
        n = int(np.clip(np.pi * size / step_mm, 10, 90))
        lat = np.linspace(-np.pi / 2, np.pi / 2, n)[:, None]
        lon = np.linspace(-np.pi, np.pi, 2 * n + 1)[None, :]

        def bent(value: Array) -> Array:
            return np.sign(value) * np.abs(value) ** roundness

        # Rings near the poles are drawn in evenly, or a flat end would be a hole.
        inner = np.clip(bent(np.cos(lat)), 0.0, 1.0)
        x = inner * bent(np.cos(lon))
        y = inner * bent(np.sin(lon))
        z = bent(np.sin(lat)) + 0.0 * lon
        local = np.stack([x, y, z], axis=-1) * np.asarray(half)
        frame = np.eye(3) if turn is None else turn
        texture = local[..., :2] + 0.6 * local[..., 2:]
        self.patch(
            np.asarray(centre) + local @ frame.T,
            material,
            outward=local @ frame.T,
            closed=True,
            texture=texture,
        )

    def sweep(
        self,
        path_mm: Array,
        section: Array,
        material: str,
        up: Sequence[float] = (0, 0, 1),
        caps: bool = True,
        warp: bool = True,
    ) -> None:
        """A closed section (M, 2: sideways, up) drawn along a path (N, 3)."""
        path = np.asarray(path_mm, dtype=float)
        ahead = np.gradient(path, axis=0)
        ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
        side = np.cross(np.asarray(up, dtype=float), ahead)
        side /= np.linalg.norm(side, axis=1, keepdims=True)
        top = np.cross(ahead, side)
        ring = np.concatenate([section, section[:1]])
        out = ring[None, :, :1] * side[:, None] + ring[None, :, 1:] * top[:, None]
        grid = path[:, None] + out
        middle = ring[:-1].mean(axis=0)
        centre = path[:, None] + middle[0] * side[:, None] + middle[1] * top[:, None]
        self.patch(grid, material, outward=grid - centre, closed=True, warp=warp)
        if caps:
            for end, sign in ((0, -1.0), (-1, 1.0)):
                shrink = np.linspace(1.0, 0.02, 4)[:, None, None]
                self.patch(
                    centre[end] + (grid[end] - centre[end]) * shrink,
                    material,
                    outward=sign * ahead[end],
                    warp=warp,
                )

    def pipe(
        self,
        knots_mm: Sequence[Sequence[float]] | Array,
        radius_mm: float | Array,
        material: str,
        sides: int = 20,
        step_mm: float = 14.0,
        warp: bool = True,
    ) -> None:
        """A round tube through knots; the radius may vary from knot to knot."""
        knots = np.asarray(knots_mm, dtype=float)
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(knots, axis=0), axis=1))])
        at = np.linspace(0.0, length[-1], max(3, int(length[-1] / step_mm) + 1))
        path = (
            PchipInterpolator(length, knots)(at)
            if len(knots) > 2
            else (knots[0] + (at / length[-1])[:, None] * (knots[1] - knots[0]))
        )
        radius = np.broadcast_to(radius_mm, length.shape)
        ahead = np.gradient(path, axis=0)
        ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
        # One reference direction carried along, so that the tube never twists over.
        side = np.empty_like(ahead)
        last = np.array([0.31, 0.42, 0.85])
        for i, direction in enumerate(ahead):
            last = last - direction * (last @ direction)
            if np.linalg.norm(last) < 1e-6:
                last = np.array([direction[1], -direction[0], 0.3])
                last = last - direction * (last @ direction)
            last = last / np.linalg.norm(last)
            side[i] = last
        top = np.cross(ahead, side)
        angle = np.linspace(0.0, 2.0 * np.pi, sides + 1)
        out = (
            np.cos(angle)[None, :, None] * side[:, None]
            + np.sin(angle)[None, :, None] * top[:, None]
        )
        r = PchipInterpolator(length, radius)(at)[:, None, None]
        self.patch(path[:, None] + r * out, material, outward=out, closed=True, warp=warp)
        for end, sign in ((0, -1.0), (-1, 1.0)):
            shrink = np.linspace(1.0, 0.02, 3)[:, None, None]
            self.patch(
                path[end] + r[end] * out[end] * shrink,
                material,
                outward=sign * ahead[end],
                warp=warp,
            )

    def lathe(
        self,
        centre: Sequence[float] | Array,
        axis: Sequence[float] | Array,
        profile_mm: Sequence[Sequence[float]],
        material: str,
        sides: int = 72,
        warp: bool = True,
        flat: bool = False,
    ) -> None:
        """A profile (radius, along the axis) turned round an axis; open at both ends.

        ``flat``: mostly a disc, so the texture lies across it and not round it.
        """
        profile = np.asarray(profile_mm, dtype=float)
        z = np.asarray(axis, dtype=float) / np.linalg.norm(axis)
        x = np.cross(z, [0.2, 0.1, 0.97] if abs(z[2]) < 0.9 else [1.0, 0.0, 0.1])
        x /= np.linalg.norm(x)
        y = np.cross(z, x)
        angle = np.linspace(0.0, 2.0 * np.pi, sides + 1)
        out = np.cos(angle)[:, None] * x + np.sin(angle)[:, None] * y
        grid = (
            np.asarray(centre, dtype=float)
            + profile[:, None, :1] * out[None]
            + profile[:, None, 1:] * z
        )
        slope = np.gradient(profile, axis=0)
        outward = slope[:, None, 1:] * out[None] - slope[:, None, :1] * z
        texture = np.stack([profile[:, :1] * np.cos(angle), profile[:, :1] * np.sin(angle)], -1)
        self.patch(
            grid,
            material,
            outward=outward,
            closed=True,
            warp=warp,
            texture=texture if flat else None,
        )

    def lamp(self, centre: Array, half_a: Array, half_b: Array, material: str) -> None:
        """A rectangle that shines (world frame); its face looks along half_a x half_b."""
        outward = np.cross(half_a, half_b)
        radiance = MATERIALS[material][13]
        self.rectangle(centre, half_a, half_b, outward, material, step_mm=400.0)
        self.lamps.append(Lamp(centre, half_a, half_b, radiance))


def rounded(width_mm: float, height_mm: float, radius_mm: float = 10.0) -> Array:
    """Rounded rectangular section (M, 2) whose bottom edge lies on y = 0, cut fine enough."""
    half = width_mm / 2.0
    points = []
    corners = ((half, 0, -90), (half, height_mm, 0), (-half, height_mm, 90), (-half, 0, 180))
    for x, y, start_deg in corners:
        centre = np.array([x - np.sign(x) * radius_mm, y + (radius_mm if y == 0 else -radius_mm)])
        angle = np.radians(start_deg + np.array([0.0, 30.0, 60.0, 90.0]))
        points += list(centre + radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    fine = []
    for a, b in zip(points, points[1:] + points[:1], strict=True):
        n = max(1, int(np.linalg.norm(b - a) / 14.0))
        fine += [a + (b - a) * i / n for i in range(n)]
    return np.array(fine)


RAIL_KNOTS = np.array(
    [
        # x, y, bottom z; those of the reference holes are the sheet's, 1.5 mm above the hole.
        [-2260.0, 488.0, 343.0],
        [-1985.0, 487.5, 342.5],
        [-1560.0, 486.0, 338.0],
        [-1130.0, 470.0, 266.5],
        [-880.0, 436.0, 150.0],
        [-640.0, 420.0, 104.0],
        [-215.0, 418.5, 102.5],
        [560.0, 418.5, 102.5],
        [800.0, 419.0, 112.0],
        [1080.0, 428.0, 200.0],
        [1300.0, 441.0, 284.0],
        [1562.5, 448.0, 306.5],
        [1985.0, 455.0, 319.5],
        [2050.0, 456.0, 320.0],
    ]
)


def _smooth(value: Array) -> Array:
    t = np.clip(value, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def crash_warp() -> Callable[[Array], Array]:
    """Smooth displacement through the points' true damage, with crumpled sheet near the corner."""
    points = scenario.points()
    at_mm = np.array([p.nominal_mm for p in points])
    off_mm = np.array([p.true_mm - p.nominal_mm for p in points])
    random = np.random.default_rng(scenario.SEED + 11)
    waves = random.normal(0.0, 1.0, (10, 3)) / 55.0
    phases = random.uniform(0.0, 2 * np.pi, 10)
    kicks = random.normal(0.0, 2.2, (10, 3))

    def warp(grid: Array) -> Array:
        flat = grid.reshape(-1, 3)
        distance2 = ((flat[:, None] - at_mm[None]) ** 2 * [1.0, 1.0, 0.25]).sum(axis=-1)
        weight = 1.0 / (distance2 + 20.0) ** 2
        # Far in front of the corner the sheet metal has gone much further than the rail.
        moved = (weight @ off_mm) / weight.sum(axis=1, keepdims=True)
        ahead = _smooth((flat[:, 0] - 1990.0) / 350.0) * _smooth((flat[:, 1] + 50.0) / 700.0)
        moved = moved + ahead[:, None] * [-150.0, -35.0, 30.0]
        near = _smooth((flat[:, 0] - 1600.0) / 600.0) * _smooth((flat[:, 1] - 120.0) / 500.0)
        clear = _smooth((np.sqrt(distance2.min(axis=1)) - 45.0) / 60.0)
        crumple = np.sin(flat @ waves.T + phases) @ kicks
        moved = moved + (near * clear)[:, None] * crumple * 2.0
        return (flat + moved).reshape(grid.shape)

    return warp


def floor_height(x: Array, y: Array) -> Array:
    """Underside of the floor panel, mm, vehicle frame."""
    z = 196.0 + 165.0 * _smooth((-900.0 - x) / 330.0)
    tunnel = _smooth((210.0 - np.abs(y)) / 90.0) * _smooth((x + 1050.0) / 300.0)
    z = z + 125.0 * tunnel
    # Swages: flat-topped ribs along the car in the front floor, across in the rear.
    front = _smooth((x + 850.0) / 80.0) * _smooth((960.0 - x) / 80.0) * (1.0 - tunnel)
    along = np.clip(2.5 * np.sin((np.abs(y) - 250.0) * 2 * np.pi / 96.0), -1.0, 1.0)
    between = _smooth((np.abs(np.mod(x - 100.0, 600.0) - 300.0) - 60.0) / -30.0 + 6.5)
    z = z + 5.0 * front * along * between * (np.abs(y) < 400.0)
    z = z + 4.0 * front * np.clip(2.0 * np.sin(x * 2 * np.pi / 130.0), -1, 1) * (np.abs(y) > 470.0)
    rear = _smooth((-1270.0 - x) / 60.0)
    z = z + 6.0 * rear * np.clip(2.5 * np.sin(x * 2 * np.pi / 118.0), -1.0, 1.0)
    # Pressed-in round drains and plugs.
    for px, py, r in (
        (430, 300, 55),
        (-40, -300, 60),
        (-300, 320, 45),
        (500, -580, 40),
        (-560, 570, 45),
        (-1420, 260, 70),
        (-1450, -260, 60),
    ):
        z = z - 7.0 * _smooth((r - np.hypot(x - px, y - py)) / 14.0)
    return z


def _wheel(scene: Scene, x: float, y: float, z: float, steer_deg: float, radius: float) -> None:
    side = np.sign(y)
    axis = scenario.rotation("z", steer_deg) @ [0.0, side, 0.0]
    half = 106.0
    shape = [
        (radius * 0.66, -half * 0.86),
        (radius * 0.74, -half * 1.0),
        (radius * 0.88, -half * 1.04),
        (radius * 0.955, -half * 0.90),
        (radius * 0.985, -half * 0.78),
    ]
    for groove in (-0.46, -0.15, 0.15, 0.46):
        w = 0.055
        shape += [
            (radius, half * (groove - w - 0.03)),
            (radius, half * (groove - w)),
            (radius - 9.0, half * (groove - w + 0.02)),
            (radius - 9.0, half * (groove + w - 0.02)),
            (radius, half * (groove + w)),
            (radius, half * (groove + w + 0.03)),
        ]
    shape += [
        (radius * 0.985, half * 0.78),
        (radius * 0.955, half * 0.90),
        (radius * 0.88, half * 1.04),
        (radius * 0.74, half),
        (radius * 0.66, half * 0.86),
    ]
    centre = np.array([x, y, z])
    scene.lathe(centre, axis, shape, "rubber", sides=110, warp=False)
    rim = [
        (radius * 0.66, -half * 0.9),
        (radius * 0.63, -half * 0.82),
        (radius * 0.58, -10.0),
        (radius * 0.55, half * 0.5),
        (radius * 0.30, half * 0.55),
        (radius * 0.02, half * 0.6),
    ]
    scene.lathe(centre, axis, rim[::-1], "rim", warp=False, flat=True)
    scene.lathe(centre + 3.0 * axis, axis, rim, "rim", warp=False, flat=True)
    across = np.cross(axis, [0.0, 0.0, 1.0])
    for k in range(10):
        a = 2.0 * np.pi * k / 10
        spoke = np.cos(a) * across + np.sin(a) * np.array([0.0, 0.0, 1.0])
        scene.lathe(
            centre + axis * (half * 0.54) + radius * 0.44 * spoke,
            axis,
            [(17.0, 3.0), (15.0, 5.0), (0.5, 5.0)],
            "hole",
            20,
            False,
        )
        if k % 2:
            scene.lathe(
                centre + axis * (half * 0.57) + radius * 0.2 * spoke,
                axis,
                [(10.5, 0.0), (10.0, 16.0), (0.5, 16.0)],
                "rusty",
                6,
                False,
            )
    scene.lathe(
        centre - 12.0 * axis,
        axis,
        [
            (radius * 0.02, -22.0),
            (radius * 0.44, -22.0),
            (radius * 0.46, -18.0),
            (radius * 0.46, 8.0),
            (radius * 0.2, 10.0),
        ],
        "brake",
        warp=False,
        flat=True,
    )
    scene.box(
        centre + np.array([radius * 0.30, -side * 20.0, radius * 0.28]),
        (52, 42, 60),
        "cast",
        turn=scenario.rotation("y", 40.0),
        warp=False,
    )
    scene.lathe(
        centre - 30.0 * axis,
        axis,
        [(2.0, -60.0), (48.0, -58.0), (62.0, -30.0), (75.0, 0.0)],
        "cast",
        warp=False,
    )


def _bolt(scene: Scene, at: Sequence[float], size: float = 9.0, material: str = "zinc") -> None:
    x, y, z = at
    scene.lathe(
        (x, y, z),
        (0, 0, -1),
        [(size * 1.5, 0.0), (size * 1.5, 2.5), (size, 2.6), (size, size), (0.5, size)],
        material,
        sides=6,
    )


def _coil(
    scene: Scene,
    x: float,
    y: float,
    low: float,
    high: float,
    radius: float,
    turns: float,
    wire: float,
) -> None:
    t = np.linspace(0.0, 1.0, int(turns * 22))
    angle = 2.0 * np.pi * turns * t
    knots = np.stack(
        [x + radius * np.cos(angle), y + radius * np.sin(angle), low + (high - low) * t], axis=1
    )
    scene.pipe(knots, wire, "plastic", sides=10, step_mm=12.0)


def _pick_ups(scene: Scene, side: float) -> None:
    """Brackets of one side's pick-up points, 1.5 mm above the hole, and the upper arm."""
    mirror = np.array([1.0, side, 1.0])
    # Lower control arm: a cast lug on the subframe under the arm's front pivot.
    scene.box(np.array([1227.0, 428.0, 126.5]) * mirror, (32.0, 36.0, 15.0), "cast")
    # Upper control arm: a bracket on the wheel house, and the arm over the tyre to the knuckle.
    scene.box(np.array([1660.0, 562.0, 439.5]) * mirror, (36.0, 36.0, 18.0), "rail")
    scene.pipe(
        np.array([[1660, 586, 446], [1560, 655, 444], [1480, 705, 430]], dtype=float) * mirror,
        np.array([20.0, 15.0, 22.0]),
        "cast",
    )
    # Trailing arm: the housing of its bush, and a web up to the outrigger.
    scene.box(np.array([-985.0, 574.0, 141.5]) * mirror, (38.0, 36.0, 24.0), "rail")
    scene.box(np.array([-985.0, 582.0, 182.0]) * mirror, (44.0, 44.0, 18.0), "underseal")


def add_body(scene: Scene) -> None:
    """The van from below, vehicle frame."""
    random = np.random.default_rng(scenario.SEED + 12)

    # Floor panel, with the small dents and waves that all sheet metal has.
    x = np.arange(-2250.0, 1061.0, 13.0)
    y = np.arange(-690.0, 691.0, 11.5)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    dents = gaussian_filter(random.normal(0.0, 1.0, gx.shape), 4.0) * 14.0
    gz = floor_height(gx, gy) + dents
    scene.patch(np.stack([gx, gy, gz], -1), "underseal", outward=np.array([0.0, 0.0, -1.0]))
    # Bulkhead, and the dim roof of the engine bay.
    t = np.linspace(0.0, 1.0, 26)[:, None]
    yy = np.linspace(-690.0, 690.0, 60)[None, :]
    bulkhead = np.stack(
        np.broadcast_arrays(
            1060.0 + 110.0 * t**2 + 0 * yy,
            yy + 0 * t,
            floor_height(np.array(1060.0), yy) * (1 - t) + 760.0 * t,
        ),
        -1,
    )
    scene.patch(bulkhead, "underseal", outward=np.array([1.0, 0.0, -0.4]))
    scene.rectangle(
        np.array([1690.0, 0.0, 770.0]),
        np.array([540.0, 0, 0]),
        np.array([0, 720.0, 0]),
        np.array([0, 0, -1.0]),
        "underseal",
    )

    for side in (1.0, -1.0):
        mirror = np.array([1.0, side, 1.0])
        rail_at = np.arange(-2250.0, 2051.0, 15.0)
        path = PchipInterpolator(RAIL_KNOTS[:, 0], RAIL_KNOTS[:, 1:])(rail_at)
        rail = np.column_stack([rail_at, path[:, 0] * side, path[:, 1]])
        scene.sweep(rail, rounded(92.0, 102.0, 12.0), "rail")
        # Weld flanges on both sides of the rail in the floor section.
        for off in (-62.0, 62.0):
            pick = (rail_at > -700.0) & (rail_at < 820.0)
            scene.sweep(rail[pick] + [0.0, off, 78.0], rounded(36.0, 5.0, 2.0), "underseal")
        for bx in np.arange(-640.0, 800.0, 118.0):
            _bolt(
                scene, (bx + random.uniform(-15, 15), side * 358.0, 176.0), random.uniform(5.5, 8.0)
            )
        # Sill with its pinch flange.
        sill_at = np.arange(-1010.0, 1050.0, 16.0)
        bottom = np.interp(sill_at, [-760.0, 310.0], [151.5, 149.5])
        sill = np.column_stack([sill_at, np.full_like(sill_at, side * 740.0), bottom])
        scene.sweep(sill, rounded(134.0, 130.0, 18.0), "underseal")
        flange = np.column_stack([sill_at, np.full_like(sill_at, side * 797.0), bottom - 38.0])
        scene.sweep(flange, rounded(4.0, 60.0, 1.0), "paint")
        # Outer skin with the wheel openings.
        heights = np.concatenate(
            [
                np.arange(150.0, 600.0, 10.0),
                np.arange(600.0, 800.0, 20.0),
                np.arange(800.0, 1900.0, 100.0),
            ]
        )
        sx, sz = np.meshgrid(np.arange(-2330.0, 2331.0, 10.0), heights, indexing="xy")
        bulge = (
            872.0
            - 45.0 * ((sz - 700.0) / 900.0) ** 2
            - 60.0 * _smooth((np.abs(sx) - 1900.0) / 450.0)
        )
        mid = np.stack([sx, side * bulge, sz + 55.0 * _smooth((np.abs(sx) - 1050.0) / 40.0)], -1)
        cell_x = (sx[:-1, :-1] + sx[1:, 1:]) / 2.0
        cell_z = (sz[:-1, :-1] + sz[1:, 1:]) / 2.0
        keep = np.ones(cell_x.shape, dtype=bool)
        for wheel_x in (1450.0, -1450.0):
            keep &= np.hypot(cell_x - wheel_x, cell_z - 160.0) > 385.0
        scene.patch(mid, "paint", outward=np.array([0.0, side, 0.0]), keep=keep)
        for wheel_x in (1450.0, -1450.0):
            a = np.linspace(-0.05, np.pi + 0.05, 40)
            arch = np.column_stack(
                [wheel_x + 388 * np.cos(a), np.full_like(a, side * 862.0), 160 + 388 * np.sin(a)]
            )
            scene.pipe(arch, 13.0, "plastic", sides=8)
            # Wheel house.
            w = np.linspace(0.0, 1.0, 22)[None, :, None]
            inner = arch[:, None] * [1, 0, 1] + [0, side, 0] * (860.0 - 330.0 * w)
            scene.patch(inner, "plastic", outward=np.array([0.0, 0.0, -1.0]))
            face = np.array([wheel_x, side * 530.0, 160.0])
            shrink = np.linspace(1.0, 0.25, 18)[:, None, None]
            ring = (arch * [1, 0, 1] + [0, side * 530.0, 0])[None]
            wall = face + (ring - face) * shrink
            # In front it ends at the rail's height: below are driveshaft and arms.
            middle_z = (wall[:-1, :-1, 2] + wall[1:, 1:, 2]) / 2.0
            scene.patch(
                wall,
                "underseal",
                outward=np.array([0.0, side, 0.0]),
                keep=middle_z > (320.0 if wheel_x > 0.0 else 0.0),
            )

        # Front subframe arm, control arm, wheel, driveshaft, tie rod.
        arm = (
            np.array(
                [
                    [1420, 366, 150],
                    [1345, 372.5, 143.5],
                    [1120, 384, 132],
                    [905, 390, 129.5],
                    [865, 391, 131],
                ],
                dtype=float,
            )
            * mirror
        )
        at = np.linspace(0.0, 1.0, 44)
        scene.sweep(
            PchipInterpolator([0, 0.14, 0.54, 0.93, 1.0], arm)(at),
            rounded(86.0, 62.0, 14.0),
            "cast",
        )
        scene.pipe(
            np.array([[1245, 424, 148], [1360, 540, 92], [1448, 652, 70]]) * mirror,
            np.array([28.0, 25.0, 30.0]),
            "cast",
        )
        scene.pipe(
            np.array([[1010, 415, 130], [1230, 540, 96], [1448, 652, 70]]) * mirror,
            np.array([36.0, 24.0, 30.0]),
            "cast",
        )
        scene.pipe(np.array([[1448, 652, 52], [1448, 652, 102]]) * mirror, 27.0, "rusty")
        scene.pipe(
            np.array(
                [
                    [1455, 225, 262],
                    [1452, 300, 228],
                    [1450, 330, 222],
                    [1450, 560, 128],
                    [1450, 600, 118],
                    [1450, 668, 92],
                ]
            )
            * mirror,
            np.array([52.0, 50.0, 17.0, 17.0, 45.0, 42.0]),
            "rubber",
        )
        scene.pipe(
            np.array([[1225, 250, 245], [1240, 420, 196], [1300, 640, 110]]) * mirror,
            np.array([30.0, 11.0, 11.0]),
            "zinc",
        )
        _coil(scene, 1450.0, side * 610.0, 300.0, 620.0, 66.0, 5.0, 7.5)
        scene.pipe(np.array([[1450, 640, 120], [1450, 605, 640]]) * mirror, 27.0, "plastic")
        _wheel(scene, 1450.0, side * 752.0, 78.0, 7.0, 322.0)

        # Rear suspension: trailing arm, spring, damper.
        scene.pipe(
            np.array([[-1010, 560, 165], [-1220, 572, 120], [-1450, 590, 96]]) * mirror,
            np.array([40.0, 34.0, 46.0]),
            "rusty",
        )
        _coil(scene, -1385.0, side * 580.0, 130.0, 350.0, 58.0, 5.5, 7.0)
        scene.pipe(
            np.array([[-1560, 600, 92], [-1620, 590, 240], [-1680, 575, 430]]) * mirror,
            np.array([26.0, 26.0, 17.0]),
            "plastic",
        )
        _wheel(scene, -1450.0, side * 752.0, 88.0, 0.0, 322.0)
        # Outriggers from rail to sill.
        for ox in (690.0, 120.0, -430.0):
            scene.box((ox, side * 570.0, 184.0), (46.0, 106.0, 16.0), "underseal")
            for k in (-70.0, 60.0):
                _bolt(scene, (ox, side * (570.0 + k), 168.0), 7.0)

    # Cross members: left and right of the tunnel, a bridge below it, front and rear ends.
    for cx in (760.0, 130.0, -470.0):
        for side in (1.0, -1.0):
            span = np.array([[cx, side * 165.0, 160.0], [cx, side * 380.0, 150.0]])
            line = span[0] + np.linspace(0, 1, 14)[:, None] * (span[1] - span[0])
            scene.sweep(line, rounded(84.0, 46.0, 12.0), "underseal")
    bridge = np.column_stack(
        [
            np.full(30, 130.0),
            np.linspace(-210, 210, 30),
            152.0 - 26.0 * _smooth((np.abs(np.linspace(-210, 210, 30)) - 200.0) / -70.0),
        ]
    )
    scene.sweep(bridge, rounded(70.0, 7.0, 2.0), "zinc")
    for cx, z, mat in ((-1040.0, 240.0, "rail"), (-2205.0, 352.0, "rail"), (2030.0, 322.0, "rail")):
        yy1 = np.linspace(-440.0, 440.0, 50)
        scene.sweep(
            np.column_stack([np.full(50, cx), yy1, np.full(50, z)]), rounded(88.0, 70.0, 14.0), mat
        )
    for cx, z in ((1105.0, 133.0), (1372.0, 148.0)):
        yy1 = np.linspace(-352.0, 352.0, 44)
        scene.sweep(
            np.column_stack([cx + 18 * np.cos(yy1 / 130.0), yy1, z + 6 * np.cos(yy1 / 90)]),
            rounded(96.0, 52.0, 16.0),
            "cast",
        )
        for k in (-300.0, -120.0, 90.0, 290.0):
            _bolt(scene, (cx, k, z - 4.0), 11.0)

    # Power train.
    scene.blob((1600.0, 165.0, 330.0), (190.0, 205.0, 120.0), "cast", 0.30)
    scene.blob((1590.0, 175.0, 235.0), (150.0, 175.0, 62.0), "rusty", 0.28)
    scene.blob((1580.0, -195.0, 320.0), (165.0, 170.0, 105.0), "zinc", 0.42)
    scene.blob((1545.0, -330.0, 330.0), (110.0, 75.0, 95.0), "zinc", 0.6)
    for k in range(9):
        a = 2 * np.pi * k / 9
        _bolt(scene, (1590 + 128 * np.cos(a), 175 + 152 * np.sin(a), 178.0), 7.0)
    scene.pipe([[1700, 385, 330], [1700, 425, 330]], 78.0, "rusty", sides=36)
    scene.pipe([[1560, 385, 420], [1560, 420, 420]], 58.0, "plastic", sides=32)
    scene.box((1925.0, 0.0, 480.0), (22.0, 330.0, 165.0), "plastic")
    scene.pipe(
        [[1900, 240, 380], [1830, 260, 330], [1770, 200, 360], [1700, 150, 440]], 22.0, "rubber"
    )
    scene.pipe([[1900, -260, 390], [1840, -330, 350], [1740, -300, 400]], 20.0, "rubber")
    for k, (px, py, pz) in enumerate(
        (
            (1810, -80, 420),
            (1480, 20, 450),
            (1420, -300, 420),
            (1830, 330, 450),
            (1330, 150, 430),
            (1760, -420, 460),
        )
    ):
        scene.blob((px, py, pz), (60 + 9 * k, 50, 55), ("plastic", "cast", "zinc")[k % 3], 0.4)
    # Bumper beam and what is left of the bumper skin.
    yy1 = np.linspace(-700.0, 700.0, 80)
    beam = np.column_stack([2110.0 - 70.0 * (yy1 / 700.0) ** 2, yy1, np.full(80, 352.0)])
    scene.sweep(beam, rounded(62.0, 96.0, 10.0), "zinc")
    s = np.linspace(0.0, 1.0, 64)[:, None]
    # The torn edge: where the skin ends wanders along its height.
    ends = 330.0 + gaussian_filter(np.cumsum(random.normal(0.0, 42.0, 64)), 1.0)[:, None]
    yb = -800.0 + (np.clip(ends, 180.0, 520.0) + 800.0) * np.linspace(0.0, 1.0, 120)[None, :]
    skin = np.stack(
        np.broadcast_arrays(
            2290.0
            - 170.0 * (np.abs(yb) / 800.0) ** 2.4
            + 45.0 * np.sin(np.pi * s)
            - 150.0 * (1 - s) ** 3,
            yb,
            225.0 + 330.0 * s + 0 * yb,
        ),
        -1,
    )
    scene.patch(skin, "plastic", outward=np.array([1.0, 0.0, -0.2]))
    s = np.linspace(0.0, 1.0, 32)[:, None]
    yb = np.linspace(-820.0, 820.0, 110)[None, :]
    skin = np.stack(
        np.broadcast_arrays(
            -2345.0
            + 60.0 * (np.abs(yb) / 820.0) ** 3
            - 30.0 * np.sin(np.pi * s)
            + 120.0 * (1 - s) ** 3,
            yb + 0 * s,
            245.0 + 330.0 * s + 0 * yb,
        ),
        -1,
    )
    scene.patch(skin, "plastic", outward=np.array([-1.0, 0.0, -0.2]))
    # A torn shield hanging at the damaged corner.
    a, b = np.meshgrid(np.linspace(0, 1, 26), np.linspace(0, 1, 22), indexing="ij")
    shield = np.stack(
        [
            1760 + 330 * a,
            500 + 260 * b - 60 * a * b,
            300 - 70 * a**2 + 25 * np.sin(5 * b + 3 * a) - 30 * b,
        ],
        -1,
    )
    scene.patch(shield, "plastic", outward=np.array([0, 0, -1.0]))

    # Exhaust.
    scene.pipe(
        [[1440, -30, 240], [1300, -25, 225], [1180, -10, 262], [1010, 0, 262], [760, 0, 258]],
        31.0,
        "exhaust",
    )
    scene.pipe(
        [[1010, 0, 262], [975, 0, 261], [930, 0, 260], [700, 0, 258], [655, 0, 258], [620, 0, 257]],
        np.array([31.0, 40.0, 78.0, 78.0, 40.0, 31.0]),
        "exhaust",
        40,
    )
    scene.pipe(
        [[640, 0, 257], [300, -5, 250], [-60, -20, 232], [-180, -40, 212], [-260, -52, 190]],
        29.0,
        "exhaust",
    )
    scene.pipe(
        [
            [-225, -52, 192],
            [-245, -52, 190],
            [-262, -52, 190],
            [-640, -56, 182],
            [-662, -56, 182],
            [-690, -56, 182],
        ],
        np.array([30.0, 80, 92, 92, 80, 30]),
        "rusty",
        44,
    )
    scene.pipe(
        [
            [-680, -56, 182],
            [-860, -70, 190],
            [-1080, -120, 205],
            [-1300, -200, 270],
            [-1450, -260, 305],
            [-1600, -300, 290],
            [-1680, -320, 262],
        ],
        27.0,
        "rusty",
    )
    scene.pipe([[-2110, -350, 258], [-1700, -335, 258]], 82.0, "rusty", 44)
    scene.pipe([[-2100, -360, 258], [-2250, -420, 250], [-2390, -450, 240]], 26.0, "exhaust")
    for hx, hy, hz in ((-300, -150, 250), (-1150, -200, 300), (-1900, -440, 320), (420, 60, 290)):
        scene.pipe(
            [[hx, hy, hz + 30], [hx + 8, hy + 20, hz - 30], [hx + 5, hy + 55, hz - 52]],
            6.0,
            "rusty",
            10,
        )
        scene.blob((hx + 3, hy + 22, hz - 18), (16, 12, 28), "rubber", 0.6)

    # Fuel tank with straps, spare wheel in its cradle, twist beam.
    scene.blob((-650.0, 222.0, 142.0), (262.0, 152.0, 72.0), "plastic", 0.22, step_mm=9.0)
    for sx in (-790.0, -510.0):
        ty = np.linspace(40.0, 400.0, 40)
        low = 64.0 + 110.0 * _smooth((np.abs(ty - 222.0) - 128.0) / 34.0)
        scene.sweep(np.column_stack([np.full(40, sx), ty, low]), rounded(30.0, 4.0, 1.0), "zinc")
        _bolt(scene, (sx, 400.0, 160.0), 8.0)
    scene.lathe(
        (-1760.0, 130.0, 282.0),
        (0, 0, -1),
        [
            (190, -60),
            (214, -72),
            (250, -74),
            (278, -60),
            (288, -40),
            (290, -14),
            (282, -12),
            (290, -8),
            (290, 10),
            (282, 12),
            (290, 14),
            (288, 40),
            (278, 60),
            (250, 74),
            (214, 72),
            (190, 60),
        ],
        "rubber",
        sides=110,
    )
    scene.lathe(
        (-1760.0, 130.0, 282.0),
        (0, 0, -1),
        [(192, 66), (172, 40), (150, 22), (90, 30), (60, 12), (3, 10)],
        "rusty",
        sides=72,
        flat=True,
    )
    for off in (-60.0, 60.0):
        scene.pipe(
            [
                [-1430, 130 + off, 300],
                [-1480, 130 + off, 214],
                [-1760, 130 + off * 1.2, 200],
                [-2040, 130 + off, 214],
                [-2080, 130 + off, 300],
            ],
            9.0,
            "rusty",
            12,
        )
    scene.pipe(
        [
            [-1450, 600, 92],
            [-1440, 420, 120],
            [-1435, 0, 135],
            [-1440, -420, 120],
            [-1450, -600, 92],
        ],
        46.0,
        "rusty",
        32,
    )

    # Lines, hoses, wiring.
    for off, r, mat in ((0.0, 4.0, "zinc"), (13.0, 4.0, "rusty"), (30.0, 6.5, "plastic")):
        scene.pipe(
            [
                [1250, 250 + off, 330],
                [1060, 335, 205 + off],
                [880, 338 - off, 158],
                [300, 333 - off, 160],
                [-350, 336 - off, 158],
                [-900, 395 - off, 175],
                [-1120, 412 - off, 285],
                [-1300, 430 - off, 345],
            ],
            r,
            mat,
            10,
        )
    scene.pipe(
        [
            [900, -338, 162],
            [500, -330, 158],
            [150, -338, 150],
            [-300, -326, 160],
            [-800, -345, 170],
            [-1000, -380, 215],
        ],
        10.0,
        "plastic",
        12,
    )
    for side in (1.0, -1.0):
        scene.pipe(
            [
                [1430, side * 470, 330],
                [1480, side * 545, 230],
                [1475, side * 610, 260],
                [1500, side * 650, 190],
            ],
            7.0,
            "rubber",
            10,
        )
        scene.pipe(
            [
                [-1300, side * 440, 330],
                [-1330, side * 520, 190],
                [-1420, side * 610, 230],
                [-1470, side * 640, 170],
            ],
            7.0,
            "rubber",
            10,
        )
    # A loose cable at the damaged corner.
    scene.pipe(
        [[1880, 330, 420], [1840, 380, 250], [1790, 430, 190], [1720, 400, 215], [1690, 340, 330]],
        6.0,
        "plastic",
        10,
    )
    scene.pipe(
        [[2060, 520, 380], [2020, 600, 260], [1960, 640, 215], [1890, 610, 300]], 5.0, "cabinet", 10
    )
    for px, py in (
        (430, 300),
        (-40, -300),
        (-300, 320),
        (500, -580),
        (-560, 570),
        (-1420, 260),
        (-1450, -260),
    ):
        height = float(floor_height(np.array(float(px)), np.array(float(py))))
        scene.blob((px, py, height), (24, 24, 5), "rubber", 0.8, step_mm=5.0)
    for _ in range(90):
        bx, by = random.uniform(-2150, 1000), random.uniform(-650, 650)
        height = float(floor_height(np.array(bx), np.array(by)))
        _bolt(
            scene,
            (bx, by, height),
            random.uniform(4.5, 9.0),
            ("zinc", "rusty", "plastic")[int(random.integers(3))],
        )
    for side in (1.0, -1.0):
        _pick_ups(scene, side)
    # Roof, so that no ceiling light falls through the car.
    scene.rectangle(
        np.array([0.0, 0.0, 1850.0]),
        np.array([2330.0, 0, 0]),
        np.array([0, 850.0, 0]),
        np.array([0, 0, 1.0]),
        "paint",
        200.0,
    )
    for end in (1.0, -1.0):
        scene.rectangle(
            np.array([end * 2200.0, 0.0, 1200.0]),
            np.array([0, 850.0, 0]),
            np.array([0, 0, 650.0]),
            np.array([end, 0, 0]),
            "paint",
            60.0,
        )


def add_cards(scene: Scene, cards: Sequence[PlacedCard]) -> None:
    """Card faces (exact planes), their plates, stems, holes and bars."""
    for index, card in enumerate(cards):
        half = scenario.card_width_mm(card.id) / 2.0
        x, y, z = card.axes.T
        scene.rectangle(
            card.centre_mm, half * x, half * y, -z, "cardboard", half / 3.0, index, warp=False
        )
        scene.box(
            card.centre_mm + 1.6 * z, (half, half, 1.4), "backing", card.axes, 20.0, warp=False
        )
        if card.role == "tie":
            scene.box(
                card.centre_mm + 8.0 * z,
                (half * 0.6, half * 0.5, 5.0),
                "rubber",
                card.axes,
                20.0,
                warp=False,
            )
            gap = scenario.TIE_GAPS_MM.get(card.id, 0.0)
            if gap > 0.0:
                scene.pipe(
                    [card.centre_mm + 3.0 * z, card.centre_mm + (gap + 30.0) * z],
                    14.0,
                    "zinc",
                    24,
                    8.0,
                    False,
                )
        if card.hole_mm is not None:
            hole = card.hole_mm
            scene.pipe([card.centre_mm + 3.0 * z, hole + 3.0 * z], 6.0, "zinc", 20, 6.0, False)
            scene.lathe(
                hole, -z, [(11.0, -2.0), (11.0, 2.0), (9.0, 6.0), (6.0, 9.0)], "alu", 24, warp=False
            )
            scene.lathe(
                hole,
                -z,
                [(20.0, -6.0), (19.5, 1.2), (15.0, 1.6), (13.0, 0.6)],
                "rail",
                32,
                warp=False,
            )
            scene.lathe(hole, -z, [(13.5, 0.6), (9.0, 0.5), (1.0, 0.5)], "hole", 28, warp=False)
    placed = {card.id: card for card in cards}
    for ids, *_ in scenario.BARS:
        a, b = placed[ids[0]], placed[ids[1]]
        frame = a.axes
        centre = (a.centre_mm + b.centre_mm) / 2.0 + 19.0 * frame[:, 2]
        half_length = np.linalg.norm(b.centre_mm - a.centre_mm) / 2.0
        scene.box(centre, (half_length + 34.0, 15.0, 15.0), "alu", frame, 20.0, warp=False)
        # Hung up by two wires.
        for share in (-0.6, 0.62):
            at = centre + share * half_length * frame[:, 0]
            wire = at + np.array([[0.0, 0.0, 0.0], [25.0, 8.0, 90.0], [30.0, 14.0, 260.0]])
            scene.pipe(wire, 2.0, "zinc", 8, warp=False)


def add_workshop(scene: Scene) -> None:
    """Floor, walls, ceiling, two-post lift, lights and the things that stand about; world."""
    scene.in_world = True
    up = np.array([0.0, 0.0, 1.0])
    ex, ey = np.eye(3)[0], np.eye(3)[1]
    scene.rectangle(np.array([0.0, 0, 0]), 6000 * ex, 5000 * ey, up, "concrete", 120.0)
    scene.rectangle(np.array([0.0, 0, 4900]), 6000 * ex, 5000 * ey, -up, "ceiling", 200.0)
    for sign in (1.0, -1.0):
        scene.rectangle(
            np.array([sign * 6000.0, 0, 2450]), 5000 * ey, 2450 * up, -sign * ex, "wall", 160.0
        )
        scene.rectangle(
            np.array([0, sign * 5000.0, 2450]), 6000 * ex, 2450 * up, -sign * ey, "wall", 160.0
        )
        # Dark dado and a rail on the walls.
        scene.box((0, sign * 4985.0, 500.0), (5990.0, 12.0, 500.0), "door", step_mm=200.0)
        scene.box((sign * 5985.0, 0.0, 500.0), (12.0, 4980.0, 500.0), "door", step_mm=200.0)
    for bx in np.arange(-5000.0, 5001.0, 2000.0):
        scene.box((bx, 0.0, 4650.0), (90.0, 5000.0, 160.0), "rail", step_mm=160.0)
    scene.box((0.0, 2600.0, 4450.0), (6000.0, 60.0, 60.0), "zinc", step_mm=160.0)
    scene.box((0.0, -2900.0, 4430.0), (6000.0, 110.0, 50.0), "zinc", step_mm=160.0)
    for tx in (-4000.0, -1350.0, 1350.0, 4000.0):
        for ty in (-3300.0, -1700.0, 1700.0, 3300.0):
            scene.lamp(np.array([tx, ty, 4380.0]), 750 * ey * 0 + 750 * ex, -70 * ey, "tube")
    for wx in (-3600.0, 0.0, 3600.0):
        scene.lamp(np.array([wx, 4970.0, 2900.0]), 900 * ex, 700 * up, "window")
        for off in (-300.0, 300.0):
            scene.box((wx + off, 4950.0, 2900.0), (25.0, 20.0, 700.0), "zinc", step_mm=100.0)
    # Work lamps on the floor, shining up.
    for lx, ly, tilt in (
        (1500.0, 1450.0, 20.0),
        (-1700.0, -1500.0, -20.0),
        (-1500.0, 1500.0, 22.0),
        (1900.0, -1500.0, -20.0),
    ):
        a = scenario.rotation("x", tilt) @ (130.0 * ex)
        b = scenario.rotation("x", tilt) @ (90.0 * ey)
        scene.lamp(np.array([lx, ly, 330.0]), a, b, "lamp")
        scene.box((lx, ly, 150.0), (30.0, 30.0, 150.0), "plastic", step_mm=60.0)
    # Lift: posts, heads, arms, pads.
    for sign in (1.0, -1.0):
        scene.box((60.0, sign * 1720.0, 1900.0), (150.0, 130.0, 1900.0), "lift", step_mm=40.0)
        scene.box((60.0, sign * 1570.0, 1690.0), (190.0, 40.0, 150.0), "lift", step_mm=40.0)
        scene.box((60.0, sign * 1690.0, 8.0), (330.0, 260.0, 8.0), "lift", step_mm=60.0)
        for pad_x in (915.0, -520.0):
            pad = scenario.to_world(np.array([pad_x, sign * 742.0, 148.0]))
            root = np.array([60.0 + np.sign(pad_x) * 130.0, sign * 1560.0, pad[2] - 190.0])
            tip = np.array([pad[0], pad[1], pad[2] - 190.0])
            reach = tip - root
            length = float(np.linalg.norm(reach))
            ahead = reach / length
            frame = np.stack([ahead, np.cross(up, ahead), up], axis=1)
            scene.box(root + 0.32 * reach, (0.34 * length, 52.0, 46.0), "lift", frame)
            scene.box(root + 0.72 * reach, (0.30 * length, 40.0, 36.0), "lift", frame)
            scene.lathe(
                tip,
                up,
                [
                    (2.0, -44),
                    (40, -44),
                    (40, 80),
                    (28, 82),
                    (28, 150),
                    (62, 152),
                    (66, 158),
                    (66, 186),
                    (60, 189),
                    (2, 189),
                ],
                "rubber",
                40,
            )
    # Cabinets, drawers, drums, a bench, a hose reel.
    for cx, cy, w, d, h, mat in (
        (-3200, -4600, 500, 300, 900, "cabinet"),
        (-2000, -4600, 500, 300, 520, "lift"),
        (2800, -4600, 900, 320, 1000, "door"),
        (4300, 4500, 600, 350, 450, "cabinet"),
        (-4700, 4300, 800, 400, 480, "wood"),
        (-5500, -1500, 350, 700, 1050, "rail"),
        (5500, 1300, 300, 900, 520, "wood"),
        (5550, -2200, 260, 600, 1150, "cabinet"),
    ):
        scene.box((cx, cy, h), (w, d, h), mat, step_mm=100.0)
        for k in range(1, 5):
            scene.box((cx, cy, h * 2 * k / 5), (w + 6, d + 6, 6.0), "plastic", step_mm=150.0)
    for dx, dy in ((3400.0, 3900.0), (3950.0, 4000.0), (-4300.0, -3900.0)):
        scene.lathe(
            (dx, dy, 0.0),
            up,
            [
                (290, 0),
                (290, 280),
                (298, 290),
                (290, 300),
                (290, 580),
                (298, 590),
                (290, 600),
                (290, 880),
                (2, 880),
            ],
            "lift",
            48,
        )
    scene.pipe(
        [[-3000, 4800, 2300], [-2900, 4700, 1500], [-2300, 4650, 1200], [-1900, 4750, 1800]],
        16.0,
        "cabinet",
        12,
        40.0,
    )
    for k in range(7):
        scene.blob((-3900 + 260 * k, -4800, 2200 + 60 * (k % 3)), (90, 110, 120), "rubber", 0.5)
    scene.box((-3100.0, -4820.0, 2050.0), (1150.0, 160.0, 18.0), "wood", step_mm=80.0)


def surface_below(scene: Scene) -> Callable[[Array], Array]:
    """Heights (vehicle frame) of the lowest body surface over points (N, 2), by rasterised look-up.

    A plain z-buffer of the finished mesh, 2 mm cells: good enough for sticking tie cards on.
    """
    vertices = np.concatenate(scene.vertices_mm)
    local = (vertices - scenario.WORLD_FROM_VEHICLE_T) @ scenario.WORLD_FROM_VEHICLE_R
    faces = np.concatenate(scene.faces)
    weights = np.array(
        [(i / 16, j / 16, 1 - (i + j) / 16) for i in range(17) for j in range(17 - i)]
    )
    grid = np.full((2500, 1000), np.inf)
    for k in range(0, len(faces), 20000):
        corner = local[faces[k : k + 20000]]
        point = np.einsum("wc,fcd->fwd", weights, corner).reshape(-1, 3)
        i = np.floor((point[:, 0] + 2500.0) / 2.0).astype(int)
        j = np.floor((point[:, 1] + 1000.0) / 2.0).astype(int)
        inside = (i >= 0) & (i < 2500) & (j >= 0) & (j < 1000)
        np.minimum.at(grid, (i[inside], j[inside]), point[inside, 2])

    def height(xy_mm: Array) -> Array:
        i = np.clip(np.floor((xy_mm[:, 0] + 2500.0) / 2.0).astype(int), 0, 2499)
        j = np.clip(np.floor((xy_mm[:, 1] + 1000.0) / 2.0).astype(int), 0, 999)
        found = grid[i, j]
        return np.where(np.isfinite(found), found, np.nan)

    return height


def build() -> tuple[Scene, list[PlacedCard]]:
    """The whole scene and its cards in the order of their texture indices."""
    scene = Scene(warp=crash_warp())
    add_body(scene)
    height = surface_below(scene)
    cards = scenario.point_cards()
    for card_id in scenario.TIES:
        half = scenario.card_width_mm(card_id) / 2.0
        reach = np.linspace(-half, half, int(half))
        offsets = np.stack(np.meshgrid(reach, reach), -1).reshape(-1, 2)
        place = np.array(scenario.TIES[card_id][:2])
        cards.append(scenario.tie_card(card_id, height(place + offsets), offsets))
    cards += scenario.bar_cards()
    add_cards(scene, cards)
    add_workshop(scene)
    return scene, cards
