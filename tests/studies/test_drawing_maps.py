"""Maps put every number in its cell, and a word where there is none."""

import numpy as np
from drawings.maps import maps_panel

from simkit.show import look


def test_every_cell_says_its_number_and_rows_run_upward():
    values = np.array([[1.0, 2.5], [30.0, np.nan]])
    panel = maps_panel("a map", ("cut-up, mm", [3, 4]), ("width, mm", [8, 9]), {"C5": {"breath, Pa": values}})
    (figure,) = look.page(panel).subfigs
    (axes,) = figure.subfigs[0].axes
    said = {text.get_position(): text.get_text() for text in axes.texts}
    assert said == {(0, 0): "1.0", (1, 0): "2.5", (0, 1): "30", (1, 1): "silent"}
    assert [text.get_text() for text in axes.get_yticklabels()] == ["8", "9"]
    low, high = axes.get_ylim()
    assert low < high
