"""Models of other packages: what they answer is looked at before it goes on."""

from __future__ import annotations

from importlib import import_module
from typing import Any

import numpy as np

from simkit import plugins
from simkit.errors import SimkitError
from simkit.sound.catalogue import BUILT_IN, GROUP, Model
from simkit.sound.models.resonator import Case, Evidence, Fingering, Resonance

ANSWERS = ("model", "air", "holes", "resonances", "lowest", "admittance", "evidence")  # of every `Resonator`
MORE = {"motion": ("motion",), "fields": ("oscillation",)}  # by ability


def made(model: Model, case: Case) -> Any:
    """The resonator of a case by a model: of this package as it is, of another one behind `Watched`."""
    if model in BUILT_IN:
        return import_module(model.home).resonator(case)
    try:
        found = import_module(model.home).resonator(case)
    except SimkitError:
        raise
    except Exception as error:
        raise plugins.misfit(GROUP, model.name, f"its resonator: {plugins.in_line(error)}") from error
    wanted = (*ANSWERS, *(name for ability, names in MORE.items() if getattr(model, ability) for name in names))
    missing = [name for name in wanted if not hasattr(found, name)]
    if missing:
        raise plugins.misfit(GROUP, model.name, f"its resonator, a {type(found).__name__}, has no {missing[0]}")
    return Watched(model.name, found)


class Watched:
    """A resonator of another package; `BrokenPlugin` for an answer that is no number, or as many as were not asked for.

    What is not looked at here is that resonator's own.
    """

    def __init__(self, name: str, of: Any):
        self._name, self._of = name, of

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):  # in a copy that is not whole yet
            raise AttributeError(name)
        return getattr(self._of, name)

    def resonances(self, fingering: Fingering = (), count: int = 1) -> tuple[Resonance, ...]:
        found = self._asked("resonances", fingering, count)
        whole = isinstance(found, tuple | list) and all(isinstance(each, Resonance) for each in found)
        if not whole or not np.isfinite([each.omega for each in found]).all():
            raise self._misfit("resonances", found, "Resonances of finite omega")
        return tuple(found[:count])

    def lowest(self, openness: np.ndarray) -> np.ndarray:
        return self._numbers("lowest", (len(np.atleast_2d(openness)),), openness)

    def admittance(self, fingering: Fingering, frequency: np.ndarray) -> np.ndarray:
        return self._numbers("admittance", np.shape(frequency), fingering, frequency)

    def evidence(self, fingering: Fingering = ()) -> Evidence:
        found = self._asked("evidence", fingering)
        if not isinstance(found, Evidence) or not 0 <= found.uncertainty_cents < np.inf:
            raise self._misfit("evidence", found, "an Evidence with 0 or more cents")
        return found

    def _numbers(self, name: str, shape: tuple[int, ...], *given: Any) -> np.ndarray:
        found = np.asarray(self._asked(name, *given))
        if found.dtype.kind not in "fciu" or found.shape != shape or not np.isfinite(found).all():
            raise self._misfit(name, found, f"{shape} finite numbers")
        return found

    def _asked(self, name: str, *given: Any) -> Any:
        try:
            return getattr(self._of, name)(*given)
        except SimkitError:
            raise
        except Exception as error:
            raise plugins.misfit(GROUP, self._name, f"its {name}: {plugins.in_line(error)}") from error

    def _misfit(self, name: str, found: object, allowed: str) -> plugins.BrokenPlugin:
        shown = " ".join(repr(found).split())
        shown = shown if len(shown) < 80 else f"{shown[:76]} ..."
        return plugins.misfit(GROUP, self._name, f"its {name} is {shown}, allowed: {allowed}")
