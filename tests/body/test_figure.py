"""The outside of a figure: solids joined to one surface, and ducts through the clay that is there."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from simkit.body import body_of
from simkit.body.figures import thinnest_clay
from simkit.body.meshes.all_air import checked, whole_mesh
from simkit.body.meshes.around_figure import netted
from simkit.body.meshes.seamed import seamed_rim
from simkit.body.mouthpiece import angles_of, windway_cut
from simkit.body.walls.formulas import EggWall, TubeWall
from simkit.body.walls.offset import OffsetWall
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.union import UnionWall
from simkit.body.walls.wall import curvatures, distance, normals, on_wall, project
from simkit.errors import OutOfReach
from simkit.vessel import DesignError, loads

BALLS = """
clay.wall_mm = 3
[outside]
shape = "sphere"
diameter_mm = 60
offset_mm = [-8, 2, 1]
[[part]]
name = "bump"
shape = "sphere"
diameter_mm = 20
offset_mm = [12, -9, 26]
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 40
[[chamber.hole]]
name = "1"
along_mm = 14
around_deg = 90
diameter_mm = 6
[[chamber.hole]]
name = "2"
along_mm = 22
around_deg = 0
diameter_mm = 5
[[chamber.hole]]
name = "3"
along_mm = 14
around_deg = -90
diameter_mm = 6
wall_mm = 3
"""


def leaves_ball(start, way, middle, radius):
    """How far along a ray it leaves a ball: the larger root of |start + s way - middle| = radius."""
    off = start - middle
    half = way @ off
    return -half + np.sqrt(half**2 - (off @ off - radius**2))


def test_a_duct_is_as_long_as_the_ray_through_balls():
    """Asked: within 0.01 mm; both ends are closed forms here. The part of hole 2 lies farther out than the outside."""
    chamber = body_of(loads(BALLS)).chambers[0]
    one, two, three = chamber.openings
    outside = np.array([2.0, 22.0, 1.0]) * 1e-3, 30e-3
    bump = np.array([-9.0, 22.0, 36.0 - 10.0]) * 1e-3, 10e-3
    assert one.length == pytest.approx(leaves_ball(one.center, one.axis, *outside), abs=1e-9)
    ends = [leaves_ball(two.center, two.axis, *ball) for ball in (outside, bump)]
    at = two.center + ends[0] * two.axis
    assert (np.linalg.norm(at - bump[0]) < bump[1]) == (ends[1] > ends[0])
    assert two.length == pytest.approx(max(ends) if np.linalg.norm(at - bump[0]) < bump[1] else ends[0], abs=1e-9)
    # A hole with a wall of its own keeps it, and knows the clay around it.
    assert three.length == pytest.approx(3e-3)
    assert three.through == pytest.approx(leaves_ball(three.center, three.axis, *outside), abs=1e-9)


@pytest.mark.parametrize("way", [(0, 0, 1), (1, 0, 1), (0.5, 0.3, 1), (-1, 0.6, 1)])
def test_a_slanting_duct_is_as_long_as_the_ray_through_balls(way):
    """Asked: within 0.01 mm. 5 mm of wall round a ball; a ball about one off its middle."""
    even = 'clay.wall_mm = 5\n[[chamber]]\nname = "b"\nshape = "sphere"\ndiameter_mm = 60\n[[chamber.hole]]\nname = "1"'
    (hole,) = (
        body_of(loads(f"{even}\nalong_mm = 24\naround_deg = 10\ndiameter_mm = 6\ndirection = {[*way]}"))
        .chambers[0]
        .openings
    )
    axis = np.array([way[1], way[0], way[2]]) / np.linalg.norm(way)
    assert hole.axis == pytest.approx(axis, abs=1e-12)
    assert hole.length == pytest.approx(leaves_ball(hole.center, axis, np.array([0, 30e-3, 0]), 35e-3), abs=1e-9)
    text = BALLS.replace("diameter_mm = 5\n", f"diameter_mm = 5\ndirection = {[*way]}\n").replace(
        "[12, -9, 26]", "[2, -9, -26]"
    )
    two = body_of(loads(text)).chambers[0].openings[1]
    outside = np.array([2.0, 22.0, 1.0]) * 1e-3, 30e-3
    assert two.length == pytest.approx(leaves_ball(two.center, axis, *outside), abs=1e-9)
    assert two.center == pytest.approx([0, 22e-3, np.sqrt(20**2 - 2**2) * 1e-3], abs=1e-9)  # on the inside as before


VOICED = """
clay.wall_mm = 5
[[chamber]]
name = "b"
shape = "sphere"
diameter_mm = 60
[chamber.voicing]
along_mm = 22
around_deg = 0
window_width_mm = 11
cut_up_mm = 4
windway_height_mm = 1.2
windway_length_mm = 30
edge_offset_mm = 0.2
"""


@pytest.mark.parametrize("way", [(0, 0, 1), (-0.5, 0.2, 1), (-0.27, 0.3, 1)])
def test_a_window_with_a_direction_goes_that_way_through_balls(way):
    """A ball in one 5 mm larger: the duct's length by a ray; the windway square to it, at the height of the edge, which
    lies in the inside wall: there its middle is the offset above the wall, to what the ball falls away in 2 mm."""
    vessel = loads(f"{VOICED}direction = {[*way]}")
    window, middle = body_of(vessel).chambers[0].window, np.array([0, 30e-3, 0])
    axis = np.array([way[1], way[0], way[2]]) / np.linalg.norm(way)
    assert window.axis == pytest.approx(axis, abs=1e-12)
    assert window.length == pytest.approx(leaves_ball(window.center, axis, middle, 35e-3), abs=1e-9)
    assert window.across @ axis == pytest.approx(0, abs=1e-12)
    out = (window.center - middle) / 30e-3
    assert window.lean == pytest.approx(np.arccos(out @ axis))
    slopes = [-(out @ each) / (out @ axis) for each in (window.across, window.forward)]
    assert window.inner_tilt == pytest.approx(slopes, abs=1e-12)
    cut = windway_cut(window, vessel.chambers[0].voicing, None)
    assert [cut.back @ axis, cut.back @ window.across] == pytest.approx([0, 0], abs=1e-12)
    at_edge = cut.exit - window.height * cut.back
    assert (at_edge - window.center) @ axis - window.inner_tilt[1] * window.height / 2 == pytest.approx(0.2e-3)
    falls = (window.height / 2) ** 2 * (1 + window.inner_tilt[1] ** 2) / (2 * 30e-3)
    assert np.linalg.norm(at_edge - 0.2e-3 * axis - middle) - 30e-3 == pytest.approx(falls, rel=0.05)


BUMP = """
clay.wall_mm = 4
clay.edge_radius_mm = 0.5
[[part]]
name = "bump"
shape = "{}"
{}
offset_mm = {}
[[chamber]]
name = "b"
shape = "sphere"
diameter_mm = 40
"""
HOLE = '[[chamber.hole]]\nname = "1"\nalong_mm = 20\naround_deg = 0\ndiameter_mm = 6\n'
SMALL_BALL = BUMP.format("sphere", "diameter_mm = 24", [16, 0, 14])


@pytest.mark.parametrize("slope", [12.0, -8.0])
def test_a_windway_that_slopes_blows_at_the_edge_from_an_upright_end(slope):
    """By trigonometry: its middle meets the jet's height above the edge, its ends stand as the window's near side."""
    vessel = loads(f"{VOICED}windway_slope_deg = {slope}")
    window, voicing = body_of(vessel).chambers[0].window, vessel.chambers[0].voicing
    cut = windway_cut(window, voicing, None)
    steep = np.radians(slope)
    assert -cut.back @ window.forward == pytest.approx(np.cos(steep))
    assert cut.back @ window.axis == pytest.approx(np.sin(steep))
    edge = window.center + window.height / 2 * window.forward + 0.2e-3 * window.axis
    assert cut.exit - window.height / np.cos(steep) * cut.back == pytest.approx(edge, abs=1e-12)
    corners = cut.corners(0.0)
    assert (corners - window.center) @ window.forward == pytest.approx([-window.height / 2] * 4)
    assert np.ptp(corners @ cut.out) == pytest.approx(1.2e-3)
    places = cut.exit + np.array([-1e-3, 1e-6, 15e-3, 29.9e-3])[:, None] * cut.back
    assert cut.has(places).tolist() == [False, True, True, True]


def test_a_holes_rim_goes_over_a_seam_where_balls_meet():
    """Balls of 24 mm and, 8 mm along and 14 up from its middle, of 12: they meet in the plane 8 a + 14 u = 346 mm2, and
    the upright hole's side, 3 mm away, is sqrt(24^2 - 3^2) up the larger. Sharp it crosses that there, rounded nearly
    there, and all of it lies on the clay."""
    (hole,) = body_of(loads(SMALL_BALL + HOLE)).chambers[0].openings
    along = (346 - 14 * np.sqrt(24**2 - 3**2)) / 8
    aside = np.arccos(along / 3) / (2 * np.pi)
    sharp, rounded = seamed_rim(replace(hole, rim=0.0)), seamed_rim(hole)
    assert sharp.kinks == pytest.approx([0.25 - aside, 0.25 + aside], abs=1e-6)
    assert rounded.kinks == pytest.approx(sharp.kinks, abs=0.02)
    turns = np.linspace(0, 1, 200)
    face, side, corner, weight = rounded.contacts(turns)
    assert np.abs(hole.figure.level(face)).max() < 1e-9
    out = np.linalg.norm(np.cross(face - hole.center, hole.axis), axis=1)
    assert (out > 3.0e-3).all() and (out < 4.0e-3).all()
    # Equal tangents from the corner: the arc is a circle's. Its middle is about the radius from both.
    assert np.linalg.norm(corner - side, axis=1) == pytest.approx(np.linalg.norm(corner - face, axis=1), rel=1e-9)
    radius = np.linalg.norm(corner - side, axis=1) * weight / np.sqrt(1 - weight**2)
    assert np.median(radius) == pytest.approx(0.5e-3, rel=0.02)
    # By the same plane, the clay is higher than the larger ball's alone along the rim.
    t = 2 * np.pi * (np.arange(4000) + 0.5) / 4000
    a = 3 * np.cos(t)
    small = 14 + np.sqrt(12**2 - (a - 8) ** 2 - (3 * np.sin(t)) ** 2, where=(a - 8) ** 2 < 135, out=np.zeros(4000))
    higher = np.maximum(small - np.sqrt(24**2 - 3**2), 0).mean()
    assert hole.seam == pytest.approx(1e-3 * higher, rel=0.02)


def test_a_seam_is_refused_where_no_rim_goes_over_it_with_its_place():
    """A leg as steep as a wall beside a hole; a window over a seam, as in 1.3 mm along from it the clay turns."""
    leg = BUMP.format("ellipsoid", "length_mm = 40\nwidth_mm = 14\nheight_mm = 14\ntilt_deg = 90", [23, 0, 10])
    with pytest.raises(OutOfReach, match=r"hole 1 comes out .* too steep a face, \d\d mm along"):
        checked(body_of(loads(leg + HOLE)).chambers[0])
    window = VOICED.split("[chamber.voicing]")[1].replace("along_mm = 22", "along_mm = 20")
    with pytest.raises(OutOfReach, match=r"window comes out over a seam .* \d\d mm along, .* lies \d\.\d mm within"):
        checked(body_of(loads(f"{SMALL_BALL}[chamber.voicing]{window}")).chambers[0])
    checked(body_of(loads(BUMP.format("sphere", "diameter_mm = 24", [22, 0, 14]) + HOLE)).chambers[0])


@pytest.mark.parametrize("slope", [0.1, 0.3])
def test_both_faces_of_a_window_that_leans_in_flat_clay_are_tilted_alike(slope):
    """All but flat clay, a ball of 800 mm in one 5 mm larger: the slope that the outside has is the inside's."""
    text = VOICED.replace("diameter_mm = 60", "diameter_mm = 800").replace("along_mm = 22", "along_mm = 400")
    window = body_of(loads(f"{text}direction = [{slope}, 0, 1]")).chambers[0].window
    assert window.inner_tilt == pytest.approx((0, slope), abs=1e-6)
    assert window.tilt == pytest.approx(window.inner_tilt, rel=0.03, abs=1e-6)
    assert window.length == pytest.approx(5e-3 * np.hypot(1, slope), rel=3e-3)


