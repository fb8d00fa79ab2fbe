"""The windway's pressure, the breath it takes, and the source at the labium."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.air import moist_air
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.constants import JetConstants
from simkit.vessel import Voicing

AIR = moist_air()


def windway(height=1e-3, length=30e-3, **more):
    return AirJet(height=height, length=length, width=8e-3, cut_up=5e-3, breath=AIR, **more)


def test_slow_breath_pays_poiseuilles_friction():
    """dp = 12 eta V L/h^2 between plates, V the mean speed; at 0.3 m/s the windway is 75 entrance lengths long."""
    jet, speed = windway(length=0.3), 0.3
    friction = 12 * AIR.viscosity * (2 / 3 * speed) * 0.3 / 1e-6
    head = AIR.density * (2 / 3 * speed) ** 2 / 2
    # Beside friction: 1.674 mean velocity heads to start a parabola (Shah & London 1978, K = 0.674, from memory).
    assert jet.pressure(speed) == pytest.approx(friction + 1.674 * head, rel=2e-3)


def test_a_short_windway_is_bernoullis():
    """While the friction layers have not met, the jet's middle has lost nothing."""
    jet = windway(length=2e-3)
    assert jet.pressure(20.0) == pytest.approx(AIR.density * 20**2 / 2, rel=1e-12)


@pytest.mark.parametrize("speed", [10.0, 20.0, 30.0])
def test_friction_lies_between_none_and_that_of_a_developed_flow(speed):
    """Entrance length about 0.04 h Re: at 20 m/s 53 mm, more than this windway has."""
    jet = windway()
    bernoulli = AIR.density * speed**2 / 2
    developed = 12 * AIR.viscosity * (2 / 3 * speed) * 30e-3 / 1e-6
    assert bernoulli <= jet.pressure(speed) <= bernoulli + developed


@given(st.floats(0.5, 8000.0), st.floats(0.3e-3, 3e-3), st.floats(5e-3, 80e-3))
def test_speed_and_pressure_invert_each_other(pressure, height, length):
    jet = windway(height, length)
    assert jet.pressure(jet.speed(pressure)) == pytest.approx(pressure, rel=1e-6)


def test_where_the_friction_layers_meet_pressure_bends_but_has_no_corner():
    """Local exponent d ln p/d ln U: 2 before, falling to that of a developed flow, nowhere by steps."""
    speeds = np.geomspace(1.0, 60.0, 800)
    exponent = np.diff(np.log(windway().pressure(speeds))) / np.diff(np.log(speeds))
    assert np.abs(np.diff(exponent)).max() < 0.02
    assert exponent[-1] == pytest.approx(2.0, abs=1e-9)
    assert exponent[0] < 1.6


def test_more_pressure_more_speed():
    speeds = windway().speed(np.geomspace(1.0, 5000.0, 300))
    assert (np.diff(speeds) > 0).all()


def test_the_breath_is_mean_speed_times_the_slit():
    """A parabola's mean is two thirds of its middle; a short windway's jet is blunter and spends more."""
    assert windway(length=0.3).breath_flow(2.0) == pytest.approx(2 / 3 * 2.0 * 8e-6, rel=1e-6)
    assert 2 / 3 < windway(length=5e-3).breath_flow(20.0) / (20.0 * 8e-6) < 1


def test_the_momentum_of_the_jet_is_that_of_the_windways_parabola():
    """int U^2 sech^4(y/b) dy = 4/3 U^2 b; int of a parabola's square = 8/15 U^2 h; so b = 2h/5."""
    jet = windway()
    y = np.linspace(-30, 30, 200001) * jet.half_width
    assert np.trapezoid(1 / np.cosh(y / jet.half_width) ** 4, y) == pytest.approx(8 / 15 * jet.height, rel=1e-6)


def test_the_dipoles_length_is_that_of_flow_through_a_slit():
    """Between plates with a slit of width W: potential q/pi arccosh(1 + 2s/W) at s from the edge, on either side.

    Conformal map z = (W/2) cosh(pi f/q) (Lamb, Hydrodynamics, sec. 66). Near the edge 4/pi sqrt(s/W) q in all.
    """
    jet = windway(height=0.05e-3)
    s, W = 2 * jet.height, jet.cut_up
    exact = 2 / np.pi * np.arccosh(1 + 2 * s / W) / jet.width
    assert jet.slit_drop == pytest.approx(exact, rel=0.01)


def test_the_source_is_what_the_momentum_of_the_cut_jet_gives():
    """A large swing: all of the jet's flow 2 H b U in or out, a square wave, through the potential difference."""
    jet, omega, speed = windway(), 2 * np.pi * 440, 22.0
    square = 4 / np.pi * jet.width * jet.half_width * speed
    assert jet.source_pressure(omega, speed, 60.0) == pytest.approx(AIR.density * jet.dipole * omega * square, rel=2e-3)


def test_a_voicings_millimetres_become_metres():
    voicing = Voicing(
        along_mm=10, around_deg=0, window_width_mm=12, cut_up_mm=5.5, windway_height_mm=1.4, windway_length_mm=32,
        edge_offset_mm=-0.2,
    )  # fmt: skip
    jet = AirJet.of(voicing, AIR, JetConstants(growth=0.5))
    sizes = (jet.width, jet.cut_up, jet.height, jet.length, jet.offset)
    assert sizes == pytest.approx((12e-3, 5.5e-3, 1.4e-3, 32e-3, -0.2e-3))
    assert jet.constants.growth == 0.5


def test_which_side_the_labium_stands_on_does_not_change_the_fundamental():
    jet, other = windway(offset=0.3e-3), windway(offset=-0.3e-3)
    assert jet.saturation.same(1.3) == pytest.approx(other.saturation.same(1.3), rel=1e-12)
