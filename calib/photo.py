"""Open a photo: who took it, grey pixels as the sensor saw them, a small picture for people.

Measured pixels are always in the frame of the sensor. JPEG and PNG are stored that way, with an
EXIF orientation tag that tells viewers how to turn them; here it is carried along, never applied.
HEIC and TIFF are turned by their decoders, unasked; that is undone or prevented here. So one lens
profile serves all formats of one phone.
"""

from __future__ import annotations

import datetime
import functools
import io
import math
import os
import re
import stat
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import ExifTags, Image

from calib.frames import Array
from targets.errors import UserError, system_reason
from targets.said import say

SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif"})
"""What counts as a photo in a folder (lower case)."""

MAX_PIXELS = 220_000_000
"""Larger pictures are refused before they are decoded: no phone makes them."""

MAX_BYTES = 400_000_000
"""Larger files are no photos, but films or worse; they are refused before they are read."""

_FORMATS = ("JPEG", "PNG", "TIFF", "HEIF", "AVIF", "WEBP", "BMP")
"""What is opened, whatever a file is called. Pillow would also start other programs (EPS)."""
_FILMS = ("PNG", "WEBP", "AVIF")
"""Of these, those that may move. Several pictures in MPO, HEIC and TIFF are of one moment."""
_BOMB_PIXELS, _BOMB_BYTES_PER_PIXEL = 40_000_000, 0.01
"""Nothing large that a camera took is so small in the file; a prepared file may be (a bomb)."""

ZOOM_TOLERANCE = 0.005
"""Digital zoom nearer to 1 than this is none: phones write 1.0007 for their plain 1x setting."""

# What is wrong with a photo is told in our own words; OpenCV would write lines of its own between.
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)

Pixels = NDArray[np.uint8]

pillow_heif.register_heif_opener()
# Pillow's own limit warns from 89 Mpx on, which real phones reach; MAX_PIXELS takes its place.
Image.MAX_IMAGE_PIXELS = None

# How people see a stored picture, per EXIF orientation: transpose, then mirror x, then mirror y
# (EXIF 2.3 tag 0x0112, from memory; agrees with PIL.ImageOps.exif_transpose, see the tests).
_TURNS = {
    1: (False, False, False),
    2: (False, True, False),
    3: (False, True, True),
    4: (False, False, True),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}
_UNDOES = {**{i: i for i in _TURNS}, 6: 8, 8: 6}


@dataclass(frozen=True)
class CameraIdentity:
    """What a photo says about the camera behind it; equal identities share camera constants.

    Focal lengths are rounded (0.01 mm; 35 mm equivalent to 1 mm) so that the rounding of the
    writing software does not split a group. A photo without EXIF has empty names and is grouped
    by its pixel size alone.

    Attributes
    ----------
    make, model, lens : as in EXIF, stripped ("" when absent).
    focal_mm : focal length, None when absent.
    focal35_mm : 35 mm equivalent, None when absent.
    width_px, height_px : size of the sensor image, before any turning.
    digital_zoom : None when there is none (absent, or 1 within ``ZOOM_TOLERANCE``).
    """

    make: str
    model: str
    lens: str
    focal_mm: float | None
    focal35_mm: float | None
    width_px: int
    height_px: int
    digital_zoom: float | None

    @property
    def name(self) -> str:
        """For people.

        >>> CameraIdentity("ExampleCam", "EC-1", "", 4.4, 28, 3264, 2448, None).name
        'ExampleCam EC-1, 3264 x 2448'
        """
        model = self.model
        if self.make and not model.lower().startswith(self.make.lower()):
            model = f"{self.make} {model}".strip()
        return f"{model or 'unnamed camera'}, {self.width_px} x {self.height_px}"


@dataclass(frozen=True)
class PhotoHeader:
    """A photo before its pixels are decoded.

    Attributes
    ----------
    name : file name, as used in messages.
    path : where it is.
    identity : which camera took it.
    orientation : EXIF orientation 1 to 8: how the sensor image is turned for people.
    edited : why the pixels are not the sensor's (cropped, resized, turned, zoomed); "" if they are.
    """

    name: str
    path: Path
    identity: CameraIdentity
    orientation: int
    edited: str


