"""A maker's report at the bench, read and checked: pitches read or recorded, holes cut, water, wall, bar."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.errors import Fault, InputError
from simkit.frozen import fields_of, frozen
from simkit.making.bench.aim import WIDEST, readings_now
from simkit.making.bench.estimate import Estimate
from simkit.making.bench.log import BarRead, Callipered, Entry, Filled, HoleCut, NoteRead, Voiced, Water
from simkit.making.bench.notation import PitchReading, fingering_of, hertz, number
from simkit.making.bench.outliers import OCTAVE_CENTS, octaves_reason, octaves_words
from simkit.making.bench.piece import ORDER, Workpiece
from simkit.making.bench.recording import HIGHEST_HZ, LOWEST_HZ, RecordedTone, tones, unusable
from simkit.making.readings import at_temperature
from simkit.making.shrinkage import Bar
from simkit.pitch import cents
from simkit.vessel import Chamber, Vessel

NARROWEST, PILOT_MM = 0.2, 1.0  # of the design's diameter, and the pilot hole that anyone may drill first
ROOM_MM = 0.5  # beyond the widest that was designed, asked for or reported before
# Factors of usual slips: a point left out or put in the wrong place; inches for millimetres, and the other way round.
_SLIPS = (0.1, 10.0, 0.01, 100.0, 25.4, 1 / 25.4)
_FAR_CENTS = 80.0  # further from every note than this, beyond the estimate's own error, a tone is none of them


@dataclass(frozen=True)
class BenchInput:
    """A report, as written on the command line.

    sure: cuts are as reported, however unlikely; still: notes were not blown, but read of the piece by itself.
    """

    heard: tuple[str, ...] = ()
    cut: tuple[str, ...] = ()
    records: tuple[str, ...] = ()
    volume_ml: float | None = None
    wall_mm: float | None = None
    bar: str | None = None
    filled: tuple[str, ...] = ()
    window_changed: bool = False
    sure: bool = False
    still: bool = False


@frozen
class CheckedInput:
    """A report once it is read and checked: cuts in mm, notes read off a tuner, recordings with the tones in them.

    recorded: for each recording the names given to its notes, where it lies, and the tones found.
    """

    given: BenchInput
    cuts: tuple[tuple[str, float], ...]
    read: tuple[PitchReading, ...]
    recorded: tuple[tuple[list[str], str, tuple[RecordedTone, ...]], ...]


def checked_input(
    given: BenchInput, vessel: Vessel, chamber: Chamber, piece: Workpiece, fired_ml: float
) -> CheckedInput:
    """Everything that can be checked before anything is computed; InputError with all that is wrong.

    fired_ml: the chamber's air as designed.
    """
    at_temperature(vessel, piece.temperature_c)  # asked only so that an impossible one is refused
    if given.bar is not None:
        Bar.read(given.bar).shrinkage()  # says what is wrong with it
    faults = [*_wrong_sizes(given, vessel, piece, fired_ml), *_wrong_stage(piece)]
    cuts = [_read_cut(text, piece, chamber, fired_ml, faults, given) for text in given.cut]
    holes_cut = [hole for hole, count in zip(piece.holes, piece.cuts, strict=True) if count]
    allowed = f"a hole that is cut: {', '.join(holes_cut) or 'none is'}"
    faults += [Fault.of("filled", hole, allowed) for hole in given.filled if hole not in holes_cut]
    read = [_read_pitch(text, vessel, chamber, faults) for text in given.heard]
    if faults:
        raise InputError(faults)
    recorded = tuple(_open_recording(text, chamber) for text in given.records)
    return CheckedInput(given, tuple(cuts), tuple(read), recorded)


def new_entries(
    what: CheckedInput, chamber: Chamber, piece: Workpiece, estimate: Estimate, step: int
) -> tuple[list[Entry], tuple[str, ...]]:
    """The log's new entries, and in sentences what was assumed; InputError for a tone that matches no note."""
    given, cuts, read = what.given, what.cuts, list(what.read)
    for names, path, found in what.recorded:
        read += _readings_of(names, path, found, chamber, piece, estimate, {hole for hole, _ in cuts})
    # All that one visit reports is one step, to be withdrawn together.
    frame: dict[str, Any] = {"step": step, "chamber": chamber.name, "stage": piece.stage}
    new: list[Entry] = [BarRead(**frame, text=given.bar)] if given.bar is not None else []
    new += [Water(**frame, ml=given.volume_ml)] if given.volume_ml is not None else []
    new += [Callipered(**frame, mm=given.wall_mm)] if given.wall_mm is not None else []
    new += [Voiced(**frame)] if given.window_changed else []
    new += [Filled(**frame, hole=hole) for hole in given.filled]
    done, taken = _assumed_cuts(read, piece, dict(cuts))
    new += [HoleCut(**frame, hole=hole, mm=mm) for hole, mm in [*cuts, *done]]
    new += [
        # In the order of playing.
        NoteRead(**frame, **fields_of(reading), temperature_c=piece.temperature_c, still=given.still)
        for reading in read
    ]
    return new, taken


