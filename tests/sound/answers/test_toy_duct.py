"""An opening of another package: a hole that widens on its way out, in a design file, played, swept and optimised."""

import json
import sqlite3

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.cli.door import run
from simkit.errors import InputError
from simkit.optimisation.problem.trial import body_beside
from simkit.sound import models
from simkit.sound.elements.openings import aperture_of
from simkit.sound.models.as_made import AsMade

DUCT = '''
"""A hole that widens from the inside out, in a straight line."""

from dataclasses import replace
from typing import Literal

import numpy as np
from pydantic import Field

from simkit.vessel.further_ducts import FurtherDuct
from simkit.vessel.values import Size


class Flare(FurtherDuct):
    kind: Literal["flare"] = Field("flare", alias="shape")
    outside_mm: Size

    def air(self, plain):
        a = np.sqrt(plain.area / np.pi)  # radii of the inner and the outer mouth
        b, wider = 5e-4 * self.outside_mm, 5e-4 * self.outside_mm / a
        # Air of the area pi a b, whose outer end stays as it is, b/b^2 over 1/(a b); friction is the integral of the
        # flow's square over the cone, h (a + b)/(pi a^2 b^2); under a finger is all, pi h (a^2 + a b + b^2)/3.
        return replace(
            plain,
            area=plain.area * wider,
            perimeter=plain.perimeter * (1 + wider) / 2,
            inner=plain.inner * wider,
            deeper=plain.length * (a / b + 1 + b / a - 3) / 3,
        )
'''

BODY = """
clay.wall_mm = 5
[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = 80
width_mm = 54
height_mm = 46
[[chamber.hole]]
name = "1"
along_mm = 42
around_deg = 20
diameter_mm = 6
duct = {shape = "flare", outside_mm = 9}
[[chamber.note]]
pitch = "D#4"
open = ["1"]
"""
PLAIN = BODY.replace('duct = {shape = "flare", outside_mm = 9}\n', "")
BLOWN = """
[chamber.voicing]
along_mm = 12
around_deg = 180
window_width_mm = 9
cut_up_mm = 4.5
windway_height_mm = 1.2
windway_length_mm = 25
[[chamber.note]]
pitch = "A4"
open = []
"""


@pytest.fixture
def flares(tmp_path, monkeypatch, announce):
    announce("flares", DUCT, "simkit.ducts", "flare = flares:Flare")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "flared.toml").write_text(BODY)


def lowest(model, text):
    (case,) = models.cases(simkit.loads(text), lossless=True)
    return models.resonator(model, case).resonances(case.vessel.chambers[0].notes[0].open)[0].frequency_hz


def test_a_design_is_read_written_and_changed(flares):
    vessel = simkit.load("flared.toml")
    assert simkit.loads(simkit.dumps(vessel)) == vessel
    assert "body.hole.1.duct.outside_mm" in vessel.numbers
    wider = vessel.with_value("body.hole.1.duct.outside_mm", 10)
    assert wider.value("body.hole.1.duct.outside_mm") == 10 and wider != vessel
    assert "body.hole.1.duct.outside_mm" not in simkit.loads(PLAIN).numbers


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("outside_mm = 9", "outside_mm = -9"), "body.hole.1.duct.outside_mm = -9: allowed: a number from"),
        ((", outside_mm = 9", ""), "body.hole.1.duct.outside_mm: allowed: a number from"),
        (
            ("outside_mm", "outsied_mm"),
            "body.hole.1.duct.outsied_mm = 9: allowed: known keys only; did you mean outside",
        ),
        (('"flare"', '"flair"'), "body.hole.1.duct.shape = 'flair': allowed: one of flare; did you mean flare?"),
        (('shape = "flare", ', ""), "body.hole.1.duct.shape: allowed: "),
        (('{shape = "flare", outside_mm = 9}', "9"), 'body.hole.1.duct = 9: allowed: a table such as {shape = "name"}'),
    ],
)
def test_its_keys_are_checked_like_ours(flares, change, says):
    with pytest.raises(InputError) as caught:
        simkit.loads(BODY.replace(*change, 1), "flared.toml")
    assert says in str(caught.value)


@pytest.mark.parametrize("model", ["lumped", pytest.param("ports", marks=pytest.mark.slow)])
def test_it_conducts_as_a_cone(flares, model):
    """1/K of the cone between its ends is h/(pi a b) by hand, to first order (Rayleigh, Theory of Sound, section 308);
    a hole as wide outside as in is the plain one."""
    plain = lowest(model, PLAIN)
    assert lowest(model, BODY.replace("outside_mm = 9", "outside_mm = 6")) == pytest.approx(plain, rel=1e-9)
    (hole,) = body_of(simkit.loads(PLAIN)).chambers[0].openings
    h, a, b = hole.length, 3e-3, 4.5e-3
    ends = aperture_of(hole)
    straight = (h + ends.inner + ends.outer) / (np.pi * a**2)
    cone = h / (np.pi * a * b) + ends.inner / (np.pi * a**2) + ends.outer / (np.pi * a * b)
    # The ports' field adds to 1/K what bends and body do, some hundredths of it.
    assert lowest(model, BODY) / plain == pytest.approx(
        (straight / cone) ** 0.5, rel=1e-5 if model == "lumped" else 5e-3
    )


