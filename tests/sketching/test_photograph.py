"""A picture of a drawing becomes the same sections: against closed forms, under a lamp, askew, on the printed sheet."""

import io
import math
import os
import runpy
import struct
import zlib
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image

import simkit
from simkit.body import body_of
from simkit.errors import InputError
from simkit.show.printed import drawn, pdf
from simkit.sketching.blank_paper import blank_pages

DRAWING = runpy.run_path(str(Path(__file__).with_name("drawing.py")))
ellipse, inked = DRAWING["ellipse"], DRAWING["inked"]

A, B, C = 50.0, 20.0, 25.0  # half length, half height, half width, mm
VOLUME = 4 / 3 * math.pi * A * B * C * 1e-9  # of an ellipsoid, m^3
SIDE, ABOVE = ellipse(105, 80, A, B), ellipse(105, 180, A, C)
DOTS = [(55, 270), (155, 270)]


def traced(picture, path):
    picture.save(path)
    return simkit.sketch(path, ruler_mm=100)


@pytest.mark.parametrize(
    ("name", "light"),
    [("a.png", {}), ("a.jpg", {"turn": 4.0, "shadow": 0.5, "noise": 0.05}), ("a.bmp", {"px": 3.0, "pen": 0.9})],
)
def test_an_ellipsoid_drawn_with_a_pen_has_its_volume(name, light, tmp_path):
    found = traced(inked([SIDE, ABOVE], DOTS, **light), tmp_path / name)
    assert body_of(found.vessel).chambers[0].volume == pytest.approx(VOLUME, rel=0.01)
    # A third of a pixel, and the pen's own steps, are what tracing can miss by; 5 or 3 pixels are a millimetre.
    assert max(miss.rms for _, miss in found.inside.misfits) < 0.1
    assert found.misfit_mm < 0.4


def test_an_outline_within_another_is_the_inside_and_small_ones_are_marks(tmp_path):
    window = np.array([[75, 174], [79, 174], [79, 186], [75, 186.0]])
    marks = [ellipse(105, 188, 3, 3), ellipse(85, 172, 2, 2), window]
    around = [ellipse(105, 80, A + 7, B + 7), ellipse(105, 180, A + 8, C + 8)]
    found = traced(inked([SIDE, ABOVE, *around, *marks], DOTS), tmp_path / "a.png")
    assert body_of(found.vessel).chambers[0].volume == pytest.approx(VOLUME, rel=0.01)
    holes = sorted((hole.along_mm, hole.around_deg > 0, hole.diameter_mm) for hole in found.vessel.chambers[0].holes)
    assert holes == [
        (pytest.approx(30, abs=0.2), False, pytest.approx(4, abs=0.2)),
        (pytest.approx(50, abs=0.2), True, pytest.approx(6, abs=0.2)),
    ]
    voicing = found.vessel.chambers[0].voicing
    assert (voicing.along_mm, voicing.window_width_mm, voicing.cut_up_mm) == pytest.approx((22, 12, 4), abs=0.25)


@pytest.mark.slow  # at once: outlines drawn once, above
def test_a_line_drawn_twice_is_one_outline(tmp_path):
    """Two strokes a millimetre apart that cross now and then: the outline lies midway."""
    t = np.linspace(0, 2 * np.pi, 240, endpoint=False)[:, None]
    twice = [SIDE + sign * 0.5 * np.sin(3 * t) * np.hstack([np.cos(t), np.sin(t)]) for sign in (-1, 1)]
    found = traced(inked([*twice, ABOVE], DOTS), tmp_path / "a.png")
    assert body_of(found.vessel).chambers[0].volume == pytest.approx(VOLUME, rel=0.02)


