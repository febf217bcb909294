"""From sightings to an adjusted network: start, adjust, locate more, test, until it stands."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calib.camera import Camera
from calib.frames import Array, Pose
from capture.sightings import Sighting
from pipeline.adjustment.adjust import Adjusted, adjust
from pipeline.adjustment.bundle import Network, Observations, Priors, residuals_px
from pipeline.adjustment.covariance import Precision, outlier_statistics, precision
from pipeline.adjustment.layout import Layout, best_rotations
from pipeline.adjustment.lens_terms import LensTerms, choose_terms
from pipeline.adjustment.start import Start, View, locate_more, prepare_views, start_network
from targets.errors import UserError

_ROBUST = 3.0
"""Scale of the Cauchy loss while the network grows, in standard deviations."""
_FLOOR_PX = 0.015
"""Standard deviation of what the model of lens and photo leaves out, added to every dot's."""
_GROSS_PX = 6.0
"""A sighting this far from its predicted place, beyond its own scatter, is another thing."""
_ROUNDS = 8
_ASSUMED_WORTH = 0.25
"""Of how many determined estimates the assumed spread of drifts and shifts is worth."""
_ROUNDING = 1e-9
"""Variances may come out below nought by so much of the largest one."""
_ROUGH_GAIN = 1e-4
"""Relative gain at which an adjustment stops whose outcome is only a step on the way."""


@dataclass(frozen=True)
class CameraGuess:
    """Camera constants before the adjustment.

    Attributes
    ----------
    camera : starting constants.
    information : (9, 9) inverse covariance of them.
    in_question : (9,) those, nought in ``camera``, that are held near it unless the photos ask for
        them (``pipeline.adjustment.lens_terms``).
    """

    camera: Camera
    information: Array
    in_question: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(9, dtype=bool))


@dataclass(frozen=True)
class NetworkFound:
    """An adjusted network and which dots made it.

    Attributes
    ----------
    photos, cards : names and ids, the order of the network's photos and (four each) points.
    network : the unknowns; points are millimetres of the printed cards.
    observations, priors : what was adjusted.
    adjusted : outcome.
    sighting, dot : (N,) index into the sightings and dot number of each observation.
    rejected : (card, photo, dot) of dots dropped by the outlier test.
    found : precision at the optimum.
    reproduced : difference of the card centres, rms in mm, between the optimum and the one grown
        from an independent pair of photos; nan where no second start existed.
    terms : which terms of distortion each camera was given, (G,).
    """

    photos: tuple[str, ...]
    cards: tuple[int, ...]
    network: Network
    observations: Observations
    priors: Priors
    adjusted: Adjusted
    sighting: NDArray[np.intp]
    dot: NDArray[np.intp]
    rejected: tuple[tuple[int, str, int], ...]
    found: Precision
    reproduced: float
    terms: tuple[LensTerms, ...] = ()

    @property
    def camera_root_mm(self) -> Array:
        """(12 C, k) r; r r^T is what the unknown camera constants add to the dots' covariance."""
        return np.asarray(np.sqrt(self.found.stated_factor) * self.found.camera_root)


