"""Chambers blown together: beats, merging, and what each chamber does to the other."""

import numpy as np
import pytest

import simkit
from simkit.errors import InputError
from simkit.sound import models
from simkit.sound.answers.chords import Together, chords, chosen_chambers
from simkit.vessel import loads

CHAMBER = """
[[chamber]]
name = "{name}"
shape = "sphere"
diameter_mm = {size}
offset_mm = [0, {across}, 0]
[chamber.voicing]
along_mm = 25
around_deg = {around}
window_width_mm = 9
cut_up_mm = 4
windway_height_mm = 1.2
windway_length_mm = 5
[[chamber.hole]]
name = "1"
along_mm = 25
around_deg = {hole}
diameter_mm = 6
finger = "left index"
[[chamber.note]]
pitch = "C5"
open = []
[[chamber.note]]
pitch = "D5"
open = ["1"]
"""


def two(size=49.8):
    one = CHAMBER.format(name="one", size=50, across=0, around=0, hole=-80)
    other = CHAMBER.format(name="two", size=size, across=55, around=0, hole=80)
    return loads("[clay]\nwall_mm = 4\n" + one + other)


@pytest.fixture(scope="module")
def rung():
    return chords(two(), ("one", "two"), "ports", state="still")


def test_every_choice_of_notes_is_a_chord(rung):
    assert [[tone.pitch for tone in chord.tones] for chord in rung] == [
        ["C5", "C5"], ["C5", "D5"], ["D5", "C5"], ["D5", "D5"],
    ]  # fmt: skip


def test_a_near_unison_beats_at_the_difference_of_what_sounds_and_is_pushed_apart(rung):
    near, far = rung[0], rung[1]
    low, high = (tone.frequency_hz for tone in near.tones)
    assert near.beat_hz == pytest.approx(high - low) and far.beat_hz is None
    # Mass between two openings pushes the pitches of a near unison apart (the avoided crossing).
    assert near.tones[0].pull_cents < 0 < near.tones[1].pull_cents
    assert max(abs(t.pull_cents) for t in far.tones) < max(abs(t.pull_cents) for t in near.tones)


def test_pull_and_coupled_pitch_obey_the_two_resonator_formula():
    """w = (w1 + w2)/2 +- sqrt((w1 - w2)^2/4 + c^2); Morse & Ingard 1968, section 3.2 (from memory)."""
    together = Together.of(two(), ("one", "two"), "ports", True, "still")
    w1, w2 = together.alone[0]
    half = np.diff(together.omega[0])[0] / 2
    c = np.sqrt(half**2 - (w2 - w1) ** 2 / 4)
    mutual = together.resonators[0].circuit.field.outside(w1.real / together.resonators[0].air.sound_speed)[0, 2]
    k, volume = (
        w1 / together.resonators[0].air.sound_speed,
        np.sqrt(np.prod([r.field.volumes[r.rows][0] for r in together.resonators])),
    )
    assert abs(c) == pytest.approx(abs(w1 * volume * k**2 * mutual / 2), rel=0.05)


def test_one_finger_on_holes_of_two_chambers_is_told(rung):
    assert rung[0].two_jobs == ("left index",)
    assert rung[1].two_jobs == () and rung[3].two_jobs == ()


def test_predict_answers_for_one_chamber_several_or_all():
    vessel = two()
    assert [c.name for c in simkit.predict(vessel, "ports", blown="two", state="still").chambers] == ["two"]
    both = simkit.predict(vessel, "ports", blown="all", state="still")
    assert len(both.chords) == 4 and len(both.as_dict()["chords"]) == 4
    assert "chords" not in simkit.predict(vessel, "ports", state="still").as_dict()
    pull = both.chambers[0].notes[0].answer.neighbours_cents
    assert pull == pytest.approx(both.chords[0].tones[0].pull_cents)
    alone = models.resonator("ports", models.cases(vessel)[0]).alone().resonances(())[0].frequency_hz
    assert both.chambers[0].notes[0].answer.frequency_hz == pytest.approx(alone * 2 ** (pull / 1200))


@pytest.mark.parametrize("state", ["still", pytest.param("played", marks=pytest.mark.slow)])
def test_blow_answers_for_chords_with_one_breath(state):
    table = simkit.blow(two(), blown=["one", "two"], advise=False, state=state)
    for chord in table.chords:
        own = [tone.pressure_pa for tone in chord.tones]
        assert min(own) <= chord.pressure_pa <= max(own)
        assert chord.pressure_pa == pytest.approx(np.sqrt(np.prod(own)))
    # More breath than a note would want sounds sharper, less flatter.
    first = table.chords[1]
    rung = {tone.chamber: tone for tone in first.tones}
    assert rung["one"].pressure_pa < first.pressure_pa < rung["two"].pressure_pa
    alone = {c.name: c.notes for c in table.chambers}
    assert rung["one"].sounding_hz > alone["one"][0].blown.sounding_hz
    assert rung["two"].sounding_hz < alone["two"][1].blown.sounding_hz


def test_names_that_are_no_chambers_are_refused():
    vessel = two()
    assert chosen_chambers(vessel, None) == chosen_chambers(vessel, "all") == ("one", "two")
    assert chosen_chambers(vessel, ["two", "one"]) == ("one", "two")
    with pytest.raises(InputError, match="'nose': allowed: chambers of this design"):
        chosen_chambers(vessel, ["one", "nose"])
    with pytest.raises(InputError, match="the model ports"):
        simkit.predict(vessel, "lumped", blown="all")


def test_one_chamber_is_answered_to_the_last_digit_whatever_is_asked_of_others():
    vessel = loads("[clay]\nwall_mm = 4\n" + CHAMBER.format(name="one", size=50, across=0, around=0, hole=-80))
    told = simkit.predict(vessel, "ports").as_dict()
    assert told == simkit.predict(vessel, "ports", blown="one").as_dict()
    assert told == simkit.predict(vessel, "ports", blown="all").as_dict()
    assert not any(key.startswith("neighbours") for key in told["chambers"][0]["notes"][0]["ports"])
    ports = models.resonator("ports", models.cases(vessel)[0])
    openness = np.array([[0.0], [1.0]])
    for asked in (ports.alone(), ports.beside_others(np.ones(2))):
        assert (asked.lowest(openness) == ports.lowest(openness)).all()
