"""Measurements that others have published, beside the models: cavities with a neck, jars, a bottle, breath.

Run: python studies/08_measurements_of_others/study.py [--quick] [-o FOLDER]

Takes about two minutes. --quick takes cavities, jars and the bottle from the record, asks a rough mesh about one more
bottle and `lumped` about one flute, writes no page, and writes to a folder of its own, named at the end. Writes
result.json, the pictures, and README.md, whose every number comes from result.json by way of README.template.md.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]  # the study's own folder, and what studies share

import breath as blowing
import flesh
import still
from drawings.curves import Curve, curves_panel
from written import filled, rounded, run, write

from simkit.show import look
from simkit.show.look import page, save

MINUTES = 2  # on an ordinary machine that has little else to do


FLUTES = tuple(blowing.DESIGNS)
MESH = 2.5  # over the standard: the notes move by less than a cent


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Asks the models what was measured and writes result.json, README.md and the pictures to a folder."""
    flutes, model = (FLUTES[1:], "lumped") if quick else (FLUTES, "ports")
    parts: dict[str, Callable[[], Any]] = {
        "cavities": lambda: still.cavities((1.0, 10.0), MESH),
        "jars": lambda: still.jars(still.JAR_NECKS_MM, MESH),
        "bottle": lambda: still.bottle(
            still.bottles(still.LEVELS_MM, still.NECK_RADII_MM, still.NECK_LENGTHS_MM, MESH)
        ),
        "crude": lambda: still.crude(still.CRUDE[1:] if quick else still.CRUDE, 3.0 if quick else MESH),
        "breath": lambda: blowing.breath(flutes, model),
        "jet": lambda: blowing.jets(flutes[0], model),
        "fingers": lambda: flesh.fingers(blowing.DESIGNS, flutes),
    }
    kept = recorded() if quick else {}
    result: dict[str, Any] = {"minutes": MINUTES}
    for name, found in parts.items():
        sys.stderr.write(f"{name}\n")  # a run of minutes shows where it is
        result[name] = kept[name] if name in kept else found()
    result = rounded(result)
    drawn(result, folder)
    write(folder, result, None if quick else readme(result))  # the page tells of them all
    return result


def recorded() -> dict[str, Any]:
    """What takes minutes, as it stands in the record."""
    data = json.loads((HERE / "result.json").read_text(encoding="utf-8"))
    return {name: data[name] for name in ("cavities", "jars", "bottle")}


# --- pictures ----------------------------------------------------------------------------------------------


def drawn(result: Mapping[str, Any], folder: Path) -> None:
    """Each table beside ours."""
    save(page(cavities(result["cavities"])), folder / "cavities.png")
    save(page(jars(result["jars"])), folder / "jars.png")
    save(page(bottle(result["bottle"])), folder / "bottle.png")
    save(page(breath(result["breath"])), folder / "breath.png")


def cavities(found: Mapping[str, Any]) -> look.Panel:
    """The notes of cavities of one volume over their length."""
    x = [row["length_over_diameter"] for row in found["rows"]]
    curves = [
        Curve("measured", [each for each, _ in still.CAVITIES.values()], found["measured_hz"], look.INK, "D", " ")
    ]
    for model, color in (("ports", look.CLAY), ("lumped", look.QUIET)):
        for end, line, words in ((0, "-", "with the duct's air"), (1, "--", "without")):
            hz = [row[model]["duct_hz"][end] for row in found["rows"]]
            curves.append(Curve(f"{model}, {words}", x, hz, color, ".", line))
    return curves_panel("One volume, one neck", "length over diameter", "Hz", curves,
                        "cavities of 4.5 litres beside a duct, mouth without pressure", x_ticks=x)  # fmt: skip


def jars(found: Mapping[str, Any]) -> look.Panel:
    """Our jars' Q over their necks, and between what and what the measured ones lie."""
    ours = found["ours"]
    x = [row["neck_mm"] for row in ours]
    said = {"q_radiation": ("radiation alone", look.QUIET), "q_open": ("in the open", look.CLAY),
            "q_in_a_wall": ("in a wall", look.SLATE)}  # fmt: skip
    curves = [Curve(words, x, [row[key] for row in ours], color) for key, (words, color) in said.items()]
    heard = [row["measured"] for row in found["measured"]]
    ends = [0.0, max(x) + 8.0]
    curves += [Curve(f"measured, {words}", ends, [q, q], look.INK, "", "--") for q, words in
               ((max(heard), "most"), (min(heard), "least"))]  # fmt: skip
    return curves_panel("Jars with a mouth of 88 mm, at 300 Hz", "neck, mm", "Q", curves,
                        "necks of the measured jars are not told", x_ticks=x)  # fmt: skip


def bottle(found: Mapping[str, Any]) -> look.Panel:
    """How far each model with the neck that suits it best lies from the measured notes."""
    curves = []
    for fit in found["fits"]:
        color = look.CLAY if fit["model"] == "ports" else look.QUIET
        words = "neck's air counted" if fit["to_the_brim"] else "not counted"
        line = "-" if fit["to_the_brim"] else "--"
        curves.append(Curve(f"{fit['model']}, {words}", found["ml"], fit["off_cents"], color, ".", line))
    return curves_panel("A bottle with water", "air to the brim, ml", "cents above what was measured", curves,
                        "each with the neck that suits it best", x_ticks=[100, 200, 300, 400, 500])  # fmt: skip


def breath(found: Mapping[str, Any]) -> look.Panel:
    """The bend of each note of the scale."""
    x = list(range(1, len(found["notes"]) + 1))
    curves = [Curve("measured", x, found["measured"]["cents_per_doubling"], look.INK, "D")]
    words = {"ten_holes": "ours, from C5", "river_yam": "ours, from F4"}
    for each, color in zip(found["ours"], (look.CLAY, look.SLATE), strict=False):
        curves.append(Curve(words[each["name"]], x, each["cents_per_doubling"], color))
    moved = found["measured_with_zero"]
    curves.append(
        Curve(f"measured, its zero at {moved['zero']:.0f}", x, moved["cents_per_doubling"], look.QUIET, "D", "--")
    )
    return curves_panel("How far breath bends a note", "note of the scale", "cents for each doubling", curves,
                        "between 20 cents flat and 20 sharp", x_ticks=x)  # fmt: skip


# --- running it --------------------------------------------------------------------------------------------


def readme(result: Mapping[str, Any]) -> str:
    """The README: the template with the numbers of a result."""
    return filled(HERE, result)


if __name__ == "__main__":
    run(study, HERE, __doc__, "one bottle and one flute, the rest from the record")
