"""Opening photos: real phone files with known facts, all orientations, damaged files.

Facts about the samples: photos/exif_samples/NOTES.md beside the repository.
"""

import datetime
import os
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from calib import photo
from calib.photo import photo_paths, read_grey, read_header, read_preview, read_time
from targets.errors import UserError

ORIENTATIONS = range(1, 9)


def picture(rng: np.random.Generator, width: int = 400, height: int = 300) -> Image.Image:
    """Smooth coloured noise without any symmetry."""
    coarse = rng.integers(0, 256, (height // 10, width // 10, 3), dtype=np.uint8)
    return Image.fromarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC))


def exif_bytes(tags: dict[int, object]) -> bytes:
    exif = Image.Exif()
    for tag, value in tags.items():
        if tag >= 0x8000:  # belongs into the Exif directory
            exif.get_ifd(0x8769)[tag] = value
        else:
            exif[tag] = value
    return exif.tobytes()


def save(image: Image.Image, path: Path, tags: dict[int, object] | None = None) -> Path:
    options = {"quality": 98, "subsampling": 0} if path.suffix == ".jpg" else {}
    image.save(path, exif=exif_bytes(tags or {}), **options)
    return path


def grey_of(image: Image.Image) -> np.ndarray:
    return np.asarray(image.convert("L")).astype(int)


# What real phones write


@pytest.mark.parametrize(
    ("name", "size", "orientation", "edited", "words"),
    [
        ("jpg/jolla.jpg", (3264, 2448), 1, "", "3264 x 2448"),
        ("heic/iphone_13_pro_max.HEIC", (4032, 3024), 6, "", "4032 x 3024"),
        ("heic/HMD_Nokia_8.3_5G_hdr.heif", (4608, 3456), 1, "", "unnamed camera, 4608 x 3456"),
        ("heic/IMG_5195.HEIC", (2566, 3313), 1, "cropped or resized", "2566 x 3313"),
        ("jpg/iphone_hdr_NO.jpg", (3264, 2448), 1, "digital zoom 1.97", "3264 x 2448"),
    ],
)
def test_phone_samples(
    shared: Path, name: str, size: tuple[int, int], orientation: int, edited: str, words: str
) -> None:
    header = read_header(shared / "photos/exif_samples" / name)
    assert (header.identity.width_px, header.identity.height_px) == size
    assert header.orientation == orientation
    assert bool(header.edited) == bool(edited)
    assert edited in header.edited
    assert words in header.identity.name
    assert header.name == Path(name).name


def test_identity_of_a_phone(shared: Path) -> None:
    identity = read_header(shared / "photos/exif_samples/heic/iphone_13_pro_max.HEIC").identity
    assert identity.focal_mm == 5.7
    assert identity.focal35_mm == 26
    assert "back triple camera" in identity.lens
    assert identity.digital_zoom is None  # it says 1.00066, its plain 1x


def test_heic_comes_back_as_the_sensor_saw_it(shared: Path) -> None:
    """The file's own irot box (anticlockwise quarter turns, ISO/IEC 23008-12, from memory) is the
    oracle: the decoder has turned by it, the sensor frame is before it."""
    path = shared / "photos/exif_samples/heic/iphone_13_pro_max.HEIC"
    data = path.read_bytes()
    quarter_turns = data[data.index(b"irot") + 4] & 3
    assert quarter_turns == 3
    with Image.open(path) as image:
        decoded = grey_of(image)
    grey = read_grey(path)
    assert grey.shape == (3024, 4032)
    assert np.abs(np.rot90(grey, quarter_turns).astype(int) - decoded).max() <= 1


def test_heic_preview_stands_upright(shared: Path) -> None:
    path = shared / "photos/exif_samples/heic/iphone_13_pro_max.HEIC"
    rgb, _ = read_preview(path, 300)
    with Image.open(path) as image:
        upright = np.asarray(image.resize((225, 300), Image.Resampling.BOX)).astype(int)
    assert rgb.shape == (300, 225, 3)
    assert np.abs(rgb - upright).mean() < 3