def test_a_design_beside_it_has_the_duct_of_its_own(flares):
    """So that slopes by its keys are not 0."""
    vessel = simkit.load("flared.toml")
    wider = vessel.with_value("body.hole.1.duct.outside_mm", 10)
    assert body_beside(vessel, body_of(vessel), wider).chambers[0].openings == body_of(wider).chambers[0].openings


def test_under_a_finger_all_of_the_cone_is_left(flares):
    plain, flared = (aperture_of(body_of(simkit.loads(text)).chambers[0].openings[0]) for text in (PLAIN, BODY))
    h, a, b = plain.length, 3e-3, 4.5e-3
    cone = np.pi * h * (a**2 + a * b + b**2) / 3
    assert flared.area * (flared.length + flared.deeper) == pytest.approx(cone, rel=1e-9)
    assert flared.dip == pytest.approx(plain.dip - (cone / (np.pi * a * b) - h), rel=1e-9)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["predict", "flared.toml", "--model", "resolved"], "resolved meshes plain ducts alone"),
        (["sheets", "flared.toml", "-o", "sheets"], "sheets and solids know how to cut plain ducts alone"),
    ],
)
def test_what_cannot_follow_it_says_so(flares, capsys, arguments, says):
    assert run(arguments) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert line.startswith("flared.toml: body.hole.1.duct = 'flare': allowed: none here") and says in line


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1/0", "ZeroDivisionError: division by zero"),
        ("class Flare: pass", "Flare is no FurtherDuct with its own air"),
        (DUCT.replace('"flare"', '"cone"'), "Flare is not of its kind; allowed: kind"),
        (DUCT.replace("return replace(", "return vars("), "TypeError"),
        (DUCT[: DUCT.index("        a = np")] + "        return 3\n", "its air is a int, allowed: an Aperture"),
        (DUCT.replace("area=plain.area * wider", "area=plain.area * np.nan"), "its air is an Aperture whose area is"),
        (DUCT.replace("area=plain.area * wider", "area=-plain.area"), "its air is an Aperture whose area is"),
        (DUCT.replace("area=plain.area * wider", "area=plain.area * np.ones(3)"), "whose area is (3,) for ()"),
        (DUCT.replace("inner=plain.inner * wider", 'inner="wide"'), "whose inner is 'wide'"),
        (DUCT.replace("inner=plain.inner * wider", "inner=-1.0"), "shorter than nothing"),
    ],
)
def test_a_broken_one_is_told_in_one_line(tmp_path, announce, capsys, text, says):
    announce("crumbs", text, "simkit.ducts", "flare = crumbs:Flare")
    (tmp_path / "flared.toml").write_text(BODY)
    assert run(["predict", str(tmp_path / "flared.toml"), "--model", "lumped"]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert line.startswith(f"{tmp_path / 'flared.toml'}: body.hole.1.duct")
    assert " = 'flare': the plug-in flare (simkit.ducts, crumbs:Flare) of the package crumbs cannot be used: " in line
    assert says in line


@pytest.mark.slow
@pytest.mark.sample
def test_it_is_played_swept_optimised_and_on_the_bench(flares, capsys):
    (case,) = models.cases(simkit.loads(BODY + BLOWN), state="played")
    ports, bench = models.resonator("ports", case), AsMade.as_designed(case)
    for openness in ([[0.0]], [[1.0]]):
        assert bench.lowest(bench.designed, np.array(openness)) == pytest.approx(
            ports.lowest(np.array(openness)), rel=1e-6
        )
    with open("cases.toml", "w") as plan:
        plan.write('base = "flared.toml"\ncompute = ["predict"]\n[predict]\nmodel = "lumped"\n')
        plan.write('[[variation]]\nname = "outside"\n"body.hole.1.duct.outside_mm" = [6, 9]\n')
    assert run(["sweep", "cases.toml", "-o", "out", "--workers", "1"]) == 0, capsys.readouterr().err
    with sqlite3.connect("out/results.sqlite") as database:
        order = 'select lumped_frequency_hz from notes order by "body.hole.1.duct.outside_mm"'
        narrow, wide = database.execute(order).fetchall()
    assert wide[0] > 1.05 * narrow[0]
    capsys.readouterr()
    asked = [
        "optimise",
        "flared.toml",
        "--free",
        "body.hole.1.duct.outside_mm",
        "--still",
        "--json",
        "-o",
        "tuned.toml",
    ]
    assert run(asked) == 0, capsys.readouterr().err
    told = json.loads(capsys.readouterr().out)
    assert abs(told["chambers"][0]["after"][0]["ports"]["cents"]) < 0.5
