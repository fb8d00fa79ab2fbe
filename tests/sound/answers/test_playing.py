"""The note as played: one state for every command, what each part of playing moves, and how sure that is."""

import json
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.air import exhaled, moist_air
from simkit.cli.door import run
from simkit.errors import InputError
from simkit.sound import models
from simkit.sound.answers.chart import combinations
from simkit.sound.catalogue import PARTS
from simkit.sound.elements.nearby import clearance_from
from simkit.sound.models.side_by_side import SAMPLES

CENTS = 1200 / np.log(2)
DESIGNS = Path(__file__).parents[3] / "studies" / "designs"
WREN = DESIGNS / "pocket_wren.toml"


@pytest.fixture(scope="module")
def wren():
    return simkit.load(WREN)


@pytest.fixture(scope="module")
def played(wren):
    return simkit.predict(wren)


@pytest.fixture(scope="module")
def still(wren):
    return simkit.predict(wren, state="still")


def test_played_is_what_every_answer_means_unless_told_otherwise(wren, played, still):
    assert (played.state, still.state) == ("played", "still")
    assert played.as_dict()["state"] == "played"
    assert np.all(np.abs(1200 * np.log2(played.frequencies_hz / still.frequencies_hz)) > 1)
    assert all(note.answer.parts_cents is None for note in still.notes)
    alone = [models.resonator("ports", case).lowest(np.zeros((1, 3)))[0] for case in models.cases(wren)]
    assert still.frequencies_hz[0] == pytest.approx(alone[0].real / (2 * np.pi), rel=1e-9)


@pytest.mark.parametrize("state", ["still", "played"])
def test_ducts_in_one_go_are_each_by_itself(wren, state):
    """Whatever differs from opening to opening: sizes, airs, the windway, how fingers lie."""
    circuit = models.resonator("ports", models.cases(wren, state=state)[0]).circuit
    omega = 2 * np.pi * np.array([420.0, 700 + 6j, 1500 + 20j])
    together = circuit.at(omega)
    for row, duct in enumerate(circuit.ducts):
        for name, alone in circuit.column(duct, omega).items():
            assert getattr(together, name)[:, row] == pytest.approx(alone, rel=1e-12)


