"""What scale a given figure can play, and what it takes: diameters, places of holes, the body itself.

Run: python studies/04_shape_a_figure_to_a_scale/study.py [--quick] [-o FOLDER]

Takes about forty minutes; --quick tries one scale only, frees little of the body, and writes to a folder of its own,
named at the end. Writes result.json, the pictures, the tuned figure, and README.md, whose every number comes from
result.json by way of README.template.md.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import json
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from drawings.curves import Curve, curves_panel
from written import filled, rounded, run, write

import simkit
from simkit.body import body_of
from simkit.files import whole
from simkit.optimisation import Limits, Outcome, optimise, rewritten, source_text
from simkit.pitch import Tuning, cents, scale
from simkit.show import look
from simkit.show.look import page, save
from simkit.show.views import views
from simkit.vessel import Note, Tie, Vessel

FIGURE = HERE / "heath_pony.toml"
MINUTES = 40  # of processor, on a busy machine
TONIC, NOTES = "F4", 7
SCALES = ("chromatic", "minor", "major", "pentatonic", "minor pentatonic")
# What is free, from the least to the most; these leave the figure as it is, at its own pitch.
WAYS = {"diameters": ["diameters"], "and places": ["diameters", "places"]}
# And this does not, and is tuned to A4 = 440 Hz.
BODY, BODY_SCALES = ["diameters", "places", "size", "voicing"], ("chromatic", "major", "minor pentatonic")
# Nor does this, but leaves its length and its window as they are: barrel and neck wider or narrower, legs longer or
# shorter, all four alike.
LOBES = (
    "body.lobes.1.width_mm", "body.lobes.1.height_mm", "body.lobes.2.width_mm", "body.lobes.4.height_mm",
)  # fmt: skip
LEGS = {f"body.lobes.{n}.height_mm": Tie("body.lobes.4.height_mm") for n in (5, 6, 7)}
CONCERT_HZ = 440.0
IN_TUNE = 0.5  # cents: no nearer is asked, and what is less is drawn there


def asked(vessel: Vessel, kind: str, a4_hz: float) -> Vessel:
    """The figure with the first notes of a scale, one hole more for each, at a pitch."""
    chamber = vessel.chambers[0]
    names = [hole.name for hole in chamber.holes]
    notes = tuple(
        Note(pitch=str(pitch), open=tuple(names[:n])) for n, pitch in enumerate(scale(f"{TONIC} {kind}", NOTES))
    )
    tuned = vessel.model_copy(update={"scale": vessel.scale.model_copy(update={"a4_hz": a4_hz})})
    return tuned.with_chamber(chamber.model_copy(update={"notes": notes}))


def leggy(vessel: Vessel) -> Vessel:
    """The figure with legs that stay alike."""
    return vessel.model_copy(update={"free": {**vessel.free, **LEGS}})


def own_pitch(vessel: Vessel) -> float:
    """The a4_hz at which the figure's lowest note, all covered, is the tonic."""
    heard = simkit.predict(vessel, "ports").notes[0].answer.frequency_hz
    return CONCERT_HZ * heard / Tuning().frequency(scale(f"{TONIC} major", 1)[0])


def told(found: Outcome) -> dict[str, Any]:
    """One optimising for the record."""
    (chamber,) = found.vessel.chambers
    widths = [hole.diameter_mm for hole in chamber.holes]
    return {
        "worst_cents": found.worst_cents,
        "reached": found.reached,
        "narrowest_mm": min(widths),
        "widest_mm": max(widths),
        "in_the_way": "; ".join([str(limit) for limit in found.active if limit.price > 0][:2]),
        "broken": "; ".join(found.broken),
        "own_hand_cents": float(found.evidence.hand.own.max()),
        "length_mm": found.vessel.value("body.lobes.1.length_mm"),
        "barrel_width_mm": found.vessel.value("body.lobes.1.width_mm"),
        "barrel_height_mm": found.vessel.value("body.lobes.1.height_mm"),
        "neck_width_mm": found.vessel.value("body.lobes.2.width_mm"),
        "legs_mm": found.vessel.value("body.lobes.4.height_mm"),
        "cut_up_mm": found.vessel.value("body.voicing.cut_up_mm"),
        "window_width_mm": found.vessel.value("body.voicing.window_width_mm"),
    }


def span(kind: str) -> dict[str, Any]:
    """A scale by its name and how far its notes reach."""
    pitches = scale(f"{TONIC} {kind}", NOTES)
    return {"scale": kind, "highest": str(pitches[-1]), "semitones": pitches[-1].key - pitches[0].key}


