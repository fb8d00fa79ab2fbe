"""A figure on legs: from a sketch to a piece that plays, and what thick clay, legs, a tail and a mouthpiece do to it.

Run: python studies/10_a_figure_on_legs/study.py [--quick] [--judge] [-o FOLDER]

Takes about three minutes; --quick takes the tuned otter as it lies here and asks two variants only, and writes to a
folder of its own, named at the end. Writes result.json, the picture, the tuned otter, and README.md, whose every number
comes from result.json by way of README.template.md. What the judge answers stands in judged.json; --judge asks it anew
first, some fifteen minutes more.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import json
import sys
import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from written import asking, filled, into, rounded, write

import simkit
from simkit.body import body_of
from simkit.files import whole
from simkit.making import work_of
from simkit.making.clay_rules import clay_work
from simkit.making.shrinkage import shrinkage_of
from simkit.optimisation import Limits, optimise, rewritten
from simkit.pitch import cents
from simkit.provenance import provenance
from simkit.show.in_the_round import in_the_round
from simkit.show.look import page, save
from simkit.show.printed import make
from simkit.show.views import views
from simkit.sketching import Sketched
from simkit.vessel import Lobes, Vessel

SKETCH, TUNED = HERE / "otter.svg", HERE / "otter.toml"
MINUTES = 3  # on an ordinary machine that has little else to do
AIR = (35.0, 0.0, 0.0, 70.0, 43.0, 38.0)  # the ellipsoid that the sketch draws: its middle and its sizes, mm
# Air in the legs, middles and sizes, mm: along, across, up, length, width, height.
HOLLOW = tuple((along, across, -23.0, 9.0, 8.5, 36.0) for along in (24.0, 52.0) for across in (-12.0, 12.0))
NOTES = ("Bb4", "Db5", "Eb5", "F5", "Ab5")  # one hole more for each
JUDGED = (0, 2, 4)
FREE = ["diameters", "voicing"]
MODELS = ("lumped", "ports")

# What a sketch does not say: legs and tail as parts of clay, the lips, the notes.
_PART = """
[[part]]
name = "{name}"
shape = "ellipsoid"
length_mm = {length:g}
width_mm = {width:g}
height_mm = {height:g}
offset_mm = [{along:g}, {across:g}, {up:g}]
tilt_deg = {tilt:g}
"""
LEGS = [
    {"name": f"{side} {end} leg", "length": 40, "width": 15, "height": 16, "along": along, "across": across, "up": -8,
     "tilt": -90}
    for end, along in (("front", 24), ("hind", 52))
    for side, across in (("left", -12), ("right", 12))
]  # fmt: skip
TAIL = {"name": "tail", "length": 54, "width": 14, "height": 11, "along": 60, "across": 0, "up": 2, "tilt": 14}
_LIPS = "\n[chamber.mouthpiece]\nlips_height_mm = 1.9\n"


def figure_text(traced: Sketched) -> str:
    """The traced design with legs, tail, lips and notes; its air the ellipsoid itself, so that legs can be hollow."""
    before, _, chamber = traced.text.partition("[[chamber]]")
    rows, _, openings = chamber.partition("\n]\n")
    assert 'shape = "sections"' in rows
    air = f'[[chamber]]\nname = "body"\nshape = "lobes"\nlobes = [{json.dumps(AIR)}]\n'
    openings, _, _ = openings.partition("\n# The notes that")
    names = [hole.name for hole in traced.vessel.chambers[0].holes]
    notes = "".join(
        f'\n[[chamber.note]]\npitch = "{pitch}"\nopen = {json.dumps(names[:n])}\n' for n, pitch in enumerate(NOTES)
    )
    parts = "".join(_PART.format(**each) for each in [*LEGS, TAIL])
    return before.replace('"Otter"', '"Brook otter"') + air + openings + _LIPS + notes + parts


def made_from_sketch(quick: bool) -> tuple[dict[str, Any], Vessel, str]:
    """What tracing and tuning found, the tuned otter, and its file's text; the quick way takes it as it lies here."""
    traced = simkit.sketch(SKETCH)
    drawn = figure_text(traced)
    figure = simkit.loads(drawn, str(TUNED))
    sections = figure.with_chamber(figure.chambers[0].model_copy(update={"shape": traced.vessel.chambers[0].shape}))
    row = {
        "misfit_mm": traced.misfit_mm,
        "outside_misfit_mm": traced.outside.worst if traced.outside else 0.0,
        "own_hz": hz(figure, "ports", quick),
        "traced_air_cents": off(hz(sections, "ports", quick), hz(figure, "ports", quick)),
    }
    if quick:
        return row, simkit.load(TUNED), TUNED.read_text(encoding="utf-8")
    found = optimise(figure, FREE, limits=Limits(clay_mm=3.0))
    text = rewritten(drawn, figure, found.vessel)
    return row, simkit.loads(text, str(TUNED)), text


