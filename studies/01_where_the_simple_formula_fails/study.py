"""On which shapes the textbook rule goes wrong, by how many cents, and why: two quick models before the judge.

Run: python studies/01_where_the_simple_formula_fails/study.py [--quick] [--judge] [-o FOLDER] [--keep FOLDER]

Takes about two minutes; --quick asks the quick models about three bodies, writes no page, and writes to a folder of its
own, named at the end. Writes result.json, the pictures, and README.md, whose every number comes from result.json by way
of README.template.md. What the judge answers stands in judged.json; --judge asks it anew first, some forty minutes
more, for it meshes all the air of every body. --keep names a folder in which its answers are kept as they come, and
taken from if they are there: a run that was stopped goes on.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]  # the study's own folder; the bodies are shared between studies

from answers import Answers, judged, quick_answers
from bodies import BODIES, FINGERINGS, TUBE_MM, VOLUME_ML, WIDE_FINGERINGS, wide_tube
from drawings.bodies import Column, Mark, Shown, bodies_panel
from drawings.curves import Curve, curves_panel
from written import asking, filled, into, rounded, write

from simkit.body import body_of
from simkit.body.girth import elongation, waist
from simkit.errors import OutOfReach
from simkit.files import whole
from simkit.pitch import cents
from simkit.provenance import provenance
from simkit.show import look
from simkit.show.look import page, save
from simkit.show.outline import ABOVE, RIGHT
from simkit.show.pressure import ModePicture, pressure
from simkit.sound import models
from simkit.sound.models.ports import PortsResonator
from simkit.vessel import Vessel

MINUTES = 2  # on an ordinary machine that has little else to do
NAMES = ("sphere", "egg", "ellipsoid_2", "ellipsoid_3", "ellipsoid_4", "tube", "lens", "figure", "ring", "waist_24",
         "waist_18", "waist_13", "waist_10", "waist_7")  # fmt: skip
SHARES = (0.4, 0.55, 0.85)  # of the wide hole, over the tube's width
QUICK, QUICK_SHARES = ("sphere", "tube", "waist_7"), (0.85,)
WIDE = ("wide", "both")  # what counts of the tube: no finger covers the wide hole


Asked = tuple[str, str, Vessel]


@dataclass(frozen=True)
class Trial:
    """One body before the three models."""

    name: str
    words: str
    vessel: Vessel
    quick: dict[str, Answers]
    judge: Answers

    def rows(self, fingerings: Sequence[str]) -> list[dict[str, Any]]:
        """Each fingering's errors in cents, with what the models say of themselves."""
        return [self._row(each) for each in fingerings]

    def _row(self, fingering: str) -> dict[str, Any]:
        truth, (lumped, ports) = self.judge[fingering], (self.quick[name][fingering] for name in ("lumped", "ports"))
        doubts = [text.removeprefix("ports: ") for text in ports["cautions"] if text.startswith("ports: ")]
        return {
            "fingering": fingering,
            "resolved_hz": truth["frequency_hz"],
            "resolved_unsure_cents": truth["uncertainty_cents"],
            "lumped_cents": cents(lumped["frequency_hz"], truth["frequency_hz"]),
            "lumped_unsure_cents": lumped["uncertainty_cents"],
            "ports_cents": cents(ports["frequency_hz"], truth["frequency_hz"]),
            "ports_unsure_cents": ports["uncertainty_cents"],
            "ports_q_over_resolved": ports["q"] / truth["q"],
            "beyond_ports": "; ".join(doubts),
        }


def trials(quick: bool) -> tuple[list[Trial], list[Trial]]:
    """The bodies, and the tube with its wide hole, asked."""
    plain, tubes = asked_about(quick)
    judge = json.loads((HERE / "judged.json").read_text(encoding="utf-8"))["asked"]
    return [tried(*each, FINGERINGS, judge) for each in plain], [tried(*each, WIDE_FINGERINGS, judge) for each in tubes]


def asked_about(quick: bool) -> tuple[list[Asked], list[Asked]]:
    """Name, words and design of the bodies, and of the tube with its wide hole."""
    bodies = {body.name: body for body in BODIES}
    plain = [(name, bodies[name].words, bodies[name].design) for name in (QUICK if quick else NAMES)]
    tubes = [(f"wide_{s:g}", f"tube, hole of {s:.0%}", wide_tube(s)) for s in
             (QUICK_SHARES if quick else SHARES)]  # fmt: skip
    return plain, tubes


def tried(
    name: str, words: str, vessel: Vessel, fingerings: Mapping[str, tuple[str, ...]], judge: Mapping[str, Answers]
) -> Trial:
    """One body asked of the quick models, beside what the judge answered."""
    sys.stderr.write(f"{name}\n")  # a run of minutes shows where it is
    return Trial(name, words, vessel, quick_answers(vessel, fingerings), judge[name])


def ask_the_judge(keep: Path | None) -> None:
    """Writes what the judge answers about all, with what made it."""
    plain, tubes = asked_about(False)
    answers = {}
    for some, fingerings in ((plain, FINGERINGS), (tubes, WIDE_FINGERINGS)):
        for name, _, vessel in some:
            sys.stderr.write(f"{name}, by the judge\n")
            answers[name] = judged(name, vessel, fingerings, keep)
    with whole(HERE / "judged.json") as half:
        record = {"asked": rounded(answers, figures=6), "provenance": provenance().as_dict()}
        half.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