def _assumed_cuts(
    read: Sequence[PitchReading], piece: Workpiece, reported: dict[str, float]
) -> tuple[list[tuple[str, float]], tuple[str, ...]]:
    """Cuts that nobody reported, of holes that were open in a note: as the bench asked for them, else as designed."""
    done, taken = [], []
    opened = dict.fromkeys(hole for reading in read for hole in reading.open)  # each once, in the order of playing
    for hole in opened:
        waiting = piece.asked.get(hole)
        if hole in reported:  # reported in the same visit
            continue
        if waiting is not None:
            done.append((hole, waiting.to_mm))
            as_asked = f"hole {hole} is taken to be cut to {waiting.to_mm:.2f} mm as asked"
            taken.append(f"{as_asked}; if not: `undo`, then `cut` {hole}=MM")
        elif not piece.cuts[piece.holes.index(hole)]:
            as_designed = f"no cut of hole {hole} was reported: it is taken to be about as designed"
            taken.append(f"{as_designed}; tell with `cut` {hole}=MM")
    return done, tuple(taken)


def _wrong_sizes(given: BenchInput, vessel: Vessel, piece: Workpiece, fired_ml: float) -> list[Fault]:
    faults = []
    wall, size = vessel.clay.wall_mm, piece.size
    for option, value, expected, share in (
        ("volume_ml", given.volume_ml, fired_ml * size**3, 0.3),
        ("wall_mm", given.wall_mm, wall * size, 0.5),
    ):
        if value is not None and not (1 - share) * expected <= value <= (1 + share) * expected:
            allowed = f"about {expected:.3g} ({piece.stage.value}, as designed), at most {100 * share:.0f} % from it"
            faults.append(Fault.of(option, value, allowed))
    return faults


def _wrong_stage(piece: Workpiece) -> list[Fault]:
    # A note of a later stage than the piece's own.
    later = [b.stage for b in piece.blown if ORDER.index(b.stage) > ORDER.index(piece.stage)]
    if not later:
        return []
    allowed = f"{later[-1].value} or later: the log says that the piece is that far; clay does not go back"
    return [Fault.of("stage", piece.stage.value, allowed)]


