"""How the shape of the chamber changes its tone and how it overblows, at one volume and one pitch.

Run: python studies/02_shape_and_tone/study.py [--quick] [-o FOLDER]

Takes about three minutes. --quick looks at three shapes only, not trimmed to the notes, writes no page, and writes to
a folder of its own, named at the end. Writes result.json, the pictures, and README.md, whose every number comes from
result.json by way of README.template.md.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from bodies import BODIES, HOLE, MM, VOLUME_ML, WINDOW, Body
from drawings.bodies import Column, Mark, Shown, bodies_panel
from written import filled, rounded, run, write

import simkit
from simkit.pitch import Tuning, cents, note
from simkit.show import look
from simkit.show.look import page, save
from simkit.show.outline import ABOVE, RIGHT
from simkit.show.pressure import ModePicture, pressure
from simkit.sound import models
from simkit.sound.blowing.behaviour import Blown, blow_fingerings
from simkit.sound.blowing.growth import HIGHEST_PA
from simkit.sound.blowing.table import RESONANCES, jet_of
from simkit.sound.elements.constants import JetConstants
from simkit.sound.models.ports import PortsResonator
from simkit.sound.models.resonator import Case
from simkit.vessel import Vessel

MINUTES = 3  # on an ordinary machine that has little else to do
LOW, HIGH = "A#4", "F5"  # what every body plays, its one hole covered and open
NAMES = ("sphere", "egg", "lens", "ellipsoid_2", "ellipsoid_3", "ellipsoid_4", "tube", "figure", "trunk", "ring",
         "waist_24", "waist_18", "waist_13", "waist_10")  # fmt: skip
QUICK = ("sphere", "ellipsoid_4", "waist_13")
DRAWN = ("sphere", "ellipsoid_4", "waist_13")  # whose second resonance is shown
HEARD = 2e-5  # Pa, 0 dB
KEYS = ("body.voicing.window_width_mm", "body.hole.hole.diameter_mm")  # trimmed to the low and to the high note
START_MM = np.array([9.0, 7.5])
STEPS = 6


@dataclass(frozen=True)
class Tuned:
    """A body whose window and hole are trimmed to the two notes, and what it does when it is blown."""

    body: Body
    vessel: Vessel

    @classmethod
    def of(cls, body: Body, steps: int) -> Tuned:
        """Trim the window's width and the hole's diameter until both notes sound, by so many steps."""
        window, far = body.at(body.window), body.at(body.far)
        text = body.chamber_text + WINDOW.format(MM * window.along, window.around_deg)
        text += HOLE.format(name="hole", along=MM * far.along, around=far.around_deg, diameter=START_MM[1])
        vessel = simkit.loads(text, body.name)

        def sized(logs: np.ndarray) -> Vessel:
            return vessel.with_values(dict(zip(KEYS, (START_MM * np.exp(logs)).tolist(), strict=True)))

        return cls(body, sized(trimmed(sized, steps)))

    @cached_property
    def case(self) -> Case:
        """What the models are asked about."""
        return models.cases(self.vessel, state="still")[0]

    @cached_property
    def resonator(self) -> PortsResonator:
        """The port model of it."""
        return ports(self.case)

    @cached_property
    def blown(self) -> Blown:
        """Both notes before the jet, the hole covered and open, without the overtones' pull."""
        motion = self.resonator.motion(np.array([[0.0], [1.0]]), RESONANCES)
        return blow_fingerings(motion, jet_of(self.case, JetConstants.from_table(self.vessel.jet)), careful=False)

    def note(self, i: int) -> dict[str, Any]:
        """Resonances, their drive and Q, and the breath of one of the two notes."""
        blown, motion = self.blown, self.blown.loop.motion
        said = blown.note(i)
        return {
            "frequency_hz": motion.frequency[i].tolist(),
            "over_first": (motion.frequency[i] / motion.frequency[i, 0]).tolist(),
            "q": motion.q[i].tolist(),
            "drive_percent": (100 * motion.drive[i] / motion.drive[i].sum()).tolist(),
            "threshold_pa": said.threshold,
            "breath_pa": said.pressure,
            "jumps_at_pa": said.overblow_at,
            "margin": said.overblow_margin,
            "airiness_db": said.airiness_db,
            "level_db": level(float(blown.radiated_power[i]), self.case),
        }


