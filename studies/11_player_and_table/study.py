"""By how many cents the player's face and hands and a table move the notes of a small, a middle and a large piece.

Run: python studies/11_player_and_table/study.py [--quick] [--judge] [-o FOLDER]

Takes half a minute; --quick draws fewer distances, and writes to a folder of its own, named at the end. Writes
result.json, the picture, and README.md, whose every number comes from result.json by way of README.template.md. What
the judge answers stands in judged.json; --judge asks it anew first, some ten minutes more.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import json
import sys
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from drawings.curves import Curve, curves_panel
from written import asking, filled, into, rounded, write

import simkit
from simkit.body.chambers import WINDOW
from simkit.body.meshes.all_air import whole_mesh
from simkit.body.meshes.obstacles import EllipsoidObstacle, Obstacle, SlabObstacle
from simkit.field.full.resonance import WholeAir
from simkit.files import whole
from simkit.pitch import cents
from simkit.provenance import provenance
from simkit.show import look
from simkit.sound import models
from simkit.sound.elements import nearby
from simkit.sound.elements.nearby import Scatterer, Thing
from simkit.sound.elements.palms import PALM
from simkit.sound.models.ports import PortsResonator
from simkit.sound.models.resonator import Case, openness_of
from simkit.vessel import Vessel

DESIGNS = HERE.parent / "designs"
# A size, a design of ours, how much larger every length of it is made, and half the side of the judge's table, m.
SIZES = (
    ("small", "tide_pendant", 0.7, 0.12),
    ("middle", "pocket_wren", 1.109, 0.15),
    ("large", "three_terns", 1.0, 0.2),
)
TABLES_MM = (20.0, 50.0, 150.0, 300.0)
JUDGED_TABLE_MM, HANDS_MM = 50.0, 10.0
CELLS = 1.6  # of the judge's mesh over the standard: what it leaves is the same with and without a thing
COLOURS = {"small": look.CLAY, "middle": look.INK, "large": look.QUIET}
MINUTES = 1  # on an ordinary machine that has little else to do


@dataclass(frozen=True)
class Instrument:
    """One size: its design, its port model, its lowest and its highest note."""

    size: str
    vessel: Vessel
    case: Case
    ports: PortsResonator
    half_table: float

    @staticmethod
    def of(size: str, design: str, factor: float, half_table: float) -> Instrument:
        """A design of ours with every length so much larger, its first chamber alone."""
        tables = tomllib.loads((DESIGNS / f"{design}.toml").read_text(encoding="utf-8"))
        tables["chamber"] = tables["chamber"][:1]
        tables.pop("hand", None)
        tables["clay"] = {"edge_radius_mm": 0.3, "edge_inside_radius_mm": 0.3, **tables["clay"]}
        vessel = simkit.loads(tomlkit.dumps(larger(tables, factor)))
        (case,) = models.cases(vessel, lossless=True)
        return Instrument(size, vessel, case, models.resonator("ports", case), half_table)

    @property
    def fingerings(self) -> list[tuple[str, ...]]:
        notes = self.vessel.chambers[0].notes
        return [tuple(notes[0].open), tuple(notes[-1].open)]

    @cached_property
    def openness(self) -> np.ndarray:
        """Of the lowest and of the highest note: (2, holes)."""
        return np.array([openness_of(self.ports.holes, each) for each in self.fingerings])

    @cached_property
    def omega(self) -> np.ndarray:
        """Of both notes with nothing near: (2,), rad/s."""
        return self.ports.lowest(self.openness)

    @cached_property
    def piece(self) -> Scatterer:
        return Scatterer.of(self.case.body)

    @property
    def windway(self) -> float:
        return 1e-3 * self.vessel.chambers[0].voicing.windway_length_mm

    def face(self, nearer: float = 0.0, radius: float = nearby.FACE) -> list[Thing]:
        assert self.case.chamber.window
        return [nearby.face(self.case.chamber.window, self.windway - nearer, radius)]

    def hands(self, gap: float = 1e-3 * HANDS_MM) -> list[Thing]:
        return [nearby.hands(self.case.body, gap)]

    def table(self, distance_mm: float) -> list[Thing]:
        return [nearby.table(self.case.body, 1e-3 * distance_mm)]

    def face_solid(self) -> list[Obstacle]:
        (ball,) = self.face()
        return [EllipsoidObstacle(ball.center, np.full(3, ball.radius))]  # type: ignore[union-attr]

    def palms(self) -> list[Obstacle]:
        """The palms of `hands`, as solids."""
        (pair,) = self.hands()
        aside = np.array([pair.aside, 0.0, 0.0])  # type: ignore[union-attr]
        return [EllipsoidObstacle(pair.center + way * aside, np.array(PALM)) for way in (-1, 1)]  # type: ignore[union-attr]

    def slab(self) -> list[Obstacle]:
        """A table's top of finite size under the piece."""
        half = np.array([self.half_table, self.half_table, 0.01])
        return [
            SlabObstacle(
                self.piece.center - np.array([0, 0, self.piece.half[2] + 1e-3 * JUDGED_TABLE_MM + half[2]]), half
            )
        ]

    def moved(self, omega: np.ndarray) -> dict[str, list[float]]:
        """Cents, and the change of 1/Q in thousandths, of both notes."""
        loss = 2 * (omega.imag / omega.real - self.omega.imag / self.omega.real)
        return {
            "cents": [cents(*pair) for pair in zip(omega.real, self.omega.real, strict=True)],
            "loss": (1e3 * loss).tolist(),
        }

    def by_law(self, things: Sequence[Thing]) -> dict[str, list[float]]:
        return self.moved(self.ports.near(things).lowest(self.openness))

    def judged(self, solids: Sequence[Obstacle], cells: float) -> np.ndarray:
        """k of both notes with all the air meshed, 1/m, without friction and heat."""
        air = WholeAir.of(whole_mesh(self.case.chamber, cells, obstacles=tuple(solids)))
        return np.array([air.lowest((WINDOW, *each)).k for each in self.fingerings])


