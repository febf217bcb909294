"""Where the photos were taken from: from one place, without roll, from all sides."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from calib.frames import Array, Pose
from pipeline.faults.diagnose import network_findings
from pipeline.results.result import Result
from pipeline.solve import solve_sightings
from pipeline.summary import exit_code, summary_lines
from tests.fault_cases import Draft, draft, photographed
from tests.scene import looking, solution_of

CODE = "photos-from-one-place"


def from_near(seed: int, within_mm: float) -> Draft:
    """A job whose 12 photos were all taken from below its middle, give or take ``within_mm``."""
    made = draft(seed, photos=12, columns=4)
    rng = np.random.default_rng(seed)
    poses = []
    for i in range(12):
        place = np.array([0.0, 0.0, -1900.0]) + rng.uniform(-within_mm, within_mm, 3)
        aim = np.append(rng.uniform(-300.0, 300.0, 2), 100.0)
        poses.append(looking(place, aim, (0.0, 90.0, -90.0)[i % 3]))
    made.scene = replace(made.scene, camera_from_vehicle=tuple(poses))
    return made


def without_roll(made: Draft) -> Draft:
    """The same stations and directions, the phone always held level."""
    level = []
    for pose in made.scene.camera_from_vehicle:
        place = pose.inverse().translation
        level.append(looking(place, place + 1000.0 * pose.rotation[2], 0.0))
    made.scene = replace(made.scene, camera_from_vehicle=tuple(level))
    return made


def solved(made: Draft) -> Result:
    return solve_sightings(made.job, photographed(made))


def severities(result: Result) -> list[str]:
    return [f.severity for f in result.findings if f.code == CODE]


def off_by_U(made: Draft, result: Result) -> Array:
    """Largest error of each point on any axis, as a share of its U."""
    truth = {row.card: hole for row, hole in zip(made.job.cards, made.holes_mm, strict=True)}
    return np.array(
        [np.abs((r.position_mm - truth[r.card]) / r.U_mm).max() for r in result.deviations.rows]
    )


def test_the_angle_between_views_by_hand() -> None:
    """From 1 m below and from 1 m to the side: a right angle; from 1 m and from 2 m below: none."""
    below, beside, lower = (
        Pose(np.eye(3), -np.array(place))
        for place in ([0.0, 0.0, -1000.0], [1000.0, 0.0, 0.0], [0.0, 0.0, -2000.0])
    )
    dots = np.array([[[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]] * 2)
    one = solution_of((1, 2), dots, np.eye(24))
    three = replace(
        one,
        photos=("a.jpg", "b.jpg", "c.jpg"),
        camera_from_network=(below, beside, lower),
        sighting_photo=np.array([0, 1, 0, 2]),
        sighting_card=np.array([0, 0, 1, 1]),
    )
    np.testing.assert_allclose(three.views_apart_rad, [np.pi / 2, 0.0], atol=1e-12)
    np.testing.assert_allclose(one.views_apart_rad, [0.0, 0.0])


def test_photos_from_one_place_give_no_verdict() -> None:
    """Within 2 cm: a card's tilt may come out the wrong way, and U knows nothing of it."""
    result = solved(from_near(1, 20.0))
    assert severities(result) == ["fault"]
    assert {row.verdict for row in result.deviations.rows} == {"undecided"}
    assert exit_code(result) == 1
    lines = summary_lines(result, Path("report.html"))
    assert any("all photos were taken from nearly one place" in line for line in lines)
    assert not any("because U is large against the tolerance" in line for line in lines)


@pytest.mark.parametrize(("within_mm", "told"), [(120.0, ["warning"]), (600.0, [])])
def test_from_a_few_steps_verdicts_are_given(within_mm: float, told: list[str]) -> None:
    made = from_near(2, within_mm)
    result = solved(made)
    assert severities(result) == told
    assert any(row.verdict == "within" for row in result.deviations.rows)
    assert off_by_U(made, result).max() < 2.0  # four standard deviations


def test_without_roll_the_camera_is_less_sure_and_U_holds() -> None:
    """The principal point and where the photos stand go together unless the phone is turned."""
    turned, level = draft(1, photos=12, columns=4), without_roll(draft(1, photos=12, columns=4))
    results = [solved(turned), solved(level)]
    sure, unsure = (r.solution.groups[0].sd_constants[2:4] for r in results)
    assert (unsure > 2.0 * sure).all()
    assert off_by_U(level, results[1]).max() < 2.0
    assert severities(results[1]) == []


def test_a_camera_that_the_photos_hardly_determine_is_named() -> None:
    """A focal length to 1 % and a principal point to 20 px of 4000, against 0.3 % and 0.4 %."""
    result = solved(draft(1, photos=12, columns=4))
    settled: Any = SimpleNamespace(
        adjusted=SimpleNamespace(converged=True), reproduced=float("nan")
    )
    assert network_findings(settled, result.solution) == []
    (group,) = result.solution.groups
    weak = replace(group, sd_constants=np.array([30.0, 30, 20, 20, 0, 0, 0, 0, 0]))
    (finding,) = network_findings(settled, replace(result.solution, groups=(weak,)))
    assert finding.code == "camera-weak"
    assert "focal length to 30 px, principal point to 20 px" in finding.text
