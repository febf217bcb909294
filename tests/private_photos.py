"""Photos that tell what is nobody's business: place, serial numbers, owner; pixels untouched."""

from __future__ import annotations

import io

from PIL import Image

SECRETS = ("SN-4711-BODY", "SN-0815-LENS", "Kim Invented", "id-c0ffee", "GEOIDNAME", "51.2925")
"""Texts that no result may hold; the last is the latitude, which the tags hold in three parts."""

# Tag numbers of EXIF 2.32 (from memory): owner, body and lens serial number, unique id of the
# picture; GPS latitude and longitude with their letters, map datum.
_DETAILS = {0xA430: SECRETS[2], 0xA431: SECRETS[0], 0xA435: SECRETS[1], 0xA420: SECRETS[3]}
_GPS = {
    1: "N",
    2: (51.0, 17.0, 33.0),
    3: "E",
    4: (6.0, 49.0, 12.0),
    18: SECRETS[4],
}


def with_secrets(jpeg: bytes) -> bytes:
    """The same JPEG with such EXIF tags added to its own; the compressed picture stays as it is."""
    with Image.open(io.BytesIO(jpeg)) as photo:
        exif = photo.getexif()
    exif.get_ifd(0x8769).update(_DETAILS)
    exif.get_ifd(0x8825).update(_GPS)
    body = exif.tobytes()
    if not body.startswith(b"Exif\0\0"):
        body = b"Exif\0\0" + body
    segment = b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body
    at, rest = 2, b""
    while jpeg[at : at + 1] == b"\xff" and jpeg[at + 1] != 0xDA:
        size = 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big")
        if not jpeg[at + 4 :].startswith(b"Exif\0\0"):
            rest += jpeg[at : at + size]
        at += size
    return jpeg[:2] + segment + rest + jpeg[at:]
