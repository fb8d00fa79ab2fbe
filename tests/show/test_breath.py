"""The pictures of breath draw each note at its pressure, and say which notes are silent."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from simkit.show import look
from simkit.show.breath_picture import breath_panel
from simkit.show.lines import blown_word
from simkit.show.regions import regions_panel
from simkit.sound.blowing.table import blow
from simkit.sound.blowing.thresholds import HARD_PA
from simkit.vessel import loads
from simkit.vessel.starter import starter


def blown(notes, more=""):
    """The first whistle with so many of its notes, blown."""
    first, *every = starter("egg").split("[[chamber.note]]")
    text = "[[chamber.note]]".join([first, *every[:: len(every) // notes][:notes]])
    (chamber,) = blow(loads(text + more, "egg.toml"), "lumped", advise=False).chambers
    return chamber


@pytest.fixture(scope="module")
def chamber():
    return blown(3)


def axes_of(panel):
    (figure,) = look.page(panel).subfigs
    return figure.subfigs[0].axes


def dots(axes):
    return sorted(tuple(line.get_xydata()[0]) for line in axes.lines if line.get_marker() == "o")


def test_each_note_stands_at_its_breath_and_its_margin(chamber):
    breath, margins, _ = axes_of(breath_panel("A $5 whistle", ["1", "2", "3", "4"], chamber))
    assert [y for _, y in dots(breath)] == [note.blown.pressure for note in chamber.notes]
    tops = [bar.get_y() + bar.get_height() for bar in margins.patches]
    assert tops == pytest.approx([note.blown.overblow_margin for note in chamber.notes])


def test_pitch_is_drawn_where_it_sounds_and_regions_hold_the_playing_pressure(chamber):
    pitch, *strips = axes_of(regions_panel(chamber))
    assert [y for _, y in dots(pitch)] == [note.blown.sounding_hz for note in chamber.notes]
    assert len(strips) == 2  # the lowest and the highest note
    for axes, note in zip(strips, (chamber.notes[0], chamber.notes[-1]), strict=True):
        dark = [c for c in axes.collections if np.allclose(c.get_facecolor()[:, :3], to_rgb(look.CLAY))]
        spans = [path.get_extents() for c in dark for path in c.get_paths()]
        assert any(span.x0 <= note.blown.pressure <= span.x1 for span in spans)


def test_a_silent_note_has_no_dot_and_says_so():
    mute = blown(1, "\n[jet]\ndipole = 0.05\nreceptivity = 0.05\n")
    breath, margins, _ = axes_of(breath_panel("mute", ["1", "2", "3", "4"], mute))
    assert dots(breath) == []
    assert [text.get_text() for text in breath.texts].count("silent") == 1
    assert len(margins.patches) == 0
    assert dots(axes_of(regions_panel(mute))[0]) == []
    assert {blown_word(note.blown) for note in mute.notes} == {"silent"}


@pytest.mark.parametrize(
    "share", [0.6, *(pytest.param(s, marks=pytest.mark.slow) for s in (0.75, 0.85, 1.02)), 0.95, 1.3]
)
def test_the_line_of_hard_breath_strikes_no_figure(chamber, share):
    note = chamber.notes[0]
    hard = replace(note, blown=replace(note.blown, pressure=share * HARD_PA))
    page = look.page(breath_panel("hard", ["1", "2", "3", "4"], replace(chamber, notes=(hard,))))
    page.canvas.draw()
    breath = page.subfigs[0].subfigs[0].axes[0]
    line = breath.transData.transform((0, HARD_PA))[1]
    (figure,) = (text for text in breath.texts if text.get_text() == f"{share * HARD_PA:.0f}")
    box = figure.get_window_extent()
    assert not box.y0 <= line <= box.y1
