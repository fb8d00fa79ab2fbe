"""A toolkit for clay vessel flutes: from a written design to the notes it plays.

Names are loaded when they are first used, so that `import simkit` costs nothing.
"""

from __future__ import annotations

import importlib

__version__ = "0.1.0.dev0"

TYPE_CHECKING = False  # that of typing, which would make the first moment after the command longer
if TYPE_CHECKING:
    from typing import Any

    from simkit.errors import Fault, InputError, MeshError, OutOfReach, SimkitError
    from simkit.optimisation import Outcome, optimise
    from simkit.optimisation.designing.wish import wish
    from simkit.show.report import report
    from simkit.sketching import Sketched, sketch
    from simkit.sound.answers.admittance import admittance
    from simkit.sound.answers.air_field import AirField, air_field
    from simkit.sound.answers.chart import Chart, chart
    from simkit.sound.answers.comparison import Comparison, compare
    from simkit.sound.answers.higher import Ringing, resonances
    from simkit.sound.answers.prediction import Prediction, predict
    from simkit.sound.answers.refining import Halved, halved
    from simkit.sound.blowing.table import BlowTable, blow
    from simkit.sweeps import Swept, sweep
    from simkit.tuning import Tuned, tune
    from simkit.vessel import Vessel, dumps, load, loads
    from simkit.vessel.starter import new

_ROOMS = {
    "simkit.errors": ("Fault", "InputError", "MeshError", "OutOfReach", "SimkitError"),
    "simkit.sound.answers.admittance": ("admittance",),
    "simkit.sound.answers.air_field": ("AirField", "air_field"),
    "simkit.sound.answers.prediction": ("Prediction", "predict"),
    "simkit.sound.blowing.table": ("BlowTable", "blow"),
    "simkit.sound.answers.chart": ("Chart", "chart"),
    "simkit.sound.answers.comparison": ("Comparison", "compare"),
    "simkit.sound.answers.higher": ("Ringing", "resonances"),
    "simkit.sound.answers.refining": ("Halved", "halved"),
    "simkit.tuning": ("Tuned", "tune"),
    "simkit.show.report": ("report",),
    "simkit.vessel": ("Vessel", "dumps", "load", "loads"),
    "simkit.vessel.starter": ("new",),
    "simkit.optimisation.designing.wish": ("wish",),
    "simkit.optimisation": ("Outcome", "optimise"),
    "simkit.sketching": ("Sketched", "sketch"),
    "simkit.sweeps": ("Swept", "sweep"),
}
_HOME = {name: room for room, names in _ROOMS.items() for name in names}

__all__ = [
    "AirField", "BlowTable", "Chart", "Comparison", "Fault", "Halved", "InputError", "MeshError",
    "OutOfReach", "Outcome", "Prediction", "Ringing", "SimkitError", "Sketched", "Swept", "Tuned", "Vessel",
    "admittance", "air_field", "blow", "chart", "compare", "dumps", "halved", "load", "loads", "new",
    "optimise", "predict", "report", "resonances", "sketch", "sweep", "tune", "wish",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'simkit' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
