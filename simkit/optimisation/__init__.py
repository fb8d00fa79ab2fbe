"""Optimisation of a design so that it plays what is wanted: free numbers, aims, limits, and the search.

Names are loaded when they are first used, so that `simkit predict`, which asks of hand-made errors alone, loads no
search.
"""

from __future__ import annotations

import importlib

TYPE_CHECKING = False  # that of typing
if TYPE_CHECKING:
    from typing import Any

    from simkit.optimisation.aims.breath import EvenBreath, Margin, Meeting
    from simkit.optimisation.aims.handmade import HandError, Hands, hand_error
    from simkit.optimisation.aims.intune import (
        Aim,
        InTune,
        Proximity,
        Range,
        SmallHoles,
        Steady,
        Stretched,
        differences,
    )
    from simkit.optimisation.compromises import TradeOff, trade_off
    from simkit.optimisation.optimising import judged, optimise
    from simkit.optimisation.outcome import Outcome
    from simkit.optimisation.problem.bounds import FreeNumber
    from simkit.optimisation.problem.free import Freedom, freedom
    from simkit.optimisation.problem.limits import Limits
    from simkit.optimisation.problem.rewriting import rewritten, source_text
    from simkit.optimisation.problem.trial import Trial

_ROOMS = {
    "aims.breath": ("EvenBreath", "Margin", "Meeting"),
    "aims.handmade": ("HandError", "Hands", "hand_error"),
    "aims.intune": ("Aim", "InTune", "Proximity", "Range", "SmallHoles", "Steady", "Stretched", "differences"),
    "compromises": ("TradeOff", "trade_off"),
    "optimising": ("judged", "optimise"),
    "outcome": ("Outcome",),
    "problem.bounds": ("FreeNumber",),
    "problem.free": ("Freedom", "freedom"),
    "problem.limits": ("Limits",),
    "problem.rewriting": ("rewritten", "source_text"),
    "problem.trial": ("Trial",),
}
_HOME = {name: room for room, names in _ROOMS.items() for name in names}

__all__ = [
    "Aim", "EvenBreath", "FreeNumber", "Freedom", "HandError", "Hands", "InTune", "Limits",
    "Margin", "Meeting", "Outcome", "Proximity", "Range", "SmallHoles", "Steady", "Stretched", "TradeOff",
    "Trial", "differences", "freedom", "hand_error", "judged", "optimise", "rewritten",
    "source_text", "trade_off",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
