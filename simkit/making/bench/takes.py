"""Notes from recordings: which note of the design each tone is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simkit.errors import Fault, InputError
from simkit.making.bench.aim import readings_now
from simkit.making.bench.estimate import Estimate
from simkit.making.bench.notation import PitchReading, fingering_of
from simkit.making.bench.outliers import OCTAVE_CENTS, octaves_reason, octaves_words
from simkit.making.bench.piece import Workpiece
from simkit.making.bench.recording import RecordedTone, tones
from simkit.pitch import cents
from simkit.vessel import Chamber

_FAR_CENTS = 80.0  # further from every note than this, beyond the estimate's own error, a tone is none of them


def open_recording(text: str, chamber: Chamber) -> tuple[list[str], str, tuple[RecordedTone, ...]]:
    """The names given to a recording's notes, one a tone or none at all; where it lies; the tones in it."""
    names, path = _names_and_path(text, chamber)
    found = tones(path)
    if len(names) == 1:
        names *= len(found)  # one note, blown several times
    if names and len(names) != len(found):
        allowed = f"as many notes as names: {len(names)} named, {len(found)} found ({_listed(found)})"
        raise InputError([Fault.of("records", None, allowed, file=path)])
    return names, path, found


def readings_of(
    names: list[str],
    path: str,
    found: Sequence[RecordedTone],
    chamber: Chamber,
    piece: Workpiece,
    estimate: Estimate,
    cut: set[str],
) -> list[PitchReading]:
    """The notes of a recording, by their names if they are given, else each the one that it comes nearest to."""
    names = names or [_nearest(tone, path, chamber, piece, estimate, cut) for tone in found]
    return [
        PitchReading(*fingering_of(name, chamber), tone.hz, tone.doubt_cents)
        for name, tone in zip(names, found, strict=True)
    ]


def _names_and_path(text: str, chamber: Chamber) -> tuple[list[str], str]:
    before, sign, path = text.partition("=")
    if sign:
        try:
            names = [part.strip() for part in before.split(",")]
            for name in names:
                fingering_of(name, chamber)
            return names, path
        except InputError:
            pass  # the sign is part of the file's name
    return [], text


def _nearest(
    tone: RecordedTone, path: str, chamber: Chamber, piece: Workpiece, estimate: Estimate, cut: set[str]
) -> str:
    """The playable note whose expected reading is nearest to a tone; InputError where none, or more than one, is."""
    ready = {hole for hole, cuts in zip(piece.holes, piece.cuts, strict=True) if cuts} | cut | set(piece.asked)
    playable = [n for n, each in enumerate(chamber.notes) if set(each.open) <= ready]
    if not playable:
        allowed = "the note's name before it: no note of the design can be played with the holes that are cut"
        raise InputError([Fault.of("records", None, f"{allowed}, such as closed={path}", file=path)])
    # Holes that the bench asked for count as cut: they may just not have been reported yet.
    diameters = piece.reported_mm.copy()
    for hole, asked in piece.asked.items():
        diameters[piece.holes.index(hole)] = asked.to_mm / piece.size
    expected, sd = readings_now(estimate, piece.openness[playable], diameters)
    off = np.array([cents(tone.hz, hz) for hz in expected])
    near = np.argsort(np.abs(off))
    best = int(near[0])
    name = chamber.notes[playable[best]].pitch
    at = f"{tone.hz:.1f} Hz at {tone.start:.1f} s"
    if abs(off[best]) > _FAR_CENTS + 3 * sd[best]:
        listed = ", ".join(f"{chamber.notes[playable[n]].pitch} {expected[n]:.0f}" for n in range(len(playable)))
        allowed = f"a note near one that can be played now, Hz: {listed}{_octave_words(off, chamber, playable)}"
        raise InputError([Fault.of("records", at, allowed, file=path)])
    if len(near) > 1 and abs(off[near[1]]) < 1.5 * abs(off[best]) + 5:  # the second comes almost as near
        other = chamber.notes[playable[int(near[1])]].pitch
        allowed = f"the note's name before the file, {name}={path} or {other}={path}: it may be either"
        raise InputError([Fault.of("records", at, allowed, file=path)])
    return name


def _octave_words(off: np.ndarray, chamber: Chamber, playable: Sequence[int]) -> str:
    for octaves in (1, -1, 2):
        near = np.flatnonzero(np.abs(off - 1200 * octaves) < OCTAVE_CENTS)
        if len(near):
            name = chamber.notes[playable[int(near[0])]].pitch
            return f"; this is {name} {octaves_words(octaves)}: {octaves_reason(octaves)}"
    return ""


def _listed(found: Sequence[RecordedTone]) -> str:
    return ", ".join(f"{tone.hz:.0f} Hz at {tone.start:.1f} s" for tone in found)
