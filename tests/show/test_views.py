"""The three views show the vessel's true outlines and what can be seen of its openings."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.image import imread

from simkit.body import body_of
from simkit.body.chambers import WINDOW
from simkit.show import look
from simkit.show.outline import ABOVE, MOUTH, RIGHT, clay_outlines, is_hidden, outlines
from simkit.show.views import views
from simkit.vessel import load, loads

DESIGN = """
title = "A $5 whistle"
[clay]
wall_mm = {wall}
[[chamber]]
name = "body"
{shape}
[chamber.voicing]
along_mm = 30
around_deg = 180
window_width_mm = 10
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 25
[[chamber.hole]]
name = "top"
along_mm = 40
around_deg = 10
diameter_mm = 6
[[chamber.hole]]
name = "right"
along_mm = 40
around_deg = 90
diameter_mm = 8
"""
ELLIPSOID = 'shape = "ellipsoid"\nlength_mm = 80\nwidth_mm = 60\nheight_mm = 40'


def vessel_of(shape=ELLIPSOID, wall=4):
    return loads(DESIGN.format(shape=shape, wall=wall), "whistle.toml")


def paper_of(figure):
    return figure.subfigs[0].subfigs[0].axes[0]


@pytest.fixture(scope="module")
def ellipsoid():
    vessel = vessel_of()
    return vessel, body_of(vessel)


@pytest.mark.parametrize(
    ("side", "half", "center"),
    [(ABOVE, (0.03, 0.04), (0, 0.04)), (RIGHT, (0.04, 0.02), (0.04, 0)), (MOUTH, (0.03, 0.02), (0, 0))],
)
def test_an_ellipsoid_is_seen_as_the_ellipse_of_its_other_two_axes(ellipsoid, side, half, center):
    """Elementary geometry: the outline seen along an axis is x^2/a^2 + y^2/b^2 = 1."""
    (line,) = outlines(ellipsoid[1], side)
    assert np.all(line[0] == line[-1])
    radius = np.linalg.norm((line - center) / half, axis=1)
    assert np.abs(radius - 1).max() * max(half) < 10e-6  # 10 micrometres


def test_a_waist_is_seen():
    rows = "[[0, 0, 0, 0, 2], [15, 40, 40, 0, 2], [40, 20, 20, 0, 2], [65, 40, 40, 0, 2], [80, 0, 0, 0, 2]]"
    body = body_of(vessel_of(f'shape = "sections"\nsections = {rows}'))
    (line,) = outlines(body, ABOVE)
    at_waist = np.abs(line[np.abs(line[:, 1] - 0.040) < 0.5e-3, 0])
    assert at_waist == pytest.approx(0.010, abs=0.1e-3)


def test_the_sides_are_right_handed_and_look_where_they_say():
    toward = {side.name: tuple(side.toward) for side in (ABOVE, RIGHT, MOUTH)}
    assert toward == {"from above": (0, 0, 1), "from the right": (1, 0, 0), "from the mouth end": (0, -1, 0)}


@pytest.mark.parametrize(
    ("name", "side", "hidden"),
    [
        ("top", ABOVE, False),
        ("right", RIGHT, False),
        (WINDOW, ABOVE, True),
        # Edge on, as a line on the outline.
        ("right", ABOVE, False),
        (WINDOW, RIGHT, False),
    ],
)
def test_what_faces_away_is_hidden(ellipsoid, name, side, hidden):
    (chamber,) = ellipsoid[1].chambers
    (opening,) = (o for o in chamber.all_openings if o.name == name)
    assert is_hidden(ellipsoid[1], opening, side) is hidden


def test_the_clay_is_drawn_to_scale_with_its_thickness(tmp_path):
    """A ball of 50 mm with 5 mm of clay is 60 mm wide on a sheet whose scale bar is as long as it says."""
    vessel = loads(
        'title = ""\n[clay]\nwall_mm = 5\n[[chamber]]\nname = "b"\nshape = "sphere"\ndiameter_mm = 50', "ball.toml"
    )
    figure = look.page(views(vessel, body_of(vessel)))
    figure.savefig(tmp_path / "ball.png", dpi=254)  # ten dots a millimetre
    (bar,) = (line for line in paper_of(figure).lines if (line.get_gid() or "").endswith(" mm"))
    paper_per_mm = np.ptp(bar.get_xdata()) / float(bar.get_gid().split()[0])
    dark = imread(tmp_path / "ball.png")[..., :3].sum(axis=2) < 1.5
    # From the mouth end: low on the left, and the outline is the only dark thing there.
    corner = dark[int(0.6 * len(dark)) :, : len(dark[0]) // 2]
    columns = np.flatnonzero(corner.any(axis=0))
    assert (columns[-1] - columns[0] + 1) / 10 / paper_per_mm == pytest.approx(60, abs=0.8)


def test_a_title_with_signs_of_mathematics_is_shown_as_it_is(ellipsoid, tmp_path):
    figure = look.page(views(*ellipsoid))
    look.save(figure, tmp_path / "whistle.svg")
    assert any(text.get_text() == "A $5 whistle" for text in paper_of(figure).texts)


def test_a_thin_shell_is_drawn_too(tmp_path):
    vessel = vessel_of(wall=0)
    look.save(look.page(views(vessel, body_of(vessel))), tmp_path / "shell.png")
    assert imread(tmp_path / "shell.png").std() > 0.05


def test_the_window_underneath_is_a_line_on_the_outline_from_the_right(ellipsoid):
    """Seen edge on: 5 mm of cut-up at 20 + 4 mm below the axis of an ellipsoid 40 mm high with 4 mm of clay."""
    paper = paper_of(look.page(views(*ellipsoid)))
    (bar,) = (line for line in paper.lines if (line.get_gid() or "").endswith(" mm"))
    scale = np.ptp(bar.get_xdata()) / float(bar.get_gid().split()[0])
    rims = [patch for patch in paper.patches if patch.get_facecolor()[:3] == to_rgb(look.CLAY)]
    lines = [rim for rim in rims if np.ptp(rim.get_xy()[:, 1]) < 1.5 < np.ptp(rim.get_xy()[:, 0]) < 6 * scale]
    assert any(np.ptp(line.get_xy()[:, 0]) == pytest.approx(5 * scale, rel=0.05) for line in lines)


DESIGNS = Path(__file__).parents[2] / "studies" / "designs"


OTHERS = [pytest.param(name, marks=pytest.mark.slow) for name in ("three_terns", "river_yam", "pocket_wren")]


@pytest.mark.parametrize("design", ["tide_pendant", *OTHERS])
def test_no_name_lies_on_a_line_or_on_another_name(design):
    """With all names left out, the paper under each that stands beside its hole is of one colour."""
    vessel = load(DESIGNS / f"{design}.toml")
    figure = look.page(views(vessel, body_of(vessel)))
    paper = paper_of(figure)
    full = _dots(figure)
    names = {hole.name for chamber in vessel.chambers for hole in chamber.holes}
    names |= {chamber.name for chamber in vessel.chambers} if len(vessel.chambers) > 1 else set()
    names |= {side.name for side in (ABOVE, RIGHT, MOUTH)}
    texts = [text for text in paper.texts if text.get_text() in names and text.get_color() != look.PAPER]
    for text in paper.texts:
        text.set_visible(False)
    plain = _dots(figure)
    inks = []
    for text in texts:
        text.set_visible(True)
        box = text.get_window_extent()
        text.set_visible(False)
        x0, y0 = int(box.x0) - 1, int(len(plain) - box.y1) - 1
        part = np.s_[y0 : y0 + int(box.height) + 3, x0 : x0 + int(box.width) + 3]
        rows, columns = np.nonzero(np.abs(full[part] - plain[part]).max(axis=2) > 30)
        inks.append((y0 + rows.min(), y0 + rows.max() + 1, x0 + columns.min(), x0 + columns.max() + 1))
    for (a, b, c, d), (e, f, g, h) in combinations(inks, 2):
        assert b <= e or f <= a or d <= g or h <= c, "two names on one another"
    struck = [
        text.get_text()
        for text, (a, b, c, d) in zip(texts, inks, strict=True)
        # A hairline on clay differs by more; a name within the dashed rim of a hole underneath may come near it.
        if text.get_color() != look.QUIET and np.ptp(plain[a:b, c:d].reshape(-1, 3), axis=0).max() > 60
    ]
    assert not struck


def _dots(figure):
    figure.set_dpi(200)
    figure.canvas.draw()
    return np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(float)


PAIR = """
[clay]
wall_mm = 4
[[chamber]]
name = "big"
shape = "sphere"
diameter_mm = 60
[[chamber]]
name = "small"
shape = "sphere"
diameter_mm = 30
offset_mm = [15, {across}, 0]
"""


@pytest.mark.parametrize(("across", "least"), [(49.5, 0.95), pytest.param(-49.5, 0.3, marks=pytest.mark.slow)])
def test_of_two_chambers_behind_one_another_both_are_seen_from_the_right(across, least):
    """The small ball's clay is a circle of 19 mm about a point 30 mm along: drawn out before the big one, dashed where
    it is behind."""
    vessel = loads(PAIR.format(across=across), "pair.toml")
    figure = look.page(views(vessel, body_of(vessel)))
    dots = _dots(figure).sum(axis=2)
    paper = paper_of(figure)
    (bar,) = (line for line in paper.lines if (line.get_gid() or "").endswith(" mm"))
    scale = np.ptp(bar.get_xdata()) / float(bar.get_gid().split()[0])
    (title,) = (text for text in paper.texts if text.get_text() == RIGHT.name)
    # The view's left edge is the big ball's mouth end, 4 mm of clay before 0; its axis is as high as that seen from
    # the mouth end, whose lowest dots are 34 mm below it.
    left, low = title.get_position()[0] + 4 * scale, 9.0 + 34 * scale
    turns = np.linspace(0, 2 * np.pi, 200)
    ring = np.stack([left + scale * (30 + 19 * np.cos(turns)), low + scale * 19 * np.sin(turns)], axis=1)
    at = paper.transData.transform(ring)
    drawn = [dots[int(len(dots) - y) - 2 : int(len(dots) - y) + 3, int(x) - 2 : int(x) + 3].min() for x, y in at]
    clay = 255 * sum(to_rgb(look.BODY))
    seen = np.mean(np.array(drawn) < clay - 100)
    assert seen > least
    assert across > 0 or seen < 0.9, "dashes have gaps"


WINDOW_OF_SMALL = """
[chamber.voicing]
along_mm = 20
around_deg = 180
window_width_mm = 6
cut_up_mm = 3
windway_height_mm = 1.2
windway_length_mm = 15
"""


@pytest.mark.slow  # at once: a chamber that is drawn though it is behind, below
@pytest.mark.parametrize(("across", "seen"), [(49.5, True), (-49.5, False)])
def test_a_windway_behind_another_chamber_is_not_seen_from_the_right(across, seen):
    """The small ball's lies 15 mm below the big one's middle and within its circle of 34 mm."""
    vessel = loads(PAIR.format(across=across) + WINDOW_OF_SMALL, "pair.toml")
    figure = look.page(views(vessel, body_of(vessel)))
    dots = _dots(figure)
    paper = paper_of(figure)
    for text in paper.texts:
        text.set_visible(False)
    (title,) = (text for text in paper.texts if text.get_text() == RIGHT.name)
    left, top = paper.transData.transform(title.get_position())
    dots = _dots(figure)[int(len(dots) - top) :, int(left) :]  # the view from the right stands there alone
    red = np.abs(dots - 255 * np.array(to_rgb(look.CLAY))).max(axis=2) < 60
    assert (red.sum() > 20) == seen


def test_a_scale_bar_stays_above_the_view_below_it():
    """A piece that is wide and short, with a title of two lines beside it: the bar once ran into the view below."""
    text = DESIGN.format(shape='shape = "ellipsoid"\nlength_mm = 60\nwidth_mm = 150\nheight_mm = 40', wall=4)
    vessel = loads(text.replace("A $5 whistle", "A whistle that is wider than it is long"), "whistle.toml")
    paper = paper_of(look.page(views(vessel, body_of(vessel))))
    (bar,) = (line for line in paper.lines if (line.get_gid() or "").endswith(" mm"))
    (below,) = (text for text in paper.texts if text.get_text() == RIGHT.name)
    assert min(bar.get_ydata()) - 5 > below.get_position()[1]  # its own number hangs under it


LEGGED = """
clay.wall_mm = 3
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 40
[outside]
shape = "sections"
offset_mm = [0, 0, 0]
sections = [[-6, 0, 0, 0, 2], [8, 44, 44, 0, 2], [20, 52, 52, 0, 2], [32, 44, 44, 0, 2], [46, 0, 0, 0, 2]]
[[part]]
name = "leg"
shape = "ellipsoid"
length_mm = 40
width_mm = 12
height_mm = 14
offset_mm = [20, 0, -16]
tilt_deg = -90
"""


def test_the_outline_of_a_thin_leg_is_smooth():
    """On the ellipse that a leg's outline is, though the body's level is in mm and the leg's in shares of itself."""
    figure = body_of(loads(LEGGED)).figure
    (line,) = clay_outlines(figure, RIGHT)
    along, up = 1e3 * line.T
    foot = up < -30  # below the body; the leg stands on its end, 14 mm deep and 40 long about 36 mm below
    assert foot.sum() > 20
    radius = np.hypot((along[foot] - 20) / 7, (up[foot] + 36) / 20)
    assert np.abs(radius - 1).max() * 7 < 0.1
