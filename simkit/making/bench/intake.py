"""A maker's report at the bench, read and checked: pitches read or recorded, holes cut, water, wall, bar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.making.bench.estimate import Estimate
from simkit.making.bench.log import BarRead, Callipered, Entry, Filled, HoleCut, NoteRead, Voiced, Water
from simkit.making.bench.notation import PitchReading, fingering_of, hertz, number
from simkit.making.bench.piece import ORDER, Workpiece
from simkit.making.bench.recording import HIGHEST_HZ, LOWEST_HZ, RecordedTone
from simkit.making.bench.slips import unlikely_cut
from simkit.making.bench.takes import open_recording, readings_of
from simkit.making.readings import at_temperature
from simkit.making.shrinkage import Bar
from simkit.vessel import Chamber, Vessel


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
    allowed = (
        f"a hole that is cut: {', '.join(h for h, c in zip(piece.holes, piece.cuts, strict=True) if c) or 'none is'}"
    )
    faults += [Fault.of("filled", hole, allowed) for hole in given.filled if not _is_cut(piece, hole)]
    read = [_read_pitch(text, vessel, chamber, faults) for text in given.heard]
    if faults:
        raise InputError(faults)
    recorded = tuple(open_recording(text, chamber) for text in given.records)
    return CheckedInput(given, tuple(cuts), tuple(read), recorded)


def new_entries(
    what: CheckedInput, chamber: Chamber, piece: Workpiece, estimate: Estimate, step: int
) -> tuple[list[Entry], tuple[str, ...]]:
    """The log's new entries, and in sentences what was assumed; InputError for a tone that matches no note."""
    given, cuts, read = what.given, what.cuts, list(what.read)
    for names, path, found in what.recorded:
        read += readings_of(names, path, found, chamber, piece, estimate, {hole for hole, _ in cuts})
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
        NoteRead(
            **frame, **vars(reading), temperature_c=piece.temperature_c, still=given.still
        )  # in the order of playing
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


def _is_cut(piece: Workpiece, hole: str) -> bool:
    return hole in piece.holes and bool(piece.cuts[piece.holes.index(hole)])


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
    elif odd := unlikely_cut(hole, mm, fired_ml, piece, chamber, given.sure):
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
