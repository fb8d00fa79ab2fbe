"""What to change in a design so that it plays what is wanted: free numbers, aims, limits, and the way downhill.

The room can be called itself: `simkit.optimise(vessel, "diameters")` is `simkit.optimise.optimise(...)`.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

from simkit.optimise.aims.breath import EvenBreath, Margin, Meeting
from simkit.optimise.aims.handmade import HandError, Hands, Makers, hand_error, makers
from simkit.optimise.aims.intune import Aim, InTune, SmallHoles, Stay, Steady, differences
from simkit.optimise.aims.stretching import Range, Stretched
from simkit.optimise.optimising import judged, optimise
from simkit.optimise.outcome import Outcome
from simkit.optimise.problem.bounds import FreeNumber
from simkit.optimise.problem.free import Freedom, freedom
from simkit.optimise.problem.limits import Limits
from simkit.optimise.problem.rewriting import rewritten, source_text
from simkit.optimise.problem.trial import Trial
from simkit.optimise.trade_off import TradeOff, trade_off

__all__ = [
    "Aim",
    "EvenBreath",
    "FreeNumber",
    "Freedom",
    "HandError",
    "Hands",
    "InTune",
    "Limits",
    "Makers",
    "Margin",
    "Meeting",
    "Outcome",
    "Range",
    "SmallHoles",
    "Stay",
    "Steady",
    "Stretched",
    "TradeOff",
    "Trial",
    "differences",
    "freedom",
    "hand_error",
    "judged",
    "makers",
    "optimise",
    "rewritten",
    "source_text",
    "trade_off",
]


class _Callable(ModuleType):
    """A room that bears the name of its one verb: Python binds `simkit.optimise` to the room once it is loaded."""

    def __call__(self, *args: Any, **kwargs: Any) -> Outcome:
        return optimise(*args, **kwargs)


sys.modules[__name__].__class__ = _Callable
