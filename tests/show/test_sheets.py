"""Sheets as PDF and SVG: lengths on the page read back by a library that did not draw them."""

import io
import re
import xml.etree.ElementTree as ET

import numpy as np
import pypdfium2
import pytest
from pypdf import PdfReader
from pypdf.generic import ContentStream

from simkit.making.paper import A4, LETTER, Fill, Ink, Line, Page, Pen, Text, circle, rectangle, stroke
from simkit.making.sheets import pages, work_of
from simkit.show.printed import drawn, pdf, svg, write
from simkit.vessel import loads
from simkit.vessel.starter import starter

MM = 72 / 25.4  # points


@pytest.fixture(scope="module")
def work():
    return work_of(loads(starter("egg"), "starter.toml"))


SOME = ("First whistle", "Inside form", "Section cards", "Holes")


@pytest.fixture(scope="module")
def sheets(work):
    """Those that are measured below on A4; on letter paper, where the same hand draws, the first two."""
    return {A4: [page for page in pages(work, A4) if page.title in SOME], LETTER: pages(work, LETTER)[:2]}


@pytest.fixture(scope="module")
def books(sheets):
    return {paper: pdf([drawn(page) for page in found]) for paper, found in sheets.items()}


@pytest.fixture(scope="module")
def pictures(sheets):
    return [svg(drawn(page)) for page in sheets[A4]]


def paths(pdf_page, reader):
    """Every path of a PDF page, mm: moves, lines and curves' ends under the current matrix (ISO 32000-1, 8.5)."""
    matrix, kept, found, path = np.eye(3), [], [], []
    for operands, operator in ContentStream(pdf_page.get_contents(), reader).operations:
        if operator == b"q":
            kept.append(matrix)
        elif operator == b"Q":
            matrix = kept.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = map(float, operands)
            matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
        elif operator in (b"m", b"l", b"c"):
            x, y = map(float, operands[-2:])
            path.append((np.array([x, y, 1]) @ matrix)[:2] / MM)
        elif operator in (b"S", b"s", b"f", b"B", b"b", b"n", b"f*", b"B*", b"b*"):
            if path and operator != b"n":
                found.append(np.array(path))
            path = []
    return found


@pytest.mark.parametrize("paper", [A4, LETTER])
def test_the_rulers_are_a_hundred_millimetres_in_both_directions(books, sheets, paper):
    reader = PdfReader(io.BytesIO(books[paper]))
    assert len(reader.pages) == len(sheets[paper])
    for pdf_page, page in zip(reader.pages, sheets[paper], strict=True):
        spans = {tuple(np.round(np.ptp(path, axis=0), 3)) for path in paths(pdf_page, reader) if len(path) == 2}
        assert (100.0, 0.0) in spans and (0.0, 100.0) in spans, page.title


@pytest.mark.parametrize("paper", [A4, LETTER])
def test_paper_sizes_and_no_scaling(books, sheets, paper):
    reader = PdfReader(io.BytesIO(books[paper]))
    for pdf_page, page in zip(reader.pages, sheets[paper], strict=True):
        assert (float(pdf_page.mediabox.width), float(pdf_page.mediabox.height)) == pytest.approx(
            (page.paper.width * MM, page.paper.height * MM), abs=0.05
        )
        assert "/UserUnit" not in pdf_page and pdf_page.get("/Rotate", 0) == 0
    assert reader.root_object["/ViewerPreferences"]["/PrintScaling"] == "/None"
    assert b"/PrintScaling /None" in books[paper], "readable without unpacking anything"


def test_every_line_is_where_the_sheet_has_it(books, sheets):
    """All corners of all stroked lines on one sheet, to a hundredth of a millimetre."""
    reader = PdfReader(io.BytesIO(books[A4]))
    number = next(k for k, page in enumerate(sheets[A4]) if page.title == "Section cards")
    found = np.concatenate(paths(reader.pages[number], reader))
    from scipy.spatial import cKDTree

    tree = cKDTree(found)
    for mark in sheets[A4][number].marks:
        if isinstance(mark, Line):
            assert tree.query(np.array(mark.points))[0].max() < 0.01, mark.name