def test_sample_orientations_look_alike(shared: Path) -> None:
    """Eight files of one scene, each stored another way; only the printed digit differs. The
    first is another edition of it, brighter all over."""
    folder = shared / "photos/exif_samples/orientation"
    views = [read_preview(folder / f"landscape_{i}.jpg", 150)[0].astype(int) for i in ORIENTATIONS]
    assert {v.shape for v in views} == {(113, 150, 3)}
    for view in views[1:]:
        assert np.median(np.abs(view - views[1])) <= 5
        away = min(
            np.median(np.abs(view[::-1] - views[1])), np.median(np.abs(view[:, ::-1] - view))
        )
        assert away > 20


# Orientation, in every format


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_orientation_is_told_and_not_applied(
    tmp_path: Path, rng: np.random.Generator, suffix: str, orientation: int
) -> None:
    image = picture(rng)
    path = save(image, tmp_path / f"a{suffix}", {274: orientation})
    header = read_header(path)
    assert header.orientation == orientation
    assert (header.identity.width_px, header.identity.height_px) == (400, 300)
    grey = read_grey(path)
    assert grey.shape == (300, 400)
    assert np.abs(grey - grey_of(image)).mean() < 2


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_heic_of_any_orientation_comes_back(
    tmp_path: Path, rng: np.random.Generator, orientation: int
) -> None:
    """The writer stores the turn in the file; the decoder turns, and this is undone."""
    image = picture(rng)
    path = tmp_path / "a.heic"
    image.save(path, exif=exif_bytes({274: orientation}), quality=90)
    with Image.open(path) as decoded:
        assert decoded.size == ((300, 400) if orientation >= 5 else (400, 300))
    assert read_header(path).orientation == orientation
    assert np.abs(read_grey(path) - grey_of(image)).mean() < 3
    turned = ImageOps.exif_transpose(
        Image.open(save(image, tmp_path / "a.png", {274: orientation}))
    )
    assert np.abs(read_preview(path, 400)[0] - np.asarray(turned).astype(int)).mean() < 6


def test_heic_turn_follows_the_boxes_not_the_tag(tmp_path: Path, rng: np.random.Generator) -> None:
    """Some writers leave an EXIF orientation without a turn in the file: nothing is turned then."""
    image = picture(rng)
    path = tmp_path / "a.heic"
    exif = Image.Exif()
    exif[274] = 6
    image.save(path, exif=exif, quality=90)  # the writer overlooks a tag handed over like this
    assert b"irot" not in path.read_bytes()
    assert read_header(path).orientation == 1
    assert np.abs(read_grey(path) - grey_of(image)).mean() < 3

    image.save(path, exif=exif_bytes({274: 6}), quality=90)
    data = path.read_bytes()
    assert data.count(b"irot\x03") == 1
    tag = data.index(b"Exif\0\0")
    at = data.index(b"\x01\x12\0\x03\0\0\0\x01\0\x06", tag) + 9  # big-endian, value 6
    path.write_bytes(data[:at] + b"\x01" + data[at + 1 :])
    assert read_header(path).orientation == 6
    assert np.abs(read_grey(path) - grey_of(image)).mean() < 3


