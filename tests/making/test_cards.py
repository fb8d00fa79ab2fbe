"""The form's views and cards: true size, in the right place, not mirrored."""

import numpy as np
import pytest

from simkit.body import body_of
from simkit.making.cards import Slice, card, cross_cards, form_of, long_cards, stations, views
from simkit.making.paper import A4, Line, Text, width_of
from simkit.making.sheets import pages, work_of
from simkit.making.shrinkage import Stage
from simkit.vessel import loads

EGG = """
[clay]
wall_mm = 4
[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = 80
width_mm = 60
height_mm = 40
"""
WET = 1 / 0.89


@pytest.fixture(scope="module")
def ellipsoid():
    body = body_of(loads(EGG))
    return form_of(body.chambers[0].wall, WET)


def outline(drawing, name):
    line = next(mark for mark in drawing.marks if isinstance(mark, Line) and mark.name == name)
    return np.array(line.points)


def test_the_cards_of_an_ellipsoid_are_its_ellipses_at_wet_size(ellipsoid):
    """x^2/a^2 + z^2/b^2 = 1 - (y - L/2)^2/(L/2)^2, all sizes over (1 - S)."""
    for slice_ in ellipsoid.across:
        share = np.sqrt(1 - ((slice_.place_mm - 40 * WET) / (40 * WET)) ** 2)
        assert slice_.size == pytest.approx(np.array([60, 40]) * WET * share, abs=0.02)
        (line,) = slice_.lines
        radius = np.linalg.norm(line / (np.array([30, 20]) * WET * share), axis=1)
        assert radius == pytest.approx(np.ones(len(line)), abs=1e-5)


def test_a_drawn_card_is_as_large_as_its_cut(ellipsoid):
    for slice_, drawing in zip(ellipsoid.across, cross_cards(ellipsoid), strict=True):
        assert np.ptp(outline(drawing, f"outline {slice_.name}"), axis=0) == pytest.approx(slice_.size, abs=2e-3)
    for slice_, drawing, letter in zip(ellipsoid.lengthwise, long_cards(ellipsoid), "abc", strict=False):
        assert np.ptp(outline(drawing, f"outline {letter}"), axis=0) == pytest.approx(slice_.size, abs=2e-3)


@pytest.mark.parametrize("upright", [True, False])
def test_both_views_have_the_forms_own_sizes(ellipsoid, upright):
    drawing = views(ellipsoid, upright)
    sizes = [np.ptp(np.array(mark.points), axis=0) for mark in drawing.marks if getattr(mark, "name", "") == "view"]
    along, others = (1, 0) if upright else (0, 1), {40.0, 60.0}
    found = {round(float(size[along[1]]) / WET, 1) for size in sizes}
    assert found == others
    for size in sizes:
        assert size[along[0]] == pytest.approx(80 * WET, abs=0.05)


def test_names_under_a_slim_forms_views_do_not_overlap():
    slim = EGG.replace("width_mm = 60", "width_mm = 15").replace("height_mm = 40", "height_mm = 15")
    drawing = views(form_of(body_of(loads(slim)).chambers[0].wall, 1.0), upright=True)
    one, other = (mark for mark in drawing.marks if isinstance(mark, Text) and mark.words.startswith("from "))
    assert abs(one.at[0] - other.at[0]) > sum(width_of(mark.words, mark.size) for mark in (one, other)) / 2


def test_a_mirrored_form_needs_one_side_only(ellipsoid, lopsided):
    assert ellipsoid.mirrored and [each.name for each in ellipsoid.lengthwise] == ["middle", "both sides"]
    _, body = lopsided
    form = form_of(body.chambers[0].wall, WET)
    assert not form.mirrored and [each.name for each in form.lengthwise] == ["middle", "left", "right"]


def test_cards_are_seen_from_the_mouth_end(lopsided):
    """The bump is on the right and up: there on the cards, and on the right of the view from above."""
    _, body = lopsided
    form = form_of(body.chambers[0].wall, 1.0)
    card = min(form.across, key=lambda each: abs(each.place_mm - 34))
    assert card.high[0] == pytest.approx(28, abs=1.0) and card.low[0] == pytest.approx(-22, abs=1.0)
    assert form.above.high[0] == pytest.approx(28, abs=0.1) and form.above.low[0] == pytest.approx(-22, abs=0.1)


def test_stations_are_even_and_inside():
    for length in (12.0, 45.0, 107.9, 300.0, 1000.0):
        places = stations(length)
        assert 3 <= len(places) <= 9 and places[0] > 0 and places[-1] < length
        assert np.ptp(np.diff(places)) < 1e-9


def test_the_smallest_card_tells_its_size_too():
    """A card hardly wider than its margins has no room for place and size in one line."""
    t = np.linspace(0, 2 * np.pi, 40)
    line = 4 * np.stack([np.cos(t), 0.8 * np.sin(t)], axis=1)
    drawn = card(Slice("6", 112.5, (line,)), "6", "at 112.5", upright=True)
    told = [mark for mark in drawn.marks if isinstance(mark, Text)]
    assert {"at 112.5", "8.0 × 6.4"} <= {mark.words for mark in told}
    for mark in told:
        if mark.align == "right":
            assert mark.at[0] - width_of(mark.words, mark.size) > 0


def test_the_outside_and_its_parts_have_cards_of_their_own():
    """An ellipsoid of 70 by 60 by 50 mm and two legs of 36 by 14 by 12; legs that are alike share one."""
    leg = '[[part]]\nname = "{}"\nshape = "ellipsoid"\nlength_mm = 36\nwidth_mm = 14\nheight_mm = 12\n'
    leg += "offset_mm = [30, {}, -12]\ntilt_deg = -80\n"
    outside = '[outside]\nshape = "ellipsoid"\nlength_mm = 70\nwidth_mm = 60\nheight_mm = 50\noffset_mm = [-8, 0, 0]\n'
    egg = EGG.replace("wall_mm = 4", "wall_mm = 4\nshrinkage_percent = 11")
    small = egg.replace("80", "54").replace("60", "44").replace("40", "36")
    vessel = loads(outside + leg.format("left", -10) + leg.format("right", 10) + small)
    work = work_of(vessel)
    size = work.shrinkage.size(Stage.WET)
    body, legs = work.clay
    assert (body.names, legs.names) == ("outside", "left, right")
    for solid, (long, wide, high) in ((body, (70, 60, 50)), (legs, (36, 14, 12))):
        assert solid.form.above.size == pytest.approx(np.array([wide, long]) * size, abs=0.05)
        for slice_ in solid.form.across:
            share = np.sqrt(1 - (2 * slice_.place_mm / (long * size) - 1) ** 2)
            assert slice_.size == pytest.approx(np.array([wide, high]) * size * share, abs=0.02)
    words = [mark.words for page in pages(work, A4) for mark in page.marks if isinstance(mark, Text)]
    assert "Outside and parts" in words and "left, right" in words
    assert not work_of(loads(egg)).clay
