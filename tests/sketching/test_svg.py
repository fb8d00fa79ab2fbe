"""Outlines of a vector program become sections: against closed forms of ellipses, whatever curves drew them."""

import math
import runpy
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.body.clay import clay_volume
from simkit.errors import InputError
from simkit.sketching.blank_paper import blank_svg
from simkit.sketching.silhouettes import misfit
from simkit.sketching.strokes import crossed
from simkit.vessel import loads

DRAWING = runpy.run_path(str(Path(__file__).with_name("drawing.py")))
RULER = DRAWING["RULER"]
ellipse, layer, polygon, svg = (DRAWING[name] for name in ("ellipse", "layer", "polygon", "svg"))

A, B, C = 50.0, 20.0, 25.0  # half length, half height, half width, mm
VOLUME = 4 / 3 * math.pi * A * B * C * 1e-9  # of an ellipsoid, m^3
K = 4 / 3 * (math.sqrt(2) - 1)  # handles of four cubics nearest to a circle: common knowledge, 0.03 % off


def cubics(x, y, a, b):
    return (
        f'<path d="M{x - a} {y} C{x - a} {y - K * b} {x - K * a} {y - b} {x} {y - b} S{x + a} {y - K * b} {x + a} {y} '
        f's{-a + K * a} {b} {-a} {b} S{x - a} {y + K * b} {x - a} {y} z"/>'
    )


WAYS = {
    "ellipses": [
        layer("inside side", f'<ellipse cx="105" cy="80" rx="{A}" ry="{B}"/>'),
        layer("inside above", f'<ellipse cx="105" cy="180" rx="{A}" ry="{C}"/>'),
    ],
    "cubics": [layer("inside side", cubics(105, 80, A, B)), layer("inside above", cubics(105, 180, A, C))],
    "arcs": [
        layer("inside side", f'<path d="m{105 - A},80 a{A},{B} 0 0 1 {2 * A},0 a{A},{B}\n0 0 1 {-2 * A},0"/>'),
        layer("inside above", f'<path d="M{105 - A},180A{A},{C} 0 1 1 {105 + A} 180A{A},{C} 0 1 1 {105 - A} 180Z"/>'),
    ],
    "ids on lines alone": [
        f'<ellipse id="inside-side" cx="105" cy="80" rx="{A}" ry="{B}"/>',
        f'<ellipse id="inside_x20_above" cx="105" cy="180" rx="{A}" ry="{C}"/>',
    ],
    "titles, and halves whose ends meet": [
        "<g><title>Inside from the side</title>"
        f'<path d="M{105 - A} 80 A{A} {B} 0 0 1 {105 + A} 80"/>'
        f'<path d="M{105 - A} 80.3 A{A} {B} 0 0 0 {105 + A} 80"/></g>',
        layer("Inside, above", polygon(ellipse(105, 180, A, C))),
    ],
    "millimetres": [  # SVG 2, 8.9, and CSS: a length may have a unit; user units are px, 96 to the inch
        '<rect width="100%" height="100%"/>',
        '<svg transform="scale(0.264583333)">'
        f'<ellipse id="inside side" cx="105mm" cy="8cm" rx="{A}mm" ry="{B / 10}cm"/>'
        f'<ellipse id="inside above" cx="105mm" cy="180mm" rx="{A}mm" ry="{C / 25.4}in"/></svg>',
    ],
    "transforms within each other": [
        '<g transform="translate(105 80) rotate(90)"><g transform="scale(2 0.5)" id="insideSide">'
        f'<ellipse transform="rotate(-90)" cx="0" cy="0" rx="{A * 2}" ry="{B / 2}"/></g></g>',
        f'<g id="inside above" transform="matrix(1 0 0 -1 0 360)"><ellipse cx="105" cy="180" rx="{A}" ry="{C}"/></g>',
    ],
}


