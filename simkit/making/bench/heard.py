"""What a maker brings to the bench, read and checked: notes heard or recorded, holes cut, water, wall, bar."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.making.bench.aim import readings_now
from simkit.making.bench.belief import Belief, believed, foreseen
from simkit.making.bench.log import BarRead, Callipered, Entry, Filled, HoleCut, NoteRead, Voiced, Water
from simkit.making.bench.piece import ORDER, Measurement, Workpiece
from simkit.making.bench.recording import HIGHEST_HZ, LOWEST_HZ, RecordedTone, tones
from simkit.making.bench.slips import unlikely_cut
from simkit.making.readings import at_temperature
from simkit.making.shrinkage import Bar
from simkit.pitch import NoteNameError, cents, note
from simkit.vessel import Chamber, Vessel

READ_CENTS = 3.0  # how well a tuner is read
CLOSED = "closed"
# A reading so many standard deviations and cents away from all that the others say cannot be explained.
STRANGE_SD, STRANGE_CENTS = 4.5, 25.0
_OCTAVE_CENTS = 120.0
_ON_TUNER = re.compile(r"([A-Ga-g][#b♯♭]?\d)\s*([+-]\d+(?:\.\d+)?)?")


@dataclass(frozen=True)
class Asking:
    """What was brought, as written on the command line; sure: that cuts are as told, however unlikely."""

    heard: tuple[str, ...] = ()
    cut: tuple[str, ...] = ()
    records: tuple[str, ...] = ()
    volume_ml: float | None = None
    wall_mm: float | None = None
    bar: str | None = None
    filled: tuple[str, ...] = ()
    window_changed: bool = False
    sure: bool = False


@frozen
class PitchReading:
    """A note that was read: its name, how open each of its holes was, Hz, and how well it was read, cents."""

    note: str
    open: dict[str, float]
    hz: float
    doubt_cents: float = READ_CENTS


@frozen
class Brought:
    """The same once it is read and checked: cuts in mm, notes read off a tuner, recordings with the tones in them.

    recorded: for each recording the names given to its notes, where it lies, and the tones found.
    """

    asking: Asking
    cuts: tuple[tuple[str, float], ...]
    read: tuple[PitchReading, ...]
    recorded: tuple[tuple[list[str], str, tuple[RecordedTone, ...]], ...]


def brought(asking: Asking, vessel: Vessel, chamber: Chamber, piece: Workpiece, fired_ml: float) -> Brought:
    """All that can be read and checked before anything is computed; InputError with all that cannot be.

    fired_ml: the chamber's air as designed.
    """
    at_temperature(vessel, piece.temperature_c)
    if asking.bar is not None:
        Bar.read(asking.bar).shrinkage()  # says what is wrong with it
    faults = [*_wrong_sizes(asking, vessel, piece, fired_ml), *_wrong_stage(piece)]
    cuts = [_read_cut(text, piece, chamber, fired_ml, faults, asking) for text in asking.cut]
    allowed = (
        f"a hole that is cut: {', '.join(h for h, c in zip(piece.holes, piece.cuts, strict=True) if c) or 'none is'}"
    )
    faults += [Fault.of("filled", hole, allowed) for hole in asking.filled if not _is_cut(piece, hole)]
    read = [_read_heard(text, vessel, chamber, faults) for text in asking.heard]
    if faults:
        raise InputError(faults)
    recorded = tuple(_opened(text, chamber) for text in asking.records)
    return Brought(asking, tuple(cuts), tuple(read), recorded)


def asked_for(
    what: Brought, chamber: Chamber, piece: Workpiece, belief: Belief, step: int
) -> tuple[list[Entry], tuple[str, ...]]:
    """The log's new entries, and in sentences what was taken for granted; InputError for a tone of no known note."""
    asking, cuts, read = what.asking, what.cuts, list(what.read)
    for names, path, found in what.recorded:
        read += _recorded(names, path, found, chamber, piece, belief, {hole for hole, _ in cuts})
    frame: dict[str, Any] = {"step": step, "chamber": chamber.name, "stage": piece.stage}
    new: list[Entry] = [BarRead(**frame, text=asking.bar)] if asking.bar is not None else []
    new += [Water(**frame, ml=asking.volume_ml)] if asking.volume_ml is not None else []
    new += [Callipered(**frame, mm=asking.wall_mm)] if asking.wall_mm is not None else []
    new += [Voiced(**frame)] if asking.window_changed else []
    new += [Filled(**frame, hole=hole) for hole in asking.filled]
    done, taken = _taken_as_done(read, piece, dict(cuts))
    new += [HoleCut(**frame, hole=hole, mm=mm) for hole, mm in [*cuts, *done]]
    new += [
        NoteRead(**frame, **vars(reading), temperature_c=piece.temperature_c)  # in the order in which they were blown
        for reading in read
    ]
    return new, taken


