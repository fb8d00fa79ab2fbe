"""Derivatives of pitch against differences, by openings, walls and air; shape derivatives against the closed form."""

from functools import partial

import numpy as np
import pytest

import simkit
from simkit.body import air_mesh, wall_of
from simkit.body.walls.wall import project
from simkit.field.fem.air_matrices import stiffness_and_mass
from simkit.field.reduced.inside import InsideAir
from simkit.optimisation.aims.slopes import FixedPoint, cents_slopes
from simkit.optimisation.problem.free import freedom
from simkit.optimisation.problem.morphing import MovedAir, Mover
from simkit.optimisation.problem.trial import Setting, Trial
from simkit.vessel import Ellipsoid

STILL = Setting(state="still")


def differences(may, n, step, x=None, setting=STILL):
    """Central differences of the notes in cents (f,) by one number, everything solved anew."""
    x = may.start if x is None else x
    there = []
    for sign in (1, -1):
        moved = x.copy()
        moved[n] += sign * step
        there.append(Trial.of(may, moved, setting).cents)
    return (there[0] - there[1]) / (2 * step)


SLOW = pytest.mark.slow
HOLES = [f"body.hole.{n}.diameter_mm" for n in "1234"]


@pytest.mark.parametrize("keys", [HOLES[3:], pytest.param(HOLES[:3], marks=SLOW)])
def test_as_played_slopes_hold_the_air_that_the_breath_leaves(whistle, keys):
    """What a wider hole changes in the mixture of breath and room is a hundredth of what it changes by itself."""
    may, played = freedom(whistle, keys), Setting(state="played")
    slopes = cents_slopes(Trial.of(may, may.start, played))
    for n, number in enumerate(may.numbers):
        expected = differences(may, n, 0.01 * number.reach, setting=played)
        assert np.abs(slopes[:, n] - expected).max() < 0.01 * np.abs(slopes[:, n]).max(), number.name


@pytest.mark.parametrize(
    "keys",
    [
        ["body.hole.1.diameter_mm", "body.voicing.cut_up_mm", "air.temperature_c"],
        pytest.param(["body.voicing.window_width_mm", "body.hole.2.wall_mm", "body.hole.3.edge_radius_mm"], marks=SLOW),
    ],
)
def test_slopes_by_diameters_ducts_window_and_air_agree_with_differences(whistle, keys):
    """To 1e-4 of the largest slope."""
    may = freedom(whistle, keys)
    slopes = cents_slopes(Trial.of(may, may.start, STILL))
    for n, number in enumerate(may.numbers):
        expected = differences(may, n, 0.01 * number.reach)
        assert np.abs(slopes[:, n] - expected).max() < 1e-4 * np.abs(slopes[:, n]).max(), number.name


@pytest.mark.parametrize("hole", ["1", pytest.param("4", marks=SLOW)])
def test_slopes_by_places_agree_with_differences(whistle, hole):
    """To 1e-4 of each one's own size, over 40 micrometres or a tenth of a degree: what is meshed is read smoothly."""
    may = freedom(whistle, [f"body.hole.{hole}.{place}" for place in ("along_mm", "around_deg")])
    slopes = cents_slopes(Trial.of(may, may.start, STILL))
    for n, number in enumerate(may.numbers):
        step = 4e-2 if number.name.endswith("_mm") else 1e-1
        miss = np.abs(slopes[:, n] - differences(may, n, step)).max()
        assert miss < 1e-4 * np.abs(slopes[:, n]).max(), number.name


SHAPES = {
    "ellipsoid": "length_mm = 68\nwidth_mm = 46\nheight_mm = 38",
    "lens": "length_mm = 72\nwidth_mm = 56\nheight_mm = 30\nrim_mm = 7",
    "tube": 'length_mm = 80\ndiameter_mm = 34\nends = "round"',
    "lobes": "lobes = [[38,0,0,70,46,38],[72,0,8,34,28,26],[30,-18,-8,40,20,18],[30,18,-8,40,20,18]]",
}


@pytest.mark.slow
@pytest.mark.parametrize("shape", SHAPES)
def test_on_every_figure_slopes_agree_with_differences(whistle_text, shape):
    """Diameters, places, walls and air to 1e-4 of each one's own size."""
    start, stop = whistle_text.index('shape = "egg"'), whistle_text.index("[chamber.voicing]")
    body = f'shape = "{shape}"\n{SHAPES[shape]}\n\n'
    vessel = simkit.loads(whistle_text[:start] + body + whistle_text[stop:], f"{shape}.toml")
    may = freedom(vessel, ["holes", "body.hole.2.wall_mm", "air.temperature_c"])
    slopes = cents_slopes(Trial.of(may, may.start, STILL))
    for n, number in enumerate(may.numbers):
        miss = np.abs(slopes[:, n] - differences(may, n, 4e-3)).max()
        assert miss < 1e-4 * np.abs(slopes[:, n]).max(), number.name


