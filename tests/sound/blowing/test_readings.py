"""Constants of the jet from a file of readings."""

import json
import re

import numpy as np
import pytest

from simkit.cli import run
from simkit.errors import InputError, OutOfReach
from simkit.sound.blowing.behaviour import at_pressure
from simkit.sound.blowing.jet_readings import Readings, fitted
from simkit.sound.blowing.table import blow
from simkit.vessel import load, loads
from simkit.vessel.checking import checked
from simkit.vessel.reader import parsed
from simkit.vessel.starter import starter

FIRST, *NOTES = starter("egg").split("[[chamber.note]]")
WHISTLE = "[[chamber.note]]".join([FIRST, *(note for note in NOTES if '"C5"' in note or '"F5"' in note)])


def reading(pitch, pressure, hz):
    return f'[[reading]]\nnote = "{pitch}"\npressure_pa = {pressure}\nfrequency_hz = {hz}\n'


def readings(text):
    return checked(Readings, parsed("\n".join(text), "bench.toml"), "bench.toml")


@pytest.fixture(
    scope="module",
    params=[
        {"convection": 1.3},
        pytest.param({"convection": 1.3, "window_contraction": 0.7}, marks=pytest.mark.slow),
    ],
    ids=len,
)
def truth(request):
    return request.param


@pytest.fixture(scope="module")
def measured(truth):
    """A piece 25 cents flat of its design whose jet has other constants, read at three breaths on two notes."""
    told = "\n[jet]\n" + "".join(f"{name} = {value}\n" for name, value in truth.items())
    (chamber,) = blow(loads(WHISTLE + told, "truth"), "lumped", advise=False).chambers
    out = []
    for i in (0, 1):
        for share in (0.7, 1.0, 1.4):
            pressure = share * chamber.blown.pressure[i]
            hz = at_pressure(chamber.blown, np.array([i]), np.array([pressure])).frequency[0] * 2 ** (-25 / 1200)
            out.append(reading(chamber.notes[i].pitch.lower(), f"{pressure:.1f}", f"{hz:.2f}"))
    return out


@pytest.fixture(scope="module")
def found(truth, measured):
    return fitted(loads(WHISTLE, "a"), readings([f"free = {list(truth)}", *measured]), "lumped")


def test_readings_give_back_the_constants_they_were_made_with(truth, found):
    for name, value in truth.items():
        assert getattr(found.fit.constants, name) == pytest.approx(value, rel=0.02)
        assert 1 <= found.fit.spread[name] < 1.1
    assert found.fit.offset_cents == pytest.approx(-25, abs=1)


def test_what_is_printed_is_a_table_for_the_design(found):
    """Pasted into the design it is read back as the constants that were found."""
    again = loads(WHISTLE + "\n" + str(found), "pasted")
    assert dict(again.jet) == pytest.approx(found.as_dict()["jet"], rel=1e-3)
    # Half a cent less: another jet leaves another air in the piece.
    assert re.search("the piece sounds -2[45] cents off its design", str(found))


def test_the_door_prints_it(tmp_path, capsys, monkeypatch, truth, measured, found):
    """What fits these readings, which it reads from their file; the fit itself is not made twice."""

    def answered(vessel, given, model):
        assert dict(vessel.numbers) == dict(loads(WHISTLE, "a").numbers) and model == "lumped"
        assert given.reading == readings(measured).reading
        return found

    monkeypatch.setattr("simkit.sound.blowing.jet_readings.fitted", answered)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "dove.toml").write_text(WHISTLE)
    (tmp_path / "bench.toml").write_text("\n".join(measured))
    assert run(["blow", "dove.toml", "--model", "lumped", "--fit", "bench.toml", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["jet"] == pytest.approx(truth, rel=0.02)
    assert len(told["left_cents"]) == 6
    assert run(["blow", "dove.toml", "--fit", "bench.toml", "--sound", "a.wav"]) == 2
    assert "without --plot and --sound" in capsys.readouterr().err
    assert load(tmp_path / "dove.toml").jet == {}


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda t: [*t[:5], t[5].replace("pressure_pa", "pressure")], "reading[6].pressure_pa: allowed: a number from"),
        (lambda t: [*t[:5], t[5].replace('"f5"', '"F4"')], "reading[6].note = 'F4': allowed: a note of the design, C5"),
        (lambda t: [*t[:5], t[5].replace('note = "f5"', 'open = ["9"]')], "reading[6].open = '9': allowed: the holes"),
        (lambda t: [*t[:5], t[5] + 'open = ["1"]\n'], "reading[6].note: allowed: either note"),
        (lambda t: t[:3], "reading = 3: allowed: at least 4 readings for 2 constants"),
        (lambda t: ['free = ["grwoth"]', *t], "free = 'grwoth': allowed: one of half_width"),
        (lambda t: ["free = []", *t], "free = []: allowed: at least one constant"),
        (lambda t: ['chamber = "tail"', *t], "chamber = 'tail': allowed: a chamber with a window: "),
        (lambda t: [*t, reading("C5", 300, 900)], "reading[7].frequency_hz = 900.0: allowed: near"),
    ],
)
def test_readings_that_cannot_be_are_named(measured, change, told):
    with pytest.raises(InputError) as refused:
        fitted(loads(WHISTLE, "a"), readings(change(measured)), "lumped")
    assert f"bench.toml: {told}" in str(refused.value)


@pytest.mark.slow
def test_readings_that_no_jet_could_give_are_out_of_reach():
    """Two semitones of bend from a tenth more breath."""
    wild = [reading("C5", p, hz) for p, hz in ((200, 470), (220, 530), (242, 600), (266, 640), (293, 650))]
    with pytest.raises(OutOfReach, match="the jet's constants did not settle"):
        fitted(loads(WHISTLE, "a"), readings(wild), "lumped")
