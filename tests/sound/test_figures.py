"""Figures: the port model against the judge where the outside is no wall moved out."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.field.reduced.doubts import SLANTED_DEG, Doubt
from simkit.sound import models
from simkit.sound.elements.openings import aperture_of, bends_of
from simkit.sound.models.uncertainty import OWN, doubt_cents

OTTER = Path(__file__).parents[2] / "studies" / "10_a_figure_on_legs" / "otter.toml"


@pytest.mark.slow
def test_the_port_model_is_right_on_a_figure_with_legs_and_a_mouthpiece():
    """Asked: 1.5 cents in the middle, 4 at worst, of all five notes; nothing is fitted in `resolved`."""
    vessel = simkit.load(OTTER)
    ports, judge = (
        simkit.predict(vessel, model=model, state="still").frequencies_hz for model in ("ports", "resolved")
    )
    off = np.abs(1200 * np.log2(np.ravel(ports) / np.ravel(judge)))
    assert len(off) == 5
    assert np.median(off) < 1.5 and off.max() < 4


SLANT = """
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
diameter_mm = 8
{}
[[chamber.note]]
pitch = "C5"
open = ["1"]
"""


def played(model, keys):
    (hz,) = np.ravel(simkit.predict(simkit.loads(SLANT.format(keys)), model=model, state="still").frequencies_hz)
    return hz


@pytest.mark.parametrize("model", ["lumped", pytest.param("ports", marks=pytest.mark.slow)])
def test_a_slanting_hole_is_freer_than_a_square_one_as_long_as_it(model):
    """Its mouths are ellipses, wider than the square hole's circles, and the flow leaves them by their short
    side."""
    way = "direction = [0.7, 0.3, 1]"
    (hole,) = body_of(simkit.loads(SLANT.format(way))).chambers[0].openings
    long = min(1e3 * hole.length, 5.7)  # less than 0.75 mm beside the clay: no flat face
    assert long > 5.5
    assert played(model, f"wall_mm = {long}") < played(model, way)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("diameter", "way", "within"),
    [(8, "[0.7, 0.3, 1]", 9), (6, "[0.3, 0.9, 1]", 5), (10, "[0.3, 0.25, 1]", 4), (6, "[0.9, 0.9, 1]", 12)],
)
def test_a_slanting_hole_is_right_within_its_doubt(diameter, way, within):
    """The law of slants is that of ducts through flat clay; none of these was fitted to, but its terms for rims and
    bends were sought after they had been seen. Leans of 15 to 41 degrees."""
    text = SLANT.format(f"direction = {way}").replace("diameter_mm = 8", f"diameter_mm = {diameter}")
    ports, judge = (
        simkit.predict(simkit.loads(text), model=model, state="still").notes[0].answer
        for model in ("ports", "resolved")
    )
    off = 1200 * np.log2(ports.frequency_hz / judge.frequency_hz)
    assert abs(off) < min(within, ports.uncertainty_cents)
    assert any("leans" in said for said in ports.cautions)


# A record of ours, to hold the doubt's width to, not the law. Lean, degrees, and how far `ports` was from `resolved`,
# cents, of holes alone: the four above; then six that were
# drawn and predicted before they were judged, and four more; four and two of these stand below.
JUDGED = (
    *((32.2, -5.8), (29.1, -1.1), (14.6, -0.9), (41.0, -8.3)),
    *((23.3, 0.6), (31.5, -2.1), (17.1, -1.0), (27.1, 0.4), (35.4, -1.0), (20.8, -0.7)),
    *((33.6, 4.5), (19.8, -2.7), (33.5, 3.7), (39.3, 11.2)),
)


def test_the_doubt_of_slants_covers_what_was_judged_and_is_no_wider_than_that():
    """Some two standard deviations, at every lean alike."""
    said = np.array([np.hypot(2 * doubt_cents(Doubt("slant", (0,), lean, SLANTED_DEG)), OWN) for lean, _ in JUDGED])
    off = np.abs([cents for _, cents in JUDGED])
    assert (off < said).all()
    for some in (np.array([lean for lean, _ in JUDGED]) < 30, np.array([lean for lean, _ in JUDGED]) > 30):
        ratio = np.sqrt(np.mean((off / said)[some] ** 2))
        assert 1 / 2.6 < ratio < 1 / 1.5


# By a generator's numbers: wall, along, around, diameter, rims outside and inside, direction.
BLIND = {
    "ball": (
        """shape = "sphere"
diameter_mm = 45.9""",
        (6.0, 20.2, 8, 8.4, 0.73, 0.22, "[-0.01, -0.25, 0.97]"),
    ),
    "egg": (
        """shape = "egg"
length_mm = 79
width_mm = 53.3
height_mm = 53.3
widest_at = 0.58""",
        (6.8, 45.0, -21, 5.3, 0.7, 0.45, "[0.29, 0.09, 0.95]"),
    ),
    "tube": (
        """shape = "tube"
