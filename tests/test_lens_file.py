"""Lens profiles: round trip, strict reading, and which photos they fit."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib.camera import Camera
from calib.lens_file import LensProfile, misfit, read_profile, write_profile
from calib.photo import CameraIdentity, PhotoHeader, read_header
from targets.errors import UserError

IDENTITY = CameraIdentity("ExampleCam", "EC-1", "EC-1 main", 4.4, 28.0, 3264, 2448, None)


@pytest.fixture
def profile(rng: np.random.Generator) -> LensProfile:
    """Constants and a full covariance with digits down to the last bit."""
    root = rng.normal(size=(9, 9)) * np.array([1, 1, 1, 1, 1e-3, 1e-2, 1e-4, 1e-4, 1e-2])[:, None]
    constants = np.array(
        [2507.8, 2509.6, 1641.9, 1219.3, -0.0638, 0.0571, -4.2e-4, 8.3e-4, -0.0189]
    )
    return LensProfile(
        camera=Camera(3264, 2448, constants * (1 + 1e-9 * rng.normal(size=9))),
        covariance=root @ root.T,
        identity=IDENTITY,
        rms_px=0.1 + 0.2,
        photos=14,
        verdict="usable",
        reasons=('a "quoted" \\ reason', "café ü 写真"),
    )


@pytest.fixture
def header() -> PhotoHeader:
    return PhotoHeader("IMG_1.jpg", Path("IMG_1.jpg"), IDENTITY, 1, "")


def assert_same(one: LensProfile, other: LensProfile) -> None:
    np.testing.assert_array_equal(one.camera.constants, other.camera.constants)
    np.testing.assert_array_equal(one.covariance, other.covariance)
    size = (one.camera.width_px, one.camera.height_px)
    assert size == (other.camera.width_px, other.camera.height_px)
    for name in ("identity", "rms_px", "photos", "verdict", "reasons"):
        assert getattr(one, name) == getattr(other, name)


def test_round_trip_loses_no_bit(profile: LensProfile, tmp_path: Path) -> None:
    write_profile(profile, tmp_path / "phone.toml")
    assert_same(read_profile(tmp_path / "phone.toml"), profile)


def test_round_trip_of_what_exif_may_lack_or_hold(profile: LensProfile, tmp_path: Path) -> None:
    odd = CameraIdentity("", "", "tab\t bell\x07 del\x7f line\n", None, None, 3264, 2448, None)
    for identity in (odd, replace(IDENTITY, digital_zoom=1.5)):
        changed = replace(profile, identity=identity, reasons=())
        write_profile(changed, tmp_path / "phone.toml")
        assert_same(read_profile(tmp_path / "phone.toml"), changed)


def test_file_explains_itself(profile: LensProfile, tmp_path: Path) -> None:
    write_profile(profile, tmp_path / "phone.toml")
    text = (tmp_path / "phone.toml").read_text(encoding="utf-8")
    assert text.startswith("# Lens profile of datumshot")
    assert "px" in text.split("schema")[0]


def test_missing_file_says_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(UserError, match='make it with datumshot lens, or set lens = "self"'):
        read_profile(tmp_path / "phone.toml")


def test_file_of_something_else(tmp_path: Path) -> None:
    path = tmp_path / "phone.toml"
    for data, said in ((b"dear diary", "is not TOML"), (b"\xff\xd8\xff\xe0", "is not UTF-8 text")):
        path.write_bytes(data)
        with pytest.raises(UserError, match=rf"phone\.toml: this {said}.*make it again"):
            read_profile(path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("photos = 14", "", "toml: the key 'photos' is missing"),
        (
            "photos = 14",
            "photos = 14\nfotos = 14",
            "'fotos' is not known; the nearest is 'photos'",
        ),
        ("photos = 14", "photos = 14.0", "key 'photos': 14.0 is not a whole number"),
        ("photos = 14", "photos = true", "key 'photos': true is not a number"),
        ("photos = 14", "photos = 0", "key 'photos': 0 cannot be"),
        ("schema = 1", "schema = 2", "key 'schema': 2 cannot be"),
        (
            'verdict = "usable"',
            'verdict = "fine"',
            "'fine' is not one of good, usable, poor",
        ),
        ('verdict = "usable"', "verdict = 1", "key 'verdict': 1 is not a text"),
        ("rms_px = 0.30000000000000004", "rms_px = -1", "key 'rms_px': -1 cannot be"),
        ("rms_px = 0.30000000000000004", "rms_px = nan", "key 'rms_px': nan cannot be"),
        ("rms_px = 0.30000000000000004", 'rms_px = "0.3"', "key 'rms_px': '0.3' is not a number"),
        (
            "rms_px = 0.30000000000000004",
            f"rms_px = 1{'0' * 400}",
            "rms_px': this number cannot be",
        ),
        ('model = "EC-1"', "", "toml, [camera]: the key 'model' is missing"),
        (
            'model = "EC-1"',
            'model = "EC-1"\ncolour = "red"',
            "[camera]: the key 'colour' is",
        ),
        ("width_px = 3264", "width_px = 0", "toml, [camera], key 'width_px': 0 cannot be"),
        ("focal_mm = 4.4", "focal_mm = 0.0", "[camera], key 'focal_mm': 0.0 cannot be"),
        ("[constants]\nfx = ", "[constants]\nfx = -", "[constants], key 'fx': -"),
        ("[constants]\nfx = ", "[constants]\nfx = 1e308 # ", "key 'fx': 1e+308 cannot be"),
        ("[covariance]\nfx = [", "[covariance]\nfx = [1e-310] # ", "list of 9 numbers"),
        ("[constants]\n", "[constants]\nk4 = 0.0\n", "[constants]: the key 'k4' is not known"),
        (
            "[covariance]\nfx = [",
            "[covariance]\nfx = [0.0, ",
            "this is not a list of 9 numbers",
        ),
        (
            "[covariance]\nfx = [",
            "[covariance]\nfx = [-",
            "'fx': the variance is negative",
        ),
    ],
)
def test_strict(profile: LensProfile, tmp_path: Path, old: str, new: str, message: str) -> None:
    path = tmp_path / "phone.toml"
    write_profile(profile, path)
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(UserError) as caught:
        read_profile(path)
    assert message in str(caught.value)
    assert caught.value.where.startswith(str(path))
    assert "datumshot lens" in caught.value.remedy


def test_reasons_must_be_texts(profile: LensProfile, tmp_path: Path) -> None:
    path = tmp_path / "phone.toml"
    write_profile(replace(profile, reasons=()), path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("reasons = [\n]", "reasons = [1]"), encoding="utf-8")
    with pytest.raises(UserError, match="key 'reasons': this is not a list of texts"):
        read_profile(path)


def test_covariance_must_be_symmetric(profile: LensProfile, tmp_path: Path) -> None:
    matrix = profile.covariance.copy()
    matrix[2, 7] *= 1.001
    write_profile(replace(profile, covariance=matrix), tmp_path / "phone.toml")
    with pytest.raises(UserError, match="key 'cx': the covariance is not symmetric"):
        read_profile(tmp_path / "phone.toml")


def test_covariance_must_be_one(profile: LensProfile, tmp_path: Path) -> None:
    """Correlation of 1.2 between the focal lengths: symmetric, but no covariance."""
    matrix = np.diag(profile.covariance.diagonal())
    matrix[0, 1] = matrix[1, 0] = 1.2 * np.sqrt(matrix[0, 0] * matrix[1, 1])
    write_profile(replace(profile, covariance=matrix), tmp_path / "phone.toml")
    with pytest.raises(UserError, match="not positive semi-definite"):
        read_profile(tmp_path / "phone.toml")


def test_constant_held_fixed_is_allowed(profile: LensProfile, tmp_path: Path) -> None:
    matrix = profile.covariance.copy()
    matrix[8], matrix[:, 8] = 0.0, 0.0
    write_profile(replace(profile, covariance=matrix), tmp_path / "phone.toml")
    np.testing.assert_array_equal(read_profile(tmp_path / "phone.toml").covariance, matrix)


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({}, ""),
        ({"make": "OtherCam"}, "other make: OtherCam, the profile is for ExampleCam"),
        ({"model": "EC-2"}, "other camera: EC-2, the profile is for EC-1"),
        ({"lens": "EC-1 wide"}, "other lens: EC-1 wide, the profile is for EC-1 main"),
        ({"width_px": 4032}, "other pixel size: 4032 x 2448, the profile is for 3264 x 2448"),
        ({"width_px": 2448, "height_px": 3264}, "other pixel size"),
        ({"focal_mm": 4.42}, ""),  # 0.45 %
        ({"focal_mm": 4.43}, "other focal length: 4.43 mm, the profile is for 4.4 mm"),
        ({"focal35_mm": 57.0}, "other 35 mm equivalent: 57 mm, the profile is for 28 mm"),
        # What a photo does not say cannot exclude it.
        ({"make": "", "model": "", "lens": "", "focal_mm": None, "focal35_mm": None}, ""),
    ],
)
def test_misfit(
    profile: LensProfile, header: PhotoHeader, changes: dict[str, object], reason: str
) -> None:
    told = misfit(profile, replace(header, identity=replace(IDENTITY, **changes)))
    assert told.startswith(reason)
    assert bool(told) == bool(reason)


def test_edited_photo_never_fits(profile: LensProfile, header: PhotoHeader) -> None:
    assert misfit(profile, replace(header, edited="cropped or resized")) == "cropped or resized"


def test_edited_sample_is_refused_by_its_own_camera(profile: LensProfile, shared: Path) -> None:
    """An edited photo of a phone, against a profile of that very phone and lens, full size and
    cropped size (exif_samples/NOTES.md: calibration must not be applied)."""
    header = read_header(shared / "photos/exif_samples/heic/IMG_5195.HEIC")
    for size in ((4032, 3024), (2566, 3313)):
        own = replace(header.identity, width_px=size[0], height_px=size[1])
        told = misfit(replace(profile, identity=own), header)
        assert told.startswith("cropped or resized: 2566 x 3313 pixels, the camera wrote 4032")


def test_zoomed_sample_is_refused_by_its_own_camera(profile: LensProfile, shared: Path) -> None:
    header = read_header(shared / "photos/exif_samples/jpg/iphone_hdr_NO.jpg")
    unzoomed = replace(header.identity, digital_zoom=None, focal35_mm=29.0)
    assert "digital zoom 1.97" in misfit(replace(profile, identity=unzoomed), header)


def test_heic_fits_profile_made_from_jpeg_of_the_phone(profile: LensProfile, shared: Path) -> None:
    """Its JPEG would be 4032 x 3024 with an orientation tag: the sensor's size."""
    header = read_header(shared / "photos/exif_samples/heic/iphone_13_pro_max.HEIC")
    jpeg = replace(header.identity, width_px=4032, height_px=3024)
    assert misfit(replace(profile, identity=jpeg), header) == ""
