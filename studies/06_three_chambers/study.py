"""An ambitious three-chamber instrument: two and a half octaves and a tone over, from the wish to the design.

Run: python studies/06_three_chambers/study.py [--quick] [-o FOLDER]

Takes about twenty minutes, most of them for the air meshed as a whole; --quick leaves that and the making to the
record, looks at the design alone, and writes to a folder of its own, named at the end. Writes result.json, the
pictures, and README.md, whose every number comes from result.json by way of README.template.md.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import json
import sys
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from drawings.crossing import crossing_panel
from drawings.cut_open import cut_open
from written import filled, rounded, run, write

import simkit
from simkit.body import body_of
from simkit.machine import most_memory
from simkit.optimisation.designing.dividing import divided, planned
from simkit.optimisation.designing.joining import box_mm, mass_g, piece
from simkit.show.look import page, save
from simkit.show.views import views
from simkit.sound import models
from simkit.sound.blowing.table import BlowTable
from simkit.vessel import Vessel
from simkit.vessel.hands import two_jobs
from simkit.vessel.wishes import WishedRange

DESIGN = HERE.parent / "designs" / "three_terns.toml"
WISH = WishedRange("G major", "G3", "D6", 3)
MINUTES = 20  # on an ordinary machine that has little else to do
JUDGED = {"tail": 5, "wing": 4, "body": 3}  # notes of each chamber, from its lowest to its highest
COMPARED = (2, 3)  # numbers of chambers that are tuned all the way


def made(wish: WishedRange) -> dict[str, Any]:
    """From the wish to a design by one command's function: how long it took, how well it came out."""
    began = time.process_time()
    result = piece(wish)
    vessel, after = result.vessel, result.outcome.after
    table = simkit.blow(vessel)
    margins = [note.blown.overblow_margin for chamber in table.chambers for note in chamber.notes]
    return {
        "chambers": len(vessel.chambers),
        "notes": len(after.notes),
        "holes": [len(chamber.holes) for chamber in vessel.chambers],
        "worst_cents": max(abs(note.by("ports").cents or 0.0) for note in after.notes),
        "weakest": max(plan.weakness for plan in result.plans),
        "least_margin": min((m for m in margins if m is not None), default=None),
        "silent": sum(m is None for m in margins),
        "mass_g": result.mass_g,
        "seconds": time.process_time() - began,
        "reached": result.reached,
    }


def played(vessel: Vessel, table: BlowTable) -> list[dict[str, Any]]:
    """Every note: where it stands by ports, what it asks of the player, what the silent neighbours do to it."""
    prediction = simkit.predict(vessel, "ports")
    rows = []
    for chamber, blown in zip(prediction.chambers, table.chambers, strict=True):
        holes = [(hole.name, hole.finger) for hole in vessel.chamber(chamber.name).holes]
        for note, breath in zip(chamber.notes, blown.notes, strict=True):
            answer, b = note.by("ports"), breath.blown
            rows.append(
                {
                    "chamber": chamber.name,
                    "pitch": note.pitch,
                    "open": len(note.open),
                    "cents": answer.cents,
                    "q": answer.q,
                    "pull_cents": answer.neighbours_cents,
                    "pull_open_cents": answer.neighbours_open_cents,
                    "pressure_pa": b.pressure,
                    "margin": b.overblow_margin,
                    "jumps": b.overblow_at is not None,
                    "bend_cents": b.bend_cents,
                    "two_jobs": list(two_jobs(holes, note.open)),
                }
            )
    return rows