def photo_paths(folder: Path) -> list[Path]:
    """The photos of a folder by name; hidden files, other suffixes and subfolders are left out.

    Raises
    ------
    UserError : there is no such folder, it may not be read, or a name in it is not text.
    """
    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        raise UserError(
            say("cannot read this folder ({reason})", reason=system_reason(error)),
            str(folder),
            "check its name",
        ) from error
    paths = [
        p
        for p in entries
        # A link that leads nowhere is listed, so that somebody hears of it.
        if p.suffix.lower() in SUFFIXES
        and not p.name.startswith(".")
        and (p.is_file() or (p.is_symlink() and not p.exists()))
    ]
    for path in paths:
        try:
            path.name.encode("utf-8")
        except UnicodeEncodeError as error:  # bytes of another character set, on Linux
            raise UserError(
                say("the file name {name} is not UTF-8 text", name=ascii(path.name)),
                str(folder),
                "rename the file",
            ) from error
    return paths


def read_header(path: Path) -> PhotoHeader:
    """Camera, orientation and signs of editing; no pixel is decoded.

    Raises
    ------
    UserError : missing, empty or unreadable file, not a picture, or more than ``MAX_PIXELS``.
    """
    try:
        _require_file(path)
        stream = path.open("rb")
    except OSError as error:
        raise _unreadable(path, error) from error
    with stream, _open(stream, path) as image:
        return _inspect(image, path)[0]


def read_time(path: Path) -> datetime.datetime | None:
    """When a photo was taken, by the camera's own clock and without a zone; None if it tells none.

    EXIF DateTimeOriginal, "2026:05:12 10:14:07". A file that is no photo tells none either.
    """
    try:
        with path.open("rb") as stream, _open(stream, path) as image:
            said = _exif(image).get(ExifTags.Base.DateTimeOriginal)
        return datetime.datetime.strptime(_text(said), "%Y:%m:%d %H:%M:%S")
    except (OSError, UserError, ValueError):
        return None


def read_grey(path: Path) -> Pixels:
    """Grey pixels (height, width) as the sensor saw them, whatever the orientation tag says.

    16-bit pictures are scaled down to 8; transparency is ignored.

    Raises
    ------
    UserError : as ``read_header``; also a file cut short or damaged (see ``_require_whole``).
    """
    data = _read(path)
    with _open(io.BytesIO(data), path) as image:
        header, turned = _inspect(image, path)
        grey = _decode(data, image, turned, cv2.IMREAD_GRAYSCALE, path)
    size_px = (header.identity.height_px, header.identity.width_px)
    if grey.shape != size_px:
        raise UserError(
            say(
                "its pixels ({width} x {height}) do not fit its header "
                "({header_width} x {header_height})",
                width=grey.shape[1],
                height=grey.shape[0],
                header_width=size_px[1],
                header_height=size_px[0],
            ),
            path.name,
            "use the original file from the camera",
        )
    return grey


def read_rgb(path: Path) -> Pixels:
    """Colour pixels (height, width, 3) as the sensor saw them, see ``read_grey``.

    Raises
    ------
    UserError : as ``read_header``; also a file cut short or damaged.
    """
    data = _read(path)
    with _open(io.BytesIO(data), path) as image:
        _, turned = _inspect(image, path)
        return _decode(data, image, turned, cv2.IMREAD_COLOR, path)


def read_preview(path: Path, longest_px: int) -> tuple[Pixels, Array]:
    """A small picture for people, and where sensor pixels lie in it.

    Parameters
    ----------
    path : the photo.
    longest_px : upper bound of the longer side; a smaller photo keeps its size.

    Returns
    -------
    rgb : (h, w, 3), turned as people see it.
    preview_from_sensor : (2, 3) affine matrix, px to px, pixel centres at whole numbers.

    Raises
    ------
    UserError : as ``read_grey``.
    """
    data = _read(path)
    with _open(io.BytesIO(data), path) as image:
        header, turned = _inspect(image, path)
        longest = max(header.identity.width_px, header.identity.height_px)
        reduced, flags = 1, cv2.IMREAD_COLOR
        if image.format in ("JPEG", "MPO"):
            # Only JPEG gains from a reduced decode; a pixel of it is exactly 4 or 8 px wide.
            if longest >= 8 * longest_px:
                reduced, flags = 8, cv2.IMREAD_REDUCED_COLOR_8
            elif longest >= 4 * longest_px:
                reduced, flags = 4, cv2.IMREAD_REDUCED_COLOR_4
        rgb = _decode(data, image, turned, flags, path)
    height, width = rgb.shape[:2]
    share = min(1.0, longest_px / max(height, width))
    if share < 1.0:
        size = (max(1, round(width * share)), max(1, round(height * share)))
        rgb = _bytes(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))
    scale = np.array([rgb.shape[1] / width, rgb.shape[0] / height]) / reduced
    small_from_sensor = np.array(
        [[scale[0], 0.0, (scale[0] - 1) / 2], [0.0, scale[1], (scale[1] - 1) / 2]]
    )
    small_size = (rgb.shape[1], rgb.shape[0])
    return (
        np.ascontiguousarray(_turn(rgb, header.orientation)),
        _turn_affine(small_from_sensor, small_size, header.orientation),
    )


