"""Windows that lean, or whose outside is tilted: their cells by elements, sheared, and bodies by the judge."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.sparse import diags

import simkit
from simkit.body.chambers import WINDOW, Opening
from simkit.body.meshes.curved import gated
from simkit.body.meshes.window_block import WindowCell, cell_mesh
from simkit.field.fem.air_matrices import stiffness_and_mass
from simkit.field.fem.factor import factored
from simkit.field.fem.quadrature import facet_rule
from simkit.optimisation.problem.perturbations import aperture_beside
from simkit.sound import models
from simkit.sound.elements.openings import aperture_of

WIDTH, CUT_UP, RIM = 11e-3, 4e-3, 4e-4
FRAME = np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([-1.0, 0.0, 0.0])
SIZES = {"width": WIDTH, "height": CUT_UP, "rim": RIM, "inside_rim": RIM}


@cache
def sheared(wall, edge_deg, rise):
    """Conductivity, m, where both faces of flat clay rise by `rise` along the breath against the window's axis.

    A shear keeps the near side upright and the faces flat; the slope is drawn flatter, or steeper, so that it comes to
    its angle, and the nose so round that the sharp edge would lie where a ball of the rim's radius between the slope
    and the tilted face has it. At the far caps, no half balls any more, what comes from one place leaves (a Robin
    condition).
    """
    drawn, nose = edge_deg, RIM
    if edge_deg < 90 and rise:
        drawn = np.degrees(np.arctan(np.tan(np.radians(edge_deg)) - rise))
        half = (np.radians(edge_deg) - np.arctan(rise)) / 2
        behind = RIM * (np.cos(np.arctan(rise) + half) / np.sin(half) - 1)  # of the nose's end, along the breath
        nose = behind / (1 / np.tan(np.radians(drawn) / 2) - 1)
    cell = WindowCell(WIDTH, CUT_UP, wall, float(drawn), float(nose), RIM)
    part, points = cell_mesh(cell), cell_mesh(cell).mesh.points.copy()
    points[:, 2] += rise * (points[:, 0] - CUT_UP / 2)
    mesh = gated(points, part.mesh.tets, part.mesh.facets, part.mesh.outer, part.mesh.size, "the window", None)
    return passed(part, mesh, wall + rise * (cell.leaves - CUT_UP / 2), cell.leaves)


def passed(part, mesh, height, leaves):
    """Conductivity, m, of a sheared half cell; the flow leaves at `leaves` along the breath, at that height."""
    operator, loads = stiffness_and_mass(mesh)[0], []
    for which, middle in ((part.far_inside, (CUT_UP / 2, 0.0, 0.0)), (part.far_outside, (leaves, 0.0, height))):
        facets = mesh.facets[which]
        rule, (a, b, c) = facet_rule(mesh.points, facets), np.moveaxis(mesh.points[facets[:, :3]], 1, 0)
        out = np.repeat(np.cross(b - a, c - a), len(rule.points) // len(facets), axis=0)
        away = rule.points - np.array(middle)
        far = np.linalg.norm(away, axis=1)
        share = np.abs(np.einsum("ni,ni->n", away, out)) / np.linalg.norm(out, axis=1) / far**2
        operator = operator + rule.spread @ diags(share / rule.weights) @ rule.spread.T
        loads.append(rule.spread @ share)
    return 2 * float(loads[1] @ factored(operator.tocsr())(loads[0][:, None])[:, 0])


def leaning(wall, edge_deg, rise):
    square = np.array([0.0, -rise, 1.0]) / np.hypot(1.0, rise) if rise else None
    window = Opening(WINDOW, *FRAME, wall, square=square, tilt=(0.0, rise), edge_deg=edge_deg, **SIZES)
    assert window.inner_tilt[1] == pytest.approx(rise)
    return window


def by_law(wall, edge_deg, rise):
    return aperture_of(leaning(wall, edge_deg, rise)).conductivity


def longer(conductivity, wall, edge_deg, rise):
    """Length of the window's air beyond that of a square one, cut-ups."""
    return WIDTH * (1 / conductivity(wall, edge_deg, rise) - 1 / conductivity(wall, edge_deg, 0.0))


@pytest.mark.parametrize(
    ("wall", "edge_deg", "rise"),
    [
        pytest.param(wall, edge_deg, rise, marks=[] if (edge_deg, rise) == (45.0, 0.25) else [pytest.mark.slow])
        for wall, edge_deg, rises in (
            (5e-3, 90.0, (0.25,)),
            (5e-3, 45.0, (-0.25, -0.1, 0.25)),
            (3e-3, 45.0, (-0.1, 0.2)),
            (7e-3, 45.0, (-0.1, 0.2)),
            (5e-3, 60.0, (-0.1, 0.2)),
        )
        for rise in rises
    ],
)
def test_a_window_that_leans_is_as_much_longer_as_by_elements(wall, edge_deg, rise):
    """Within 0.012 cut-ups, some 3 to 5 cents of a window by itself; what they are themselves is up to 0.1."""
    assert longer(by_law, wall, edge_deg, rise) == pytest.approx(longer(sheared, wall, edge_deg, rise), abs=0.012)


