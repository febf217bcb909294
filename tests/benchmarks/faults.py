"""Faults of the shop, simulated: ``faults.py NAME|sound|all [CASES [FIRST]]``.

Each case invents a job (``tests.fault_cases``) with one thing wrong, solves it from its sightings
and asks whether a finding of the right kind names the card, bar or photo to blame; what it did to
the other points; and whether a point to blame kept a verdict unwarned (silent error). ``sound``
counts findings of the kinds below in jobs without fault. A line per case goes to standard output,
the sums last. No photo is rendered.
"""

import os
import sys
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from calib.frames import Array
from pipeline.result import Result
from pipeline.solve import solve_sightings
from targets.errors import UserError
from tests.fault_cases import Draft, draft, move, photographed

PHOTOS, COLUMNS = 16, 4
KINDS = {
    "card-moved", "card-doubled", "bar-moved", "car-moved", "zoom-changed", "photo-astray",
    "cards-swapped", "card-on-wrong-point", "sides-exchanged", "stem-doubtful", "card-bent",
    "points-unclear", "bars-disagree", "print-odd", "bar-length-odd", "photo-left-out",
    "card-twice", "start-not-reproduced",
}  # fmt: skip


@dataclass(frozen=True)
class Blame:
    """Which codes tell the fault, words of which one must be named, and cards whose points it hits.

    Attributes
    ----------
    codes : any of these will do.
    subjects : one of these must be in the subject or text of the finding.
    cards : whose own points may be off; the others may not.
    """

    codes: set[str]
    subjects: list[str]
    cards: set[int]


Fault = Callable[[Draft], Blame]


def _shift(made: Draft, size_mm: float) -> Array:
    v = made.rng.standard_normal(3)
    return np.concatenate([np.zeros(3), size_mm * v / np.linalg.norm(v)])


def _late(made: Draft) -> range:
    """Photos from somewhere in the middle on."""
    return range(int(made.rng.integers(4, len(made.headers) - 3)), len(made.headers))


def moved_card(size_mm: float) -> Fault:
    def fault(made: Draft) -> Blame:
        card = int(made.rng.choice([r.card for r in made.job.cards]))
        move(made, [card], _late(made), _shift(made, size_mm))
        return Blame({"card-moved", "card-doubled"}, [f"card {card}"], {card})

    return fault


def fallen_card(made: Draft) -> Blame:
    """A card lies half a metre away, turned, in the last few photos."""
    card = int(made.rng.choice([r.card for r in made.job.cards]))
    motion = np.concatenate([made.rng.uniform(-1, 1, 3), made.rng.uniform(-400, 400, 3)])
    motion[:2] *= 0.2
    move(
        made,
        [card],
        range(len(made.headers) - int(made.rng.integers(2, 6)), len(made.headers)),
        motion,
    )
    return Blame({"card-moved", "card-doubled"}, [f"card {card}"], {card})


def doubled_number(made: Draft) -> Blame:
    """Another card with the number of one on a point hangs where a tie was; at times both show."""
    card = int(made.rng.choice([r.card for r in made.job.cards]))
    bars = {c for bar in made.job.bars for c in bar.cards}
    ties = [
        c for c in made.scene.cards if c not in bars and c not in {r.card for r in made.job.cards}
    ]
    tie = int(made.rng.choice(ties))
    for photo in range(len(made.headers)):
        if made.rng.uniform() < 0.4:
            dots = made.dots_mm[photo]
            dots[made.index(card)] = dots[made.index(tie)]
        made.hidden |= {(photo, tie, k) for k in range(4)}
    return Blame({"card-doubled", "card-moved", "card-twice"}, [f"card {card}"], {card})


def bumped_bar(size_mm: float) -> Fault:
    def fault(made: Draft) -> Blame:
        bar = made.job.bars[int(made.rng.integers(2))].cards
        move(made, bar, _late(made), _shift(made, size_mm))
        return Blame({"bar-moved"}, [f"bar {bar[0]}-{bar[1]}"], set())

    return fault


def swung_bar(made: Draft) -> Blame:
    """A bar turns about its first card by a few millimetres at the other end."""
    bar = made.job.bars[int(made.rng.integers(2))].cards
    move(made, [bar[1]], _late(made), _shift(made, float(made.rng.uniform(2, 8))))
    return Blame({"bar-moved"}, [f"bar {bar[0]}-{bar[1]}"], set())