def test_a_card_on_the_page_is_as_large_as_the_wet_form(books, sheets, work):
    """Every card as computed, and both views as long, wide and high as the fired air over (1 - S), S = 10 %."""
    reader = PdfReader(io.BytesIO(books[A4]))
    (chamber,) = work.chambers
    number = next(k for k, page in enumerate(sheets[A4]) if page.title == "Section cards")
    sizes = [np.ptp(path, axis=0) for path in paths(reader.pages[number], reader)]
    for card in chamber.form.across:
        assert min(np.abs(size - card.size).max() for size in sizes) < 0.05
    (length,) = (s.fired_mm for s in chamber.sizes if s.what == "inside, along")
    number = next(k for k, page in enumerate(sheets[A4]) if page.title == "Inside form")
    spans = np.array([np.ptp(path, axis=0) for path in paths(reader.pages[number], reader)])
    wide = [s.fired_mm / 0.9 for s in chamber.sizes if s.what in ("inside, across", "inside, up")]
    for width in wide:
        assert np.abs(spans - [width, length / 0.9]).max(axis=1).min() < 0.05


def test_a_renderer_measures_the_same():
    """Rendered by PDFium at 20 dots a millimetre; a bar of 80 by 120 mm, filled, so that the pen does not count."""
    page = Page("bar", A4, (rectangle(30, 40, 80, 120, Pen.NONE, Fill.INK),))
    document = pypdfium2.PdfDocument(pdf([drawn(page)]))
    image = np.asarray(document[0].render(scale=20 / MM, grayscale=True).to_numpy()).squeeze()
    dark = image < 128
    rows, columns = np.flatnonzero(dark.any(axis=1)), np.flatnonzero(dark.any(axis=0))
    assert len(columns) / 20 == pytest.approx(80, abs=0.1) and len(rows) / 20 == pytest.approx(120, abs=0.1)


def test_words_can_be_searched(books):
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(books[A4])).pages)
    for words in ("First whistle", "LEATHER-HARD", "Silica dust", "printed at 100 %"):
        assert words in text


def test_the_same_sheets_are_the_same_bytes(books, sheets, pictures):
    assert pdf([drawn(page) for page in sheets[LETTER]]) == books[LETTER]
    assert svg(drawn(sheets[A4][0])) == pictures[0]
    assert b"CreationDate" not in books[A4] and b"/Producer" not in books[A4]


def test_svg_is_in_millimetres(sheets):
    page = sheets[LETTER][1]
    root = ET.fromstring(svg(drawn(page)))
    assert (root.get("width"), root.get("height")) == ("215.9mm", "279.4mm")
    scale = 215.9 / float(root.get("viewBox").split()[2])
    names = {"ruler-across": (100, 0), "ruler-up": (0, 100)}
    for element in root.iter("{http://www.w3.org/2000/svg}g"):
        if element.get("id") in names:
            numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*", element[0].get("d"))]
            span = np.ptp(np.array(numbers).reshape(-1, 2), axis=0) * scale
            assert span == pytest.approx(names.pop(element.get("id")), abs=0.01)
    assert not names


def test_ids_in_svg_are_names_and_single(pictures):
    for picture in pictures:
        ids = re.findall(r' id="([^"]*)"', picture)
        assert len(ids) == len(set(ids)) and all(re.fullmatch(r"[A-Za-z0-9_.:-]+", each) for each in ids)


def test_all_pens_inks_and_levels_can_be_drawn(tmp_path):
    marks = [stroke((20, 20 + 5 * k), (60, 20 + 5 * k), pen=pen, name=pen) for k, pen in enumerate(Pen)]
    marks += [circle((100, 20 + 10 * k), 8, Pen.THIN, fill) for k, fill in enumerate(Fill)]
    levels = zip(Ink, ["top", "middle", "base", "base", "top"], strict=True)
    marks += [Text((130, 20 + 10 * k), "$x_1$ & <Ω>", ink=ink, level=level) for k, (ink, level) in enumerate(levels)]
    written = write([Page("all", A4, tuple(marks))], tmp_path)
    assert written == ["sheets-a4.pdf", "sheets-a4-1.svg"]
    assert all((tmp_path / name).stat().st_size > 1000 for name in written)
