"""A guided tour of one design, the pocket wren: from the wish to the fired whistle, before there is any clay.

Run: python studies/00_first_whistle/study.py [--quick] [-o FOLDER]

Takes less than a minute; --quick takes a few seconds, judges slips of the hand by the textbook rule, looks at fewer
resonances, and writes to a folder of its own, named at the end. Writes result.json, the pictures, and README.md,
whose every number comes from result.json by way of README.template.md. A chapter is one function here and one
section there.
"""

from __future__ import annotations

import os

# One thread, as in the command line; before numpy is imported.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("MKL_NUM_THREADS", "1")

import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from written import filled, rounded, run, write

import simkit
from simkit.body import Body, Opening, body_of
from simkit.body.assembly import gap
from simkit.making import A4, Reamer, Stage, pages, shrinkage_of, work_of
from simkit.pitch import cents
from simkit.show.breath_picture import breath_panel
from simkit.show.lines import fingering
from simkit.show.look import page, save
from simkit.show.plates import ringing_panels
from simkit.show.printed import drawn
from simkit.show.scale import scale_chart
from simkit.show.views import views
from simkit.sound import models
from simkit.vessel import Vessel, target_of

DESIGN = HERE.parent / "designs" / "pocket_wren.toml"
MINUTES = 1  # at most, on an ordinary machine that has little else to do
MM, ML = 1e3, 1e6  # of a metre, of a cubic metre
WIDE_MM = 115  # of a chart on paper
SHOWN = 2  # the sheet that is shown: section cards
REAMER = Reamer(2, 14, 60)

# How the piece in the last chapter came out: invented, of the size that hands and kilns miss by.
AMISS_MM = {"clay.wall_mm": 0.3, "body.voicing.cut_up_mm": -0.15, "body.length_mm": 0.6}
MADE_PERCENT = 10.4  # what this clay shrinks by in truth
HAND_MM = 0.05  # cut too wide, each time
AMISS = {"wall_mm": 0.3, "cut_up_mm": -0.15, "length_mm": 0.6, "shrinkage_percent": MADE_PERCENT, "hand_mm": HAND_MM}
MOST_CUTS = 12


@dataclass(frozen=True)
class Tour:
    """The design that is shown, as a value and as a solid, and where its pictures go."""

    vessel: Vessel
    body: Body
    folder: Path
    quick: bool

    @property
    def careful(self) -> str:
        """The model that judges slips of the hand."""
        return "lumped" if self.quick else "ports"


# --- the chapters, in the order of the README ---


def wish(tour: Tour) -> dict[str, Any]:
    """What it should play, on which fingers."""
    (chamber,) = tour.vessel.chambers
    notes = [
        {"pitch": n.pitch, "fingering": fingering(chamber.holes, n.open), "target_hz": target_of(tour.vessel, n)}
        for n in chamber.notes
    ]
    return {"fingers": [hole.finger for hole in chamber.holes], "notes": notes}


def design(tour: Tour) -> dict[str, Any]:
    """What was written down, and what solid that is."""
    (chamber,), (solid,) = tour.vessel.chambers, tour.body.chambers
    save(page(views(tour.vessel, tour.body)), tour.folder / "vessel.png")
    inside = np.ptp(solid.wall.box, axis=0) * MM
    pairs = list(combinations(solid.openings, 2))
    return {
        "volume_ml": solid.volume * ML,
        "inside_mm": dict(zip(("across", "along", "up"), inside.tolist(), strict=True)),
        "outside_mm": dict(zip(("across", "along", "up"), (inside + 2 * solid.thickness * MM).tolist(), strict=True)),
        "wall_mm": solid.thickness * MM,
        "window_mm": [chamber.voicing.window_width_mm, chamber.voicing.cut_up_mm],
        "holes_mm": {hole.name: hole.diameter_mm for hole in chamber.holes},
        "least_clay_mm": min(gap(a, b) for a, b in pairs) * MM,
        "least_finger_spacing_mm": min(float(np.linalg.norm(outside(a) - outside(b))) for a, b in pairs) * MM,
        "fingertip_mm": tour.vessel.hand.fingertip_mm,
    }


