"""State of a piece by its log: the size of each hole, and the pitches measured in each state of the piece."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from simkit.air import Air
from simkit.body import Made, MadeSlopes
from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.making.bench.log import Asked, BarRead, Callipered, Entry, Filled, HoleCut, NoteRead, Voiced, Water
from simkit.making.readings import air_ratio, at_temperature
from simkit.making.shrinkage import MOST, Bar, Shrinkage, Stage, shrinkage_of
from simkit.vessel import Chamber, Vessel, target_of

ORDER = tuple(Stage)  # clay passes the stages in this order and never goes back


class BenchModel(Protocol):
    """Interface of a resonator model for the bench: the chamber's lowest resonance in any state of its making."""

    @property
    def holes(self) -> tuple[str, ...]:
        """Names of the holes, in the order of the design file."""

    @property
    def air(self) -> Air:
        """The air that the answers are for."""

    @property
    def designed(self) -> Made:
        """The one piece that is as the design says."""

    @property
    def volume(self) -> float:
        """The chamber's air in the fired piece as designed, m^3."""

    def lowest(self, pieces: Made, openness: np.ndarray) -> np.ndarray:
        """Complex omega (m,) of pieces (m) with fingers as `openness` (m, holes) says."""

    def sloped(self, pieces: Made, openness: np.ndarray) -> tuple[np.ndarray, MadeSlopes]:
        """Result of `lowest`, and its derivatives by the sizes."""


@dataclass(frozen=True)
class Cutting:
    """One hole so far: its reported diameter, counted as fired, mm; how many cuts; whether its size was reported.

    first: how many of the cuts were filled up again. A hole that was open in a note, but of which no cut was reported,
    is taken to be as designed.
    """

    mm: float = 0.0
    cuts: int = 0
    reported: bool = True
    first: int = 0

    @property
    def cuts_since_filled(self) -> int:
        """Number of cuts that have made the hole as it is now."""
        return self.cuts - self.first


@dataclass(frozen=True)
class Measurement:
    """A note in one state of the piece: openness and cutting of every hole, the stage, and what was read on average.

    cents: above 1 Hz, in the design's air; doubt_cents: of one reading; count: how many were averaged; windows: how
    often the window had been changed by then.
    """

    note: str
    openness: tuple[float, ...]
    cutting: tuple[Cutting, ...]
    stage: Stage
    cents: float
    doubt_cents: float
    count: int = 1
    windows: int = 0

    @property
    def state(self) -> tuple[object, ...]:
        """Two readings with the same state are averaged."""
        return self.openness, self.cutting, self.stage, self.windows  # all that decides what it sounds


