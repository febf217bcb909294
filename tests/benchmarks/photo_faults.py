"""Faults of the photos, on real pixels: ``photo_faults.py NAME|sound|all [CASES [FIRST]]``.

Each case takes the demo's rendered photos (either session in turn, with the lens profile
or without in turn), spoils some of them at random (``tests.spoilt_photos``), solves the job from a
temporary folder as ``datumshot solve`` does, and compares with the demo's truth. A fault is told
when a warning or fault of the right kind names every spoilt photo or card; a harmless change must
not be told. Photos that are not spoilt are measured once (``capture.cache``; the folder that
PHOTO_FAULTS_CACHE names keeps that between runs). A line per case goes
to standard output, the sums last.
"""

import os
import re
import sys
import tempfile
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import json
from functools import cache

import numpy as np
from PIL import ExifTags, Image

from calib.calibrate import calibrate
from calib.camera import Camera
from calib.frames import Array
from calib.lens_file import LensProfile, write_profile
from calib.photo import photo_paths
from capture.cache import SightingCache
from pipeline.inputs.job import read_job
from pipeline.solve import solve
from targets.board import read_board
from targets.card import card_of
from targets.errors import UserError
from tests import spoilt_photos as spoil

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
SESSIONS = (("job", "truth.json"), ("pulled", "truth-pulled.json"))
KINDS = {
    "card-moved", "card-doubled", "bar-moved", "car-moved", "zoom-changed", "photo-astray",
    "cards-swapped", "card-on-wrong-point", "sides-exchanged", "stem-doubtful", "card-bent",
    "points-unclear", "bars-disagree", "print-odd", "bar-length-odd", "card-twice", "base-moved",
    "base-unclear", "start-not-reproduced", "photos-contradict", "not-converged",
    "photo-mirrored", "photo-edited", "card-tilted", "focal-length-odd", "card-misprinted",
}  # fmt: skip
"""Findings that blame something. That a card is measured in few photos is no false alarm."""


@dataclass
class Shoot:
    """A job folder before it is solved.

    Attributes
    ----------
    folder : with photos/ and the job's files. profile : the demo's lens, or None.
    truth : the renderer's. rng : for whatever is drawn.
    """

    folder: Path
    profile: LensProfile | None
    truth: dict
    rng: np.random.Generator
    spoilt: list[str] = field(default_factory=list)

    @property
    def photos(self) -> list[Path]:
        return photo_paths(self.folder / "photos")

    def choose(self, most: int = 3) -> list[Path]:
        """One to ``most`` photos."""
        count = int(self.rng.integers(1, most + 1))
        return [self.photos[i] for i in sorted(self.rng.permutation(len(self.photos))[:count])]

    def pixels(self, photos: Sequence[Path], change: Callable[[spoil.Picture], spoil.Picture],
               tags: Callable[[Image.Exif], None] = lambda exif: None) -> None:  # fmt: skip
        """Change pixels and tags of photos."""
        for path in photos:
            exif = spoil.read_exif(path)
            tags(exif)
            spoil.write_photo(path, change(spoil.read_picture(path)), exif)

    def retag(self, photos: Sequence[Path], tags: Callable[[Image.Exif], None]) -> None:
        """Change tags alone."""
        self.pixels(photos, lambda picture: picture, tags)

    def point_card(self) -> int:
        """A card on a point."""
        return int(
            self.rng.choice([c["card"] for c in self.truth["cards"] if c["role"] == "point"])
        )

    def showing(self, card: int) -> list[Path]:
        """Photos that show a card."""
        names = {
            Path(p["file"]).name
            for p in self.truth["photos"]
            if any(c["card"] == card and c["visible"] > 0.3 for c in p["cards"])
        }
        return [p for p in self.photos if p.name in names]

    def seen_px(self, photo: Path, card: int, on_card_mm: Array) -> Array:
        """Where points (N, 2) of a card are in a photo, (N, 2) px."""
        told = next(p for p in self.truth["photos"] if Path(p["file"]).name == photo.name)
        placed = next(c for c in self.truth["cards"] if c["card"] == card)["vehicle"]
        lens = self.truth["camera"]
        constants = [lens[k] for k in ("fx", "fy", "cx", "cy")] + lens["distortion"]
        camera = Camera(lens["width_px"], lens["height_px"], np.array(constants))
        axes = np.array([placed["x"], placed["y"]])
        at = np.array(placed["centre_mm"]) + on_card_mm @ axes
        pose = told["camera_from_vehicle"]
        return camera.project(at @ np.array(pose["R"]).T + np.array(pose["t"]))


