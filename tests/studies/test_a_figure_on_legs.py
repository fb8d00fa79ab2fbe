"""The study of a figure on legs: its record keeps to what holds for any vessel, its otter is what its sketch draws."""

import importlib.util
import json
import sys
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.body.inspection import inspect

FOLDER = Path(__file__).parents[2] / "studies" / "10_a_figure_on_legs"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("study_of_a_figure", FOLDER / "study.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def record():
    return json.loads((FOLDER / "result.json").read_text(encoding="utf-8"))


def test_the_otter_is_its_sketch_with_other_holes_and_window(study):
    """From the drawing again, in a second: only what was free to be tuned may differ."""
    drawn = simkit.loads(study.figure_text(simkit.sketch(study.SKETCH)), str(study.TUNED))
    tuned = simkit.load(study.TUNED)
    (was,), (now,) = drawn.chambers, tuned.chambers
    voicing = now.voicing.model_copy(
        update={key: getattr(was.voicing, key) for key in ("window_width_mm", "cut_up_mm", "windway_height_mm")}
    )
    holes = tuple(
        hole.model_copy(update={"diameter_mm": old.diameter_mm}) for hole, old in zip(now.holes, was.holes, strict=True)
    )
    again = tuned.with_chamber(now.model_copy(update={"voicing": voicing, "holes": holes}))
    assert again == drawn


def test_every_variant_can_be_made(study):
    for vessel in study.variants(simkit.load(study.TUNED)).values():
        assert inspect(vessel) == []


def test_the_clay_is_heard_as_vessels_have_it(record):
    """Longer ducts lower every note: more air has to be moved (Kelvin; Lamb 1932, Hydrodynamics, section 45). And more
    air in the same vessel lowers its lowest note as 1/sqrt(V) (Helmholtz 1863), nearly: legs are small and near."""
    step = {each["name"]: each["cents"] for each in record["steps"]}
    by = {each["name"]: each for each in record["variants"]}
    assert np.all(np.subtract(by["thick clay"]["ducts_mm"], by["even wall"]["ducts_mm"]) > 0)
    assert max(step["thick clay"]) < 0
    volumes = [by[name]["air_ml"] for name in ("hollow legs", "mouthpiece")]
    assert step["hollow legs"][0] == pytest.approx(-600 * np.log2(volumes[0] / volumes[1]), rel=0.2)


def test_the_port_model_is_right_within_what_was_asked(record):
    """Asked: `ports` against `resolved` on a figure, 1.5 cents in the middle, 4 at worst: of the otter and the one with
    hollow legs. Without its mouthpiece it is worse off, by less than what `ports` then leaves open, some 6 cents."""
    off = {row["name"]: np.abs(row["ports_off_cents"]) for row in record["variants"]}
    for name in ("mouthpiece", "hollow legs"):
        assert np.median(off[name]) < 1.5 and max(off[name]) < 4
    assert max(map(max, off.values())) < 6 and record["off"]["count"] == 15