@pytest.mark.parametrize("way", WAYS)
def test_an_ellipsoid_drawn_from_two_sides_has_its_volume(way, tmp_path):
    found = simkit.sketch(svg(tmp_path / "a.svg", *WAYS[way]))
    assert body_of(found.vessel).chambers[0].volume == pytest.approx(VOLUME, rel=5e-3)  # asked: 1 %
    assert found.misfit_mm < 0.2
    assert len(found.inside.rows) < 10  # few enough to edit


def test_the_drawing_is_as_large_as_its_ruler_says_whatever_its_units(tmp_path):
    head = 'xmlns="http://www.w3.org/2000/svg" width="800" height="1100"'  # px, 96 to the inch (CSS Values 3, 5.2)
    px = 96 / 25.4
    lines = [f'<ellipse id="inside-side" cx="400" cy="300" rx="{A * px}" ry="{B * px}"/>']
    true = '<path id="ruler" d="M100 900 h{}"><title>ruler 100 mm</title></path>'
    found = simkit.sketch(svg(tmp_path / "a.svg", *lines, ruler=true.format(100 * px), head=head))
    assert found.inside.rows[-1][0] == pytest.approx(2 * A, abs=0.02)
    assert not [said for said in found.said if "ruler" in said]  # the page's own units say the same
    half = simkit.sketch(svg(tmp_path / "b.svg", *lines, ruler=true.format(200 * px), head=head))
    assert half.inside.rows[-1][0] == pytest.approx(A, abs=0.02)
    assert any("the ruler counts: 100 mm are 200 mm of the page" in said for said in half.said)


def test_a_drawing_that_lies_askew_is_turned_by_its_ruler(tmp_path):
    turned = f'<g transform="rotate(20 105 150)">{"".join(WAYS["ellipses"])}{RULER}</g>'
    found = simkit.sketch(svg(tmp_path / "a.svg", turned, ruler=""))
    assert body_of(found.vessel).chambers[0].volume == pytest.approx(VOLUME, rel=2e-3)
    assert any("20.0 degrees off level" in said for said in found.said)


def test_a_view_that_is_missing_is_made_round_and_that_is_said(tmp_path):
    found = simkit.sketch(svg(tmp_path / "a.svg", WAYS["ellipses"][0], layer("inside above")))
    assert all(width == height for _, width, height, *_ in found.inside.rows)
    assert body_of(found.vessel).chambers[0].volume == pytest.approx(VOLUME * B / C, rel=2e-3)
    assert any("not drawn from above" in said and "round" in said for said in found.said)
    assert all(f"# {said}" in found.text for said in found.said)


def test_the_misfit_is_the_distance_of_two_outlines():
    found = misfit(ellipse(3, 0, 20, 20), ellipse(3, 0, 21, 21))
    assert (found.rms, found.most) == pytest.approx((1.0, 1.0), abs=2e-3)  # two circles a millimetre apart


def test_the_misfit_tells_of_what_sections_cannot_be(tmp_path):
    """An ellipse bent so that its middle rises by 3 mm as x²: from above sections are alike to both sides."""
    bent = ellipse(105, 180, A, C)
    bent[:, 1] -= 3 * ((bent[:, 0] - 105) / A) ** 2
    found = simkit.sketch(svg(tmp_path / "a.svg", WAYS["ellipses"][0], layer("inside above", polygon(bent))))
    # The middle line is off by 3 x² less its mean over the area, 3/4: 2.25 at a tip, where the outline stands upright.
    assert 1.0 < found.misfit_mm < 2.25
    view, worst = max(found.inside.misfits, key=lambda pair: pair[1].most)
    assert view == "above"
    assert f"at most {worst.most:.2f} mm" in found.text


