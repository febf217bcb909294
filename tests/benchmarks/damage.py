"""How often damage is named right: ``python tests/benchmarks/damage.py [VEHICLES]``.

Vehicles are invented at the level of points: 20 points, eight of them base points, a sound body
that differs from its sheet by a normal build scatter at every point and axis, and a measurement
with the joint covariance of four invented jobs of ``tests.scene`` (self-calibrating, hand-held,
bars, seats and stems included), each vehicle of one of them. The base points then carry the frame
as in ``pipeline.datum.datum``, scatter and all. Photos are not rendered.

Damage is planted as a true rotation or shear, not by the formulas that are fitted: mash moves a
zone along; sway turns it about an upright axis at the points nearest the centre section, sag and
kick-up about an axis across, twist about the length axis growing from there; diamond shears it.
An amount is right when the truth, read off the planted points by the definition of the term, lies
within its U.

bound: the power of the most powerful linear test (Neyman and Pearson 1933, from memory) for this
one change, whose place and course are told it, with the scatter known and only the frame and the
sign unknown, at a chance of false alarms of ``ALARMS``; shared: the same test if that chance is
shared equally among the 19 terms that have to be looked for. Of several terms at once it is the
chance that all of them are named, each tested beside the others, whose courses are told, too. No
test that names a term with its sign passes the first; one of all terms, which does not know the
scatter, can hardly pass the second: it can spend its share unequally, but is held to 2 %.
"""

import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import functools
import hashlib
import itertools
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.stats import norm

from calib.frames import Array, rotations
from pipeline.datum.base_points import build_sd_mm
from pipeline.datum.datum import by_frame, fit_frame
from pipeline.datum.deviation import DeviationTable, deviation_table
from pipeline.inputs.job import CardOnPoint
from pipeline.inputs.sheet import ReferenceSheet, SheetPoint
from pipeline.repair.damage import find_damage
from pipeline.repair.damage_terms import CENTRE_TERMS, END_TERMS

PAIRS = {
    "A": ("front", 1985.0, 455.0, 318.0),
    "B": ("front", 1560.0, 448.0, 305.0),
    "C": ("front", 1345.0, 372.0, 142.0),
    "D": ("front", 905.0, 390.0, 128.0),
    "E": ("centre", 560.0, 418.0, 101.0),
    "F": ("centre", 310.0, 716.0, 148.0),
    "G": ("centre", -215.0, 418.0, 101.0),
    "H": ("centre", -760.0, 700.0, 150.0),
    "J": ("rear", -1130.0, 470.0, 265.0),
    "K": ("rear", -1985.0, 487.0, 341.0),
}
"""An invented van: zone, length, half-width, height, mm."""
AMOUNTS_MM = (3.0, 6.0, 15.0, 40.0)
TERMS = ("mash", "diamond", "sway", "height", "twist")
TOLERANCE_MM = 3.0
ALARMS = 0.04
"""Sum of the chances of false alarms for ``bound`` and ``shared``."""
DRAWN = "fourth draw"
"""Part of every seed: drawn anew for the table whenever the method changes, so that nothing was
chosen by looking at its vehicles."""
BUILD_MM = build_sd_mm(TOLERANCE_MM)
"""0.5 mm: the scatter that is assumed."""
DATUM_MM = 125.0
"""Mean height of the base points."""
NEAR_MM = {"front": 905.0, "rear": -1130.0}
END_MM = {"front": 1985.0, "rear": -1985.0}


def sheet() -> ReferenceSheet:
    """The reference sheet of the invented van."""
    return ReferenceSheet(
        tuple(
            SheetPoint(
                name,
                side,
                np.array([length, half if side == "L" else -half, height]),
                TOLERANCE_MM,
                zone == "centre",
                "",
                zone,
            )
            for name, (zone, length, half, height) in PAIRS.items()
            for side in "LR"
        )
    )


def jobs(count: int = 4) -> list[Array]:
    """Covariances (60, 60) of 20 holes measured in invented jobs, dealt out to the van's points."""
    from tests.benchmarks.coverage import invent, measure

    found: list[Array] = []
    for seed in range(1000):
        invented = invent(seed)
        if len(invented.job.cards) < 20:
            continue
        holes = measure(invented).holes
        if len(holes.rows) >= 20:
            found.append(_dealt_out(holes.positions_mm, holes.covariance_mm2))
        if len(found) == count:
            break
    return found


