"""The blow table: margins, what speaks, and the trends that a maker would expect."""

from dataclasses import replace

import numpy as np
import pytest

from simkit.air import moist_air
from simkit.sound.blowing.behaviour import blow_fingerings, growth_map, pitch_curve, playing_note
from simkit.sound.blowing.loop import Loop
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.constants import JetConstants


def test_a_waist_lowers_the_margin(instruments):
    """Common practice: a chamber with a pinched waist can jump in pitch."""
    margins = [instruments.blown_waisted(neck).note(0) for neck in (5e-3, 8e-3, 20e-3)]
    assert all(note.overblow_by == 1 for note in margins)
    assert (np.diff([note.overblow_margin for note in margins]) > 0).all()


def test_the_margin_is_that_of_the_takeover(instruments):
    note = instruments.blown_waisted(8e-3).note(0)
    assert note.overblow_margin == pytest.approx(note.overblow_at / note.pressure)
    assert 1 < note.overblow_margin < 5000 / note.pressure


def test_without_a_takeover_the_margin_is_five_kilopascals_over_the_playing_pressure(instruments):
    note = instruments.blown(*range(6)).note(0)
    assert note.overblow_at is None
    assert note.overblow_by is None
    assert note.overblow_margin == pytest.approx(5000 / note.pressure)


def test_a_note_that_dies_on_more_breath_is_said_to(instruments):
    """Two holes open before a labium of a third of the strength: between where it plays and 5 kPa it falls silent.

    Where it dies is where its pitch curve ends; the margin, which counts jumps alone, is still 5 kPa over the breath.
    """
    blown = blow_fingerings(instruments.plain([0, 4]), instruments.jet(constants=JetConstants(dipole=0.3)), False)
    stays, dies = blown.note(0), blown.note(1)
    assert stays.dies_at is None and stays.lasts is None
    assert dies.lasts == pytest.approx(dies.dies_at / dies.pressure) and 1 < dies.lasts < dies.overblow_margin
    assert blown.stands == pytest.approx([stays.overblow_margin, dies.lasts])
    curve = pitch_curve(blown, dies.dies_at * np.array([0.9, 0.98, 1.03, 1.2]), careful=False)[1]
    assert np.isfinite(curve).tolist() == [True, True, False, False]


def test_a_second_resonance_without_pressure_at_the_window_never_takes_over(instruments):
    """Window in the middle of three chambers: only the third resonance, which has pressure there, may."""
    necks = [(0, 1, 5e-3), (1, 2, 5e-3)]
    motion = instruments.joined([4e-5] * 3, necks, [(1, instruments.window, 66e-6)], (25, 60, 60))
    blown = blow_fingerings(motion, instruments.jet())
    assert motion.drive[0, 1] < 1e-12
    assert blown.takeover.by[0] == 2


def test_a_longer_cut_up_wants_more_speed_and_pressure(instruments):
    """For the same note; common practice. What it does to the margin is computed, not asserted."""
    motion = instruments.plain([0, 3])
    jets = [instruments.jet(cut_up=w) for w in (5.0e-3, 6.0e-3)]
    short, long = (playing_note(Loop(motion, jet), careful=False)[1].speed for jet in jets)
    assert (long > 1.1 * short).all()
    assert (jets[1].pressure(long) > 1.2 * jets[0].pressure(short)).all()


def test_high_notes_want_more_breath(instruments):
    """Common practice, for any wind instrument of this kind."""
    assert (np.diff(instruments.blown(*range(6)).pressure[:5]) > 0).all()


def test_high_notes_are_airier_and_weaker(instruments):
    """Common practice: the top notes lose their tone first."""
    blown = instruments.blown(*range(6))
    assert (np.diff(blown.airiness_db[:5]) > 0).all()
    assert (np.diff(blown.gain[:5]) < 0).all()
    assert (np.diff((blown.cycle.velocity / blown.cycle.speed)[:5]) < 0).all()


def test_what_plays_with_all_holes_open_plays_with_all_closed(instruments):
    """Common practice, whatever the constants."""
    motion = instruments.plain([0, 2, 4, 6, 8])
    for constants in (JetConstants(), JetConstants(dipole=0.5), JetConstants(growth=0.7, receptivity=2.0)):
        speaks = playing_note(Loop(motion, instruments.jet(constants=constants)), careful=False)[1].exists
        assert (np.diff(speaks.astype(int)) <= 0).all()
        assert speaks[0]


def test_a_voicing_that_cannot_speak_is_an_answer(instruments):
    blown = blow_fingerings(instruments.plain([0, 5]), instruments.jet(constants=JetConstants(dipole=0.01)))
    note = blown.note(1)
    assert not note.speaks
    assert (note.pressure, note.sounding_hz, note.overblow_margin, note.overblow_at) == (None,) * 4
    assert not blown.speaks.any()


def test_a_note_beyond_two_kilopascals_is_blown_at_what_it_has_below(instruments):
    """In phase only above 2 kPa: it speaks below, flat of its resonance."""
    motion, blown = instruments.plain([4, 5]), instruments.blown(*range(6))
    assert blown.speaks[4:].all()
    assert not blown.in_phase[4:].any()
    assert (blown.pressure[4:] <= 2000.001).all()
    assert (blown.cycle.frequency[4:] < motion.frequency[:, 0]).all()


