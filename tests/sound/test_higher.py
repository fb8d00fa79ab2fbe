"""Chambers ring above their note as published theory says: frequencies, friction and heat at the wall."""

import numpy as np
import pytest

import simkit
from simkit.errors import InputError, OutOfReach
from simkit.sound.answers.higher import resonances
from simkit.vessel.starter import starter

DESIGN = """
title = "chamber"
[clay]
wall_mm = 4
[[chamber]]
name = "body"
"""


def chamber(shape, wall_mm=4):
    return simkit.loads(DESIGN.replace("wall_mm = 4", f"wall_mm = {wall_mm}") + shape, "chamber.toml")


BOXED = """
shape = "box"
length_mm = 100
width_mm = 60
height_mm = 40
[chamber.voicing]
along_mm = 15
around_deg = 180
window_width_mm = 4
cut_up_mm = 3
windway_height_mm = 1
windway_length_mm = 15
edge_deg = 90
"""


@pytest.fixture(scope="module")
def ball():
    return resonances(chamber('shape = "sphere"\ndiameter_mm = 60'), 8, closed=True)


@pytest.fixture(scope="module")
def boxed():
    return resonances(chamber(BOXED, wall_mm=8), 4, closed=True, lossless=True)


@pytest.mark.parametrize(("degree", "near", "modes"), [(1, 2.1, slice(0, 3)), (2, 3.3, slice(3, 8))])
def test_a_ball_loses_at_its_wall_what_spherical_resonators_lose(ball, degree, near, modes, ball_mode):
    """Moldover, Mehl & Greenspan 1986, J. Acoust. Soc. Am. 79, 253, written out in conftest."""
    zero, expected = ball_mode(ball.air, 0.030, degree, near)
    rings = ball.chambers[0].rings[modes]
    q = np.array([ring.resonance.q for ring in rings])
    assert q == pytest.approx(expected.real / (2 * expected.imag), rel=2e-3)
    # The shift by the loss alone, apart from what the mesh does to k.
    shift = np.array([ring.resonance.omega.real / (ball.air.sound_speed * ring.k) for ring in rings])
    assert shift == pytest.approx(expected.real / (ball.air.sound_speed * zero / 0.030), rel=2e-6)


def test_the_modes_of_a_ball_come_in_threes_and_fives_and_the_uniform_one_is_left_out(ball):
    k = np.array([ring.k for ring in ball.chambers[0].rings]) * 0.030
    assert k[:3] == pytest.approx(2.0815759778, rel=3e-4)
    assert k[3:] == pytest.approx(3.3420936578, rel=6e-4)


def test_a_tube_rubs_and_warms_along_its_side_and_warms_at_its_ends():
    """Kirchhoff's wide tube (1868; Rayleigh, Theory of Sound, sec. 350): a/Q = delta_v + (gamma - 1) delta_t.

    For p = cos(pi y/L) the flat ends add (gamma - 1) delta_t 2 / L to 1/Q, from the same wall integral of p^2.
    """
    ringing = resonances(chamber('shape = "tube"\nlength_mm = 80\ndiameter_mm = 20'), 1, closed=True)
    (ring,) = ringing.chambers[0].rings
    air, omega = ringing.air, ring.resonance.omega.real
    heat = (air.gamma - 1) * air.delta_t(omega)
    expected = (air.delta_v(omega) + heat) / 0.010 + 2 * heat / 0.080
    assert 1 / ring.resonance.q == pytest.approx(expected, rel=5e-3)


