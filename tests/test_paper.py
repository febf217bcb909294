"""The report on paper: what it says, how it looks to a PDF library, and what an archive wants."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pymupdf
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.t2CharStringPen import T2CharStringPen
from PIL import Image, ImageCms

from pipeline.datum.deviation import DeviationTable
from pipeline.repair.correction import corrections
from pipeline.report import drawing, letters
from pipeline.report.archive import ended_lines, srgb_profile
from pipeline.report.letters import letters_for, starts_right, visual
from pipeline.report.paper import paper_bytes
from pipeline.results.result import Result
from pipeline.sessions.measured import measured_of, solved_document
from tests.report_case import first_points, invented, titled, without_sheet, written
from tests.terminal import refused, run

JARS = Path("/usr/share/java")
NEEDED_JARS = ("preflight", "pdfbox2", "fontbox2", "xmpbox", "commons-logging", "jaxb-api")


def printed(result: Result, *options: str) -> Any:
    """The report of a result as pymupdf opens it."""
    folder = written(result)
    outcome = run("report", folder, "--pdf", *options)
    assert outcome.exit_code == 0, outcome.stderr
    pdf = pymupdf.open(folder / "results" / "report.pdf")
    assert re.match(rf"(Report on|Bericht auf) {len(pdf)} ", outcome.stdout)
    return pdf


def text_of(pdf: Any) -> str:
    return " ".join(" ".join(page.get_text() for page in pdf).split())


@pytest.fixture
def case(tmp_path: Path) -> Result:
    return invented(tmp_path / "van")[0]


# --- what it says -------------------------------------------------------------------------------


def test_it_says_what_the_result_says(case: Result) -> None:
    pdf = printed(case)
    text = text_of(pdf)
    document = json.loads((case.job.folder / "results" / "result.json").read_text("utf-8"))
    assert 2 <= len(pdf) <= 4
    assert f"▲ {document['answer'][0]} {document['answer'][1]}" in text
    assert "▲ out: 14.2 rearward, 5.5 inward, 6.1 up" in text
    for figures in ("▲ −14.20 ± 0.15", "? −3.05 ± 0.15", "1885.8", "454.5", "336.1"):
        assert figures in text
    assert "Base points, which carry the vehicle frame: C L, C R, D L, D R." in text
    assert "card 11: Card 11 was measured in 2 photos only." in text
    assert "Bar 90-91: 1200.00 mm by its certificate, from the photos 1200.04 ± 0.12 mm" in text
    assert "they never replace any of them" in text
    for label in ("Measured by", "Read by (customer or insurer)", "Place and date", "Signature"):
        assert label in text
    for number, page in enumerate(pdf, start=1):
        assert f"page {number} of {len(pdf)}" in page.get_text()


def test_it_names_the_file_that_has_all_figures(case: Result) -> None:
    text = text_of(printed(case))
    data = (case.job.folder / "results" / "result.json").read_bytes()
    assert hashlib.sha256(data).hexdigest() in text.replace(" ", "")


def test_drawings_are_lines_at_their_places(case: Result) -> None:
    """The names of the plan stand where the drawing has them, but for one shift and one scale."""
    pdf = printed(case)
    assert not any(page.get_images() for page in pdf)
    rows = case.deviations.rows
    view = drawing.draw_view(rows, drawing.PLAN, drawing.exaggeration(rows), 760.0)
    middles = {
        s.text: s.points[0] for s in view.shapes if s.kind == "text" and s.anchor == "middle"
    }
    found = {}
    for block in pdf[0].get_text("dict")["blocks"]:
        for line in block.get("lines", []):
            for span in line["spans"]:
                if span["text"] in middles and span["text"] not in found:  # the plan comes first
                    found[span["text"]] = ((span["bbox"][0] + span["bbox"][2]) / 2, span["origin"])
    names = [f"{row.point} {row.side}" for row in rows]
    assert set(names) <= set(found)
    at = np.array([(found[n][0], found[n][1][1]) for n in names])
    drawn = np.array([middles[n] for n in names])
    scale = np.ptp(at[:, 0]) / np.ptp(drawn[:, 0])
    np.testing.assert_allclose(
        at - scale * drawn, np.tile((at - scale * drawn)[0], (11, 1)), atol=0.5
    )
    assert 0.5 < scale < 0.7


def test_all_drawings_stand_on_the_first_page(case: Result) -> None:
    """As large as there is room for: more above them makes them smaller, and pushes none away."""
    pages = {}
    for title in ("Van", "Van after a long story " * 12):
        pages[title] = printed(titled(case, title))[0]
    for page in pages.values():
        text = page.get_text()
        assert all(view in text for view in ("Plan, seen", "Left side", "Right side"))
    low, high = (page.search_for("Plan, seen")[0].y0 for page in pages.values())
    assert high > low + 20


def test_the_table_of_points_begins_below_its_heading(case: Result) -> None:
    """Wherever on a page the heading comes, rows of the table follow it there."""
    folder = written(case)
    document = solved_document(folder)
    measured = measured_of(folder, document)
    seen = set()
    for lines in range(0, 120, 6):
        told = {"zone": "front", "verdict": "out", "sentence": "It is bent in many ways. " * lines}
        document["damage"] = {"zones": [told] * 3}
        pdf = pymupdf.open(stream=paper_bytes(measured, document)[0])
        for page in pdf:
            rows = page.search_for("A deviation is measured minus sheet")
            if rows:
                seen.add(page.number)
                assert page.get_text().count("▲ −14.20") == 1, lines
    assert len(seen) > 1


def test_letters_can_be_seen(case: Result) -> None:
    """Dark pixels where the plan has a name: a halo alone would leave them white."""
    page = printed(case)[0]
    box = page.search_for("C L")[0]
    picture = page.get_pixmap(clip=box, dpi=200, colorspace="gray")
    assert min(picture.samples) < 80


def test_a_job_without_a_sheet(case: Result) -> None:
    pdf = printed(without_sheet(case))
    assert "16 cards were measured, but no deviation can be given." in text_of(pdf)
    assert "Signatures" in text_of(pdf)


def test_one_point_on_letter_paper(case: Result) -> None:
    pdf = printed(first_points(case, 1), "--paper", "Letter")
    assert pdf[0].rect.width == pytest.approx(8.5 * 72)
    assert 1 <= len(pdf) <= 4
    assert "10 points have no result" in text_of(pdf)


def test_many_points_fill_four_pages_at_most(case: Result) -> None:
    rng = np.random.default_rng(5)
    rows = tuple(
        replace(
            case.deviations.rows[i % 11],
            point=f"P{i // 2}",
            side="LR"[i % 2],
            position_mm=rng.uniform([-2000, 100, 0], [2000, 800, 400]) * [1, 1 - 2 * (i % 2), 1],
        )
        for i in range(120)
    )
    findings = tuple(replace(case.findings[0], text=f"Finding {i}.") for i in range(40))
    table = DeviationTable(rows, np.eye(360))
    pdf = printed(replace(case, deviations=table, findings=findings))
    assert len(pdf) <= 4
    text = text_of(pdf)
    assert re.search(r"70 more points are not listed here \(70 within\)", text)
    assert "28 more are in report.html" in text


def test_inches_stand_beside_millimetres(case: Result) -> None:
    """-14.2 mm / 25.4 mm = -0.559 in."""
    assert "0.559 in" not in text_of(printed(case))
    inches = replace(case, job=replace(case.job, inches=True))
    assert "−14.20 ± 0.15 (−0.559 in)" in text_of(printed(inches))
    assert "(−0,559 Zoll)" in text_of(printed(inches, "--language", "de"))


def test_what_is_not_to_scale_says_so(case: Result) -> None:
    assert "Not to scale. No bar of known length" in text_of(
        printed(replace(case, scaled=False, bars=()))
    )


def test_files_that_changed_are_named_without_a_folder(case: Result) -> None:
    text = text_of(printed(case))
    assert "Older than its files." in text
    assert str(case.job.folder) not in text


def reopened(case: Result, change: Any) -> str:
    """Text of the report after a change of the result.json."""
    folder = written(case)
    path = folder / "results" / "result.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(json.dumps(document), encoding="utf-8")
    assert run("report", folder, "--pdf").exit_code == 0
    return text_of(pymupdf.open(folder / "results" / "report.pdf"))


def test_left_is_held_against_right_without_a_sheet(case: Result) -> None:
    def with_sides(document: Any) -> None:
        pair = {"point": "A", "difference_mm": [-17.35, -12.7, None], "U_mm": [0.15, 0.28, 0.2]}
        diagonal = {"what": "diagonals", "left_mm": 984.06, "right_mm": 1002.21, "U_mm": 0.2}
        document["symmetry"] = {
            "pairs": [{**pair, "verdict": "out"}],
            "comparisons": [
                {**diagonal, "points": ["A", "B"], "verdict": "out"},
                {**diagonal, "points": ["C", "D"], "verdict": "within"},
            ],
            "cannot": "It shows only what differs.",
        }

    text = reopened(without_sheet(case), with_sides)
    assert "A ▲ out −17.4 ± 0.2 −12.7 ± 0.3 – " in text
    assert "diagonals A-B ▲ out 984.1 left, 1002.2 right difference −18.2 ± 0.2" in text
    assert "diagonals C-D" not in text
    assert "It shows only what differs." in text


def test_zones_date_and_technician(case: Result) -> None:
    def with_zones(document: Any) -> None:
        document["settings"] |= {"date": "2026-11-20", "technician": "KM"}
        zone = {"zone": "rear", "verdict": "undecided", "sentence": "Rear section: cannot tell."}
        document["damage"] = {"zones": [zone]}

    text = reopened(case, with_zones)
    assert "Photographed on 2026-11-20; technician KM." in text
    assert "Damage by zone ? Undecided. Rear section: cannot tell." in text
    # The first page says where, before anything is drawn.
    assert text.index("Rear section: ? undecided") < text.index("Where the points moved")


def test_the_way_back_of_each_point_that_is_out(case: Result) -> None:
    """14.2 rearward, 5.5 inward, 6.1 up is 14.2 forward, 5.5 outward, 6.1 down; only of the out.

    Length by hand: sqrt(14.2^2 + 5.5^2 + 6.1^2) = 16.4.
    """
    found = corrections(case.deviations)
    table = replace(case, corrections=found)
    text = text_of(printed(table))
    assert "Way back of the points that are out, mm A L: 14.2 ± 0.2 forward" in text
    assert "5.5 ± 0.2 outward" in text
    assert "6.1 ± 0.3 down." in text
    assert found[0].length_mm == pytest.approx(16.4, abs=0.05)
    assert "Nobody stands in line with a chain" in text
    many = tuple(replace(found[0], length_mm=20.0 - i) for i in range(11))
    assert "3 more, all shorter, are on the page." in text_of(
        printed(replace(case, corrections=many))
    )
    assert "Way back" not in text_of(printed(replace(case, corrections=())))


# --- letters ------------------------------------------------------------------------------------


def test_arabic_letters_are_joined_and_run_from_the_right() -> None:
    """Forms of the Unicode chart Arabic Presentation Forms-B: seen initial FEB3, yeh medial FEF4,
    alef final FE8E, reh isolated FEAD, teh marbuta isolated FE93."""
    assert visual("سيارة") == "\ufe93\ufead\ufe8e\ufef4\ufeb3"
    assert visual("Van  \n سيارة!") == "Van \ufe93\ufead\ufe8e\ufef4\ufeb3!"
    assert starts_right("«سيارة» Van")
    assert not starts_right("12 Van سيارة")


def test_titles_in_any_script_with_html_in_them(case: Result) -> None:
    pdf = printed(titled(case, "شاحنة 2024 <b>x</b> &amp; Łódź Тест"))
    text = text_of(pdf)
    assert "b>x</b>" in text  # as a text, not as bold print
    assert "&amp; Łódź Тест" in text
    assert pdf.metadata["title"] == "شاحنة 2024 <b>x</b> &amp; Łódź Тест"
    assert re.search("[\ufe70-\ufeff]|شاحنة", text)


def font_of_one_sign(path: Path, sign: str) -> None:
    """An OpenType font with cubic outlines (CFF) whose one letter is a square."""
    builder = FontBuilder(1000, isTTF=False)
    builder.setupGlyphOrder([".notdef", "one"])
    builder.setupCharacterMap({ord(sign): "one"})
    strings = {}
    for name in (".notdef", "one"):
        pen = T2CharStringPen(1000, None)
        pen.moveTo((100, 0))
        pen.lineTo((900, 0))
        pen.curveTo((900, 300), (900, 500), (900, 800))
        pen.lineTo((100, 800))
        pen.closePath()
        strings[name] = pen.getCharString()
    builder.setupCFF("OneSign", {"FullName": "One Sign"}, strings, {})
    builder.setupHorizontalMetrics({".notdef": (1000, 100), "one": (1000, 100)})
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": "OneSign", "styleName": "Regular", "psName": "OneSign"})
    builder.setupOS2(sTypoAscender=800, sTypoDescender=-200, fsType=0)
    builder.setupPost()
    builder.save(path)


def test_other_signs_come_from_a_font_of_this_computer(
    case: Result, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fonts = tmp_path / "fonts"
    fonts.mkdir()
    (fonts / "broken.ttf").write_bytes(b"no font")
    font_of_one_sign(fonts / "one.otf", "车")
    monkeypatch.setattr(letters, "system_folders", lambda: [fonts])
    pdf = printed(titled(case, "车 left"))
    assert text_of(pdf).startswith("车 left")
    assert all(font[1] != "n/a" for page in pdf for font in page.get_fonts())
    assert "empty square" not in text_of(pdf)


def test_a_sign_that_no_font_has_is_told(
    case: Result, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert letters_for(["车 a"], folders=[tmp_path]).missing == ("车",)
    monkeypatch.setattr(letters, "system_folders", lambda: [tmp_path / "none"])
    text = text_of(printed(titled(case, "车 \U0001f697 left\x07")))
    assert text.startswith("□ □ left")
    assert (
        "a sign that no font of this computer has (U+8F66, U+1F697); report.html shows it" in text
    )


# --- the archive --------------------------------------------------------------------------------


def test_everything_is_inside_the_file(case: Result) -> None:
    pdf = printed(case)
    assert not pdf.is_repaired
    fonts = {font[3]: font[1] for page in pdf for font in page.get_fonts()}
    assert len(fonts) == 2
    assert set(fonts.values()) == {"ttf"}  # "n/a" would be a font that is only named
    xmp = pdf.get_xml_metadata()
    assert "<pdfaid:part>1</pdfaid:part><pdfaid:conformance>B</pdfaid:conformance>" in xmp
    date = pdf.metadata["creationDate"]  # D:20261125040906+00'00'
    assert f"{date[2:6]}-{date[6:8]}-{date[8:10]}T{date[10:12]}" in xmp
    assert pdf.metadata["producer"] in xmp
    catalog = pdf.xref_object(pdf.pdf_catalog())
    assert "/GTS_PDFA1" in catalog
    assert "/Encrypt" not in pdf.pdf_trailer()


def test_every_reference_finds_its_object(case: Result) -> None:
    printed(case)
    data = (case.job.folder / "results" / "report.pdf").read_bytes()
    start = int(data.split(b"startxref\n")[1].split(b"\n")[0])
    table = data[start:].split(b"trailer")[0].splitlines()
    assert table[:2] == [b"xref", b"0 %d" % (len(table) - 2)]
    for number, line in enumerate(table[3:], start=1):
        assert data[int(line[:10]) :].startswith(b"%d 0 obj" % number)
    streams = re.findall(rb"(.)endstream\nendobj", data, re.S)
    assert len(streams) > 5
    assert set(streams) == {b"\n"}
    with pytest.raises(ValueError, match="not a PDF"):
        ended_lines(b"%PDF-1.4\nxref\n")


def test_the_colour_space_is_srgb() -> None:
    """Against the profile that Pillow's littleCMS makes: no colour differs by more than a step."""
    profile = ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile()))
    colours = np.random.default_rng(2).integers(0, 256, (64, 64, 3), dtype=np.uint8)
    theirs = ImageCms.profileToProfile(
        Image.fromarray(colours), profile, ImageCms.createProfile("sRGB")
    )
    assert np.abs(np.asarray(theirs).astype(int) - colours).max() <= 1
    assert profile.profile.version == pytest.approx(2.1)


