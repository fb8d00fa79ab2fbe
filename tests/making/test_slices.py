"""Cuts through the piece against the perimeters of plane geometry."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ellipe

from simkit.body.chambers import Body, ChamberBody
from simkit.body.walls.formulas import BoxWall, EggWall, TubeWall
from simkit.body.walls.sections import SectionsWall
from simkit.making.slices import Frame, Inside, Outside, cut, silhouette

CLAY = 0.005


def body(wall, clay=CLAY):
    return Body((ChamberBody("a", wall, clay, None, ()),), clay)


def perimeter(line):
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def ellipse(a, b):
    """Perimeter 4 a E(m), m = 1 - b^2/a^2 (Abramowitz & Stegun 1964, ch. 17: complete elliptic integral)."""
    a, b = max(a, b), min(a, b)
    return 4 * a * ellipe(1 - (b / a) ** 2)


@pytest.mark.parametrize("along", [0.02, 0.03, 0.05])
def test_a_ball_is_cut_in_circles(along):
    wall = EggWall(0.06, 0.06, 0.06)
    inner = math.sqrt(0.03**2 - (along - 0.03) ** 2)
    outer = math.sqrt(0.035**2 - (along - 0.03) ** 2)
    plane = Frame.of(wall).across_at(along)
    for surface, radius in ((Inside(wall), inner), (Outside(body(wall)), outer)):
        (line,) = cut(surface, plane, body(wall).coat.box)
        assert np.abs(np.linalg.norm(line, axis=1) - radius).max() < 1e-8
        assert perimeter(line) == pytest.approx(2 * math.pi * radius, rel=1e-4)


def test_an_ellipsoid_is_cut_in_ellipses():
    wall = EggWall(0.062, 0.096, 0.05)
    frame = Frame.of(wall)
    for plane, half in ((frame.across_at(0.048), (0.031, 0.025)), (frame.upright_at(0), (0.048, 0.025))):
        (line,) = cut(Inside(wall), plane, wall.box)
        assert perimeter(line) == pytest.approx(ellipse(*half), rel=1e-4)


def test_the_outside_of_a_sharp_box_is_rounded_by_the_clay():
    """The parallel curve of a convex outline of perimeter p at distance t: p + 2 pi t (Steiner 1840)."""
    wall = BoxWall(0.05, 0.09, 0.04)
    plane = Frame.of(wall).across_at(0.045)
    (inner,), (outer,) = cut(Inside(wall), plane, wall.box), cut(Outside(body(wall)), plane, body(wall).coat.box)
    assert perimeter(inner) == pytest.approx(0.18, rel=1e-9)
    corners = [[x, z] for x in (-0.025, 0.025) for z in (-0.02, 0.02)]
    assert all(np.abs(inner - corner).max(axis=1).min() < 1e-9 for corner in corners)
    assert perimeter(outer) == pytest.approx(0.18 + 2 * math.pi * CLAY, rel=1e-4)


def test_a_flat_tube_keeps_its_corners_lengthwise():
    wall = TubeWall(0.09, 0.03)
    (line,) = cut(Inside(wall), Frame.of(wall).upright_at(0), wall.box)
    assert perimeter(line) == pytest.approx(2 * (0.09 + 0.03), rel=1e-6)


def test_a_sections_shape_is_cut_at_its_own_rows():
    """A row of width 50, height 40, rise 2 and squareness 2 is an ellipse about z = 2 mm."""
    rows = ((0.0, 0.03, 0.025, 0.0, 2.0), (0.04, 0.05, 0.04, 0.002, 2.0), (0.08, 0.03, 0.03, 0.006, 2.0))
    wall = SectionsWall(rows)
    (line,) = cut(Inside(wall), Frame.of(wall).across_at(0.04), wall.box)
    assert np.abs(((line - [0, 0.002]) / [0.025, 0.02]) ** 2).sum(axis=1) == pytest.approx(np.ones(len(line)), abs=1e-6)


def test_from_above_an_ellipsoid_is_an_ellipse():
    wall = EggWall(0.062, 0.096, 0.05)
    frame = Frame.of(wall)
    (line,) = silhouette([wall], frame.level(), frame.up, wall.box)
    assert np.linalg.norm((line - [0, 0.048]) / [0.031, 0.048], axis=1) == pytest.approx(np.ones(len(line)), abs=1e-6)
    assert perimeter(line) == pytest.approx(ellipse(0.031, 0.048), rel=2e-3)


def test_two_legs_are_two_lines(lopsided):
    from simkit.body.walls.lobes import LobesWall

    row = (0.03, 0.0, 0.0, 0.06, 0.04, 0.03)
    legs = [(0.03, side * 0.012, -0.02, 0.016, 0.016, 0.03) for side in (-1, 1)]
    wall = LobesWall((row, *legs))
    frame = Frame.of(wall)
    plane, level = frame.across_at(0.03), replace(frame.level(), origin=frame.origin - 0.025 * frame.up)
    assert len(cut(Inside(wall), plane, wall.box)) == 1
    assert len(cut(Inside(wall), level, wall.box)) == 2


def test_a_turned_chamber_is_cut_in_its_own_directions():
    from simkit.body.walls.placed import PlacedWall

    wall = EggWall(0.05, 0.08, 0.04)
    turned = PlacedWall(wall, (0.03, 0.01, 0.002), 35.0)
    (one,) = cut(Inside(wall), Frame.of(wall).across_at(0.03), wall.box)
    (other,) = cut(Inside(turned), Frame.of(turned).across_at(0.03), turned.box)
    assert perimeter(one) == pytest.approx(perimeter(other), rel=1e-5)
    assert np.ptp(one, axis=0) == pytest.approx(np.ptp(other, axis=0), rel=1e-4)
