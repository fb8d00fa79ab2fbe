"""The study of player and table: its record keeps to what holds for any body near a vessel; law and judge agree."""

import json
from pathlib import Path

import numpy as np
import pytest

FOLDER = Path(__file__).parents[2] / "studies" / "11_player_and_table"


@pytest.fixture(scope="module")
def record():
    return json.loads((FOLDER / "result.json").read_text(encoding="utf-8"))


def test_three_sizes_were_judged_with_face_hands_and_table(record):
    asked = {(row["size"], row["thing"]) for row in record["judged"]}
    assert asked == {(each["size"], thing) for each in record["sizes"] for thing in ("face", "hands", "table")}
    assert len(record["sizes"]) == 3 and np.ptp([each["volume_ml"] for each in record["sizes"]]) > 400


def test_what_is_near_lowers_a_low_note_by_every_way(record):
    """What is in the way of a flow adds to its kinetic energy (Kelvin; Lamb 1932, Hydrodynamics, section 45), as long
    as the waves to it and back are short of a quarter turn: the small and the middle piece's lowest note."""
    for row in record["judged"]:
        if row["size"] != "large":
            assert row["judge"]["cents"][0] < 0 and row["law"]["cents"][0] < 0


def test_the_law_is_the_judges_within_a_cent_for_face_and_hands(record):
    """Beyond a cent it would be for the doubt. The judge's cells are coarse, alike with and without the thing."""
    for row in record["judged"]:
        if row["thing"] != "table":
            assert row["law"]["cents"] == pytest.approx(row["judge"]["cents"], abs=1.0)


def test_a_far_table_moves_less(record):
    for each in record["sizes"]:
        near, *_, far = (np.abs(row["law"]["cents"]).max() for row in each["tables"])
        assert far < near / 4