def _dealt_out(places_mm: Array, covariance_mm2: Array) -> Array:
    """The covariance of the holes that lie most like the van's points in plan."""
    van = np.array([point.position_mm for point in sheet().points])[:, :2]
    centred = places_mm - places_mm.mean(axis=0)
    plan = centred @ np.linalg.svd(centred, full_matrices=False)[2][:2].T
    plan, van = plan / plan.std(axis=0), (van - van.mean(axis=0)) / van.std(axis=0)
    distances = np.linalg.norm(van[:, None] - plan[None], axis=2)
    holes = linear_sum_assignment(distances)[1]
    columns = (3 * holes[:, None] + np.arange(3)).ravel()
    return np.asarray(covariance_mm2[np.ix_(columns, columns)])


def plant(places_mm: Array, zone: str, amounts_mm: dict[str, float]) -> Array:
    """Places (N, 3) after damage of front or rear; amounts at the zone's end, signs as of Term."""
    near, end = NEAR_MM[zone], END_MM[zone]
    reach = end - near
    hit = places_mm[:, 0] >= near if zone == "front" else places_mm[:, 0] <= near
    moved = places_mm.copy()
    p = moved[hit] - [near, 0.0, DATUM_MM]
    u = p[:, 0] / reach
    width = 2.0 * np.abs(p[:, 1]).mean()
    p[:, 0] += amounts_mm.get("diamond", 0.0) * p[:, 1] / width
    roll = np.arcsin(amounts_mm.get("twist", 0.0) / width) * u
    turns = rotations(np.column_stack([roll, 0.0 * u, 0.0 * u]))
    p = np.einsum("nij,nj->ni", turns, p)
    pitch, yaw = (np.arcsin(amounts_mm.get(term, 0.0) / reach) for term in ("height", "sway"))
    p = p @ rotations(np.array([0.0, -pitch, 0.0])).T @ rotations(np.array([0.0, 0.0, yaw])).T
    p[:, 0] += np.sign(reach) * amounts_mm.get("mash", 0.0)
    moved[hit] = p + [near, 0.0, DATUM_MM]
    return moved


def plant_centre(places_mm: Array, amounts_mm: dict[str, float]) -> Array:
    """Places after twist, or diamond, of the whole vehicle: the ends go with the centre."""
    base = np.array([point.base for point in sheet().points])
    moved = places_mm.copy()
    width = 2.0 * np.abs(places_mm[base, 1]).mean()
    moved[:, 0] += amounts_mm.get("diamond", 0.0) * places_mm[:, 1] / width
    span, middle = np.ptp(places_mm[base, 0]), places_mm[base, 0].mean()
    at = np.clip((places_mm[:, 0] - middle) / span, -0.55, 0.55)
    roll = np.arcsin(amounts_mm.get("twist", 0.0) / width) * at
    lever = moved - [0.0, 0.0, DATUM_MM]
    turns = rotations(np.column_stack([roll, 0.0 * roll, 0.0 * roll]))
    return np.einsum("nij,nj->ni", turns, lever) + np.array([0.0, 0.0, DATUM_MM])


def measured(
    rng: np.random.Generator, true_mm: Array, covariance_mm2: Array, scatter_mm: float
) -> DeviationTable:
    """Deviations of a vehicle whose sound body was built with this scatter, as a job gives them."""
    points = sheet().points
    built = true_mm + scatter_mm * rng.standard_normal(true_mm.shape)
    root = np.linalg.cholesky(covariance_mm2 + 1e-12 * np.eye(len(covariance_mm2)))
    # It stands as it likes.
    turn = rotations(0.05 * rng.standard_normal(3))
    seen = built @ turn.T + 200.0 * rng.standard_normal(3)
    seen += (root @ rng.standard_normal(len(root))).reshape(-1, 3)
    base = np.array([i for i, point in enumerate(points) if point.base])
    datum = fit_frame(seen, covariance_mm2, base, np.array([points[i].position_mm for i in base]))
    rows = [CardOnPoint(i, p.point, p.side, 50.0, "") for i, p in enumerate(points)]
    return deviation_table(
        rows,
        datum.positions_mm,
        datum.covariance_mm2,
        sheet(),
        set(base.tolist()),
        dict.fromkeys(range(len(points)), 8),
    )