def _unreadable(path: Path, error: OSError) -> UserError:
    return UserError(
        say("cannot read this file ({reason})", reason=system_reason(error)),
        path.name,
        "check that it is there",
    )


def _require_file(path: Path) -> None:
    """An ordinary file of a size that a photo may have: a pipe would be waited for for ever."""
    status = path.stat()
    if not stat.S_ISREG(status.st_mode):
        raise UserError("is no file", path.name, "put the photo itself there")
    if status.st_size > MAX_BYTES:
        raise UserError(
            say("has {size:.0f} MB, more than any photo", size=status.st_size / 1e6),
            path.name,
            "take it out",
        )


def _not_a_picture(path: Path) -> UserError:
    return UserError(
        "is not a picture that can be read",
        path.name,
        "use JPEG, PNG, TIFF or HEIC as the camera wrote it, or take the file out",
    )


def _damaged(path: Path) -> UserError:
    return UserError(
        "is damaged or cut short", path.name, "copy it from the phone again, or take it out"
    )


def _read(path: Path) -> bytes:
    try:
        _require_file(path)
        return path.read_bytes()
    except OSError as error:
        raise _unreadable(path, error) from error


def _open(stream: BinaryIO, path: Path) -> Image.Image:
    """Pillow's view of the header; pixels stay undecoded."""
    size_bytes = stream.seek(0, os.SEEK_END)
    if size_bytes == 0:
        raise UserError("is empty", path.name, "copy it from the phone again, or take it out")
    stream.seek(0)
    try:
        image = Image.open(stream, formats=_formats())
    # Hostile or damaged files make Pillow and libheif raise anything, from SyntaxError on.
    except Exception as error:
        raise _not_a_picture(path) from error
    width_px, height_px = image.size
    if width_px * height_px > MAX_PIXELS:
        raise UserError(
            say(
                "claims {width_px} x {height_px} pixels, more than any phone makes",
                width_px=width_px,
                height_px=height_px,
            ),
            path.name,
            "use the original file from the camera",
        )
    pixels = width_px * height_px
    if pixels > _BOMB_PIXELS and size_bytes < _BOMB_BYTES_PER_PIXEL * pixels:
        raise UserError(
            say(
                "claims {width_px} x {height_px} pixels in {size_bytes} bytes, too few for a photo",
                width_px=width_px,
                height_px=height_px,
                size_bytes=size_bytes,
            ),
            path.name,
            "use the original file from the camera",
        )
    if image.format in _FILMS and getattr(image, "is_animated", False):
        raise UserError("is a moving picture", path.name, "use photos")
    return image


@functools.cache
def _formats() -> list[str]:
    """Those that this Pillow can open; it fails on names that it does not know."""
    Image.init()
    return [name for name in _FORMATS if name in Image.OPEN]


def _decode(data: bytes, image: Image.Image, turned: int, flags: int, path: Path) -> Pixels:
    """Pixels in the sensor frame: grey (h, w) for IMREAD_GRAYSCALE, else RGB (h, w, 3).

    OpenCV decodes where it can, for speed; Pillow does the rest. ``turned`` is what Pillow's
    decoder does to a HEIC by itself.
    """
    _require_whole(data, image.format, path)
    if image.format == "HEIF":
        rgb = _turn(_rgb(image, path), _UNDOES[turned])
    else:
        data = _unturned_tiff(data)
        try:
            encoded = np.frombuffer(data, dtype=np.uint8)
            pixels = cv2.imdecode(encoded, flags | cv2.IMREAD_IGNORE_ORIENTATION)
        except cv2.error:
            pixels = None
        if pixels is not None:
            grey = flags == cv2.IMREAD_GRAYSCALE
            return _bytes(pixels if grey else cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB))
        with _open(io.BytesIO(data), path) as unturned:
            rgb = _rgb(unturned, path)
    rgb = np.ascontiguousarray(rgb)
    return _bytes(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)) if flags == cv2.IMREAD_GRAYSCALE else rgb


