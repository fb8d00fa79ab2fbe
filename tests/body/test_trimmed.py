"""A skin drawn without its openings, none of them on a seam: against a ball with caps taken off, and cut instead."""

from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import simkit
from simkit.body import Opening, body_of, kernel
from simkit.body.meshes import panels, patches, trimmed
from simkit.body.meshes.outlines import OutlineCut
from simkit.body.meshes.rims import duct_of
from simkit.body.meshes.soundness import open_nodes
from simkit.body.meshes.trimmed import trimmed_faces
from simkit.body.walls.formulas import EggWall
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.wall import on_wall, project

R, WALL, HOLE, SIZE = 20e-3, 4e-3, 2e-3, 0.7e-3
BALL = EggWall(2 * R, 2 * R, 2 * R)
WAYS = Rotation.random(12, random_state=5).as_matrix()
WAYS = WAYS[[n for n in range(12) if all(WAYS[n, :, 2] @ WAYS[m, :, 2] < 0.85 for m in range(n))]][:6]


def hole_at(frame, radius=HOLE):
    """A hole through the ball's wall along the third of three unit vectors (columns); its middle is (0, R, 0)."""
    a, _, n = frame.T
    sizes = {"length": WALL, "rim": 0.0, "inside_rim": 0.0, "radius": radius}
    return Opening("hole", center=np.array([0.0, R, 0.0]) + R * n, axis=n, across=a, **sizes)


def cuts_of(openings, outside=False):
    ducts = [duct_of(BALL, WALL, o) for o in openings]
    low, high = (WALL - HOLE, WALL + 4e-3) if outside else (-6e-3, HOLE)
    return [OutlineCut(duct, duct.outside if outside else duct.inside, low, high, SIZE) for duct in ducts]


@pytest.mark.parametrize("outside", [pytest.param(False, marks=pytest.mark.slow), True])
def test_a_ball_without_its_holes(outside):
    """Area 4 pi R^2 less the caps of the holes, 2 pi R^2 (1 - cos t) with sin t = a/R, and every rim where it belongs.

    Triangles of side s between nodes on the ball take about s^2/(8 R^2) off its area (their middles lie s^2/(6 R) deep,
    and area goes as the square of the radius, less their tilt).
    """
    cuts, radius, side = cuts_of([hole_at(way) for way in WAYS], outside), R + outside * WALL, 4e-3
    with kernel.session() as gmsh:
        found = panels.wall_panels(gmsh, BALL.solid(outside * WALL), cuts, side, 0.5)
    away = found.points - [0, R, 0]
    assert np.abs(np.linalg.norm(away, axis=1) - radius).max() < 1e-6
    a, b, c = away[found.triangles].swapaxes(0, 1)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2
    left = 4 * np.pi * radius**2 - len(cuts) * 2 * np.pi * radius**2 * (1 - np.sqrt(1 - (HOLE / radius) ** 2))
    assert left * (1 - (side / radius) ** 2 / 4) < area < left
    rims_are_right(found, cuts)


def rims_are_right(found, cuts):
    assert sorted(np.concatenate(found.loops)) == sorted(open_nodes(found.triangles))
    for cut, loop in zip(cuts, found.loops, strict=True):
        assert len(loop) == sum(cut.counts)
        plan = cut.duct.frame(found.points[loop])[:, :2]
        assert np.abs(np.hypot(*plan.T) - HOLE).max() < 2e-6


