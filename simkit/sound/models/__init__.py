"""Models by name, each loaded when it is first asked for, and the cases that they answer.

Answers of other packages' models are looked at before they go on (`Watched`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from importlib import import_module
from typing import Any

import numpy as np

from simkit import plugins
from simkit.body.chambers import Body
from simkit.body.inspection import body_of
from simkit.errors import Fault, InputError, SimkitError
from simkit.sound.catalogue import BUILT_IN, GROUP, Model, catalogue, chosen, model_of
from simkit.sound.elements.airs import still_airs
from simkit.sound.elements.openings import aperture_of
from simkit.sound.models.playing import STILL, Playing, checked_state, playing_of
from simkit.sound.models.resonator import Case, Evidence, Fingering, Resonance
from simkit.vessel import Hole, Vessel, Voicing

MESHES = 0.3, 3


def models() -> tuple[str, ...]:
    """Names of the models that can be asked, the quickest first."""
    return tuple(model.name for model in catalogue())


def cases(vessel: Vessel, *, lossless: bool = False, state: str = "still", mesh: float = 1.0) -> tuple[Case, ...]:
    """Cases for a model to answer, one for each chamber of the vessel.

    state: "played" or "still" (see `simkit.sound.models.playing`); mesh: every size of the models' meshes over the
    standard, 0.3 to 3.
    """
    if not MESHES[0] <= mesh <= MESHES[1]:
        allowed = f"{MESHES[0]} to {MESHES[1]}, how large the meshes' cells are over the standard"
        raise InputError([Fault.of("mesh", mesh, allowed)])
    played = checked_state(state) == "played"
    faults = list(_nearly_shut(vessel))
    faults += [] if lossless else _without_wall(vessel)
    if faults:
        raise InputError(faults)
    body = body_of(vessel)
    _try_further_ducts(vessel, body)
    still = [
        Case(vessel, body, body.chamber(chamber.name), still_airs(vessel), lossless, STILL, mesh)
        for chamber in vessel.chambers
    ]
    return tuple(with_playing(case, playing_of(vessel, body, case.chamber)) if played else case for case in still)


def case_of(vessel: Vessel, chamber: str, *, lossless: bool = False, state: str = "still", mesh: float = 1.0) -> Case:
    """The case of one chamber by its name, as by `cases`."""
    every = cases(vessel, lossless=lossless, state=state, mesh=mesh)
    return next(case for case in every if case.chamber.name == chamber)


def _try_further_ducts(vessel: Vessel, body: Body) -> None:
    """Ask the ducts of other packages for their air once, where their keys are known."""
    for chamber in body.chambers:
        for opening in chamber.openings:
            if opening.duct is None:
                continue
            try:
                aperture_of(opening)
            except plugins.BrokenPlugin as broken:
                raise broken.at(vessel.source, f"{chamber.name}.hole.{opening.name}.duct") from broken


def with_playing(case: Case, playing: Playing) -> Case:
    """The case with more or less of the player counted in, and the air that belongs to it."""
    airs = still_airs(case.vessel) if playing.breath is None else playing.breath.airs
    return replace(case, airs=airs, playing=playing)


def left_out(model: str, case: Case) -> tuple[str, ...]:
    """Parts of playing that the case counts in and the model does not know, in a sentence; nothing where none."""
    missing = [part for part in case.playing.parts if part not in model_of(model).played]
    if len(missing) == len(case.playing.parts) and missing:  # all, and there are some
        return (f"{model}: knows nothing of playing: its numbers are of the still piece",)
    return tuple(f"{model}: knows nothing of the {part}, and leaves it out" for part in missing)


def played_over_still(case: Case, fingering: Fingering) -> float:
    """Ratio of a fingering's lowest resonance as played to that of the piece still, by `ports`; 1 without one."""
    found = [
        resonator("ports", with_playing(case, playing)).resonances(fingering, 1) for playing in (case.playing, STILL)
    ]
    played, alone = found
    return played[0].frequency_hz / alone[0].frequency_hz if played and alone else 1.0


def resonator(model: str, case: Case) -> Any:
    """The resonator of one chamber by the model of that name: a `Resonator`, with the protocols that it declares.

    Parts of playing that the model does not know are left out.
    """
    (name,) = chosen(model)
    known = model_of(name)
    if not set(case.playing.parts) <= set(known.played):
        case = with_playing(case, case.playing.only(known.played))
    return made(known, case)


