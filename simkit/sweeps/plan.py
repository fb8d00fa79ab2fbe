"""Plan of a sweep: base designs, variations of them, and what to compute of each.

base = "dove.toml"                            # or a list of designs
compute = ["predict", "blow"]                 # predict, chart, resonances, blow, optimise

[[variation]]                                 # its own keys go together, row by row
name = "length"
"body.length_mm" = [80, 90, 100]
"body.width_mm" = { from = 50, to = 60, count = 3 }

[[variation]]                                 # variations combine, each row with each
name = "makers"
draws = 200
seed = 7
"clay.wall_mm" = { low = 4, high = 6 }        # evenly between
"body.hole.1.diameter_mm" = { mean = 6, sd = 0.1 }

[[variation]]
name = "jars"
table = "jars.csv"                            # dotted keys on top, one row a line; a name without a dot is a label:
                                              # it changes nothing and is a column of the results

[predict]                                     # what the command's options say
model = "lumped,ports"
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from simkit.body.walls.scan import scan_wall
from simkit.body.walls.triangulated import SurfaceError
from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.sweeps.variations import MOST_CASES, Variation, read_variations
from simkit.sweeps.work import OPTIONS, Variant
from simkit.vessel import Scan, Vessel, load
from simkit.vessel.faults import shown
from simkit.vessel.reader import parsed, text_of
from simkit.vessel.spelling import did_you_mean
from simkit.vessel.values import as_number

LARGEST_PLAN = 1_000_000  # bytes


@frozen
class SweepPlan:
    """All that a file of cases says, checked; `text` is the file itself."""

    source: str
    text: str
    bases: tuple[Vessel, ...]
    variations: tuple[Variation, ...]
    compute: tuple[str, ...]
    options: Mapping[str, Mapping[str, Any]]

    @property
    def count(self) -> int:
        """Number of cases."""
        # No variation: an empty product, 1.
        return len(self.bases) * int(np.prod([len(each.rows) for each in self.variations], dtype=np.int64))

    @property
    def keys(self) -> tuple[str, ...]:
        """The dotted keys that vary, in the order of the file."""
        named = (key for each in self.variations for key in each.rows[0] if key not in each.labels)
        return tuple(dict.fromkeys(named))

    @property
    def labels(self) -> tuple[str, ...]:
        """The user's own columns, in the order of the file."""
        return tuple(dict.fromkeys(key for each in self.variations for key in each.labels))

    def variants(self) -> Iterator[Variant]:
        """Each case's name, base design, settings and labels; the last variation changes fastest."""
        labels = set(self.labels)
        numbered = [list(enumerate(each.rows, 1)) for each in self.variations]
        for base in self.bases:
            # Named only where it tells cases apart.
            own = [Path(base.source).stem] if len(self.bases) > 1 or not self.variations else []
            for rows in itertools.product(*numbered):
                names = [f"{each.name} {n}" for each, (n, _) in zip(self.variations, rows, strict=True)]
                settings: dict[str, float | str] = {}
                for _, row in rows:
                    settings |= row  # of a key that two variations have the later counts
                own_columns = {key: settings.pop(key) for key in labels & settings.keys()}
                yield ", ".join([*own, *names]), base, settings, own_columns


def read_plan(path: str | Path) -> SweepPlan:
    """The plan that a file of cases describes; an InputError lists everything that is wrong with it."""
    text = text_of(path, "a file of cases", LARGEST_PLAN)  # kept whole beside the rows, so not any size
    return plan_of(parsed(text, str(path)), text, Path(path))