def find_network(
    sightings: Sequence[Sighting],
    guesses: Sequence[CameraGuess],
    group_of_photo: Mapping[str, int],
    layout_mm: Mapping[int, Array],
    layout_sd_mm: Array,
    drift_sd: Array,
    shift_sd_px: float = 0.0,
    seed_card: int | None = None,
    resume: NetworkFound | None = None,
    own_sd_mm: Mapping[int, Array] | None = None,
    print_scale: Array | None = None,
) -> NetworkFound:
    """Adjust all sightings that hang together.

    Parameters
    ----------
    guesses : starting constants of each camera group.
    group_of_photo : photo name to group.
    layout_mm : (4, 2) dots of each card.
    layout_sd_mm : (3,) how well a printed card of 80 mm keeps its layout in x, y and z.
    drift_sd : (6,) where the estimate of the drift's spread begins, see
        ``pipeline.adjustment.bundle``.
    shift_sd_px : where that of the principal points' shifts begins; 0 for a lens that stays put.
    seed_card : start only from this card (to test that the optimum does not depend on it).
    resume : an earlier network of the same photos to start from, when sightings were added.
    own_sd_mm : (3,) of those cards that do not keep their layout as ``layout_sd_mm`` says.
    print_scale : (2,) of the cards, where the start is known to need another than 1.

    Raises
    ------
    UserError : the sightings do not hang together anywhere.
    """
    if resume:
        cameras = [
            replace(g.camera, constants=c)
            for g, c in zip(guesses, resume.network.constants, strict=True)
        ]
        print_scale = resume.network.print_scale
        starts = [_start_of(resume.photos, resume.cards, resume.network, layout_mm)]
    else:
        cameras = [g.camera for g in guesses]
        print_scale = np.ones(2) if print_scale is None else print_scale
        printed_mm = {c: own * print_scale for c, own in layout_mm.items()}
        starts = _starts(sightings, cameras, group_of_photo, printed_mm, seed_card)
    grown: list[_Growing] = []
    for start in starts:
        growing = _Growing(
            sightings,
            guesses,
            cameras,
            group_of_photo,
            layout_mm,
            layout_sd_mm,
            own_sd_mm or {},
            print_scale,
        )
        grown.append(growing.grow(start))
    grown.sort(key=lambda g: -len(g.observations.px))
    best = grown[0]
    try:
        found = best.settle(drift_sd, shift_sd_px)
    except np.linalg.LinAlgError as error:
        raise _contradiction() from error
    reproduced = resume.reproduced if resume else float("nan")
    if len(grown) > 1:
        reproduced = _difference_mm(best, grown[1])
    return NetworkFound(
        photos=tuple(best.photos),
        cards=tuple(best.cards),
        network=best.adjusted.network,
        observations=best.observations,
        priors=best.priors,
        adjusted=best.adjusted,
        sighting=best.sighting,
        dot=best.dot,
        rejected=tuple(best.rejected),
        found=found,
        reproduced=reproduced,
        terms=best.terms,
    )


def _contradiction() -> UserError:
    return UserError(
        "the photos contradict each other so much that nothing can be measured",
        "photos",
        "take them again in one go at 1x, with nothing moving, and no photo of another car",
    )


def _starts(
    sightings: Sequence[Sighting],
    cameras: Sequence[Camera],
    group_of_photo: Mapping[str, int],
    layout_mm: Mapping[int, Array],
    seed_card: int | None,
) -> list[Start]:
    camera_of_photo = {p: cameras[g] for p, g in group_of_photo.items()}
    starts = start_network(prepare_views(sightings, camera_of_photo, layout_mm), seed_card)
    if not starts:
        raise UserError(
            "no two photos show enough of the same cards to start from",
            "photos",
            "take photos that share at least three cards with their neighbours, use the original "
            "files, and check that the cards were not printed stretched",
        )
    return starts


