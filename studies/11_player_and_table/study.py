"""By how many cents the player's face and hands and a table move the notes of a small, a middle and a large piece.

Run: python studies/11_player_and_table/study.py [--quick] [--judge] [-o FOLDER]

Takes about three minutes; --quick looks at the small piece alone, with coarse triangles, and writes to a folder of its
own, named at the end. Writes result.json, the picture, and README.md, whose every number comes from result.json by way
of README.template.md. What the judge answers stands in judged.json; --judge asks it anew first, some
twenty minutes more.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import json
import sys
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share
sys.path.insert(0, str(HERE))

from boundary import Outside, Skin, box_skin, quartered, round_skin
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
from simkit.sound.elements.nearby import Nearby, RigidPlane, Scatterer, Thing
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
TABLES_MM = (20.0, 50.0, 150.0)
JUDGED_TABLE_MM, HANDS_MM, FAR_TABLE_MM = 50.0, 10.0, 150.0
PALM = np.array([0.014, 0.045, 0.040])  # half axes of a palm that stands beside the piece, m
CELLS = 1.25  # of the judge's mesh over the standard: what it leaves is the same with and without a thing
FINER = (0.25, 0.12)  # of the piece's ball: so near an opening triangles are a quarter, and a quarter of that
COLOURS = {"small": look.CLAY, "middle": look.INK, "large": look.QUIET}
MINUTES = 3  # on an ordinary machine that has little else to do


@dataclass(frozen=True)
class Fixed:
    """What stands nearby as one matrix (n, n), 1/m, whatever the wave number."""

    matrix: np.ndarray

    def __call__(self, k: np.ndarray) -> np.ndarray:
        return np.broadcast_to(self.matrix, (*np.shape(k), *self.matrix.shape))


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

    @cached_property
    def openings(self) -> np.ndarray:
        return np.array([nearby.outer_middle(o) for o in self.case.chamber.all_openings])

    @property
    def windway(self) -> float:
        return 1e-3 * self.vessel.chambers[0].voicing.windway_length_mm

    def face(self, nearer: float = 0.0, radius: float = nearby.FACE) -> list[Thing]:
        assert self.case.chamber.window
        return [nearby.face(self.case.chamber.window, self.windway - nearer, radius)]

    def hands(self, gap: float = 1e-3 * HANDS_MM) -> list[Thing]:
        return list(nearby.hands(self.case.body, gap))

    def table(self, distance_mm: float) -> list[Thing]:
        return [nearby.table(self.case.body, 1e-3 * distance_mm)]

    def face_solid(self) -> list[Obstacle]:
        (ball,) = self.face()
        return [EllipsoidObstacle(ball.center, np.full(3, ball.radius))]  # type: ignore[union-attr]

    def palms(self) -> list[Obstacle]:
        """Flattened ellipsoids where `hands` has balls."""
        aside = np.array([self.piece.half[0] + 1e-3 * HANDS_MM + PALM[0], 0.0, 0.0])
        low = self.piece.center - np.array([0.0, 0.0, nearby.HAND_LOW])
        return [EllipsoidObstacle(low - aside, PALM), EllipsoidObstacle(low + aside, PALM)]

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

    def by_elements(self, solids: Sequence[Obstacle], plane: RigidPlane | None, fine: bool) -> dict[str, list[float]]:
        """By boundary elements, the matrix of each note at its own frequency."""
        ks = self.omega.real / self.case.airs.room.sound_speed
        with_things = Outside((self.skin(), *(self.around(body, fine) for body in solids)), plane)
        change = with_things.port_matrix(self.places(), ks) - self._alone
        found = []
        for n, matrix in enumerate(change):
            near: Any = Nearby((Fixed((matrix + matrix.T) / 2),))  # type: ignore[arg-type]
            ports = replace(self.ports, circuit=replace(self.ports.circuit, nearby=near))
            found.append(ports.lowest(self.openness[n : n + 1])[0])
        return self.moved(np.array(found))

    def skin(self) -> Skin:
        """The clay's outside, its openings closed; triangles are finer there, for each opening is the nearest one."""
        mesh = self.ports.solution.air.outside.mesh
        corners = mesh.points[mesh.facets[:, :3]]
        for reach in FINER:
            away = np.linalg.norm(corners.mean(axis=1)[:, None] - self.openings[None], axis=2).min(axis=1)
            near = away < reach * self.piece.ball
            corners = np.concatenate([corners[~near], quartered(corners[near])])
        return Skin.about(corners, self.piece.center)

    def places(self) -> np.ndarray:
        """The triangle nearest to each opening."""
        middles = self.skin().corners.mean(axis=1)
        return np.linalg.norm(middles[None] - self.openings[:, None], axis=2).argmin(axis=1)

    @cached_property
    def _alone(self) -> np.ndarray:
        """The port matrices of the piece alone at both notes, (2, n, n)."""
        ks = self.omega.real / self.case.airs.room.sound_speed
        return Outside((self.skin(),)).port_matrix(self.places(), ks)

    def around(self, body: Obstacle, fine: bool) -> Skin:
        """A solid's skin, finest where it is nearest to the piece."""
        samples = body.samples()
        near = samples[np.linalg.norm(samples - self.piece.center, axis=1).argmin()]
        size = 0.012 if fine else 0.02
        if isinstance(body, SlabObstacle):
            return box_skin(body.center, body.half, near, 1.5 * size)
        return round_skin(body.center, body.axes, near, size)

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


