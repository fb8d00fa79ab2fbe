"""Solids: closed, true to volume, not mirrored; STL and STEP as others read them."""

import re
from functools import cache

import meshio
import numpy as np
import pytest

from simkit.body import body_of, kernel
from simkit.body.chambers import Body, ChamberBody
from simkit.body.coat import Coat, bare_solids
from simkit.body.mass import undercut
from simkit.body.printing import Seam, SeamError, file_names, pieces, seam_place
from simkit.body.walls.formulas import BoxWall, EggWall, LensWall, TubeWall
from simkit.body.walls.lobes import LobesWall
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.sections import SectionsWall
from simkit.body.walls.triangulated import enclosed
from simkit.body.walls.wall import distance
from simkit.vessel import loads

CLAY, WET = 0.005, 1 / 0.89
ROWS = ((0.0, 0.03, 0.025, 0.0, 2.0), (0.04, 0.05, 0.04, 0.002, 2.5), (0.08, 0.03, 0.03, 0.006, 3.0))
HERON = LobesWall(((0.03, 0, 0, 0.06, 0.044, 0.036), (0.034, 0.016, 0.004, 0.026, 0.024, 0.02)))
WALLS = {
    "egg": EggWall(0.062, 0.096, 0.05, 0.38),
    "flat tube": TubeWall(0.09, 0.03),
    "lobes": HERON,
}
MORE = {
    "sphere": EggWall(0.06, 0.06, 0.06),
    "lens": LensWall(0.07, 0.09, 0.024, 0.004),
    "round tube": TubeWall(0.09, 0.03, round_ends=True),
    "sharp box": BoxWall(0.05, 0.09, 0.04),
    "turned box": PlacedWall(BoxWall(0.05, 0.09, 0.04), (0.01, 0.0, 0.0), 20.0),
    "round box": BoxWall(0.05, 0.09, 0.04, 0.008),
    "flat sections": SectionsWall(ROWS),
    "half round sections": SectionsWall((*ROWS, (0.1, 0, 0, 0.006, 3))),
    "round sections": SectionsWall(((-0.01, 0, 0, 0, 2), *ROWS, (0.1, 0, 0, 0.008, 2))),
}
ALL = {**WALLS, **MORE}
QUICK = [("egg", "up"), ("turned box", "up")]
REST = [(name, way) for name in ALL for way in ("up", "across", "along") if (name, way) not in QUICK]
CASES = QUICK + [pytest.param(*case, marks=pytest.mark.slow) for case in REST]


def body(wall, clay=CLAY):
    return Body((ChamberBody("a", wall, clay, None, ()),), clay)


@cache
def made_of(name, way):
    return pieces(body(ALL[name]), WET, Seam(way))


def read_back(piece, tmp_path):
    """Points in mm and triangles as meshio reads them, equal points made one."""
    path = tmp_path / f"{piece.name}.stl"
    path.write_bytes(piece.stl())
    mesh = meshio.read(path)
    (block,) = (cells.data for cells in mesh.cells if cells.type == "triangle")
    points, same = np.unique(np.round(mesh.points, 5), axis=0, return_inverse=True)
    return points, same.ravel()[block]


@pytest.mark.parametrize(("name", "way"), CASES)
def test_every_file_is_one_closed_body_of_the_right_volume(name, way, tmp_path):
    """Wet volume = fired volume/(1 - S)^3 (ASTM C326), by the divergence theorem on what meshio reads."""
    wall = ALL[name]
    made = made_of(name, way)
    volumes = []
    for piece in made:
        points, triangles = read_back(piece, tmp_path)
        edges = np.concatenate([triangles[:, pair] for pair in ([0, 1], [1, 2], [2, 0])])
        there = {tuple(edge) for edge in edges.tolist()}
        assert len(there) == len(edges), "no edge is run along twice in one direction"
        assert all((b, a) in there for a, b in there), "each edge joins two triangles that face the same way"
        volumes.append(1e-9 * enclosed(points, triangles))
        # Euler's formula: a form is a ball in kind, and so is a half shell, a cup.
        assert len(points) - len(edges) // 2 + len(triangles) == 2
    assert volumes[0] == pytest.approx(wall.volume / 0.89**3, rel=5e-3)
    assert volumes == pytest.approx([piece.volume for piece in made], rel=1e-5)


