"""The blow table of a design."""

import json
from functools import cache

import numpy as np
import pytest
from scipy.optimize import root_scalar

from simkit.errors import InputError
from simkit.sound.blowing.table import blow
from simkit.vessel import loads

DESIGN = """
clay = { wall_mm = 5 }
[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = 90
width_mm = 50
height_mm = 42
[chamber.voicing]
along_mm = 20
around_deg = 180
window_width_mm = 11
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 28
[[chamber.hole]]
name = "1"
along_mm = 45
around_deg = 0
diameter_mm = 7
[[chamber.note]]
pitch = "A4"
open = []
[[chamber.note]]
pitch = "D5"
open = ["1"]
"""
PROMISED = {"pitch", "pressure_pa", "sounding_hz", "overblow_margin", "overblow_at_pa", "speaks"}


ONE_NOTE = DESIGN[: DESIGN.rindex("[[chamber.note]]")]


@cache
def blown(model):
    """The design blown, what would help tried."""
    return blow(loads(DESIGN, "dove.toml"), model)


@pytest.mark.parametrize("model", ["lumped", pytest.param("ports", marks=pytest.mark.slow)])  # in cli/test_blow
def test_every_note_has_what_the_door_promises(model):
    told = json.loads(json.dumps(blown(model).as_dict()))
    notes = told["chambers"][0]["notes"]
    assert [note["pitch"] for note in notes] == ["A4", "D5"]
    assert all(note.keys() >= PROMISED for note in notes)
    assert all(note["speaks"] and note["overblow_margin"] > 1 for note in notes)
    assert notes[1]["pressure_pa"] > notes[0]["pressure_pa"]
    assert any("uncertain" in text for text in told["cautions"])
    assert any("no higher resonance" in text for text in told["cautions"]) == (model == "lumped")


@pytest.mark.slow  # at once: its constants found again, in test_readings
def test_the_table_jet_sets_the_constants(rayleigh):
    """A wave twice as fast takes its quarter of a period at a lower speed of the jet: Re kb of Rayleigh's equation is
    twice as much, so theta = omega b/U from 0.062 to 0.130, and p = rho U^2/2 in a short windway: 0.226 of it. Of the
    still piece: a slower stream through an open windway lets more air swing in it, and the note rises by 4 %."""
    short = ONE_NOTE.replace("windway_length_mm = 28", "windway_length_mm = 6")
    plain, quick = (
        blow(loads(short + more, "a"), "lumped", advise=False, state="still").chambers[0].notes[0].blown.pressure
        for more in ("", "[jet]\nconvection = 2.3\n")
    )
    half_width, cut_up = 0.4 * 1.2e-3, 5e-3

    def missed(theta, convection):
        turn = rayleigh.wavenumber(theta, 2.2 * theta + 0.03 - 0.25j).real * cut_up / half_width / convection
        return turn - np.pi / 2

    before, after = (root_scalar(missed, (convection,), x0=0.07, x1=0.1, xtol=2e-4).root for convection in (1.15, 2.3))
    assert quick / plain == pytest.approx((before / after) ** 2, rel=0.03)


def test_an_unknown_constant_is_named_with_its_file_and_key():
    with pytest.raises(InputError, match=r"dove\.toml: jet\.convektion = 2"):
        blow(loads(DESIGN + "\n[jet]\nconvektion = 2\n", "dove.toml"), "lumped")


def test_constants_out_of_all_reason_are_refused_together():
    with pytest.raises(InputError) as refused:
        blow(loads(DESIGN + "\n[jet]\ngrowth = 1e4\ndipole = 0.001\n", "dove.toml"), "lumped")
    assert [fault.key for fault in refused.value.faults] == ["jet.growth", "jet.dipole"]
    assert "from 0.05 to 20" in str(refused.value)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("growth", 20.0),
        pytest.param("windway_loss", 20.0, marks=pytest.mark.slow),
        pytest.param("convection", 0.05, marks=pytest.mark.slow),
        pytest.param("half_width", 0.05, marks=pytest.mark.slow),
    ],
)
def test_a_constant_may_go_as_far_as_is_allowed(name, value):
    """Warnings are errors here: nothing overflows; and a note that speaks has its numbers."""
    (chamber,) = blow(loads(ONE_NOTE + f"\n[jet]\n{name} = {value}\n", "a"), "lumped", advise=False).chambers
    for note in chamber.notes:
        assert note.blown.speaks == (note.blown.pressure is not None)
        # The pressure of a jet's speed that was found for 2,000 Pa: rounding may lift it.
        assert note.blown.pressure is None or 0 < note.blown.pressure <= 2000 * (1 + 1e-9)


def test_a_chamber_without_a_window_is_not_blown():
    bare = 'clay = { wall_mm = 5 }\n[[chamber]]\nname = "ball"\nshape = "sphere"\ndiameter_mm = 60\n'
    with pytest.raises(InputError, match=r"ball\.voicing"):
        blow(loads(bare, "ball.toml"), "lumped")


def test_a_chamber_without_notes_is_blown_with_all_holes_covered():
    bare = DESIGN[: DESIGN.index("[[chamber.note]]")]
    (note,) = blow(loads(bare, "a"), "lumped", advise=False, state="still").chambers[0].notes
    assert note.pitch is None
    assert note.open == ()


@pytest.mark.parametrize("model", ["lumped", pytest.param("ports", marks=pytest.mark.slow)])
def test_it_is_told_whether_the_jet_has_strength_to_spare_with_every_hole_open(model):
    """The design's highest note has its one hole open: the same numbers."""
    (chamber,) = blown(model).chambers
    top, opened = chamber.notes[1].blown, chamber.all_open
    assert opened.speaks and opened.gain > 1
    assert (opened.gain, opened.airiness_db) == pytest.approx((top.gain, top.airiness_db), rel=1e-6)
    assert chamber.as_dict()["all_open"]["gain"] == opened.gain


def test_holes_close_to_the_window_weaken_it():
    """Common practice, no source: of two holes alike, the one beside the window sounds lower and yet drives less."""
    near, far = (HOLE.format(name=name, along=along, around=around)
                 for name, along, around in (("near", 32, 180), ("far", 70, 0)))  # fmt: skip
    bare = DESIGN[: DESIGN.index("[[chamber.hole]]")]
    notes = '[[chamber.note]]\npitch = "D5"\nopen = ["near"]\n[[chamber.note]]\npitch = "E5"\nopen = ["far"]\n'
    (chamber,) = blow(loads(bare + near + far + notes, "a"), advise=False).chambers
    beside, away = (each.blown for each in chamber.notes)
    assert beside.sounding_hz < away.sounding_hz
    assert beside.gain < away.gain and beside.airiness_db > away.airiness_db


HOLE = """
[[chamber.hole]]
name = "{name}"
along_mm = {along}
around_deg = {around}
diameter_mm = 9
"""
