"""What to change in a design so that it plays what is wanted: free numbers, aims, limits, and the way downhill.

The room can be called itself: `simkit.optimise(vessel, "diameters")` is `simkit.optimise.optimise(...)`.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

from simkit.optimise.aims import Aim, InTune, SmallHoles, Stay, Steady, differences
from simkit.optimise.bounds import FreeNumber
from simkit.optimise.breath import EvenBreath, Margin, Meeting
from simkit.optimise.free import Freedom, freedom
from simkit.optimise.handmade import HandError, Hands, Makers, hand_error, makers
from simkit.optimise.limits import Limits
from simkit.optimise.optimising import judged, optimise
from simkit.optimise.outcome import Outcome
from simkit.optimise.rewriting import rewritten, source_text
from simkit.optimise.stretching import Range, Stretched
from simkit.optimise.trade_off import TradeOff, trade_off
from simkit.optimise.trial import Trial

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