def truth_of(moved_mm: Array, zone: str) -> dict[str, float]:
    """Amounts at the end of front or rear, from its pairs of points by the terms' definitions."""
    points = sheet().points
    at = {point.name: i for i, point in enumerate(points)}
    places = np.array([point.position_mm for point in points])
    change = moved_mm - places
    end, near = ("A", "D") if zone == "front" else ("K", "J")
    own = [i for i, point in enumerate(points) if point.zone == zone]
    width = 2.0 * np.abs(places[own, 1]).mean()
    left, right = change[at[f"{end} L"]], change[at[f"{end} R"]]
    x, y, z = places[at[f"{end} L"]]
    over = width / (2.0 * y)
    twist, height = over * (left[2] - right[2]), 0.5 * (left[2] + right[2])
    height_near = 0.5 * (change[at[f"{near} L"], 2] + change[at[f"{near} R"], 2])
    tilt = (height - height_near) / (x - places[at[f"{near} L"], 0])
    above = z - DATUM_MM
    return {
        "mash": np.sign(x) * (0.5 * (left[0] + right[0]) + above * tilt),
        "diamond": over * (left[0] - right[0]),
        "sway": 0.5 * (left[1] + right[1]) + above * twist / width,
        "height": height,
        "twist": twist,
    }


@dataclass
class Tally:
    """Counts of one row of the table."""

    name: str
    vehicles: int = 0
    named: int = 0
    extra: int = 0
    amounts: int = 0
    inside: int = 0
    local: int = 0
    either: int = 0
    bound: float = float("nan")
    shared: float = float("nan")

    def line(self) -> str:
        """The row, in per cent."""
        per = 100.0 / max(self.vehicles, 1)
        inside = f"{100.0 * self.inside / self.amounts:6.1f}" if self.amounts else "     -"
        return (
            f"{self.name:34} {self.vehicles:5d} {per * self.named:6.1f} {per * self.extra:6.1f} "
            f"{inside} {per * self.local:6.1f} {per * self.either:6.1f} "
            f"{_share(self.bound)} {_share(self.shared)}"
        )


def _share(value: float) -> str:
    return f"{100.0 * value:6.1f}" if np.isfinite(value) else "     -"


def bounds(
    terms: tuple[str, ...], amount_mm: float, zone: str | None, scatter_mm: float
) -> tuple[float, float]:
    """``bound`` and ``shared`` of these terms at once, the mean over zones, jobs and signs."""
    places = np.array([point.position_mm for point in sheet().points])
    zones = [zone] if zone else ["front", "rear"]
    frame = by_frame((places - places.mean(axis=0)) / 1000.0)
    levels = ALARMS, ALARMS / (2 * len(END_TERMS) + len(CENTRE_TERMS))
    rng = np.random.default_rng(0)
    powers = []
    for where, covariance in itertools.product(zones, _covariances()):
        root = np.linalg.cholesky(covariance + scatter_mm**2 * np.eye(len(covariance)))
        free = np.linalg.qr(np.linalg.solve(root, frame))[0]
        for _ in range(1 if len(terms) == 1 else 8):
            signs = signs_of(rng, terms, where)
            moved = [
                plant_centre(places, {term: sign * amount_mm})
                if where == "centre"
                else plant(places, where, {term: sign * amount_mm})
                for term, sign in signs.items()
            ]
            changes = np.column_stack([(one - places).ravel() for one in moved])
            columns = np.linalg.solve(root, changes)
            columns -= free @ (free.T @ columns)
            spread = np.linalg.inv(columns.T @ columns)
            shown = 1.0 / np.sqrt(np.diag(spread))
            if len(terms) == 1:
                powers.append([norm.sf(norm.isf(0.5 * level) - shown[0]) for level in levels])
                continue
            together = np.linalg.cholesky(spread * np.outer(shown, shown))
            pulls = shown + rng.standard_normal((4000, len(terms))) @ together.T
            powers.append([(pulls > norm.isf(0.5 * level)).all(axis=1).mean() for level in levels])
    alone, shared = np.mean(powers, axis=0)
    return float(alone), float(shared)


def signs_of(rng: np.random.Generator, terms: tuple[str, ...], where: str) -> dict[str, float]:
    """Signs at random."""
    signs = {term: float(rng.choice([-1.0, 1.0])) for term in terms}
    if "diamond" in terms and "sway" in terms:
        # Else the turn that is sway takes the difference of the sides away again.
        signs["diamond"] = -signs["sway"] * (1.0 if where == "front" else -1.0)
    return signs


