"""A first design from a wish: this scale, so many holes, this figure, these hands. Sized by the hand rule, then tuned.

The rule of the trade is f^2 ~ K/V: the lowest note fixes the window's conductivity over the chamber's volume, each
note above it wants a hole more. What chooses among all the pieces that play the scale is the hand: the chamber is as
long as the fingers need, and no hole wider than they seal nor smaller than a drill.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Sequence

import numpy as np

from simkit.body import placed_wall
from simkit.body.places import axis_ends_mm
from simkit.errors import InputError
from simkit.optimisation.designing.dividing import (
    SHORTEST,
    SLIM,
    WIDE,
    cut_up_mm,
    heights,
    hole_conductivity,
    k2_of,
    window_conductivity,
)
from simkit.optimisation.optimising import optimise
from simkit.optimisation.outcome import Outcome
from simkit.optimisation.problem.bounds import DRILL_MM, group, root_within
from simkit.optimisation.problem.rewriting import rewritten
from simkit.optimisation.search.fingerings import fingered
from simkit.pitch import Tuning
from simkit.vessel import FINGERS, Vessel, loads
from simkit.vessel.hands import BESIDE_MM, SEALED
from simkit.vessel.starter import starter
from simkit.vessel.wishes import Wish

log = logging.getLogger(__name__)

_SIDES = 34.0  # degrees from the top at which the two hands' rows of holes lie
_UNDER = 150.0  # and the thumbs'
_OBLONG = 2.1  # a window's width over its cut-up, where its longest cut-up serves
_MOST_STEPS = 8  # of each of two descents: a wish that can be granted takes fewer
_HOPELESS_STEPS = 3  # of one, where a wish cannot: the best compromise, and what stands in its way
_HOPELESS = 1.5  # of what places and walls may mend where the hand rule finds no hole to be right
_EASE = 0.75  # of the air with which the widest hole just serves: the hand rule errs by as much, and tuning wants room
_ENDS_SHARE = 0.36  # of a chamber's length that bears no holes: the mouth end with the window, the far tip


def wish(
    scale: str,
    holes: int = 7,
    *,
    notes: int | None = None,
    shape: str = "egg",
    fingertip_mm: float = 17.0,
    wall_mm: float = 4.0,
    shrinkage_percent: float = 10.0,
    seed: int = 0,
) -> Outcome:
    """The design of a wish, sized by the hand rule and tuned: a scale such as "C5 major" on so many holes.

    notes: how many of the scale, one more than the holes unless said otherwise; fingertip_mm: breadth of an index
    finger's tip; shrinkage_percent: of the clay, wet to fired. The design is the outcome's `vessel`; `reached` tells
    whether it plays every note. An InputError for a wish that cannot be.
    """
    return wished(Wish(scale, holes, shape, fingertip_mm, notes, wall_mm, shrinkage_percent), seed)[1]


def wished(wish: Wish, seed: int = 0) -> tuple[str, Outcome]:
    """The text of a commented design file that plays the wish as well as can be, and how it came about."""
    if wish.faults:
        raise InputError(list(wish.faults))
    text = _drafted(wish)
    draft = loads(text, "the wish")
    drawn = fingered(_sized(wish, draft), "linear" if wish.in_a_row else "few", seed)
    fingerings = None if wish.in_a_row else "few"
    low, high = _served(wish)
    hopeful = low < _HOPELESS * high  # places and walls may still mend so much
    if hopeful:
        outcome = _tuned(drawn, ["holes", "size"], fingerings, seed, _MOST_STEPS)
        drawn, fingerings = outcome.vessel, None
    else:
        log.info("no hole is narrow and wide enough for these fingers: seeking the best compromise")
    if not hopeful or not outcome.reached:
        steps = _MOST_STEPS if hopeful else _HOPELESS_STEPS
        outcome = _tuned(drawn, ["holes", "size", "voicing"], fingerings, seed, steps)
    return rewritten(text, draft, outcome.vessel.model_copy(update={"source": draft.source})), outcome


def _tuned(vessel: Vessel, free: Sequence[str], fingerings: str | None, seed: int, most_steps: int) -> Outcome:
    """A draft tuned, never mind how far from where it was drawn."""
    return optimise(vessel, free, fingerings=fingerings, seed=seed, most_steps=most_steps, near=False)


# --- the draft: the starter's text with other holes, notes and hands ------------------------------------

_ROW = ("index", "middle", "ring", "little")  # from the mouth end on


def _rows(holes: int) -> tuple[int, int]:
    """Numbers of holes in the left and in the right hand's row on top: eight at most, thumbs have the next."""
    on_top = min(holes, 8)
    return (on_top + 1) // 2, on_top // 2


