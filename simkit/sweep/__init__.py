"""Many cases of a design, on any executor, kept as they come: stops, resumes, loses nothing.

The room can be called itself: `simkit.sweep(cases, folder)` is `simkit.sweep.sweep(...)`.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

from simkit.sweep.plan import SweepPlan, read_plan
from simkit.sweep.running import Swept, sweep

__all__ = ["SweepPlan", "Swept", "read_plan", "sweep"]


class _Callable(ModuleType):
    """A room that bears the name of its one verb: Python binds `simkit.sweep` to the room once it is loaded."""

    def __call__(self, *args: Any, **kwargs: Any) -> Swept:
        return sweep(*args, **kwargs)


sys.modules[__name__].__class__ = _Callable