@pytest.mark.parametrize(
    "free",
    [["body.hole.1.diameter_mm", "body.hole.1.along_mm", "body.hole.4.around_deg"], pytest.param("holes", marks=SLOW)],
)
def test_steering_slopes_are_good_enough_to_steer_by(whistle, free):
    may = freedom(whistle, free)
    trial = Trial.of(may, may.start, STILL)
    exact, quick = cents_slopes(trial), cents_slopes(trial, exact=False)
    assert np.abs(quick - exact).max() < 1e-3 * np.abs(exact).max()


@pytest.mark.slow
def test_slopes_by_shape_agree_with_differences_on_moved_meshes(whistle):
    """To 1e-4: a mesh whose nodes follow the wall makes pitch a smooth function of the shape."""
    may = freedom(whistle, ["shape", "clay.wall_mm"])
    trial = Trial.of(may, may.start, STILL)
    slopes = cents_slopes(trial)
    at_rest, air = FixedPoint(trial.voices[0]), MovedAir(trial)
    for n, number in enumerate(may.numbers):
        step = 1e-3 * number.reach
        there = []
        for sign in (1, -1):
            vessel = may.beside(trial.vessel, n, sign * step)
            there.append(at_rest.moved(air.circuits(trial.beside(vessel, step))[0]))
        expected = (there[0] - there[1]) / (2 * step)
        assert np.abs(slopes[:, n] - expected).max() < 1e-4 * np.abs(slopes[:, n]).max(), number.name


@pytest.mark.slow
def test_slopes_by_shape_agree_with_bodies_meshed_anew(whistle):
    """Meshes made anew differ by a few hundredths of a cent; over wide steps that is a hundredth of the slope."""
    may = freedom(whistle, ["body.length_mm", "body.height_mm"])
    slopes = cents_slopes(Trial.of(may, may.start, STILL))
    for n, number in enumerate(may.numbers):
        expected = differences(may, n, 0.6 * number.reach)
        assert np.abs(slopes[:, n] - expected).max() < 1e-2 * np.abs(slopes[:, n]).max()


def test_by_size_pitch_falls_as_the_volume_rises(whistle):
    """f^2 ~ K/V: openings as they are, -3/2 of 1200/ln 2 cents for each unit of size, less what length adds."""
    may = freedom(whistle, "size")
    slope = cents_slopes(Trial.of(may, may.start, STILL))[0, 0]
    assert slope == pytest.approx(-1.5 * 1200 / np.log(2), rel=0.03)


def test_the_balls_modes_move_with_its_shape_as_first_order_theory_says():
    """r = R(1 + eps P2): dk/k = -0.914368 eps for the mode along and +0.457184 eps for the two across (l = 1);
    Hadamard's formula for Neumann walls, by Mehl 1982, J. Acoust. Soc. Am. 71:1109 [numbers derived independently].

    Stretching the length by 1 + eta is a third of eta in size and two thirds in eps. On a mesh the three are not quite
    alike and belong to whatever axes it prefers, so what is compared are the rates that first-order theory gives a
    degenerate set: eigenvalues of p_i^T (dK - k^2 dM) p_j over it.
    """

    def stretched(eta):
        return wall_of(Ellipsoid(length_mm=60 * (1 + eta), width_mm=60, height_mm=60))

    mesh = air_mesh(stretched(0.0), 6e-3)
    mover = Mover(mesh, partial(project, stretched(0.0)))
    modes = InsideAir.of(mesh, stretched(0.0), 3).modes
    p, k2, change = modes.shapes, modes.k2.mean(), np.zeros((3, 3))
    for eta in (-1e-4, 1e-4):
        K, M = stiffness_and_mass(mover.to(partial(project, stretched(eta))))
        change += p.T @ (K @ p - k2 * (M @ p)) / (2 * eta)
    along, *across = np.linalg.eigvalsh(change) / (2 * k2)
    assert along == pytest.approx(-1 / 3 - 2 / 3 * 0.914368, abs=1e-4)
    assert across == pytest.approx([-1 / 3 + 2 / 3 * 0.457184] * 2, abs=1e-4)