def test_mirrored_heic_without_tag_is_doubtful(tmp_path: Path, rng: np.random.Generator) -> None:
    path = tmp_path / "a.heic"
    picture(rng).save(path, exif=exif_bytes({274: 2}), quality=90)
    assert read_header(path).edited == ""
    data = path.read_bytes()
    at = data.index(b"\x01\x12\0\x03\0\0\0\x01\0\x02", data.index(b"Exif\0\0")) + 9
    path.write_bytes(data[:at] + b"\x01" + data[at + 1 :])
    assert "does not say which way" in read_header(path).edited


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("longest_px", [1000, 400, 170, 90, 45])
@pytest.mark.parametrize("suffix", [".jpg", ".png"])
def test_preview_shows_sensor_points_where_it_says(
    tmp_path: Path, orientation: int, longest_px: int, suffix: str
) -> None:
    """A white spot must appear where the affine puts it, through all reductions and turns."""
    spot = np.array([270.0, 60.0])
    x, y = np.meshgrid(np.arange(400), np.arange(300))
    bright = 255 * np.exp(-((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / (2 * 12.0**2))
    image = Image.fromarray(bright.astype(np.uint8)).convert("RGB")
    rgb, affine = read_preview(save(image, tmp_path / f"a{suffix}", {274: orientation}), longest_px)
    assert max(rgb.shape) == min(longest_px, 400)
    assert (rgb.shape[0] > rgb.shape[1]) == (orientation >= 5)
    weight = rgb[..., 0].astype(float)
    rows, columns = np.indices(weight.shape)
    seen = np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()
    expected = affine[:, :2] @ spot + affine[:, 2]
    np.testing.assert_allclose(seen, expected, atol=0.08)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_preview_is_turned_as_pillow_turns(
    tmp_path: Path, rng: np.random.Generator, orientation: int
) -> None:
    path = save(picture(rng), tmp_path / "a.png", {274: orientation})
    with Image.open(path) as image:
        upright = np.asarray(ImageOps.exif_transpose(image))
    np.testing.assert_array_equal(read_preview(path, 400)[0], upright)


# Signs of editing


@pytest.mark.parametrize(
    ("tags", "reason"),
    [
        ({}, ""),
        ({0xA002: 400, 0xA003: 300}, ""),
        ({0xA002: 0, 0xA003: 0}, ""),
        ({0xA002: 800, 0xA003: 600}, "cropped or resized: 400 x 300 pixels, the camera wrote 800"),
        ({0xA002: 300, 0xA003: 400}, "turned by another program"),
        ({0xA002: 300, 0xA003: 400, 274: 6}, ""),
        ({0xA404: 2.0}, "taken with digital zoom 2"),
        ({0xA404: 1.0007}, ""),
        ({0xA404: 0.0}, ""),
    ],
)
def test_edited(
    tmp_path: Path, rng: np.random.Generator, tags: dict[int, object], reason: str
) -> None:
    header = read_header(save(picture(rng), tmp_path / "a.jpg", tags))
    assert header.edited.startswith(reason)
    assert bool(header.edited) == bool(reason)


def test_rounding_of_focal_length_splits_no_group(tmp_path: Path, rng: np.random.Generator) -> None:
    tags = {271: "ExampleCam\0", 272: " EC-1 ", 0x920A: 4.4, 0xA405: 28}
    one = read_header(save(picture(rng), tmp_path / "a.jpg", tags))
    other = read_header(save(picture(rng), tmp_path / "b.jpg", {**tags, 0x920A: 4.3999}))
    third = read_header(save(picture(rng), tmp_path / "c.jpg", {**tags, 0x920A: 6.0}))
    assert one.identity == other.identity
    assert one.identity != third.identity
    assert one.identity.name == "ExampleCam EC-1, 400 x 300"


def test_damaged_exif_is_no_exif(tmp_path: Path, rng: np.random.Generator) -> None:
    path = save(picture(rng), tmp_path / "a.jpg", {272: "EC-1"})
    data = path.read_bytes()
    start = data.index(b"Exif\0\0")
    path.write_bytes(data[: start + 6] + b"\xff" * 20 + data[start + 26 :])
    assert read_header(path).identity.model == ""
    assert read_grey(path).shape == (300, 400)


# Kinds of pixels


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_sixteen_bits_are_scaled(tmp_path: Path, rng: np.random.Generator, name: str) -> None:
    deep = rng.integers(0, 65536, (60, 80), dtype=np.uint16)
    cv2.imwrite(str(tmp_path / name), deep)
    assert np.abs(read_grey(tmp_path / name) - deep / 257).max() <= 1


@pytest.mark.parametrize(
    ("mode", "name", "tolerance"),
    [
        ("RGBA", "a.png", 1),
        ("RGBA", "a.tif", 1),
        ("LA", "a.png", 1),
        ("P", "a.png", 1),
        ("1", "a.png", 1),
        ("CMYK", "a.jpg", 8),  # lossy
        ("CMYK", "a.tif", 1),
        ("F", "a.tif", 1),  # OpenCV cannot read this one
    ],
)
def test_modes(
    tmp_path: Path, rng: np.random.Generator, mode: str, name: str, tolerance: int
) -> None:
    image = picture(rng).convert("L" if mode == "F" else mode, dither=Image.Dither.NONE)
    expected = grey_of(image.convert("RGB"))
    image = image.convert(mode)
    image.save(tmp_path / name)
    off = np.abs(read_grey(tmp_path / name) - expected)
    assert off.max() <= tolerance
    assert read_preview(tmp_path / name, 100)[0].shape == (75, 100, 3)


def test_transparent_pixels_keep_their_grey(tmp_path: Path, rng: np.random.Generator) -> None:
    image = picture(rng)
    expected = grey_of(image)
    image.putalpha(0)
    image.save(tmp_path / "a.png")
    assert np.abs(read_grey(tmp_path / "a.png") - expected).max() <= 1


# Files that are no good


def test_missing_file(tmp_path: Path) -> None:
    for read in (read_header, read_grey, lambda p: read_preview(p, 100)):
        with pytest.raises(UserError, match=r"^gone\.jpg: cannot read this file"):
            read(tmp_path / "gone.jpg")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", r"a\.jpg: is empty"),
        (b"dear diary", "is not a picture"),
        (b"\xff\xd8\xff", "is not a picture"),
        (b"II*\0\xff\xff\xff\xff", "is not a picture"),
        (b"\0\0\0\x18ftypheic" + bytes(40), "is not a picture"),
    ],
)
def test_not_a_picture(tmp_path: Path, data: bytes, message: str) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    for read in (read_header, read_grey, lambda p: read_preview(p, 100)):
        with pytest.raises(UserError, match=message):
            read(path)


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".heic"])
@pytest.mark.parametrize("share", [0.3, 0.9, 0.995])
def test_file_cut_short(
    tmp_path: Path, rng: np.random.Generator, suffix: str, share: float
) -> None:
    path = save(picture(rng), tmp_path / f"a{suffix}")
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    for read in (read_grey, lambda p: read_preview(p, 100)):
        with pytest.raises(UserError, match=r"damaged or cut short|is not a picture"):
            read(path)


