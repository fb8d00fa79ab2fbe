"""Many cases of a design, on any executor, kept as they come: stops, resumes, loses nothing."""

from __future__ import annotations

from simkit.sweeps.plan import SweepPlan, read_plan
from simkit.sweeps.running import Swept, sweep

__all__ = ["SweepPlan", "Swept", "read_plan", "sweep"]