def test_a_shell_has_the_volume_of_steiners_formula(tmp_path):
    """A box with clay around it: V(t) - V = A t + pi (a + b + c) t^2 + 4/3 pi t^3 (Steiner 1840)."""
    a, b, c = 0.05, 0.09, 0.04
    halves = made_of("turned box", "up")[1:]
    clay = 2 * (a * b + b * c + c * a) * CLAY + np.pi * (a + b + c) * CLAY**2 + 4 / 3 * np.pi * CLAY**3
    assert sum(half.volume for half in halves) == pytest.approx(clay * WET**3, rel=5e-3)
    assert halves[0].volume == pytest.approx(halves[1].volume, rel=2e-3)


def test_a_turned_form_is_not_mirrored():
    """Every point of a turned box's form, m, lies on the true wall; a mirror would turn it the other way."""
    form = made_of("turned box", "up")[0]
    assert np.abs(distance(ALL["turned box"], form.points / WET)).max() < 0.05e-3


@pytest.mark.slow
def test_a_lopsided_form_is_not_mirrored(tmp_path):
    """Every point of the file lies on the true wall; the bump is at positive x, to the right, and up."""
    form = made_of("lobes", "up")[0]
    points, _ = read_back(form, tmp_path)
    assert np.abs(distance(HERON, 1e-3 * points / WET)).max() < 0.05e-3
    assert points[:, 0].max() == pytest.approx(28 * WET, abs=0.05)
    assert points[:, 0].min() == pytest.approx(-22 * WET, abs=0.05)
    assert points[:, 2].mean() > 0


@pytest.mark.slow  # at once: halves that are closed, each of its volume, above
def test_the_halves_meet_at_the_seam(tmp_path):
    made = {piece.name: piece for piece in pieces(body(ALL["sharp box"]), WET, Seam("along", 0.04))}
    near, far = made["shell-near"], made["shell-far"]
    assert near.points[:, 1].max() == pytest.approx(0.04 * WET, abs=1e-6)
    assert far.points[:, 1].min() == pytest.approx(0.04 * WET, abs=1e-6)
    assert near.points[:, 1].min() == pytest.approx(-CLAY * WET, abs=2e-5)


def test_stl_is_binary_with_a_count_and_unit_normals(tmp_path):
    """The de-facto format: 80 bytes, a count, then 50 bytes for each triangle; not the text variant's first word."""
    form = made_of("egg", "up")[0]
    data = form.stl()
    count = int.from_bytes(data[80:84], "little")
    assert len(data) == 84 + 50 * count and count == len(form.triangles)
    assert not data.startswith(b"solid") and b"millimetres" in data[:80]
    kind = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("pad", "<u2")])
    facets = np.frombuffer(data, kind, offset=84)
    assert np.linalg.norm(facets["normal"], axis=1) == pytest.approx(np.ones(count), abs=1e-5)
    outward = (facets["normal"] * (facets["corners"].mean(axis=1) - [0, 40, 0])).sum(axis=1)
    assert (outward > 0).all()


@pytest.mark.parametrize(
    "name",
    ["egg", *(pytest.param(name, marks=pytest.mark.slow) for name in ("lobes", "flat tube", "half round sections"))],
)
def test_step_is_one_solid_in_millimetres_without_a_date(name, tmp_path):
    """ISO 10303-21 text; read back, its volume is the wet one; twice the same."""
    form = made_of(name, "up")[0]
    assert form.step.startswith("ISO-10303-21;") and form.step.count("MANIFOLD_SOLID_BREP") == 1
    assert "SI_UNIT(.MILLI.,.METRE.)" in form.step
    dates = re.findall(r"\d{4}-\d\d-\d\dT[\d:]+", form.step)
    assert dates == ["1970-01-01T00:00:00"]
    (tmp_path / "form.step").write_text(form.step)
    with kernel.session() as gmsh:
        (part,) = gmsh.model.occ.importShapes(str(tmp_path / "form.step"))
        assert gmsh.model.occ.getMass(*part) == pytest.approx(1e9 * ALL[name].volume * WET**3, rel=5e-3)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["sharp box", "egg"])
def test_runs_twice_give_the_same_bytes_and_say_nothing_on_standard_output(name, capfd):
    first = made_of(name, "up")
    capfd.readouterr()
    second = pieces(body(ALL[name]), WET, Seam("up"))
    assert capfd.readouterr().out == ""
    assert [p.stl() for p in first] == [p.stl() for p in second]
    assert [p.step for p in first] == [p.step for p in second]


def test_a_seam_beside_the_air_is_refused_with_the_range():
    with pytest.raises(SeamError, match=r"a cut through the air of every chamber, from -24 to 24"):
        pieces(body(WALLS["egg"]), WET, Seam("up", 0.03))
    assert seam_place(body(WALLS["egg"]), Seam("along")) == pytest.approx(0.048)