def _player(n: int, holes: int) -> str:
    """The finger of hole `n`, counted from 0, as a line of the file: the rows are opened from their far ends, then the
    thumbs'. More than ten have none left: the maker says which fingertip, if any, lies over two."""
    hand = ("left", "right")[n % 2]
    if n < 8:
        return f'finger = "{hand} {_ROW[_rows(holes)[n % 2] - 1 - n // 2]}"'
    return f'finger = "{hand} thumb"' if n < len(FINGERS) else "# finger: all ten are taken"


def _drafted(wish: Wish) -> str:
    title = f"{wish.scale}, {wish.holes} holes"
    head, _, _ = starter(wish.shape, title, wish.wall_mm, wish.shrinkage_percent).partition("[[chamber.hole]]")
    spacing = wish.fingertip_mm + BESIDE_MM
    hand = _HAND.format(fingertip=wish.fingertip_mm, spacing=spacing, sealed=SEALED)
    head = re.sub(r"\[hand\].*?\n\n", f"{hand}\n", head, count=1, flags=re.DOTALL)
    names = [str(n + 1) for n in range(wish.holes)]
    holes = "\n".join(_HOLE.format(name=name, finger=_player(n, wish.holes)) for n, name in enumerate(names))
    notes = "\n".join(f'[[chamber.note]]\npitch = "{pitch}"\nopen = []\n' for pitch in wish.pitches)
    return f"{head}{holes}\n# The notes, and the holes open for each; all others are covered, [] covers all.\n{notes}"


_HAND = """\
[hand]
fingertip_mm = {fingertip:g}         # breadth; a hole of {sealed:g} of it is the widest that it seals
spacing_mm = {spacing:g}           # least from middle to middle of two fingers' holes
"""

_HOLE = '[[chamber.hole]]\nname = "{name}"\nalong_mm = 30\naround_deg = 0\ndiameter_mm = 5\n{finger}\n'


# --- the hand rule ----------------------------------------------------------------------------------------


def _sized(wish: Wish, draft: Vessel) -> Vessel:
    """The draft with chamber, window and places of holes as the hand rule and the hand want them."""
    grown = _grown(wish, draft)
    chamber = grown.chambers[0]
    wall = placed_wall(grown, chamber)
    cut_up, width = _window_mm(wish, wall.volume * k2_of(wish.pitches[0]))
    first, last = axis_ends_mm(wall)
    rows: dict[str, float] = {
        f"{chamber.name}.voicing.cut_up_mm": round(cut_up, 2),
        f"{chamber.name}.voicing.window_width_mm": round(width, 2),
        f"{chamber.name}.voicing.along_mm": round(first + 0.2 * (last - first), 1),
    }
    for hole, (along, around) in zip(chamber.holes, _places(wish, first, last), strict=True):
        key = f"{chamber.name}.hole.{hole.name}"
        rows |= {f"{key}.along_mm": round(along, 1), f"{key}.around_deg": around}
    return grown.with_values(rows)


