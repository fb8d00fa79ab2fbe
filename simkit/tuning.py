"""The tuning bench from end to end: read the log and what was measured, estimate, choose the next cut, write the log.

The mathematics is in `simkit.making.bench`; here it gets the port model of the chamber as made.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from simkit.air import Air
from simkit.errors import Fault, InputError, OutOfReach
from simkit.files import check_place
from simkit.making.bench import log as logs
from simkit.making.bench.aim import BenchAim, NextCut, aimed, next_cut, plan
from simkit.making.bench.estimate import Estimate, calibration, estimated
from simkit.making.bench.intake import BenchInput, checked_input, new_entries
from simkit.making.bench.log import Asked, Entry
from simkit.making.bench.notes import NoteNow, notes_now
from simkit.making.bench.outliers import check_readings
from simkit.making.bench.piece import Workpiece
from simkit.making.bench.predicted import uncut_cents
from simkit.making.bench.rescue import Overcut, overcut_holes, ways_out
from simkit.making.bench.state import Doubts
from simkit.making.drills import Drill, Reamer
from simkit.making.readings import StageReading, readings
from simkit.making.shrinkage import Shrinkage, Stage, shrinkage_of
from simkit.optimisation.problem.bounds import group, widest_hole_mm
from simkit.optimisation.problem.perturbations import aperture_beside
from simkit.sound import models
from simkit.sound.models.as_made import AsMade
from simkit.sound.models.playing import checked_state
from simkit.sound.models.resonator import Case
from simkit.vessel import Chamber, Vessel, tuning_of


@dataclass(frozen=True)
class Tuned:
    """The bench's answer: the state estimate, the note table, the next cut, and cautions."""

    vessel: Vessel
    chamber: Chamber
    air: Air
    estimate: Estimate
    aim: BenchAim
    cut: NextCut | None
    cautions: tuple[str, ...]
    log: Path | None
    taken: tuple[str, ...] = ()

    def __repr__(self) -> str:
        ahead = f"next hole {self.cut.hole} to {self.cut.to_mm:.2f} mm" if self.cut else "no cut left"
        return f"Tuned({self.chamber.name!r}, {self.piece.stage.value}, {ahead})"

    @property
    def piece(self) -> Workpiece:
        """The piece on the bench."""
        return self.estimate.piece

    @cached_property
    def notes(self) -> tuple[NoteNow, ...]:
        """The design's notes now."""
        return notes_now(self.aim)

    @cached_property
    def first(self) -> tuple[str, StageReading] | None:
        """The covered note and what it must read now, as long as no hole is cut; None where no note covers all."""
        piece = self.piece
        shut = np.flatnonzero(~piece.openness.any(axis=1))  # notes with every hole covered
        if not len(shut) or not piece.holes:
            return None
        uncut = uncut_cents(self.estimate.measurement.model, piece.shrinkage)
        target = float(piece.targets[shut[0]])
        tuning, ratio = tuning_of(self.vessel), piece.air_ratio
        read = readings(target, piece.shrinkage, tuning, air_ratio=ratio, higher_cents=uncut)
        return piece.notes[shut[0]], next(each for each in read if each.stage is piece.stage)

    @cached_property
    def past(self) -> tuple[Overcut, ...]:
        """Holes that were cut past their marks."""
        return overcut_holes(self.aim)

    @cached_property
    def ways(self) -> tuple[str, ...]:
        """Remedies for holes past their marks, in sentences."""
        return ways_out(self.aim, tuning_of(self.vessel))

    @property
    def volume_ml(self) -> float:
        """The chamber's air when fired, as estimated."""
        grown = float(np.exp(self.estimate.of("volume")[0]))  # the state has its logarithm
        return 1e6 * self.estimate.measurement.model.volume * grown

    @property
    def plan(self) -> list[tuple[str, float, float]]:
        """Holes still to be cut: name, diameter now, mark, mm of the clay as it is."""
        return plan(self.aim)

    def as_dict(self) -> dict[str, Any]:
        """The answer as the command line's JSON has it."""
        return {
            "state": "played",  # all that was heard is told as of that, `still` readings too
            "air": {"sound_speed_m_s": self.air.sound_speed, "density_kg_m3": self.air.density},
            "chambers": [
                {
                    "name": self.chamber.name,
                    "volume_ml": self.volume_ml,
                    "stage": self.piece.stage.value,
                    "temperature_c": self.piece.temperature_c,
                    "pitch_cents": self.aim.pitch_cents,
                    "first_blow": None
                    if self.first is None
                    else {"pitch": self.first[0], "frequency_hz": self.first[1].frequency_hz},
                    "cuts": [self.cut.as_dict()] if self.cut else [],
                    "plan": [{"hole": h, "from_mm": now, "mark_mm": mark} for h, now, mark in self.plan],
                    "notes": [each.as_dict() for each in self.notes],
                    "calibration": [
                        {"what": name, "off": mean, "uncertainty": sd} for name, mean, sd in calibration(self.estimate)
                    ],
                    "past": [
                        {"hole": p.hole, "note": p.note, "by_mm": p.by_mm, "by_cents": p.by_cents} for p in self.past
                    ],
                    "ways_out": list(self.ways),
                    "taken": list(self.taken),
                }
            ],
            "cautions": list(self.cautions),
        }