def _taken_as_done(
    read: Sequence[PitchReading], piece: Workpiece, told: dict[str, float]
) -> tuple[list[tuple[str, float]], tuple[str, ...]]:
    """Cuts of which nobody spoke, but through which a note was heard: as they were asked for, else as designed."""
    done, taken = [], []
    opened = dict.fromkeys(hole for reading in read for hole in reading.open)
    for hole in opened:
        waiting = piece.asked.get(hole)
        if hole in told:
            continue
        if waiting is not None:
            done.append((hole, waiting.to_mm))
            as_asked = f"hole {hole} is taken to be cut to {waiting.to_mm:.2f} mm as asked"
            taken.append(f"{as_asked}; if not: `undo`, then `cut` {hole}=MM")
        elif not piece.cuts[piece.holes.index(hole)]:
            as_designed = f"of hole {hole} no cut was told: it is taken to be about as designed"
            taken.append(f"{as_designed}; tell with `cut` {hole}=MM")
    return done, tuple(taken)


def _wrong_sizes(asking: Asking, vessel: Vessel, piece: Workpiece, fired_ml: float) -> list[Fault]:
    faults = []
    wall, size = vessel.clay.wall_mm, piece.size
    for option, value, expected, share in (
        ("volume_ml", asking.volume_ml, fired_ml * size**3, 0.3),
        ("wall_mm", asking.wall_mm, wall * size, 0.5),
    ):
        if value is not None and not (1 - share) * expected <= value <= (1 + share) * expected:
            allowed = f"about {expected:.3g} ({piece.stage.value}, as designed), at most {100 * share:.0f} % from it"
            faults.append(Fault(option, "", value, allowed))
    return faults


def _wrong_stage(piece: Workpiece) -> list[Fault]:
    later = [b.stage for b in piece.blown if ORDER.index(b.stage) > ORDER.index(piece.stage)]
    if not later:
        return []
    allowed = f"{later[-1].value} or later: the log says that the piece is that far; clay does not go back"
    return [Fault.of("stage", piece.stage.value, allowed)]


def _is_cut(piece: Workpiece, hole: str) -> bool:
    return hole in piece.holes and bool(piece.cuts[piece.holes.index(hole)])


def _read_cut(
    text: str, piece: Workpiece, chamber: Chamber, fired_ml: float, faults: list[Fault], asking: Asking
) -> tuple[str, float]:
    hole, _, size = text.rpartition("=")
    mm = _number(size)
    if hole not in piece.holes:
        allowed = f"HOLE=MM with a hole of this chamber ({', '.join(piece.holes) or 'it has none'}), such as 1=4.6"
        faults.append(Fault.of("cut", text, allowed))
        return "", 0.0
    before = 0.0 if hole in asking.filled else piece.told_mm[piece.holes.index(hole)] * piece.size
    if mm is None:
        faults.append(Fault.of("cut", size, "a diameter in mm, more than 0", key=hole))
    elif odd := unlikely_cut(hole, mm, fired_ml, piece, chamber, asking.sure):
        faults.append(Fault.of("cut", size, odd, key=hole))
    elif mm < before - 0.5:
        allowed = (
            f"at least the {before:.2f} mm that it had: holes do not grow narrower; `undo` withdraws the last step"
        )
        faults.append(Fault.of("cut", mm, allowed, key=hole))
    return hole, mm or 0.0