def textbook(tour: Tour) -> dict[str, Any]:
    """What it plays by the textbook rule, and what that rule cannot see."""
    told = played(tour.vessel, "lumped")
    (case,) = models.cases(tour.vessel, state="still")  # by hand one takes the room's air and the window alone
    facts = models.resonator("lumped", case).evidence(()).facts
    speed = case.airs.chamber.sound_speed
    return told | {
        "conductivity_mm": facts["conductivity_m"] * MM,
        "sound_speed_m_s": speed,
        "still_hz": pitches(tour.vessel, "lumped", "still")[0],
        "by_hand_hz": speed / (2 * np.pi) * float(np.sqrt(facts["conductivity_m"] / facts["volume_m3"])),
        "left_out_cents": {name: facts[f"neglected_{name}_cents"] for name in ("curvature", "neighbours", "stretch")},
    }


def ports(tour: Tour) -> dict[str, Any]:
    """What it plays by the chamber's own field, and how far the textbook rule was off."""
    both = simkit.predict(tour.vessel, ["lumped", "ports"])
    air = tour.vessel.air
    caption = f"{air.temperature_c:g} °C, {air.humidity_percent:g} % humidity; bars: by how much the model may be wrong"
    holes = [hole.name for hole in tour.vessel.chambers[0].holes]
    save(page(scale_chart(tour.vessel.title, holes, both.notes, caption, WIDE_MM)), tour.folder / "scale.png")
    parted = [cents(n.by("lumped").frequency_hz, n.by("ports").frequency_hz) for n in both.notes]
    # The clay under the windway's end is there without a player too.
    moved = [{part: by for part, by in n.by("ports").parts_cents.items() if part != "floor"} for n in both.notes]
    return played(tour.vessel, "ports") | {
        "textbook_off_cents": parted,
        "textbook_off_most_cents": max(parted, key=abs),
        "parts_cents": moved,
        "played_over_still_cents": [sum(each.values()) for each in moved],
        "piece_uncertainty_cents": both.chambers[0].piece_cents["ports"],
    }


def closed(tour: Tour) -> dict[str, Any]:
    """How the chamber rings with every opening closed: what the note has no part in."""
    ringing = simkit.resonances(tour.vessel, 2 if tour.quick else 3, closed=True)
    save(page(*ringing_panels(tour.vessel, ringing)), tour.folder / "modes.png")
    rings = [ring.resonance for ring in ringing.chambers[0].rings]
    targets = [target_of(tour.vessel, n) for n in tour.vessel.chambers[0].notes]
    return {
        "rings": [{"frequency_hz": ring.frequency_hz, "q": ring.q} for ring in rings],
        "first_over_lowest_note": rings[0].frequency_hz / min(targets),
        "first_over_highest_note": rings[0].frequency_hz / max(targets),
    }


def slips(tour: Tour) -> dict[str, Any]:
    """What a slip of the hand, of the clay or of the weather costs: cents of the lowest and the highest note."""
    before = pitches(tour.vessel, tour.careful)
    found = []
    for what, other in slipped(tour.vessel):
        by = [cents(after, was) for after, was in zip(pitches(other, tour.careful), before, strict=True)]
        found.append({"what": what, "lowest_cents": by[0], "highest_cents": by[-1], "most_cents": max(by, key=abs)})
    holes = [slip["most_cents"] for slip in found if "wider" in slip["what"]]
    return {"hole_most_cents": max(holes), "one_at_a_time": found}


def breath(tour: Tour) -> dict[str, Any]:
    """How hard each note is to be blown, and how much more it stands."""
    blown = simkit.blow(tour.vessel)
    (chamber,) = blown.chambers
    title = f"{tour.vessel.title}: breath"
    save(page(breath_panel(title, [hole.name for hole in tour.vessel.chambers[0].holes], chamber)),
         tour.folder / "breath.png")  # fmt: skip
    notes = [n.blown for n in chamber.notes]
    return {
        "pressure_pa": [n.pressure for n in notes],
        "most_over_least": max(n.pressure for n in notes) / min(n.pressure for n in notes),
        "least_margin": min(n.overblow_margin for n in notes),
        "bend_cents": [n.bend_cents for n in notes],
    }


