"""The models side by side, and in words why they part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from simkit.sound import models
from simkit.sound.openings import aperture_of, organ_mouth
from simkit.sound.prediction import PredictedNote, Prediction, predict
from simkit.sound.resonator import Case, Resonator
from simkit.vessel import Vessel

WORTH_SAYING = 3.0  # cents
NEAR = 3.2  # ratio of the next resonance to the note, below which it pulls


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


def compare(vessel: Vessel, *, lossless: bool = False, windway: str = "closed") -> Comparison:
    """Every note by every model that there is, with the reasons where the textbook rule parts from the field."""
    prediction = predict(vessel, models.models(), lossless=lossless, windway=windway)
    reasons, windows = [], []
    for case, chamber in zip(
        models.cases(vessel, lossless=lossless, windway=windway), prediction.chambers, strict=True
    ):
        lumped, ports = (models.resonator(name, case) for name in ("lumped", "ports"))
        windows.append(_window(case))
        reasons.append(tuple(reasons_for(lumped, ports, note) for note in chamber.notes))
    return Comparison(prediction, tuple(reasons), tuple(windows))


def _window(case: Case) -> WindowView | None:
    window = case.chamber.window
    if window is None:
        return None
    return WindowView(float(aperture_of(window).conductivity), float(organ_mouth(window.area)))


def reasons_for(lumped: Resonator, ports: Resonator, note: PredictedNote) -> tuple[str, ...]:
    """Why the textbook rule and the field differ for one note, the weightiest first."""
    found: list[tuple[float, str]] = []
    facts = lumped.evidence(note.open).facts
    for key, words in _NEGLECTED.items():
        cents = facts.get(f"neglected_{key}_cents", 0.0)
        if abs(cents) > WORTH_SAYING:
            found.append((abs(cents), f"{words}: about {cents:+.0f} cents that the textbook rule leaves out"))
    rings = ports.resonances(note.open, 2)
    if len(rings) > 1 and rings[1].frequency_hz < NEAR * rings[0].frequency_hz:
        ratio = rings[1].frequency_hz / rings[0].frequency_hz
        found.append(
            (5.0, f"the next resonance is near, {ratio:.2f} times the note: pressure differs along the chamber")
        )
    doubts = [c for c in ports.evidence(note.open).cautions if c.startswith("ports: ")]
    found += [(1.0, doubt) for doubt in doubts]
    return tuple(text for _, text in sorted(found, key=lambda pair: -pair[0]))


_NEGLECTED = {
    "stretch": "the chamber is long, or narrow somewhere, and the air must run along it",
    "neighbours": "openings close together share the air that they move",
    "curvature": "the wall is round, not flat, at the openings",
}