@cache
def under_tilted(wall, edge_deg, rise):
    """Conductivity, m, where flat clay's outer face alone rises by `rise` along the breath.

    The slot is stretched along its axis, the slope kept straight and at its angle, its top moved to where it meets the
    tilted face; all air outside is sheared.
    """
    cell = WindowCell(WIDTH, CUT_UP, wall, edge_deg, RIM, RIM)
    part = cell_mesh(cell)
    x, y, z = part.mesh.points.T
    height = np.clip(z, 0, wall)
    further = (cell.tip + cell.run * (wall - rise * CUT_UP / 2)) / (1 - rise * cell.run) - cell.top
    share = np.clip(x / (cell.tip + height * cell.run), 0, 1)
    risen = rise * (x + share * (further + (wall - height) * cell.run) - CUT_UP / 2)
    above_nose = np.clip((height - 2 * RIM) / (wall - 2 * RIM), 0, 1)
    points = np.stack([x + share * above_nose * further, y, z + above_nose * risen], axis=1)
    mesh = gated(points, part.mesh.tets, part.mesh.facets, part.mesh.outer, part.mesh.size, "the window", None)
    leaves = cell.leaves + 0.22 * further
    return passed(part, mesh, wall + rise * (leaves - CUT_UP / 2), leaves)


def tilted_by_law(wall, edge_deg, rise):
    return aperture_of(Opening(WINDOW, *FRAME, wall, tilt=(0.0, rise), edge_deg=edge_deg, **SIZES)).conductivity


@pytest.mark.parametrize(
    ("wall", "edge_deg", "rise"),
    [
        (6e-3, 90.0, 0.25),
        (6e-3, 45.0, -0.25),
        *(
            pytest.param(wall, edge_deg, rise, marks=pytest.mark.slow)
            for wall in (3e-3, 9e-3)
            for edge_deg in (45.0, 60.0)
            for rise in (-0.2, 0.2)
        ),
    ],
)
def test_a_window_under_a_tilted_outside_is_as_much_longer_as_by_elements(wall, edge_deg, rise):
    """Within 0.008 cut-ups, some 2 to 3 cents of a window by itself; what they are themselves is up to 0.04."""
    cell, law = (longer(each, wall, edge_deg, rise) for each in (under_tilted, tilted_by_law))
    assert law == pytest.approx(cell, abs=0.008)


LEANING = """
clay.wall_mm = 4.5
[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = 60
width_mm = 42
height_mm = 38
[chamber.voicing]
along_mm = 30
around_deg = 0
window_width_mm = 11
cut_up_mm = 4
windway_height_mm = 1.2
windway_length_mm = 40
edge_deg = {}
direction = {}
"""


@pytest.mark.slow
@pytest.mark.parametrize("mesh", [1.0, 0.8])
@pytest.mark.parametrize(
    ("edge_deg", "way"),
    [
        (45, [-0.27, 0, 1]),
        (45, [-0.14, 0, 1]),
        (45, [0.14, 0, 1]),
        (45, [0.27, 0, 1]),
        (45, [0.47, 0, 1]),
        (45, [0.2, 0.2, 1]),
        (90, [0.27, 0, 1]),
    ],
)
def test_a_window_that_leans_in_a_body_is_within_three_cents_of_the_judge(edge_deg, way, mesh):
    """Still and lossless; square to the wall it is 0.3 flat. The law knows flat clay alone, the judge no law."""
    (case,) = models.cases(simkit.loads(LEANING.format(edge_deg, way), "window.toml"), lossless=True, mesh=mesh)
    ports, judge = (models.resonator(name, case).lowest(np.zeros((1, 0)))[0].real for name in ("ports", "resolved"))
    assert 1200 * np.log2(ports / judge) == pytest.approx(0, abs=3.0)


OUTSIDE = """
[outside]
shape = "ellipsoid"
length_mm = 92
width_mm = {}
height_mm = 50
offset_mm = {}
tilt_deg = {}
roll_deg = {}
"""
FIGURE = LEANING.replace("[[chamber]]", OUTSIDE + "[[chamber]]").replace("direction = {}", "")


@pytest.mark.slow
@pytest.mark.parametrize("mesh", [1.0, 0.85])
@pytest.mark.parametrize(
    ("edge_deg", "tilt_deg", "roll_deg", "width_mm"),
    [
        (45, 0, 0, 64),  # flatter than the air under it, so that the clay is thicker beside the window
        (45, -18, 0, 64),
        (45, 18, 0, 64),
        (90, 18, 0, 64),
        (60, 12, 0, 64),
        (30, -12, 0, 64),
        (45, 0, 14, 92),
        (90, 0, 14, 92),
        (45, 8, 8, 64),
    ],
)
def test_a_window_under_a_tilted_outside_is_within_two_cents_of_the_judge(edge_deg, tilt_deg, roll_deg, width_mm, mesh):
    """An ellipsoid in an ellipsoid, turned about its middle, over which the window lies square to the inside."""
    turned = np.radians(tilt_deg)
    offset = [float(30 - 46 * np.cos(turned)), 0, float(-46 * np.sin(turned))]
    text = FIGURE.format(width_mm, offset, tilt_deg, roll_deg, edge_deg)
    (case,) = models.cases(simkit.loads(text, "figure.toml"), lossless=True, mesh=mesh)
    ports, judge = (models.resonator(name, case).lowest(np.zeros((1, 0)))[0].real for name in ("ports", "resolved"))
    assert 1200 * np.log2(ports / judge) == pytest.approx(0, abs=2.0)


def test_a_window_with_an_upright_far_side_may_lean_either_way():
    assert by_law(5e-3, 90.0, 0.2) == pytest.approx(by_law(5e-3, 90.0, -0.2), rel=1e-12)
    assert by_law(5e-3, 45.0, 0.2) < by_law(5e-3, 45.0, -0.2)


@pytest.mark.parametrize("rise", [-0.1, 0.2])
def test_a_window_that_leans_does_not_jump_when_it_is_changed_a_little(rise):
    """A thousandth wider: freer by about as much, and by no more."""
    window = leaning(5e-3, 45.0, rise)
    wider = aperture_beside(window, replace(window, width=1.001 * window.width), aperture_of(window))
    assert wider.conductivity / by_law(5e-3, 45.0, rise) == pytest.approx(1.0005, abs=5e-4)