def turned_bar_card(made: Draft) -> Blame:
    bar = made.job.bars[0].cards
    move(made, [bar[0]], _late(made), np.array([0, 0, made.rng.uniform(0.1, 0.6), 0, 0, 0]))
    return Blame({"bar-moved"}, [f"bar {bar[0]}-{bar[1]}"], set())


def rolled_car(made: Draft) -> Blame:
    """All cards but the bars' and ties' (on the floor) move together."""
    cards = [r.card for r in made.job.cards]
    motion = _shift(made, float(made.rng.uniform(2, 15)))
    motion[:3] = 0.001 * made.rng.standard_normal(3)
    move(made, cards, _late(made), motion)
    return Blame({"car-moved"}, [""], set(cards))


def swapped_sides(made: Draft) -> Blame:
    rows = list(made.job.cards)
    name = str(made.rng.choice([r.point for r in rows]))
    i, k = (n for n, r in enumerate(rows) if r.point == name)
    rows[i], rows[k] = replace(rows[i], card=rows[k].card), replace(rows[k], card=rows[i].card)
    made.job = replace(made.job, cards=tuple(rows))
    return Blame({"cards-swapped"}, [f"{rows[i].card}"], {rows[i].card, rows[k].card})


def wrong_point(made: Draft) -> Blame:
    """A card stands for a point that has no card, next to its own."""
    rows = list(made.job.cards)
    i, k = made.rng.permutation(len(rows))[:2]
    taken = rows[k]
    rows[i] = replace(rows[i], point=taken.point, side=taken.side)
    holes = np.delete(made.holes_mm, k, axis=0)
    del rows[k]
    made.job, made.holes_mm = replace(made.job, cards=tuple(rows)), holes
    card = rows[i - (i > k)].card
    return Blame({"card-on-wrong-point"}, [f"card {card}"], {card})


def exchanged_sides(made: Draft) -> Blame:
    rows = [replace(r, side={"L": "R", "R": "L"}[r.side]) for r in made.job.cards]
    made.job = replace(made.job, cards=tuple(rows))
    return Blame({"sides-exchanged", "points-unclear"}, ["cards.csv"], {r.card for r in rows})


def wrong_stem(made: Draft) -> Blame:
    rows = list(made.job.cards)
    i = int(made.rng.integers(len(rows)))
    other = float(made.rng.choice([s for s in (20.0, 40.0, 60.0) if s != rows[i].stem_mm]))
    rows[i] = replace(rows[i], stem_mm=other)
    made.job = replace(made.job, cards=tuple(rows))
    return Blame({"stem-doubtful", "base-moved"}, [f"card {rows[i].card}"], {rows[i].card})


def zoomed(share: float) -> Fault:
    def fault(made: Draft) -> Blame:
        late = _late(made)
        for photo in late:
            constants = made.cameras[photo].constants.copy()
            constants[:2] *= 1.0 + share
            made.cameras[photo] = replace(made.cameras[photo], constants=constants)
        names = [made.headers[i].name for i in late]
        earlier = [h.name for h in made.headers if h.name not in names]
        codes = {"zoom-changed", "photo-astray", "photo-left-out"}
        return Blame(codes, [*names, *earlier], set())

    return fault


def mistyped_bar(made: Draft) -> Blame:
    """Two digits of one bar exchanged, or one wrong by 10 mm and more."""
    bars = list(made.job.bars)
    k = int(made.rng.integers(2))
    off = float(made.rng.choice([-1, 1]) * made.rng.choice([1, 9, 10, 90, 100]))
    bars[k] = replace(bars[k], length_mm=bars[k].length_mm + off)
    made.job = replace(made.job, bars=tuple(bars))
    return Blame(
        {"bars-disagree", "print-odd", "bar-length-odd"},
        [f"bar {bars[k].cards[0]}-"],
        {r.card for r in made.job.cards},
    )


def only_bar_mistyped(made: Draft) -> Blame:
    bar = made.job.bars[0]
    factor = float(made.rng.choice([0.1, 10.0, 1 / 25.4, 0.9, 1.1]))
    made.job = replace(made.job, bars=(replace(bar, length_mm=bar.length_mm * factor),))
    return Blame({"print-odd", "bar-length-odd"}, [""], {r.card for r in made.job.cards})


def warped_card(made: Draft) -> Blame:
    card = int(made.rng.choice([r.card for r in made.job.cards]))
    i = made.index(card)
    made.dots_mm[:, i, int(made.rng.integers(4)), 2] += float(made.rng.uniform(0.8, 2.5))
    return Blame({"card-bent"}, [f"card {card}"], {card})


