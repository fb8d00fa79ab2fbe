"""The pictures of many makers, and of one at the bench."""

import numpy as np
from drawings.makers import makers_panel, session_panel

from simkit.show.look import page


def axes_of(figure):
    found, waiting = [], [figure]
    while waiting:
        each = waiting.pop(0)
        found += list(each.axes) if not each.subfigs else []
        waiting += list(each.subfigs)
    return list(dict.fromkeys(found))


def test_the_share_of_makers_rises_at_each_ones_worst_note():
    cents = np.array([[1.0, -3.0], [2.0, 8.0], [-12.0, 0.0], [4.0, 4.0]])
    figure = page(makers_panel("Four makers", ["C5", "D5"], {"one way": cents, "another": 2 * cents}))
    shares, spread = axes_of(figure)
    line = shares.lines[0]
    assert line.get_ydata()[np.searchsorted(line.get_xdata(), 10, "right") - 1] == 75
    assert shares.get_xlabel() == "worst note, cents" and shares.get_ylabel() == "makers within, %"
    assert [tick.get_text() for tick in spread.get_xticklabels()] == ["C5", "D5"]
    assert spread.get_ylabel() == "cents when fired"


def test_a_session_shows_truth_and_belief_after_each_cut():
    visits = [("1", "D5", -40.0, -35.0, 5.0), ("2", "E5", -30.0, -31.0, 4.0), ("1", "D5", -3.0, -2.0, 2.0)]
    (axes,) = axes_of(page(session_panel("One maker", visits)))
    true = next(line for line in axes.lines if line.get_label() == "true")
    assert true.get_ydata().tolist() == [-40.0, -30.0, -3.0]
    assert [tick.get_text() for tick in axes.get_xticklabels()] == ["1\nD5", "2\nE5", "1\nD5"]