@pytest.mark.skipif(
    shutil.which("java") is None or not all((JARS / f"{j}.jar").exists() for j in NEEDED_JARS),
    reason="Apache PDFBox Preflight is not here (Debian: libpdfbox2-java, libactivation-java, "
    "libjaxb-api-java and a Java runtime)",
)
def test_apache_pdfbox_finds_it_fit_for_the_archive(case: Result) -> None:
    """Preflight checks PDF/A-1b (ISO 19005-1, level B)."""
    printed(titled(case, "شاحنة <b> left"))
    path = case.job.folder / "results" / "report.pdf"
    jars = os.pathsep.join(str(JARS / f"{j}.jar") for j in (*NEEDED_JARS, "javax.activation"))
    done = subprocess.run(
        ["java", "-cp", jars, "org.apache.pdfbox.preflight.Validator_A1b", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "is a valid PDF/A-1b file" in done.stdout, done.stdout


# --- bad input ----------------------------------------------------------------------------------


def test_refusals_in_a_sentence(case: Result) -> None:
    folder = written(case)
    assert "add --pdf" in refused("report", folder)
    assert "add .pdf" in refused("report", folder, "--pdf", "-o", folder / "a.txt")
    assert "take A4 or Letter" in refused("report", folder, "--pdf", "--paper", "A9")
    taken = folder / "taken"
    taken.write_text("x")
    assert "cannot write" in refused("report", folder, "--pdf", "-o", taken / "a.pdf")
    path = folder / "results" / "result.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    del document["answer"]
    path.write_text(json.dumps(document), encoding="utf-8")
    assert "an older version wrote this result" in refused("report", folder, "--pdf")
    shutil.rmtree(folder / "results")
    assert "this job was not solved yet" in refused("report", folder, "--pdf")
