"""How the window and the windway move the breath, the margin to overblowing and the airiness of one design.

Run: python studies/03_window_and_windway/study.py [--quick] [-o FOLDER]

Takes about two minutes; --quick looks at the corners of the maps only and writes to a folder of its own, named at the
end. Writes result.json, the pictures, and README.md, whose every number comes from result.json by way of
README.template.md.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from drawings.maps import maps_panel
from written import filled, rounded, run, write

import simkit
from simkit.show.look import page, save
from simkit.sound import models
from simkit.sound.blowing.behaviour import blow_fingerings
from simkit.sound.blowing.table import RESONANCES, jet_of
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.constants import JetConstants
from simkit.sound.models.resonator import Motion, openness_of
from simkit.vessel import Vessel

DESIGN = HERE.parent / "designs" / "tide_pendant.toml"
MINUTES = 2  # on an ordinary machine that has little else to do
SHARES = np.array([0.8, 0.9, 1.0, 1.1, 1.2])  # of the size as designed
OFFSETS_MM = np.array([-0.5, -0.25, 0.0, 0.25, 0.5])  # positive: into the chamber
NUMBERS = {"breath, Pa": "pressure", "margin": "overblow_margin", "airy, dB": "airiness_db"}


@dataclass(frozen=True)
class Blowing:
    """The lowest and the highest note of a design before its jet."""

    motion: Motion
    jet: AirJet

    @classmethod
    def of(cls, vessel: Vessel) -> Blowing:
        """The design's, by the port model."""
        (case,), (chamber,) = models.cases(vessel, state="still"), vessel.chambers
        resonator = models.resonator("ports", case)
        openness = np.array([openness_of(resonator.holes, chamber.notes[n].open) for n in (0, -1)])
        return cls(resonator.motion(openness, RESONANCES), jet_of(case, JetConstants.from_table(vessel.jet)))

    def numbers(self) -> np.ndarray:
        """(3, 2) breath in Pa, margin and airiness in dB of both notes, NaN where a note is silent."""
        blown = blow_fingerings(self.motion, self.jet, careful=False)
        return np.array([getattr(blown, name) for name in NUMBERS.values()])


def window(vessel: Vessel, shares: np.ndarray) -> tuple[dict[str, Any], np.ndarray]:
    """Cut-up across, width up: the chamber's air is asked anew for each, so the note moves with its window."""
    voicing = f"{vessel.chambers[0].name}.voicing"
    cut_up, width = (vessel.value(f"{voicing}.{key}") for key in ("cut_up_mm", "window_width_mm"))
    found = np.array([
        [
            Blowing.of(
                vessel.with_values({f"{voicing}.cut_up_mm": cut_up * a, f"{voicing}.window_width_mm": width * b})
            ).numbers()
            for a in shares
        ]
        for b in shares
    ])  # fmt: skip
    return {"cut_up_mm": cut_up * shares, "window_width_mm": width * shares}, found


def windway(vessel: Vessel, shares: np.ndarray, offsets_mm: np.ndarray) -> tuple[dict[str, Any], np.ndarray]:
    """Windway height across, the labium's offset up: the chamber's air is the same for all."""
    blowing = Blowing.of(vessel)
    height = blowing.jet.height
    found = np.array([
        [replace(blowing, jet=replace(blowing.jet, height=height * a, offset=b / 1000)).numbers() for a in shares]
        for b in offsets_mm
    ])  # fmt: skip
    return {"windway_height_mm": 1000 * height * shares, "edge_offset_mm": offsets_mm}, found


def told(axes: dict[str, Any], found: np.ndarray, names: tuple[str, str]) -> dict[str, Any]:
    """The maps (y, x) of each note for the record, null where a note is silent."""
    maps = {
        note: {
            key: [[float(v) if np.isfinite(v) else None for v in row] for row in found[:, :, k, n]]
            for k, key in enumerate(NUMBERS.values())
        }
        for n, note in enumerate(names)
    }
    return {key: np.asarray(values).tolist() for key, values in axes.items()} | {"maps": maps}


def drawn(
    title: str, labels: tuple[str, str], axes: dict[str, Any], found: np.ndarray, pitches: list[str], to: Path
) -> None:
    """The same as a picture."""
    x, y = axes.values()
    rows = {pitch: {name: found[:, :, k, n] for k, name in enumerate(NUMBERS)} for n, pitch in enumerate(pitches)}
    save(page(maps_panel(title, (labels[0], x), (labels[1], y), rows)), to)


def powers(x: np.ndarray, along: np.ndarray) -> list[float]:
    """By how many per cent both notes' numbers (X, 2) move for each per cent of x, from end to end."""
    return [float(v) for v in np.log(along[-1] / along[0]) / np.log(x[-1] / x[0])]


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Makes both maps and writes result.json, README.md and the pictures to a folder."""
    vessel = simkit.load(DESIGN)
    notes = vessel.chambers[0].notes
    pitches = [notes[0].pitch, notes[-1].pitch]
    # The middle stays in, for slopes are read through the design as it is.
    some = slice(None, None, 2) if quick else slice(None)
    axes_a, a = window(vessel, SHARES[1:4] if quick else SHARES)
    axes_b, b = windway(vessel, SHARES[some], OFFSETS_MM[some])
    drawn("Tide pendant: window", ("cut-up, mm", "window width, mm"), axes_a, a, pitches, folder / "window.png")
    drawn(
        "Tide pendant: windway", ("windway height, mm", "labium offset, mm"), axes_b, b, pitches, folder / "windway.png"
    )
    middle_a, middle_b = len(a) // 2, len(b) // 2
    slopes = {
        key: {
            "cut_up": powers(axes_a["cut_up_mm"], a[middle_a, :, k]),
            "width": powers(axes_a["window_width_mm"], a[:, middle_a, k]),
            "height": powers(axes_b["windway_height_mm"], b[middle_b, :, k]),
        }
        for k, key in enumerate(("pressure", "margin"))
    }
    airier = {
        "cut_up": (a[middle_a, -1, 2] - a[middle_a, 0, 2]).tolist(),
        "width": (a[-1, middle_a, 2] - a[0, middle_a, 2]).tolist(),
        "height": (b[middle_b, -1, 2] - b[middle_b, 0, 2]).tolist(),
        "offset_in": (b[-1, middle_b, 2] - b[middle_b, middle_b, 2]).tolist(),
        "offset_out": (b[0, middle_b, 2] - b[middle_b, middle_b, 2]).tolist(),
    }
    result = {
        "minutes": MINUTES,
        "pitches": pitches,
        "as_designed": dict(zip(NUMBERS.values(), a[middle_a, middle_a].tolist(), strict=True)),
        "percent_per_percent": slopes,
        "airier_db_end_to_end": airier,
        "jump_pa_from_end_to_end_of_cut_up": (a[middle_a, :, 0, 0] * a[middle_a, :, 1, 0])[[0, -1]].tolist(),
        "silent_cells": {"window": int(np.isnan(a[..., 0, :]).sum()), "windway": int(np.isnan(b[..., 0, :]).sum())},
        "window": told(axes_a, a, ("lowest", "highest")),
        "windway": told(axes_b, b, ("lowest", "highest")),
    }
    result = rounded(result)
    write(folder, result, filled(HERE, result))
    return result


if __name__ == "__main__":
    run(study, HERE, __doc__, "a few cells of each map")
