"""Windows of small bodies, wide and narrow, low and high, by `ports` beside the judge, which has no law of windows.

The judge's own mesh leaves some hundredths of a cent: a pocket egg's note at an edge of 90 degrees is 558.52 Hz on the
standard meshes, 558.52 on those of 0.75 of its size, and 558.53 on those of 0.55.
"""

import numpy as np
import pytest

import simkit
from simkit.sound import models

EGG = 'shape = "egg"\nlength_mm = 57.9\nwidth_mm = 40.3\nheight_mm = 36\nwidest_at = 0.58'
BALL = 'shape = "sphere"\ndiameter_mm = 46'
LENGTHY = 'shape = "ellipsoid"\nlength_mm = 70\nwidth_mm = 48\nheight_mm = 40'
TUBE = 'shape = "tube"\nlength_mm = 80\ndiameter_mm = 32\nends = "round"'


def case_of(shape, along, width, cut_up, edge_deg, wall=4, outside="", **options):
    text = f"""
[clay]
wall_mm = {wall}
{outside}
[[chamber]]
name = "body"
{shape}
[chamber.voicing]
along_mm = {along}
around_deg = 180
window_width_mm = {width}
cut_up_mm = {cut_up}
windway_height_mm = 1.1
windway_length_mm = 24
edge_deg = {edge_deg}
"""
    return models.cases(simkit.loads(text, "window.toml"), **options)[0]


def lowest(model, case):
    return models.resonator(model, case).lowest(np.zeros((1, 0)))[0].real


def off(case):
    """How far `ports` is from the judge, cents."""
    return 1200 * np.log2(lowest("ports", case) / lowest("resolved", case))


@pytest.mark.slow
@pytest.mark.parametrize(
    "window",
    [
        *((EGG, 12, 11.87, 3.521, edge_deg) for edge_deg in (90, 45, 30)),
        *((TUBE, 26, 10, 3.5, edge_deg) for edge_deg in (60, 30)),
        *((BALL, 18, *sizes) for sizes in ((7, 4.5, 60), (12, 4, 38))),
        ('shape = "sphere"\ndiameter_mm = 90', 35, 12, 4, 30),
    ],
)
def test_a_window_alone_is_within_a_cent_and_a_half_of_the_judge(window):
    """Still and lossless; and so it says, of flat slopes half a cent more."""
    case = case_of(*window, lossless=True)
    said = models.resonator("ports", case).evidence(()).uncertainty_cents
    assert abs(off(case)) < min(1.5, said)
    assert said < (2.0 if window[-1] < 35 else 1.51)


BALL_AROUND = '[outside]\nshape = "sphere"\ndiameter_mm = 62\noffset_mm = [-8, 0, -3]'


@pytest.mark.slow
@pytest.mark.parametrize(
    "window",
    [(EGG, 14, 11, 3.5, 45, 7.5), (TUBE, 30, 9, 4, 60, 9), (BALL, 20, 11, 4.5, 50, 4, BALL_AROUND)],
)
def test_a_window_through_thick_clay_is_within_its_doubt(window):
    """2.1 to 2.4 cut-ups of clay, even and not; the doubt was set by three figures, none of which is here."""
    case = case_of(*window, lossless=True)
    said = models.resonator("ports", case).evidence(())
    assert abs(off(case)) < min(3.5, said.uncertainty_cents)
    assert any("times as thick as its cut-up" in text for text in said.cautions)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("window", "edge_deg"),
    [((BALL, 18, 12, 4), 30), ((BALL, 18, 12, 4), 15), ((EGG, 12, 11.87, 3.521), 15), ((LENGTHY, 15, 14, 4.6), 25)],
)
def test_a_flat_slope_is_within_a_cent_and_a_half_and_told_as_less_sure(window, edge_deg):
    """Still and lossless; the flatter, the less sure. Beside the egg's slope a fine mesh has no end."""
    case = case_of(*window, edge_deg, lossless=True)
    said = models.resonator("ports", case).evidence(())
    assert abs(off(case)) < min(1.5, said.uncertainty_cents)
    assert any(f"cut at {edge_deg} degrees" in text for text in said.cautions)


@pytest.mark.slow
@pytest.mark.parametrize(
    "window",
    [
        (EGG, 12, 11.87, 3.521, 45),
        (EGG, 12, 11.87, 3.521, "45\nwindway_slope_deg = 12"),
        (EGG, 12, 11.87, 3.521, "45\nwindway_slope_deg = -6"),
        (TUBE, 26, 10, 3.5, 60),
        (BALL, 18, 12, 4, 30),
        (BALL, 18, 7, 4.5, 60),
    ],
)
def test_with_its_windway_open_it_is_within_two_cents(window):
    """As played but for all that is no windway; `ports` has a branch at a depth, the judge an opening in the wall."""
    case = case_of(*window, state="played")
    blown = models.with_playing(case, case.playing.only(["windway"]))
    still = models.with_playing(case, models.STILL)
    assert lowest("ports", blown) > 1.002 * lowest("ports", still)
    assert off(blown) == pytest.approx(0, abs=2.0)