def _grown(wish: Wish, draft: Vessel) -> Vessel:
    """The draft grown to where the fingers fit, within what its window can serve: where that is too small for the
    hands, slimmer, so that it is as long with less air."""
    wall = placed_wall(draft, draft.chambers[0])
    first, last = axis_ends_mm(wall)
    row = (_rows(wish.holes)[0] - 1) * (wish.fingertip_mm + BESIDE_MM)
    needed = (row + wish.fingertip_mm) / ((1 - _ENDS_SHARE) * (last - first))  # times as long as it is drawn
    low, high = _served(wish)
    asked = wall.volume * k2_of(wish.pitches[0]) * needed**3  # K of its window at that size
    served = min(max(asked, low), max(low, _EASE * high))  # kept off the upper end; where the two cross, at the lower
    (size,) = group(draft, "size")
    growth = needed * (served / asked) ** (1 / 3)  # K goes with the volume
    grown = draft.with_values(size.values(growth))
    return _slimmed(grown, needed / growth) if growth < needed else grown


def _slimmed(vessel: Vessel, longer: float) -> Vessel:
    """The draft so many times as long with as much air, or as far as it may be slim; itself where it has no such
    sizes."""
    chamber = vessel.chambers[0]
    length, width, height = (f"{chamber.name}.{key}" for key in ("length_mm", "width_mm", "height_mm"))
    if not {length, width, height} <= vessel.numbers.keys():
        return vessel
    # Over the wider of its two other sides.
    slim = vessel.value(length) / max(vessel.value(width), vessel.value(height))
    # Length over width grows by longer^(3/2) where the air stays.
    longer = max(min(longer, (SLIM / slim) ** (2 / 3)), 1.0)
    sizes = {length: vessel.value(length) * longer}
    return vessel.with_values(sizes | {key: vessel.value(key) / np.sqrt(longer) for key in (width, height)})


def _served(wish: Wish) -> tuple[float, float]:
    """The window's conductivities, m, that it can have and with which the holes of a row can be drilled and sealed:
    from and to. Crossed where there are none: then the wish is out of reach by the hand rule.

    K ~ V ~ size^3, so they bound the size of the chamber.
    """
    longest = _longest_mm(wish)
    low = window_conductivity(wish.wall_mm, SHORTEST, _OBLONG * SHORTEST)
    high = window_conductivity(wish.wall_mm, longest, WIDE * longest)
    if not wish.in_a_row:
        return low, high
    steps = np.diff(heights(wish.pitches))
    smallest, widest = (hole_conductivity(wish.wall_mm, d) for d in (DRILL_MM, SEALED * wish.fingertip_mm))
    return max(low, smallest / steps.min()), min(high, widest / steps.max())


def _longest_mm(wish: Wish) -> float:
    """The longest cut-up with which the highest note does not ask more breath than is sensible."""
    return cut_up_mm(Tuning().frequency(wish.pitches[-1]))


def _window_mm(wish: Wish, conductivity: float) -> tuple[float, float]:
    """Cut-up and width of a window of this conductivity: oblong, and wider where its cut-up may not grow."""

    def over(cut_up: float, share: float) -> float:
        return window_conductivity(wish.wall_mm, cut_up, share * cut_up) - conductivity

    cut_up, share = root_within(lambda mm: over(mm, _OBLONG), SHORTEST, _longest_mm(wish)), _OBLONG
    if over(cut_up, share) < 0:  # the longest is too small
        share = root_within(lambda share: over(cut_up, share), _OBLONG, WIDE)
    return cut_up, share * cut_up


def _places(wish: Wish, first: float, last: float) -> Sequence[tuple[float, float]]:
    """Along (mm) and around (degrees) of every hole: two rows on top, thumbs underneath."""
    rows = _rows(wish.holes)[0]
    middle, spacing = first + 0.56 * (last - first), wish.fingertip_mm + BESIDE_MM
    step = min(spacing, (1 - _ENDS_SHARE) * (last - first) / max(rows, 1))
    places = []
    for n in range(wish.holes):
        side = -1 if n % 2 == 0 else 1
        if n < 8:
            places.append((middle + ((rows - 1) / 2 - n // 2) * step, side * _SIDES))
        elif n < 10:
            places.append((middle, side * _UNDER))
        else:
            places.append((middle + (rows - 1) / 2 * step, side * (_SIDES + 40)))
    return places
