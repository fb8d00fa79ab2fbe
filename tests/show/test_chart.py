"""The chart of a scale draws each note where it is."""

import numpy as np
import pytest
from matplotlib.image import imread

from simkit.show import look
from simkit.show.scale import scale_chart
from simkit.sound.answers.prediction import Answer, PredictedNote

NOTES = [
    PredictedNote(
        "C5", (), 523.25, (Answer("lumped", 510.0, -44.4, 30.0, 20.0), Answer("ports", 520.0, -10.8, 31.0, 3.0))
    ),
    PredictedNote(
        "D5", ("1",), 587.33, (Answer("lumped", 590.0, 7.9, 28.0, 20.0), Answer("ports", 588.0, 2.0, 29.0, 3.0))
    ),
    PredictedNote("E5", ("1", "2"), None, (Answer("ports", 640.0, None, None, 3.0),)),
]


SILENT = PredictedNote(None, (), None, (Answer("lumped", None, None, None, 0.0),))


@pytest.fixture(scope="module")
def panels():
    (figure,) = look.page(scale_chart("A $5 whistle", ["1", "2"], NOTES, "20 °C")).subfigs
    figure = figure.subfigs[0]
    return {axes.get_ylabel().split(",")[0]: axes for axes in figure.axes}, figure


def points(axes, marker):
    return sorted(
        tuple(float(v) for v in xy) for line in axes.lines if line.get_marker() == marker for xy in line.get_xydata()
    )


def test_pitch_is_that_of_the_most_careful_model(panels):
    assert points(panels[0]["pitch"], "o") == [(0, 520.0), (1, 588.0), (2, 640.0)]
    assert points(panels[0]["pitch"], "D") == []


def test_each_number_stands_beside_its_own_mark_and_not_over_the_targets_bar(panels):
    """C5 is computed flat of its target, D5 sharp: the numbers stand below and above the marks, in their colour."""
    axes = panels[0]["pitch"]
    told = {text.get_text(): text for text in axes.texts}
    assert set(told) == {"520", "588", "640"}
    for words, hz, side in (("520", 520.0, "top"), ("588", 588.0, "bottom"), ("640", 640.0, "bottom")):
        text = told[words]
        assert text.xy[1] == hz and text.get_va() == side and text.get_color() == look.CLAY
        assert np.sign(text.get_position()[1]) == (-1 if side == "top" else 1)
    assert any(text.get_text() == "target" for each in panels[1].axes for text in each.texts), "the bars are named"


def test_no_dot_is_cut_off_at_the_frame(panels):
    for axes in panels[1].axes:
        for line in axes.lines if axes.axison else []:  # the key has no frame
            assert line.get_marker() in ("None", "", None) or not line.get_clip_on()


def test_cents_of_every_model_stand_side_by_side_with_their_uncertainty(panels):
    axes = panels[0]["cents off target"]
    assert [round(y, 1) for _, y in points(axes, "D")] == [-44.4, 7.9]
    assert [round(y, 1) for _, y in points(axes, "o")] == [-10.8, 2.0]
    low, high = axes.get_ylim()
    assert low <= -64.4
    assert high >= 27.9


def test_open_holes_are_hollow(panels):
    (fingers,) = (axes for axes in panels[1].axes if [t.get_text() for t in axes.get_yticklabels()] == ["1", "2"])
    hollow = [
        tuple(int(v) for v in xy)
        for line in fingers.lines
        if line.get_markerfacecolor() == look.PAPER
        for xy in line.get_xydata()
    ]
    assert sorted(hollow) == [(1, 0), (2, 0), (2, 1)]


@pytest.mark.parametrize("notes", [[], NOTES[:1], [SILENT]], ids=["none", "one", "silent"])
def test_short_charts_are_drawn_too(tmp_path, notes):
    look.save(look.page(scale_chart("x" * 200 + " 鳩笛", [], notes)), tmp_path / "chart.png")
    assert np.isfinite(imread(tmp_path / "chart.png")).all()


def test_a_long_title_leaves_room_for_the_key(panels):
    title = look.short("w" * 200, 50, 12)
    assert title.endswith("…")
    assert look.width_mm(title, 12) <= 50
    assert look.short("dove", 50, 12) == "dove"
    for text in ("w" * 14, "i" * 40, "a heath pony, tuned by its lobes"):
        assert look.width_mm(look.short(text, 50, 12), 12) <= 50


def test_a_title_goes_over_two_lines_before_it_is_cut():
    title = "a heath pony, tuned to F4 major by its lobes"
    first, second = look.lines(title, 60, 12)
    assert f"{first} {second}" == title
    assert max(look.width_mm(line, 12) for line in (first, second)) <= 60
    assert look.lines("dove", 60, 12) == ["dove"] and look.lines("", 60, 12) == []
    assert [line[-1] for line in look.lines("w" * 80 + " " + "w" * 80, 60, 12)] == ["…", "…"]


def test_a_sure_models_bar_shows_beside_a_rough_ones():
    """Bars of 2 and of 90 cents in one picture: the short one is longer than the mark on it."""
    note = PredictedNote(
        "C5", (), 523.25, (Answer("lumped", 510.0, -44.4, 30.0, 90.0), Answer("resolved", 523.0, 0.8, 31.0, 2.0))
    )
    (figure,) = look.page(scale_chart("whistle", [], [note])).subfigs
    (axes,) = (a for a in figure.subfigs[0].axes if a.get_ylabel().startswith("cents"))
    (bar,) = (line for line in axes.lines if len(line.get_ydata()) == 2 and np.ptp(line.get_ydata()) == 4.0)
    ends = axes.transData.transform(np.stack([bar.get_xdata(), bar.get_ydata()], axis=1))
    (mark,) = (line for line in axes.lines if line.get_marker() == "s")
    assert np.ptp(ends[:, 1]) * 72 / axes.figure.get_dpi() > 1.5 * mark.get_markersize()
    ticks = [tick for tick in axes.get_yticks() if axes.get_ylim()[0] < tick < axes.get_ylim()[1]]
    assert {-50, 0, 50} <= set(ticks)
