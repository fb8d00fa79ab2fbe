"""Charts: the pitch of every combination of holes, and the combinations that serve for a note."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.air import Air
from simkit.columns import cell, column, finite, text_table
from simkit.errors import Fault, InputError
from simkit.pitch import Pitch
from simkit.sound import models
from simkit.sound.answers.over_chambers import Joined, OverChambers, PerRow
from simkit.sound.catalogue import with_ability
from simkit.sound.models.resonator import Resonance
from simkit.vessel import Vessel, tuning_of

MOST_HOLES = 16
HALF = 0.5


@dataclass(frozen=True)
class Fingered:
    """One combination: share of each hole that is open, the lowest resonance, and the nearest note with its cents.

    wanted: the pitch of the design's own note for this combination, "" where there is none.
    """

    openness: tuple[float, ...]
    frequency_hz: float
    q: float | None
    nearest: Pitch
    cents: float
    wanted: str = ""


@dataclass(frozen=True)
class ChartedChamber:
    """One chamber's combinations, ascending in pitch."""

    name: str
    volume: float
    holes: tuple[str, ...]
    fingerings: tuple[Fingered, ...]

    @property
    def openness(self) -> np.ndarray:
        """Share of each hole that is open (fingerings, holes)."""
        return np.array([each.openness for each in self.fingerings]).reshape(len(self.fingerings), len(self.holes))

    frequencies_hz = PerRow(
        "fingerings.frequency_hz", "Lowest resonance of each combination (fingerings,), Hz, ascending."
    )
    cents = PerRow("fingerings.cents", "Deviation of each combination from the nearest note, cents (fingerings,).")

    @property
    def q(self) -> np.ndarray:
        """Linear Q of each combination (fingerings,): inf where nothing is lost."""
        return column(math.inf if each.q is None else each.q for each in self.fingerings)

    def __repr__(self) -> str:
        return f"ChartedChamber({self.name!r}, {len(self.fingerings)} fingerings)"

    def __str__(self) -> str:
        rows = (
            (
                " ".join(self.open_holes(f)) or "covered",
                cell(f.frequency_hz),
                str(f.nearest),
                cell(f.cents),
                cell(f.q, 0),
            )
            for f in self.fingerings
        )
        return text_table(("open", "Hz", "nearest", "cents", "Q"), rows)

    def open_holes(self, fingered: Fingered) -> list[str]:
        """Names of the holes that are open; a half-covered one with a half sign."""
        shown = {1.0: "", HALF: "½"}
        return [name + shown[x] for name, x in zip(self.holes, fingered.openness, strict=True) if x]

    def alternates(self, fingered: Fingered, within_cents: float = 15.0) -> tuple[Fingered, ...]:
        """Other combinations that play the same note to `within_cents` of it, the best first."""
        # Of another octave or name it would be another note, however near its cents.
        same = [
            other
            for other in self.fingerings
            if other is not fingered and other.nearest == fingered.nearest and abs(other.cents) <= within_cents
        ]
        return tuple(sorted(same, key=lambda other: abs(other.cents)))

    def as_dict(self) -> dict[str, Any]:
        """The chamber under the keys of the command line's JSON."""
        rows = [
            {"open": self.open_holes(f), "frequency_hz": f.frequency_hz, "q": f.q, "cents": f.cents,
             "nearest": str(f.nearest)}
            for f in self.fingerings
        ]  # fmt: skip
        return {"name": self.name, "volume_ml": 1e6 * self.volume, "fingerings": rows}


@dataclass(frozen=True)
class Chart(OverChambers):
    """The note of every fingering of a vessel, by one model."""

    model: str
    state: str
    air: Air
    chambers: tuple[ChartedChamber, ...]
    cautions: tuple[str, ...] = ()

    frequencies_hz = Joined(ChartedChamber.frequencies_hz)
    cents = Joined(ChartedChamber.cents)
    q = Joined(ChartedChamber.q)

    def __repr__(self) -> str:
        return f"Chart(by {self.model}, {len(self.frequencies_hz)} fingerings)"


def chart(
    vessel: Vessel, model: str = "ports", *, lossless: bool = False, state: str = "played", half: bool = False
) -> Chart:
    """The lowest resonance of every combination of holes; with `half`, of one half-covered hole each as well.

    state: "played" or "still", as of `predict`.
    """
    name = with_ability(model, "quick")
    cases = models.cases(vessel, lossless=lossless, state=state)
    chambers, cautions = [], list(vessel.cautions)
    for case in cases:
        chamber = vessel.chamber(case.chamber.name)
        if len(chamber.holes) > MOST_HOLES:
            raise InputError(
                [Fault(vessel.source, f"{chamber.name}.hole", len(chamber.holes), f"{MOST_HOLES} at most")]
            )
        resonator = models.resonator(name, case)
        openness = combinations(len(resonator.holes), half)
        cautions += [*models.left_out(name, case), *resonator.evidence(resonator.holes).cautions]
        wanted = {tuple(float(h in n.open) for h in resonator.holes): n.pitch for n in chamber.notes}
        rows = _rows(vessel, openness, resonator.lowest(openness), wanted)
        chambers.append(ChartedChamber(chamber.name, case.chamber.volume, resonator.holes, rows))
    return Chart(name, state, cases[0].airs.room, tuple(chambers), tuple(dict.fromkeys(cautions)))


def combinations(holes: int, half: bool = False) -> np.ndarray:
    """All fingerings (f, holes) of 0 and 1; with `half` also each with one open hole half covered.

    >>> len(combinations(3)), len(combinations(3, half=True))
    (8, 20)
    """
    whole = np.array(list(itertools.product([0.0, 1.0], repeat=holes))).reshape(2**holes, holes)  # of none: (1, 0)
    if not half:
        return whole
    halved = []
    for row in whole:
        for i in np.flatnonzero(row):
            other = row.copy()
            other[i] = HALF
            halved.append(other)
    return np.concatenate([whole, np.array(halved).reshape(len(halved), holes)])


def _rows(
    vessel: Vessel, openness: np.ndarray, omega: np.ndarray, wanted: dict[tuple[float, ...], str]
) -> tuple[Fingered, ...]:
    tuning = tuning_of(vessel)
    rows = []
    for shares, w in sorted(zip(openness, omega, strict=True), key=lambda pair: pair[1].real):
        if w == 0:  # nothing is open
            continue
        ring, state = Resonance(complex(w)), tuple(float(s) for s in shares)
        nearest, cents = tuning.nearest(ring.frequency_hz)  # in the design's own temperament and pitch
        rows.append(Fingered(state, ring.frequency_hz, finite(ring.q), nearest, cents, wanted.get(state, "")))
    return tuple(rows)