def _rgb(image: Image.Image, path: Path) -> Pixels:
    """All pixels through Pillow, turned or not as its decoder pleases."""
    try:
        return np.asarray(image.convert("RGB"))
    except Exception as error:  # see _open
        raise _damaged(path) from error


def _bytes(pixels: object) -> Pixels:
    """OpenCV's results under their true type, which its annotations leave open."""
    return np.asarray(pixels, dtype=np.uint8)


def _inspect(image: Image.Image, path: Path) -> tuple[PhotoHeader, int]:
    """Header, and the orientation that the decoder of this format applies by itself (1: none)."""
    width_px, height_px = image.size
    tags = _exif(image)
    orientation = _orientation(tags.get(ExifTags.Base.Orientation))
    written = (
        _positive(tags.get(ExifTags.Base.ExifImageWidth)),
        _positive(tags.get(ExifTags.Base.ExifImageHeight)),
    )
    turned, doubt = 1, ""
    if image.format == "TIFF":
        # Pillow swaps the sides of a turned TIFF; the tags have them as stored.
        width_px, height_px = image.tag_v2[256], image.tag_v2[257]  # type: ignore[attr-defined]
    if image.format == "HEIF":
        told = _orientation(image.info.get("original_orientation"))
        turned, doubt = _heif_turn(_read(path), told)
        orientation = turned
        if turned >= 5:
            width_px, height_px = height_px, width_px

    identity = CameraIdentity(
        make=_text(tags.get(ExifTags.Base.Make)),
        model=_text(tags.get(ExifTags.Base.Model)),
        lens=_text(tags.get(ExifTags.Base.LensModel)),
        focal_mm=_rounded(tags.get(ExifTags.Base.FocalLength), 2),
        focal35_mm=_rounded(tags.get(ExifTags.Base.FocalLengthIn35mmFilm), 0),
        width_px=width_px,
        height_px=height_px,
        digital_zoom=_zoom(tags.get(ExifTags.Base.DigitalZoomRatio)),
    )
    edited = doubt or _edited(identity, written, orientation)
    return PhotoHeader(path.name, path, identity, orientation, edited), turned


def _heif_turn(data: bytes, told: int) -> tuple[int, str]:
    """Orientation applied by the decoder of a HEIC, and a doubt ("" for none).

    Decoders turn by the file's own boxes irot (anticlockwise quarter turns) and imir (mirror), and
    pay no heed to the EXIF orientation ``told`` (ISO/IEC 23008-12, from memory; seen on files with
    the one and without the other). Mirrored files are rare, and there the EXIF is believed.
    """
    turns = {box[0] & 3 for box in re.findall(rb"\0\0\0\x09irot(.)", data, re.DOTALL)}
    mirrored = re.search(rb"\0\0\0\x09imir", data) is not None
    if mirrored or len(turns) > 1:
        return told, "" if told != 1 else say("turned, but it does not say which way")
    return {0: 1, 1: 8, 2: 3, 3: 6}[turns.pop() if turns else 0], ""


def _edited(
    identity: CameraIdentity, written: tuple[float | None, float | None], orientation: int
) -> str:
    """Why the pixels are not the sensor's, "" if they are; ``written``: EXIF pixel size."""
    size = (identity.width_px, identity.height_px)
    if identity.digital_zoom is not None:
        return say("taken with digital zoom {zoom:g}", zoom=identity.digital_zoom)
    if None in written or written == size:
        return ""
    # Some cameras write the size as seen, others as stored; both are fine if the tag says turned.
    if written == size[::-1]:
        return "" if orientation >= 5 else say("turned by another program")
    return say(
        "cropped or resized: {width} x {height} pixels, "
        "the camera wrote {written_width:g} x {written_height:g}",
        width=size[0],
        height=size[1],
        written_width=written[0],
        written_height=written[1],
    )