def test_a_direction_that_is_square_to_the_wall_changes_nothing():
    plain, given = (body_of(loads(VOICED.replace("= 22", "= 30") + more)) for more in ("", "direction = [0, 0, 2]"))
    assert given.chambers[0].window == plain.chambers[0].window
    text = (
        'clay.wall_mm = 5\n[[chamber]]\nname = "b"\nshape = "sphere"\ndiameter_mm = 60\n[[chamber.hole]]\nname = "1"\n'
    )
    text += "along_mm = 30\naround_deg = 0\ndiameter_mm = 6\n"
    plain, given = (body_of(loads(text + more)).chambers[0].openings[0] for more in ("", "direction = [0, 0, 7]"))
    assert given == plain


def test_a_hole_in_a_part_ends_on_the_part():
    text = BALLS.replace("offset_mm = [12, -9, 26]", "offset_mm = [10, 0, 34]").replace(
        "along_mm = 22", "along_mm = 20"
    )
    two = body_of(loads(text)).chambers[0].openings[1]
    assert two.length == pytest.approx(24e-3, abs=1e-9)  # from the wall's top at 20 to the part's, 34 + 10


@pytest.mark.parametrize("by", [2e-3, 5e-3])
def test_a_wall_moved_out_is_as_far_away_as_it_says(by):
    """Steiner's formula for the volume of an egg's offset, curvatures k/(1 + k t), distances."""
    egg = EggWall(0.04, 0.06, 0.03, 0.45)
    clay = OffsetWall(egg, by)
    foot = on_wall(egg)[::40]
    out = normals(egg, foot)
    assert distance(clay, foot + (by + 1e-3) * out) == pytest.approx(np.full(len(foot), 1e-3), abs=1e-9)
    assert clay.level(foot) == pytest.approx(np.full(len(foot), -by), abs=1e-9)
    k1, k2, _ = curvatures(egg, foot)
    moved = curvatures(clay, foot + by * out)
    assert moved[0] == pytest.approx(k1 / (1 + k1 * by), rel=1e-6)
    assert moved[1] == pytest.approx(k2 / (1 + k2 * by), rel=1e-6)
    ball = OffsetWall(EggWall(0.04, 0.04, 0.04), by)
    assert ball.volume == pytest.approx(4 / 3 * np.pi * (0.02 + by) ** 3, rel=2e-3)


