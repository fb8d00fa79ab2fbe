"""What share of ten thousand hand-made pieces plays in tune: an ordinary design, and one that forgives the hand.

Run: python studies/05_hand_made_error/study.py [--quick] [-o FOLDER]

Takes about two minutes; --quick draws fewer pieces and writes to a folder of its own, named at the end. Writes
result.json, the picture, both designs, and README.md, whose every number comes from result.json by way of
README.template.md.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import sys
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from drawings.curves import Curve, curves_panel
from many_makers import makers
from written import filled, rounded, run, write

import simkit
from simkit.files import whole
from simkit.optimisation import HandError, Hands, InTune, Steady, hand_error, optimise, rewritten
from simkit.optimisation.designing.wish import Wish, wished
from simkit.show import look
from simkit.show.look import page, save
from simkit.vessel import Vessel
from simkit.vessel.hands import people

MINUTES = 2  # on an ordinary machine that has little else to do
WISH = Wish("C5 major", holes=6, shape="egg", fingertip_mm=13)
MAKERS, SEED = 10_000, 5
TOLERANCES = [2.5, 5.0, 7.5, 10.0, 12.5, 15.0, 17.5, 20.0]  # cents
WITHIN = 10.0  # cents: what a listener lets pass in a melody (Hill & Summers 2007, J. Acoust. Soc. Am. 121:2376)
MODEL_CENTS = 4.0  # s.d. of what the model is taken to miss of each hole
HALF = Hands(hole_mm=0.15, wall_mm=0.25, window_mm=0.15, shrinkage_points=0.25)
CAUSES = {
    "holes": ("diameter_mm",),
    "wall": ("wall_mm",),
    "window": ("window_width_mm", "cut_up_mm"),
    "shrinkage": ("shrinkage",),
}


def designs() -> tuple[str, dict[str, Vessel]]:
    """The wish's text, and the ordinary and the steady design of its scale."""
    text, found = wished(WISH)
    ordinary = found.vessel
    wider = ordinary.with_value("hand.fingertip_mm", people("man").index)
    steady = optimise(wider, ["diameters", "size", "voicing"], aims=[InTune(), Steady()])
    return text, {"ordinary": ordinary, "steady": steady.vessel}


def by_cause(error: HandError) -> dict[str, float]:
    """The worst note's plus or minus from each kind of error alone, counted from the piece's own pitch, cents."""
    own = error.cents - error.cents.mean(axis=0)
    found = {}
    for cause, endings in CAUSES.items():
        mine = [n for n, key in enumerate(error.causes) if key.endswith(endings)]
        found[cause] = float(np.sqrt(np.square(own[:, mine]).sum(axis=1)).max())
    return found


def studied(vessel: Vessel, count: int) -> dict[str, Any]:
    """Everything about one design."""
    error = hand_error(vessel)
    hands = {"careful": Hands(), "twice as careful": HALF}
    made = {name: makers(vessel, count, SEED, hand, missed_cents=MODEL_CENTS) for name, hand in hands.items()}
    (chamber,) = vessel.chambers
    return {
        "volume_ml": 1e6 * simkit.predict(vessel, "lumped").chambers[0].volume,
        "cut_up_mm": chamber.voicing.cut_up_mm,
        "window_width_mm": chamber.voicing.window_width_mm,
        "diameters_mm": [hole.diameter_mm for hole in chamber.holes],
        "worst_own_cents": float(error.own.max()),
        "common_cents": error.common,
        "by_cause_cents": by_cause(error),
        "share_within": {name: [each.share_within(t) for t in TOLERANCES] for name, each in made.items()},
        "share_within_10": {name: each.share_within(WITHIN) for name, each in made.items()},
        "share_within_10_by_clay_alone": makers(vessel, count, SEED).share_within(WITHIN),
    }


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Both designs, made by many; writes result.json, README.md, the designs and the picture to a folder."""
    text, both = designs()
    draft = simkit.loads(text, "the wish")
    count = 1000 if quick else MAKERS
    found = {name: studied(vessel, count) for name, vessel in both.items()}
    for name, vessel in both.items():
        with whole(folder / f"{name}.toml") as half:
            new = vessel.model_copy(update={"source": draft.source})
            half.write_text(rewritten(text, draft, new), encoding="utf-8")
    curves = []
    for name, color in (("steady", look.CLAY), ("ordinary", look.SLATE)):
        for hands, words, line in (("careful", name, "-"), ("twice as careful", f"{name}, half", "--")):
            shares = [100 * share for share in found[name]["share_within"][hands]]
            curves.append(Curve(words, TOLERANCES, shares, color=color, line=line))
    panel = curves_panel(
        f"{count:,} makers, {WISH.scale}",
        "every note within so many cents of the piece's own pitch",
        "pieces, %",
        curves,
        "dashed: makers twice as careful, with half the errors",
    )
    save(page(panel), folder / "makers.png")
    result = {
        "minutes": MINUTES,
        "state": "played",
        "scale": WISH.scale,
        "makers": count,
        "seed": SEED,
        "within_cents": WITHIN,
        "missed_cents": MODEL_CENTS,
        "tolerances_cents": TOLERANCES,
        "designs": found,
    }
    result = rounded(result)
    write(folder, result, filled(HERE, result))
    return result


if __name__ == "__main__":
    run(study, HERE, __doc__, "fewer pieces")