def sheets(tour: Tour) -> dict[str, Any]:
    """What the bench is given: sizes for clay that still shrinks, and what the tuner must show before the kiln."""
    work = work_of(tour.vessel, reamers=[REAMER])
    (chamber,) = work.chambers
    save(drawn(pages(work, A4)[SHOWN]), tour.folder / "sheet.png")
    leather = [each for _, _, readings in chamber.notes for each in readings if each.stage is Stage.LEATHER_HARD]
    return {
        "wet_length_mm": design_length(tour.vessel) * work.shrinkage.size(Stage.WET),
        "length_mm": design_length(tour.vessel),
        "shrinkage_percent": 100 * work.shrinkage.total,
        "leather_hard": [
            {
                "frequency_hz": r.frequency_hz,
                "cents": r.cents,
                "nearest": str(r.nearest),
                "above": r.nearest_cents,
                "uncertainty_cents": r.uncertainty_cents,
            }
            for r in leather
        ],
        "pages": len(pages(work, A4)),
    }


def bench(tour: Tour) -> dict[str, Any]:
    """A piece of clay that came out otherwise than drawn, tuned by what the bench says: each cut and what was read."""
    clay = Clay(tour.vessel)
    told, steps = [f"D5={clay.blown(()):.1f}"], []
    with tempfile.TemporaryDirectory() as place:
        log = Path(place) / "wren.bench.jsonl"
        said = simkit.tune(tour.vessel, log=log, stage=Stage.LEATHER_HARD, volume_ml=clay.volume_ml, heard=told)
        while said.cut is not None and len(steps) < (1 if tour.quick else MOST_CUTS):
            cut = said.cut
            clay.cut(cut.hole, cut.to_mm)
            heard = clay.blown(cut.open)
            steps.append({"hole": cut.hole, "to_mm": cut.to_mm, "note": cut.note, "expected_hz": cut.expect_hz,
                          "heard_hz": heard})  # fmt: skip
            said = simkit.tune(tour.vessel, log=log, heard=[f"{cut.note}={heard:.1f}"])
    return {"amiss": AMISS, "first_hz": clay.blown(()), "steps": steps, "fired": clay.fired()}


CHAPTERS: tuple[Callable[[Tour], dict[str, Any]], ...] = (
    wish, design, textbook, ports, closed, slips, breath, sheets, bench,
)  # fmt: skip


# --- a piece of clay ---


class Clay:
    """The piece as it stands on the bench: what came out otherwise than drawn, and the holes cut so far, mm."""

    def __init__(self, drawn_as: Vessel):
        true = drawn_as.with_values({key: drawn_as.value(key) + by for key, by in AMISS_MM.items()})
        self.shrinkage = shrinkage_of(drawn_as.with_value("clay.shrinkage_percent", MADE_PERCENT))
        factor = self.shrinkage.total
        self.true = resized(true, (1 - factor) / (1 - shrinkage_of(drawn_as).total))
        self.holes: dict[str, float] = {}

    def cut(self, hole: str, to_mm: float) -> None:
        """Cuts a hole, a little wider than was asked, as hands do."""
        self.holes[hole] = to_mm + HAND_MM

    @property
    def volume_ml(self) -> float:
        """The chamber's air as water would tell it now."""
        solid = body_of(self.now(Stage.LEATHER_HARD)).chambers[0]
        return round(solid.volume * ML, 1)

    def now(self, stage: Stage) -> Vessel:
        """The piece at a stage, with the holes that are cut; the others are still clay."""
        size = self.shrinkage.size(stage)
        leather = self.shrinkage.size(Stage.LEATHER_HARD)
        grown = resized(self.true, size)
        (chamber,) = grown.chambers
        holes = tuple(
            hole.model_copy(update={"diameter_mm": self.holes[hole.name] * size / leather})
            for hole in chamber.holes
            if hole.name in self.holes
        )
        notes = tuple(n for n in chamber.notes if set(n.open) <= set(self.holes))
        return grown.with_chamber(chamber.model_copy(update={"holes": holes, "notes": notes}))

    def blown(self, opened: tuple[str, ...]) -> float:
        """What the tuner shows for a fingering now, Hz."""
        (case,) = models.cases(self.now(Stage.LEATHER_HARD), state="played")
        return models.resonator("ports", case).resonances(opened, 1)[0].frequency_hz

    def fired(self) -> dict[str, Any]:
        """What the fired piece plays: cents off the written pitch, and off the pitch that all its notes share."""
        off = [n.by("ports").cents for n in simkit.predict(self.now(Stage.FIRED), "ports").notes]
        own = [cents_off - off[0] for cents_off in off]
        return {"cents": off, "own_cents": own, "worst_own_cents": max(own, key=abs)}