def tune(
    vessel: Vessel,
    *,
    log: str | Path | None = None,
    chamber: str | None = None,
    stage: Stage | None = None,
    temperature_c: float | None = None,
    heard: Iterable[str] = (),
    cut: Iterable[str] = (),
    records: Iterable[str] = (),
    volume_ml: float | None = None,
    wall_mm: float | None = None,
    bar: str | None = None,
    filled: Iterable[str] = (),
    window_changed: bool = False,
    sure: bool = False,
    reamer: Reamer | None = None,
    drills: Sequence[Drill] = (),
    own_pitch: bool = True,
    undo: bool = False,
    state: str = "played",
    doubts: Doubts | None = None,
) -> Tuned:
    """Find the next cut from what was measured; with `log` all of it is kept there, and earlier entries count too.

    heard: `C5=468.2`, or holes and how open they are in place of the name, `1+2:0.5=530`. cut: `1=4.6`, mm as
    measured. records: WAV files, the notes' names before them if they cannot be told apart, `C5,D5=take.wav`.
    filled: holes that were filled up again. window_changed: it was cut or filled, and is to be estimated anew.
    sure: cuts are as reported, however unlikely.
    state: how today's notes were read: "played", or "still", of the piece by itself (a loudspeaker at its window).
    own_pitch: make the notes match each other at the pitch that the covered piece has; else the written pitch.
    """
    part = _chamber(vessel, chamber)
    path = None if log is None else Path(log)
    kept, lines = _opened(vessel, path, part, undo)
    bench_state = checked_state(state)
    (case,) = (c for c in models.cases(vessel, state="played") if c.chamber.name == part.name)
    # A bar read today counts for all earlier entries too.
    read = [logs.BarRead(step=1, chamber=part.name, stage=Stage.WET, text=bar)] if bar is not None else []
    kept_entries = as_played(case, kept.of(part.name))
    # As it was before today's entries: these are checked against what the bench then expected.
    before = Workpiece.of(vessel, part, (*kept_entries, *read), stage, temperature_c)
    texts = tuple(heard), tuple(cut), tuple(records)
    is_still = bench_state == "still"
    given = BenchInput(*texts, volume_ml, wall_mm, bar, tuple(filled), window_changed, sure, is_still)
    what = checked_input(given, vessel, part, before, 1e6 * case.chamber.volume)
    model = AsMade.of(case, aperture_beside)
    step = kept.last_step + 1
    new, taken = new_entries(what, part, before, estimated(model, before, doubts), step)
    piece = Workpiece.of(vessel, part, (*kept_entries, *as_played(case, new)), stage, temperature_c)
    estimate = estimated(model, piece, doubts)
    check_readings(estimate, before)
    aim = aimed(estimate, own_pitch)
    following = next_cut(aim, drills)
    if following and reamer:
        following = following.reamed(reamer, _wall_mm(estimate, following.hole))
    if path is not None:
        logs.add(path, [*lines, *new, *_asked_cut(following, piece, part, step)])
    cautions = (*vessel.cautions, *kept.cautions, *_assumed_air(piece, temperature_c), *_too_wide(vessel, aim))
    return Tuned(vessel, part, case.airs.room, estimate, aim, following, cautions, path, taken)


