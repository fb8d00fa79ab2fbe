"""The models side by side, and in words why they part."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from simkit.body.assembly import gap
from simkit.body.chambers import WINDOW, ChamberBody
from simkit.body.girth import Waist, elongation, waist, width_at
from simkit.frozen import frozen
from simkit.sound import models
from simkit.sound.answers.prediction import PredictedNote, Prediction, predict
from simkit.sound.catalogue import model_of
from simkit.sound.elements.openings import aperture_of, organ_mouth
from simkit.sound.models.resonator import Case, Resonator
from simkit.vessel import Vessel

WORTH_SAYING = 3.0  # cents
NEAR = 3.2  # ratio of the next resonance to the note, below which it pulls
LONG = 1.3  # times as long as wide: from here on a chamber is called long
WIDE_HOLE = 0.35  # of the chamber's width where it sits: from here on a hole is called wide
MM = 1e3


@dataclass(frozen=True)
class WindowView:
    """A window's conductivity as the models take it, and by the rule of organ builders, m."""

    own: float
    organ_rule: float

    def __str__(self) -> str:
        rule = f"{1e3 * self.organ_rule:.1f} by the organ mouth's rule, which knows no wall"
        return f"window: conductivity {1e3 * self.own:.2f} mm with its wall and edge; {rule}"


@dataclass(frozen=True)
class Comparison:
    """A prediction by several models, with the reasons where they part, one tuple for each note of each chamber."""

    prediction: Prediction
    reasons: tuple[tuple[tuple[str, ...], ...], ...]
    windows: tuple[WindowView | None, ...]

    @property
    def models(self) -> tuple[str, ...]:
        """The models, in the order of the columns."""
        return self.prediction.models

    @property
    def frequencies_hz(self) -> np.ndarray:
        """Frequency of each note by each model, Hz (notes, models); nan where nothing rings."""
        return np.stack([self.prediction.by(model).frequencies_hz for model in self.models], axis=1)

    @property
    def cents(self) -> np.ndarray:
        """Deviation of each note from its target by each model, cents (notes, models); nan without a target."""
        return np.stack([self.prediction.by(model).cents for model in self.models], axis=1)

    @property
    def q(self) -> np.ndarray:
        """Linear Q of each note by each model (notes, models): inf where nothing is lost, nan where nothing rings."""
        return np.stack([self.prediction.by(model).q for model in self.models], axis=1)

    def __repr__(self) -> str:
        return f"Comparison({', '.join(self.models)}: {len(self.prediction.notes)} notes)"

    def __str__(self) -> str:
        said = [reason for chamber in self.reasons for note in chamber for reason in note]
        return "\n".join([str(self.prediction), *dict.fromkeys(said)])

    def as_dict(self) -> dict[str, Any]:
        """The comparison as the command line's JSON has it."""
        out = self.prediction.as_dict()
        for chamber, window in zip(out["chambers"], self.windows, strict=True):
            if window is not None:
                chamber["window"] = {"conductivity_mm": 1e3 * window.own, "organ_rule_mm": 1e3 * window.organ_rule}
        for chamber, reasons in zip(out["chambers"], self.reasons, strict=True):
            for note, said in zip(chamber["notes"], reasons, strict=True):
                note["reasons"] = list(said)
        return out


def compare(vessel: Vessel, *, lossless: bool = False, state: str = "played") -> Comparison:
    """Every note by every model that there is, with the reasons why they part.

    state: "played" or "still", as of `predict`.
    """
    names = models.models()
    prediction = predict(vessel, names, lossless=lossless, state=state)
    quick = [name for name in names if model_of(name).quick]
    reasons, windows = [], []
    for case, chamber in zip(models.cases(vessel, lossless=lossless, state=state), prediction.chambers, strict=True):
        resonators = [models.resonator(name, case) for name in quick]
        windows.append(_window(case))
        build = Build.of(case.chamber)
        reasons.append(tuple(reasons_for(resonators, build, note) for note in chamber.notes))
    return Comparison(prediction, tuple(reasons), tuple(windows))