def _read_heard(text: str, vessel: Vessel, chamber: Chamber, faults: list[Fault]) -> PitchReading:
    name, _, value = text.rpartition("=")
    opened: dict[str, float] = {}
    try:
        name, opened = fingering_of(name.strip(), chamber)
    except InputError as error:
        faults += [Fault.of("heard", text, fault.allowed) for fault in error.faults if isinstance(fault, Fault)]
    hz = _hertz(value, vessel)
    if hz is None or not LOWEST_HZ / 2 <= hz <= HIGHEST_HZ:
        allowed = f"Hz from {LOWEST_HZ / 2:g} to {HIGHEST_HZ:g}, or what a tuner shows, such as Bb4+12"
        faults.append(Fault.of("heard", value, allowed, key=name))
    return PitchReading(name, opened, hz or 1.0)


def fingering_of(text: str, chamber: Chamber) -> tuple[str, dict[str, float]]:
    """A note of the design by its pitch, or holes with how open they are: `E5`, `1+3:0.5`, `closed`."""
    try:
        wanted = note(text)
        same = [n for n in chamber.notes if note(n.pitch) == wanted]
    except NoteNameError:
        same = []
    if len(same) == 1:
        return same[0].pitch, dict.fromkeys(same[0].open, 1.0)
    if len(same) > 1:
        allowed = f"holes in place of a note that the design has {len(same)} times, such as {'+'.join(same[0].open)}"
        raise InputError([Fault("", "", text, allowed)])
    if text == CLOSED:
        return text, {}
    holes = {hole.name for hole in chamber.holes}
    opened: dict[str, float] = {}
    for part in text.split("+"):
        hole, _, share = part.strip().partition(":")
        open_share = _number(share) if share else 1.0
        if hole not in holes or open_share is None or not 0 < open_share <= 1:
            notes = ", ".join(n.pitch for n in chamber.notes) or "no notes"
            allowed = (
                f"NOTE=HZ with a note of the design ({notes}), closed, or open holes ({', '.join(sorted(holes))}) with "
                "how open they are, such as 1+2:0.5=530"
            )
            raise InputError([Fault("", "", text, allowed)])
        opened[hole] = open_share
    return text, opened


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if np.isfinite(value) else None


def _hertz(text: str, vessel: Vessel) -> float | None:
    """A frequency as written: Hz, or a note and cents as a tuner shows them."""
    plain = _number(text.strip().removesuffix("Hz").strip())
    if plain is not None:
        return plain
    shown = _ON_TUNER.fullmatch(text.strip())
    if not shown:
        return None
    pitch = note(shown[1][0].upper() + shown[1][1:])
    return float(vessel.scale.a4_hz * 2 ** ((pitch.key - note("A4").key) / 12 + float(shown[2] or 0) / 1200))


# --- recordings ---


def _opened(text: str, chamber: Chamber) -> tuple[list[str], str, tuple[RecordedTone, ...]]:
    """The names given to a recording's notes, one a tone or none at all; where it lies; the tones in it."""
    names, path = _names_and_path(text, chamber)
    found = tones(path)
    if len(names) == 1:
        names *= len(found)  # one note, blown several times
    if names and len(names) != len(found):
        allowed = f"as many notes as names: {len(names)} named, {len(found)} found ({_told(found)})"
        raise InputError([Fault.of("records", None, allowed, file=path)])
    return names, path, found


def _recorded(
    names: list[str],
    path: str,
    found: Sequence[RecordedTone],
    chamber: Chamber,
    piece: Workpiece,
    belief: Belief,
    cut: set[str],
) -> list[PitchReading]:
    """The notes of a recording, by their names if they are given, else each the one that it comes nearest to."""
    names = names or [_nearest(tone, path, chamber, piece, belief, cut) for tone in found]
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