def ports(case: Case) -> PortsResonator:
    """The port model of a case."""
    found = models.resonator("ports", case)
    assert isinstance(found, PortsResonator)
    return found


def frequency(pitch: str) -> float:
    """Of a note in equal temperament, Hz."""
    return Tuning().frequency(note(pitch))


def level(watts: float, case: Case) -> float:
    """Sound pressure level at 1 m in the open, dB: p^2 = W rho c/(4 pi r^2)."""
    air = case.airs.room
    return float(10 * np.log10(watts * air.density * air.sound_speed / (4 * np.pi) / HEARD**2))


def off(vessel: Vessel) -> np.ndarray:
    """How far both notes lie from where they should be, cents."""
    (case,) = models.cases(vessel, state="still")
    rings = [ports(case).resonances(opened, 1)[0].frequency_hz for opened in ((), ("hole",))]
    return np.array([cents(hz, frequency(pitch)) for hz, pitch in zip(rings, (LOW, HIGH), strict=True)])


def trimmed(sized: Callable[[np.ndarray], Vessel], steps: int) -> np.ndarray:
    """Logarithms of the sizes over their start at which both notes sound: Newton's steps, then Broyden's."""
    logs, step = np.zeros(2), 0.05
    if not steps:
        return logs
    now = off(sized(logs))
    slopes = np.stack([(off(sized(step * way)) - now) / step for way in np.eye(2)], axis=1)
    for _ in range(steps):
        move = np.clip(np.linalg.solve(slopes, -now), -0.3, 0.3)
        logs = logs + move
        before, now = now, off(sized(logs))
        if np.abs(now).max() < 0.05:
            break
        slopes = slopes + np.outer(now - before - slopes @ move, move) / (move @ move)
    return logs