@pytest.mark.parametrize("outside", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_nothing_is_left_to_cut_on_a_ball_with_six_holes(outside):
    with kernel.session() as gmsh:
        assert trimmed_faces(gmsh, BALL.solid(outside * WALL), cuts_of([hole_at(way) for way in WAYS], outside)) == []


def test_a_hole_wider_than_a_face_of_the_cube_is_left_to_cut():
    """Its rim lies 65 degrees from its middle, where a face's nearest edge is 45."""
    wide = cuts_of([hole_at(WAYS[0], R * np.sin(np.deg2rad(65)))])
    wide = [OutlineCut(cut.duct, cut.foot, -0.9 * R, R, SIZE) for cut in wide]
    with kernel.session() as gmsh:
        assert trimmed_faces(gmsh, BALL.solid(), wide) == wide


@pytest.mark.slow
def test_a_hole_on_a_seam_is_cut_beside_one_that_is_drawn_out(monkeypatch):
    """The cube as it stands, one hole at its corner and one in the middle of a face."""
    monkeypatch.setattr(trimmed, "_WAYS", 0)
    ways = [Rotation.align_vectors([way], [[0.0, 0, 1]])[0].as_matrix() for way in ([1.0, 1, 1], [0.0, 0, 1])]
    cuts = cuts_of([hole_at(way) for way in ways])
    with kernel.session() as gmsh:
        assert trimmed_faces(gmsh, BALL.solid(), cuts) == cuts[:1]
        found = panels.wall_panels(gmsh, BALL.solid(), cuts, 4e-3, 0.5)
    rims_are_right(found, cuts)


def test_a_moved_solid_is_drawn_where_it_stands():
    moved = PlacedWall(EggWall(0.08, 0.05, 0.04), (0.01, -0.02, 0.03), 25.0)
    way = np.array([0.3, 0.5, 1.0]) / np.linalg.norm([0.3, 0.5, 1.0])
    middle = on_wall(moved, 2).mean(axis=0)
    on = project(moved, (middle + 0.02 * way)[None])[0]
    out = (on - middle) / np.linalg.norm(on - middle)
    across = np.cross(out, [1.0, 0, 0]) / np.linalg.norm(np.cross(out, [1.0, 0, 0]))
    sizes = {"length": WALL, "rim": 0.0, "inside_rim": 0.0, "radius": HOLE}
    hole = Opening("hole", center=on, axis=out, across=across, **sizes)
    duct = duct_of(moved, WALL, hole)
    cut = OutlineCut(duct, duct.inside, -6e-3, HOLE, SIZE)
    with kernel.session() as gmsh:
        assert trimmed_faces(gmsh, moved.solid(), [cut]) == []
        found = panels.wall_panels(gmsh, moved.solid(), [cut], 4e-3, 0.5)
    assert np.abs(found.points - project(moved, found.points)).max() < 2e-6


def test_places_on_the_cube_are_those_that_its_patches_are_drawn_by():
    """Every direction's point lies within a grid's cell of the grid's point that its place names."""
    turned, at = WAYS[1], patches.on_ball(BALL.solid().sheets[0])
    ways = np.random.default_rng(2).standard_normal((40, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    grids = np.array(patches.grids(BALL.solid().sheets[0], turned, 21))
    faces, places = patches.places(ways, turned)
    i, j = np.round(20 * places).astype(int).T
    assert np.linalg.norm(grids[faces, i, j] - at(ways), axis=1).max() < np.pi / 2 / 20 * R * np.sqrt(0.5) * 1.05


@pytest.mark.slow
def test_every_rim_of_a_body_by_sections_is_drawn_where_it_belongs():
    """Between unlike sections a wall bends within a few millimetres, which twenty points along a patch miss."""
    vessel = simkit.load(Path(__file__).parents[2] / "studies" / "designs" / "river_yam.toml")
    (chamber,) = body_of(vessel).chambers
    ducts = [duct_of(chamber.wall, chamber.thickness, o) for o in chamber.all_openings]
    cuts = [OutlineCut(duct, duct.inside, -3e-3, 6e-3, SIZE) for duct in ducts]
    with kernel.session() as gmsh:
        left = trimmed_faces(gmsh, chamber.wall.solid(), cuts)
        found = panels.wall_panels(gmsh, chamber.wall.solid(), cuts, 6e-3, 0.5)
    assert len(left) < 3
    for cut, loop in zip(cuts, found.loops, strict=True):
        assert len(loop) == sum(cut.counts)
        assert cut.on(found.points[loop], 2e-6).all()
