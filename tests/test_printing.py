"""The printer's scale and cards that are not flat, of invented cards whose print is known."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib.frames import Array
from pipeline.adjustment.cameras import PhotoGroup
from pipeline.adjustment.job_network import LAYOUT_SD_MM, solution_of
from pipeline.adjustment.network import CameraGuess, NetworkFound, find_network
from pipeline.adjustment.printing import (
    CardShape,
    PrintScale,
    applied_scale,
    card_shapes,
    print_scale,
)
from pipeline.adjustment.solution import Solution
from pipeline.faults.diagnose import print_findings
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text
from pipeline.summary import summary_lines
from targets.bar import Bar
from tests.report_case import invented
from tests.scene import Scene, apply_bars, layout_of, make_scene

STEEL = 11.5e-6
CONSTANTS_SD = np.array([10.0, 10.0, 5.0, 5.0, 0.05, 0.05, 1e-3, 1e-3, 0.05])


def _measured(
    seed: int,
    printed: tuple[float, float] = (1.0, 1.0),
    warped_mm: Mapping[int, Array] | None = None,
    bar_factor: float = 1.0,
    sd_mm: tuple[float, float, float] = (0.03, 0.03, 0.15),
) -> tuple[Scene, NetworkFound, Solution, Solution]:
    """A scene adjusted and scaled by two bars, each known to 0.05 mm (one standard deviation)."""
    scene = make_scene(seed, print_scale=printed, print_sd_mm=sd_mm, warped_mm=warped_mm)
    guess = CameraGuess(scene.camera, np.diag(CONSTANTS_SD**-2))
    group = PhotoGroup("invented", scene.photos, guess, True, "")
    found = find_network(
        scene.sightings,
        [guess],
        dict.fromkeys(scene.photos, 0),
        layout_of(scene),
        LAYOUT_SD_MM,
        np.zeros(6),
    )
    free = solution_of(found, [group])
    rng = np.random.default_rng(seed + 1000)
    centres = scene.dots_mm.mean(axis=1)
    bars = []
    for a, b in ((0, 3), (8, 11)):
        length = float(np.linalg.norm(centres[a] - centres[b])) + 0.05 * rng.standard_normal()
        bars.append(Bar((a, b), bar_factor * length, 0.1, STEEL))
    scaled, _ = apply_bars(free, bars, 20.0, STEEL)
    return scene, found, free, scaled


def test_print_scale_is_the_printers_within_its_uncertainty() -> None:
    """Printed at 96.5 % across and 97.5 % up: 25 scenes, rms of error over u between 0.7 and 1.35.

    Each dot is printed 0.03 mm off, each bar certified 0.05 mm off. A rms of 25 normal numbers lies
    within these bounds but for one time in a hundred on either side (chi-square, 25 degrees:
    11.5 and 44.3; 45.6 for 1.35). Across minus up is -1 % whatever the bars say.
    """
    truth = np.array([0.965, 0.975])
    off = []
    for seed in range(25):
        scene, found, free, scaled = _measured(seed, (0.965, 0.975))
        told = print_scale(found, scaled)
        across_up = (told.scale - truth) / (told.U / 2.0)
        apart = (told.scale @ [1.0, -1.0] + 0.01) / (told.U_difference / 2.0)
        off.append([*across_up, apart])
        assert (np.abs(told.scale - truth) < 0.001).all()
        assert (told.U > 5e-5).all()
        assert (told.U < 5e-4).all()
        # A unit of the network is a printed millimetre: the mean of both scales.
        assert applied_scale(free, scaled) == pytest.approx(0.97, abs=5e-4)
        sound = card_shapes(found, applied_scale(free, scaled))
        assert [shape.card for shape in sound] == list(scene.cards)
    rms = np.sqrt((np.array(off) ** 2).mean(axis=0))
    assert (rms > 0.7).all()
    assert (rms < 1.35).all()


def test_the_print_scale_does_not_depend_on_where_the_network_lies() -> None:
    """A worse bar makes it worse, a farther origin does not change it."""
    _, found, _, scaled = _measured(1, (0.99, 0.99))
    told = print_scale(found, scaled)
    moved = replace(
        found,
        network=replace(
            found.network,
            points=found.network.points + [3000.0, -500.0, 800.0],
            translation=found.network.translation
            - found.network.rotation @ [3000.0, -500.0, 800.0],
        ),
    )
    again = print_scale(moved, scaled)
    np.testing.assert_allclose(again.scale, told.scale, rtol=1e-9)
    np.testing.assert_allclose(again.U, told.U, rtol=1e-4)
    size = scaled.dots_mm.reshape(-1, 3)
    size = (size - size.mean(axis=0)).ravel()
    doubtful = replace(
        scaled, covariance_mm2=scaled.covariance_mm2 + 0.001**2 * np.outer(size, size)
    )
    expected = np.hypot(told.U, 0.002 * told.scale)
    np.testing.assert_allclose(print_scale(found, doubtful).U, expected, rtol=1e-6)
    assert print_scale(found, doubtful).U_difference == pytest.approx(told.U_difference, rel=1e-3)


def test_a_sound_print_is_a_note_and_an_odd_one_a_warning() -> None:
    """97.4 % both ways is harmless; 1.2 % of difference, or a bar mistyped by 5 %, is not."""
    _, found, free, scaled = _measured(2, (0.974, 0.974))
    shapes = card_shapes(found, applied_scale(free, scaled))
    (note,) = print_findings(print_scale(found, scaled), shapes)
    assert (note.code, note.severity) == ("print-scale", "note")
    assert "97.4 % across and 97.4 % up: harmless" in note.text

    _, found, _, scaled = _measured(2, (0.994, 1.006))
    (odd,) = print_findings(print_scale(found, scaled), ())
    assert (odd.code, odd.severity) == ("print-odd", "warning")
    assert "99.4 % across and 100.6 % up" in odd.text
    assert "one way" in odd.text

    _, found, _, scaled = _measured(2, (1.0, 1.0), bar_factor=1.05)
    (odd,) = print_findings(print_scale(found, scaled), ())
    assert odd.code == "print-odd"
    assert "105.0 % across and 105.0 % up" in odd.text
    assert "job.toml" in odd.text
    # Nothing is told of the printer without a bar.
    assert print_findings(None, ()) == []


def test_only_the_warped_card_is_called_bent() -> None:
    """A saddle of 1.2 mm out of the plane, or a stretch of 0.5 mm along one side: this card alone.

    Its figure is what was put in, less the share that the layout's own uncertainty takes.
    """
    saddle = np.zeros((4, 3))
    saddle[:, 2] = [1.2, -1.2, 1.2, -1.2]
    stretched = np.zeros((4, 3))
    stretched[1, 0] = 0.5
    for card, warp, low, high in ((5, saddle, 1.0, 1.4), (7, stretched, 0.2, 0.5)):
        _, found, free, scaled = _measured(3, (0.97, 0.97), {card: warp})
        shapes = card_shapes(found, applied_scale(free, scaled))
        assert [shape.card for shape in shapes if shape.bent] == [card]
        (bent,) = (shape for shape in shapes if shape.bent)
        assert low < bent.off_mm < high
        findings = [f for f in print_findings(None, shapes) if f.code == "card-bent"]
        assert [(f.severity, f.subject) for f in findings] == [("warning", f"card {card}")]
        assert f"{bent.off_mm:.2f} mm off" in findings[0].text


def test_sound_cards_are_hardly_ever_called_bent() -> None:
    """One card in a thousand by chance: of 12 cards in 20 scenes two at most (99.7 %, binomial).

    All the cards printed three times as roughly are a rough printer, not bent cards.
    """
    bent = 0
    for seed in range(20):
        _, found, free, scaled = _measured(100 + seed)
        bent += sum(s.bent for s in card_shapes(found, applied_scale(free, scaled)))
    assert bent <= 2
    _, found, free, scaled = _measured(4, sd_mm=(0.09, 0.09, 0.45))
    rough = card_shapes(found, applied_scale(free, scaled))
    assert not any(shape.bent for shape in rough)
    assert rough[0].critical > 2 * 22.458  # chi-square of 6 degrees at 0.1 %


def test_it_stands_in_the_file_and_in_the_summary(tmp_path: Path) -> None:
    result, _ = invented(tmp_path)
    printed = PrintScale(np.array([0.991, 0.9934]), np.array([2e-4, 3e-4]), 1e-4)
    told = replace(result, print_scale=printed)
    document = json.loads(json_text(result_document(told)))
    assert document["print_scale"] == {
        "across": 0.991,
        "up": 0.9934,
        "U_across": 0.0002,
        "U_up": 0.0003,
    }
    assert json.loads(json_text(result_document(result)))["print_scale"] is None
    (line,) = (s for s in summary_lines(told, tmp_path) if s.startswith("Print"))
    assert "99.1 % of nominal across, 99.3 % up" in line
    assert not any(s.startswith("Print") for s in summary_lines(result, tmp_path))


def test_bent_is_beyond_the_critical_value() -> None:
    assert CardShape(1, 0.5, 22.5, 22.458).bent
    assert not CardShape(1, 0.5, 22.4, 22.458).bent