def _window(case: Case) -> WindowView | None:
    window = case.chamber.window
    if window is None:
        return None
    return WindowView(float(aperture_of(window).conductivity), float(organ_mouth(window.area)))


@frozen
class Build:
    """Measurable features of a chamber that make models differ.

    long: length over width; narrow: its waist, if any; shares: each hole's diameter over the chamber's width there;
    clay: least clay between the rims of two openings, m.
    """

    long: float
    narrow: Waist | None
    shares: dict[str, float]
    clay: dict[frozenset[str], float]

    @classmethod
    def of(cls, chamber: ChamberBody) -> Build:
        """Measure a chamber."""
        shares = {o.name: 2 * float(np.sqrt(o.area / np.pi)) / width_at(chamber.wall, o) for o in chamber.openings}
        clay = {frozenset((a.name, b.name)): gap(a, b) for a, b in combinations(chamber.all_openings, 2)}
        return cls(elongation(chamber.wall), waist(chamber.wall), shares, clay)

    def form(self) -> str:
        """Reason why air must run along the chamber, in words, as measured."""
        if self.narrow:
            return f"the chamber narrows to {MM * self.narrow.diameter:.0f} mm"
        return f"the chamber is {self.long:.1f} times as long as wide" if self.long > LONG else "the chamber is no ball"

    def nearest(self, opened: tuple[str, ...]) -> str:
        """The two open openings with the least clay between them."""
        names = {*opened, WINDOW}
        pair = min((pair for pair in self.clay if pair <= names), key=lambda pair: self.clay[pair], default=None)
        if pair is None:
            return ""
        both = " and ".join("the window" if name == WINDOW else f"hole {name}" for name in sorted(pair, reverse=True))
        return f" (nearest: {both}, {MM * self.clay[pair]:.0f} mm apart)"


def reasons_for(resonators: Sequence[Resonator], build: Build, note: PredictedNote) -> tuple[str, ...]:
    """Reasons why models differ for one note, the weightiest first, from the evidence of the quick ones.

    resonators: one of each quick model, the most careful last. What a model neglects is in the facts of its evidence,
    `neglected_..._cents`; doubts are those of the most careful one.
    """
    evidence = [each.evidence(note.open) for each in resonators]
    found = [reason for each in evidence for reason in _neglected(each.facts, build, note.open)]
    # Of the most careful model that knows a second resonance.
    several = (rings for each in reversed(resonators) if len(rings := each.resonances(note.open, 2)) > 1)
    first, second = next(several, (None, None))
    if first and second and second.frequency_hz < NEAR * first.frequency_hz:
        ratio = second.frequency_hz / first.frequency_hz
        # Weights stand in for cents, to sort reasons that have none among those that have.
        found.append(
            (5.0, f"the next resonance is near, {ratio:.2f} times the note: pressure differs along the chamber")
        )
    found += [
        (4.0 * build.shares[name], f"hole {name} is {build.shares[name]:.2f} times as wide as the chamber there")
        for name in note.open
        if build.shares[name] > WIDE_HOLE
    ]
    doubts = [c for c in evidence[-1].cautions if c.startswith(f"{resonators[-1].model}: ")] if evidence else []
    found += [(1.0, doubt) for doubt in doubts]
    return tuple(text for _, text in sorted(found, key=lambda pair: -pair[0]))


def _neglected(facts: Mapping[str, float], build: Build, opened: tuple[str, ...]) -> Iterator[tuple[float, str]]:
    """Effects that the lumped model leaves out, in words, each with its size in cents."""
    words = {
        "stretch": f"{build.form()}, and the air must run along it",
        "neighbours": f"openings close together share the air that they move{build.nearest(opened)}",
        "curvature": "the wall is round, not flat, at the openings",
    }
    for key, text in words.items():
        cents = facts.get(f"neglected_{key}_cents", 0.0)
        if abs(cents) > WORTH_SAYING:
            yield abs(cents), f"{text}: about {cents:+.0f} cents that the textbook rule leaves out"