def judged(instruments: Sequence[Instrument], quick: bool) -> list[dict[str, Any]]:
    """The judge's answers beside boundary elements of the same solids, and the law of what these stand for."""
    recorded = json.loads((HERE / "judged.json").read_text(encoding="utf-8"))["asked"]
    found = []
    for each in instruments:
        answers = {row["thing"]: np.array(row["k"]) @ (1, 1j) for row in recorded if row["size"] == each.size}
        if not answers:  # the judge was not asked about this size
            continue
        alone = answers.pop("nothing")
        for name, k in answers.items():
            solids, things = solids_of(each)[name]
            loss = 2 * (k.imag / k.real - alone.imag / alone.real)
            judge = {
                "cents": [cents(*pair) for pair in zip(k.real, alone.real, strict=True)],
                "loss": (1e3 * loss).tolist(),
            }
            elements = each.by_elements(solids, None, not quick)
            found.append(
                {"size": each.size, "thing": name, "judge": judge, "elements": elements, "law": each.by_law(things)}
            )
            sys.stderr.write(f"{found[-1]}\n")
    return found


def tables(each: Instrument, quick: bool) -> list[dict[str, Any]]:
    """A wide table at several distances, by boundary elements with its image and by the law."""
    distances = TABLES_MM[1:2] if quick else TABLES_MM
    found = []
    for distance in distances:
        things = each.table(distance)
        elements = each.by_elements((), things[0], not quick)  # type: ignore[arg-type]
        found.append({"mm": distance, "elements": elements, "law": each.by_law(things)})
        sys.stderr.write(f"{each.size} {found[-1]}\n")
    return found


def together(each: Instrument, quick: bool) -> dict[str, Any]:
    """Face, hands and a table at once, against the law that adds them up."""
    table = each.table(FAR_TABLE_MM)
    elements = each.by_elements([*each.face_solid(), *each.palms()], table[0], not quick)  # type: ignore[arg-type]
    return {"elements": elements, "law": each.by_law([*each.face(), *each.hands(), *table])}


def spread(each: Instrument) -> dict[str, list[float]]:
    """By how many cents of the law both notes differ among players: half of what lies between the extremes."""
    ways = {
        "face": [each.face(), each.face(radius=0.075), each.face(radius=0.110), each.face(nearer=-0.005)],
        "hands": [each.hands(gap) for gap in (0.005, 0.010, 0.015, 0.025)],
        "table": [each.table(distance) for distance in (100.0, 150.0, 200.0, 300.0)],
    }
    found = {name: np.array([each.by_law(things)["cents"] for things in some]) for name, some in ways.items()}
    return {name: (np.ptp(some, axis=0) / 2).tolist() for name, some in found.items()}


def drawn(sizes: Sequence[dict[str, Any]], instruments: Sequence[Instrument], to: Path) -> None:
    """Cents over the table's distance: the law as lines, boundary elements as rings."""
    distances = np.geomspace(20, 300, 40)
    panels = []
    for n, which in enumerate(("lowest", "highest")):
        curves = []
        for each, told in zip(instruments, sizes, strict=True):
            law = [each.by_law(each.table(mm))["cents"][n] for mm in distances]
            curves.append(Curve(f"{each.size}, law", distances.tolist(), law, COLOURS[each.size], ""))
            x, y = [row["mm"] for row in told["tables"]], [row["elements"]["cents"][n] for row in told["tables"]]
            curves.append(Curve(f"{each.size}, elements", x, y, COLOURS[each.size], "o", "", [True] * len(x)))
        title = f"A table under the piece: its {which} note"
        panels.append(curves_panel(title, "table below the clay, mm", "note moves by, cents", curves))
    look.save(look.page(*panels), to)


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Asks all sizes and writes result.json, README.md and the picture to a folder."""
    instruments = [Instrument.of(*each) for each in (SIZES[:1] if quick else SIZES)]
    sizes = [
        {
            "size": each.size,
            "volume_ml": 1e6 * each.case.chamber.volume,
            "hz": (each.omega.real / (2 * np.pi)).tolist(),
            "windway_mm": 1e3 * each.windway,
            "tables": tables(each, quick),
            "together": together(each, quick),
            "spread": spread(each),
        }
        for each in instruments
    ]
    drawn(sizes, instruments, folder / "table.png")
    rows = judged(instruments, quick)
    result = rounded({
        "minutes": MINUTES,
        "cells": CELLS,
        "judged_table_mm": JUDGED_TABLE_MM,
        "hands_mm": HANDS_MM,
        "far_table_mm": FAR_TABLE_MM,
        "sizes": sizes,
        "judged": rows,
        "worst": {
            "elements_from_judge": worst(rows, "elements", "judge"),
            "law_from_judge": worst(rows, "law", "judge"),
            "law_from_elements_far_table": max(
                worst([row for row in each["tables"] if row["mm"] >= 50], "law", "elements") for each in sizes
            ),
            "law_from_elements_together": worst([each["together"] for each in sizes], "law", "elements"),
        },
    })  # fmt: skip
    write(folder, result, filled(HERE, result))
    return result


def worst(rows: Sequence[Mapping[str, Any]], one: str, other: str) -> float:
    """The largest difference in cents between two columns."""
    return max(float(np.abs(np.subtract(row[one]["cents"], row[other]["cents"])).max()) for row in rows)


def main() -> None:
    """The command line."""
    parser = asking(__doc__, "the small piece alone, coarsely")
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
