"""Chords as a table: what is blown together, what each note then sounds, and whether two of them beat."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.table import Column, Table
from rich.text import Text

from simkit.show.lines import signed
from simkit.show.terminal import ACCENT, numbers, plain_table

if TYPE_CHECKING:  # what a command does not ask for need not be loaded
    from simkit.sound.answers.chords import Chord
    from simkit.sound.blowing.table import BlownChord

MOST_ROWS = 60  # about a page


def chord_table(chords: Sequence[Chord]) -> list[Table | str]:
    """Chords as they ring: each note's Hz and how far the others pull it."""
    table = _headed([tone.chamber for tone in chords[0].tones], ("Hz", "pulled"))
    shown, left = _weightiest(chords, [max(abs(t.pull_cents) for t in c.tones) for c in chords])
    for chord in shown:
        cells = []
        for tone in chord.tones:
            pull = signed(tone.pull_cents)
            cells += [tone.pitch or "all covered", f"{tone.frequency_hz:.1f}", pull]
        table.add_row(*cells, Text(_said(chord.beat_hz, chord.merges, chord.two_jobs), style=ACCENT))
    words = "pulled: cents by which the open windows and holes of the others move a note"
    return [table, "", *_rest(left, "those that pull most are shown"), words, ""]


def blown_chord_table(chords: Sequence[BlownChord]) -> list[Table | str]:
    """Chords blown with one breath: its pressure, what each note sounds then, and its margin to overblowing."""
    table = _headed([tone.chamber for tone in chords[0].tones], ("Hz", "margin"), "Pa")
    shown, left = _weightiest(chords, [-min(t.margin or 0.0 for t in c.tones) for c in chords])
    for chord in shown:
        cells = ["" if chord.pressure_pa is None else f"{chord.pressure_pa:.0f}"]
        for tone in chord.tones:
            hz = "silent" if tone.sounding_hz is None else f"{tone.sounding_hz:.1f}"
            cells += [tone.pitch or "all covered", hz, "" if tone.margin is None else f"{tone.margin:.1f}"]
        table.add_row(*cells, Text(_said(chord.beat_hz, chord.merges, chord.two_jobs), style=ACCENT))
    words = "Pa: one breath for all, between what each note would want; margin: how many times that until it jumps up"
    return [table, "", *_rest(left, "those with the least margin are shown"), words, ""]


def _headed(chambers: Sequence[str], each: Sequence[str], first: str = "") -> Table:
    of_chambers: list[Column | str] = []
    for name in chambers:
        of_chambers += [name, *numbers(*each)]  # a column for the note, then its numbers
    return plain_table(*numbers(*[first] * bool(first)), *of_chambers, "")


def _weightiest(chords: Sequence[Chord] | Sequence[BlownChord], weight: Sequence[float]) -> tuple[list, int]:
    """The weightiest chords, as many as fit, in their given order, and the number left out."""
    kept = sorted(sorted(range(len(chords)), key=lambda n: -weight[n])[:MOST_ROWS])
    return [chords[n] for n in kept], len(chords) - len(kept)


def _rest(left: int, which: str) -> list[str]:
    return [f"and {left} more chords; {which}, --json has all"] if left else []


def _said(beat_hz: float | None, merges: bool, fingers: Sequence[str]) -> str:
    said = []
    if merges:
        said.append("falls into one pitch")
    elif beat_hz is not None:
        said.append(f"beats {beat_hz:.1f} times a second")
    if fingers:
        said.append(f"wants {', '.join(fingers)} twice")
    return "; ".join(said)
