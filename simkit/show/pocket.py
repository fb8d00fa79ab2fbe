"""The part of a report that lives without a server: holes to tap, sliders, sound, a tuner; numbers and scripts inside.

The scripts are plain modules in `simkit/show/static`; in a page that is one file they stand one after the other, each
in a function of its own, and the page's policy lets run what has their hash and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np

from simkit.body import Body, Opening, body_of
from simkit.pitch import Tuning
from simkit.show.outline import Side, clay_outlines, is_hidden, outlines
from simkit.sound.blowing.table import RESONANCES, BlowTable
from simkit.sound.blowing.timbre import timbre
from simkit.sound.elements.airjet import KNOTS, PIECES, AirJet
from simkit.sound.models.portable import numbers, portable
from simkit.vessel import Vessel, tuning_of

# each after those that it imports
MODULES = "complex", "ducts", "gases", "breath", "ports", "motion", "jet", "loop", "blown", "pitch", "tone", "pocket"
BREATH = 0.5, 2.0  # least and most, times a note's own
_SIDES = (
    Side("from above", (1, 0, 0), (0, 1, 0)),
    Side("from below", (-1, 0, 0), (0, 1, 0)),
    Side("from the right", (0, 1, 0), (0, 0, 1)),
    Side("from the left", (0, -1, 0), (0, 0, 1)),
    Side("from the mouth end", (1, 0, 0), (0, 0, 1)),
    Side("from the far end", (-1, 0, 0), (0, 0, 1)),
)
_IMPORT = re.compile(r'^import \{([^}]*)\} from "\./(\w+)\.js";\n', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:async )?(?:function|const|class) (\w+))", re.MULTILINE)


@dataclass(frozen=True)
class Pocket:
    """Parts that the page holds: the numbers as JSON, the script, and its hash as a policy names it."""

    data: str
    script: str
    digest: str


def pocket(vessel: Vessel, table: BlowTable) -> Pocket:
    """The part for a design, whose notes blow as the table says."""
    body = body_of(vessel)
    sent = portable(vessel, RESONANCES)
    sent["wave"] = {"knots": numbers(KNOTS, 12), "pieces": numbers(np.moveaxis(PIECES, 0, -1), 12)}
    for chamber, each in zip(sent["chambers"], table.chambers, strict=True):
        chamber["jet"] = {**sent_jet(each.blown.loop.jet), "of_breath": vessel.breath is not None}
        for note, tone in zip(chamber["notes"], timbre(each.blown), strict=False):  # without notes a tone of none
            note["tone"] = tone and {k: numbers(v, 4) for k, v in tone.as_dict().items()}
    holes = [(c.name, o) for c in body.chambers for o in c.openings]
    shown = {
        "numbers": sent,
        "temperature_c": vessel.air.temperature_c,  # where its slider begins
        "breath": list(BREATH),
        "views": _views(body),
        "fingers": {f"{c.name} {h.name}": h.finger or "" for c in vessel.chambers for h in c.holes},
        "several": len(body.chambers) > 1,
        "holes": [f"{name} {opening.name}" for name, opening in holes],
        "pitches": _pitches(tuning_of(vessel)),
    }
    script = joined(MODULES)
    # Nothing in the data may end the element that holds it.
    data = json.dumps(shown, ensure_ascii=True, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")
    return Pocket(data, script, base64.b64encode(hashlib.sha256(script.encode()).digest()).decode())


def joined(modules: tuple[str, ...]) -> str:
    """Modules as one script: each a function that gives what it exports."""
    folder = files("simkit.show").joinpath("static")
    parts = []
    for name in modules:
        text = folder.joinpath(f"{name}.js").read_text(encoding="utf-8")
        text, exported = _IMPORT.sub(r"const {\1} = \2_js;\n", text), _EXPORT.findall(text)
        parts.append(
            f"const {name}_js = (() => {{\n{_EXPORT.sub('', text)}return {{ {', '.join(exported)} }};\n}})();\n"
        )
    return "\n" + "\n".join(parts)


def sent_jet(jet: AirJet) -> dict[str, Any]:
    """Sizes and constants of a jet, m; dipole: for unit flow, 1/m; offset: of the edge, over the jet's half width."""
    constants = {
        name: getattr(jet.constants, name)
        for name in ("receptivity", "growth", "convection", "window_contraction", "hole_contraction", "windway_loss")
    }
    sizes = {name: getattr(jet, name) for name in ("height", "length", "width", "cut_up", "half_width", "dipole")}
    return {**sizes, **constants, "offset": jet.offset / jet.half_width}


def _pitches(tuning: Tuning) -> list[list[Any]]:
    """Names of all notes with their Hz, by which a page names what it hears."""
    found = [tuning.spelled(key) for key in range(36, 109)]  # C2 to C8
    return [[str(pitch), numbers(tuning.frequency(pitch), 9)] for pitch in found]


# --- the piece, to be tapped ----------------------------------------------------------------------


def _views(body: Body) -> list[dict[str, Any]]:
    """The fewest sides that show every hole, each where it faces the eye most; lines in mm, y downward."""
    holes = [(c.name, o) for c in body.chambers for o in c.openings]
    seen = [[0.0 if is_hidden(body, o, side) else float(o.axis @ side.toward) for side in _SIDES] for _, o in holes]
    chosen: list[int] = []
    left = set(range(len(holes)))  # those that no chosen side shows well yet
    while left:
        best = max(
            # The most holes first, and of sides with as many the one that they face most.
            range(len(_SIDES)),
            key=lambda s: (sum(seen[h][s] > 0.35 for h in left), sum(seen[h][s] for h in left)),
        )
        # None faces any side well: all of them here, so that this ends.
        got = {h for h in left if seen[h][best] > 0.35} or left
        chosen, left = [*chosen, best], left - got
    chosen = chosen or [0]  # a piece without holes is still shown
    at = [max(chosen, key=lambda s: seen[h][s]) for h in range(len(holes))]
    return [_view(body, _SIDES[s], [hole for h, hole in enumerate(holes) if at[h] == s]) for s in chosen]


def _view(body: Body, side: Side, holes: list[tuple[str, Opening]]) -> dict[str, Any]:
    def flat(points: np.ndarray) -> np.ndarray:
        return 1e3 * side.flat(points) * (1, -1)

    air, figure = outlines(body, side), body.figure
    clay = air if figure is None else clay_outlines(figure, side)
    pen = 1e3 * body.thickness if figure is None else 0.0  # moves the air's outline out to the clay's
    air, clay = ([1e3 * line * (1, -1) for line in lines] for lines in (air, clay))
    every = np.concatenate(clay)
    low, high = every.min(axis=0) - pen - 2, every.max(axis=0) + pen + 2
    windows = [
        flat(c.window.rim_points(48, out=c.window.length))
        for c in body.chambers
        if c.window is not None and not is_hidden(body, c.window, side)
    ]
    return {
        "name": side.name,
        "box": numbers([*low, *(high - low)], 5),
        "pen": numbers(2 * pen, 4),  # a stroke is as wide to either side of its line
        "clay": [_path(line) for line in clay],
        "air": [_path(line) for line in air],
        "windows": [_path(rim) for rim in windows],
        "holes": [
            {
                "hole": f"{name} {o.name}",
                "at": numbers(flat((o.center + o.length * o.axis)[None])[0], 5),
                "rim": _path(flat(o.rim_points(40, out=o.length))),
            }
            for name, o in holes
        ],
    }


def _path(points: np.ndarray) -> str:
    return "M" + "L".join(f"{x:.2f},{y:.2f}" for x, y in points) + "Z"
