"""Legs in a sketch: each closed line of their layer comes back as a pair of parts, of its size, where it is drawn."""

import runpy
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.errors import InputError

DRAWING = runpy.run_path(str(Path(__file__).with_name("drawing.py")))
layer, polygon, ellipse, svg = (DRAWING[name] for name in ("layer", "polygon", "ellipse", "svg"))
BODY = (
    layer("inside side", polygon(ellipse(100, 80, 35, 19))),
    layer("inside above", polygon(ellipse(100, 180, 35, 21))),
    layer("outside side", polygon(ellipse(100, 80, 42, 26))),
    layer("outside above", polygon(ellipse(100, 180, 42, 28))),
)


def leg(x, y, half, thick, lean_deg):
    """An ellipse that stands upright but for a lean of its foot to the right."""
    points = ellipse(0, 0, thick / 2, half)
    a = np.radians(lean_deg)
    return polygon(points @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) + [x, y])


def test_an_ellipse_comes_back_as_a_pair_of_ellipsoids(tmp_path):
    """40 by 14 mm about 24 mm along (the air begins at x = 65), 28 under the middle, its foot 10 degrees on."""
    path = svg(tmp_path / "otter.svg", *BODY, layer("legs", leg(89, 108, 20, 14, 10), leg(118, 107, 21, 15, 0)))
    found = simkit.sketch(path)
    first, mirror, *others = found.vessel.parts
    assert [part.name for part in found.vessel.parts][:2] == ["left leg 1", "right leg 1"] and len(others) == 2
    assert (first.shape.length_mm, first.shape.width_mm) == pytest.approx((40, 14), abs=0.2)
    assert first.tilt_deg == pytest.approx(-80, abs=0.5)
    middle = np.array([first.offset_mm.along_mm, first.offset_mm.up_mm]) + 20 * np.array(
        [np.cos(np.radians(first.tilt_deg)), np.sin(np.radians(first.tilt_deg))]
    )
    assert middle == pytest.approx([24, -28], abs=0.2)
    half = 28 * np.sqrt(1 - (11 / 42) ** 2)  # of the outside's width, 89 being 11 mm before its middle
    assert mirror.offset_mm.across_mm == -first.offset_mm.across_mm == pytest.approx(half / 2, abs=0.3)
    assert any("taken for a pair" in words for words in found.said)


def test_a_leg_that_only_touches_the_body_is_drawn_out_into_it(tmp_path):
    path = svg(tmp_path / "otter.svg", *BODY, layer("legs", leg(100, 121, 15, 12, 0)))
    part = simkit.sketch(path).vessel.parts[0]
    assert part.offset_mm.up_mm == pytest.approx(-26 + 6, abs=0.2)  # half its thickness above the body's lowest
    assert part.offset_mm.up_mm - part.shape.length_mm == pytest.approx(-56, abs=0.2)  # its foot where it was drawn


@pytest.mark.parametrize(
    "line", ['<path d="M 95,100 V 130 H 105"/>', leg(100, 60, 10, 8, 0)], ids=["open", "above the body's lower line"]
)
def test_a_line_that_is_no_leg_is_refused(line, tmp_path):
    with pytest.raises(InputError, match="layer legs"):
        simkit.sketch(svg(tmp_path / "otter.svg", *BODY, layer("legs", line)))


def test_an_ear_that_stands_out_of_the_outline_is_told_with_its_place_and_what_to_do(tmp_path):
    """Its first point lies 8 mm right of its middle, at x = 78, y = 54 on the page; an eye within is no clay."""
    side = layer(
        "outside side",
        polygon(ellipse(100, 80, 42, 26)),
        polygon(ellipse(70, 54, 8, 9)),
        polygon(ellipse(75, 78, 2, 2)),
    )
    said = simkit.sketch(svg(tmp_path / "hare.svg", *BODY[:2], side, BODY[3])).said
    eye, ear = [words for words in said if words.startswith("outside side:") and "left out" in words]
    assert eye == "outside side: 1 smaller line beside the outline left out"
    assert "1 smaller, out of the outline, near x 78, y 54 mm, left out" in ear
    assert "layer legs" in ear and ear.endswith("[[part]]")
