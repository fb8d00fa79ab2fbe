"""Outcome of an optimisation: the new design, before and after, what moved, what stands in the way, the evidence."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.columns import cell, text_table
from simkit.frozen import frozen
from simkit.optimisation.aims.handmade import HandError
from simkit.optimisation.problem.trial import Setting
from simkit.optimisation.unison import Pair, unisons
from simkit.sound.answers.prediction import PredictedNote, Prediction
from simkit.vessel import Vessel

# Half a width is f/(2 Q), and an e-fold 1200/ln 2 cents.
HALF_WIDTH = 600 / np.log(2)  # cents times Q: half of a resonance's width at half its power


@dataclass(frozen=True)
class ChangedNumber:
    """A number of the design that moved, and the bounds it had (None where it follows another).

    said: the number in words; by: how far, in `unit`: mm, along the wall for a place, % for a chamber's size;
    because: the notes and limits that asked for it, what counts most first.
    """

    key: str
    said: str
    before: float
    after: float
    low: float | None
    high: float | None
    by: float
    unit: str
    because: tuple[str, ...]


@dataclass(frozen=True)
class Active:
    """A limit or bound that the new design stands at, in words, and its cost.

    said: `what` as a person says it. price: fall of half the sum of squared residuals (cents^2) for each
    mm (or degree, or unit of a factor) that it gave way; 0 where it stands there but costs nothing.
    """

    what: str
    said: str
    rule: str
    price: float

    def __str__(self) -> str:
        return f"{self.said} ({self.rule})"


@dataclass(frozen=True)
class Started:
    """One start and where its own descent ended: worst note, cents; merit, cents^2; its steps, designs looked at."""

    start: str
    worst_cents: float
    merit: float
    steps: int
    looked_at: int


@dataclass(frozen=True)
class Judged:
    """A note of the new design by the port model and by the air meshed as a whole: cents off its target each."""

    chamber: str
    pitch: str
    ports_cents: float
    resolved_cents: float


@frozen
class ChamberSlopes:
    """Derivatives of a chamber's notes by each hole: cents per 0.1 mm of diameter, (notes, holes)."""

    chamber: str
    pitches: tuple[str, ...]
    holes: tuple[str, ...]
    per_tenth_mm: np.ndarray


@frozen
class SearchEvidence:
    """Evidence for the answer: what each aim measures and came to, every start, notes judged, what holes and hands do
    to the notes, seconds of this process, the seed of the random numbers.

    steps, looked_at: steps made and designs looked at by the whole search, from the first rough descent by ducts alone
    to the last tuning of what a file writes.
    """

    aims: Mapping[str, float]
    starts: tuple[Started, ...]
    judged: tuple[Judged, ...]
    slopes: tuple[ChamberSlopes, ...]
    hand: HandError
    seconds: float
    seed: int
    steps: int
    looked_at: int