def test_breath_for_the_low_notes_is_that_of_flute_players_and_below(instruments):
    """Mouth pressures of flute players 588 to 1079 Pa (Cossette 2000, Respir. Physiol. 121, 33); vessel flutes lower.

    A sane range, no calibration: absolute pascals are uncertain. Flutes take 0.1 to 1 l/s (University of
    New South Wales, web pages on flute acoustics).
    """
    blown = instruments.blown(*range(6))
    assert ((blown.pressure > 100) & (blown.pressure < 1300))[:3].all()
    breath = blown.loop.jet.breath_flow(blown.cycle.speed)[:3]
    assert ((breath > 1e-4) & (breath < 1e-3)).all()


def test_the_source_is_of_the_order_of_a_measured_back_pressure():
    """About 2 p_blow (lip opening/tube area), Coltman 1968, J. Acoust. Soc. Am. 44, 983.

    A flute: lip opening 1 mm x 12 mm, tube of 19 mm, 5 mm to the edge, blown for 440 Hz.
    """
    air = moist_air()
    jet = AirJet(height=1e-3, length=2e-3, width=12e-3, cut_up=5e-3, breath=air)
    speed = 440 * 5e-3 / 0.1
    measured = 2 * jet.pressure(speed) * (1e-3 * 12e-3) / (np.pi * 9.5e-3**2)
    assert 0.5 < jet.source_pressure(2 * np.pi * 440, speed, 20.0) / measured < 2


def test_little_of_the_breath_becomes_sound(instruments):
    """Coltman 1968 measured 2.4 % from jet to sound at 440 Hz on a flute; a vessel's small openings radiate less."""
    blown = instruments.blown(*range(6))
    tone = (blown.tone_power / blown.breath_power)[:3]
    heard = (blown.radiated_power / blown.breath_power)[:3]
    assert ((tone > 0.01) & (tone < 0.3)).all()
    assert ((heard > 1e-4) & (heard < 0.024)).all()


def test_the_map_of_growth_shows_where_each_resonance_would_start(instruments):
    motion = instruments.waisted(6e-3)
    pressures = np.geomspace(30, 3000, 12)
    rates, waves = growth_map(motion, instruments.jet(), pressures)
    assert rates.shape == waves.shape == (1, 2, 12)
    first = (rates[0] > 0) & (waves[0] == 1)
    assert first[0].any()
    assert first[1].any()
    # The higher resonance starts on the first wave only at more pressure than the lower one does.
    assert pressures[first[1]].min() > 2 * pressures[first[0]].min()


def test_the_potential_difference_of_the_window_itself_counts(instruments):
    """In proportion to the source, hence to the gain of a small swing."""
    motion, jet = instruments.plain([0]), instruments.jet()
    given = replace(jet, edge_share=0.8)
    assert given.coupling() == pytest.approx(0.8 * jet.coupling())
    assert blow_fingerings(motion, given, careful=False).gain < instruments.blown(0, careful=False).gain


@pytest.mark.slow  # at once: each trend with the standing pair, in this file
@pytest.mark.parametrize(
    ("receptivity", "growth"),
    [(3.0, 0.4), *(pytest.param(*pair, marks=pytest.mark.slow) for pair in ((2.0, 0.6), (1.0, 0.8), (1.0, 1.0)))],
)
def test_trends_are_those_of_every_published_pair_of_receptivity_and_growth(instruments, receptivity, growth):
    """Receptivity 1 after de la Cuadra 2005, some 3 after Fletcher 1976; growth up to the parallel jet's (from memory).

    At the playing pressure the jet swings 3 to 20 times as far as h v/U, which is 0.3 to 0.5 per height of growth over
    4 to 6 heights (de la Cuadra 2005, from memory).
    """
    constants = JetConstants(receptivity=receptivity, growth=growth)
    jet = instruments.jet(constants=constants)
    notes = blow_fingerings(instruments.plain(range(4)), jet, careful=False)
    assert (np.diff(notes.pressure) > 0).all() and (np.diff(notes.gain) < 0).all()
    short, long = (blow_fingerings(instruments.waisted(8e-3), instruments.jet(constants=constants, cut_up=w), False)
                   for w in (5e-3, 6e-3))  # fmt: skip
    assert long.pressure > short.pressure and long.gain < short.gain
    wide, narrow = (blow_fingerings(instruments.waisted(neck), jet, careful=False) for neck in (12e-3, 6e-3))
    assert narrow.overblow_margin < wide.overblow_margin
    low, high = (blow_fingerings(instruments.plain([0]), instruments.jet(constants=constants, height=h), False)
                 for h in (1.2e-3, 1.6e-3))  # fmt: skip
    assert high.gain > low.gain and high.pressure < low.pressure
    omega = np.array([2 * np.pi * 440])
    swing = np.exp(jet.wave_log(omega, jet.speed_for(omega, np.array([np.pi / 2]))).real)
    assert 3 < receptivity * swing[0] < 20