def _nearest(tone: RecordedTone, path: str, chamber: Chamber, piece: Workpiece, belief: Belief, cut: set[str]) -> str:
    """The playable note whose expected reading is nearest to a tone; InputError where none, or more than one, is."""
    ready = {hole for hole, cuts in zip(piece.holes, piece.cuts, strict=True) if cuts} | cut | set(piece.asked)
    playable = [n for n, each in enumerate(chamber.notes) if set(each.open) <= ready]
    if not playable:
        allowed = "the note's name before it: no note of the design can be played with the holes that are cut"
        raise InputError([Fault.of("records", None, f"{allowed}, such as closed={path}", file=path)])
    told = piece.told_mm.copy()
    for hole, asked in piece.asked.items():
        told[piece.holes.index(hole)] = asked.to_mm / piece.size
    expected, sd = readings_now(belief, piece.openness[playable], told)
    off = np.array([cents(tone.hz, hz) for hz in expected])
    near = np.argsort(np.abs(off))
    best = int(near[0])
    name = chamber.notes[playable[best]].pitch
    at = f"{tone.hz:.1f} Hz at {tone.start:.1f} s"
    if abs(off[best]) > 80 + 3 * sd[best]:
        listed = ", ".join(f"{chamber.notes[playable[n]].pitch} {expected[n]:.0f}" for n in range(len(playable)))
        allowed = f"a note near one that can be played now, Hz: {listed}{_octave_words(off, chamber, playable)}"
        raise InputError([Fault.of("records", at, allowed, file=path)])
    if len(near) > 1 and abs(off[near[1]]) < 1.5 * abs(off[best]) + 5:
        other = chamber.notes[playable[int(near[1])]].pitch
        allowed = f"the note's name before the file, {name}={path} or {other}={path}: it may be either"
        raise InputError([Fault.of("records", at, allowed, file=path)])
    return name


def _octave_words(off: np.ndarray, chamber: Chamber, playable: Sequence[int]) -> str:
    for octaves in (1, -1, 2):
        near = np.flatnonzero(np.abs(off - 1200 * octaves) < _OCTAVE_CENTS)
        if len(near):
            name = chamber.notes[playable[int(near[0])]].pitch
            return f"; this is {name} {_octaves(octaves)}: {_why(octaves)}"
    return ""


def _octaves(octaves: int) -> str:
    count = {1: "an octave", 2: "two octaves"}[abs(octaves)]
    return f"{count} too {'high' if octaves > 0 else 'low'}"


def _why(octaves: int) -> str:
    return "blown too hard, or read in the wrong octave" if octaves > 0 else "read in the wrong octave"


def _told(found: Sequence[RecordedTone]) -> str:
    return ", ".join(f"{tone.hz:.0f} Hz at {tone.start:.1f} s" for tone in found)


# --- what nothing explains ---


def check_readings(belief: Belief, before: Workpiece) -> None:
    """InputError for a new reading that no calibration can explain, naming it and what would be believed.

    Each is held against what was believed without the new ones, then against all others: two new ones may disagree.
    """
    piece = belief.piece
    known = {blow.state: blow.count for blow in before.blown}
    fresh = np.array([known.get(blow.state, 0) < blow.count for blow in piece.blown], bool)
    if not fresh.any():
        return
    earlier = believed(belief.sight.model, replace(piece, blown=before.blown), belief.doubts)
    new = [blow for blow, is_new in zip(piece.blown, fresh, strict=True) if is_new]
    off, sd = foreseen(earlier, new)
    _raise_if_strange(new, off, sd, piece)
    _raise_if_strange(new, belief.alone_cents[fresh], belief.alone_sd[fresh], piece)


def _raise_if_strange(blown: Sequence[Measurement], off: np.ndarray, sd: np.ndarray, piece: Workpiece) -> None:
    score = np.where(np.abs(off) > STRANGE_CENTS, np.abs(off) / sd, 0.0)
    if score.max(initial=0.0) > STRANGE_SD:
        worst = int(score.argmax())
        raise InputError([_unexplained(blown[worst], float(off[worst]), float(sd[worst]), piece)])


def _unexplained(blow: Measurement, off: float, sd: float, piece: Workpiece) -> Fault:
    hz = 2 ** (blow.cents / 1200) * piece.air_ratio
    low, high = (hz / 2 ** ((off + side * STRANGE_SD * sd) / 1200) for side in (1, -1))
    hint = ""
    for octaves in (1, -1):
        if abs(off - 1200 * octaves) < _OCTAVE_CENTS + sd:
            hint = f"; it is about {_octaves(octaves)}: {_why(octaves)}"
    holes = [h for h, share in zip(piece.holes, blow.openness, strict=True) if share]
    also = f", the diameter told for hole {', '.join(holes)}" if holes else ""
    allowed = (
        f"{low:.1f} to {high:.1f} Hz by all that is known else; no window, wall or shrinkage explains {off:+.0f} cents"
        f"{hint}. Blow it again; wrong may be this reading{also}, or an earlier one (`undo`). The log is as it was"
    )
    return Fault.of("heard", round(hz, 1), allowed, key=blow.note)