def before_holes(vessel: Vessel, shrinkage: Shrinkage | None = None) -> dict[str, dict[Stage, float]]:
    """For each chamber that is blown and has holes: how much higher its covered note reads at each stage while none of
    them is cut, cents. A chamber that the model cannot answer for is left out."""
    shrinkage = shrinkage or shrinkage_of(vessel)
    found = {}
    for case in models.cases(vessel, state="played"):
        chamber = vessel.chamber(case.chamber.name)
        if chamber.voicing and chamber.holes and any(not note.open for note in chamber.notes):
            try:
                found[chamber.name] = uncut_cents(AsMade.as_designed(case), shrinkage)
            except OutOfReach:
                continue
    return found


def still_over_played(vessel: Vessel) -> dict[str, tuple[float, ...]]:
    """For each chamber, by what factor each of its notes is another by itself than played, as designed: how a reading
    with a loudspeaker at the window compares with one that is blown."""
    played = zip(vessel.chambers, models.cases(vessel, state="played"), strict=True)
    return {c.name: tuple(1 / models.played_over_still(case, note.open) for note in c.notes) for c, case in played}


def _opened(vessel: Vessel, path: Path | None, part: Chamber, undo: bool) -> tuple[logs.Log, list[Entry]]:
    """The log, on request with its last step withdrawn, and the line that will record that."""
    if path is None:
        return logs.Log(), []
    check_place(path, "log")
    kept = logs.read(path)
    logs.check_fits(kept, vessel, path)
    undone = logs.undoing(kept, part.name) if undo else None
    if undo and undone is None:
        raise InputError([Fault.of("undo", None, "a log with a step to withdraw", file=str(path))])
    lines: list[Entry] = [undone] if undone else []
    return kept.with_entries(lines), lines