class _Growing:
    """A network while it grows: arrays over the photos and cards located so far."""

    network: Network
    observations: Observations
    priors: Priors
    adjusted: Adjusted
    sighting: NDArray[np.intp]
    dot: NDArray[np.intp]
    terms: tuple[LensTerms, ...] = ()

    def __init__(
        self,
        sightings: Sequence[Sighting],
        guesses: Sequence[CameraGuess],
        cameras: Sequence[Camera],
        group_of_photo: Mapping[str, int],
        layout_mm: Mapping[int, Array],
        layout_sd_mm: Array,
        own_sd_mm: Mapping[int, Array],
        print_scale: Array,
    ) -> None:
        self.sightings = sightings
        self.guesses = guesses
        self.group_of_photo = group_of_photo
        self.layout_mm = layout_mm
        self.layout_sd_mm = layout_sd_mm
        self.own_sd_mm = own_sd_mm
        self.print_scale = print_scale
        self.constants = np.array([c.constants for c in cameras])
        self.rejected: list[tuple[int, str, int]] = []
        self._usable = np.array([s.measured for s in sightings], dtype=bool).reshape(-1, 4)
        """(S, 4) dots that are measured and not rejected."""
        self.photos: list[str] = []
        self.cards: list[int] = []
        self._what: tuple[list[str], list[int], list[int], list[int]] | None = None
        """Photos, cards and dots that were adjusted last while growing."""

    def grow(self, start: Start) -> _Growing:
        """Adjust, locate what has become clear, and again, until nothing is added."""
        for _ in range(_ROUNDS):
            size = start.size
            self._improve(start)
            start = locate_more(self._open_views(), self._as_start())
            if start.size == size:
                break
        # Once more from better places: what lay grossly off before may be in place now.
        self._improve(start)
        return self

    def _improve(self, start: Start) -> None:
        """A robust adjustment from the places of a start, unless it was one of the same dots."""
        before = self._what
        self._arrange(self._supported(start))
        self._what = (self.photos, self.cards, self.sighting.tolist(), self.dot.tolist())
        if self._what == before:
            self.network = self.adjusted.network
            return
        self.adjusted = adjust(
            self.network, self.observations, self.priors, _ROBUST, 25, _ROUGH_GAIN
        )
        self.network = self.adjusted.network
        self.constants = self.network.constants
        self.print_scale = self.network.print_scale

    def settle(self, drift_sd: Array, shift_sd_px: float) -> Precision:
        """Least squares, dots that contradict it taken out one per sighting and round.

        Gross errors go first, at a robust optimum where they cannot hide each other. Good dots
        have larger residuals there than the test allows for, so it is then repeated at the plain
        one, where it drops the one in a thousand that it says.
        """
        self.priors = replace(self.priors, drift_sd=drift_sd, shift_sd_px=shift_sd_px)
        begun = self.priors
        steps = 20
        for robust, times in ((4.0, 3.0), (np.inf, 1.0)):
            for _ in range(_ROUNDS):
                self.adjusted = adjust(
                    self.network, self.observations, self.priors, robust, steps, _ROUGH_GAIN
                )
                self.network = self.adjusted.network
                # From here on few dots go and spreads change a little: what a step leaves of that
                # is far less than what the tests tell apart.
                steps = 1
                found = precision(self.network, self.observations, self.priors)
                before = self.priors
                self.priors = _unsteadiness(self.network, found, before, begun)
                statistic, critical = outlier_statistics(found)
                worst = _worst_of_each(self.sighting, statistic) & (statistic > times * critical)
                if worst.any():
                    self._reject(worst)
                elif _settled(before, self.priors):
                    break
        self._leave_out_terms(found)
        self.adjusted = adjust(self.network, self.observations, self.priors)
        self.network = self.adjusted.network
        found = precision(self.network, self.observations, self.priors)
        variances = np.diag(found.points)
        if not variances.min() > -_ROUNDING * variances.max():
            raise np.linalg.LinAlgError("what is left does not determine every card")
        return found

    def _leave_out_terms(self, found: Precision) -> None:
        """Terms of distortion that the photos do not ask for are held near nought from here on."""
        groups = len(self.guesses)
        dots = np.bincount(self.network.group[self.observations.photo], minlength=groups)
        self.terms = tuple(
            choose_terms(
                self.network.constants[g],
                found.constants[g],
                found.variance_factor,
                2 * int(dots[g]),
                self.guesses[g].in_question,
            )
            for g in range(groups)
        )
        added = np.array([np.diag(terms.information) for terms in self.terms])
        self.priors = replace(self.priors, information=self.priors.information + added)

    def _reject(self, dropped: NDArray[np.bool_]) -> None:
        """Take observations out; photos and cards that then hang by a thread go, too."""
        for i, dot in zip(self.sighting[dropped], self.dot[dropped], strict=True):
            seen = self.sightings[i]
            self.rejected.append((seen.card, seen.photo, int(dot)))
            self._usable[i, dot] = False
        self._keep(~dropped)
        before = self._as_start()
        start = self._supported_by_kept(before)
        if start.size == before.size:
            return
        priors = self.priors
        self.constants = self.network.constants
        self.print_scale = self.network.print_scale
        self._arrange(start)
        self.priors = replace(self.priors, drift_sd=priors.drift_sd, shift_sd_px=priors.shift_sd_px)

    def _supported(self, start: Start) -> Start:
        """The start without photos that show less than two cards, or cards in less than two photos.

        A sighting counts with two measured dots or more. Two dots alone, the same in all photos,
        leave a card free to turn about their line, so a card needs three.
        """
        return _supported_by(self.sightings, self._usable, start)

    def _arrange(self, start: Start) -> None:
        """Arrays for the photos and cards of a start; gross misfits left out.

        So is what hangs by a thread without them.
        """
        while True:
            if not start.cards:
                raise _contradiction()
            self._lay_out(start)
            kept = self._supported_by_kept(start)
            if kept.size == start.size:
                break
            start = kept

    def _supported_by_kept(self, start: Start) -> Start:
        """The start without what the dots that take part hardly hold."""
        kept = np.zeros_like(self._usable)
        kept[self.sighting, self.dot] = True
        return _supported_by(self.sightings, kept, start)

    def _lay_out(self, start: Start) -> None:
        self.photos = sorted(start.photos)
        self.cards = sorted(start.cards)
        photo_index = {p: i for i, p in enumerate(self.photos)}
        card_index = {c: i for i, c in enumerate(self.cards)}
        in_photo = np.array([photo_index.get(s.photo, -1) for s in self.sightings], dtype=np.intp)
        on_card = np.array([card_index.get(s.card, -1) for s in self.sightings], dtype=np.intp)
        placed = (in_photo >= 0) & (on_card >= 0)
        self.sighting, self.dot = np.nonzero(self._usable & placed[:, None])
        photo, point = in_photo[self.sighting], 4 * on_card[self.sighting] + self.dot
        px, covariance = (
            np.array([getattr(s, name) for s in self.sightings])[self.sighting, self.dot]
            for name in ("dots_px", "covariance_px2")
        )
        group = np.array([self.group_of_photo[p] for p in self.photos], dtype=np.intp)
        height = np.array([self.guesses[g].camera.height_px for g in group])[photo]
        self.observations = Observations(
            photo, point, px, whitening(covariance), px[:, 1] / height - 0.5
        )
        points = np.concatenate([start.cards[c].apply(self._printed(c)) for c in self.cards])
        self.network = Network(
            rotation=np.array([start.photos[p].rotation for p in self.photos]),
            translation=np.array([start.photos[p].translation for p in self.photos]),
            drift=np.zeros((len(self.photos), 6)),
            constants=self.constants,
            group=group,
            points=points,
            print_scale=self.print_scale,
        )
        self.priors = Priors(
            constants=np.array([g.camera.constants for g in self.guesses]),
            information=np.array([g.information for g in self.guesses]),
            fixed=np.zeros((len(self.guesses), 9), dtype=bool),
            drift_sd=np.zeros(6),
            layout=self._layout(),
        )
        self._keep(self._not_gross())

    def _layout(self) -> Layout:
        nominal = np.array([self._nominal(c) for c in self.cards])
        size = np.abs(nominal).max(axis=(1, 2)) / 33.0
        sd = size[:, None] * self.layout_sd_mm
        for i, card in enumerate(self.cards):
            sd[i] = self.own_sd_mm.get(card, sd[i])
        return Layout(nominal, sd)

    def _nominal(self, card: int) -> Array:
        return np.column_stack([self.layout_mm[card], np.zeros(4)])

    def _printed(self, card: int) -> Array:
        return self._nominal(card) * [*self.print_scale, 1.0]

    def _not_gross(self) -> NDArray[np.bool_]:
        """Observations of sightings that lie about where the start puts them."""
        off = np.linalg.norm(residuals_px(self.network, self.observations), axis=1)
        if not len(off):
            return np.ones(0, dtype=bool)
        order = np.lexsort((off, self.sighting))
        _, which, size = np.unique(self.sighting, return_inverse=True, return_counts=True)
        first = np.cumsum(size) - size
        middle = 0.5 * (off[order[first + (size - 1) // 2]] + off[order[first + size // 2]])
        return np.asarray((middle < _GROSS_PX + 8.0 * np.median(off))[which])

    def _keep(self, kept: NDArray[np.bool_]) -> None:
        """Keep these observations; points left without two rays keep their place by the layout."""
        self.observations = self.observations.subset(kept)
        self.sighting = self.sighting[kept]
        self.dot = self.dot[kept]

    def _open_views(self) -> list[View]:
        """Views whose photo or card has no place yet, with the camera as it now is."""
        cameras = [
            replace(g.camera, constants=c)
            for g, c in zip(self.guesses, self.constants, strict=True)
        ]
        camera_of_photo = {p: cameras[g] for p, g in self.group_of_photo.items()}
        photos, cards = set(self.photos), set(self.cards)
        waiting = [s for s in self.sightings if s.photo not in photos or s.card not in cards]
        printed_mm = {c: own * self.print_scale for c, own in self.layout_mm.items()}
        return prepare_views(waiting, camera_of_photo, printed_mm)

    def _as_start(self) -> Start:
        return _start_of(self.photos, self.cards, self.network, self.layout_mm)


def _supported_by(sightings: Sequence[Sighting], dots: NDArray[np.bool_], start: Start) -> Start:
    """The start without what these ``dots`` (S, 4) hardly hold; see ``_supported``."""
    photos, cards = dict(start.photos), dict(start.cards)
    which = (dots @ [1, 2, 4, 8]).tolist()  # a bit for each dot
    while True:
        per_photo: Counter[str] = Counter()
        per_card: Counter[int] = Counter()
        dots_of: dict[int, int] = defaultdict(int)
        for s, own in zip(sightings, which, strict=True):
            if own.bit_count() >= 2 and s.photo in photos and s.card in cards:
                per_photo[s.photo] += 1
                per_card[s.card] += 1
                dots_of[s.card] |= own
        weak_photos = [p for p in photos if per_photo[p] < 2]
        weak_cards = [c for c in cards if per_card[c] < 2 or dots_of[c].bit_count() < 3]
        if not weak_photos and not weak_cards:
            return Start(photos, cards, start.error_px)
        for photo in weak_photos:
            del photos[photo]
        for card in weak_cards:
            del cards[card]


def _start_of(
    photos: Sequence[str], cards: Sequence[int], network: Network, layout_mm: Mapping[int, Array]
) -> Start:
    """Poses of photos and cards of a network."""
    nominal = np.array(
        [np.column_stack([layout_mm[c] * network.print_scale, np.zeros(4)]) for c in cards]
    )
    points = network.points.reshape(-1, 4, 3)
    turned = best_rotations(nominal, points)
    return Start(
        {p: Pose(network.rotation[i], network.translation[i]) for i, p in enumerate(photos)},
        {c: Pose(turned[i], points[i].mean(axis=0)) for i, c in enumerate(cards)},
        0.0,
    )


def _unsteadiness(network: Network, found: Precision, priors: Priors, begun: Priors) -> Priors:
    """Priors with the spread of drifts and shifts that the photos themselves show.

    sd^2 = sum of estimate^2 over the number of them that the photos determine, each counting
    1 - its variance / sd^2 (the fixed point of restricted likelihood; MacKay, Bayesian
    interpolation, Neural Computation 4:415, 1992, from memory). So a hand that held still is given
    hardly any drift, and a lens that stays put hardly any shift. What was assumed to begin with
    (``begun``) counts as a part of an estimate: few photos of few cards determine hardly any, and
    nought found there does not prove a steady hand. Turning and moving keep their ratio, the arm
    about which a hand turns: from the photos alone they are hard to tell apart.
    """

    def factor(estimate: Array, variance: Array, sd: Array, assumed: Array) -> float:
        """By which to multiply the standard deviations ``sd`` of the columns."""
        if not np.all(sd > 0):
            return 1.0
        determined = 1.0 - np.minimum(variance * found.variance_factor / sd**2, 1.0)
        squares = (estimate**2 / sd**2).sum() + _ASSUMED_WORTH * (assumed**2 / sd**2).mean()
        return float(np.sqrt(squares / (determined.sum() + _ASSUMED_WORTH)))

    drifting = factor(network.drift, found.drift, priors.drift_sd, begun.drift_sd)
    shifting = factor(
        network.shift_px,
        found.shift,
        np.array([priors.shift_sd_px]),
        np.array([begun.shift_sd_px]),
    )
    return replace(
        priors,
        drift_sd=drifting * priors.drift_sd,
        shift_sd_px=shifting * priors.shift_sd_px,
    )


def _settled(before: Priors, after: Priors) -> bool:
    """Whether the spreads of drifts and shifts have stopped changing, to a twentieth."""
    old = np.append(before.drift_sd, before.shift_sd_px)
    new = np.append(after.drift_sd, after.shift_sd_px)
    return bool(np.all(np.abs(new - old) <= 0.05 * old))


def whitening(covariance_px2: Array) -> Array:
    """(N, 2, 2) W with W^T W the inverse of the covariance, model floor included."""
    total = covariance_px2 + _FLOOR_PX**2 * np.eye(2)
    return np.asarray(np.linalg.cholesky(np.linalg.inv(total)).transpose(0, 2, 1))


def _worst_of_each(sighting: NDArray[np.intp], statistic: Array) -> NDArray[np.bool_]:
    """The largest statistic within each sighting, (N,) bool."""
    worst = np.zeros(len(statistic), dtype=bool)
    order = np.lexsort((statistic, sighting))
    last = np.append(sighting[order][1:] != sighting[order][:-1], True)
    worst[order[last]] = True
    return worst


def _difference_mm(one: _Growing, other: _Growing) -> float:
    """Rms difference of the centres of common cards after a best similarity fit."""
    common = sorted(set(one.cards) & set(other.cards))
    if len(common) < 3:
        return float("nan")

    def centres(growing: _Growing) -> Array:
        points = growing.adjusted.network.points.reshape(-1, 4, 3).mean(axis=1)
        return points[[growing.cards.index(c) for c in common]]

    a, b = centres(one), centres(other)
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    rotation = best_rotations(b[None], a[None])[0]
    turned = b @ rotation.T
    scale = (a * turned).sum() / (turned**2).sum()
    return float(np.sqrt(((a - scale * turned) ** 2).sum(axis=1).mean()))