def larger(value: Any, factor: float, key: str = "") -> Any:
    """A design's tables with every length times a factor."""
    if isinstance(value, Mapping):
        return {name: larger(item, factor, name) for name, item in value.items()}
    if isinstance(value, list):
        return [larger(item, factor, key) for item in value]
    return value * factor if key.endswith("_mm") else value


def solids_of(each: Instrument) -> dict[str, tuple[list[Obstacle], list[Thing]]]:
    """What is put near a piece: the solids, and what the law takes for them."""
    return {
        "face": (each.face_solid(), each.face()),
        "hands": (each.palms(), each.hands()),
        "table": (each.slab(), each.table(JUDGED_TABLE_MM)),
    }


def asked_the_judge() -> list[dict[str, Any]]:
    """k of both notes, 1/m, real and imaginary part, alone and with each thing near, of all sizes."""
    rows = []
    for each in (Instrument.of(*size) for size in SIZES):
        for name, solids in {"nothing": [], **{key: some for key, (some, _) in solids_of(each).items()}}.items():
            rows.append({"size": each.size, "thing": name, "k": [[k.real, k.imag] for k in each.judged(solids, CELLS)]})
            sys.stderr.write(f"{rows[-1]}\n")
    return rows


def judged(instruments: Sequence[Instrument]) -> list[dict[str, Any]]:
    """The judge's answers beside the law of the same things."""
    recorded = json.loads((HERE / "judged.json").read_text(encoding="utf-8"))["asked"]
    found = []
    for each in instruments:
        answers = {row["thing"]: np.array(row["k"]) @ (1, 1j) for row in recorded if row["size"] == each.size}
        if not answers:
            continue
        alone = answers.pop("nothing")
        for name, k in answers.items():
            loss = 2 * (k.imag / k.real - alone.imag / alone.real)
            off = [cents(*pair) for pair in zip(k.real, alone.real, strict=True)]
            law = each.by_law(solids_of(each)[name][1])
            found.append(
                {"size": each.size, "thing": name, "judge": {"cents": off, "loss": (1e3 * loss).tolist()}, "law": law}
            )
    return found


def spread(each: Instrument) -> dict[str, list[float]]:
    """By how many cents of the law both notes differ among players: half of what lies between the extremes."""
    ways = {
        "face": [each.face(), each.face(radius=0.075), each.face(radius=0.110), each.face(nearer=-0.005)],
        "hands": [each.hands(gap) for gap in (0.005, 0.010, 0.015, 0.025)],
        "table": [each.table(distance) for distance in (100.0, 150.0, 200.0, 300.0)],
    }
    found = {name: np.array([each.by_law(things)["cents"] for things in some]) for name, some in ways.items()}
    return {name: (np.ptp(some, axis=0) / 2).tolist() for name, some in found.items()}


def drawn(instruments: Sequence[Instrument], distances: np.ndarray, to: Path) -> None:
    """Cents over the table's distance."""
    moved = {each.size: [each.by_law(each.table(mm))["cents"] for mm in distances] for each in instruments}
    panels = []
    for n, which in enumerate(("lowest", "highest")):
        curves = [
            Curve(f"{size}", distances.tolist(), [pair[n] for pair in some], COLOURS[size], "")
            for size, some in moved.items()
        ]
        title = f"A table under the piece: its {which} note"
        panels.append(curves_panel(title, "table below the clay, mm", "note moves by, cents", curves))
    look.save(look.page(*panels), to)


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Asks all sizes and writes result.json, README.md and the picture to a folder."""
    instruments = [Instrument.of(*each) for each in SIZES]
    sizes = [
        {
            "size": each.size,
            "volume_ml": 1e6 * each.case.chamber.volume,
            "hz": (each.omega.real / (2 * np.pi)).tolist(),
            "windway_mm": 1e3 * each.windway,
            "tables": [{"mm": mm, "law": each.by_law(each.table(mm))} for mm in TABLES_MM],
            "spread": spread(each),
        }
        for each in instruments
    ]
    drawn(instruments, np.geomspace(20, 300, 4 if quick else 40), folder / "table.png")
    rows = judged(instruments)
    off = [np.abs(np.subtract(row["law"]["cents"], row["judge"]["cents"])).max() for row in rows]
    result = rounded({
        "minutes": MINUTES,
        "cells": CELLS,
        "judged_table_mm": JUDGED_TABLE_MM,
        "hands_mm": HANDS_MM,
        "boards_mm": [2e3 * half for *_, half in SIZES],
        "sizes": sizes,
        "judged": rows,
        "worst_cents": {
            thing: max(float(o) for o, row in zip(off, rows, strict=True) if row["thing"] == thing)
            for thing in ("face", "hands", "table")
        },
    })  # fmt: skip
    write(folder, result, filled(HERE, result))
    return result


def main() -> None:
    """The command line."""
    parser = asking(__doc__, "fewer distances of the table")
    parser.add_argument("--judge", action="store_true", help="ask the judge anew and write judged.json")
    asked = parser.parse_args()
    if asked.judge:
        write_judged(asked_the_judge())
    folder = into(asked, HERE)
    study(folder, asked.quick)
    sys.stderr.write(f"wrote {folder}\n")


def write_judged(rows: list[dict[str, Any]]) -> None:
    """The judge's answers with what made them."""
    with whole(HERE / "judged.json") as half:
        record = {"cells": CELLS, "asked": rows, "provenance": provenance().as_dict()}
        half.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
