"""Optimisation of a design so that it plays what is wanted: free numbers, aims, limits, and the search."""

from __future__ import annotations

from simkit.optimisation.aims.breath import EvenBreath, Margin, Meeting
from simkit.optimisation.aims.handmade import HandError, Hands, Makers, hand_error, makers
from simkit.optimisation.aims.intune import Aim, InTune, Proximity, SmallHoles, Steady, differences
from simkit.optimisation.aims.stretching import Range, Stretched
from simkit.optimisation.optimising import judged, optimise
from simkit.optimisation.outcome import Outcome
from simkit.optimisation.problem.bounds import FreeNumber
from simkit.optimisation.problem.free import Freedom, freedom
from simkit.optimisation.problem.limits import Limits
from simkit.optimisation.problem.rewriting import rewritten, source_text
from simkit.optimisation.problem.trial import Trial
from simkit.optimisation.trade_off import TradeOff, trade_off

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
    "Proximity",
    "Range",
    "SmallHoles",
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