def test_the_outside_goes_where_it_is_drawn_around_the_inside(tmp_path):
    around = [
        layer("outside side", f'<ellipse cx="108" cy="78" rx="{A + 12}" ry="{B + 8}"/>'),
        layer("outside above", f'<ellipse cx="108" cy="181" rx="{A + 12}" ry="{C + 7}"/>'),
    ]
    found = simkit.sketch(svg(tmp_path / "a.svg", *WAYS["ellipses"], *around))
    # The inside's zero is at x 55, y 80 from the side and y 180 from above, where down is the piece's right.
    assert found.vessel.outside.offset_mm == pytest.approx((108 - A - 12 - 55, 1, 2), abs=0.02)
    body = body_of(found.vessel)
    whole = 4 / 3 * math.pi * (A + 12) * (B + 8) * (C + 7) * 1e-9
    assert clay_volume(body) == pytest.approx(whole - VOLUME, rel=0.01)
    (clay,) = [said for said in found.said if said.startswith("outside side") and "mm of clay" in said]
    # From each point of a thousand on one ellipse to each on the other.
    inner, outer = ellipse(105, 80, A, B, 1000), ellipse(108, 78, A + 12, B + 8, 1000)
    gaps = np.linalg.norm(inner[:, None] - outer[None], axis=2).min(axis=1)
    thin, _, thick = clay.split()[2:5]  # to a tenth of a mm, by 400 points
    assert (float(thin), float(thick)) == pytest.approx((gaps.min(), gaps.max()), abs=0.1)
    alone = simkit.sketch(svg(tmp_path / "b.svg", *WAYS["ellipses"], layer("outside side", *[around[0]])))
    assert any("the outside is not drawn from above" in said and "round" in said for said in alone.said)


def test_marks_become_openings_at_their_places(tmp_path):
    """A mark x across lies at around = atan2(x, b sqrt(1 - x²/a²)) on an ellipse of half sizes a across and b up."""
    marks = [
        layer("holes", '<circle id="thumb" cx="105" cy="190" r="3"/><circle cx="85" cy="170" r="2.5"/>'),
        layer("holes behind", '<path inkscape:label="cross" d="M103 180 h4 m-2 -2 v4"/>'),
        layer("window behind", '<rect x="70" y="174" width="4" height="12"/>'),
        layer("windway", '<path d="M40,95 L69.5,96 v1 L40,96 z"/>'),
    ]
    found = simkit.sketch(svg(tmp_path / "a.svg", *WAYS["ellipses"], *marks))
    holes = {hole.name: hole for hole in found.vessel.chambers[0].holes}
    assert set(holes) == {"thumb", "1", "cross"}
    # The drawing's y runs down, and from above down is the piece's right.
    around = math.degrees(math.atan2(10, B * math.sqrt(1 - (10 / C) ** 2)))
    assert (holes["thumb"].along_mm, holes["thumb"].around_deg) == pytest.approx((50, around), abs=0.1)
    assert holes["thumb"].diameter_mm == pytest.approx(6, abs=0.01)
    share = math.sqrt(1 - (20 / A) ** 2)
    left = math.degrees(math.atan2(-10, B * share * math.sqrt(1 - (10 / (C * share)) ** 2)))
    assert (holes["1"].along_mm, holes["1"].around_deg) == pytest.approx((30, left), abs=0.1)
    assert holes["cross"].around_deg % 360 == pytest.approx(180, abs=0.1)
    assert any("cross is marked without a size" in said for said in found.said)
    voicing = found.vessel.chambers[0].voicing
    assert (voicing.along_mm, voicing.around_deg, voicing.breath_toward_deg) == pytest.approx((17, 180, 0), abs=0.1)
    assert (voicing.window_width_mm, voicing.cut_up_mm) == pytest.approx((12, 4), abs=0.01)
    assert voicing.windway_height_mm == pytest.approx(1, abs=0.05)
    assert voicing.windway_length_mm == pytest.approx(29.5, abs=0.3)