@pytest.mark.parametrize("number", [0, pytest.param(1, marks=pytest.mark.slow)])  # A4, letter
def test_a_drawing_on_the_printed_sheet_needs_no_dots_of_its_own(number, tmp_path):
    """The sheet's two dots, printed at 100 %, are the ruler, and nothing else of it is taken for a line."""
    (sheet,) = pypdfium2.PdfDocument(io.BytesIO(pdf([drawn(blank_pages()[number])])))
    paper = sheet.render(scale=5 * 25.4 / 72).to_pil()  # 5 pixels a millimetre
    found = traced(inked([SIDE, ABOVE], paper=paper, shadow=0.1), tmp_path / "a.png")
    assert body_of(found.vessel).chambers[0].volume == pytest.approx(VOLUME, rel=0.01)


@pytest.mark.parametrize(
    ("drawing", "said"),
    [
        ((), "dark lines on light paper"),
        (([SIDE], DOTS[:1]), "a ruler of two filled dots beside the outlines, level; there is one dot"),
        (([SIDE],), "there is none"),
        (([SIDE], [(30, 30), (100, 30), (170, 30)]), "there are 3 dots"),
        (([SIDE, ellipse(105, 60, 4, 4)], DOTS), "lines meet in the one around 31"),
        (([SIDE, ABOVE, ellipse(105, 235, A, 20)], DOTS), "at most two views"),
        (([SIDE], [(105, 150), (110, 260)]), "a ruler that lies level; its dots lie 87 degrees off"),
    ],
    ids=["blank", "one dot", "no dot", "three dots", "touching", "three views", "upright ruler"],
)
def test_a_picture_that_cannot_be_used_is_told_in_one_line(drawing, said, tmp_path):
    inked(*drawing, px=3.0).save(tmp_path / "a.png")
    with pytest.raises(InputError) as refusal:
        simkit.sketch(tmp_path / "a.png", ruler_mm=100)
    assert said in str(refusal.value) and len(str(refusal.value).splitlines()) == 1


def test_an_open_line_is_told_with_its_place(tmp_path):
    white = inked([], DOTS, px=3.0, noise=0.0, shadow=0.0)
    picture = np.asarray(inked([SIDE], DOTS, px=3.0)).copy()
    picture[165:188, 300:330] = np.asarray(white)[165:188, 300:330]  # the pen was lifted at the top
    Image.fromarray(picture).save(tmp_path / "a.png")
    with pytest.raises(InputError, match=r"the line around 31[4-6], 2[34]\d pixels .* is open: close it"):
        simkit.sketch(tmp_path / "a.png", ruler_mm=100)


def test_a_faint_pencil_is_told(tmp_path):
    faint = np.asarray(inked([SIDE], DOTS, px=3.0, noise=0.0)).astype(float)
    Image.fromarray((255 - 0.15 * (255 - faint)).astype("u1")).save(tmp_path / "a.png")
    with pytest.raises(InputError, match="draw with a black pen"):
        simkit.sketch(tmp_path / "a.png", ruler_mm=100)


def test_a_picture_wants_the_length_of_its_ruler(tmp_path):
    inked([SIDE], DOTS, px=3.0).save(tmp_path / "a.png")
    with pytest.raises(InputError, match="ruler_mm"):
        simkit.sketch(tmp_path / "a.png")


def test_files_that_are_no_pictures_are_told(tmp_path):
    (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    (tmp_path / "b.jpg").write_text("hello")
    for name in ("a.png", "b.jpg", "none.png"):
        with pytest.raises(InputError, match="a picture"):
            simkit.sketch(tmp_path / name, ruler_mm=100)


def test_a_pipe_is_no_picture_and_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "a.png")
    with pytest.raises(InputError, match="a file, not a folder or a device"):
        simkit.sketch(tmp_path / "a.png", ruler_mm=100)


def test_a_picture_that_is_far_too_large_is_refused_before_it_is_unpacked(tmp_path):
    for side in (9_100, 9_600, 14_000):  # Pillow has no word for the first, warns of the second, refuses the third
        chunks = [(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)), (b"IDAT", zlib.compress(b""))]
        png = b"".join(
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
            for kind, data in chunks
        )
        (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n" + png)
        with pytest.raises(InputError, match="at most 80 million pixels"):
            simkit.sketch(tmp_path / "a.png", ruler_mm=100)
