"""How the openings' air moves in each resonance, against circuits of springs and masses."""

import numpy as np
import pytest

from simkit.sound.blowing.loop import Loop
from simkit.sound.models.resonator import Motion, straight_through


def test_what_the_resonance_leaves_of_the_window_goes_straight_through(instruments):
    motion = instruments.plain([0, 1, 4, 8])
    assert motion.drive[:, 0] + motion.through[:, 0] ** 2 == pytest.approx(instruments.window, rel=1e-12)


def test_no_hole_open_no_flow_straight_through(instruments):
    assert (instruments.plain([0]).through == 0).all()


def test_straight_through_is_two_masses_in_series():
    """K_w and K_h with a stiff chamber between: K_w K_h/(K_w + K_h)."""
    through = straight_through(np.diag([5.0, 3.0, 4.0]))
    assert through[0] ** 2 == pytest.approx(5 * 7 / 12)
    assert through.sum() == pytest.approx(0.0, abs=1e-12)


def test_opening_holes_weakens_the_drive(instruments):
    """K_window (K_window / K_total): common practice, holes opened one by one make a note weaker."""
    drive = instruments.plain(range(9)).drive[:, 0]
    assert (np.diff(drive) < 0).all()
    expected = instruments.window**2 / (instruments.window + instruments.hole * np.arange(9))
    assert drive == pytest.approx(expected)


@pytest.mark.parametrize("open_holes", [0, 3])
def test_the_loop_sees_the_admittance_of_the_circuit(instruments, open_holes):
    """Window mass in series with spring beside the holes' mass: Y = 1/(i w M + 1/(i w C + 1/(i w M_h)))."""
    air, volume = instruments.air, 1e-4
    motion = instruments.plain([open_holes], volume, q=1e9)
    omega = motion.omega[0, 0].real * np.array([0.4, 0.9, 1.3, 3.0])
    holes = open_holes * instruments.hole / (1j * omega * air.density)
    spring = 1j * omega * volume / (air.density * air.sound_speed**2)
    circuit = 1 / (1j * omega * air.density / instruments.window + 1 / (spring + holes))
    loop = Loop(motion.only(np.zeros(4, int)), instruments.jet())
    admittance = -1j * omega / air.density * loop.answer(omega).response
    assert admittance == pytest.approx(circuit, rel=1e-5, abs=1e-14)


def test_friction_of_window_and_holes_is_that_of_resistances_in_the_circuit(instruments):
    """With R in the window and r in the hole: the whole circuit solved at once. The hole's friction is tied in well."""
    air, volume = instruments.air, 1e-4
    motion = instruments.plain([1], volume, q=1e9, holes=1)
    loop = Loop(motion.only(np.zeros(3, int)), instruments.jet())
    omega = motion.omega[0, 0].real * np.array([0.8, 1.0, 1.5])
    flow = np.full((3, 2), 2e-4)
    friction = loop.friction(flow)
    contraction = np.array([0.6, 0.7])
    R = air.density * 8 / (3 * np.pi) * flow[0] / (2 * (contraction * motion.area) ** 2)
    spring = 1j * omega * volume / (air.density * air.sound_speed**2)
    hole = 1 / (1j * omega * air.density / instruments.hole + R[1])
    circuit = 1 / (1j * omega * air.density / instruments.window + R[0] + 1 / (spring + hole))
    answer = loop.answer(omega, friction, shares=True)
    assert -1j * omega / air.density * answer.response == pytest.approx(circuit, rel=1e-6)
    # Into the chamber through the window, out of it through the hole.
    assert answer.share[:, 1] == pytest.approx(-hole / (spring + hole), rel=1e-6)


def test_two_chambers_share_the_windows_conductivity_among_their_modes(instruments):
    motion = instruments.waisted(8e-3)
    assert motion.drive.sum() + motion.through[0, 0] ** 2 == pytest.approx(instruments.window, rel=1e-9)


def test_a_resonator_is_passive(instruments):
    """It takes power at every frequency: the phase of its response stays between 0 and pi."""
    motion = instruments.waisted(6e-3).only(np.zeros(200, int))
    omega = np.geomspace(0.1, 10, 200) * motion.omega[0, 0].real
    loop = Loop(motion, instruments.jet())
    friction = loop.friction(np.full((200, 2), 1e-4))
    assert (loop.answer(omega, friction).response.imag > 0).all()


def test_what_does_not_fit_together_is_refused(instruments):
    good = instruments.plain([0, 1])
    with pytest.raises(ValueError, match=r"\(F, M\)"):
        Motion(good.air, good.omega, good.flow[:, :, :3], good.through, good.area)
    with pytest.raises(ValueError, match="Im omega > 0"):
        Motion(good.air, good.omega.conj(), good.flow, good.through, good.area)