def crossings(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The breath of the last note of each chamber and of the first of the next."""
    found = []
    for below, above in pairwise(rows):
        if below["chamber"] != above["chamber"]:
            ratio = above["pressure_pa"] / below["pressure_pa"]
            found.append(
                {
                    "below": below["pitch"],
                    "above": above["pitch"],
                    "below_pa": below["pressure_pa"],
                    "above_pa": above["pressure_pa"],
                    "change_percent": 100 * (ratio - 1),
                }
            )
    return found


def judged(vessel: Vessel) -> list[dict[str, Any]]:
    """Some notes by the air meshed as a whole, with the body's true outside; both models of the piece by itself."""
    rows = []
    cases = {case.chamber.name: case for case in models.cases(vessel, state="still")}
    for name, count in JUDGED.items():
        chamber, case = vessel.chamber(name), cases[name]
        ports, resolved = (models.resonator(model, case) for model in ("ports", "resolved"))
        for n in np.unique(np.linspace(0, len(chamber.notes) - 1, count).round().astype(int)):
            opened = chamber.notes[n].open
            quick, careful = (each.resonances(opened, 1)[0] for each in (ports, resolved))
            evidence = resolved.evidence(opened)
            rows.append(
                {
                    "chamber": chamber.name,
                    "pitch": chamber.notes[n].pitch,
                    "cents": 1200 * float(np.log2(careful.frequency_hz / quick.frequency_hz)),
                    "uncertainty_cents": evidence.uncertainty_cents,
                    "q_percent": 100 * (careful.q / quick.q - 1),
                }
            )
    return rows


def compared(wish: WishedRange) -> list[dict[str, Any]]:
    """The same range asked of one, two and three chambers, by the hand rule: what the weakest chamber is left with."""
    rows = []
    for count in (1, 2, 3):
        # One chamber has more notes than fingers can open in a row: its plan is made without asking how.
        pitches = wish.pitches
        plans = divided(replace(wish, chambers=count)) if count > 1 else (planned(wish, pitches, pitches[-1]),)
        rows.append(
            {
                "chambers": count,
                "holes": max(len(plan.diameters_mm) for plan in plans),
                "weakest": max(plan.weakness for plan in plans),
                "reach": min(plan.reach for plan in plans),
                "short": max(plan.short for plan in plans),
                "widest_hole_mm": max(max(plan.diameters_mm) for plan in plans),
            }
        )
    return rows


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Looks at the design, judges it, compares it, and writes result.json, README.md and the pictures."""
    vessel = simkit.load(DESIGN)
    body = body_of(vessel)
    table = simkit.blow(vessel)
    rows = played(vessel, table)
    record = json.loads((HERE / "result.json").read_text(encoding="utf-8")) if quick else {}
    result = {
        "minutes": MINUTES,
        "state": "played",
        "wish": {"scale": WISH.scale, "lowest": WISH.lowest, "highest": WISH.highest, "notes": len(WISH.pitches)},
        "semitones": WISH.pitches[-1].key - WISH.pitches[0].key,
        "chambers": [
            {
                "name": chamber.name,
                "ml": 1e6 * solid.volume,
                "lowest": chamber.notes[0].pitch,
                "highest": chamber.notes[-1].pitch,
                "holes": len(chamber.holes),
                "widest_mm": max(hole.diameter_mm for hole in chamber.holes),
                "smallest_mm": min(hole.diameter_mm for hole in chamber.holes),
            }
            for chamber, solid in zip(vessel.chambers, body.chambers, strict=True)
        ],
        "box_mm": list(box_mm(vessel)),
        "mass_g": mass_g(vessel),
        "notes": rows,
        "worst_cents": max(abs(row["cents"]) for row in rows),
        "least_margin": min(row["margin"] for row in rows),
        "most_pull_cents": max(abs(row["pull_cents"]) for row in rows),
        "most_pull_open_cents": max(abs(row["pull_open_cents"]) for row in rows),
        "lowest_pa": min(row["pressure_pa"] for row in rows),
        "highest_pa": max(row["pressure_pa"] for row in rows),
        "crossings": crossings(rows),
        "judged": record["judged"] if quick else judged(vessel),
        "made": record["made"] if quick else [made(replace(WISH, chambers=n)) for n in COMPARED],
        "rule": compared(WISH),
        "peak_gib": most_memory() / 2**30,
    }
    result["worst_judged_cents"] = max(abs(row["cents"]) for row in result["judged"])
    title = vessel.title or "three chambers"
    save(page(views(vessel, body)), folder / "outside.png")
    save(page(cut_open(vessel, body)), folder / "cut_open.png")
    save(page(crossing_panel(f"{title}: breath", table)), folder / "breath.png")
    result = rounded(result)
    write(folder, result, filled(HERE, result))
    return result


if __name__ == "__main__":
    run(study, HERE, __doc__, "only the design itself; the rest from the record")
