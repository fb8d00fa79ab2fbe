"""Resonators that somebody measured and nobody blew: two cavities with a neck, clay jars, bottles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import RegularGridInterpolator
from scipy.optimize import brentq, least_squares

import simkit
from simkit.air import moist_air
from simkit.sound import models
from simkit.sound.models.lumped import LumpedResonator
from simkit.sound.models.ports import PortsResonator
from simkit.sound.models.resonator import Resonance
from simkit.vessel import Vessel

HERE = Path(__file__).parent

# A. Peaks of transmission loss of a duct of 48.59 mm with the cavity beside it. Selamet, Radavich, Dickey & Novak 1997,
# J. Acoust. Soc. Am. 101(1), 41-51 (quoted from another text): length over diameter, Hz.
CAVITIES = {"cavity_short": (1.0, 91.0), "cavity_long": (10.0, 72.0)}
# What the air of the duct adds to the neck, in its radii: Nederveen, Jansen & van Hassel 1998, Acustica 84, 957, and
# Dubos et al. 1999, Acustica 85, 153, for a hole of 0.83 of the pipe (from memory). Whether the 85 mm hold some of it
# is not said, so all from 0 to that.
DUCT_END = (0.0, 0.3)
LITRES, NECK_MM = 4.5, 40.44

# B. Q of terracotta jars by the width of their resonance: V. Desarnaulds 2002, EPFL thesis 2597, table 4: neck, cavity,
# Q calculated there, Q measured, and its doubt. The thesis's next pages give mouths about 88 mm, notes near 300 Hz.
JARS = (
    ("straight", 5.36, 5.24, 0.4), ("straight", 5.55, 5.94, 0.5), ("short", 3.55, 5.28, 0.3), ("open", 4.47, 4.53, 0.4),
    ("open", 7.72, 6.77, 0.6), ("short", 3.17, 4.32, 0.3), ("short, cylinder", 2.42, 5.58, 0.4),
    ("open", 4.59, 6.35, 0.5),
)  # fmt: skip
JAR_HZ, JAR_NECKS_MM = 300.0, (8.0, 40.0)
BRICK = 0.03  # sound that unglazed brick swallows of what meets it square, at 250 to 500 Hz: tables of room acoustics

# E. Air left (cm3) and note (Hz): C. R. Nave, HyperPhysics, Georgia State University, page on the cavity resonance.
BOTTLE_ML = np.arange(100.0, 501.0, 25.0)
BOTTLE_HZ = np.array([355, 310, 280, 256, 239, 225, 212, 202, 193, 185, 178, 171, 165, 161, 156, 152, 146], float)
LEVELS_MM = (128.0, 70.0, 2.0)  # of the water
NECK_RADII_MM, NECK_LENGTHS_MM = (8.0, 11.0), (45.0, 75.0)  # that a bottle may have
BOTTLE_MM = 33.0  # its own radius
# Bottles of a bore of 19.05 mm: ml, neck in mm, Hz (read on a public page; which, is not noted). Their necks widen
# towards the body. A third, of 1.5 l, has a neck of 178 mm: a design file takes none longer than 100.
CRUDE = ((750.0, 89.0, 114.0), (355.0, 76.0, 191.0))


def load(name: str) -> Vessel:
    """A design of this folder."""
    return simkit.load(HERE / f"{name}.toml")


def asked(vessel: Vessel, mesh: float) -> dict[str, Any]:
    """Its one chamber by the two quick models, as a still piece."""
    (case,) = models.cases(vessel, mesh=mesh)
    return {name: models.resonator(name, case) for name in ("lumped", "ports")}


def ring(resonator: Any) -> Resonance:
    """Its note with every hole open."""
    found: Resonance = resonator.resonances(resonator.holes, 1)[0]
    return found


def slope(ml: np.ndarray, hz: np.ndarray) -> float:
    """Of log frequency over log volume."""
    return float(np.polyfit(np.log(ml), np.log(hz), 1)[0])


# --- A: two cavities with a neck -------------------------------------------------------------------------------


def held_at_zero(resonator: Any, end: float) -> Any:
    """The same with its one mouth at a place without pressure, `end` metres of air beyond the neck.

    So it stands beside a duct at the peak of the transmission loss: all of the wave turns back there, and no pressure
    is left at the mouth. Outside there is then no air to move and nothing to radiate into.
    """
    if isinstance(resonator, LumpedResonator):
        (aperture,) = resonator.apertures
        return replace(resonator, apertures=(replace(aperture, outer=end, outer_viscous=0.0),))
    circuit = resonator.circuit
    (duct,), around = circuit.ducts, circuit.field.around
    field = replace(circuit.field, around=replace(around, terms=0 * around.terms))
    duct = replace(duct, aperture=replace(duct.aperture, outer=end, outer_viscous=0.0))
    return replace(resonator, circuit=replace(circuit, field=field, ducts=(duct,)))


def cavity(length_over_diameter: float, mesh: float) -> dict[str, Any]:
    """Frequencies of one cavity of LITRES: with its mouth in the open, and with it at no pressure, from end to end."""
    diameter = (4e6 * LITRES / (np.pi * length_over_diameter)) ** (1 / 3)  # mm
    side = np.sqrt(np.pi) / 2 * diameter
    sizes = {
        "width_mm": side,
        "length_mm": side,
        "height_mm": length_over_diameter * diameter,
        "hole.neck.along_mm": side / 2,
    }
    vessel = load("cavity_long").with_values({f"cavity.{key}": float(value) for key, value in sizes.items()})
    found = asked(vessel, mesh)
    ends = [share * NECK_MM / 2000 for share in DUCT_END]
    return {
        "length_over_diameter": length_over_diameter,
        **{
            name: {
                "open_hz": ring(each).frequency_hz,
                "duct_hz": [ring(held_at_zero(each, end)).frequency_hz for end in reversed(ends)],
            }
            for name, each in found.items()
        },
    }


def cavities(shapes: Sequence[float], mesh: float) -> dict[str, Any]:
    """Both measured cavities and some between them; how far the models lie from what was measured, per cent."""
    rows = [cavity(shape, mesh) for shape in shapes]
    heard = [hz for _, hz in CAVITIES.values()]
    at = [next(row for row in rows if row["length_over_diameter"] == shape) for shape, _ in CAVITIES.values()]
    off = {}
    for name in ("lumped", "ports"):
        duct, opened = np.array([row[name]["duct_hz"] for row in at]), np.array([row[name]["open_hz"] for row in at])
        off[name] = {
            "off_percent": (100 * (duct / np.array(heard)[:, None] - 1)).tolist(),
            "open_off_percent": (100 * (opened / np.array(heard) - 1)).tolist(),
            "ratio": (duct[1] / duct[0]).tolist(),
        }
    return {"measured_hz": heard, "measured_ratio": heard[1] / heard[0], "rows": rows, "models": off}


# --- B: jars ---------------------------------------------------------------------------------------------------


def jar(scale: float, neck_mm: float) -> Vessel:
    """The jar of the design with all but its mouth and its clay `scale` times as large."""
    vessel = load("jar")
    rows = range(1, 8)
    keys = [f"jar.sections.{n}.{key}" for n in rows for key in ("along_mm", "width_mm", "height_mm")]
    sizes = {key: scale * vessel.value(key) for key in keys}
    sizes |= {"jar.hole.mouth.along_mm": sizes["jar.sections.7.along_mm"] - 1e-3, "jar.hole.mouth.wall_mm": neck_mm}
    return vessel.with_values(sizes)


def jar_in_tune(neck_mm: float, mesh: float) -> Vessel:
    """The jar of such a size that it rings at JAR_HZ by `ports`: from where `lumped` puts it, two steps downhill."""

    def miss(log: float, name: str) -> float:
        found = asked(jar(float(np.exp(log)), neck_mm), mesh) if name == "ports" else quick(log)
        return float(np.log(ring(found[name]).frequency_hz / JAR_HZ))

    def quick(log: float) -> dict[str, Any]:
        (case,) = models.cases(jar(float(np.exp(log)), neck_mm))
        return {"lumped": models.resonator("lumped", case)}

    here = brentq(miss, np.log(0.6), np.log(1.6), args=("lumped",), xtol=1e-4)
    for _ in range(2):  # f falls about as the size to 1.5
        here += miss(here, "ports") / 1.5
    return jar(float(np.exp(here)), neck_mm)


def jar_with(neck_mm: float, mesh: float) -> dict[str, Any]:
    """What becomes of the energy of a jar near JAR_HZ: Q in the open, in a wall, and of radiation and losses alone.

    In a wall a mouth radiates twice as much into half of the room (Rayleigh; physics of any small opening).
    """
    vessel = jar_in_tune(neck_mm, mesh)
    (case,) = models.cases(vessel, mesh=mesh)
    (bare,) = models.cases(vessel, mesh=mesh, lossless=True)
    resonator: PortsResonator = models.resonator("ports", case)
    found = resonator.resonances(resonator.holes, 2)
    radiation = ring(models.resonator("ports", bare)).q
    losses = 1 / (1 / found[0].q - 1 / radiation)
    walled = 1 / (1 / losses + 2 / radiation)
    missing = 1 / (1 / float(np.mean([row[2] for row in JARS])) - 1 / walled)
    chamber, omega = case.chamber, found[0].omega.real
    swallow = 4 * omega * chamber.volume / (resonator.air.sound_speed * chamber.area)
    return {
        "neck_mm": neck_mm,
        "volume_ml": 1e6 * chamber.volume,
        "frequency_hz": found[0].frequency_hz,
        "second_over_first": found[1].frequency_hz / found[0].frequency_hz,
        "q_open": found[0].q,
        "q_in_a_wall": walled,
        "q_radiation": radiation,
        "q_losses": losses,
        "q_brick": swallow / BRICK,
        "missing_q": missing,
        "missing_absorption": swallow / missing,
        "unsure_cents": resonator.evidence(resonator.holes).uncertainty_cents,
    }


def jars(necks_mm: Sequence[float], mesh: float) -> dict[str, Any]:
    """Jars of ours beside those of the thesis."""
    rows = [dict(zip(("neck", "calculated", "measured", "error"), each, strict=True)) for each in JARS]
    return {
        "measured": rows,
        "mean_q": float(np.mean([row[2] for row in JARS])),
        "ours": [jar_with(neck, mesh) for neck in necks_mm],
    }


# --- E: a bottle with water ------------------------------------------------------------------------------------


def note_of(model: str, level_mm: float, radius_mm: float, length_mm: float, mesh: float) -> tuple[float, float]:
    """Air of the body in ml, and note in Hz by one model, with water up to a level and some neck."""
    neck = {"bottle.hole.neck.diameter_mm": 2 * radius_mm, "bottle.hole.neck.wall_mm": length_mm}
    (case,) = models.cases(load("bottle").with_values({"bottle.sections.1.along_mm": level_mm, **neck}), mesh=mesh)
    return 1e6 * case.chamber.volume, ring(models.resonator(model, case)).frequency_hz


NAMES = ("lumped", "ports")


@np.vectorize
def straight(name: str, ml: float, radius_mm: float, length_mm: float) -> float:
    """Hz of a straight bottle and its neck: of plane waves, A tan(kH) = S cot(kL), or as a spring and a mass.

    Any textbook of acoustics; L with 0.73 radii outside and 0.82 (1 - 1.35 r/R) inside. Near enough to `ports` and to
    `lumped` to interpolate what is between.
    """
    wide, narrow = np.pi * BOTTLE_MM**2, np.pi * radius_mm**2
    height = 1e3 * ml / wide
    length = length_mm + radius_mm * (0.73 + 0.82 * (1 - 1.35 * radius_mm / BOTTLE_MM))
    if name == "lumped":
        return float(1e3 * np.sqrt(narrow / (wide * height * length)) * moist_air().sound_speed / (2 * np.pi))
    top = np.pi / 2 / max(height, length)
    k = brentq(lambda k: wide * np.tan(k * height) * np.tan(k * length) - narrow, 1e-9, top * (1 - 1e-9))
    return float(1e3 * k * moist_air().sound_speed / (2 * np.pi))


@dataclass(frozen=True, eq=False)
class Grid:
    """How far both models lie above straight bottles, in logs, between those bottles that were asked for."""

    above: dict[str, RegularGridInterpolator]

    def notes(self, name: str, ml: np.ndarray, radius_mm: float, length_mm: float) -> np.ndarray:
        """By one model, for volumes of the body (n,), Hz."""
        at = np.column_stack(np.broadcast_arrays(np.log(ml), radius_mm, length_mm))
        return np.asarray(straight(name, ml, radius_mm, length_mm) * np.exp(self.above[name](at)))


def bottles(levels_mm: Sequence[float], radii_mm: Sequence[float], lengths_mm: Sequence[float], mesh: float) -> Grid:
    """The bottle's note at all levels of the water and with all necks; the air is meshed once a level."""

    def above(name: str) -> RegularGridInterpolator:
        every = [note_of(name, *at, mesh) for at in product(levels_mm, radii_mm, lengths_mm)]
        ml, hz = np.array(every).T.reshape(2, len(levels_mm), len(radii_mm), len(lengths_mm))
        axes = [ml[:, 0, 0], np.array(radii_mm), np.array(lengths_mm)]
        logs = np.log(hz / straight(name, *np.meshgrid(*axes, indexing="ij")))
        return RegularGridInterpolator([np.log(axes[0]), *axes[1:]], logs, "linear", False, None)

    return Grid({name: above(name) for name in NAMES})


