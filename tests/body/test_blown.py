"""The whole piece as a solid that can be printed and blown."""

import numpy as np
import pytest

from simkit.body import body_of
from simkit.body.blown import Tongue, clay_parts, piece_to_blow
from simkit.body.clay import clay_volume
from simkit.body.mouthpiece import sizes_of, windway_cut
from simkit.vessel import loads

BALL = """
clay.wall_mm = 5
[outside]
shape = "sphere"
diameter_mm = 60
offset_mm = [-5, 0, 0]
[[part]]
name = "foot"
shape = "sphere"
diameter_mm = 24
offset_mm = [20, 0, -30]
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 48
offset_mm = [0, 0, 0]
[chamber.voicing]
along_mm = 14
around_deg = 0
window_width_mm = 10
cut_up_mm = 5
windway_height_mm = 1
windway_length_mm = 25
[chamber.mouthpiece]
lips_height_mm = 2
[[chamber.hole]]
name = "1"
along_mm = 30
around_deg = 120
diameter_mm = 7
"""


def test_the_windway_runs_straight_back_from_the_window_to_the_lips():
    vessel = loads(BALL)
    window, design = body_of(vessel).chambers[0].window, vessel.chambers[0]
    way = windway_cut(window, design.voicing, design.mouthpiece)
    assert way.exit == pytest.approx(window.center - 2.5e-3 * window.forward)
    assert way.size(0.0) == pytest.approx([10e-3, 1e-3])
    assert way.size(12.5e-3) == pytest.approx([10e-3, 1.5e-3])
    assert np.ptp(way.corners(25e-3) @ way.out) == pytest.approx(2e-3)
    sizes = sizes_of(design.voicing, design.mouthpiece)
    assert (sizes.width, sizes.height) == (18.0, 8.0)


@pytest.mark.slow
@pytest.mark.parametrize("slope", [pytest.param(0.0, marks=pytest.mark.sample), 12.0])
def test_the_piece_to_blow_has_the_clay_of_its_formulas(slope):
    """Within 0.5 %: balls, the cylinder of the hole, the prisms of window and windway, counted here on a lattice; the
    mouthpiece by the formula of its surface. Each edge of the triangles joins two."""
    vessel = loads(BALL.replace("windway_length_mm = 25", f"windway_length_mm = 25\nwindway_slope_deg = {slope}"))
    body = body_of(vessel)
    chamber, design = body.chambers[0], vessel.chambers[0]
    part = piece_to_blow(vessel, body)
    edges = np.sort(part.triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all()

    step = 0.5e-3
    low, high = body.coat.box
    axes = [np.arange(a - step, b + step, step) for a, b in zip(low, high, strict=True)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    air = np.linalg.norm(points - [0, 24e-3, 0], axis=1) < 24e-3
    full = np.linalg.norm(points - [0, 25e-3, 0], axis=1) < 30e-3
    full |= np.linalg.norm(points - [0, 32e-3, -30e-3], axis=1) < 12e-3
    full |= chamber.figure.solids[-1].level(points) < 0
    window, (hole,), way = (
        chamber.window,
        chamber.openings,
        windway_cut(chamber.window, design.voicing, design.mouthpiece),
    )
    x, y, z = ((points - window.center) @ v for v in (window.across, window.forward, window.axis))
    cut = (np.abs(x) < 5e-3) & (y > -2.5e-3) & (y < 2.5e-3 + np.maximum(z, 0)) & (z > 0) & (z < 20e-3)
    steep = np.radians(slope)
    s = -(y + 2.5e-3) / np.cos(steep)
    over, high = z - 5e-3 * np.tan(steep) - s * np.sin(steep), (1 + s / way.length) * 0.5e-3 / np.cos(steep)
    cut |= (np.abs(x) < 5e-3) & (s > 0) & (s < way.length) & (np.abs(over) < high)
    away = points - hole.center
    up = away @ hole.axis
    cut |= (np.linalg.norm(away - up[:, None] * hole.axis, axis=1) < 3.5e-3) & (up > 0) & (up < 20e-3)
    # The clay that carries the windway's end: 3 mm under it and 4 mm beside it, as far as it stands free.
    end = Tongue.of(way, chamber.wall, design).length
    assert 3e-3 < end < 15e-3
    tongue = (s > 0) & (s < end) & (np.abs(x) < 9e-3) & (over < 0) & (over > -high - 3e-3 / np.cos(steep))
    counted = step**3 * float((((full & ~air) | tongue) & ~cut).sum())
    assert part.volume == pytest.approx(counted, rel=5e-3)
    assert clay_volume(body) == pytest.approx(step**3 * float((full & ~air).sum()), rel=5e-3)


@pytest.mark.slow
def test_parts_come_one_by_one():
    (foot,) = clay_parts(loads(BALL), 1.1)
    assert foot.name == "part-foot"
    assert foot.volume == pytest.approx(4 / 3 * np.pi * (1.1 * 12e-3) ** 3, rel=5e-3)
