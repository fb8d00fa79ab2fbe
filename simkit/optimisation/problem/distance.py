"""Distance of a design from another as a maker would measure it, so that "nearest to the start" holds at the bench.

One is a millimetre of place along the wall, a millimetre of an opening's size, or a percent of a chamber's size.
"""

from __future__ import annotations

import numpy as np

from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.trial import body_beside, drawn
from simkit.vessel import Vessel

_CLEAR = 5.0  # counted for a clear change of a number that is none of these: an edge's slope, a chamber's turn
_LEAST = 0.2  # a clear change counts for no less: a hole at the very tip turns without going anywhere
_SHARES = ("widest_at", "squareness")  # plain ratios: a hundredth is a percent


def metric(freed: Freedom) -> np.ndarray:
    """Change of the design (n,), in the unit of this module, for one unit of each free number, at its start.

    A number that moves several things counts as the root of the sum of their squares, one that scales a whole chamber
    as its percent. DesignError where an opening has no place.
    """
    vessel = freed.at(freed.start)
    body = drawn(vessel)
    found = np.empty(len(freed.numbers))
    for n, number in enumerate(freed.numbers):
        if is_place(number.name):
            other = freed.beside(vessel, n, number.step)
            # By how far the opening moves on the wall: degrees count for what they are worth at its girth.
            pairs = zip(body.openings, body_beside(vessel, body, other).openings, strict=True)
            found[n] = 1e3 * float(np.linalg.norm([new.center - old.center for old, new in pairs])) / number.step
        elif number.is_factor:
            found[n] = 100 / number.start  # a factor: percent
        else:
            sizes = [share * _sized(vessel, key) for key, share in zip(number.keys, number.shares, strict=True)]
            found[n] = float(np.linalg.norm(sizes)) or _CLEAR / number.reach
    return np.maximum(found, _LEAST / freed.reach)


def is_place(key: str) -> bool:
    """Whether a number slides an opening along a wall."""
    return (".hole." in key or ".voicing." in key) and key.endswith((".along_mm", ".around_deg"))


def is_share(key: str) -> bool:
    """Whether a number is a proportion of a chamber, a hundredth of which is a percent."""
    return key.rpartition(".")[2] in _SHARES


def is_percent(key: str) -> bool:
    """Whether a number is a chamber's own size or proportion, of which percents count."""
    if ".hole." in key or ".voicing." in key or ".offset_mm." in key or key.startswith("clay."):
        return False
    return key.endswith("_mm") or is_share(key)


def _sized(vessel: Vessel, key: str) -> float:
    """Contribution of one unit of a number; 0 for one that is neither a length nor a proportion."""
    if is_share(key):
        return 100.0
    value = abs(vessel.value(key)) if is_percent(key) else 0.0
    # A chamber's size in percent of itself, any other length in mm, a plain number not at all.
    return 100 / value if value else float(key.endswith("_mm"))
