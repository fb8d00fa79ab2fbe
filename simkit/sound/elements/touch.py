"""Fingers on the holes: flesh in those that are covered, finger tips over those that are open."""

from __future__ import annotations

import numpy as np

from simkit.frozen import frozen
from simkit.sound.elements.fingers import FINGERTIP, hover_end, left_covered
from simkit.sound.elements.openings import Aperture
from simkit.sound.elements.orifice import Reals


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
