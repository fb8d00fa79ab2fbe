"""What the three models say of one body, fingering by fingering; the judge's answers can be kept and taken up again."""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from simkit.files import whole
from simkit.sound import models
from simkit.sound.models.resonator import Resonator
from simkit.vessel import Vessel

QUICK_MODELS, JUDGE = ("lumped", "ports"), "resolved"
Answers = dict[str, dict[str, Any]]

log = logging.getLogger(__name__)


def quick_answers(vessel: Vessel, fingerings: Mapping[str, tuple[str, ...]]) -> dict[str, Answers]:
    """By the models that take no time: {model: {fingering: answer}}."""
    (case,) = models.cases(vessel, state="still")
    return {name: told(models.resonator(name, case), fingerings) for name in QUICK_MODELS}


def judged(name: str, vessel: Vessel, fingerings: Mapping[str, tuple[str, ...]], keep: Path | None) -> Answers:
    """By the judge, {fingering: answer}, from the folder `keep` if they are there, else asked and kept in it."""
    file = keep / f"{name}.json" if keep else None
    if file and file.exists():
        kept: Answers = json.loads(file.read_text(encoding="utf-8"))
        return kept
    start = time.perf_counter()
    (case,) = models.cases(vessel, state="still")
    answers = told(models.resonator(JUDGE, case), fingerings)
    log.info("%s: %.0f s", name, time.perf_counter() - start)
    if file:
        with whole(file) as half:
            half.write_text(json.dumps(answers, indent=1), encoding="utf-8")
    return answers


def told(resonator: Resonator, fingerings: Mapping[str, tuple[str, ...]]) -> Answers:
    """Each fingering's lowest resonance with what the model says of itself."""
    out = {}
    for name, opened in fingerings.items():
        (ring,), evidence = resonator.resonances(opened, 1), resonator.evidence(opened)
        out[name] = {
            "frequency_hz": ring.frequency_hz,
            "q": ring.q,
            "uncertainty_cents": evidence.uncertainty_cents,
            "cautions": list(evidence.cautions),
        }
    return out