def test_a_box_without_losses_rings_at_its_textbook_wave_numbers_for_ever(boxed):
    """k^2 = pi^2 sum (n/L)^2: Kinsler, Frey, Coppens & Sanders 2000, Fundamentals of Acoustics, sec. 9.2."""
    sizes = np.array([0.100, 0.060, 0.040])  # its window is shut flush
    orders = np.array([[1, 0, 0], [0, 1, 0], [1, 1, 0], [2, 0, 0]])
    expected = np.pi * np.linalg.norm(orders / sizes, axis=1)
    assert [ring.k for ring in boxed.chambers[0].rings] == pytest.approx(expected, rel=3e-4)
    for ring in boxed.chambers[0].as_dict()["resonances"]:
        assert ring["q"] is None
        assert ring["frequency_hz"] == pytest.approx(ring["k_per_m"] * boxed.air.sound_speed / (2 * np.pi))


def test_the_doubt_of_closed_modes_covers_what_the_mesh_is_off(ball):
    """Of a ball without losses, zeros of j_l' (Abramowitz & Stegun, sec. 10.1, from memory): within the doubt, and that
    within a cent and a half."""
    exact = np.repeat([2.0815759778, 3.3420936578], [3, 5]) / 0.030
    for k, ring in zip(exact, ball.chambers[0].rings, strict=True):
        assert abs(1200 * np.log2(ring.k / k)) < ring.doubts["mesh"] < 1.5
        assert ring.uncertainty_cents == pytest.approx(ring.doubts["mesh"] + ring.doubts["losses"])
    assert ball.chambers[0].note is None


def test_a_window_drives_a_boxs_modes_as_they_press_on_it(boxed):
    """Closed: V p^2 over the window for p = cos(n pi y/L) cos(m pi x/W), twice cos^2 of each that is not constant
    (Kinsler, Frey, Coppens & Sanders 2000, sec. 9.2), to what a window 3 mm long smears."""
    closed = boxed.chambers[0]
    along = 2 * np.cos(np.pi * 0.15) ** 2
    assert closed.rings[0].drive == pytest.approx(along, rel=0.02)
    assert closed.rings[1].drive == pytest.approx(0.0, abs=0.02)  # the window lies on the mode's nodal plane


@pytest.mark.slow
def test_an_open_windows_drive_is_that_of_the_closed_box_times_the_square_of_the_notes_interval():
    """K^2 c^2/(2 rho omega^2) times what drives the closed box, to first order in the window's conductivity K, by
    Rayleigh's quotient of 1/K + sum of p^2/(k_n^2 - k^2) at its zero; so over the note the same times (f_0/f_n)^2."""
    along = 2 * np.cos(np.pi * 0.15) ** 2
    breathing = resonances(chamber(BOXED, wall_mm=8), 1, lossless=True).chambers[0]
    assert breathing.note.drive == 1.0
    ratio = breathing.note.resonance.frequency_hz / breathing.rings[0].resonance.frequency_hz
    assert breathing.rings[0].drive == pytest.approx(along * ratio**2, rel=0.1)


@pytest.mark.parametrize("count", [0, -1, 201])
def test_a_count_out_of_reach_is_refused(count):
    with pytest.raises(InputError, match=r"count = .*: allowed: 1 to 200"):
        resonances(chamber('shape = "sphere"\ndiameter_mm = 60'), count, closed=True)


def test_a_chamber_that_lets_nothing_out_is_told_to_be_closed():
    with pytest.raises(OutOfReach, match="`closed`"):
        resonances(chamber('shape = "sphere"\ndiameter_mm = 60'))


@pytest.mark.parametrize("opened", [pytest.param((), marks=pytest.mark.slow), ("1",)])
def test_the_note_is_as_uncertain_as_predict_says(opened):
    """One note, one number: also what playing leaves open of it against the other notes."""
    vessel = simkit.loads(starter("sphere"), "ball.toml")
    (chamber,) = resonances(vessel, 1, opened=opened).chambers
    told = {frozenset(note.open): note.answer for note in simkit.predict(vessel).notes}[frozenset(opened)]
    assert chamber.note.resonance.frequency_hz == pytest.approx(told.frequency_hz, rel=1e-9)
    assert chamber.note.uncertainty_cents == pytest.approx(told.uncertainty_cents, rel=1e-6)