def neck_ml(radius_mm: float, length_mm: float) -> float:
    """Air in a neck."""
    return 1e-3 * np.pi * radius_mm**2 * length_mm


def fitted(grid: Grid, name: str, to_the_brim: bool) -> dict[str, Any]:
    """The neck with which a model comes nearest to the measured notes: its radius and length, and what is left.

    to_the_brim: the volumes that were measured hold the neck's air too.
    """

    def notes(neck: np.ndarray) -> np.ndarray:
        return grid.notes(name, BOTTLE_ML - neck_ml(*neck) * to_the_brim, *neck)

    def off(neck: np.ndarray) -> np.ndarray:
        return np.log2(notes(neck) / BOTTLE_HZ) * 1200

    bounds = tuple(zip(*((axis[0], axis[-1]) for axis in (NECK_RADII_MM, NECK_LENGTHS_MM)), strict=True))
    neck = least_squares(off, [9.5, 55.0], bounds=bounds, x_scale=[1.0, 10.0]).x
    return {
        "model": name,
        "to_the_brim": to_the_brim,
        "radius_mm": float(neck[0]),
        "length_mm": float(neck[1]),
        "neck_ml": neck_ml(*neck),
        "slope": slope(BOTTLE_ML, notes(neck)),
        "left_cents": float(np.sqrt(np.mean(off(neck) ** 2))),
        "off_cents": off(neck).tolist(),
    }