def variants(otter: Vessel) -> dict[str, Vessel]:
    """The otter and what it is without, the plainest first."""
    (body,) = otter.chambers
    bare = body.model_copy(update={"mouthpiece": None})
    legs = Lobes.model_validate({"shape": "lobes", "lobes": [AIR, *HOLLOW]})
    return {
        "even wall": otter.model_copy(update={"outside": None, "parts": (), "chambers": (bare,)}),
        "thick clay": otter.model_copy(update={"parts": (), "chambers": (bare,)}),
        "legs and tail": otter.model_copy(update={"chambers": (bare,)}),
        "mouthpiece": otter,
        "hollow legs": otter.model_copy(update={"chambers": (body.model_copy(update={"shape": legs}),)}),
    }


def only(vessel: Vessel, which: tuple[int, ...]) -> Vessel:
    """The vessel with some of its notes."""
    (body,) = vessel.chambers
    return vessel.with_chamber(body.model_copy(update={"notes": tuple(body.notes[n] for n in which)}))


def hz(vessel: Vessel, model: str, still: bool = True) -> list[float]:
    told = simkit.predict(vessel, model=model, state="still" if still else "played")
    return [float(f) for f in np.ravel(told.frequencies_hz)]


def off(one: list[float], other: list[float]) -> list[float]:
    """How far frequencies lie above others, cents."""
    return [float(cents(a, b)) for a, b in zip(one, other, strict=True)]


def asked_the_judge(otter: Vessel) -> list[dict[str, Any]]:
    """Three notes of every variant by `resolved`, Hz, and its doubt in cents."""
    rows = []
    for name, vessel in variants(otter).items():
        told = simkit.predict(only(vessel, JUDGED), model="resolved", state="still")
        doubts = np.ravel(told.uncertainties_cents)
        rows.append({
            "variant": name,
            "hz": [float(f) for f in np.ravel(told.frequencies_hz)],
            "doubt_cents": [float(d) for d in doubts],
        })  # fmt: skip
        sys.stderr.write(f"{rows[-1]}\n")
    return rows


def asked(name: str, vessel: Vessel, judge: list[float]) -> dict[str, Any]:
    """Air, clay, ducts, and by how much the quicker models differ from the judge."""
    body = body_of(vessel)
    work = clay_work(vessel, body, shrinkage_of(vessel))
    row: dict[str, Any] = {
        "name": name,
        "air_ml": 1e6 * body.chambers[0].volume,
        "fired_g": work.fired_g,
        "thickest_mm": 1e3 * work.thickest[0],
        "ducts_mm": [1e3 * opening.length for opening in body.chambers[0].all_openings],
        "resolved_hz": judge,
    }
    for model in MODELS:
        row[f"{model}_off_cents"] = off(hz(only(vessel, JUDGED), model), judge)
    return row


def bench_of(otter: Vessel) -> dict[str, Any]:
    """Sheets and solids for the bench: which solids, what the piece weighs and how it stands."""
    with tempfile.TemporaryDirectory() as folder:
        files = make(work_of(otter), Path(folder) / "sheets")
    assert files.clay.stands is not None
    solids = sorted(name for name in files.names if name.endswith(".stl"))
    return {
        "solids": solids,
        "wet_g": files.clay.wet_g,
        "tips_deg": files.clay.stands.tipping_deg,
    }


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Draws, tunes and asks the otter; writes result.json, README.md, the design and the picture to a folder."""
    row, otter, text = made_from_sketch(quick)
    with whole(folder / TUNED.name) as half:
        half.write_text(text, encoding="utf-8")
    played = hz(otter, "ports", False)
    judged = {each["variant"]: each for each in json.loads((HERE / "judged.json").read_text(encoding="utf-8"))["asked"]}
    made = variants(otter)
    names = list(made)[1:3] if quick else list(made)
    rows = [asked(name, made[name], judged[name]["hz"]) for name in names]
    away = np.abs([row["ports_off_cents"] for row in rows])
    steps = [
        {"name": after, "cents": off(judged[after]["hz"], judged[before]["hz"])} for before, after in pairwise(judged)
    ]
    body = body_of(otter)
    save(page(views(otter, body), in_the_round(otter, body)), folder / "otter.png")
    bench = json.loads((HERE / "result.json").read_text(encoding="utf-8"))["bench"] if quick else bench_of(otter)
    result = rounded({
        "minutes": MINUTES,
        "notes": list(NOTES),
        "judged_notes": [NOTES[n] for n in JUDGED],
        "from_sketch": row,
        "played_hz": played,
        "variants": rows,
        "steps": steps,
        "doubt_cents": max(max(each["doubt_cents"]) for each in judged.values()),
        "bench": bench,
        "off": {"median_cents": float(np.median(away)), "worst_cents": float(away.max()), "count": int(away.size)},
    })  # fmt: skip
    write(folder, result, None if quick else filled(HERE, result))
    return result


def main() -> None:
    """The command line."""
    parser = asking(__doc__, "two variants only, of the otter as it was tuned")
    parser.add_argument("--judge", action="store_true", help="ask the judge anew and write judged.json")
    asked = parser.parse_args()
    if asked.judge:
        rows = asked_the_judge(simkit.load(TUNED))
        with whole(HERE / "judged.json") as half:
            record = {"asked": rows, "provenance": provenance().as_dict()}
            half.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    folder = into(asked, HERE)
    study(folder, asked.quick)
    sys.stderr.write(f"wrote {folder}\n")


if __name__ == "__main__":
    main()
