"""From a design to predicted notes: targets, JSON keys, breath, refusals."""

import json
import math

import numpy as np
import pytest

from simkit.air import moist_air
from simkit.errors import InputError
from simkit.sound import models
from simkit.sound.answers.prediction import predict
from simkit.sound.models.ports import PortsResonator
from simkit.vessel import loads, target_of

DESIGN = """
title = "Ball"
{extra}
[clay]
wall_mm = {wall}
edge_radius_mm = {rim}
edge_inside_radius_mm = {rim}
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 57.588
{voicing}
[[chamber.hole]]
name = "1"
along_mm = 28
around_deg = 0
diameter_mm = 8
{notes}
"""
VOICING = """
[chamber.voicing]
along_mm = 28
around_deg = 180
window_width_mm = 12
cut_up_mm = 5.5
windway_height_mm = 1.4
windway_length_mm = 32
"""
NOTES = """
[[chamber.note]]
pitch = "F#4"
open = ["1"]
cents = 10
[[chamber.note]]
pitch = "C4"
open = []
"""


def ball(wall=4, voicing="", notes=NOTES, extra=""):
    rim = 0.3 if voicing else 0  # the law of a sloping edge knows no sharper one: its cell takes seconds
    return loads(DESIGN.format(wall=wall, rim=rim, voicing=voicing, notes=notes, extra=extra), "ball.toml")


def test_the_worked_ball(sharp_hole):
    """100 cm3, hole of 8 mm through 4 mm, solved in conftest: c/(2 pi) sqrt(K/V), Q = 4 pi/(K k) (Rayleigh, secs. 304,
    311); 377.5 Hz lossless, Q 383."""
    heard = predict(ball(), "lumped", lossless=True)
    K, c = sharp_hole.conductivity(4e-3, 4e-3), moist_air().sound_speed
    hertz = c / (2 * np.pi) * np.sqrt(K / 1e-4)
    note, closed = heard.notes
    assert heard.chambers[0].volume == pytest.approx(1e-4, rel=1e-4)
    assert note.answer.frequency_hz == pytest.approx(hertz, rel=1e-4)
    assert note.answer.q == pytest.approx(2 * c / (K * hertz), rel=1e-3)
    assert note.target_hz == pytest.approx(369.9944 * 2 ** (10 / 1200), rel=1e-6)  # F#4 in equal temperament
    assert note.answer.cents == pytest.approx(1200 * np.log2(hertz / note.target_hz), abs=0.2)
    # Plain chamber, nothing open: nothing rings, and that is said.
    assert (closed.answer.frequency_hz, closed.answer.cents, closed.answer.q) == (None, None, None)
    assert any("nothing is open" in text for text in heard.cautions)


def test_json_keys():
    heard = predict(ball(voicing=VOICING), "lumped").as_dict()
    assert set(heard) == {"state", "air", "chambers", "cautions"}
    assert set(heard["air"]) == {"sound_speed_m_s", "density_kg_m3"}
    chamber = heard["chambers"][0]
    assert set(chamber) == {"name", "volume_ml", "piece_uncertainty_cents", "notes"}
    assert chamber["volume_ml"] == pytest.approx(100, rel=1e-3)
    note = chamber["notes"][0]
    assert set(note) == {"pitch", "open", "target_hz", "lumped"}
    assert set(note["lumped"]) == {"frequency_hz", "cents", "q", "uncertainty_cents", "parts_cents"}
    assert (note["pitch"], note["open"]) == ("F#4", ["1"])
    assert json.loads(json.dumps(heard, allow_nan=False)) == heard


def test_without_notes_all_is_covered():
    heard = predict(ball(voicing=VOICING, notes=""), "lumped")
    (note,) = heard.notes
    assert (note.pitch, note.open, note.target_hz, note.answer.cents) == (None, (), None, None)
    assert 300 < note.answer.frequency_hz < 450


def test_losses_and_windway():
    vessel = ball(voicing=VOICING)
    still = {"state": "still"}
    free, lossy, played = (
        predict(vessel, "lumped", **how).notes[1].answer for how in ({"lossless": True, **still}, still, {})
    )
    assert lossy.frequency_hz < free.frequency_hz
    assert lossy.q < 50 < free.q
    assert 5 < played.parts_cents["windway"] < 30


def test_air_of_the_room():
    """Pitch goes with the speed of sound: +2.953 cents a degree in dry air at 20 degC (600 / ln 2 / T)."""
    cold, warm = (
        predict(ball(extra=f"[air]\ntemperature_c = {t}\nhumidity_percent = 0"), "lumped", lossless=True)
        .notes[0]
        .answer.frequency_hz
        for t in (20, 21)
    )
    assert 1200 * np.log2(warm / cold) == pytest.approx(2.95, abs=0.03)
    hot = predict(ball(extra="[air]\ntemperature_c = 35"), "lumped")
    assert any("30 degC" in text for text in hot.cautions)


def test_no_wall_needs_lossless():
    with pytest.raises(InputError, match=r"ball.toml: clay.wall_mm = 0.*lossless") as refused:
        predict(ball(wall=0))
    assert refused.value.exit_status == 2
    assert predict(ball(wall=0), "lumped", lossless=True).notes[0].answer.frequency_hz > 400
    own = ball().with_value("body.hole.1.wall_mm", 0)
    with pytest.raises(InputError, match=r"body.hole.1.wall_mm = 0"):
        predict(own)


@pytest.mark.parametrize(
    ("how", "says"), [({"model": "magic"}, "lumped"), ({"model": ""}, "lumped"), ({"state": "ajar"}, "played, still")]
)
def test_what_is_not_there(how, says):
    with pytest.raises(InputError, match=says):
        predict(ball(), **how)


def test_several_models_side_by_side():
    note = predict(ball(), ["lumped"]).notes[0]
    assert note.by("lumped") is note.answer
    with pytest.raises(KeyError):
        note.by("ports")
    assert models.chosen(["lumped", "lumped"]) == ("lumped",)


def test_targets_follow_the_scale():
    vessel = ball(extra='[scale]\na4_hz = 415\ntemperament = "just"\ntonic = "D"')
    assert target_of(vessel, vessel.chambers[0].notes[0]) == pytest.approx(
        415 / 1.5 * 5 / 4 * 2 ** (10 / 1200)  # F#4 is a just third over D4, D4 a fifth under A4
    )


def test_all_notes_of_a_chamber_are_asked_at_once(monkeypatch):
    asked = []
    plain = PortsResonator.lowest
    monkeypatch.setattr(PortsResonator, "lowest", lambda self, opened: asked.append(len(opened)) or plain(self, opened))
    heard = predict(ball(voicing=VOICING), "ports", state="still")
    assert asked == [len(heard.notes)]


def test_a_plain_resonator_without_notes_rings_through_its_holes():
    """No window, nobody's notes: Helmholtz's c/(2 pi) sqrt(K/V), K = S/(wall + two flanged ends of 0.82 radii)."""
    (note,) = predict(loads(PLAIN, "jar.toml"), "lumped", lossless=True).notes
    assert note.open == ("mouth",)
    a, wall, V = 6e-3, 5e-3, math.pi / 6 * 0.06**3
    K = math.pi * a**2 / (wall + 1.64 * a)
    assert note.answer.frequency_hz == pytest.approx(343.4 / (2 * math.pi) * math.sqrt(K / V), rel=0.01)


PLAIN = """
[clay]
wall_mm = 5
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 60
[[chamber.hole]]
name = "mouth"
along_mm = 30
around_deg = 0
diameter_mm = 12
"""