@pytest.fixture
def no_decoder(monkeypatch: pytest.MonkeyPatch) -> None:
    """Some releases of OpenCV fill what is missing with grey, so damage must be found before."""

    def decode(*_: object) -> None:
        pytest.fail("it was decoded")

    monkeypatch.setattr(cv2, "imdecode", decode)


@pytest.mark.usefixtures("no_decoder")
@pytest.mark.parametrize("suffix", [".jpg", ".png"])
def test_cut_is_found_before_decoding(
    tmp_path: Path, rng: np.random.Generator, suffix: str
) -> None:
    path = save(picture(rng), tmp_path / f"a{suffix}")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) - 20])
    with pytest.raises(UserError, match="damaged or cut short"):
        read_grey(path)


@pytest.mark.usefixtures("no_decoder")
def test_thumbnail_does_not_hide_a_cut(tmp_path: Path, rng: np.random.Generator) -> None:
    """The end marker of a thumbnail inside the EXIF block must not count."""
    path = save(picture(rng), tmp_path / "a.jpg")
    data = path.read_bytes()
    thumbnail = save(picture(rng, 40, 30), tmp_path / "b.jpg").read_bytes()
    block = b"\xff\xe1" + struct.pack(">H", 2 + len(thumbnail)) + thumbnail
    path.write_bytes(data[:2] + block + data[2 : len(data) // 2])
    with pytest.raises(UserError, match="damaged or cut short"):
        read_grey(path)


def test_thumbnail_does_no_harm(tmp_path: Path, rng: np.random.Generator) -> None:
    path = save(picture(rng), tmp_path / "a.jpg")
    data = path.read_bytes()
    thumbnail = save(picture(rng, 40, 30), tmp_path / "b.jpg").read_bytes()
    block = b"\xff\xe1" + struct.pack(">H", 2 + len(thumbnail)) + thumbnail
    path.write_bytes(data[:2] + block + data[2:])
    assert read_grey(path).shape == (300, 400)


def test_end_lost_to_zeros(tmp_path: Path, rng: np.random.Generator) -> None:
    """A broken memory card leaves the length and zeros."""
    path = save(picture(rng), tmp_path / "a.jpg")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2] + bytes(len(data) - len(data) // 2))
    with pytest.raises(UserError, match="damaged or cut short"):
        read_grey(path)


def test_data_behind_the_picture_does_no_harm(tmp_path: Path, rng: np.random.Generator) -> None:
    """Phones append films and gain maps."""
    path = save(picture(rng), tmp_path / "a.jpg")
    before = read_grey(path)
    path.write_bytes(path.read_bytes() + rng.bytes(200_000))
    np.testing.assert_array_equal(read_grey(path), before)


def test_absurd_size_is_refused_before_decoding(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A PNG of a few bytes may claim 30 000 x 20 000 pixels."""
    chunks = b"\x89PNG\r\n\x1a\n"
    head = struct.pack(">IIBBBBB", 30_000, 20_000, 8, 0, 0, 0, 0)
    for kind, body in ((b"IHDR", head), (b"IDAT", zlib.compress(b"")), (b"IEND", b"")):
        crc = struct.pack(">I", zlib.crc32(kind + body))
        chunks += struct.pack(">I", len(body)) + kind + body + crc
    path = tmp_path / "a.png"
    path.write_bytes(chunks)

    def decoded(*_: object) -> None:
        pytest.fail("it was decoded")

    monkeypatch.setattr(photo, "_decode", decoded)
    for read in (read_header, read_grey, lambda p: read_preview(p, 100)):
        with pytest.raises(UserError, match="claims 30000 x 20000 pixels"):
            read(path)


def test_a_bomb_is_refused_before_decoding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A whole PNG of one grey: 108 Mpx, as large phones make them, in a few kilobytes."""
    path = tmp_path / "a.png"
    Image.new("1", (12_000, 9_000)).save(path)
    monkeypatch.setattr(photo, "_decode", None)
    for read in (read_header, read_grey, lambda p: read_preview(p, 100)):
        with pytest.raises(UserError, match=r"claims 12000 x 9000 pixels in \d+ bytes, too few"):
            read(path)


def test_a_huge_file_is_refused_before_reading(tmp_path: Path) -> None:
    path = tmp_path / "film.jpg"
    path.touch()
    os.truncate(path, 5_000_000_000)
    for read in (read_header, read_grey, lambda p: read_preview(p, 100)):
        with pytest.raises(UserError, match=r"film\.jpg: has 5000 MB, more than any photo"):
            read(path)


@pytest.mark.parametrize("kind", ["png", "tiff", "webp", "bmp", "avif", "heif", "jpeg2000", "gif"])
def test_a_wrong_extension_does_no_harm(
    tmp_path: Path, rng: np.random.Generator, kind: str
) -> None:
    """What the file is decides, not what it is called; what no camera writes is no photo."""
    image = picture(rng)
    image.save(tmp_path / "a.jpg", format=kind, **({"quality": 95} if kind in "webp avif" else {}))
    if kind in ("jpeg2000", "gif"):
        with pytest.raises(UserError, match="is not a picture that can be read"):
            read_grey(tmp_path / "a.jpg")
    else:
        assert np.abs(read_grey(tmp_path / "a.jpg") - grey_of(image)).mean() < 4


def test_no_other_program_is_started(
    tmp_path: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A PostScript file called a photo would be handed to an interpreter that runs its text."""
    picture(rng).save(tmp_path / "a.jpg", format="EPS")
    monkeypatch.setattr("subprocess.Popen", None)
    for read in (read_header, read_grey):
        with pytest.raises(UserError, match="is not a picture that can be read"):
            read(tmp_path / "a.jpg")


@pytest.mark.parametrize("kind", ["png", "webp"])
def test_a_moving_picture_is_no_photo(tmp_path: Path, rng: np.random.Generator, kind: str) -> None:
    image = picture(rng)
    image.save(tmp_path / f"a.{kind}", save_all=True, append_images=[image.transpose(0)])
    with pytest.raises(UserError, match="is a moving picture"):
        read_header(tmp_path / f"a.{kind}")


def test_several_pages_are_one_photo(tmp_path: Path, rng: np.random.Generator) -> None:
    """Phones append a second picture (MPO), scanners a small one (TIFF): the first is measured."""
    image = picture(rng)
    for name in ("a.tif", "a.mpo"):
        image.save(tmp_path / name, save_all=True, append_images=[image.transpose(0)])
        assert np.abs(read_grey(tmp_path / name) - grey_of(image)).mean() < 4


def test_progressive_jpeg(tmp_path: Path, rng: np.random.Generator) -> None:
    image = picture(rng)
    image.save(tmp_path / "a.jpg", quality=95, progressive=True)
    assert np.abs(read_grey(tmp_path / "a.jpg") - grey_of(image)).mean() < 2
    data = (tmp_path / "a.jpg").read_bytes()
    (tmp_path / "a.jpg").write_bytes(data[: len(data) // 2])
    with pytest.raises(UserError, match="is damaged or cut short"):
        read_grey(tmp_path / "a.jpg")


# Folders


def test_photo_paths(tmp_path: Path) -> None:
    for name in ("b.JPG", "a.heic", "c.tiff", ".d.jpg", "._b.JPG", "notes.txt", "e.mp4"):
        (tmp_path / name).touch()
    (tmp_path / "folder.jpg").mkdir()
    assert [p.name for p in photo_paths(tmp_path)] == ["a.heic", "b.JPG", "c.tiff"]
    with pytest.raises(UserError, match="cannot read this folder"):
        photo_paths(tmp_path / "nowhere")


@pytest.mark.parametrize(
    "name",
    [
        *("Übung – 写真 #1 (копия).jpg", "U\u0308bung.jpg", "🚗🔧.jpg", "con.jpg", "a:b.jpg"),
        *(" .jpg", "-rf.jpg", "a\nb.jpg", "%s{}.jpg", f"{'long' * 50}.jpg", "a.png.jpg"),
    ],
)
def test_odd_file_names(tmp_path: Path, rng: np.random.Generator, name: str) -> None:
    path = save(picture(rng), tmp_path / name)
    assert photo_paths(tmp_path) == [path]
    assert read_header(path).name == name
    assert read_grey(path).shape == (300, 400)


def test_a_name_that_is_no_text_is_told(tmp_path: Path) -> None:
    (tmp_path / os.fsdecode(b"\xfc.jpg")).touch()
    with pytest.raises(UserError, match=r"the file name '\\udcfc.jpg' is not UTF-8 text; rename"):
        photo_paths(tmp_path)


def test_links(tmp_path: Path, rng: np.random.Generator) -> None:
    """A link to a photo is a photo; one that leads nowhere, or in a circle, is named."""
    photos = tmp_path / "photos"
    photos.mkdir()
    save(picture(rng), tmp_path / "a.jpg")
    (photos / "1.jpg").symlink_to(tmp_path / "a.jpg")
    (photos / "2.jpg").symlink_to(tmp_path / "gone.jpg")
    (photos / "3.jpg").symlink_to(photos / "3.jpg")
    (photos / "4.jpg").symlink_to(tmp_path)
    (photos / "5.jpg").symlink_to("/dev/zero")
    os.mkfifo(photos / "6.jpg")
    assert [p.name for p in photo_paths(photos)] == ["1.jpg", "2.jpg", "3.jpg"]
    assert read_grey(photos / "1.jpg").shape == (300, 400)
    for name in ("2.jpg", "3.jpg"):
        with pytest.raises(UserError, match=f"{name}: cannot read this file"):
            read_header(photos / name)
    for name in ("5.jpg", "6.jpg"):
        with pytest.raises(UserError, match=f"{name}: is no file"):
            read_header(photos / name)


def test_a_chunk_that_claims_more_than_the_file_holds_is_refused(tmp_path: Path) -> None:
    """Found by fuzzing: a kilobyte of PNG made the decoder take gigabytes for such a chunk."""
    path = tmp_path / "claims.png"
    Image.fromarray(np.zeros((24, 32), np.uint8)).save(path)
    data = bytearray(path.read_bytes())
    at = data.index(b"IDAT") - 4
    data[at : at + 4] = (0x7F000000).to_bytes(4, "big")
    path.write_bytes(data)
    with pytest.raises(UserError, match="damaged or cut short"):
        read_grey(path)


def test_the_time_of_a_photo_is_that_of_its_camera(tmp_path: Path) -> None:
    """EXIF 2.3, 0x9003 DateTimeOriginal (from memory); anything else tells no time."""
    picture = Image.new("L", (8, 8))
    for name, said in (("a", "2026:05:12 10:14:07"), ("b", "    :  :     :  :  "), ("c", None)):
        tags: dict[int, object] = {} if said is None else {0x9003: said}
        picture.save(tmp_path / f"{name}.jpg", exif=exif_bytes(tags))
    assert read_time(tmp_path / "a.jpg") == datetime.datetime(2026, 5, 12, 10, 14, 7)
    (tmp_path / "d.jpg").write_bytes(b"no picture")
    for name in "bcde":
        assert read_time(tmp_path / f"{name}.jpg") is None