def two_balls():
    """Two balls of 20 mm radius, their middles 25 mm apart."""
    ball = EggWall(0.04, 0.04, 0.04)
    return UnionWall((ball, PlacedWall(ball, (0.0, 0.025, 0.0), 0.0)))


def test_two_balls_as_one():
    """Volume of two equal balls less their lens, V = pi (4 R + d)(2 R - d)^2/12 (mathematical handbooks)."""
    both, R, d = two_balls(), 0.02, 0.025
    lens = np.pi * (4 * R + d) * (2 * R - d) ** 2 / 12
    assert both.volume == pytest.approx(8 / 3 * np.pi * R**3 - lens, rel=4e-4)
    caps = 2 * 2 * np.pi * R * (R + d / 2)
    assert both.area == pytest.approx(caps, rel=1e-2)
    # A point at the waist: the nearest of the surface is the seam, where both balls meet.
    waist = np.array([[0.0, 0.02 + d / 2, 0.001], [0.0, 0.02 + d / 2, 0.01]])
    rim = np.sqrt(R**2 - d**2 / 4)
    near = project(both, waist)
    assert np.hypot(near[:, 0], near[:, 2]) == pytest.approx(np.full(2, rim), abs=1e-6)
    out = np.array([[0.0, 0.02 + d / 2, 0.03]])
    assert distance(both, out)[0] == pytest.approx(np.hypot(0.03, d / 2) - R, abs=1e-9)


