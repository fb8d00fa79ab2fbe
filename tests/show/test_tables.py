"""Tables: circles in the player's order, one plain word, nothing wrapped or coloured off a terminal."""

from io import StringIO

import pytest

from simkit.show.lines import fingering, word
from simkit.show.terminal import note_table, printed
from simkit.sound.answers.prediction import Answer, PredictedNote
from simkit.vessel import loads
from simkit.vessel.starter import starter


class Stream(StringIO):
    def __init__(self, encoding, terminal):
        super().__init__()
        self._encoding, self._terminal = encoding, terminal

    @property
    def encoding(self):
        return self._encoding

    def isatty(self):
        return self._terminal


@pytest.fixture(scope="module")
def holes():
    return loads(starter("egg"), "egg.toml").chambers[0].holes


@pytest.fixture
def table(holes):
    notes = [
        PredictedNote("C5", (), 523.25, (Answer("lumped", 517.0, -20.8, 31.2, 18.0),)),
        PredictedNote("D5", ("1",), 587.33, (Answer("lumped", 588.0, 2.0, None, 18.0),)),
        PredictedNote("E5", ("1", "4"), 659.26, (Answer("lumped", 680.0, 53.6, 24.0, 18.0, (), 11.26),)),
        PredictedNote("F5", (), 698.46, (Answer("lumped", None, None, None, 0.0),)),
        PredictedNote(None, (), None, (Answer("lumped", 517.0, None, 31.2, 18.0),)),
    ]
    return note_table(holes, notes)


def test_a_fingering_shows_each_hole_in_the_order_of_the_file_and_parts_the_hands(holes):
    assert [hole.finger.split()[0] for hole in holes] == ["left", "left", "right", "right"]
    assert fingering(holes, ()) == "●● ●●"
    assert fingering(holes, {"1", "4"}) == "○● ●○"
    assert fingering((), ()) == ""


@pytest.mark.parametrize(
    ("cents", "said"), [(-5.1, "flat"), (-5, "in tune"), (5, "in tune"), (5.1, "sharp"), (None, "")]
)
def test_one_plain_word(cents, said):
    assert word(cents) == said


def test_off_a_terminal_a_table_is_plain_text(table):
    text = printed(table, stream=Stream("utf-8", terminal=False))
    assert "\x1b" not in text
    header, rule, *rows = text.splitlines()
    assert header.split() == ["note", "fingering", "target", "Hz", "lumped", "Hz", "cents", "Q"]
    assert set(rule) == {"─"}
    assert [row.split() for row in rows] == [
        ["C5", "●●", "●●", "523.2", "517.0", "-20.8", "±", "18", "31", "flat"],
        ["D5", "○●", "●●", "587.3", "588.0", "+2.0", "±", "18", "in", "tune"],
        ["E5", "○●", "●○", "659.3", "680.0", "+53.6", "±", "18", "24", "sharp"],
        ["F5", "●●", "●●", "698.5", "silent"],
        ["all", "covered", "●●", "●●", "517.0", "±", "18", "31"],
    ]


def test_on_a_terminal_what_is_not_in_tune_is_coloured(table, monkeypatch):
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    text = printed(table, stream=Stream("utf-8", terminal=True))
    assert "\x1b[38;2;180;83;42mflat" in text
    assert "\x1b[38;2;180;83;42min tune" not in text


def test_a_stream_without_circles_gets_letters(table):
    text = printed(table, stream=Stream("ascii", terminal=False))
    assert text.isascii()
    assert "ox xo" in text


def test_a_long_title_is_not_wrapped_off_a_terminal():
    title = "long " * 40 + "[bold]not markup[/bold] :smile:"
    assert printed(title, stream=Stream("utf-8", terminal=False)) == title + "\n"


def test_of_several_empty_lines_one_is_kept():
    assert printed("a", "", "", "b") == "a\n\nb\n"