@pytest.mark.slow  # at once: seams that are refused, in this file
def test_a_seam_across_both_ends_of_a_banana_leaves_three_parts():
    ends = ((0, 0, 0, 0.03, 2), (0.02, 0.03, 0.03, 0.02, 2), (0.05, 0.034, 0.03, 0, 2))
    wall = SectionsWall((*ends, (0.08, 0.03, 0.03, 0.02, 2), (0.1, 0, 0, 0.03, 2)))
    with pytest.raises(SeamError, match="the upper side in 2 parts"):
        pieces(body(wall, 0.003), 1.0, Seam("up", 0.024))


def test_chambers_that_do_not_touch_are_no_piece():
    ball = BoxWall(0.04, 0.04, 0.04)
    other = PlacedWall(ball, (0.08, 0.0, 0.0), 0.0)
    apart = Body((ChamberBody("a", ball, 0.004, None, ()), ChamberBody("b", other, 0.004, None, ())), 0.004)
    with pytest.raises(SeamError, match="do not touch"):
        pieces(apart, 1.0)


@pytest.mark.parametrize(
    "ball", [BoxWall(0.04, 0.04, 0.04), pytest.param(EggWall(0.04, 0.04, 0.04), marks=pytest.mark.slow)]
)
def test_two_chambers_in_one_piece(ball):
    other = PlacedWall(ball, (0.045, 0.0, 0.0), 0.0)
    both = Body((ChamberBody("a", ball, 0.004, None, ()), ChamberBody("b", other, 0.004, None, ())), 0.004)
    made = pieces(both, WET)
    assert [piece.name for piece in made] == ["inside-a", "inside-b", "shell-lower", "shell-upper"]
    for form in made[:2]:
        assert form.volume == pytest.approx(ball.volume * WET**3, rel=5e-3)
    assert made[1].points[:, 0].mean() == pytest.approx(0.045 * WET, abs=2e-4)


def test_what_leans_back_is_said():
    assert undercut(Coat((WALLS["egg"],), 0.0), 2, 0.0) is None
    assert undercut(Coat((WALLS["egg"],), 0.0), 2, 0.01)
    waist = SectionsWall(
        (
            (0, 0, 0, 0, 2),
            (0.02, 0.04, 0.04, 0, 2),
            (0.04, 0.02, 0.02, 0, 2),
            (0.06, 0.04, 0.04, 0, 2),
            (0.08, 0, 0, 0, 2),
        )
    )
    assert undercut(Coat((waist,), 0.0), 1, 0.04) and undercut(Coat((waist,), 0.0), 2, 0.0) is None


@pytest.mark.slow  # at once: cli/test_sheets
def test_the_solids_of_a_design_file(tmp_path):
    text = '[clay]\nwall_mm = 4\n[[chamber]]\nname = "a"\nshape = "box"\nlength_mm = 70\nwidth_mm = 40\nheight_mm = 30'
    assert len(pieces(body_of(loads(text)), 1.1)) == 3


def test_no_two_solids_have_the_same_file():
    names = ["left ear", "left-ear", "?", "left/ear"]
    assert file_names("part", names) == ["part-left-ear", "part-left-ear-2", "part-3", "part-left-ear-4"]


HOLLOW_LEG = """
clay.wall_mm = 4
[outside]
shape = "ellipsoid"
length_mm = 60
width_mm = 46
height_mm = 44
offset_mm = [-6, 0, 0]
[[chamber]]
name = "body"
shape = "lobes"
lobes = [[24, 0, 0, 48, 34, 32], [24, 0, -22, 9, 9, 30]]
[[part]]
name = "leg"
shape = "ellipsoid"
length_mm = 44
width_mm = 18
height_mm = 18
offset_mm = [24, 0, 0]
tilt_deg = -90
"""


def test_halves_around_a_hollow_part_are_what_lies_between_outside_and_air():
    """By a lattice of half millimetres; the air in the part lies beyond both halves."""
    body = body_of(loads(HOLLOW_LEG))
    (bare,), air = bare_solids(body.figure), body.chambers[0].wall
    axes = [np.arange(low, high, 5e-4) + 2.5e-4 for low, high in bare.box.T]
    cells = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    clay = ((bare.level(cells) < 0) & (air.level(cells) > 0)).sum() * 5e-4**3
    _, *halves = pieces(body)
    assert sum(half.volume for half in halves) == pytest.approx(clay, rel=5e-3)
    assert ((air.level(cells) < 0) & (bare.level(cells) < 0)).sum() * 5e-4**3 < 0.99 * air.volume