def _exif(image: Image.Image) -> Mapping[int, object]:
    """Tags of the main and the Exif directory; none where they are damaged."""
    try:
        tags = image.getexif()
        return {**tags, **tags.get_ifd(ExifTags.IFD.Exif)}
    except Exception:  # see _open; a photo with damaged EXIF is a photo without EXIF
        return {}


def _text(value: object) -> str:
    return "" if value is None else str(value).replace("\0", "").strip()


def _positive(value: object) -> float | None:
    """EXIF number, None when absent, damaged or not above zero (zero means unknown)."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def _rounded(value: object, digits: int) -> float | None:
    number = _positive(value)
    return None if number is None else round(number, digits)


def _zoom(value: object) -> float | None:
    number = _positive(value)
    return None if number is None or abs(number - 1) < ZOOM_TOLERANCE else round(number, 2)


def _orientation(value: object) -> int:
    return value if isinstance(value, int) and value in _TURNS else 1


def _require_whole(data: bytes, kind: str | None, path: Path) -> None:
    """Refuse a file cut short, without decoding it.

    A JPEG must have its end marker (FF D9) somewhere behind the start of its scan: in
    entropy-coded data FF is always followed by 00 or a restart marker, and the thumbnail's end
    marker lies before. Whatever phones append behind it (a gain map, a film) does no harm. A PNG
    must have all its chunks up to IEND, as long as they say: a decoder takes memory for what a
    chunk claims. Other formats fail in their decoders.

    Raises
    ------
    UserError : the end is missing.
    """
    if kind in ("JPEG", "MPO"):
        scan = _scan_start(data)
        whole = scan >= 0 and data.rfind(b"\xff\xd9", scan) >= 0
    elif kind == "PNG":
        whole = _png_is_whole(data)
    else:
        whole = True
    if not whole:
        raise _damaged(path)


def _png_is_whole(data: bytes) -> bool:
    """Whether the chunks (length, name, content, check sum) lead to IEND within the file."""
    at = 8
    while at + 12 <= len(data):
        if data[at + 4 : at + 8] == b"IEND":
            return True
        at += 12 + int.from_bytes(data[at : at + 4], "big")
    return False


def _scan_start(data: bytes) -> int:
    """Offset of the first scan (FF DA) of a JPEG, found by stepping over segments; -1: none."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        if data[at + 1] == 0xDA:
            return at
        if data[at + 1] == 0xFF:  # padding
            at += 1
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return -1


def _unturned_tiff(data: bytes) -> bytes:
    """The file with a TIFF orientation tag set to 1; other files as they are.

    OpenCV 5.0 and Pillow 13 turn a TIFF by its tag whatever they are told, so the tag goes.
    """
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(data[:4])
    if order is None:
        return data
    try:
        (directory,) = struct.unpack_from(order + "I", data, 4)
        (count,) = struct.unpack_from(order + "H", data, directory)
        for entry in range(directory + 2, directory + 2 + 12 * count, 12):
            if struct.unpack_from(order + "HH", data, entry) == (ExifTags.Base.Orientation, 3):
                one = struct.pack(order + "H", 1)
                return data[: entry + 8] + one + data[entry + 10 :]
    except struct.error:  # damaged: the decoder will say so
        pass
    return data


def _turn(pixels: Pixels, orientation: int) -> Pixels:
    """Pixels (h, w, ...) turned as people see them."""
    transpose, mirror_x, mirror_y = _TURNS[orientation]
    if transpose:
        pixels = pixels.swapaxes(0, 1)
    return pixels[:: -1 if mirror_y else 1, :: -1 if mirror_x else 1]


def _turn_affine(affine: Array, size_px: tuple[int, int], orientation: int) -> Array:
    """``affine`` (2, 3) into a picture of ``size_px`` (w, h), followed by ``_turn`` of it."""
    transpose, mirror_x, mirror_y = _TURNS[orientation]
    out = affine[::-1].copy() if transpose else affine.copy()
    size = size_px[::-1] if transpose else size_px
    for row, mirrored in enumerate((mirror_x, mirror_y)):
        if mirrored:
            out[row] *= -1.0
            out[row, 2] += size[row] - 1
    return out