def _read_cut(
    text: str, piece: Workpiece, chamber: Chamber, fired_ml: float, faults: list[Fault], given: BenchInput
) -> tuple[str, float]:
    hole, _, size = text.rpartition("=")  # no name of a hole has one
    mm = number(size)
    if hole not in piece.holes:
        allowed = f"HOLE=MM with a hole of this chamber ({', '.join(piece.holes) or 'it has none'}), such as 1=4.6"
        faults.append(Fault.of("cut", text, allowed))
        return "", 0.0
    # filled, it may be drilled as small as one likes.
    before = 0.0 if hole in given.filled else piece.reported_mm[piece.holes.index(hole)] * piece.size
    if mm is None:
        faults.append(Fault.of("cut", size, "a diameter in mm, more than 0", key=hole))
    elif odd := _unlikely_cut(hole, mm, fired_ml, piece, chamber, given.sure):
        faults.append(Fault.of("cut", size, odd, key=hole))
    elif mm < before - 0.5:  # mm: callipers and hands differ by less
        allowed = (
            f"at least the {before:.2f} mm that it had: holes do not grow narrower; `undo` withdraws the last step"
        )
        faults.append(Fault.of("cut", mm, allowed, key=hole))
    return hole, mm or 0.0


def _read_pitch(text: str, vessel: Vessel, chamber: Chamber, faults: list[Fault]) -> PitchReading:
    name, _, value = text.rpartition("=")
    opened: dict[str, float] = {}
    try:
        name, opened = fingering_of(name.strip(), chamber)
    except InputError as error:
        faults += [Fault.of("heard", text, fault.allowed) for fault in error.faults if isinstance(fault, Fault)]
    hz = hertz(value, vessel)
    if hz is None or not LOWEST_HZ / 2 <= hz <= HIGHEST_HZ:
        allowed = f"Hz from {LOWEST_HZ / 2:g} to {HIGHEST_HZ:g}, or what a tuner shows, such as Bb4+12"
        faults.append(Fault.of("heard", value, allowed, key=name))
    return PitchReading(name, opened, hz or 1.0)


# --- slips of the pen ----------------------------------------------------------------------------


def _unlikely_cut(hole: str, mm: float, fired_ml: float, piece: Workpiece, chamber: Chamber, sure: bool) -> str | None:
    """Widths allowed, and the one probably meant, where a hole's is impossible or unlikely; None if it is fine.

    fired_ml: the chamber's air as designed; sure: question only what is impossible.
    """
    n = piece.holes.index(hole)
    designed = chamber.holes[n].diameter_mm * piece.size
    asked = piece.asked.get(hole)
    before = piece.reported_mm[n] * piece.size
    expected = asked.to_mm if asked else max(designed, before)
    low, high = min(NARROWEST * designed, PILOT_MM), max(WIDEST * designed, expected) + ROOM_MM
    # Slips that would make sense of it.
    meant = [mm * slip for slip in _SLIPS if max(low, before - ROOM_MM) <= mm * slip <= high]
    # The nearest to what was expected, as a ratio.
    best = min(meant, key=lambda size: abs(math.log(size / expected)), default=None)
    question = f": {best:.4g}?" if best is not None else ""
    across = 10 * (6 * fired_ml / math.pi) ** (1 / 3) * piece.size  # of a ball with as much air
    if not 0 < mm < across:
        most = f"less than the {across:.0f} mm of a ball with as much air as the chamber"
        return f"a diameter in mm, more than 0, {most}{question}"
    if sure or low <= mm <= high:
        return None
    allowed = f"about {designed:.2f} ({piece.stage.value}, as designed)" + (
        f", {expected:.2f} asked for" if asked else ""
    )
    return f"{allowed}, from {low:.1f} to {high:.1f}{question or ';'} If it is {mm:g} mm, say `sure` as well"


# --- recordings: which note each tone is ---------------------------------------------------------


def _open_recording(text: str, chamber: Chamber) -> tuple[list[str], str, tuple[RecordedTone, ...]]:
    """The names given to a recording's notes, one a tone or none at all; where it lies; the tones in it."""
    names, path = _names_and_path(text, chamber)
    found = tones(path)
    if len(names) == 1:
        names *= len(found)  # one note, blown several times
    if names and len(names) != len(found):
        allowed = f"as many notes as names: {len(names)} named, {len(found)} found ({_listed(found)})"
        raise unusable(path, allowed)
    return names, path, found


def _readings_of(
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
        raise unusable(path, f"{allowed}, such as closed={path}")
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