def tally(
    name: str,
    terms: tuple[str, ...],
    amount_mm: float,
    vehicles: int,
    zone: str | None = None,
    scatter_mm: float = BUILD_MM,
    stated_mm: float | None = None,
) -> Tally:
    """Measure invented vehicles with these terms planted, signs and zone at random.

    ``stated_mm`` : ``build_sd_mm`` of job.toml.
    """
    rng = np.random.default_rng(hash_of(name))
    covariances = _covariances()
    places = np.array([point.position_mm for point in sheet().points])
    counts = Tally(name)
    if terms:
        counts.bound, counts.shared = bounds(terms, amount_mm, zone, scatter_mm)
    for _ in range(vehicles):
        where = zone or str(rng.choice(["front", "rear"]))
        signs = signs_of(rng, terms, where)
        planted = {term: sign * amount_mm for term, sign in signs.items()}
        if where == "centre":
            moved, truth = plant_centre(places, planted), planted
        else:
            moved = plant(places, where, planted)
            truth = truth_of(moved, where)
        table = measured(rng, moved, covariances[rng.integers(len(covariances))], scatter_mm)
        found = find_damage(table, sheet(), stated_mm)
        assert found is not None
        shown = {(z.zone, t.term): t for z in found.zones for t in z.terms if t.shown}
        wanted = {(where, term) for term in terms}
        if where == "centre":
            # What the ends do with it is no false alarm.
            shown = {key: term for key, term in shown.items() if key[0] == "centre"}
        right = all(key in shown and shown[key].far_mm * signs[key[1]] > 0.0 for key in wanted)
        own = {t.term: t for z in found.zones if z.zone == where for t in z.terms}
        counts.vehicles += 1
        counts.named += right
        counts.extra += bool(set(shown) - wanted)
        counts.local += bool(found.local)
        counts.either += bool(set(shown) - wanted or found.local)
        counts.amounts += len(terms)
        counts.inside += sum(
            abs(own[term].far_mm - truth[term]) <= own[term].U_far_mm for term in terms
        )
    return counts


def hash_of(name: str) -> int:
    """A seed from a name, the same in every run."""
    return int.from_bytes(hashlib.sha256(f"{DRAWN}: {name}".encode()).digest()[:4], "big")


@functools.cache
def _covariances() -> list[Array]:
    return jobs()


Row = tuple[str, tuple[str, ...], float, int, str | None, float, float | None]


def rows(vehicles: int) -> list[Row]:
    """What the table holds, as ``tally`` takes it; four times as many sound vehicles."""
    listed: list[Row] = []
    for scatter in (0.2, BUILD_MM, 0.7, 1.0):
        name = f"sound, built to {scatter:g} mm"
        listed.append((name, (), 0.0, 4 * vehicles, None, scatter, None))
    # What a shop gets that knows its vehicles better.
    listed.append(("sound, 0.2 mm stated", (), 0.0, 4 * vehicles, None, 0.2, 0.2))
    for terms in [(term,) for term in TERMS] + [TERMS]:
        name = terms[0] if len(terms) == 1 else "all five"
        listed.append((f"{name}, 3 mm, 0.2 mm stated", terms, 3.0, vehicles, None, 0.2, 0.2))
    for amount in AMOUNTS_MM:
        for term in TERMS:
            listed.append(
                (f"{term} {amount:g} mm", (term,), amount, vehicles, None, BUILD_MM, None)
            )
    pairs = list(itertools.combinations(TERMS, 2))
    for amount in AMOUNTS_MM:
        for pair in pairs:
            name = f"{' + '.join(pair)} {amount:g} mm"
            listed.append((name, pair, amount, -(-vehicles // len(pairs)), None, BUILD_MM, None))
        listed.append((f"all five {amount:g} mm", TERMS, amount, vehicles, None, BUILD_MM, None))
    for amount in AMOUNTS_MM:
        for term in ("twist", "diamond"):
            name = f"centre, {term} {amount:g} mm"
            listed.append((name, (term,), amount, vehicles, "centre", BUILD_MM, None))
    return listed


def main() -> None:
    vehicles = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    wanted = rows(vehicles)
    with ProcessPoolExecutor(workers) as pool:
        done = list(pool.map(tally, *zip(*wanted, strict=True)))
    print(
        f"{'planted':34} {'cars':>5} {'named':>6} {'others':>6} {'in U':>6} {'points':>6} "
        f"{'either':>6} {'bound':>6} {'shared':>6}   (%)"
    )
    together: dict[float, Tally] = {}
    for row, counts in zip(wanted, done, strict=True):
        if len(row[1]) != 2:
            print(counts.line())
            continue
        pair = together.setdefault(row[2], Tally(f"two of the five {row[2]:g} mm"))
        for field in ("vehicles", "named", "extra", "amounts", "inside", "local", "either"):
            setattr(pair, field, getattr(pair, field) + getattr(counts, field))
        # Every pair has as many vehicles.
        pair.bound = np.nansum([pair.bound, 0.1 * counts.bound])
        pair.shared = np.nansum([pair.shared, 0.1 * counts.shared])
    for pair in together.values():
        print(pair.line())


if __name__ == "__main__":
    main()