# --- the study ---------------------------------------------------------------------------------------------


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Trims and blows every body and writes result.json, README.md and the pictures to a folder."""
    bodies = {body.name: body for body in BODIES}
    tuned, shapes = {}, {}
    for name in QUICK if quick else NAMES:
        sys.stderr.write(f"{name}\n")  # a run of minutes shows where it is
        tuned[name] = Tuned.of(bodies[name], 0 if quick else STEPS)
        shapes[name] = facts(tuned[name])
    for each in shapes.values():
        for which in ("low", "high"):
            each[which]["louder_than_ball_db"] = each[which]["level_db"] - shapes["sphere"][which]["level_db"]
    result = rounded(
        {"minutes": MINUTES, "volume_ml": VOLUME_ML, "pitches": [LOW, HIGH], "shapes": list(shapes.values())}
    )
    result["trends"] = rounded(trends(shapes))
    drawn(list(tuned.values()), shapes, folder)
    write(folder, result, None if quick else readme(result))  # the page tells of them all
    return result


def facts(tuned: Tuned) -> dict[str, Any]:
    """What is recorded of one body."""
    size = np.sort(np.ptp(tuned.body.wall.box, axis=0))
    return {
        "name": tuned.body.name,
        "words": tuned.body.words,
        "long_over_wide": float(size[-1] / np.sqrt(size[0] * size[1])),
        "window_width_mm": tuned.vessel.value(KEYS[0]),
        "hole_mm": tuned.vessel.value(KEYS[1]),
        "low": tuned.note(0),
        "high": tuned.note(1),
    }


def trends(shapes: dict[str, Any]) -> dict[str, Any]:
    """What the verdict rests on: extremes over all shapes, and whether a narrower waist always jumps sooner."""
    waists = [each for name, each in shapes.items() if name.startswith("waist")]
    both = [[(each[which], each["words"]) for each in shapes.values()] for which in ("low", "high")]
    off = [
        cents(n["frequency_hz"][0], frequency(pitch))
        for notes, pitch in zip(both, (LOW, HIGH), strict=True)
        for n, _ in notes
    ]
    waisted = [[each[which] for each in waists] for which in ("low", "high")]
    return {
        "off_cents": max(map(abs, off)),
        "q_low": extremes(n["q"][0] for n, _ in both[0]),
        "level_low_db": extremes(n["louder_than_ball_db"] for n, _ in both[0]),
        "second_over_first_low": extremes(n["over_first"][1] for n, _ in both[0]),
        "breath_pa": [extremes(n["breath_pa"] for n, _ in notes) for notes in both],
        "margin": [extremes(n["margin"] for n, _ in notes) for notes in both],
        "never_jump": [[words for n, words in notes if n["jumps_at_pa"] is None] for notes in both],
        "narrower_jumps_sooner": [
            bool((np.diff([n["jumps_at_pa"] or HIGHEST_PA for n in notes]) <= 0).all()) for notes in waisted
        ],
        "narrower_less_margin": [bool((np.diff([n["margin"] for n in notes]) <= 0).all()) for notes in waisted],
    }


def extremes(values: Any) -> list[float]:
    """The least and the largest."""
    every = list(values)
    return [min(every), max(every)]


# --- pictures ----------------------------------------------------------------------------------------------


def drawn(tuned: Sequence[Tuned], shapes: dict[str, Any], folder: Path) -> None:
    """The ladder of resonances with the breath of both notes, and the second resonance of three bodies."""
    rows = [Shown(t.body.words, t.case.body, RIGHT if t.body.name in ("figure", "trunk") else ABOVE) for t in tuned]
    found = [shapes[t.body.name] for t in tuned]
    columns = [ladder([f["low"] for f in found]), *(breath(p, [f[w] for f in found]) for p, w in
               ((LOW, "low"), (HIGH, "high")))]  # fmt: skip
    key = [
        (Mark(0, look.CLAY, "o", 5), "a resonance, larger where the window drives it more"),
        (Mark(0, look.INK, "o", 4), "breath"),
        (Mark(0, look.INK, "v", 4), "where it jumps"),
    ]
    caption = "bars: from where a note can start to where it jumps, or to 5,000 Pa; Pa are uncertain, ratios are surer"
    save(page(bodies_panel("One volume, one pitch, many shapes", rows, columns, key, caption)), folder / "shapes.png")
    for each in tuned:
        if each.body.name in DRAWN:
            ring = each.resonator.resonances((), 2)[1]
            ratio = shapes[each.body.name]["low"]["over_first"][1]
            words = f"second resonance, {ring.frequency_hz:.0f} Hz, {ratio:.1f} times the note"
            picture = ModePicture(each.resonator.pressure((), ring), words)
            openings = each.case.chamber.all_openings
            panel = pressure(each.resonator.mesh, [picture], each.body.words, openings)
            save(page(panel), folder / f"second_{each.body.name}.png")


def ladder(notes: Sequence[dict[str, Any]]) -> Column:
    """The resonances over the first, as dots of an area that grows with the drive."""
    marks = [
        [
            Mark(ratio, look.CLAY, "o", 2.2 + 9 * float(np.sqrt(drive / 100)))
            for ratio, drive in zip(each["over_first"], each["drive_percent"], strict=True)
        ]
        for each in notes
    ]
    ticks = (1, 2, 3, 4, 6, 8, 12)
    return Column(f"resonances, {LOW}", "times the note", (0.85, 16), ticks, marks, scale="log", width_mm=58)


def breath(pitch: str, notes: Sequence[dict[str, Any]]) -> Column:
    """From where a note can start to where it jumps."""
    marks, bars, numbers = [], [], []
    for each in notes:
        jump = each["jumps_at_pa"]
        marks.append([Mark(each["breath_pa"], look.INK), *([Mark(jump, look.INK, "v")] if jump else [])])
        bars.append((each["threshold_pa"], jump or HIGHEST_PA))
        numbers.append(f"{each['margin']:.1f}×" if jump else f"> {each['margin']:.0f}×")
    return Column(f"breath, {pitch}, and margin", "Pa", (20, HIGHEST_PA), (20, 50, 200, 500, 2000, 5000), marks, bars,
                  "log", numbers=numbers)  # fmt: skip


# --- running it --------------------------------------------------------------------------------------------


def readme(result: dict[str, Any]) -> str:
    """The README: the template with the numbers of a result."""
    return filled(HERE, result, by={each["name"]: each for each in result["shapes"]})


if __name__ == "__main__":
    run(study, HERE, __doc__, "three shapes only, not trimmed")