def another_car(made: Draft) -> Blame:
    """Four photos show the same numbers on another body."""
    other = draft(int(made.rng.integers(1000, 9999)), PHOTOS, COLUMNS)
    photos = made.rng.permutation(len(made.headers))[:4]
    for photo in photos:
        made.dots_mm[photo] = other.dots_mm[photo]
    names = [made.headers[i].name for i in photos]
    return Blame({"photo-astray", "photo-left-out"}, names, set())


FAULTS: dict[str, Fault] = {
    "moved-card-1mm": moved_card(1.0),
    "moved-card-5mm": moved_card(5.0),
    "moved-card-100mm": moved_card(100.0),
    "fallen-card": fallen_card,
    "doubled-number": doubled_number,
    "bumped-bar-1mm": bumped_bar(1.0),
    "bumped-bar-20mm": bumped_bar(20.0),
    "swung-bar": swung_bar,
    "turned-bar-card": turned_bar_card,
    "rolled-car": rolled_car,
    "swapped-sides": swapped_sides,
    "wrong-point": wrong_point,
    "exchanged-sides": exchanged_sides,
    "wrong-stem": wrong_stem,
    "zoom-0.5%": zoomed(0.005),
    "zoom-3%": zoomed(0.03),
    "zoom-30%": zoomed(0.3),
    "mistyped-bar-of-two": mistyped_bar,
    "only-bar-mistyped": only_bar_mistyped,
    "warped-card": warped_card,
    "another-car": another_car,
}


@dataclass(frozen=True)
class Case:
    """Outcome: whether told; worst error of points with a verdict that are not to blame.

    ``silent_mm`` is the worst of all with a verdict where the fault was not told.
    """

    told: bool
    refused: bool
    worst_other_mm: float
    beyond_U: float
    silent_mm: float
    codes: tuple[str, ...]


def run(name: str, seed: int) -> Case:
    made = draft(seed, PHOTOS, COLUMNS)
    truth = {r.card: h for r, h in zip(made.job.cards, made.holes_mm, strict=True)}
    blame = FAULTS[name](made) if name in FAULTS else Blame(set(), [], set())
    try:
        result = solve_sightings(made.job, photographed(made))
    except UserError as error:
        return Case(False, True, 0.0, 0.0, 0.0, (error.what,))
    told = any(
        f.code in blame.codes
        and f.severity != "note"
        and any(word in f"{f.subject} {f.text}" for word in blame.subjects)
        for f in result.findings
    )
    rows = [r for r in result.deviations.rows if r.verdict in ("within", "out")]
    errors = {r.card: r.position_mm - truth[r.card] for r in rows}
    # A frame that sits a little off because another base point is gone is part of U.
    other = [r for r in rows if r.card not in blame.cards]
    worst = max((float(np.linalg.norm(errors[r.card])) for r in other), default=0.0)
    beyond = max((float((np.abs(errors[r.card]) / r.U_mm).max()) for r in other), default=0.0)
    every = max((float(np.linalg.norm(e)) for e in errors.values()), default=0.0)
    return Case(told, False, worst, beyond, 0.0 if told else every, _codes(result))


def _codes(result: Result) -> tuple[str, ...]:
    return tuple(sorted({f.code for f in result.findings if f.severity != "note"} & KINDS))


def main() -> None:
    name = sys.argv[1] if len(sys.argv) > 1 else "sound"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    for one in FAULTS if name == "all" else [name]:
        began = time.time()
        cases = []
        for seed in range(first, first + count):
            cases.append(run(one, seed))
            c = cases[-1]
            print(f"  {one} {seed} told {c.told} other {c.worst_other_mm:.2f} mm "
                  f"({c.beyond_U:.1f} U) silent {c.silent_mm:.2f} {' '.join(c.codes)}",
                  flush=True)  # fmt: skip
        told, alarms = sum(c.told for c in cases), sum(bool(c.codes) for c in cases)
        print(
            f"| {one} | {told} of {count} | {sum(c.refused for c in cases)} | "
            f"{max(c.worst_other_mm for c in cases):.2f} "
            f"({max(c.beyond_U for c in cases):.1f} U) | "
            f"{max(c.silent_mm for c in cases):.2f} | with findings {alarms} | "
            f"{time.time() - began:.0f} s |",
            flush=True,
        )


if __name__ == "__main__":
    main()
