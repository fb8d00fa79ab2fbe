"""Bodies side by side, and curves: every mark and name lands on the paper where its number says."""

from itertools import pairwise

import numpy as np
import pytest
from drawings.bodies import Column, Mark, Shown, bodies_panel
from drawings.curves import Curve, curves_panel

import simkit
from simkit.body import body_of
from simkit.show import look
from simkit.show.look import page
from simkit.show.outline import ABOVE

BALL = '[clay]\nwall_mm = 4\n[[chamber]]\nname = "body"\nshape = "sphere"\ndiameter_mm = {}\n'


@pytest.fixture(scope="module")
def balls():
    return [Shown(f"ball {d}", body_of(simkit.loads(BALL.format(d))), ABOVE) for d in (40, 60)]


def column(axes, title):
    return next(each for each in axes if each.get_title(loc="left") == title)


def test_marks_stand_at_their_numbers_in_their_rows(balls):
    marks = [[Mark(-3.0, look.QUIET)], [Mark(2.0), Mark(40.0, hollow=True)]]
    columns = [Column("error", "cents", (-100, 100), (-10, 0, 10), marks, [None, (-5, 5)], "symlog", 5.0)]
    figure = page(bodies_panel("two balls", balls, columns, [(Mark(0), "a mark")], "caption"))
    axes = column(figure.findobj(type(figure.add_axes((0, 0, 0.01, 0.01)))), "error")
    places = {(line.get_xdata()[0], line.get_ydata()[0]) for line in axes.lines if line.get_marker() == "o"}
    assert places == {(-3.0, 0), (2.0, 1), (40.0, 1)}
    assert [text.get_text() for text in axes.get_xticklabels()] == ["−10", "0", "+10"]


def test_outlines_are_to_one_scale(balls):
    figure = page(bodies_panel("two balls", balls, [], []))
    paper = figure.findobj(type(figure.add_axes((0, 0, 0.01, 0.01))))
    sizes = [np.ptp(patch.get_path().vertices[:, 0]) for axes in paper for patch in axes.patches]
    assert sizes[1] / sizes[0] == pytest.approx(1.5, rel=1e-2)


def test_names_of_curves_do_not_touch():
    curves = [Curve(name, (1, 2, 3), (0, 1, high)) for name, high in (("a", 2.0), ("b", 2.01), ("c", 2.02))]
    figure = page(curves_panel("three", "x", "y", curves))
    figure.canvas.draw()
    boxes = sorted(
        (text.get_window_extent() for axes in figure.findobj(lambda a: hasattr(a, "texts")) for text in axes.texts
         if text.get_text() in ("a", "b", "c")),
        key=lambda box: box.y0,
    )  # fmt: skip
    assert len(boxes) == 3
    assert all(below.y1 <= above.y0 + 1 for below, above in pairwise(boxes))
