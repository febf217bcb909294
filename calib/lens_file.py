"""Lens profile on disk: camera constants with covariance, and the photos they may be used for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

import numpy as np

from calib.camera import CONSTANTS, Camera
from calib.frames import Array
from calib.photo import CameraIdentity, PhotoHeader
from targets.atomic import write_text
from targets.errors import UserError
from targets.said import Said, say
from targets.strict_toml import Table, read_toml
from targets.wording import shown

Verdict = Literal["good", "usable", "poor"]
VERDICT_WORDS: dict[Verdict, Said] = {
    "good": say("good"),
    "usable": say("usable"),
    "poor": say("poor"),
}
"""As people read them."""

FOCAL_TOLERANCE = 0.005
"""Relative difference of EXIF focal lengths up to which two photos count as one lens setting."""

_SCHEMA = 1
_AGAIN = say("make it again with datumshot lens")
_KEYS = (
    *("schema", "verdict", "reasons", "rms_px", "photos"),
    *("camera", "constants", "covariance"),
)
_LARGEST = 1e6
_LARGEST_PX = 100_000
_CAMERA_TEXTS = ("make", "model", "lens")
_CAMERA_SIZES = ("width_px", "height_px")
_CAMERA_OPTIONS = ("focal_mm", "focal35_mm", "digital_zoom")

_COMMENT = """\
# Lens profile of datumshot: the camera constants of one phone, from photos of the board.
# fx, fy, cx, cy in px of the sensor image, centre of its first pixel = (0, 0); k1, k2, p1, p2, k3
# without unit (Brown-Conrady, as in OpenCV). The covariance has their squared units, its rows and
# columns in the order of the constants. focal_mm and focal35_mm are what the photos say.
"""


@dataclass(frozen=True)
class LensProfile:
    """What a calibration found, and whether to trust it.

    Attributes
    ----------
    camera : constants and pixel size.
    covariance : (9, 9) of the constants, in the order of ``camera.CONSTANTS``.
    identity : the camera of the board photos.
    rms_px : root mean square distance of board corners from their projections.
    photos : number of board photos used.
    verdict : good, usable or poor.
    reasons : what keeps it from being good, and which photos were left out, in plain words.
    """

    camera: Camera
    covariance: Array
    identity: CameraIdentity
    rms_px: float
    photos: int
    verdict: Verdict
    reasons: tuple[str, ...]


def misfit(profile: LensProfile, header: PhotoHeader) -> str:
    """Why the profile may not be applied to a photo; "" if it may.

    What a photo does not say cannot exclude it: one without EXIF but of the right pixel size is
    accepted, and it is left to the adjustment to find that the constants do not fit.
    """
    want, have = profile.identity, header.identity
    if header.edited:
        return header.edited
    for what, wanted, had in (
        (say("make"), want.make, have.make),
        (say("camera"), want.model, have.model),
        (say("lens"), want.lens, have.lens),
    ):
        if wanted and had and wanted != had:
            return say(
                "other {what}: {had}, the profile is for {wanted}",
                what=what,
                had=had,
                wanted=wanted,
            )
    size, profile_size = (have.width_px, have.height_px), (want.width_px, want.height_px)
    if size != profile_size:
        return say(
            "other pixel size: {had}, the profile is for {wanted}",
            had=f"{size[0]} x {size[1]}",
            wanted=f"{profile_size[0]} x {profile_size[1]}",
        )
    for what, wanted_mm, had_mm in (
        (say("focal length"), want.focal_mm, have.focal_mm),
        (say("35 mm equivalent"), want.focal35_mm, have.focal35_mm),
    ):
        if wanted_mm is None or had_mm is None:
            continue
        if abs(had_mm - wanted_mm) > FOCAL_TOLERANCE * wanted_mm:
            return say(
                "other {what}: {had_mm:g} mm, the profile is for {wanted_mm:g} mm",
                what=what,
                had_mm=had_mm,
                wanted_mm=wanted_mm,
            )
    return ""


def write_profile(profile: LensProfile, path: Path) -> None:
    """Write a profile as TOML, numbers in full precision; whole or not at all.

    Raises
    ------
    UserError : the file cannot be written.
    """
    identity, rows = profile.identity, profile.covariance
    lines = [
        _COMMENT,
        f"schema = {_SCHEMA}",
        f"verdict = {_quoted(profile.verdict)}",
        "reasons = [" + "".join(f"\n    {_quoted(r)}," for r in profile.reasons) + "\n]",
        f"rms_px = {float(profile.rms_px)!r}",
        f"photos = {profile.photos}",
        "\n[camera]",
        *(f"{key} = {_quoted(getattr(identity, key))}" for key in _CAMERA_TEXTS),
        *(f"{key} = {getattr(identity, key)}" for key in _CAMERA_SIZES),
        *(
            f"{key} = {float(getattr(identity, key))!r}"
            for key in _CAMERA_OPTIONS
            if getattr(identity, key) is not None
        ),
        "\n[constants]",
        *(
            f"{key} = {float(v)!r}"
            for key, v in zip(CONSTANTS, profile.camera.constants, strict=True)
        ),
        "\n[covariance]",
        *(
            f"{key} = [{', '.join(repr(float(v)) for v in row)}]"
            for key, row in zip(CONSTANTS, rows, strict=True)
        ),
    ]
    write_text(path, "\n".join(lines) + "\n")


def read_profile(path: Path) -> LensProfile:
    """Read a profile, strictly: an unknown or missing key or an impossible value is an error.

    Raises
    ------
    UserError : no such file, not TOML, or a key that is unknown, missing or wrong (it is named).
    """
    missing = say('make it with datumshot lens, or set lens = "self"')
    values = read_toml(path, str(path), say("the lens profile"), missing, _AGAIN)
    top = Table(values, str(path), _KEYS, _AGAIN)
    top.whole("schema", _SCHEMA, _SCHEMA)
    verdict = top.text("verdict")
    if verdict not in get_args(Verdict):
        raise top.wrong(
            "verdict",
            say(
                "{verdict} is not one of {known}",
                verdict=shown(verdict),
                known=", ".join(get_args(Verdict)),
            ),
            _AGAIN,
        )
    camera = top.table("camera", (*_CAMERA_TEXTS, *_CAMERA_SIZES, *_CAMERA_OPTIONS))
    constants = top.table("constants", CONSTANTS)
    numbers = np.array(
        [
            constants.number(key, low, _LARGEST, above=low == 0.0)
            for key, low in zip(CONSTANTS, (0.0, 0.0, *7 * [-_LARGEST]), strict=True)
        ]
    )
    make, model, lens = (camera.text(key, may_be_empty=True) for key in _CAMERA_TEXTS)
    width_px, height_px = (camera.whole(key, 1, _LARGEST_PX) for key in _CAMERA_SIZES)
    focal_mm, focal35_mm, digital_zoom = (
        camera.number(key, 0.0, _LARGEST, above=True) if key in camera else None
        for key in _CAMERA_OPTIONS
    )
    identity = CameraIdentity(
        make, model, lens, focal_mm, focal35_mm, width_px, height_px, digital_zoom
    )
    return LensProfile(
        camera=Camera(width_px, height_px, numbers),
        covariance=_covariance(top.table("covariance", CONSTANTS)),
        identity=identity,
        rms_px=top.number("rms_px", 0.0, _LARGEST),
        photos=top.whole("photos", 1, 10**6),
        verdict=verdict,  # type: ignore[arg-type]
        reasons=top.texts("reasons"),
    )


def _covariance(table: Table) -> Array:
    """(9, 9), symmetric and positive semi-definite, judged in units of its own deviations."""
    matrix = np.array([table.numbers(key, len(CONSTANTS)) for key in CONSTANTS])
    variances = matrix.diagonal()
    for key, variance in zip(CONSTANTS, variances, strict=True):
        if variance < 0:
            raise table.wrong(key, "the variance is negative", _AGAIN)
    # A constant held fixed has variance 0; then its covariances must be 0 as well.
    sd = np.sqrt(np.where(variances > 0, variances, 1.0))
    with np.errstate(over="ignore", invalid="ignore"):  # what is not finite is refused below
        correlation = matrix / sd[:, None] / sd
        unsymmetric = np.abs(correlation - correlation.T).max(axis=1)
    for key, off in zip(CONSTANTS, unsymmetric, strict=True):
        if not off <= 1e-9:
            raise table.wrong(key, "the covariance is not symmetric", _AGAIN)
    if np.linalg.eigvalsh(correlation)[0] < -1e-9:
        raise UserError(
            "the covariance is not positive semi-definite, so it is no covariance",
            table.where,
            _AGAIN,
        )
    return matrix


def _quoted(text: str) -> str:
    """TOML basic string; control characters of odd EXIF texts are escaped."""
    escaped = "".join(
        f"\\u{ord(c):04x}"
        if ord(c) < 0x20 or ord(c) == 0x7F
        else {'"': '\\"', "\\": r"\\"}.get(c, c)
        for c in text
    )
    return f'"{escaped}"'