@pytest.mark.parametrize("sizes", [(0.04, 0.06, 0.05), (0.03, 0.09, 0.022), (0.07, 0.035, 0.05)])
def test_volume_of_a_figure_of_one_solid_is_that_solid_s(sizes):
    """By cells, however its level is scaled: an ellipsoid's is a plain number whose slope is some 50 for each metre."""
    solid = EggWall(*sizes)
    assert UnionWall((PlacedWall(solid, (0.0, 0.0, 0.0), 25.0, 40.0),)).volume == pytest.approx(solid.volume, rel=4e-4)


def balls_at(*middles, radius=0.02):
    ball = EggWall(2 * radius, 2 * radius, 2 * radius)
    return UnionWall(tuple(PlacedWall(ball, (x, y - radius, z), 0.0) for x, y, z in middles))


def test_a_foot_within_another_solid_gives_way_to_the_seam_or_the_corner():
    """Closed forms. Three balls of 20 mm in a row, 12 mm apart: the third's own foot lies in the first; the seam of the
    first two is a ring. Three with their middles 12 mm from one axis: all meet on it, sqrt(20^2 - 12^2) = 16 mm up."""
    row = balls_at((0.0, 0.0, 0.0), (0.0, 0.012, 0.0), (0.0, 0.024, 0.0))
    ring = np.array([np.sqrt(0.02**2 - 0.006**2), 0.006, 0.0])
    assert project(row, [[0.001, 0.004, 0.0]])[0] == pytest.approx(ring, abs=1e-9)
    turns = 2 * np.pi / 3 * np.arange(3)
    round_one = balls_at(*((0.012 * np.cos(t), 0.012 * np.sin(t), 0.0) for t in turns))
    assert project(round_one, [[0.0, 0.0, 0.005]])[0] == pytest.approx([0.0, 0.0, 0.016], abs=1e-9)