def plan_of(tree: Mapping[str, Any], text: str, path: Path) -> SweepPlan:
    """The plan of a file's tables; files that it names lie beside `path`."""
    source = str(path)
    known = ("base", "compute", "variation", *OPTIONS)
    faults = [
        Fault(source, key, shown(value), f"known keys only: {', '.join(known)}{did_you_mean(key, known)}")
        for key, value in tree.items()
        if key not in known
    ]
    compute = _compute(tree.get("compute"), source, faults)
    # Also of what is not computed: a slip is one all the same.
    options = {name: _options(name, tree.get(name, {}), source, faults) for name in OPTIONS}
    bases = _bases(tree.get("base"), path, faults)
    variations = tuple(read_variations(tree.get("variation", []), bases, path, faults))
    faults += _scans(bases, variations, source)  # each scan once, not in every case
    if faults:
        raise InputError(faults)
    plan = SweepPlan(source, text, bases, variations, compute, {name: options[name] for name in compute})
    if not 0 < plan.count <= MOST_CASES:
        raise InputError([Fault(source, "variation", None, f"at most {MOST_CASES} cases in all, not {plan.count}")])
    return plan


def _compute(value: Any, source: str, faults: list[Fault]) -> tuple[str, ...]:
    allowed = f"a list of {', '.join(OPTIONS)}"
    if not isinstance(value, list) or not value or not all(isinstance(each, str) for each in value):
        faults.append(
            Fault(source, "compute", shown(value), allowed + ("; the key is missing" if value is None else ""))
        )
        return ()
    wrong = [each for each in value if each not in OPTIONS]
    faults += [Fault(source, "compute", shown(each), allowed + did_you_mean(each, OPTIONS)) for each in wrong]
    return tuple(dict.fromkeys(each for each in value if each in OPTIONS))


def _options(name: str, value: Any, source: str, faults: list[Fault]) -> dict[str, Any]:
    """The options of one thing to compute; their values are checked by the function that takes them."""
    if not isinstance(value, dict):
        faults.append(Fault(source, name, shown(value), "a table of options"))
        return {}
    for key, given in value.items():
        kind = OPTIONS[name].get(key)
        if kind is None:
            known = ", ".join(OPTIONS[name])
            allowed = f"known keys only: {known}{did_you_mean(key, OPTIONS[name])}"
            faults.append(Fault(source, f"{name}.{key}", shown(given), allowed))
        elif type(given) is not kind:  # by type, as True is an int too
            allowed = {bool: "true or false", str: "a text in quotes", int: "a whole number"}[kind]
            faults.append(Fault(source, f"{name}.{key}", shown(given), allowed))
    return dict(value)


def _bases(value: Any, path: Path, faults: list[Fault]) -> tuple[Vessel, ...]:
    named = [value] if isinstance(value, str) else value
    if not isinstance(named, list) or not named or not all(isinstance(each, str) for each in named):
        allowed = "a design file's name, or a list of them" + ("; the key is missing" if value is None else "")
        faults.append(Fault(str(path), "base", shown(value), allowed))
        return ()
    return tuple(load(path.parent / each) for each in named)


def _scans(bases: Sequence[Vessel], variations: Sequence[Variation], source: str) -> Iterator[Fault]:
    """Faults of scans that cannot be a chamber, worded as in `simkit predict`, before a sweep reads them."""
    for base in bases:
        for chamber in base.chambers:
            if isinstance(chamber.shape, Scan):
                smoothed = _varied(f"{chamber.name}.smooth_mm", variations)
                # The smoothest that any row asks: what that refuses no other would take.
                smooth = max((as_number(value) or 0.0 for value, _ in smoothed), default=chamber.shape.smooth_mm)
                key = f"{chamber.name}.file"
                named = [(value, (source, where)) for value, where in _varied(key, variations)]
                for file, place in named or [(chamber.shape.file, (base.source, key))]:
                    try:
                        scan_wall(base.beside(str(file)), 1e-3 * smooth)
                    except SurfaceError as why:
                        yield Fault(*place, file, str(why))


def _varied(key: str, variations: Sequence[Variation]) -> list[tuple[float | str, str]]:
    """The values that variations give a key, each once, and the place in the file of cases where they do."""
    found = {row[key]: f"variation.{each.name}.{key}" for each in variations for row in each.rows if key in row}
    return list(found.items())
