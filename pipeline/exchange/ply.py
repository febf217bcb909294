"""Holes and cards as an ASCII PLY file (1.0), with normals and colours by deviation.

The colours are a scale of our own: pale to mid blue up to the tolerance, orange to dark brown
beyond it. Lightness falls all the way, so that the order is seen without any sense of colour, and
blue against orange is the pair that people with any colour blindness tell apart (Okabe and Ito,
Color Universal Design, 2008, from memory).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from calib.frames import Array
from pipeline.datum.deviation import AXES, Verdict
from pipeline.ply import COLOUR, PLACE, numbered, ply_document
from pipeline.sessions.measured import Measured
from targets.atomic import write_text

KINDS = ("hole", "card")
"""What the vertices stand for, by the number in their ``kind``."""

VERDICTS: tuple[Verdict, ...] = ("within", "undecided", "out", "no reference")
"""By the number in ``verdict``; a card has that of its point, or none."""

COLOUR_STOPS = (
    (0.0, (218, 234, 246)),
    (0.5, (143, 188, 220)),
    (1.0, (84, 138, 190)),
    (1.0, (206, 98, 32)),
    (2.0, (152, 58, 12)),
    (4.0, (86, 26, 6)),
)
"""Deviation as a multiple of the tolerance, and its colour (red, green, blue)."""

NO_DEVIATION_RGB = (110, 116, 124)


def deviation_colours(multiples: Array) -> np.ndarray:
    """Colours (N, 3) uint8 of deviations (N,) given as multiples of the tolerance, nan for none.

    >>> deviation_colours(np.array([0.0, 1.0, 9.0, np.nan])).tolist()
    [[218, 234, 246], [84, 138, 190], [86, 26, 6], [110, 116, 124]]
    """
    within = COLOUR_STOPS[:3]
    beyond = COLOUR_STOPS[3:]
    colours = np.empty((len(multiples), 3))
    for stops, here in ((within, multiples <= 1.0), (beyond, multiples > 1.0)):
        places = [place for place, _ in stops]
        for channel in range(3):
            colours[here, channel] = np.interp(
                multiples[here], places, [rgb[channel] for _, rgb in stops]
            )
    colours[np.isnan(multiples)] = NO_DEVIATION_RGB
    return np.asarray(colours.round(), dtype=np.uint8)


def ply_text(measured: Measured) -> str:
    """The file: holes of the reference points, then all cards, mm in the frame of the result.

    A vertex is coloured by the largest of its three deviations. The deviation itself stands beside
    it, zero where there is none (``verdict`` says so: many readers do not know nan).
    """
    normal_of = {card.card: card.normal for card in measured.cards}
    point_of = {row.card: row for row in measured.points}
    vertices = [
        # A hole has the direction of the card that stood for it.
        *((0, row.position_mm, normal_of[row.card], row.card) for row in measured.points),
        *((1, card.centre_mm, card.normal, card.card) for card in measured.cards),
    ]
    deviations = np.full((len(vertices), 3), np.nan)
    multiples = np.full(len(vertices), np.nan)
    verdicts = []
    for i, (_, _, _, card) in enumerate(vertices):
        row = point_of.get(card)
        verdicts.append(VERDICTS.index(row.verdict if row else "no reference"))
        if row:
            deviations[i] = row.deviation_mm
            multiples[i] = np.abs(row.deviation_mm).max() / row.tol_mm
    colours = deviation_colours(multiples)
    lines = [
        " ".join(
            [
                *(f"{v:.6f}" for v in place),
                *(f"{n:.9f}" for n in normal),
                *(str(c) for c in colours[i]),
                str(kind),
                str(verdicts[i]),
                str(card),
                *(f"{d:.6f}" for d in np.nan_to_num(deviations[i])),
            ]
        )
        for i, (kind, place, normal, card) in enumerate(vertices)
    ]
    frame = (
        "vehicle frame: x length + forward, y width + left, z height + up"
        if measured.vehicle_from_network
        else "network frame: arbitrary position and direction"
    )
    return ply_document(
        [
            frame,
            f"kind: {numbered(KINDS)}",
            f"verdict: {numbered(VERDICTS)}",
            "colour: largest deviation, blue up to the tolerance, orange beyond it, "
            f"darkest at {COLOUR_STOPS[-1][0]:g} times the tolerance; grey: no reference",
        ],
        [
            PLACE,
            ("uchar", (*COLOUR, "kind", "verdict")),
            ("int", ("card",)),
            ("double", [f"deviation_{axis}" for axis in AXES]),
        ],
        lines,
    )


def write_ply(measured: Measured, path: Path) -> None:
    """Write ``ply_text`` to a file.

    Raises
    ------
    UserError : the file cannot be written.
    """
    write_text(path, ply_text(measured))