@dataclass(frozen=True)
class Blame:
    """Which codes tell the fault, who must be named, and cards whose points it may spoil.

    No codes: a harmless change, which nothing may tell.
    """

    codes: frozenset[str]
    names: tuple[str, ...]
    cards: frozenset[int] = frozenset()


Fault = Callable[[Shoot], Blame]
HARMLESS = Blame(frozenset(), ())
NOT_AS_TAKEN = frozenset(
    {
        "photo-edited",
        "photo-astray",
        "photo-left-out",
        "lens-not-applied",
        "zoom-changed",
        "focal-length-odd",
    }
)


def _not_as_taken(photos: Sequence[Path], *codes: str) -> Blame:
    return Blame(NOT_AS_TAKEN | set(codes), tuple(p.name for p in photos))


def _set(group: int, **values: object) -> Callable[[Image.Exif], None]:
    def tags(exif: Image.Exif) -> None:
        where = exif.get_ifd(group) if group else exif
        for name, value in values.items():
            where[getattr(ExifTags.Base, name)] = value

    return tags


def mirrored(made: Shoot) -> Blame:
    photos = made.choose()
    made.pixels(photos, spoil.mirrored)
    return _not_as_taken(photos, "photo-mirrored")


def cropped(kept: bool) -> Fault:
    """60 to 90 % of each side, anywhere; EXIF still says the size of before, or no size."""

    def fault(made: Shoot) -> Blame:
        photos, rng = made.choose(), made.rng

        def crop(picture: spoil.Picture) -> spoil.Picture:
            return spoil.cropped(
                picture, tuple(rng.uniform(0.6, 0.9, 2)), tuple(rng.uniform(0, 1, 2))
            )

        made.pixels(photos, crop, (lambda exif: None) if kept else spoil.without_sizes)
        return _not_as_taken(photos)

    return fault


def all_cropped(made: Shoot) -> Blame:
    """Every photo cropped to one format, each at a place of its own; EXIF says no size."""
    share, rng = tuple(made.rng.uniform(0.75, 0.95, 2)), made.rng
    made.pixels(
        made.photos,
        lambda picture: spoil.cropped(picture, share, tuple(rng.uniform(0, 1, 2))),
        spoil.without_sizes,
    )
    return Blame(NOT_AS_TAKEN | {"photos-contradict", "no-scale"}, ("",))


def screenshots(made: Shoot) -> Blame:
    photos, told = made.choose(), []
    for path in photos:
        screen = (1080, 2340) if made.rng.uniform() < 0.5 else (2340, 1080)
        picture = spoil.screenshot(spoil.read_picture(path), screen)
        path.unlink()
        told.append(path.with_suffix(".png"))
        spoil.write_photo(told[-1], picture, None)
    return _not_as_taken(told)


