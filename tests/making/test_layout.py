"""Sheets of paper: nothing falls off, rulers are true, large things are laid over several."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.making.layout import LEFT, OVERLAP, Flow, Heading, laid_over, rulers, windowed
from simkit.making.paper import (
    PAPERS,
    Drawing,
    Fill,
    Line,
    Pen,
    Text,
    clipped,
    polygon,
    rectangle,
    stroke,
    width_of,
    wrapped,
)

HEAD = Heading("piece", "purpose", "wet")


@pytest.mark.parametrize("paper", PAPERS)
def test_paper_is_what_the_standards_say(paper):
    """ISO 216: A4 is 210 by 297 mm; ANSI/ASME Y14.1 size A: 8.5 by 11 inches."""
    sizes = {"A4": (210, 297), "Letter": (8.5 * 25.4, 11 * 25.4)}
    assert (paper.width, paper.height) == pytest.approx(sizes[paper.name])


@pytest.mark.parametrize("paper", PAPERS)
def test_both_rulers_are_a_hundred_millimetres(paper):
    lines = {mark.name: mark for mark in rulers(paper) if isinstance(mark, Line)}
    assert lines["ruler across"].length == lines["ruler up"].length == pytest.approx(100)


@given(st.lists(st.tuples(st.floats(1, 150), st.floats(1, 120)), min_size=1, max_size=30))
def test_drawings_stay_on_the_sheet_and_apart(sizes):
    flow = Flow(PAPERS[0], HEAD)
    flow.put(*(Drawing(w, h, (rectangle(0, 0, w, h, name=str(k)),)) for k, (w, h) in enumerate(sizes)))
    boxes = []
    for number, marks in enumerate(flow.done):
        for mark in marks:
            p = np.array(mark.points)
            assert p[:, 0].min() >= LEFT - 1e-3 and p[:, 0].max() <= 200 + 1e-3 and p[:, 1].min() >= 23 - 1e-3
            boxes.append((number, *p.min(axis=0), *p.max(axis=0)))
    assert len(boxes) == len(sizes)
    for k, (n, x0, y0, x1, y1) in enumerate(boxes):
        for m, u0, v0, u1, v1 in boxes[:k]:
            assert n != m or x0 >= u1 or x1 <= u0 or y0 >= v1 or y1 <= v0


@pytest.mark.parametrize("size", [(400.0, 12.0), (300.0, 500.0), (150.0, 700.0)])
def test_what_is_larger_than_a_sheet_is_covered_by_its_pieces(size):
    """Every piece shows its own part; a diagonal's pieces add up to it, the shared edges counted twice."""
    diagonal = stroke((0, 0), size, name="diagonal")
    pieces = laid_over(Drawing(*size, (diagonal, Text((size[0] / 2, size[1] / 2), "middle")), "big"), 180, 240)
    assert all(piece.width <= 180 and piece.height <= 240 for piece in pieces)
    shown = sum(mark.length for piece in pieces for mark in piece.marks if getattr(mark, "name", "") == "diagonal")
    assert shown >= diagonal.length
    assert any(getattr(mark, "words", "") == "middle" for piece in pieces for mark in piece.marks)
    joins = [m for piece in pieces for m in piece.marks if getattr(m, "name", "") == "join"]
    assert joins and all(m.pen is Pen.HIDDEN for m in joins)


def test_neighbours_share_an_edge_to_glue():
    ticks = tuple(stroke((x, 0), (x, 5), name=f"{x}") for x in range(0, 401, 5))
    left, middle, right = laid_over(Drawing(400, 5, ticks, "strip"), 150, 100)
    names = [
        {m.name for m in piece.marks if isinstance(m, Line) and m.name.isdigit()} for piece in (left, middle, right)
    ]
    assert names[0] & names[1] == {"140", "145", "150"} and OVERLAP == 10
    assert names[0] | names[1] | names[2] == {f"{x}" for x in range(0, 401, 5)}


def test_the_name_of_a_piece_keeps_clear_of_other_words():
    words = (Text((0, 1.0), "mouth tip and more"), Text((60, 1.0), "under", turn_deg=90), Text((300, 1.0), "far tip"))
    pieces = laid_over(Drawing(310, 12, words, "strip A"), 180, 100)
    for piece in pieces:
        (code,) = (m for m in piece.marks if getattr(m, "words", "") == piece.name)
        reach = (code.at[0], code.at[0] + width_of(code.words, code.size))
        assert 0 < reach[0] < reach[1] < piece.width
        for other in (m for m in piece.marks if isinstance(m, Text) and m is not code and not m.turn_deg):
            assert reach[1] < other.at[0] or other.at[0] + width_of(other.words, other.size) < reach[0]
    assert all(60 <= piece.width <= 180 for piece in laid_over(Drawing(185, 12, words, "strip A"), 180, 100))


def test_an_area_is_cut_at_the_window():
    """A square of 10 seen through a window that leaves 6 by 4 of it."""
    (area, *_) = windowed([polygon(((-4, -6), (6, -6), (6, 4), (-4, 4)), Pen.NONE, Fill.CLAY)], 20, 20)
    assert np.ptp(np.array(area.points), axis=0) == pytest.approx([6, 4])


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=80), st.floats(5, 60))
def test_words_are_cut_to_their_room(words, room):
    assert len(clipped(words, 2.6, room)) <= max(1, len(words))
    assert all(
        len(line) <= max(8, room / 2.6 / 0.56, *map(len, words.split() or [""])) for line in wrapped(words, 2.6, room)
    )


def test_no_drawing_of_ours_is_named_like_a_file():
    assert not re.search(r"[\\/]", "".join(m.name for m in rulers(PAPERS[0]) if isinstance(m, Line)))
