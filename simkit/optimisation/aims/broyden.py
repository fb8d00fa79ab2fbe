"""Slopes of one design taken along to the next, where only those of openings are cheap to ask anew.

A wall's slope takes a port field on moved meshes, six times what all openings take together. From a design to one not
far from it, it hardly changes; what the notes did on the way mends it (Broyden 1965, from memory): the columns of the
walls change as little as it takes that the step from one to the other comes out as it was.
"""

from __future__ import annotations

import numpy as np

from simkit.optimisation.aims.intune import known_slopes, set_slopes
from simkit.optimisation.aims.slopes import slopes_beside
from simkit.optimisation.problem.trial import Trial

_SHORT = 0.5  # clear changes of the walls: of a step much shorter than this little is learnt


def broyden_update(here: Trial, there: Trial) -> None:
    """Let `there` know the slopes of its notes by those of `here`, asking anew for openings only."""
    before = known_slopes(here)
    if before is None or known_slopes(there) is not None:
        return
    cheap = there.by_openings
    if cheap.all():
        return
    after = before.copy()
    after[:, cheap] = slopes_beside(there, [n for n, c in zip(there.neighbours, cheap, strict=True) if c], exact=False)
    set_slopes(there, updated(before, after, ~cheap, there.x - here.x, there.cents - here.cents, there.freedom.reach))


def updated(
    before: np.ndarray, after: np.ndarray, old: np.ndarray, step: np.ndarray, change: np.ndarray, reach: np.ndarray
) -> np.ndarray:
    """Slopes (f, n) `after` a step (n,) with their `old` columns changed least so that what `change` (f,) comes out.

    A step is foretold by the mean of the slopes before and after, right to second order, which takes half of what is
    changed after it. Least is meant in clear changes, `reach` (n,); a short step says little, as notes jump by some
    tenths of a cent from mesh to mesh.
    """
    missed = change - (before + after) / 2 @ step
    # Only columns that were not asked anew may change.
    clear = np.where(old, step / reach, 0.0)
    # 2: half of a change after the step shows in the mean. The sum keeps short steps from dividing by nearly nothing.
    return after + 2 * np.outer(missed, clear / (clear @ clear + _SHORT**2)) / reach