length_mm = 121.5
diameter_mm = 44.1
ends = "round\"""",
        (4.3, 52.2, -28, 7.9, 0.21, 0.33, "[-0.26, -0.57, 0.78]"),
    ),
    "small ball": ('shape = "sphere"\ndiameter_mm = 48.6', (4.2, 26.2, 10, 6.0, 0.7, 0.63, "[0.18, -0.39, 0.90]")),
    "flat egg": (
        """shape = "egg"
length_mm = 88
width_mm = 58.9
height_mm = 49.5
widest_at = 0.58""",
        (4.2, 36.1, 45, 6.5, 0.64, 0.24, "[0.16, 0.55, 0.82]"),
    ),
    "ellipsoid": (
        """shape = "ellipsoid"
length_mm = 82.7
width_mm = 52.7
height_mm = 41.6""",
        (4.4, 38.0, 51, 7.4, 0.75, 0.33, "[-0.44, 0.36, 0.82]"),
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", BLIND)
def test_holes_aslant_drawn_before_they_were_judged_are_within_their_doubt(kind):
    """Sizes, bodies and leans of 17 to 34 degrees by chance; predicted before `resolved` was asked."""
    shape, (wall, along, around, diameter, rim, inside_rim, way) = BLIND[kind]
    text = f"""
clay.wall_mm = {wall}
[[chamber]]
name = "body"
{shape}
[[chamber.hole]]
name = "1"
along_mm = {along}
around_deg = {around}
diameter_mm = {diameter}
edge_radius_mm = {rim}
edge_inside_radius_mm = {inside_rim}
direction = {way}
[[chamber.note]]
pitch = "C5"
open = ["1"]
"""
    ports, judge = (
        simkit.predict(simkit.loads(text), model=model, state="still").notes[0].answer
        for model in ("ports", "resolved")
    )
    off = 1200 * np.log2(ports.frequency_hz / judge.frequency_hz)
    assert abs(off) < ports.uncertainty_cents + 0.3  # what two meshes of the judge have in common


SQUARE = {"square": None, "tilt": (0.0, 0.0)}  # to both faces


def test_a_hole_aslant_has_shorter_ends_the_more_so_in_thick_clay_and_with_round_rims():
    """In thin clay it is an ellipse and its mouth says all (`test_flow`); a square hole has nothing of it."""
    (hole,) = body_of(simkit.loads(SLANT.format("direction = [0.7, 0.3, 1]"))).chambers[0].openings
    thin, blunt = replace(hole, length=0.02 * hole.radius, rim=0.0, inside_rim=0.0), replace(hole, rim=0.0)

    def spared(opening):
        square, slanting = aperture_of(replace(opening, **SQUARE)), aperture_of(opening)
        return np.subtract((square.inner, square.outer), (slanting.inner, slanting.outer)) / hole.radius

    assert spared(replace(hole, **SQUARE)) == pytest.approx(0)
    assert (np.abs(spared(thin)) < 0.01).all()
    assert 0.05 < spared(blunt)[1] < spared(hole)[1] < spared(hole)[0] < 0.25


OVER_A_SEAM = """
clay.wall_mm = 4
clay.edge_radius_mm = 0.5
[[part]]
name = "bump"
shape = "sphere"
diameter_mm = 24
offset_mm = [16, 0, 14]
[[chamber]]
name = "b"
shape = "sphere"
diameter_mm = 40
[[chamber.hole]]
name = "1"
along_mm = {}
around_deg = 0
diameter_mm = 6
"""


def over_a_seam(model, along_mm, mesh=1.0):
    vessel = simkit.loads(OVER_A_SEAM.format(along_mm), "bump.toml")
    (case,) = models.cases(vessel, lossless=True, mesh=mesh)
    made = models.resonator(model, case)
    return made.lowest(np.ones((1, 1)))[0].real, made.evidence(("1",))


@pytest.mark.slow
@pytest.mark.parametrize("along_mm", [19, 20, 22])
def test_a_hole_over_a_seam_is_the_same_by_a_finer_mesh_and_by_ports_within_its_doubt(along_mm):
    """Where no rim had gone before: a third of a cent by cells a fifth smaller. The port model has the hole's mouth on
    both solids and the clay that is higher along its rim."""
    judge, finer, (ports, said) = (
        over_a_seam("resolved", along_mm)[0],
        over_a_seam("resolved", along_mm, 0.8)[0],
        over_a_seam("ports", along_mm),
    )
    assert 1200 * np.log2(finer / judge) == pytest.approx(0, abs=0.3)
    assert abs(1200 * np.log2(ports / judge)) < said.uncertainty_cents


def test_a_hole_ends_on_the_face_that_the_part_there_has():
    """Through a bump of 24 mm: its outer face is bent as that ball, not as the chamber's wall moved out."""
    body = body_of(simkit.loads(OVER_A_SEAM.format(30), "bump.toml"))
    assert bends_of(body.chambers[0].openings[0]) == pytest.approx((1 / 20e-3, 1 / 12e-3))


@pytest.mark.slow
@pytest.mark.parametrize("along_mm", [28.5, 30])
def test_a_hole_through_a_bump_is_the_judges_within_a_cent(along_mm):
    """By the wall's own bend moved out, its rim was too blunt: 6.0 and 5.2 cents flat."""
    ports, judge = (over_a_seam(model, along_mm)[0] for model in ("ports", "resolved"))
    assert 1200 * np.log2(ports / judge) == pytest.approx(0, abs=1.0)
