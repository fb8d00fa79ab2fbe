"""The studies of shapes: their bodies hold what they should, their pages say what their records hold."""

import importlib.util
import json
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

STUDIES = Path(__file__).parents[2] / "studies"
sys.path.append(str(STUDIES))  # as the studies do: the bodies are shared

from simkit.body import body_of  # noqa: E402
from simkit.body.girth import waist  # noqa: E402

SOME = ("figure", "trunk", "ring", "waist_18", "waist_13", "waist_10")  # of many alike


@cache
def study(name):
    spec = importlib.util.spec_from_file_location(f"study_{name}", STUDIES / name / "study.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def recorded(name):
    return json.loads((STUDIES / name / "result.json").read_text(encoding="utf-8"))


def names():
    shapes = recorded("02_shape_and_tone")["shapes"] + recorded("01_where_the_simple_formula_fails")["bodies"]
    return {each["name"] for each in shapes}


@pytest.fixture(scope="module")
def bodies():
    import bodies  # found on the path above; its waists cost a second

    assert names() == {body.name for body in bodies.BODIES}
    return bodies


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.slow if name in SOME else ()) for name in sorted(names())]
)
def test_every_body_holds_the_same_air_and_has_the_same_openings(name, bodies):
    body = next(body for body in bodies.BODIES if body.name == name)
    (chamber,) = body_of(body.design).chambers
    assert 1e6 * chamber.volume == pytest.approx(bodies.VOLUME_ML, rel=1e-5)
    assert [o.name for o in chamber.openings] == ["near", "opposite", "twin", "far"]
    near, opposite, twin, _ = chamber.openings
    if body.near is None:
        assert 1e3 * np.linalg.norm(near.center - chamber.window.center) == pytest.approx(bodies.APART_MM, abs=2e-3)
    if body.twin is None:
        assert 1e3 * np.linalg.norm(twin.center - opposite.center) == pytest.approx(bodies.TWIN_MM, abs=2e-3)


@pytest.mark.parametrize("neck", [24, *(pytest.param(neck, marks=pytest.mark.slow) for neck in (18, 13, 10)), 7])
def test_a_waist_is_as_wide_as_it_is_called(neck, bodies):
    body = next(body for body in bodies.BODIES if body.name == f"waist_{neck}")
    found = waist(body.wall)
    assert found is not None
    assert 1e3 * found.diameter == pytest.approx(neck, rel=0.01)


def test_a_waist_lowers_the_margin_in_the_record():
    """Common practice, no source: a chamber with a pinched waist can jump in pitch."""
    waists = [each for each in recorded("02_shape_and_tone")["shapes"] if each["name"].startswith("waist")]
    assert len(waists) == 4
    for which in ("low", "high"):
        assert (np.diff([each[which]["margin"] for each in waists]) < 0).all()


@pytest.mark.slow
@pytest.mark.sample
def test_ports_still_agrees_with_what_the_judge_said(bodies):
    """The judge's recorded answers, against which the working model may not drift."""
    name = "01_where_the_simple_formula_fails"
    tube = next(each for each in recorded(name)["bodies"] if each["name"] == "tube")
    body = next(each for each in bodies.BODIES if each.name == "tube")
    now = study(name).quick_answers(body.design, bodies.FINGERINGS)["ports"]
    for row in tube["fingerings"]:
        heard = now[row["fingering"]]["frequency_hz"]
        assert abs(1200 * np.log2(heard / row["resolved_hz"])) < 4


def test_what_is_marked_as_beyond_ports_is_a_wide_hole_a_narrow_waist_or_a_mesh_off_the_wall():
    record = recorded("01_where_the_simple_formula_fails")
    for each in record["bodies"]:
        for row in each["fingerings"]:
            narrow = each["name"] in ("waist_10", "waist_7")
            assert ("its waist is" in row["beyond_ports"]) == narrow
            assert bool(row["beyond_ports"]) == (narrow or "mesh lies up to" in row["beyond_ports"])
            assert each["name"] == "ring" or "mesh lies up to" not in row["beyond_ports"]
    for each, share in zip(record["tubes"], [step["share"] for step in record["belief"]], strict=True):
        for row in each["fingerings"]:
            assert bool(row["beyond_ports"]) == (share > 0.5 and row["fingering"] in ("wide", "both"))


def test_ports_is_as_near_to_the_judge_as_both_say():
    """Each note of the record, with the doubts that it was given: none is farther off than both together allow, and of
    what sounds through the window alone in a smooth body without a waist no more than a cent and a half is doubted."""
    record = recorded("01_where_the_simple_formula_fails")
    for each in (*record["bodies"], *record["tubes"]):
        for row in each["fingerings"]:
            said = row["ports_unsure_cents"] + row["resolved_unsure_cents"]
            assert abs(row["ports_cents"]) < said, (each["name"], row["fingering"])
    alone = {each["name"]: each["fingerings"][0]["ports_unsure_cents"] for each in record["bodies"]}
    assert all(alone[name] < 1.51 for name in ("sphere", "egg", "ellipsoid_2", "ellipsoid_3", "ellipsoid_4", "lens"))
