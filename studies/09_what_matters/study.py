"""What each part of playing moves, over ten instruments from 10 to 600 ml, and how much of it bends the scale.

Run: python studies/09_what_matters/study.py [--quick] [-o FOLDER]

Takes about three minutes; --quick asks the two smallest instruments, writes no page, and writes to a folder of its
own, named at the end. Writes result.json, the picture, and README.md, whose every number comes from result.json by
way of README.template.md.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from drawings.bodies import Column, Mark, Shown, bodies_panel
from written import filled, rounded, run, write

import simkit
from simkit.body import body_of
from simkit.pitch import cents
from simkit.show import look
from simkit.show.look import page, save
from simkit.show.outline import ABOVE
from simkit.sound.answers.prediction import Prediction
from simkit.vessel import Vessel

DESIGNS = HERE.parent / "designs"
MINUTES = 3  # on an ordinary machine that has little else to do
MODEL = "ports"
# The clay under the windway's end moves notes too, but lies under it on the table as well.
WORDS = {"windway": "windway open", "breath": "breath in it", "fingers": "fingers", "player": "face and hands"}
LIMITS, TICKS = (-22, 38), (-20, -10, 0, 10, 20, 30)
LOW, HIGH = look.CLAY, look.SLATE


@dataclass(frozen=True)
class Instrument:
    """A chamber in one size: a design of ours, or a start of `simkit new`, all its sizes times a factor."""

    name: str
    source: str
    ml: float
    chamber: str = "body"

    @cached_property
    def vessel(self) -> Vessel:
        """The chamber by itself, at its volume."""
        file = DESIGNS / f"{self.source}.toml"
        drawn = simkit.load(file) if file.exists() else simkit.new(self.source)
        alone = drawn.model_copy(update={"chambers": (drawn.chamber(self.chamber),)})
        return larger(alone, float(np.cbrt(self.ml / volume_ml(alone))))


INSTRUMENTS = (
    Instrument("tiny wren", "pocket_wren", 10),
    Instrument("ball", "sphere", 20),
    Instrument("tide pendant", "tide_pendant", 40),
    Instrument("pocket wren", "pocket_wren", 45),
    Instrument("egg", "egg", 60),
    Instrument("lens", "lens", 90),
    Instrument("river yam", "river_yam", 130),
    Instrument("tube", "tube", 200),
    Instrument("large yam", "river_yam", 350),
    Instrument("terns' body", "three_terns", 600),
)


def volume_ml(vessel: Vessel) -> float:
    """The only chamber's air."""
    return 1e6 * body_of(vessel).chambers[0].volume


def larger(vessel: Vessel, factor: float) -> Vessel:
    """The piece with clay, chamber and openings times a factor; hands stay as they are."""
    mine = ("clay", vessel.chambers[0].name)
    return vessel.with_values(
        {
            key: number.value * factor
            for key, number in vessel.numbers.items()
            if key.split(".")[0] in mine and key.endswith("_mm") and number.value is not None
        }
    )


def asked(instrument: Instrument) -> dict[str, Any]:
    """One instrument: its notes from the lowest to the highest, what each part moves them, what stays open."""
    vessel = instrument.vessel
    warm = simkit.predict(vessel, MODEL)
    order = np.argsort(warm.frequencies_hz)
    parts = {name: column(warm, name)[order] for name in WORDS}
    cold = simkit.predict(vessel.with_value("breath.clay_c", vessel.air.temperature_c), MODEL)
    colder = np.array([cents(*pair) for pair in zip(cold.frequencies_hz, warm.frequencies_hz, strict=True)])[order]
    bends = [note.blown.bend_cents for note in simkit.blow(vessel).chambers[0].notes]
    return {
        "name": instrument.name,
        "volume_ml": volume_ml(vessel),
        "holes": len(vessel.chambers[0].holes),
        "hz": warm.frequencies_hz[order].tolist(),
        "parts_cents": {name: moved.tolist() for name, moved in parts.items()},
        "parts": {name: told(moved) for name, moved in parts.items()},
        "all": told(np.sum(list(parts.values()), axis=0)),
        "scale_doubt_cents": float(warm.uncertainties_cents.max()),
        "piece_doubt_cents": warm.chambers[0].piece_cents[MODEL],
        "cold_clay": told(colder),
        "tenth_more_breath": told(np.array([bends[n] for n in order if bends[n] is not None])),
    }


def column(prediction: Prediction, part: str) -> np.ndarray:
    """What a part moves each note, cents (notes,)."""
    return np.array([(note.answer.parts_cents or {})[part] for note in prediction.notes])


def told(moved: np.ndarray) -> dict[str, float]:
    """Of cents from the lowest note to the highest: both ends, the mean, and the spread, the most less the least."""
    ends = {"lowest_cents": float(moved[0]), "highest_cents": float(moved[-1])}
    return ends | {"mean_cents": float(moved.mean()), "spread_cents": float(np.ptp(moved))}


def over_all(rows: Sequence[Mapping[str, Any]], *keys: str) -> dict[str, list[float]]:
    """The least and the most over the instruments of what is told of one thing."""
    found: list[Any] = list(rows)
    for key in keys:
        found = [each[key] for each in found]
    return {name: [min(each[name] for each in found), max(each[name] for each in found)] for name in found[0]}


def drawn(instruments: Sequence[Instrument], rows: Sequence[Mapping[str, Any]], to: Path) -> None:
    """A row for each instrument, a scale for each part, a mark for each end of the scale and a bar between."""
    shown = [Shown(f"{row['name']}, {row['volume_ml']:.0f} ml", body_of(each.vessel), ABOVE)
             for each, row in zip(instruments, rows, strict=True)]  # fmt: skip
    columns = []
    for name, words in WORDS.items():
        parts = [row["parts"][name] for row in rows]
        marks = [[Mark(p["lowest_cents"], LOW), Mark(p["highest_cents"], HIGH)] for p in parts]
        bars = [(min(row["parts_cents"][name]), max(row["parts_cents"][name])) for row in rows]
        columns.append(Column(words, "cents", LIMITS, TICKS, marks, bars, width_mm=36))
    key = [(Mark(0, LOW), "lowest note"), (Mark(0, HIGH), "highest note")]
    caption = "cents from the piece by itself; bars: over all notes; a long bar bends the scale"
    save(page(bodies_panel("What playing moves", shown, columns, key, caption)), to)


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Asks all instruments and writes result.json, README.md and the picture to a folder."""
    instruments = INSTRUMENTS[:2] if quick else INSTRUMENTS
    rows = []
    for each in instruments:
        rows.append(asked(each))
        sys.stderr.write(f"{each.name}\n")  # a run of minutes shows where it is
    drawn(instruments, rows, folder / "parts.png")
    result = rounded({
        "minutes": MINUTES,
        "instruments": rows,
        "over_all": {
            "parts": {name: over_all(rows, "parts", name) for name in WORDS},
            "all": over_all(rows, "all"),
            "cold_clay": over_all(rows, "cold_clay"),
            "tenth_more_breath": over_all(rows, "tenth_more_breath"),
            "scale_doubt_cents": [min(r["scale_doubt_cents"] for r in rows), max(r["scale_doubt_cents"] for r in rows)],
            "piece_doubt_cents": [min(r["piece_doubt_cents"] for r in rows), max(r["piece_doubt_cents"] for r in rows)],
        },
    })  # fmt: skip
    write(folder, result, None if quick else filled(HERE, result))  # the page tells of them all
    return result


if __name__ == "__main__":
    run(study, HERE, __doc__, "the two smallest instruments only")
