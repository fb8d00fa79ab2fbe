"""What to change in a design so that it plays what is wanted: free numbers, aims, limits, and the way downhill.

The room can be called itself: `simkit.optimise(vessel, "diameters")` is `simkit.optimise.optimise(...)`.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

from simkit.optimise.aims import Aim, InTune, Stay
from simkit.optimise.bounds import FreeNumber
from simkit.optimise.free import Freedom, freedom
from simkit.optimise.limits import Limits
from simkit.optimise.optimising import optimise
from simkit.optimise.outcome import Outcome

__all__ = ["Aim", "FreeNumber", "Freedom", "InTune", "Limits", "Outcome", "Stay", "freedom", "optimise"]


class _Callable(ModuleType):
    """A room that bears the name of its one verb: Python binds `simkit.optimise` to the room once it is loaded."""

    def __call__(self, *args: Any, **kwargs: Any) -> Outcome:
        return optimise(*args, **kwargs)


sys.modules[__name__].__class__ = _Callable
