"""Fingers on the holes: flesh in those that are covered, finger tips over those that are open."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simkit.frozen import frozen
from simkit.sound.elements.openings import Aperture
from simkit.sound.elements.orifice import Reals

# Dickens 2007, thesis, University of New South Wales, ch. 4: fingers on holes of radius b in pipes of radius a, walls
# of 1, 2.5 and 5 mm, b/a 0.2 to 1: the covered hole springs as if it were shorter, by 0.1 b to 0.8 b (fig. 4.11, read),
# on the mean 0.76 b (b/a) (eq. 4.11, as his listing has it). Eq. 4.13 is of the series term, where the bore's own flow
# dips into the hole; a chamber has almost none. The pipes' radius: 7.5 mm, from memory.
_PIPE = 7.5e-3
_SUNK = 0.76
_SHALLOWEST, _DEEPEST = 0.1, 0.8
_SCATTER = 0.15  # of the radius: what the measured points, the pipe's radius and other fingers leave open


class Doubted(NamedTuple):
    """A number and its standard deviation."""

    value: Reals
    doubt: Reals


def flesh_depth(radius: Reals, length: Reals) -> Doubted:
    """Depth of the flesh in a covered hole, 0.76 b^2/(7.5 mm) with b its radius, and its standard deviation, m.

    What the pipe was in the measurements a chamber is not: here flesh is taken to know the hole alone, so that the
    pipe's radius stays a mere length. Between 0.1 and 0.8 b as measured, and no more than the hole's length: where
    the wall is thin it fills the hole, d/(1 + (d/t)^8)^(1/8).

    >>> hole = flesh_depth(4e-3, 4e-3)
    >>> round(float(hole.value) * 1e3, 2), round(float(hole.doubt) * 1e3, 2)
    (1.62, 0.6)
    """
    wanted = radius * np.clip(_SUNK * radius / _PIPE, _SHALLOWEST, _DEEPEST)  # over the radii that were measured
    deep = np.maximum(length, 1e-9)  # through no clay there is nothing to fill
    depth = wanted / (1 + (wanted / deep) ** 8) ** (1 / 8)
    return Doubted(depth, np.minimum(_SCATTER * radius, np.maximum(depth, deep - depth)))


def left_covered(area: Reals, length: Reals) -> Doubted:
    """Air left under a finger in a hole of that area, m2, and depth, m (a bent wall's `dip` taken off), m3."""
    flesh = flesh_depth(np.sqrt(area / np.pi), length)
    return Doubted(area * (length - flesh.value), area * flesh.doubt)


FINGERTIP = 8e-3  # m, half the breadth of an adult's (men 9.2, women 8.3; children 7 to 8): measured, second-hand
_SHAPE = 0.4  # of the change: a flat pad adds 1.1 to 1.5 times as much as a round finger, a lone tip 0.5 to 0.7


def hover_end(radius: Reals, height: Reals, fingertip: Reals = FINGERTIP) -> Doubted:
    """Outer end correction that a finger adds over the open hole of a flat wall, m: air has to go round it.

    height x, half its breadth p in radii of the hole. A ball: d = (p^3/2) (x + 1.729 p - 0.725)^-2.303 (x + 0.387 +
    0.841 p^-1.89)^-1.697, far off p^3/(2 x^4), a ball in a source's flow; to 3 % of axisymmetric elements, p 1.5 to 5,
    x 0.25 to 12. A finger, a half ball over the hole and a round rod on one side, adds 1.2 + 0.8 x/p times that: to
    7 % of tetrahedra, x/p 0.23 to 1.3. Nearer than a quarter radius a hole is rather half covered than open.

    >>> hover = hover_end(4e-3, 8e-3)
    >>> round(float(hover.value / 4e-3), 3)
    0.044
    """
    x, p = height / radius, np.clip(fingertip / radius, 1.2, 10.0)
    near, wide = x + 0.387 + 0.841 * p**-1.89, x + 1.729 * p - 0.725
    ball = p**3 / 2 * wide**-2.303 * near**-1.697
    added = radius * ball * (1.2 + 0.8 * x / p)  # the finger over its ball: more so from farther off
    return Doubted(added, _SHAPE * added)


@frozen
class Touch:
    """Fingers on the holes of a chamber.

    hover: height of raised ones over their holes, m; fingertip: half the breadth of one, m. deeper, stronger: by
    how many standard deviations flesh reaches deeper into holes, and raised fingers shade them more, than is likely.
    """

    hover: float
    fingertip: float = FINGERTIP
    deeper: float = 0.0
    stronger: float = 0.0

    def left(self, aperture: Aperture) -> Reals:
        """Air left in an opening under a finger, m3."""
        found = left_covered(aperture.area, aperture.length - aperture.dip)
        return found.value - self.deeper * found.doubt  # deeper flesh leaves less

    def shade(self, aperture: Aperture) -> Reals:
        """Outer end correction added to an opening by a raised finger, m."""
        found = hover_end(np.sqrt(aperture.area / np.pi), self.hover, self.fingertip)
        return found.value + self.stronger * found.doubt
