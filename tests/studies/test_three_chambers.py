"""The three-chamber study: its page says what its record holds, and its design what hands can do."""

import json
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "studies" / "06_three_chambers"


@pytest.fixture(scope="module")
def record():
    return json.loads((FOLDER / "result.json").read_text(encoding="utf-8"))


def test_two_octaves_and_a_half_in_tune_with_margin(record):
    assert record["semitones"] >= 30
    assert record["worst_cents"] < 1
    assert record["least_margin"] > 1.5


def test_breath_runs_on_where_chambers_meet_and_the_judge_agrees(record):
    assert len(record["crossings"]) == 2
    assert all(abs(crossing["change_percent"]) < 3 for crossing in record["crossings"])
    assert len(record["judged"]) >= 9 and record["worst_judged_cents"] < 6


def test_no_finger_has_two_jobs_at_once(record):
    assert all(note["two_jobs"] == [] for note in record["notes"])