# --- the study ---------------------------------------------------------------------------------------------


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Asks the quick models about all bodies and writes result.json, README.md and the pictures to a folder."""
    plain, tubes = trials(quick)
    bodies, wide = [facts(each, FINGERINGS) for each in plain], [facts(each, WIDE_FINGERINGS) for each in tubes]
    counted = [row for each in bodies for row in each["fingerings"]]
    counted += [row for each in wide for row in each["fingerings"] if row["fingering"] in WIDE]
    result = rounded(
        {
            "minutes": MINUTES,
            "volume_ml": VOLUME_ML,
            "figure": figure(counted),
            "rule": rule(bodies),
            "belief": [
                beyond_the_hole(each, share)
                for each, share in zip(wide, QUICK_SHARES if quick else SHARES, strict=True)
            ],
            "narrowing": narrowing(bodies),
            "bodies": bodies,
            "tubes": wide,
        },
        figures=6,  # a hundredth of a cent
    )
    drawn(plain, tubes, result, folder)
    write(folder, result, None if quick else readme(result))  # the page tells of them all
    return result


def facts(trial: Trial, fingerings: Mapping[str, tuple[str, ...]]) -> dict[str, Any]:
    """What is recorded of one body."""
    wall = body_of(trial.vessel).chambers[0].wall
    narrow = waist(wall)
    rows = trial.rows(list(fingerings))
    for row in rows:
        row["resolved_q"] = trial.judge[row["fingering"]]["q"]
    return {
        "name": trial.name,
        "words": trial.words,
        "long_over_wide": elongation(wall),
        "waist_mm": None if narrow is None else 1e3 * narrow.diameter,
        "fingerings": rows,
    }


def figure(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """How near `ports` comes to the judge where it is not marked as beyond its means, and how far the rule is off."""
    within = [row for row in rows if not row["beyond_ports"]]
    ports, lumped = (np.abs([row[f"{name}_cents"] for row in within]) for name in ("ports", "lumped"))
    every = np.abs([row["lumped_cents"] for row in rows])
    return {
        "cases": len(rows),
        "beyond": len(rows) - len(within),
        "ports_median_cents": float(np.median(ports)),
        "ports_worst_cents": float(ports.max()),
        "ports_mean_signed_cents": float(np.mean([row["ports_cents"] for row in within])),
        "ports_worst_beyond_cents": max((abs(row["ports_cents"]) for row in rows if row["beyond_ports"]), default=0.0),
        "lumped_median_cents": float(np.median(every)),
        "lumped_worst_cents": float(every.max()),
        "lumped_median_within_cents": float(np.median(lumped)),
        "resolved_unsure_cents": max(row["resolved_unsure_cents"] for row in rows),
        "lumped_band_holds_percent": 100 * float(np.mean([
            abs(row["lumped_cents"]) <= row["lumped_unsure_cents"] for row in rows])),
    }  # fmt: skip


def rule(bodies: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The rule's errors by the kind of body: how far notes lie off, and how much of it they have in common."""
    kinds = {
        "up to twice as long as wide": [b for b in bodies if b["long_over_wide"] < 2.1 and not b["waist_mm"]],
        "longer": [b for b in bodies if b["long_over_wide"] >= 2.1 and not b["waist_mm"]],
        "with a waist": [b for b in bodies if b["waist_mm"]],
    }
    out = []
    for words, some in kinds.items():
        if some:
            errors = np.array([[row["lumped_cents"] for row in each["fingerings"]] for each in some])
            out.append({
                "words": words,
                "bodies": len(some),
                "least_cents": float(errors.min()),
                "most_cents": float(errors.max()),
                "median_cents": float(np.median(np.abs(errors))),
                "spread_cents": float(np.ptp(errors, axis=1).max()),
            })  # fmt: skip
    return out


def beyond_the_hole(tube: Mapping[str, Any], share: float) -> dict[str, Any]:
    """What a hole near the far end still does when the wide one is open: cents that it raises the note."""
    by = {row["fingering"]: row for row in tube["fingerings"]}
    raises = {
        way: cents(by[b]["resolved_hz"], by[a]["resolved_hz"])
        for way, (a, b) in {"covered": ("none", "far"), "open": ("wide", "both")}.items()
    }
    by_rule = raises["open"] + by["both"]["lumped_cents"] - by["wide"]["lumped_cents"]
    return {
        "share": share,
        "diameter_mm": share * TUBE_MM,
        "far_raises_wide_covered_cents": raises["covered"],
        "far_raises_wide_open_cents": raises["open"],
        "far_raises_wide_open_by_rule_cents": by_rule,
        "rule_off_wide_open_cents": by["wide"]["lumped_cents"],
    }