def tried(vessel: Vessel, kind: str, a4_hz: float) -> tuple[dict[str, Any], Vessel]:
    """One scale in every way that leaves the figure as it is, each from where the last one ended."""
    wanted, found = asked(vessel, kind, a4_hz), {}
    for way, free in WAYS.items():
        outcome = optimise(wanted, free, limits=Limits(clay_mm=3.0))
        wanted, found[way] = outcome.vessel, told(outcome)
    return {**span(kind), **found}, wanted


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Every scale in every way; writes result.json, README.md, the figure that plays, and the pictures to a folder."""
    vessel = simkit.load(FIGURE)
    own = own_pitch(vessel)
    kinds, freed = (SCALES[2:3], BODY_SCALES[1:2]) if quick else (SCALES, BODY_SCALES)
    rows, designs = zip(*(tried(vessel, kind, own) for kind in kinds), strict=True)
    there = dict(zip(kinds, designs, strict=True))
    # A body of another size is meshed anew at every step; the quick way opens the window instead.
    free = ["diameters", "voicing"] if quick else BODY
    bodies = {kind: optimise(asked(there[kind], kind, CONCERT_HZ), free) for kind in freed}
    lobes = LOBES[:1] if quick else ("places", *LOBES)
    lobed = {kind: optimise(leggy(asked(there[kind], kind, CONCERT_HZ)), ["diameters", *lobes]) for kind in freed}
    best = bodies["major"].vessel
    for title, design, name in (
        ("as sketched", vessel, "sketch"),
        (f"tuned to {TONIC} major", best, "tuned"),
        (f"tuned to {TONIC} major by its lobes", lobed["major"].vessel, "lobes"),
    ):
        drawn = design.model_copy(update={"title": f"{vessel.title}, {title}"})
        save(page(views(drawn, body_of(drawn))), folder / f"{name}.png")
    with whole(folder / "tuned.toml") as half:
        half.write_text(with_notes(source_text(vessel), vessel, best), encoding="utf-8")
    concert, by_lobes = (
        [{**span(kind), **told(outcome)} for kind, outcome in found.items()] for found in (bodies, lobed)
    )
    result = rounded({
        "minutes": MINUTES,
        "state": "played",
        "notes": NOTES,
        "own_a4_hz": own,
        "own_sharp_cents": cents(own, CONCERT_HZ),
        "own_lowest_hz": simkit.predict(vessel, "ports").notes[0].answer.frequency_hz,
        "volume_ml": 1e6 * simkit.predict(vessel, "lumped").chambers[0].volume,
        "scales": list(rows),
        "concert": concert,
        "by_lobes": by_lobes,
    })  # fmt: skip
    scales_picture(vessel.title or "", result, folder / "scales.png")
    write(folder, result, filled(HERE, result))
    return result


def scales_picture(title: str, result: dict[str, Any], to: Path) -> None:
    """How near each scale comes, in every way, as a picture."""
    rows = result["scales"]

    def curve(name: str, found: list[tuple[int, dict[str, Any]]], color: str) -> Curve:
        return Curve(name, [n for n, _ in found], [max(one["worst_cents"], IN_TUNE) for _, one in found], color=color)

    curves = [
        curve("diameters", [(row["semitones"], row["diameters"]) for row in rows], look.SLATE),
        curve("and places", [(row["semitones"], row["and places"]) for row in rows], look.QUIET),
        curve("and size and window", [(row["semitones"], row) for row in result["concert"]], look.CLAY),
        curve("and lobes instead", [(row["semitones"], row) for row in result["by_lobes"]], look.INK),
    ]
    panel = curves_panel(
        f"{title}: how near each scale comes",
        "semitones from the lowest note to the highest",
        "worst note, cents off",
        curves,
        f"seven notes on six holes; what is free, added up; {IN_TUNE:g} is in tune",
        x_ticks=[row["semitones"] for row in rows],
        y_scale="log",
        y_ticks=(IN_TUNE, 1, 10, 100),
    )
    save(page(panel), to)


def with_notes(text: str, before: Vessel, after: Vessel) -> str:
    """The figure's text with the notes of a scale at its end and the numbers of `after`."""
    (chamber,) = after.chambers
    for note in chamber.notes:
        text += f'\n[[chamber.note]]\npitch = "{note.pitch}"\nopen = {json.dumps(list(note.open))}\n'
    draft = simkit.loads(text, before.source)
    return rewritten(text, draft, after)


if __name__ == "__main__":
    run(study, HERE, __doc__, "one scale only")
