"""The flow over a mouth: averages under it against closed forms."""

import numpy as np
import pytest
from scipy.special import ellipk

from simkit.field.reduced import flow


@pytest.mark.parametrize("exponent", [1 / 3, 0.42, 1 / 2])
def test_the_few_points_of_a_disc_have_the_mean_square_radius_of_the_flow(exponent):
    weights = flow.disc_weights(exponent)
    assert weights.sum() == pytest.approx(1)
    assert np.all(weights > 0)
    for turn in (0.0, 0.5):
        points = flow.disc_points(turn)
        assert weights @ points == pytest.approx([0, 0], abs=1e-15)
        assert points.T @ (weights[:, None] * points) == pytest.approx(np.eye(2) / (2 * (2 - exponent)), abs=1e-12)


def test_sending_and_hearing_points_never_meet():
    for one, other in (
        (flow.disc_points(0.0), flow.disc_points(0.5)),
        (flow.square_points(4, 3)[0], flow.square_points(5, 4)[0]),
    ):
        assert np.linalg.norm(one[:, None] - other[None], axis=2).min() > 0.05


def test_pairs_on_a_disc_give_its_known_means():
    """Thin wall: potential of a charged disc, 1/distance on average pi/2 (Jackson, Electrodynamics); distance pi/3."""
    pairs = flow.disc_pairs(flow.THIN)
    gaps = pairs.gaps(1.0, 1.0)
    assert pairs.weights.sum() == pytest.approx(np.pi / 2, rel=1e-12)
    assert pairs.weights @ gaps**2 == pytest.approx(np.pi / 3, rel=1e-9)
    assert pairs.weights @ gaps**3 == pytest.approx(4 / 3, rel=1e-3)  # mean square distance: twice the mean rho^2


@pytest.mark.parametrize("exponent", [1 / 3, 1 / 2])
def test_the_mean_logarithm_over_a_disc_is_that_of_many_points(exponent):
    """ln of the distance averages, around rings, to the logarithm of the larger radius."""
    b = 1 - exponent
    share = (np.arange(200_000) + 0.5) / 200_000
    rho = np.sqrt(1 - (1 - share) ** (1 / b))  # equal shares of the flow
    larger = 2 * share  # density of the larger of two independent shares
    assert flow.disc_log(exponent) == pytest.approx(float(np.mean(larger * np.log(rho))), abs=1e-5)


def test_the_mean_logarithm_over_a_rectangle_scales():
    assert flow.rectangle_log(0.02, 0.01) - flow.rectangle_log(0.2, 0.1) == pytest.approx(np.log(0.1), abs=1e-9)


def test_the_mean_logarithm_over_a_square_is_that_of_many_pairs():
    rng = np.random.default_rng(0)
    # (1 - u^2)^-x is a beta law of (u + 1)/2
    points = 2 * rng.beta(1 - flow.SLIT, 1 - flow.SLIT, size=(2, 400_000, 2)) - 1
    sampled = np.log(np.linalg.norm(points[0] - points[1], axis=1)).mean()
    assert flow.rectangle_log(2.0, 2.0) == pytest.approx(sampled, abs=0.01)


def test_flow_crowds_less_to_the_rim_of_a_thick_wall():
    """As the flat plate's end correction passes from 0.785398 a to 0.821674 a (Rayleigh; Norris & Sheng 1989)."""
    ratios = np.array([0, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0])
    correction = np.array([0.785398, 0.79838, 0.80443, 0.81130, 0.81509, 0.81884, 0.82128])
    passed = (0.821674 - correction) / (0.821674 - 0.785398)
    share = (np.array([flow.rim_exponent(r) for r in ratios]) - 1 / 3) * 6
    assert share == pytest.approx(passed, abs=0.06)
    assert np.all(np.diff(share) < 0)


def test_the_bends_of_a_cap_share_its_mean_rise():
    """A parabola a u^2 over the square rises a/3 on the mean; what u and v have in common is half each one's."""
    cap = np.random.default_rng(3).normal(size=len(flow.POWERS))
    assert flow.square_bends(cap).sum() / 3 == pytest.approx(flow.square_rise(cap), rel=1e-12)
    across = np.where((flow.POWERS == (2, 0)).all(axis=1), 0.7, 0.0)
    assert flow.square_bends(across) == pytest.approx([0.7, 0.0])


@pytest.mark.parametrize("lean_deg", [15, 35, 50])
def test_a_round_hole_aslant_through_thin_clay_is_an_ellipse(lean_deg):
    """Its mouth's pairs, as far apart as they are on the ellipse, give 1/K = K(e)/(pi a), a the longer half axis
    (Rayleigh 1945, The Theory of Sound, section 306, from memory): so a law of slants adds nothing there."""
    lean = np.deg2rad(lean_deg)
    pairs = flow.disc_pairs(flow.THIN)
    along = pairs.across[:, 0] / pairs.gaps(1.0, 1.0)
    both_ends = 2 * float(pairs.weights @ (1 / np.sqrt(1 + (np.tan(lean) * along) ** 2))) / (2 * np.pi)
    assert both_ends == pytest.approx(ellipk(np.sin(lean) ** 2) * np.cos(lean) / np.pi, rel=2e-3)
