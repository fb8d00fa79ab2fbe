"""Steady notes: where in phase, how loud, how far breath bends them."""

from dataclasses import replace

import numpy as np
import pytest

from simkit.sound.blowing.behaviour import at_pressure, blow_fingerings, pitch_curve
from simkit.sound.blowing.cycle import limit_cycle, on_resonance
from simkit.sound.blowing.loop import Loop
from simkit.sound.blowing.overtones import with_overtones
from simkit.sound.elements.constants import JetConstants

SMOOTH_EDGES = JetConstants(window_contraction=1e6, hole_contraction=1e6)


@pytest.mark.parametrize("hz", [300.0, 440.0, 523.25, 700.0, 880.0, 1046.5])
def test_in_phase_the_jet_runs_at_ten_cut_ups_a_period(instruments, hz):
    """f W/U = c_p/(4U), about 0.1: the jet's wave takes a quarter of a period (Fabre & Hirschberg 2000, Acustica 86,
    599, from memory). Cut-up 5 mm, air of 20 degC: 135 Pa at 300 Hz, 290, 410, 735, 1161, 1642 at 1046.5 Hz."""
    jet = instruments.jet(cut_up=5e-3, height=1.2e-3, length=5e-3)
    note = on_resonance(Loop(instruments.at(hz), jet))
    strouhal = hz * jet.cut_up / note.speed[0]
    assert strouhal == pytest.approx(0.1, rel=0.03)
    bernoulli = instruments.air.density / 2 * (hz * 5e-3 / 0.1) ** 2
    assert jet.pressure(note.speed)[0] == pytest.approx(bernoulli, rel=0.07)


@pytest.mark.parametrize("q", [10.0, pytest.param(20.0, marks=pytest.mark.slow), 30.0])
def test_ten_per_cent_more_breath_bends_by_pi_over_8_q(instruments, rayleigh, q):
    """d ln f/d ln p = pi/(8Q) for a delay W/c with c in proportion to U: 6.5, 3.2, 2.2 cents at Q = 10, 20, 30.

    The real wave's c also grows with frequency over speed, which takes some of it: its turn goes like U^-0.93, as
    Rayleigh's equation has it (solved in conftest).
    Friction at edges off, so that Q is the linear one.
    """
    jet = instruments.jet(constants=SMOOTH_EDGES, length=5e-3)
    loop = Loop(instruments.at(440.0, q=q), jet)
    note = on_resonance(loop)
    higher = limit_cycle(loop, jet.speed(1.1 * jet.pressure(note.speed)), note)
    cents = 1200 * np.log2(higher.omega / note.omega)[0]
    simple = 1200 / np.log(2) * np.pi / (8 * q) * np.log(1.1)
    theta = note.omega * jet.half_width / note.speed
    higher_k, lower_k = (rayleigh.wavenumber(theta[0] * x, 0.3 - 0.2j).real for x in (1.01, 1 / 1.01))
    dispersion = np.log(higher_k / lower_k) / (2 * np.log(1.01))
    assert 0 < theta[0] < 0.1
    assert 0.85 < dispersion < 1.0
    assert cents == pytest.approx(simple * dispersion, rel=0.08)


def test_on_resonance_the_loop_gives_one_with_the_flows_that_are_told(instruments):
    """log L = 0, the definition of a steady swing, at the frequency, speed and swing told, whatever is open."""
    loop = Loop(instruments.plain(range(7)), instruments.jet())
    note = on_resonance(loop)
    assert note.exists[:6].all()
    live = note.of(np.flatnonzero(note.exists))
    loop = Loop(loop.motion.only(note.exists), loop.jet)
    answer = loop.answer(live.omega, loop.friction(live.flow(loop)))
    swing = loop.jet.saturation.same(loop.jet.swing(live.omega, live.speed, live.velocity))
    assert np.abs(loop.log_gain(live.omega, live.speed, answer.response, swing)).max() < 1e-6


def test_friction_at_edges_makes_breath_bend_more(instruments):
    motion, jets = instruments.plain([0, 4]), (instruments.jet(), instruments.jet(constants=SMOOTH_EDGES))
    rough, smooth = (blow_fingerings(motion, jet, careful=False) for jet in jets)
    assert (rough.cycle.q < 0.5 * motion.q[:, 0]).all()
    assert (rough.bend_cents > 1.5 * smooth.bend_cents).all()


