"""A figure on legs: what thick clay, legs, a tail and a mouthpiece do to the notes of an otter. Some fifteen minutes.

An ellipsoid of air in an even wall; the same in the egg of clay that a sculptor gives it; with four solid legs and a
tail; with the mouthpiece at its nose; and with the legs hollow. All by `ports`, judged by `resolved`; the piece by
itself, nobody near, the windway shut.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from written import filled, rounded, run, write

import simkit
from simkit.body import body_of
from simkit.body.clay import clay_volume, fired_g
from simkit.show.in_the_round import in_the_round
from simkit.show.look import page, save
from simkit.show.views import views
from simkit.vessel import Lobes, Vessel

HERE = Path(__file__).resolve().parent
MINUTES = 15
# A hollow leg's air: along, across, up of its middle, and its sizes, mm.
HOLLOW = (
    (24.0, -13.0, -25.0, 7.5, 7.5, 30.0),
    (24.0, 13.0, -25.0, 7.5, 7.5, 30.0),
    (58.0, -14.0, -25.0, 8.0, 7.5, 30.0),
    (58.0, 14.0, -25.0, 8.0, 7.5, 30.0),
)
MODELS = ("lumped", "ports", "resolved")


def variants() -> dict[str, Vessel]:
    """The otter and what it is without, the plainest first."""
    otter = simkit.load(HERE / "otter.toml")
    (body,) = otter.chambers
    bare = body.model_copy(update={"mouthpiece": None})
    assert isinstance(body.shape, Lobes)
    legs = Lobes.model_validate({"shape": "lobes", "lobes": [*body.shape.lobes, *HOLLOW]})
    return {
        "even wall": otter.model_copy(update={"outside": None, "parts": (), "chambers": (bare,)}),
        "thick clay": otter.model_copy(update={"parts": (), "chambers": (bare,)}),
        "legs and tail": otter.model_copy(update={"chambers": (bare,)}),
        "mouthpiece": otter,
        "hollow legs": otter.model_copy(update={"chambers": (body.model_copy(update={"shape": legs}),)}),
    }


def asked(name: str, vessel: Vessel, mesh: float) -> dict[str, Any]:
    """Frequencies by every model, the ducts, the clay and its weight."""
    body = body_of(vessel)
    row: dict[str, Any] = {
        "name": name,
        "air_ml": 1e6 * body.chambers[0].volume,
        "clay_ml": 1e6 * clay_volume(body),
        "fired_g": fired_g(body),
        "ducts_mm": [1e3 * opening.length for opening in body.chambers[0].all_openings],
    }
    for model in MODELS:
        told = simkit.predict(vessel, model=model, state="still", mesh=mesh if model == "resolved" else 1.0)
        row[model] = np.array(told.frequencies_hz).ravel()
        row[f"{model}_doubt_cents"] = np.array(told.uncertainties_cents).ravel()
    row["off_cents"] = cents(row["ports"], row["resolved"])
    row["lumped_off_cents"] = cents(row["lumped"], row["resolved"])
    return row


def cents(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """How far frequencies lie above others."""
    return np.asarray(1200 * np.log2(one / other))


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Asks the variants and writes result.json, README.md and the picture to a folder."""
    made = variants()
    names = list(made)[1:3] if quick else list(made)
    rows = []
    for name in names:
        rows.append(asked(name, made[name], 1.6 if quick else 1.0))
        sys.stderr.write(f"{name}: {rounded(rows[-1]['off_cents'].tolist())}\n")
    off = np.abs(np.concatenate([row["off_cents"] for row in rows]))
    steps = [
        {"name": after["name"], "cents": cents(after["resolved"], before["resolved"])}
        for before, after in pairwise(rows)
    ]
    otter = made["mouthpiece"]
    body = body_of(otter)
    save(page(views(otter, body), in_the_round(otter, body)), folder / "otter.png")
    listed = [{key: getattr(value, "tolist", lambda v=value: v)() for key, value in row.items()} for row in rows]
    result = rounded({
        "minutes": MINUTES,
        "notes": [note.pitch for note in otter.chambers[0].notes],
        "variants": listed,
        "steps": [{"name": step["name"], "cents": step["cents"].tolist()} for step in steps],
        "off": {"median_cents": float(np.median(off)), "worst_cents": float(off.max()), "count": len(off)},
    })  # fmt: skip
    write(folder, result, None if quick else filled(HERE, result))
    return result


if __name__ == "__main__":
    run(study, HERE, __doc__, "two variants only, the judge's mesh coarse")
