"""Photos spoilt as people and phones spoil them: pixels and EXIF of a sound photo, changed.

Pixels are colour pictures (H, W, 3) uint8 in the sensor frame, whatever the orientation tag says.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from PIL import ExifTags, Image

from calib.frames import Array

Picture = np.ndarray


def read_picture(path: Path) -> Picture:
    """Colour pixels as stored."""
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    return np.asarray(cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), flags))


def read_exif(path: Path) -> Image.Exif:
    """EXIF of a photo, to be changed and written again."""
    with Image.open(path) as image:
        exif = image.getexif()
        exif.get_ifd(ExifTags.IFD.Exif)
        return exif


def write_photo(path: Path, picture: Picture, exif: Image.Exif | None) -> None:
    """JPEG or PNG by the name's suffix; ``exif`` None for none."""
    image = Image.fromarray(np.ascontiguousarray(picture[:, :, ::-1]))
    path.unlink(missing_ok=True)
    options = {} if exif is None else {"exif": exif.tobytes()}
    image.save(path, quality=92, compress_level=1, **options)


def without_sizes(exif: Image.Exif) -> None:
    """Take the picture's size out of its EXIF, as many programs do that crop."""
    tags = exif.get_ifd(ExifTags.IFD.Exif)
    for tag in (ExifTags.Base.ExifImageWidth, ExifTags.Base.ExifImageHeight):
        tags.pop(tag, None)


def mirrored(picture: Picture) -> Picture:
    return picture[:, ::-1]


def cropped(picture: Picture, share: tuple[float, float], at: tuple[float, float]) -> Picture:
    """A part of the picture: ``share`` of its height and width, ``at`` 0 to 1 of what is left."""
    size = [round(n * s) for n, s in zip(picture.shape, share, strict=False)]
    top, left = (round((n - m) * a) for n, m, a in zip(picture.shape, size, at, strict=False))
    return picture[top : top + size[0], left : left + size[1]]


def zoomed(picture: Picture, factor: float) -> Picture:
    """The middle, blown up to the full size."""
    part = cropped(picture, (1 / factor, 1 / factor), (0.5, 0.5))
    size = (picture.shape[1], picture.shape[0])
    return np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_CUBIC))


def screenshot(picture: Picture, screen: tuple[int, int]) -> Picture:
    """The picture on a dark screen (height, width), as large as it fits."""
    share = min(screen[0] / picture.shape[0], screen[1] / picture.shape[1])
    size = (round(picture.shape[1] * share), round(picture.shape[0] * share))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    whole = np.full((*screen, 3), 12, np.uint8)
    top, left = (screen[0] - size[1]) // 2, (screen[1] - size[0]) // 2
    whole[top : top + size[1], left : left + size[0]] = small
    return whole


def retouched(picture: Picture, contrast: float, gamma: float, saturation: float) -> Picture:
    """A filter: contrast about the middle, gamma, saturation."""
    levels = np.linspace(0.0, 1.0, 256) ** gamma
    levels = np.clip(0.5 + contrast * (levels - 0.5), 0.0, 1.0)
    toned = np.rint(255 * levels).astype(np.uint8)[picture].astype(np.float32)
    grey = toned.mean(axis=2, keepdims=True)
    return np.clip(grey + saturation * (toned - grey), 0, 255).astype(np.uint8)


def straightened(picture: Picture, corners: Array) -> Picture:
    """Perspective edited: corners (4, 2), as shares of the size, are pulled into the corners."""
    height, width = picture.shape[:2]
    size = np.array([width - 1, height - 1])
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    h = cv2.getPerspectiveTransform(
        ((square + corners) * size).astype(np.float32), (square * size).astype(np.float32)
    )
    return np.asarray(cv2.warpPerspective(picture, h, (width, height), flags=cv2.INTER_CUBIC))


def bulged(picture: Picture, strength: float) -> Picture:
    """Barrel or cushion: r becomes r (1 + strength r^2), r = 1 at half the longer side."""
    height, width = picture.shape[:2]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    u, v = (2 * x - width) / width, (2 * y - height) / width
    by = 1.0 + strength * (u * u + v * v)
    return np.asarray(
        cv2.remap(
            picture,
            ((u * by * width + width) / 2).astype(np.float32),
            ((v * by * width + height) / 2).astype(np.float32),
            cv2.INTER_LINEAR,
        )
    )


def stitched(left: Picture, right: Picture, seam: float) -> Picture:
    """Two photos of one size joined: one up to the seam (a share of the width), the other after."""
    at = round(seam * left.shape[1])
    return np.concatenate([left[:, :at], right[:, at:]], axis=1)


def motion_blurred(picture: Picture, length_px: float, angle_rad: float) -> Picture:
    """Smeared along a straight line."""
    half = int(np.ceil(length_px / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for t in np.linspace(-0.5, 0.5, 8 * half):
        x = half + t * length_px * np.cos(angle_rad)
        y = half + t * length_px * np.sin(angle_rad)
        i, j = int(y), int(x)
        for di, wi in ((0, 1 - (y - i)), (1, y - i)):
            for dj, wj in ((0, 1 - (x - j)), (1, x - j)):
                kernel[min(i + di, 2 * half), min(j + dj, 2 * half)] += wi * wj
    return np.asarray(cv2.filter2D(picture, -1, kernel / kernel.sum()))


def exposed(picture: Picture, gain: float, noise: float, rng: np.random.Generator) -> Picture:
    """Light times ``gain`` (linear in the square of the stored value), with noise of the sensor."""
    light = (picture.astype(np.float32) / 255) ** 2 * gain
    stored = 255 * np.sqrt(np.minimum(light, 1.0))
    stored += rng.normal(0.0, noise, picture.shape[:2]).astype(np.float32)[:, :, None]
    return np.clip(np.rint(stored), 0, 255).astype(np.uint8)


def painted(picture: Picture, outline_px: Array, grey: int) -> Picture:
    """A polygon (N, 2) px filled, its edge softened by a sixteenth of a pixel."""
    out = picture.copy()
    cv2.fillPoly(
        out,
        [np.rint(outline_px * 16).astype(np.int32)],
        (grey, grey, grey),
        lineType=cv2.LINE_AA,
        shift=4,
    )
    return out


def glaring(picture: Picture, centre_px: Array, radius_px: float, light: float) -> Picture:
    """A reflection that fades out from its middle, added to the light and clipped."""
    height, width = picture.shape[:2]
    reach = int(4 * radius_px)
    x0, y0 = (max(0, int(c) - reach) for c in centre_px)
    x1, y1 = min(width, int(centre_px[0]) + reach), min(height, int(centre_px[1]) + reach)
    if x0 >= x1 or y0 >= y1:
        return picture
    x, y = np.meshgrid(np.arange(x0, x1), np.arange(y0, y1))
    square = ((x - centre_px[0]) ** 2 + (y - centre_px[1]) ** 2) / radius_px**2
    out = picture.copy()
    part = out[y0:y1, x0:x1] + light * np.exp(-0.5 * square)[:, :, None]
    out[y0:y1, x0:x1] = np.clip(part, 0, 255).astype(np.uint8)
    return out
