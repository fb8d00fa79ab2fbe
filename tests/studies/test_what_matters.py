"""The study of what playing moves: its record keeps to laws that hold for every vessel, and spans the sizes."""

import json
from pathlib import Path

import numpy as np
import pytest

FOLDER = Path(__file__).parents[2] / "studies" / "09_what_matters"


@pytest.fixture(scope="module")
def rows():
    return json.loads((FOLDER / "result.json").read_text(encoding="utf-8"))["instruments"]


def of_temperature(warm_c, cold_c):
    """Cents between two temperatures of one gas in one vessel: f goes as c, c as the root of T (ideal gas)."""
    return 600 * np.log2((273.15 + warm_c) / (273.15 + cold_c))


def test_ten_instruments_span_the_sizes(rows):
    volumes = [row["volume_ml"] for row in rows]
    assert len(rows) == 10 and volumes == sorted(volumes)
    assert (volumes[0], volumes[-1]) == pytest.approx((10, 600), rel=1e-3)
    assert all(np.diff(row["hz"]).min() > 0 for row in rows)


def test_an_opened_windway_raises_every_note(rows):
    """One way more for the air lets more through (Rayleigh 1896, The Theory of Sound II, section 305)."""
    assert min(min(row["parts_cents"]["windway"]) for row in rows) > 0


def test_a_face_and_hands_raise_no_note(rows):
    """What is in the way of a flow adds to its kinetic energy (Kelvin; Lamb 1932, Hydrodynamics, section 45)."""
    assert max(max(row["parts_cents"]["player"]) for row in rows) <= 0


def test_breath_lifts_every_note_by_less_than_its_warmth_would(rows):
    """Breath of 34 in a room of 20 degrees C; its carbon dioxide, 4 %, lowers c by more than its water raises it:
    about 1.1 and 0.8 % (from the gases' molar masses and heats, from memory)."""
    moved = np.concatenate([row["parts_cents"]["breath"] for row in rows])
    assert moved.min() > 0 and moved.max() < of_temperature(34, 20)


def test_cold_clay_lowers_a_piece_by_no_more_than_its_own_ten_degrees(rows):
    for row in rows:
        assert -of_temperature(30, 20) < row["cold_clay"]["mean_cents"] < 0


def test_parts_add_up_and_their_spread_is_that_of_their_notes(rows):
    for row in rows:
        every = np.sum(list(row["parts_cents"].values()), axis=0)
        assert row["all"]["spread_cents"] == pytest.approx(np.ptp(every), abs=0.05)
        for name, moved in row["parts_cents"].items():
            assert row["parts"][name]["spread_cents"] == pytest.approx(np.ptp(moved), abs=0.05)