def with_neck(grid: Grid, name: str, to_the_brim: bool, neck: tuple[float, float]) -> float:
    """The slope with a given neck."""
    ml = BOTTLE_ML - neck_ml(*neck) * to_the_brim
    return slope(BOTTLE_ML, grid.notes(name, ml, *neck))


def bottle(grid: Grid) -> dict[str, Any]:
    """Both models with the neck that suits each best, the neck's air counted and not, and all with one neck."""
    fits = [fitted(grid, name, brim) for brim in (True, False) for name in NAMES]
    one = next(each for each in fits if each["model"] == "ports" and each["to_the_brim"])
    neck = one["radius_mm"], one["length_mm"]
    return {
        "ml": BOTTLE_ML.tolist(),
        "measured_hz": BOTTLE_HZ.tolist(),
        "slope": slope(BOTTLE_ML, BOTTLE_HZ),
        "fits": fits,
        "slopes_with_one_neck": [
            {"model": name, "to_the_brim": brim, "slope": with_neck(grid, name, brim, neck)}
            for brim in (True, False)
            for name in NAMES
        ],
    }


def crude(some: Sequence[tuple[float, float, float]], mesh: float) -> list[dict[str, Any]]:
    """Bottles of which bore, neck and volume are told, but not that their necks widen."""
    rows = []
    for ml, neck_mm, heard in some:
        vessel = load("bottle")
        scale = (ml / 519.2) ** (1 / 3)  # the design's own volume
        keys = [f"bottle.sections.{n}.{key}" for n in range(1, 6) for key in ("along_mm", "width_mm", "height_mm")]
        sizes = {key: scale * vessel.value(key) for key in keys}
        sizes |= {"bottle.hole.neck.along_mm": sizes["bottle.sections.5.along_mm"] - 1e-3}
        sizes |= {"bottle.hole.neck.diameter_mm": 19.05, "bottle.hole.neck.wall_mm": neck_mm}
        found = asked(vessel.with_values(sizes), mesh)
        hz = {name: ring(each).frequency_hz for name, each in found.items()}
        off = {f"{name}_off_percent": 100 * (value / heard - 1) for name, value in hz.items()}
        rows.append({"ml": ml, "neck_mm": neck_mm, "measured_hz": heard, **off})
    return rows
