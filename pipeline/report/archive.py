"""What makes a PDF one for the archive (PDF/A-1b, ISO 19005-1): colours and metadata inside it.

Fonts must be embedded (``letters``), nothing transparent, encrypted or outside the file. Here come
the rest: an output intent, which says that red, green and blue are those of sRGB, and XMP metadata
that agree with the document's own.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

import numpy as np

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PDF_VERSION = (1, 4)

# Primaries and white of sRGB adapted to D50, as every sRGB profile of version 2 has them
# (IEC 61966-2-1 with Bradford's adaptation, from memory).
_XYZ = {
    "wtpt": (0.9642, 1.0, 0.8249),
    "rXYZ": (0.43607, 0.22249, 0.01392),
    "gXYZ": (0.38515, 0.71687, 0.09708),
    "bXYZ": (0.14307, 0.06061, 0.71410),
}
_CURVE_STEPS = 1024
_STREAM_END = b"endstream\nendobj\n"


def archived(canvas: Canvas, title: str, author: str, subject: str, creator: str) -> None:
    """Make a canvas, which is about to be saved, one for the archive."""
    from reportlab.pdfbase import pdfdoc

    canvas.setTitle(title)
    canvas.setAuthor(author)
    canvas.setSubject(subject)
    canvas.setCreator(creator)
    document = canvas._doc
    stamp = document._timeStamp
    year, month, day, hour, minute, second = stamp.YMDhms
    zone = f"{stamp.dhh:+03d}:{stamp.dmm:02d}"
    metadata = pdfdoc.PDFStream(
        pdfdoc.PDFDictionary(
            {"Type": pdfdoc.PDFName("Metadata"), "Subtype": pdfdoc.PDFName("XML")}
        ),
        xmp(
            title,
            author,
            subject,
            creator,
            str(document.info.producer),
            f"{year:04d}-{month:02d}-{day:02d}T{hour:02d}:{minute:02d}:{second:02d}{zone}",
        ),
    )
    metadata.__RefOnly__ = 1
    profile = pdfdoc.PDFStream(pdfdoc.PDFDictionary({"N": 3}), srgb_profile(), filters=())
    intent = pdfdoc.PDFDictionary(
        {
            "Type": pdfdoc.PDFName("OutputIntent"),
            "S": pdfdoc.PDFName("GTS_PDFA1"),
            "OutputConditionIdentifier": pdfdoc.PDFString("sRGB IEC61966-2.1"),
            "Info": pdfdoc.PDFString("sRGB IEC61966-2.1"),
            "DestOutputProfile": document.Reference(profile),
        }
    )
    catalog = document.Catalog
    catalog.Metadata = metadata
    catalog.OutputIntents = pdfdoc.PDFArray([intent])
    catalog.__NoDefault__ = [*pdfdoc.PDFCatalog.__NoDefault__, "OutputIntents"]


def ended_lines(pdf: bytes) -> bytes:
    """A PDF of reportlab with a line end before each "endstream", as the archive wants it.

    reportlab writes none (5.1). Objects move by it, so their places in the table of references
    are written anew.

    Raises
    ------
    ValueError : the table is not one as reportlab writes it.
    """
    head, mark, tail = pdf.rpartition(b"\nxref\n")
    table, trailer, rest = tail.partition(b"trailer\n")
    first, *entries = table.splitlines() or [b""]
    if not mark or not trailer or first != b"0 %d" % len(entries):
        raise ValueError("not a PDF as reportlab writes it")
    places = {int(line[:10]): n for n, line in enumerate(entries) if line[17:18] == b"n"}
    order = sorted(places)
    body = head[: order[0]]
    moved = [b"0000000000 65535 f "] + [b""] * (len(entries) - 1)
    for start, stop in zip(order, [*order[1:], len(head) + 1], strict=True):
        moved[places[start]] = b"%010d 00000 n " % len(body)
        text = (head + b"\n")[start:stop]
        if text.endswith(_STREAM_END):
            data = text[: -len(_STREAM_END)]
            text = data + (b"" if data.endswith(b"\n") else b"\n") + _STREAM_END
        body += text
    at = rest.index(b"startxref")
    lines = b"\n".join([b"xref", first, *moved])
    return b"%s%s\ntrailer\n%sstartxref\n%d\n%%%%EOF\n" % (body, lines, rest[:at], len(body))


def xmp(title: str, author: str, subject: str, creator: str, producer: str, written: str) -> bytes:
    """An XMP packet (UTF-8); ``written`` in the form of ISO 8601."""
    return f"""<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/">
<pdfaid:part>1</pdfaid:part><pdfaid:conformance>B</pdfaid:conformance>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/">
<dc:format>application/pdf</dc:format>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{escape(title)}</rdf:li></rdf:Alt></dc:title>
<dc:creator><rdf:Seq><rdf:li>{escape(author)}</rdf:li></rdf:Seq></dc:creator>
<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{escape(subject)}</rdf:li></rdf:Alt>\
</dc:description>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/">
<xmp:CreatorTool>{escape(creator)}</xmp:CreatorTool>
<xmp:CreateDate>{written}</xmp:CreateDate><xmp:ModifyDate>{written}</xmp:ModifyDate>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:pdf="http://ns.adobe.com/pdf/1.3/">
<pdf:Producer>{escape(producer)}</pdf:Producer><pdf:Keywords></pdf:Keywords>
</rdf:Description>
</rdf:RDF>
</x:xmpmeta>
<?xpacket end="w"?>""".encode()


def srgb_profile() -> bytes:
    """The sRGB colour space as an ICC profile of version 2.1 (ICC.1:1998-09, from memory)."""
    values = np.linspace(0.0, 1.0, _CURVE_STEPS)
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    curve = b"curv" + bytes(4) + struct.pack(">I", _CURVE_STEPS)
    curve += np.round(65535 * linear).astype(">u2").tobytes()
    name = b"sRGB IEC61966-2.1\0"
    tags = {
        "desc": b"desc"
        + bytes(4)
        + struct.pack(">I", len(name))
        + name
        + bytes(4 + 4 + 2 + 1 + 67),
        "cprt": b"text" + bytes(4) + b"No copyright, use freely\0",
        **{key: b"XYZ " + bytes(4) + _fixed(xyz) for key, xyz in _XYZ.items()},
        **dict.fromkeys(("rTRC", "gTRC", "bTRC"), curve),
    }
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    at: dict[bytes, int] = {}
    for key, data in tags.items():
        # The three curves are one.
        if data not in at:
            at[data] = start + len(body)
            body += data + bytes(-len(data) % 4)
        table += key.encode() + struct.pack(">II", at[data], len(data))
    header = struct.pack(
        ">I4sI4s4s4s6H4s4sI4s4sQI12s4s44x",
        *(start + len(body), b"\0\0\0\0", 0x02100000, b"mntr", b"RGB ", b"XYZ "),
        *(2024, 1, 1, 0, 0, 0, b"acsp", b"\0\0\0\0", 0, b"\0\0\0\0", b"\0\0\0\0", 0, 0),
        *(_fixed(_XYZ["wtpt"]), b"\0\0\0\0"),
    )
    return header + table + body


def _fixed(values: tuple[float, ...]) -> bytes:
    """Numbers as s15Fixed16."""
    return b"".join(struct.pack(">i", round(65536 * value)) for value in values)