def lowest_in_states(model: str, case: Case, playings: Sequence[Playing], openness: np.ndarray) -> np.ndarray:
    """Complex omega (s, f) of the lowest resonance of fingerings (f, holes), with as much of the player as `playings`.

    A model's module may have a `lowest_in_states(resonators, openness)` of its own, quicker than one by one.
    """
    each = [resonator(model, with_playing(case, playing)) for playing in playings]
    # Not of the resonator: a state is one, and what they share is known of all together.
    together = getattr(import_module(model_of(model).home), "lowest_in_states", None)
    if together is None:
        return np.stack([one.lowest(openness) for one in each])
    return np.asarray(together(each, openness))


MOST_OBLONG, MOST_DEEP = 30.0, 15.0  # a window's width and its wall over its cut-up: makers stay below 10 and 4


def _nearly_shut(vessel: Vessel) -> Iterable[Fault]:
    """Windows so narrow beside their width or their clay that elements as fine as the cut-up would be too many."""
    for chamber in vessel.chambers:
        if chamber.voicing is None:
            continue
        voicing = vessel.with_clay(chamber.voicing)
        width, wall = voicing.window_width_mm, voicing.wall_mm or 0.0
        least = max(width / MOST_OBLONG, wall / MOST_DEEP)
        if voicing.cut_up_mm < least:
            allowed = f"at least {least:.2g}: {width:g} mm wide in {wall:g} mm of clay, this window is all but shut"
            yield Fault(vessel.source, f"{chamber.name}.voicing.cut_up_mm", voicing.cut_up_mm, allowed)


def _without_wall(vessel: Vessel) -> Iterable[Fault]:
    """Openings through no wall at all, where friction at the rim grows without limit."""
    allowed = "more than 0, or `lossless`: friction at the rim of a wall without thickness grows without limit"
    for chamber in vessel.chambers:
        ducts: list[tuple[str, Hole | Voicing]] = [(f"hole.{hole.name}", hole) for hole in chamber.holes]
        if chamber.voicing:
            ducts.insert(0, ("voicing", chamber.voicing))
        walls = {}
        if vessel.outside is not None:  # the clay is what lies between
            ducts = [each for each in ducts if each[1].wall_mm is not None]
        for key, duct in ducts:
            own = f"{chamber.name}.{key}.wall_mm" if duct.wall_mm is not None else "clay.wall_mm"
            walls[own] = vessel.clay.wall_mm if duct.wall_mm is None else duct.wall_mm
        yield from (Fault(vessel.source, key, wall, allowed) for key, wall in walls.items() if wall == 0)


ANSWERS = ("model", "air", "holes", "resonances", "lowest", "admittance", "evidence")  # of every `Resonator`
MORE = {"motion": ("motion",), "fields": ("oscillation",)}  # by ability


def made(model: Model, case: Case) -> Any:
    """The resonator of a case by a model: of this package as it is, of another one behind `Watched`."""
    if model in BUILT_IN:
        return import_module(model.home).resonator(case)
    found = _theirs(model.name, "resonator", lambda: import_module(model.home).resonator(case))
    wanted = (*ANSWERS, *(name for ability, names in MORE.items() if getattr(model, ability) for name in names))
    missing = [name for name in wanted if not hasattr(found, name)]
    if missing:
        raise plugins.misfit(GROUP, model.name, f"its resonator, a {type(found).__name__}, has no {missing[0]}")
    return Watched(model.name, found)


def _theirs(model: str, what: str, ask: Callable[[], Any]) -> Any:
    """An answer of another package's model; `BrokenPlugin` for what it raises that is no word to the user."""
    try:
        return ask()
    except SimkitError:
        raise
    except Exception as error:
        raise plugins.misfit(GROUP, model, f"its {what}: {plugins.in_line(error)}") from error


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
        return _theirs(self._name, name, lambda: getattr(self._of, name)(*given))

    def _misfit(self, name: str, found: object, allowed: str) -> plugins.BrokenPlugin:
        shown = " ".join(repr(found).split())
        shown = shown if len(shown) < 80 else f"{shown[:76]} ..."
        return plugins.misfit(GROUP, self._name, f"its {name} is {shown}, allowed: {allowed}")