def test_the_source_gives_what_losses_take(instruments):
    """Energy in a cycle: source power = linear damping of the moving mass + power of |v| v at window and holes."""
    motion, jet = instruments.plain([0, 3]), instruments.jet()
    blown = blow_fingerings(motion, jet, careful=False)
    cycle, air = blown.cycle, instruments.air
    flow = cycle.flow(blown.loop)
    velocity = flow / motion.area
    contraction = np.r_[0.6, np.full(8, 0.7)]
    # mean of (rho/2)(v/contraction)^2 |v| S over a cycle: 4/(3 pi) of its peak
    edges = (air.density / 2 * (velocity / contraction) ** 2 * velocity * motion.area * 4 / (3 * np.pi)).sum(axis=1)
    # all flow passes the mass of the window and of the holes: rho |U|^2/(2K) each, damped at 2 Im omega
    mass = air.density / np.r_[instruments.window, np.full(8, instruments.hole)]
    linear = 2 * motion.omega[:, 0].imag * (mass * flow**2).sum(axis=1) / 2
    assert blown.tone_power == pytest.approx(edges + linear, rel=2e-3)


def test_the_swing_settles_from_either_side(instruments):
    """The same note from above and from below in pressure."""
    jet = instruments.jet()
    loop = Loop(instruments.plain([2]), jet)
    note = on_resonance(loop)
    high, low = (limit_cycle(loop, note.speed * x, note) for x in (1.2, 0.85))
    for start in (high, low):
        back = limit_cycle(loop, note.speed, start)
        assert back.velocity == pytest.approx(note.velocity, rel=1e-5)
    assert jet.pressure(high.speed) > jet.pressure(low.speed)


def test_pitch_rises_with_breath(instruments):
    """Common practice: blow harder, sound sharper."""
    blown = blow_fingerings(instruments.plain([0, 3, 6]), instruments.jet(), careful=False)
    curve = pitch_curve(blown, np.geomspace(150.0, 1500.0, 8))
    rises = np.diff(np.log(curve), axis=1)
    assert (rises[np.isfinite(rises)] > 0).all()
    assert np.isfinite(curve).sum() > 16


def test_at_its_playing_pressure_a_note_sounds_at_its_resonance(instruments):
    motion, blown = instruments.plain([0, 1, 2]), instruments.blown(*range(6))
    assert blown.in_phase[:3].all()
    assert blown.cycle.frequency[:3] == pytest.approx(motion.frequency[:, 0], rel=1e-9)
    again = at_pressure(blown, np.arange(3), blown.pressure[:3])
    assert 1200 * np.log2(again.frequency / motion.frequency[:, 0]) == pytest.approx(np.zeros(3), abs=0.05)


def test_an_offset_labium_saturates_sooner_and_makes_even_overtones(instruments):
    motion = instruments.plain([0])
    centred, offset = (blow_fingerings(motion, instruments.jet(offset=y), careful=False) for y in (0.0, 0.6e-3))
    assert offset.gain < centred.gain
    assert offset.cycle.velocity < centred.cycle.velocity


def test_without_overtones_nothing_is_bent(instruments):
    """A faint swing is a pure tone: its factors are 1."""
    loop, _ = with_overtones(Loop(instruments.plain([6], q=12.0), instruments.jet()), on_resonance)
    strong, _ = with_overtones(Loop(instruments.plain([0]), instruments.jet()), on_resonance)
    assert abs(loop.bent_source[0] - 1) < abs(strong.bent_source[0] - 1)
    assert abs(strong.bent_source[0] - 1) < 0.2


def test_many_fingerings_at_once_are_the_same_as_one_by_one(instruments):
    motion, jet = instruments.plain(range(6)), instruments.jet()
    together = instruments.blown(*range(6))
    for i in (1, 5):  # in phase, and not
        alone = blow_fingerings(motion.only(slice(i, i + 1)), jet).note(0)
        assert together.note(i).pressure == pytest.approx(alone.pressure, rel=1e-6)
        assert together.note(i).overblow_margin == pytest.approx(alone.overblow_margin, rel=1e-6)


@pytest.mark.parametrize("drive", [0.36, pytest.param(1.0, marks=pytest.mark.slow)])
def test_an_overtone_on_a_higher_resonance_leaves_the_pitch_curve_smooth(instruments, drive):
    """The fifth overtone crosses a resonance of Q = 165 with so much of the note's own drive: no scatter around it.

    What an overtone does to itself there is nearly all of it; taken turn by turn it does not settle, and the pitch
    jumps about by ten cents and more. In time (`timedomain`) it is smooth.
    """
    base, jet = instruments.plain([2]), instruments.jet()
    every = instruments.blown(*range(6))
    pressures = 1.5 * every.pressure[2] * np.geomspace(0.94, 1.06, 13)
    where = np.zeros(13, int)
    plain = at_pressure(every, where + 2, pressures, careful=False)
    higher = 5 * plain.omega[6] * (1 + 0.5j / 165)
    motion = replace(
        base,
        omega=np.array([[base.omega[0, 0], higher]]),
        flow=np.concatenate([base.flow, np.sqrt(drive) * base.flow], axis=1),
    )
    cents = 1200 * np.log2(at_pressure(blow_fingerings(motion, jet), where, pressures).omega / plain.omega)
    assert np.abs(np.diff(cents)).max() < 0.5
