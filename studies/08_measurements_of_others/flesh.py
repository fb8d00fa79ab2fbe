"""What a finger leaves of the air of the hole that it covers, beside what was measured in pipes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

import simkit
from simkit.sound import models
from simkit.sound.elements.touch import flesh_depth, left_covered

# C. P. Dickens 2007, thesis, University of New South Wales, chapter 4: holes of radius b in pipes with walls of 1, 2.5
# and 5 mm: flesh reaches 0.1 b to 0.8 b into them, the farther the wider the hole beside the pipe.
WALLS_MM, REACHED = (1.0, 2.5, 5.0), (0.1, 0.8)
RADII_MM = (1.5, 2.5, 4.0, 5.5)
PAD = 0.1  # depth of the cap that was taken before, in diameters: common practice, no source


def left_by_cap(radius: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Air left where the pad bulges as a cap of a tenth of the hole's diameter."""
    depth = 2 * PAD * radius
    return np.asarray(np.pi * radius**2 * length - np.pi * depth * (3 * radius**2 + depth**2) / 6)


def on_covered_note(path: Path) -> dict[str, float]:
    """Cents that flesh raises the covered note of a design above a cap's: all holes, and the one that does most.

    By the air that is left: f goes as 1/sqrt(V).
    """
    (case,) = models.cases(simkit.load(path))
    holes = case.chamber.openings
    radius, length = (np.array([getattr(hole, key) for hole in holes]) for key in ("radius", "length"))
    lost = left_by_cap(radius, length) - left_covered(np.pi * radius**2, length).value
    cents = 600 / np.log(2) * lost / (case.chamber.volume + left_by_cap(radius, length).sum())
    return {"holes": len(holes), "cents": float(cents.sum()), "most_cents": float(cents.max())}


def fingers(designs: Mapping[str, Path], names: Sequence[str]) -> dict[str, Any]:
    """Our law over radius and wall, what is left of a hole 8 mm wide and 4 mm deep, and what it does to two flutes."""
    walls, radii = np.meshgrid(WALLS_MM, RADII_MM, indexing="ij")
    reach = flesh_depth(1e-3 * radii, 1e-3 * walls).value / (1e-3 * radii)
    radius, length = np.array(4e-3), np.array(4e-3)
    whole = np.pi * radius**2 * length
    return {
        "walls_mm": list(WALLS_MM),
        "radii_mm": list(RADII_MM),
        "reach_over_radius": reach.tolist(),
        "measured_reach": list(REACHED),
        "left_percent": float(100 * left_covered(np.pi * radius**2, length).value / whole),
        "left_by_cap_percent": float(100 * left_by_cap(radius, length) / whole),
        "flutes": [{"name": name, **on_covered_note(designs[name])} for name in names],
    }
