"""Lens profile on disk: camera constants with covariance, and the photos they may be used for."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np

from calib.camera import CONSTANTS, Camera
from calib.frames import Array
from calib.photo import CameraIdentity, PhotoHeader
from targets.atomic import write_text
from targets.errors import UserError

Verdict = Literal["good", "usable", "poor"]

FOCAL_TOLERANCE = 0.005
"""Relative difference of EXIF focal lengths up to which two photos count as one lens setting."""

_SCHEMA = 1
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
        ("make", want.make, have.make),
        ("camera", want.model, have.model),
        ("lens", want.lens, have.lens),
    ):
        if wanted and had and wanted != had:
            return f"other {what}: {had}, the profile is for {wanted}"
    size, profile_size = (have.width_px, have.height_px), (want.width_px, want.height_px)
    if size != profile_size:
        return (
            f"other pixel size: {size[0]} x {size[1]}, "
            f"the profile is for {profile_size[0]} x {profile_size[1]}"
        )
    for what, wanted_mm, had_mm in (
        ("focal length", want.focal_mm, have.focal_mm),
        ("35 mm equivalent", want.focal35_mm, have.focal35_mm),
    ):
        if wanted_mm is None or had_mm is None:
            continue
        if abs(had_mm - wanted_mm) > FOCAL_TOLERANCE * wanted_mm:
            return f"other {what}: {had_mm:g} mm, the profile is for {wanted_mm:g} mm"
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
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UserError(
            f"cannot read the lens profile ({error.strerror})",
            str(path),
            'make it with datumshot lens, or set lens = "self"',
        ) from error
    except ValueError as error:  # broken TOML or not UTF-8
        raise UserError(f"is not a lens profile ({error})", str(path), _AGAIN) from error

    top = _Table(path, "", table)
    top.require(
        ("schema", "verdict", "reasons", "rms_px", "photos", "camera", "constants", "covariance")
    )
    if top.whole("schema") != _SCHEMA:
        raise top.wrong("schema", f"is not {_SCHEMA}")
    verdict = top.text("verdict")
    if verdict not in get_args(Verdict):
        raise top.wrong("verdict", f"is not one of {', '.join(get_args(Verdict))}")
    camera = top.table("camera")
    camera.require((*_CAMERA_TEXTS, *_CAMERA_SIZES), _CAMERA_OPTIONS)
    constants = top.table("constants")
    constants.require(CONSTANTS)
    values = np.array([constants.number(key) for key in CONSTANTS])
    for key in ("fx", "fy"):
        if constants.number(key) <= 0:
            raise constants.wrong(key, "is not above 0")
    identity = CameraIdentity(
        make=camera.text("make"),
        model=camera.text("model"),
        lens=camera.text("lens"),
        focal_mm=camera.optional("focal_mm"),
        focal35_mm=camera.optional("focal35_mm"),
        width_px=camera.whole("width_px", at_least=1),
        height_px=camera.whole("height_px", at_least=1),
        digital_zoom=camera.optional("digital_zoom"),
    )
    return LensProfile(
        camera=Camera(identity.width_px, identity.height_px, values),
        covariance=_covariance(top.table("covariance")),
        identity=identity,
        rms_px=top.number("rms_px", at_least=0.0),
        photos=top.whole("photos", at_least=1),
        verdict=verdict,  # type: ignore[arg-type]
        reasons=top.texts("reasons"),
    )


_AGAIN = "make it again with datumshot lens"


class _Table(dict[str, Any]):
    """One table of the file; reads checked values and names the key in every complaint."""

    def __init__(self, path: Path, name: str, table: dict[str, Any]) -> None:
        super().__init__(table)
        self.path, self.name = path, name

    def wrong(self, key: str, what: str) -> UserError:
        full = f"{self.name}.{key}" if self.name else key
        return UserError(f"{full} {what}", str(self.path), _AGAIN)

    def require(self, keys: Iterable[str], optional: Iterable[str] = ()) -> None:
        """All ``keys``, perhaps some ``optional``, nothing else."""
        for key in keys:
            if key not in self:
                raise self.wrong(key, "is missing")
        for key in self:
            if key not in {*keys, *optional}:
                raise self.wrong(key, "is not a key of a lens profile")

    def table(self, key: str) -> _Table:
        if not isinstance(self[key], dict):
            raise self.wrong(key, "is not a table")
        return _Table(self.path, key, self[key])

    def text(self, key: str) -> str:
        if not isinstance(self[key], str):
            raise self.wrong(key, "is not a text")
        return str(self[key])

    def texts(self, key: str) -> tuple[str, ...]:
        value = self[key]
        if not (isinstance(value, list) and all(isinstance(v, str) for v in value)):
            raise self.wrong(key, "is not a list of texts")
        return tuple(value)

    def whole(self, key: str, at_least: int = 0) -> int:
        value = self[key]
        if not isinstance(value, int) or isinstance(value, bool):
            raise self.wrong(key, "is not a whole number")
        if value < at_least:
            raise self.wrong(key, f"is less than {at_least}")
        return value

    def number(self, key: str, at_least: float = -math.inf) -> float:
        value = self._finite(key, self[key])
        if value < at_least:
            raise self.wrong(key, f"is less than {at_least:g}")
        return value

    def optional(self, key: str) -> float | None:
        if key not in self:
            return None
        value = self.number(key)
        if value <= 0:
            raise self.wrong(key, "is not above 0")
        return value

    def numbers(self, key: str, count: int) -> list[float]:
        value = self[key]
        if not (isinstance(value, list) and len(value) == count):
            raise self.wrong(key, f"is not a list of {count} numbers")
        return [self._finite(key, v) for v in value]

    def _finite(self, key: str, value: Any) -> float:
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise self.wrong(key, "is not a number")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise self.wrong(key, "is not a finite number")
        return number


def _covariance(table: _Table) -> Array:
    """(9, 9), symmetric and positive semi-definite, judged in units of its own deviations."""
    table.require(CONSTANTS)
    matrix = np.array([table.numbers(key, len(CONSTANTS)) for key in CONSTANTS])
    variances = matrix.diagonal()
    for key, variance in zip(CONSTANTS, variances, strict=True):
        if variance < 0:
            raise table.wrong(key, "has a negative variance")
    # A constant held fixed has variance 0; then its covariances must be 0 as well.
    sd = np.sqrt(np.where(variances > 0, variances, 1.0))
    correlation = matrix / np.outer(sd, sd)
    for key, row, column in zip(CONSTANTS, correlation, correlation.T, strict=True):
        if np.abs(row - column).max() > 1e-9:
            raise table.wrong(key, "makes the covariance unsymmetric")
    if np.linalg.eigvalsh(correlation)[0] < -1e-9:
        raise UserError(
            "covariance is not positive semi-definite, so it is no covariance",
            str(table.path),
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