@dataclass(frozen=True)
class Outcome:
    """The best design found; `reached` tells whether every note is within `tolerance_cents` and every limit holds.

    before is None where the start cannot be made of clay, and of a draft; start_breaks: what the start breaks, in
    sentences; broken: limits that the new design still breaks; active: what it stands at, the costliest first;
    interrupted: the search was cut short, and this is the best so far; pairs: notes in unison with a silent chamber, of
    which the mean of both is tuned and judged.
    """

    vessel: Vessel
    start: Vessel
    before: Prediction | None
    after: Prediction
    moved: tuple[ChangedNumber, ...]
    start_breaks: tuple[str, ...]
    broken: tuple[str, ...]
    active: tuple[Active, ...]
    tolerance_cents: float
    setting: Setting
    interrupted: bool
    evidence: SearchEvidence
    pairs: tuple[Pair, ...] = ()

    def __repr__(self) -> str:
        verdict = "reached" if self.reached else "not reached"
        return f"Outcome({verdict}, worst note {self.worst_cents:.2g} cents, {len(self.moved)} numbers moved)"

    def __str__(self) -> str:
        rows = ((m.said, cell(m.before, 2), cell(m.after, 2), f"{m.by:+.2f} {m.unit}") for m in self.moved)
        return "\n".join([self.verdict, str(self.after), text_table(("moved", "before", "after", "by"), rows)])

    @property
    def frequencies_hz(self) -> np.ndarray:
        """Frequency of each note of the new design (notes,), Hz, by ports."""
        return self.after.frequencies_hz

    @property
    def cents(self) -> np.ndarray:
        """Deviation of each note of the new design from its target, cents (notes,)."""
        return self.after.cents

    @property
    def off(self) -> tuple[tuple[str, PredictedNote], ...]:
        """The notes that are not within the tolerance, each with its chamber's name, the worst first."""
        found = [(name, note) for name, note in _notes(self.after) if self._off(name, note) > self.tolerance_cents]
        return tuple(sorted(found, key=lambda pair: -self._off(*pair)))  # a stable order: of equals the file's

    def _off(self, chamber: str, note: PredictedNote) -> float:
        """Deviation of a note, cents: of one of a pair the pair's mean, as long as the two run into one resonance."""
        mean = next((p.cents for p in self.pairs if (p.chamber, p.pitch) == (chamber, note.pitch)), None)
        cents, q = note.answer.cents, note.answer.q
        # Farther apart than half a width the two are heard as two, and the mean of both as none.
        if mean is None or cents is None or (q and abs(cents - mean) > HALF_WIDTH / q):
            return _away(note)
        return abs(mean)

    @property
    def reached(self) -> bool:
        """Whether all that was asked is met."""
        return not self.off and not self.broken

    @property
    def worst_cents(self) -> float:
        """Largest deviation of a note from its target, cents."""
        return max((self._off(*each) for each in _notes(self.after)), default=0.0)

    @property
    def unisons(self) -> tuple[str, ...]:
        """Notes that were tuned as pairs and do not read their pitch for it, in sentences."""
        known = {(pair.chamber, pair.pitch) for pair in self.pairs}
        # Only those that read something else: one of a pair may happen to be right by itself.
        both = [each for each in _notes(self.after) if (each[0], each[1].pitch) in known]
        return tuple(unisons(self.after, [each for each in both if _away(each[1]) > self.tolerance_cents], self.pairs))

    @property
    def verdict(self) -> str:
        """Verdict in a sentence, or a few lines where the scale was not reached: the notes, and what is in the way."""
        if self.reached:
            every = f"every note within {max(self.worst_cents, 0.01):.2g} cents of its target"
            return "\n".join([every, *self.unisons])
        several = len(self.after.chambers) > 1
        lines = [
            f"{name + ' ' if several else ''}{note.pitch} stays {self._off(name, note):.1f} cents "
            f"{'sharp' if (note.answer.cents or 0) > 0 else 'flat'}"
            for name, note in self.off[:6]  # enough to see a pattern; the rest is counted
        ]
        lines += [f"and {len(self.off) - 6} more notes"] if len(self.off) > 6 else []
        lines += [f"broken: {what}" for what in self.broken]
        pulled = unisons(self.after, self.off, self.pairs)
        lines += self._alike() + list(dict.fromkeys([*pulled, *self.unisons]))
        # What is stood at for nothing is in nobody's way.
        costly = [limit for limit in self.active if limit.price > 0][:4]
        lines += [f"in the way: {limit}" for limit in costly]
        if not costly and self.off and not self._alike() and not pulled:
            lines.append(
                "no limit stands in the way: what is free does not move these notes enough, or goes far for a tenth"
            )
        if self.off and all(self._off(name, note) < note.answer.uncertainty_cents for name, note in self.off):
            lines.append("all of it is less than the model itself may be wrong by")
        return "\n".join(lines)

    def _alike(self) -> list[str]:
        """Notes of unlike pitch that one fingering is to play, in sentences."""
        said = []
        for chamber in self.after.chambers:
            by_fingering: dict[tuple[str, ...], dict[float, str]] = {}
            for note in chamber.notes:
                if note.pitch and note.target_hz:
                    # By the holes and not by their order; two notes of one pitch are no contradiction.
                    by_fingering.setdefault(tuple(sorted(note.open)), {})[note.target_hz] = note.pitch
            for pitches in by_fingering.values():
                if len(pitches) > 1:
                    said.append(
                        f"{', '.join(pitches.values())} are fingered alike; `fingerings` chooses holes for each"
                    )
        return said

    def as_dict(self) -> dict[str, Any]:
        """The outcome under the keys of the command line's JSON."""
        air = self.after.air
        return {
            "state": self.after.state,
            "air": {"sound_speed_m_s": air.sound_speed, "density_kg_m3": air.density},
            "reached": self.reached,
            "verdict": self.verdict,
            "interrupted": self.interrupted,
            "chambers": [self._chamber(n) for n in range(len(self.after.chambers))],
            "start": list(self.start_breaks),
            "broken": list(self.broken),
            "pairs": [vars(pair) for pair in self.pairs],
            "active": [{"what": a.what, "rule": a.rule, "price": a.price} for a in self.active],
            "evidence": self._evidence(),
            "cautions": list(self.after.cautions),
        }

    def _chamber(self, n: int) -> dict[str, Any]:
        after = self.after.chambers[n]
        before = self.before.chambers[n].as_dict() if self.before else None
        # Keys begin with the chamber's name.
        mine = [moved for moved in self.moved if moved.key.partition(".")[0] == after.name]
        notes = after.as_dict()["notes"]  # a copy of its own: what hands and holes do is written into it
        for note, cents in zip(notes, self.evidence.hand.of(after.name), strict=False):
            note["hand_cents"] = cents
        for slopes in self.evidence.slopes:
            if slopes.chamber == after.name:
                for note, row in zip(notes, slopes.per_tenth_mm, strict=True):
                    note["cents_per_tenth_mm"] = dict(zip(slopes.holes, row.tolist(), strict=True))
        return {
            "name": after.name,
            "volume_ml": 1e6 * after.volume,
            "before": before and before["notes"],
            "after": notes,
            "moved": [vars(moved) for moved in mine],
        }

    def _evidence(self) -> Mapping[str, Any]:
        evidence = self.evidence
        return {
            **{name: getattr(evidence, name) for name in ("seed", "seconds", "steps", "looked_at")},
            "aims": dict(evidence.aims),
            "starts": [vars(start) for start in evidence.starts],
            "judged": [vars(judged) for judged in evidence.judged],
        }


def _notes(prediction: Prediction) -> Iterator[tuple[str, PredictedNote]]:
    return ((chamber.name, note) for chamber in prediction.chambers for note in chamber.notes if note.pitch)


def _away(note: PredictedNote) -> float:
    return abs(note.answer.cents) if note.answer.cents is not None else 0.0