def test_a_mark_from_the_side_lies_on_the_right_and_on_the_edges(tmp_path):
    marks = [
        layer("holes", '<circle cx="105" cy="70" r="2"/>'),
        layer("window", '<rect x="70" y="64" width="5" height="1"/>'),
        layer("windway", '<path d="M45 62 L70 64"/>'),
    ]
    found = simkit.sketch(svg(tmp_path / "a.svg", *WAYS["ellipses"], *marks))
    (hole,) = found.vessel.chambers[0].holes
    up = 10 / B
    assert hole.around_deg == pytest.approx(math.degrees(math.atan2(C * math.sqrt(1 - up**2), B * up)), abs=0.1)
    voicing = found.vessel.chambers[0].voicing
    assert (voicing.around_deg, voicing.along_mm, voicing.cut_up_mm) == pytest.approx((0, 17.5, 5), abs=0.1)


def test_flat_ends_stay_flat(tmp_path):
    side = layer("inside side", '<path d="M60 60 H140 V95 H60 Z"/>')
    found = simkit.sketch(svg(tmp_path / "a.svg", side))
    assert found.inside.rows[0][1:3] == pytest.approx((35, 35), abs=0.02)
    assert body_of(found.vessel).chambers[0].volume == pytest.approx(math.pi / 4 * 35**2 * 80 * 1e-9, rel=2e-3)


def test_the_sheet_to_draw_on_is_read_back_with_what_was_drawn_on_it(tmp_path):
    sheet = blank_svg()
    start = 'inkscape:label="inside side"'
    at = sheet.index(">", sheet.index(start)) + 1
    drawn = f'{sheet[:at]}<ellipse cx="105" cy="100" rx="{A}" ry="{B}"/>{sheet[at:]}'
    (tmp_path / "a.svg").write_text(drawn)
    found = simkit.sketch(tmp_path / "a.svg")
    assert found.inside.rows[-1][0] == pytest.approx(2 * A, abs=0.01)
    assert loads(found.text).chambers[0].shape == found.vessel.chambers[0].shape


def test_what_hides_or_links_is_passed_over(tmp_path):
    hidden = f'<g style="display: none">{WAYS["ellipses"][1]}</g>'
    linked = '<image href="file:///dev/zero" width="9" height="9"/><use href="file:///etc/hostname#a"/>'
    found = simkit.sketch(svg(tmp_path / "a.svg", WAYS["ellipses"][0], hidden, linked))
    assert [view for view, _ in found.inside.misfits] == ["side"]


def test_lines_that_cross_are_found_where_they_do():
    eight = np.array([[0, 0], [10, 10], [10, 0], [0, 10.0]])
    assert crossed(eight) == pytest.approx([5, 5])
    assert crossed(ellipse(0, 0, 9, 4, 1000)) is None


def test_a_file_that_would_take_for_ever_is_refused_soon(tmp_path):
    hatched = layer("inside side", *[f'<path d="M{n / 9:.2f} 0 V40"/>' for n in range(900)])
    fine = layer("inside side", f'<path d="M0 0 {"l 0.01 0.01 " * 50_000}z"/>')
    deep, large = "<g>" * 500 + "</g>" * 500, f"<!--{' ' * 8_000_000}-->"
    told = (
        (hatched, "at most 300 lines"),
        (fine, "at most 40000 points"),
        (deep, "100 within each"),
        (large, "8 MB; leave"),
    )
    for drawing, said in told:
        with pytest.raises(InputError, match=said):
            simkit.sketch(svg(tmp_path / "a.svg", drawing))


def test_names_of_a_drawing_cannot_write_into_the_design(tmp_path):
    mark = '<circle inkscape:label="a&quot;&#10;[clay]" cx="105" cy="180" r="2"/>'
    found = simkit.sketch(svg(tmp_path / "a.svg", *WAYS["ellipses"], layer("holes", mark)))
    assert [hole.name for hole in found.vessel.chambers[0].holes] == ["1"]
    assert found.vessel.clay.wall_mm == 4