def test_no_place_in_a_figure_has_a_foot_that_is_buried_or_too_far():
    """Against points all over the solids, fine ones, of which those within another are left out."""
    leg = PlacedWall(TubeWall(0.03, 0.012, True), (0.0, 0.03, -0.012), 0.0, -90.0)
    lumps = balls_at((0.01, 0.02, 0.0), (-0.01, 0.03, 0.01), (0.0, 0.03, -0.02), radius=0.016).solids
    figure = UnionWall((EggWall(0.05, 0.07, 0.05, 0.5), leg, *lumps))
    places = np.random.default_rng(3).uniform(*figure.box, (1500, 3))
    places = places[figure.level(places) < 0]
    foot = project(figure, places)
    assert np.abs(figure.level(foot)).max() < 1e-7
    skin = np.concatenate([sheet.points.reshape(-1, 3) for sheet in figure.sheets(10)])
    least, _ = cKDTree(skin[figure.level(skin) > -1e-9]).query(places)
    assert (np.linalg.norm(foot - places, axis=1) < least + 1e-4).all()


@pytest.mark.parametrize("step", [6e-3, 4e-3])
def test_a_net_closes_round_solids_and_fills_them(step):
    """By the divergence theorem; chords of a ball of radius R cut off about step^2/4R^2 of it, of slim legs more."""
    leg = PlacedWall(TubeWall(0.03, 0.012, True), (0.0, 0.03, -0.012), 0.0, -90.0)
    solid = UnionWall((EggWall(0.05, 0.07, 0.05, 0.5), leg))
    points, triangles = netted(solid, step)
    a, b, c = (points[triangles[:, k]] for k in range(3))
    inside = float(np.einsum("ni,ni->n", a, np.cross(b, c)).sum()) / 6
    assert inside == pytest.approx(solid.volume, rel=0.5 * (step / 0.012) ** 2)
    assert inside < solid.volume
    assert np.abs(solid.level(points)).max() < 1e-6


@pytest.mark.parametrize("step", [0.0105, 0.009, 0.0075])
def test_a_net_keeps_a_bridge_that_is_thinner_than_its_steps(step):
    """Two balls on a rod of a third of a step or so: one closed surface (Euler's 2), where it had come in two."""
    balls = EggWall(0.02, 0.02, 0.02), PlacedWall(EggWall(0.02, 0.02, 0.02), (0.0, 0.04, 0.0), 0.0)
    rod = PlacedWall(EggWall(0.004, 0.06, 0.004), (0.0007, 0.0, 0.0005), 0.0)
    points, triangles = netted(UnionWall((*balls, rod)), step)
    assert len(points) - len(triangles) / 2 == 2  # corners - edges + faces, three edges to two faces
    assert ((points[:, 1] > 0.021) & (points[:, 1] < 0.039)).any()


def test_sheets_that_pass_one_cell_of_a_net_stay_apart():
    """Two legs nearer to each other than a cell is wide: a net that joined them would not close."""
    legs = [PlacedWall(TubeWall(0.03, 0.01, True), (x, 0.03, -0.012), 0.0, -90.0) for x in (-0.0062, 0.0062)]
    _, triangles = netted(UnionWall((EggWall(0.05, 0.07, 0.05, 0.5), *legs)), 5e-3)
    edges = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all()


def test_angles_turn_a_frame_where_it_was():
    placed = PlacedWall(EggWall(0.02, 0.03, 0.01), (0.0, 0.0, 0.0), 140.0, 90.0, -30.0)
    again = PlacedWall(placed.wall, (0.0, 0.0, 0.0), *angles_of(placed.turn))
    assert again.turn == pytest.approx(placed.turn, abs=1e-12)


def test_a_tilted_part_points_where_its_words_say():
    """tilt_deg lifts the far end, turn_deg is clockwise seen from above, roll_deg to the right."""
    ball = EggWall(0.01, 0.03, 0.01)
    along = np.array([0.0, 1.0, 0.0])
    assert PlacedWall(ball, (0, 0, 0), 0.0, 90.0).turn @ along == pytest.approx([0, 0, 1], abs=1e-12)
    assert PlacedWall(ball, (0, 0, 0), 90.0).turn @ along == pytest.approx([1, 0, 0], abs=1e-12)
    assert PlacedWall(ball, (0, 0, 0), 0.0, 0.0, 90.0).turn @ [0, 0, 1] == pytest.approx([1, 0, 0], abs=1e-12)


