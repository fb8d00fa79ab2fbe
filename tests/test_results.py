"""What comes back in Python: arrays that hold what the command line's JSON says, small tables, short names."""

import numpy as np
import pytest

import simkit

TEXT = """
clay.wall_mm = 4
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 46
[chamber.voicing]
along_mm = 9
around_deg = 180
window_width_mm = 9
cut_up_mm = 4
windway_height_mm = 1
windway_length_mm = 20
[[chamber.hole]]
name = "1"
along_mm = 28
around_deg = 0
diameter_mm = 5
[[chamber.note]]
pitch = "C6"
open = []
[[chamber.note]]
pitch = "D6"
open = ["1"]
"""


@pytest.fixture(scope="module")
def vessel():
    return simkit.loads(TEXT)


def column(told, *path):
    """A column of all chambers' rows in the command line's JSON; nan for null."""
    rows = [row for chamber in told["chambers"] for row in chamber[path[0]]]
    for key in path[1:]:
        rows = [row[key] for row in rows]
    return np.array([np.nan if row is None else row for row in rows], float)


def check(result, rows, columns):
    told = result.as_dict()
    for name, path in columns.items():
        found = getattr(result, name)
        assert isinstance(found, np.ndarray), name
        np.testing.assert_array_equal(found, column(told, *path), name)
    assert len(str(result).splitlines()) >= rows + 1
    assert "\n" not in repr(result) and len(repr(result)) < 80
    assert all("\n" not in repr(chamber) and len(repr(chamber)) < 80 for chamber in result.chambers)


def test_a_prediction(vessel):
    prediction = simkit.predict(vessel, ["lumped", "ports"])
    check(
        prediction,
        2,
        {
            "frequencies_hz": ("notes", "ports", "frequency_hz"),
            "cents": ("notes", "ports", "cents"),
            "q": ("notes", "ports", "q"),
            "uncertainties_cents": ("notes", "ports", "uncertainty_cents"),
        },
    )
    lumped = prediction.by("lumped")
    assert lumped == simkit.predict(vessel, "lumped")
    assert str(prediction).splitlines()[1].split()[0] == "C6"
    with pytest.raises(KeyError):
        prediction.by("resolved")


def test_what_does_not_ring_or_does_not_decay(vessel):
    mute = simkit.loads(TEXT.split("[chamber.voicing]")[0])
    assert np.isnan(simkit.predict(mute, "lumped").frequencies_hz).all()
    assert np.isnan(simkit.predict(mute, "lumped").q).all()
    closed = simkit.resonances(vessel, 2, closed=True, lossless=True)
    assert np.isinf(closed.q).all()
    assert "∞" in str(closed)


def test_resonances(vessel):
    names = ("frequency_hz", "k_per_m", "q", "uncertainty_cents")
    columns = dict(zip(("frequencies_hz", "k_per_m", "q", "uncertainties_cents"), names, strict=True))
    ringing = simkit.resonances(vessel, np.int64(3), closed=True)
    check(ringing, 3, {name: ("resonances", key) for name, key in columns.items()})


def test_a_chart(vessel):
    chart = simkit.chart(vessel, "lumped")
    names = {"frequencies_hz": "frequency_hz", "cents": "cents", "q": "q"}
    check(chart, 2, {name: ("fingerings", key) for name, key in names.items()})
    assert chart.chambers[0].openness.tolist() == [[0.0], [1.0]]


def test_how_it_blows(vessel):
    names = {"frequencies_hz": "sounding_hz", "pressures_pa": "pressure_pa", "margins": "overblow_margin"}
    check(simkit.blow(vessel, "lumped"), 2, {name: ("notes", key) for name, key in names.items()})


def test_a_design_says_what_it_is(vessel):
    assert repr(vessel) == "Vessel('', body: sphere, 1 holes, 2 notes)"
    assert simkit.loads(str(vessel)) == vessel == simkit.loads(simkit.dumps(vessel))