@frozen
class Workpiece:
    """A piece on the bench: its design's notes, all that was done to it, and all that was measured.

    openness (f, holes), targets (f,) Hz: of the design's notes. water: what was
    weighed, ml, and at which stage; walls: by how much it is thicker than designed, counted as fired, mm.
    """

    holes: tuple[str, ...]
    notes: tuple[str, ...]
    openness: np.ndarray
    targets: np.ndarray
    shrinkage: Shrinkage
    stage: Stage
    temperature_c: float
    air_ratio: float
    cutting: tuple[Cutting, ...]
    blown: tuple[Measurement, ...] = ()
    water: tuple[tuple[float, Stage], ...] = ()
    walls: tuple[float, ...] = ()
    asked: Mapping[str, Asked] = field(default_factory=dict)
    windows: int = 0
    temperature_given: bool = False

    @staticmethod
    def of(
        vessel: Vessel,
        chamber: Chamber,
        entries: Iterable[Entry],
        stage: Stage | None = None,
        temperature_c: float | None = None,
    ) -> Workpiece:
        """The piece by a log's entries; stage and temperature are today's, else those of the last entry."""
        entries = list(entries)
        # Clay only dries: the latest stage of any report, leather-hard if there is none. A bar is no state of the
        # piece.
        last = max((ORDER.index(e.stage) for e in entries if not isinstance(e, BarRead)), default=1)
        readings = [entry for entry in entries if isinstance(entry, NoteRead)]
        today = readings[-1].temperature_c if readings and temperature_c is None else temperature_c
        today = vessel.air.temperature_c if today is None else today
        start = Workpiece(  # nothing done yet; what the log tells is then done to it in order
            tuple(hole.name for hole in chamber.holes),
            tuple(note.pitch for note in chamber.notes),
            np.array([[float(h.name in note.open) for h in chamber.holes] for note in chamber.notes]),
            np.array([target_of(vessel, note) for note in chamber.notes]),
            _shrinkage(vessel, entries),
            stage or ORDER[last],
            today,
            _ratio(vessel, today),
            (Cutting(),) * len(chamber.holes),
            temperature_given=any(entry.temperature_c != vessel.air.temperature_c for entry in readings),
        )
        return start.after(vessel, chamber, entries)

    def after(self, vessel: Vessel, chamber: Chamber, entries: Sequence[Entry]) -> Workpiece:
        """The piece after more was done."""
        piece = self
        for entry in entries:
            piece = piece._with(entry, vessel, chamber)
        return piece

    def _with(self, entry: Entry, vessel: Vessel, chamber: Chamber) -> Workpiece:
        size = self.shrinkage.size(entry.stage)
        match entry:
            case HoleCut():
                old = self.cutting[self.holes.index(entry.hole)]
                return self._changed(entry.hole, replace(old, mm=entry.mm / size, cuts=old.cuts + 1))
            case Filled():
                count = self.cutting[self.holes.index(entry.hole)].cuts
                # Its old cuts stay numbered, for the notes read before.
                return self._changed(entry.hole, Cutting(0.0, count, first=count))
            case Voiced():
                return replace(self, windows=self.windows + 1)
            case Asked():
                return replace(self, asked={**self.asked, entry.hole: entry})
            case NoteRead():
                return self._blown(entry, vessel, chamber)
            case Water():
                return replace(self, water=(*self.water, (entry.ml, entry.stage)))
            case Callipered():
                return replace(self, walls=(*self.walls, entry.mm / size - vessel.clay.wall_mm))  # counted as fired
        return self  # a bar is in `shrinkage` already

    def _changed(self, hole: str, cutting: Cutting) -> Workpiece:
        """The piece with one hole as it is now, and no cut of it asked for."""
        n = self.holes.index(hole)
        asked = {name: waiting for name, waiting in self.asked.items() if name != hole}
        return replace(self, cutting=(*self.cutting[:n], cutting, *self.cutting[n + 1 :]), asked=asked)

    def _blown(self, entry: NoteRead, vessel: Vessel, chamber: Chamber) -> Workpiece:
        openness = tuple(entry.open.get(hole, 0.0) for hole in self.holes)
        cutting = list(self.cutting)
        for n, share in enumerate(openness):
            # Open in a note, so it must have been cut.
            if share and not cutting[n].cuts_since_filled:
                count = cutting[n].cuts
                cutting[n] = Cutting(chamber.holes[n].diameter_mm, count + 1, reported=False, first=count)
        # Above 1 Hz; divided by the ratio of sound speeds, as if read in the design's air.
        cents = float(1200 * np.log2(entry.hz / _ratio(vessel, entry.temperature_c)))
        new = Measurement(
            entry.note, openness, tuple(cutting), entry.stage, cents, entry.doubt_cents, windows=self.windows
        )
        # what was taken as cut stays so for later notes
        return replace(self, cutting=tuple(cutting), blown=_averaged(self.blown, new))

    @property
    def size(self) -> float:
        """A length now over the same length fired."""
        return self.shrinkage.size(self.stage)

    @property
    def reported_mm(self) -> np.ndarray:
        """Reported diameters, counted as fired, mm: (holes,), 0 where not cut."""
        return np.array([hole.mm for hole in self.cutting])

    @property
    def cuts(self) -> np.ndarray:
        """Number of cuts that have made each hole as it is: (holes,); 0 where there is none."""
        return np.array([hole.cuts_since_filled for hole in self.cutting], int)


def _ratio(vessel: Vessel, temperature_c: float) -> float:
    if temperature_c == vessel.air.temperature_c:
        return 1.0
    return air_ratio(vessel.air, at_temperature(vessel, temperature_c))


def _shrinkage(vessel: Vessel, entries: Iterable[Entry]) -> Shrinkage:
    bars = [entry.text for entry in entries if isinstance(entry, BarRead)]
    if not bars and vessel.clay.shrinkage_percent is None:
        allowed = f"a number from 0 to {100 * MOST:g}, or `bar`: the bench must know what the clay still shrinks"
        raise InputError([Fault(vessel.source, "clay.shrinkage_percent", None, allowed)])
    return Bar.read(bars[-1]).shrinkage() if bars else shrinkage_of(vessel)


def _averaged(blown: tuple[Measurement, ...], new: Measurement) -> tuple[Measurement, ...]:
    """The readings with one more; averaged with an earlier one of the same state."""
    for n, old in enumerate(blown):
        if old.state == new.state:
            count = old.count + 1
            cents = old.cents + (new.cents - old.cents) / count  # running mean
            # Root mean square: of one reading, not of the mean.
            doubt = float(np.hypot(old.doubt_cents * np.sqrt(old.count), new.doubt_cents) / np.sqrt(count))
            mean = replace(old, cents=cents, count=count, doubt_cents=doubt)
            return (*blown[:n], mean, *blown[n + 1 :])
    return (*blown, new)