def as_played(case: Case, entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """The log's entries, notes that were read of the piece by itself raised to what they are when played.

    By what playing moves the same fingering of the chamber as designed.
    """

    def raised(entry: Entry) -> Entry:
        if not isinstance(entry, logs.NoteRead) or not entry.still:
            return entry
        return entry.model_copy(update={"hz": entry.hz * models.played_over_still(case, entry.open)})

    return tuple(raised(entry) for entry in entries)


def _chamber(vessel: Vessel, name: str | None) -> Chamber:
    """The chamber on the bench: the one of that name, or the only one that is blown."""
    blown = [chamber for chamber in vessel.chambers if chamber.voicing]
    names = ", ".join(chamber.name for chamber in blown)
    found = blown if name is None and len(blown) == 1 else [chamber for chamber in blown if chamber.name == name]
    if found and not found[0].notes:
        key = f"{found[0].name}.note"
        raise InputError([Fault(vessel.source, key, None, "at least one [[chamber.note]]: what the bench tunes to")])
    if found:
        return found[0]
    allowed = f"one of {names}" if blown else "a design with a [chamber.voicing]: nothing can be blown here"
    fault = Fault(vessel.source, "chamber", None, allowed) if name is None else Fault.of("chamber", name, allowed)
    raise InputError([fault])


def _assumed_air(piece: Workpiece, temperature_c: float | None) -> list[str]:
    """A caution where no air temperature was given and pitches depend on it."""
    if temperature_c is not None or piece.temperature_given or not piece.blown:
        return []
    return [f"the air is taken to be at {piece.temperature_c:g} °C, as designed: a degree is 3 cents (`temperature_c`)"]


def _too_wide(vessel: Vessel, aim: BenchAim) -> list[str]:
    """Holes that would have to be wider than a finger seals."""
    widest = widest_hole_mm(vessel)
    holes, designed = aim.estimate.piece.holes, 1e3 * aim.estimate.measurement.model.designed.diameters[0]
    return [
        f"hole {hole} would have to be {mark:.1f} mm wide when fired: more than the {widest:.1f} mm that a finger seals"
        for hole, mark, planned in zip(holes, aim.marks_mm, designed, strict=True)
        if mark > max(widest, planned) + 0.05  # what the design asks for itself is no surprise
    ]


def _asked_cut(cut: NextCut | None, piece: Workpiece, part: Chamber, step: int) -> list[Entry]:
    """The next cut as a line of the log, unless the log has it already."""
    if cut is None:
        return []
    old = piece.asked.get(cut.hole)
    if old is not None and abs(old.to_mm - cut.to_mm) < 0.005:  # the same but for rounding
        return []
    now, to = round(cut.from_mm, 3), round(cut.to_mm, 3)
    frame: dict[str, Any] = {"step": step, "chamber": part.name, "stage": piece.stage}
    return [Asked(**frame, hole=cut.hole, note=cut.note, from_mm=now, to_mm=to)]


def _wall_mm(estimate: Estimate, hole: str) -> float:
    """Estimated thickness of the wall at a hole, mm of the clay as it is."""
    n = estimate.piece.holes.index(hole)
    designed = 1e3 * estimate.measurement.model.designed.walls[0, n + 1]  # the window's wall stands first
    # Size: fired mm to mm of the clay as it is.
    return float((designed + estimate.of("wall")[0] + estimate.of(f"hole {hole} wall")[0]) * estimate.piece.size)


def as_benched(vessel: Vessel, log: str | Path) -> tuple[Vessel, tuple[str, ...]]:
    """The design as made, by the log, and cautions; the file is not changed.

    Holes that are cut take their estimated diameters, holes that are not stay as designed; walls, window and the
    chamber's size are the estimates. All are counted as fired.
    """
    path = Path(log)
    if not path.exists():
        raise InputError([Fault.of("log", None, "a log that `simkit tune` has written", file=str(path))])
    kept = logs.read(path)
    logs.check_fits(kept, vessel, path)
    cautions = list(kept.cautions)
    values: dict[str, float] = {}
    for case in models.cases(vessel, state="played"):
        name = case.chamber.name
        entries = as_played(case, kept.of(name))
        if entries:
            estimate = estimated(AsMade.of(case, aperture_beside), Workpiece.of(vessel, vessel.chamber(name), entries))
            values |= _values(vessel, name, estimate)
            waiting = [hole for hole, cuts in zip(estimate.piece.holes, estimate.piece.cuts, strict=True) if not cuts]
            cautions += [f"not cut yet, and taken as designed: hole {', '.join(waiting)}"] if waiting else []
    return vessel.with_values(values), tuple(cautions)


def _values(vessel: Vessel, name: str, estimate: Estimate) -> dict[str, float]:
    piece = estimate.piece
    designed = estimate.measurement.model.designed
    wall, _ = estimate.of("wall")
    grown = float(np.exp(estimate.of("volume")[0] / 3))  # a length's share of the volume's
    values = {key: value for size in group(vessel, "size", name) for key, value in size.values(grown).items()}
    values[f"{name}.voicing.cut_up_mm"] = 1e3 * designed.cut_up[0] + estimate.cut_up_mm[0]
    values[f"{name}.voicing.wall_mm"] = 1e3 * designed.walls[0, 0] + wall
    for n, hole in enumerate(piece.holes):
        mm = estimate.diameters_mm[n] if piece.cuts[n] else 1e3 * designed.diameters[0, n]
        values[f"{name}.hole.{hole}.diameter_mm"] = float(mm)
        values[f"{name}.hole.{hole}.wall_mm"] = float(
            1e3 * designed.walls[0, n + 1] + wall + estimate.of(f"hole {hole} wall")[0]
        )
    return values