def retouched(made: Shoot) -> Blame:
    """Contrast, gamma and colour of one to all photos."""
    photos = made.choose(len(made.photos) // 2)
    rng = made.rng
    made.pixels(
        photos,
        lambda picture: spoil.retouched(
            picture,
            float(rng.uniform(0.7, 1.6)),
            float(rng.uniform(0.6, 1.6)),
            float(rng.uniform(0, 2)),
        ),
    )
    return HARMLESS


def straightened(made: Shoot) -> Blame:
    """Perspective pulled about in an editor, corners by 1 to 6 % of the size."""
    photos, rng = made.choose(), made.rng
    made.pixels(
        photos,
        lambda picture: spoil.straightened(
            picture, rng.choice([-1, 1], (4, 2)) * rng.uniform(0.01, 0.06, (4, 2))
        ),
    )
    return _not_as_taken(photos)


def bulged(made: Shoot) -> Blame:
    """Distortion "corrected" in an editor by 0.5 to 4 % at the edge."""
    photos, rng = made.choose(), made.rng
    made.pixels(
        photos,
        lambda picture: spoil.bulged(
            picture, float(rng.choice([-1, 1]) * rng.uniform(0.005, 0.04))
        ),
    )
    return _not_as_taken(photos)


def stitched(made: Shoot) -> Blame:
    """Part of another photo in place of that of this one, as a panorama made by hand."""
    photos = made.choose(2)
    others = [p for p in made.photos if p not in photos]
    for path in photos:
        other = spoil.read_picture(others[int(made.rng.integers(len(others)))])
        seam = float(made.rng.uniform(0.3, 0.7))
        made.pixels([path], lambda picture, o=other, s=seam: spoil.stitched(picture, o, s))
    return _not_as_taken(photos, "card-moved", "card-doubled", "bar-moved")


def panorama(made: Shoot) -> Blame:
    """Two photos side by side in a picture 1.4 to 1.8 times as wide, EXIF of the first."""
    photos = made.choose(2)
    others = [p for p in made.photos if p not in photos]
    for path in photos:
        other = spoil.read_picture(others[int(made.rng.integers(len(others)))])
        part = round(float(made.rng.uniform(0.2, 0.6)) * other.shape[1])
        made.pixels(
            [path], lambda picture, o=other, n=part: np.concatenate([picture, o[:, n:]], axis=1)
        )
    return _not_as_taken(photos)


def digital_zoom(tagged: bool) -> Fault:
    """The middle blown up to full size, 1.2 to 3 times; EXIF says so, or not."""

    def fault(made: Shoot) -> Blame:
        photos = made.choose()
        factor = float(made.rng.uniform(1.2, 3.0))
        tags = _set(ExifTags.IFD.Exif, DigitalZoomRatio=factor) if tagged else lambda exif: None
        made.pixels(photos, lambda picture: spoil.zoomed(picture, factor), tags)
        return _not_as_taken(photos)

    return fault


def _use_profile(made: Shoot, profile: LensProfile) -> None:
    write_profile(profile, made.folder / "phone.toml")
    text = (made.folder / "job.toml").read_text(encoding="utf-8")
    (made.folder / "job.toml").write_text(text.replace('"self"', '"phone.toml"'), encoding="utf-8")


def profile_of_other_focal(made: Shoot) -> Blame:
    """Names and sizes fit, the focal length is off by 1 to 5 %."""
    profile = demo_profile()
    constants = profile.camera.constants.copy()
    constants[:2] *= 1.0 + float(made.rng.choice([-1, 1]) * made.rng.uniform(0.01, 0.05))
    _use_profile(made, replace(profile, camera=replace(profile.camera, constants=constants)))
    return Blame(frozenset({"lens-not-applied"}), ("",))


def profile_of_other_size(made: Shoot) -> Blame:
    """Of the same phone in another picture format, as 4000 x 3000."""
    profile = demo_profile()
    width, height = ((4000, 3000), (3264, 1836), (4624, 3472))[int(made.rng.integers(3))]
    constants = profile.camera.constants.copy()
    constants[:4] *= width / profile.camera.width_px
    _use_profile(
        made,
        replace(
            profile,
            camera=Camera(width, height, constants),
            identity=replace(profile.identity, width_px=width, height_px=height),
        ),
    )
    return Blame(frozenset({"lens-not-applied"}), ("",))


def profile_of_other_model(made: Shoot) -> Blame:
    profile = demo_profile()
    constants = profile.camera.constants.copy()
    constants[:4] *= 1.0 + 0.1 * made.rng.standard_normal(4)
    constants[4:] += [0.05, -0.1, 0.0, 0.0, 0.1] * made.rng.standard_normal(5)
    _use_profile(
        made,
        replace(
            profile,
            camera=replace(profile.camera, constants=constants),
            identity=replace(profile.identity, model="another camera"),
        ),
    )
    return Blame(frozenset({"lens-not-applied"}), ("",))


def without_exif(made: Shoot) -> Blame:
    """Sent by a messenger that keeps the pixels and drops the EXIF: some photos, or all."""
    photos = made.photos if made.rng.uniform() < 0.3 else made.choose(6)
    for path in photos:
        spoil.write_photo(path, spoil.read_picture(path), None)
    return HARMLESS


def lying_focal(made: Shoot) -> Blame:
    """EXIF of some photos names the focal length of another lens of the phone."""
    photos = made.choose()
    mm, mm35 = ((2.2, 13), (9.0, 77), (6.9, 48))[int(made.rng.integers(3))]
    made.retag(photos, _set(ExifTags.IFD.Exif, FocalLength=mm, FocalLengthIn35mmFilm=mm35))
    return Blame(NOT_AS_TAKEN, tuple(p.name for p in photos))


def lying_focal_of_all(made: Shoot) -> Blame:
    """So do all."""
    mm, mm35 = ((2.2, 13), (9.0, 77), (6.9, 48))[int(made.rng.integers(3))]
    made.retag(made.photos, _set(ExifTags.IFD.Exif, FocalLength=mm, FocalLengthIn35mmFilm=mm35))
    return Blame(NOT_AS_TAKEN | {"camera-weak"}, ("",))


def lying_orientation(made: Shoot) -> Blame:
    """The tag says turned and the pixels are not, or the other way round."""
    photos, rng = made.choose(6), made.rng
    made.retag(photos, lambda exif: _set(0, Orientation=int(rng.choice([1, 3, 6, 8])))(exif))
    return HARMLESS


def lying_model(made: Shoot) -> Blame:
    """Some photos name another phone: they get a camera of their own, which does no harm."""
    made.retag(made.choose(), _set(0, Model="another camera"))
    return HARMLESS


def blurred(low_px: float, high_px: float) -> Fault:
    def fault(made: Shoot) -> Blame:
        rng = made.rng
        made.pixels(
            made.choose(),
            lambda picture: spoil.motion_blurred(
                picture, float(rng.uniform(low_px, high_px)), float(rng.uniform(0, np.pi))
            ),
        )
        return HARMLESS

    return fault


def dark(made: Shoot) -> Blame:
    """A hundredth to a tenth of the light, with noise."""
    rng = made.rng
    made.pixels(
        made.choose(),
        lambda picture: spoil.exposed(picture, float(10 ** rng.uniform(-2, -1)), 3.0, rng),
    )
    return HARMLESS


def clipped(made: Shoot) -> Blame:
    """Three to fifteen times the light: paper and surroundings white."""
    rng = made.rng
    made.pixels(
        made.choose(), lambda picture: spoil.exposed(picture, float(rng.uniform(3, 15)), 1.5, rng)
    )
    return HARMLESS


def glare(made: Shoot) -> Blame:
    """A reflection on one card in up to four photos, at another place in each."""
    card, rng = made.point_card(), made.rng
    photos = made.showing(card)
    for path in [photos[i] for i in rng.permutation(len(photos))[: int(rng.integers(1, 5))]]:
        centre = made.seen_px(
            path, card, rng.uniform(-35, 35, (1, 2)) * card_of(card).width_mm / 80
        )[0]
        edge = made.seen_px(path, card, np.array([[0.0, 0.0], [card_of(card).width_mm, 0.0]]))
        radius = float(np.linalg.norm(edge[1] - edge[0]) * rng.uniform(0.08, 0.4))
        light = float(rng.uniform(120, 400))
        made.pixels(
            [path], lambda picture, c=centre, r=radius, x=light: spoil.glaring(picture, c, r, x)
        )
    return HARMLESS


def half_covered(made: Shoot) -> Blame:
    """A rag or cable hangs over 30 to 60 % of a card in all photos; the card is measured or not."""
    card, rng = made.point_card(), made.rng
    size = card_of(card).width_mm
    angle, edge = float(rng.uniform(0, 2 * np.pi)), size * float(rng.uniform(-0.1, 0.2))
    along, across = (
        np.array([np.cos(angle), np.sin(angle)]),
        np.array([-np.sin(angle), np.cos(angle)]),
    )
    far = size
    outline = np.array(
        [edge * along + s * across for s in np.linspace(-far, far, 20)]
        + [(edge + 0.7 * far) * along + s * across for s in np.linspace(far, -far, 20)]
    )
    outline = np.clip(outline, -0.52 * size, 0.52 * size)
    grey = int(rng.integers(10, 120))
    for path in made.showing(card):
        made.pixels(
            [path],
            lambda picture, p=path: spoil.painted(picture, made.seen_px(p, card, outline), grey),
        )
    codes = frozenset({"card-not-measured", "card-in-few-photos", "card-unchecked", "card-bent"})
    return Blame(codes, (f"card {card}",), frozenset())


def dirt(made: Shoot) -> Blame:
    """Grease on one or two dots of a card, 2 to 5 mm across, over their edge, in all photos."""
    card, rng = made.point_card(), made.rng
    kind = card_of(card)
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    blobs = []
    for dot in rng.permutation(4)[: int(rng.integers(1, 3))]:
        angle = float(rng.uniform(0, 2 * np.pi))
        middle = kind.dots_mm[dot] + kind.dot_diameter_mm / 2 * np.array(
            [np.cos(angle), np.sin(angle)]
        )
        radius = float(rng.uniform(1.0, 2.5)) * kind.width_mm / 80
        blobs.append(middle + radius * np.column_stack([np.cos(turn), np.sin(turn)]))
    grey = int(rng.integers(20, 70))

    for path in made.showing(card):

        def smear(picture: spoil.Picture, p: Path = path) -> spoil.Picture:
            for blob in blobs:
                picture = spoil.painted(picture, made.seen_px(p, card, blob), grey)
            return picture

        made.pixels([path], smear)
    codes = frozenset({"card-bent", "card-not-measured", "card-in-few-photos", "card-unchecked"})
    return Blame(codes, (f"card {card}",), frozenset({card}))


FAULTS: dict[str, Fault] = {
    "mirrored": mirrored,
    "cropped-sizes-kept": cropped(True),
    "cropped-no-sizes": cropped(False),
    "all-cropped": all_cropped,
    "screenshot": screenshots,
    "retouched": retouched,
    "perspective-edited": straightened,
    "distortion-edited": bulged,
    "stitched": stitched,
    "panorama": panorama,
    "digital-zoom-tagged": digital_zoom(True),
    "digital-zoom": digital_zoom(False),
    "profile-focal": profile_of_other_focal,
    "profile-size": profile_of_other_size,
    "profile-model": profile_of_other_model,
    "no-exif": without_exif,
    "exif-focal": lying_focal,
    "exif-focal-all": lying_focal_of_all,
    "exif-orientation": lying_orientation,
    "exif-model": lying_model,
    "blur-3-8px": blurred(3, 8),
    "blur-8-25px": blurred(8, 25),
    "dark": dark,
    "clipped": clipped,
    "glare": glare,
    "half-covered": half_covered,
    "dirt": dirt,
}


@dataclass(frozen=True)
class Case:
    """Outcome: whether told; worst error of points with a verdict that are not to blame.

    ``silent_mm`` is the worst of all with a verdict where the fault was not told; ``alarms`` are
    findings that blame something.
    """

    told: bool
    refused: bool
    worst_other_mm: float
    beyond_U: float
    silent_mm: float
    alarms: tuple[str, ...]


@cache
def demo_profile() -> LensProfile:
    """The demo's lens, calibrated."""
    folder = SAMPLES / "board"
    board = read_board(folder / "board.toml")
    return calibrate(photo_paths(folder), board, lambda name: None)


def shoot(seed: int, folder: Path) -> Shoot:
    """A sound job in ``folder``."""
    rng = np.random.default_rng([seed, 11])
    session, truth = SESSIONS[seed % 2]
    (folder / "photos").mkdir(parents=True)
    for name in ("job.toml", "sheet.csv", "cards.csv"):
        (folder / name).write_bytes((SAMPLES / session / name).read_bytes())
    for path in photo_paths(SAMPLES / session / "photos"):
        (folder / "photos" / path.name).symlink_to(path)
    profile = demo_profile() if seed // 2 % 2 else None
    text = (folder / "job.toml").read_text(encoding="utf-8")
    if profile:
        write_profile(profile, folder / "phone.toml")
    lens = '"phone.toml"' if profile else '"self"'
    text = re.sub(r"(?m)^lens = .*$", f"lens = {lens}", text)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return Shoot(folder, profile, json.loads((SAMPLES / truth).read_text(encoding="utf-8")), rng)


def run(name: str, seed: int, measured: SightingCache) -> Case:
    with tempfile.TemporaryDirectory() as folder:
        made = shoot(seed, Path(folder) / "job")
        blame = FAULTS[name](made) if name in FAULTS else HARMLESS
        try:
            result, _ = solve(read_job(made.folder), lambda stage, done, count: None, measured)
        except UserError as error:
            return Case(False, True, 0.0, 0.0, 0.0, (f"{error.where}: {error.what}",))
    heard = [f for f in result.findings if f.severity != "note"]
    told = bool(blame.codes) and all(
        any(f.code in blame.codes and _names(name, f"{f.subject} {f.text}") for f in heard)
        for name in blame.names
    )
    true_mm = {(p["point"], p["side"]): np.array(p["true_mm"]) for p in made.truth["points"]}
    rows = [r for r in result.deviations.rows if r.verdict in ("within", "out")]
    errors = [r.position_mm - true_mm[r.point, r.side] for r in rows]
    own = [float(np.linalg.norm(e)) for e in errors]
    other = [
        (e, float((np.abs(off) / r.U_mm).max()))
        for e, off, r in zip(own, errors, rows, strict=True)
        if r.card not in blame.cards
    ]
    return Case(
        told,
        False,
        max((mm for mm, _ in other), default=0.0),
        max((by_U for _, by_U in other), default=0.0),
        0.0 if told else max(own, default=0.0),
        tuple(sorted({f"{f.code}({f.subject})" for f in heard if f.code in KINDS})),
    )


def _names(name: str, text: str) -> bool:
    return not name or re.search(rf"(?<![\w]){re.escape(name)}(?![\w])", text) is not None


def main() -> None:
    name = sys.argv[1] if len(sys.argv) > 1 else "sound"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    with tempfile.TemporaryDirectory() as kept:
        measured = SightingCache(Path(os.environ.get("PHOTO_FAULTS_CACHE", kept)))
        for one in FAULTS if name == "all" else name.split(","):
            began = time.process_time()
            cases = []
            for seed in range(first, first + count):
                cases.append(run(one, seed, measured))
                c = cases[-1]
                print(f"  {one} {seed} told {c.told} other {c.worst_other_mm:.2f} mm "
                      f"({c.beyond_U:.1f} U) silent {c.silent_mm:.2f} {' '.join(c.alarms)}",
                      flush=True)  # fmt: skip
            print(
                f"| {one} | {sum(c.told for c in cases)} of {count} | "
                f"{sum(c.refused for c in cases)} | {max(c.worst_other_mm for c in cases):.2f} "
                f"({max(c.beyond_U for c in cases):.1f} U) | "
                f"{max(c.silent_mm for c in cases):.2f} | with findings "
                f"{sum(bool(c.alarms) for c in cases)} | {time.process_time() - began:.0f} s |",
                flush=True,
            )


if __name__ == "__main__":
    main()