def narrowing(bodies: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """How far from the ball's the notes of the bodies with one waist lie, by the judge, cents."""
    ball = next(each for each in bodies if each["name"] == "sphere")
    heard = {row["fingering"]: row["resolved_hz"] for row in ball["fingerings"]}
    out = []
    for each in bodies:
        if not each["name"].startswith("waist"):  # a ring has two ways round, each narrow
            continue
        below = {row["fingering"]: cents(row["resolved_hz"], heard[row["fingering"]]) for row in each["fingerings"]}
        out.append({"waist_mm": each["waist_mm"], "against_ball_cents": below})
    return out


# --- pictures ----------------------------------------------------------------------------------------------


def drawn(plain: Sequence[Trial], tubes: Sequence[Trial], result: Mapping[str, Any], folder: Path) -> None:
    """The errors of both models body by body; the notes over the waist; the pressure beyond the widest hole."""
    every = [*plain, *tubes]
    found = [*result["bodies"], *result["tubes"]]
    rows = [Shown(t.words, body_of(t.vessel), RIGHT if t.name == "figure" else ABOVE) for t in every]
    kept = [[row for row in each["fingerings"] if each in result["bodies"] or row["fingering"] in WIDE]
            for each in found]  # fmt: skip
    columns = [
        errors("textbook rule", "lumped", kept, (-200, 1700), (-100, -30, 0, 30, 100, 1000), 30.0),
        errors("ports", "ports", kept, (-14, 10), (-10, -4, 0, 4, 8), None),
    ]
    key = [
        (Mark(0, look.QUIET, "D", 3.6), "the rule, a note each"),
        (Mark(0, look.CLAY, "o", 4), "ports"),
        (Mark(0, look.CLAY, "o", 4, hollow=True), "marked as beyond ports"),
    ]
    caption = "cents above the judge; shaded: 10 cents for the rule, 4 for ports; mind the two scales"
    save(page(bodies_panel("Off by how much", rows, columns, key, caption)), folder / "errors.png")
    save(page(waist_panel(result["narrowing"])), folder / "narrowing.png")
    save(page(far_side(tubes[-1])), folder / "beyond_the_hole.png")


def errors(
    title: str,
    model: str,
    rows: Sequence[Sequence[Mapping[str, Any]]],
    limits: tuple[float, float],
    ticks: Sequence[float],
    threshold: float | None,
) -> Column:
    """One model's errors, a mark for each note."""
    color, shape, size = (look.QUIET, "D", 3.6) if model == "lumped" else (look.CLAY, "o", 4.0)
    marks = [
        [
            Mark(row[f"{model}_cents"], color, shape, size, bool(row["beyond_ports"]) and model == "ports")
            for row in each
        ]
        for each in rows
    ]
    scale, band = ("symlog", (-10.0, 10.0)) if threshold else ("linear", (-4.0, 4.0))
    return Column(title, "cents", limits, ticks, marks, (), scale, threshold or 1.0, band, width_mm=66)


def waist_panel(steps: Sequence[Mapping[str, Any]]) -> look.Panel:
    """The notes of the waisted bodies below those of the ball."""
    words = {
        "none": "all covered",
        "opposite": "a hole by the window",
        "far": "a hole beyond the waist",
        "all": "all open",
    }
    wide = [each["waist_mm"] for each in steps]
    colors = {"none": look.QUIET, "opposite": look.SLATE, "far": look.CLAY, "all": look.INK}
    order = np.argsort(wide)
    curves = [
        Curve(text, [wide[n] for n in order], [steps[n]["against_ball_cents"][name] for n in order], colors[name])
        for name, text in words.items()
    ]
    return curves_panel("What a waist does to the notes", "narrowest width, mm", "cents above the ball's", curves,
                        "same air, same openings; by the judge", x_ticks=[round(w) for w in sorted(wide)])  # fmt: skip


def far_side(trial: Trial) -> look.Panel:
    """How the air beyond the widest hole swings while that hole is open, by the port model."""
    (case,) = models.cases(trial.vessel, state="still")
    resonator = models.resonator("ports", case)
    assert isinstance(resonator, PortsResonator)
    ring = resonator.resonances(("wide",), 1)[0]
    picture = ModePicture(
        resonator.pressure(("wide",), ring), f"the note with the wide hole open, {ring.frequency_hz:.0f} Hz"
    )
    return pressure(resonator.mesh, [picture], trial.words, case.chamber.all_openings)


# --- running it --------------------------------------------------------------------------------------------


def readme(result: Mapping[str, Any]) -> str:
    """The README: the template with the numbers of a result."""
    return filled(HERE, result, by={each["name"]: each for each in (*result["bodies"], *result["tubes"])})


def main() -> int:
    """The command line; the exit status."""
    parser = asking(__doc__, "three bodies")
    parser.add_argument("--judge", action="store_true", help="ask the judge anew and write judged.json")
    parser.add_argument("--keep", metavar="FOLDER", type=Path, help="where the judge's answers are kept as they come")
    asked = parser.parse_args()
    folder = into(asked, HERE)
    if asked.keep:
        asked.keep.mkdir(parents=True, exist_ok=True)
    try:
        if asked.judge:
            ask_the_judge(asked.keep)
        study(folder, asked.quick)
    except OutOfReach as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_status
    sys.stderr.write(f"wrote {folder}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