def resized(vessel: Vessel, factor: float) -> Vessel:
    """The piece with all its sizes times a factor."""
    names = ("clay", *(chamber.name for chamber in vessel.chambers))
    return vessel.with_values(
        {
            key: number.value * factor
            for key, number in vessel.numbers.items()
            if key.split(".")[0] in names and key.endswith("_mm") and number.value is not None
        }
    )


# --- what the chapters ask ---


def design_length(vessel: Vessel) -> float:
    """The chamber's length as drawn, mm."""
    return vessel.value(f"{vessel.chambers[0].name}.length_mm")


def outside(opening: Opening) -> np.ndarray:
    """Where a finger meets the hole: its centre on the outer surface, m."""
    return opening.center + opening.length * opening.axis


def played(vessel: Vessel, model: str) -> dict[str, Any]:
    """Each note by one model, and the worst of them."""
    notes = [n.by(model) for n in simkit.predict(vessel, model).notes]
    keys = ("frequency_hz", "cents", "uncertainty_cents", "q")
    return {
        "notes": [{key: getattr(n, key) for key in keys} for n in notes],
        "worst_cents": max((n.cents for n in notes), key=abs),
        "widest_uncertainty_cents": max(n.uncertainty_cents for n in notes),
    }


def pitches(vessel: Vessel, model: str, state: str = "played") -> list[float]:
    """The notes' frequencies, Hz."""
    return [n.by(model).frequency_hz for n in simkit.predict(vessel, model, state=state).notes]


def slipped(vessel: Vessel) -> Iterator[tuple[str, Vessel]]:
    """The design with one thing gone wrong at a time, and what went wrong in words."""
    (chamber,) = vessel.chambers
    for hole in chamber.holes:
        key = f"{chamber.name}.hole.{hole.name}.diameter_mm"
        yield f"hole {hole.name} wider by 0.1 mm", moved(vessel, key, 0.1)
    last = f"{chamber.name}.hole.{chamber.holes[-1].name}.along_mm"
    yield f"hole {chamber.holes[-1].name} cut 3 mm farther along", moved(vessel, last, 3)
    yield "cut-up longer by 0.1 mm", moved(vessel, f"{chamber.name}.voicing.cut_up_mm", 0.1)
    yield "wall thicker by 0.5 mm", moved(vessel, "clay.wall_mm", 0.5)
    yield "clay shrinks by 1 % more", shrunk(vessel, vessel.clay.shrinkage_percent + 1)
    yield "room warmer by 10 °C", moved(vessel, "air.temperature_c", 10)


def moved(vessel: Vessel, key: str, by: float) -> Vessel:
    """The design with one number changed."""
    return vessel.with_value(key, vessel.value(key) + by)


def shrunk(vessel: Vessel, shrinkage_percent: float) -> Vessel:
    """The piece as it comes out of the kiln where the same wet clay shrinks by another share: all sizes follow."""
    return resized(vessel, (100 - shrinkage_percent) / (100 - vessel.clay.shrinkage_percent))


# --- running it ---


def readme(result: dict[str, Any]) -> str:
    """The README: the template with the numbers of a result, and with pieces of the design as it is written."""
    return filled(HERE, result, written=DESIGN.read_text(encoding="utf-8").rstrip())


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Walks through the chapters and writes result.json, README.md and the pictures to a folder."""
    vessel = simkit.load(DESIGN)
    tour = Tour(vessel, body_of(vessel), folder, quick)
    result: dict[str, Any] = {"minutes": MINUTES}
    result |= {chapter.__name__: chapter(tour) for chapter in CHAPTERS}
    result = rounded(result, 6)  # a hundredth of a cent
    write(folder, result, readme(result))
    return result


if __name__ == "__main__":
    run(study, HERE, __doc__, "a few seconds instead of a minute, and rougher")