def test_many_fingerings_at_once_are_each_by_itself(wren):
    """The player's mouth rings within some 70 Hz: a range of notes is no reason to see it smoothed out."""
    asked = models.resonator("ports", models.cases(wren, state="played")[0])
    each = combinations(len(asked.holes))
    alone = np.array([asked.lowest(one)[0] for one in each])
    together = asked.lowest(np.tile(each, (1 + 3 * SAMPLES // len(each), 1)))[: len(each)]
    assert CENTS * np.abs(np.log(together / alone)) == pytest.approx(np.zeros(len(each)), abs=1e-6)


@pytest.mark.parametrize("model", ["lumped", "ports"])
def test_states_of_playing_at_once_are_each_by_itself(wren, model):
    (case,) = models.cases(wren, state="played")
    playing, each = case.playing, combinations(3)
    asked = [playing, playing.only(()), *(playing.only([part]) for part in PARTS)]
    asked += [end for pair in playing.extremes for end in pair]
    together = models.lowest_in_states(model, case, asked, each)
    alone = [models.resonator(model, models.with_playing(case, one)).lowest(each) for one in asked]
    assert CENTS * np.abs(np.log(together / alone)) == pytest.approx(np.zeros((len(asked), len(each))), abs=1e-6)


def test_one_number_for_a_note_whoever_is_asked(wren, played):
    blown = simkit.blow(wren, advise=False)
    charted = simkit.chart(wren)
    covered = charted.chambers[0].openness.sum(axis=1) == 0
    assert blown.frequencies_hz == pytest.approx(played.frequencies_hz, rel=1e-6)
    assert charted.frequencies_hz[covered][0] == pytest.approx(played.frequencies_hz[0], rel=1e-9)
    (ringing,) = simkit.resonances(wren, 1).chambers
    assert ringing.note.resonance.frequency_hz == pytest.approx(played.frequencies_hz[0], rel=1e-9)
    assert ringing.as_dict()["note"]["frequency_hz"] < ringing.as_dict()["resonances"][0]["frequency_hz"]


def test_a_resonance_is_as_doubtful_as_the_note(wren, still):
    (ringing,) = simkit.resonances(wren, 1, state="still").chambers
    assert ringing.note.uncertainty_cents == still.notes[0].by("ports").uncertainty_cents


@pytest.mark.parametrize("model", ["lumped", "ports"])
def test_the_parts_add_up_to_the_whole(wren, model):
    played, still = (simkit.predict(wren, model, state=state) for state in ("played", "still"))
    whole = 1200 * np.log2(played.frequencies_hz / still.frequencies_hz)
    parts = [note.answer.parts_cents for note in played.notes]
    assert all(tuple(each) == PARTS for each in parts)
    assert [sum(each.values()) for each in parts] == pytest.approx(whole, abs=0.5)


def test_an_open_windway_raises_and_raised_fingers_lower(played):
    for note in played.notes:
        parts = note.answer.parts_cents
        assert parts["windway"] > 0
        assert parts["fingers"] > 0 or note.open  # flesh takes air away from a chamber with every hole covered
        assert parts["player"] < 0


def test_what_is_doubtful_is_told_of_the_scale_and_of_the_piece(played, still):
    """At the least what 3 or 5 % of carbon dioxide in the openings' breath makes, the usual range, at nine tenths of
    breath; at the most what all breath does against the room. No note is less sure than its parts are large."""
    piece = played.chambers[0].piece_cents["ports"]
    assert still.chambers[0].piece_cents == {"ports": 0.0}
    light, heavy = exhaled(co2_percent=3), exhaled(co2_percent=5)
    least = 0.9 * 300 * np.log2(heavy.density / light.density)
    assert least < piece < 1200 * np.log2(exhaled().sound_speed / moist_air().sound_speed)
    added = np.sqrt(np.square(played.uncertainties_cents) - np.square(still.uncertainties_cents))
    parts = [np.abs([*note.answer.parts_cents.values()]).sum() for note in played.notes]
    assert np.all((added > 0) & (added < np.array(parts)))


def test_a_chamber_that_nobody_blows_is_still():
    plain = simkit.loads(WREN.read_text().split("[chamber.voicing]")[0], "plain.toml")
    heard = simkit.predict(plain, "lumped")
    assert heard.notes[0].answer.frequency_hz is None
    assert heard.notes[0].answer.parts_cents is None


def test_another_word_for_the_state_is_refused(wren):
    with pytest.raises(InputError, match="played, still"):
        simkit.predict(wren, state="ajar")


def test_the_command_says_the_state_and_the_parts(capsys):
    assert run(["predict", str(WREN), "--model", "lumped", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["state"] == "played"
    assert set(said["chambers"][0]["notes"][0]["lumped"]["parts_cents"]) == set(PARTS)
    assert run(["predict", str(WREN), "--model", "lumped", "--parts"]) == 0
    table = capsys.readouterr().out
    assert all(part in table.splitlines()[3] for part in PARTS)
    assert run(["predict", str(WREN), "--model", "lumped", "--still", "--json"]) == 0
    still = json.loads(capsys.readouterr().out)
    assert still["state"] == "still"
    assert "parts_cents" not in still["chambers"][0]["notes"][0]["lumped"]


def test_a_reading_of_the_piece_by_itself_counts_as_what_it_is_when_played(wren, played, still):
    """The bench is told 40 cents apart what is one and the same piece, once blown, once by a loudspeaker."""
    pitch = wren.chambers[0].notes[0].pitch
    how = {"stage": None, "temperature_c": 20.0}
    cuts = [
        simkit.tune(wren, heard=[f"{pitch}={hz:.4f}"], state=state, **how).aim.pitch_cents
        for hz, state in ((played.frequencies_hz[0], "played"), (still.frequencies_hz[0], "still"))
    ]
    assert cuts[0] == pytest.approx(cuts[1], abs=0.1)


def test_a_face_keeps_off_the_clay_however_the_windway_runs():
    """A long flat chest with its window in the middle of the lid: where a level windway ends there is clay."""
    chest = """
    clay.wall_mm = 6
    [[chamber]]
    name = "body"
    shape = "box"
    length_mm = 700
    width_mm = 200
    height_mm = 100
    corner_mm = 8
    [chamber.voicing]
    along_mm = 350
    around_deg = 0
    window_width_mm = 20
    cut_up_mm = 6
    windway_height_mm = 1.4
    windway_length_mm = 30
    """
    (case,) = models.cases(simkit.loads(chest, "chest.toml"), state="played")
    assert clearance_from(case.playing.player[0], case.body) > 0
    with pytest.raises(InputError, match=r"player\.face_mm = 40.*in the clay of body"):
        models.cases(simkit.loads(chest.replace("clay.wall", "player.face_mm = 40\n    clay.wall")), state="played")