def test_thin_clay_is_said_and_an_outside_within_the_air_refused():
    thin = body_of(loads(BALLS.replace("diameter_mm = 60", "diameter_mm = 44").replace("[-8, 2, 1]", "[-1, 0, 0]")))
    assert "only 1.0 mm of clay at along 0." in thin.cautions[0]  # 22 - 20 - 1
    assert "clay.wall_mm = 3" in thin.cautions[0]
    with pytest.raises(DesignError, match=r"it cuts (1\.9\d|2\.00) mm into body at along 39\.9"):
        body_of(loads(BALLS.replace("diameter_mm = 60", "diameter_mm = 44").replace("[-8, 2, 1]", "[-6, 0, 0]")))


def test_the_thinnest_clay_is_found_in_a_figure_with_legs():
    """Against the least distance between points all over both surfaces; a level over its slope is no such distance."""
    rows = "[[0, 0, 0, 0, 2], [6, 29, 25, 1, 2], [14, 43, 37, 1, 2], [42, 55, 48, 0, 2], [72, 40, 39, 0, 2], "
    rows += "[85, 0, 0, -2, 2]]"
    text = f'clay.wall_mm = 3\n[outside]\nshape = "sections"\nsections = {rows}\noffset_mm = [-7, 0, 0]\n'
    for n, (along, across, up, tilt) in enumerate(((24, -12, -8, -90), (52, 12, -8, -90), (60, 0, 2, 14))):
        text += f'[[part]]\nname = "{n}"\nshape = "ellipsoid"\nlength_mm = 50\nwidth_mm = 15\nheight_mm = 14\n'
        text += f"offset_mm = [{along}, {across}, {up}]\ntilt_deg = {tilt}\n"
    text += '[[chamber]]\nname = "b"\nshape = "ellipsoid"\nlength_mm = 70\nwidth_mm = 43\nheight_mm = 38\n'
    body = body_of(loads(text))
    (chamber,) = body.chambers
    thin, place = thinnest_clay(chamber.wall, body.coat)
    outer = cKDTree(on_wall(body.coat.walls[0], 12))
    inner = on_wall(chamber.wall, 6)
    away, _ = outer.query(inner)
    assert thin == pytest.approx(away.min(), abs=1e-4)
    assert np.linalg.norm(place - inner[away.argmin()]) < 6e-3


@pytest.mark.slow
@pytest.mark.parametrize("own", [3.5, 7.0])
def test_flat_faces_in_a_figure_are_meshed_as_in_an_even_wall(own):
    """A ball of air in a ball of clay about the same middle is an even wall: the same air by two ways, to 4e-4.

    Without the flat spot, or without the collar, it would differ by 1e-3."""
    even = f"""
    [clay]
    wall_mm = 5
    [[chamber]]
    name = "b"
    shape = "sphere"
    diameter_mm = 44
    [[chamber.hole]]
    name = "1"
    along_mm = 22
    around_deg = 0
    diameter_mm = 8
    wall_mm = {own}
    """
    outside = '[outside]\nshape = "sphere"\ndiameter_mm = 54\noffset_mm = [-5, 0, 0]\n'
    volumes = [whole_mesh(body_of(loads(text)).chambers[0], 2.0).mesh.volume for text in (even, even + outside)]
    assert volumes[1] == pytest.approx(volumes[0], rel=4e-4)


def test_a_window_knows_how_its_outside_is_tilted():
    """Both ways between the window's sides, by the closed form of the ball."""
    voicing = "[chamber.voicing]\nalong_mm = 8\naround_deg = -30\nwindow_width_mm = 8\ncut_up_mm = 4\nedge_deg = 45\n"
    voicing += "windway_height_mm = 1\nwindway_length_mm = 20\n"
    window = body_of(loads(BALLS.replace("[[chamber.hole]]", voicing + "[[chamber.hole]]", 1))).chambers[0].window
    outside = np.array([2.0, 22.0, 1.0]) * 1e-3, 30e-3
    for tilt, way in zip(window.tilt, (4e-3 * window.across, 2e-3 * window.forward), strict=True):
        low, high = (leaves_ball(window.center + side * way, window.axis, *outside) for side in (-1, 1))
        assert tilt == pytest.approx((high - low) / (2 * np.linalg.norm(way)), abs=1e-6)
        assert abs(tilt) > 0.02
