"""From a design to what answers for its sound: the models by name, each loaded when it is first asked for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from importlib import import_module
from typing import Any

from simkit.body.inspection import body_of
from simkit.errors import Fault, InputError
from simkit.sound.catalogue import catalogue, chosen, model_of
from simkit.sound.elements.airs import airs_of
from simkit.sound.elements.windway import windway_of
from simkit.sound.models.resonator import Case, Resonator
from simkit.vessel import Hole, Vessel, Voicing

WINDWAYS = ("closed", "mouth")
MESHES = 0.3, 3


def models() -> tuple[str, ...]:
    """Names of the models that can be asked, the quickest first."""
    return tuple(model.name for model in catalogue())


def cases(
    vessel: Vessel, *, lossless: bool = False, windway: str = "closed", breathed: bool = False, mesh: float = 1.0
) -> tuple[Case, ...]:
    """What a model is asked about, one case a chamber of the vessel.

    windway "mouth" opens it towards a mouth of 50 ml; `breathed` fills the openings with the breath of `[breath]`;
    mesh: every size of the models' meshes over the standard, 0.3 to 3.
    """
    if not MESHES[0] <= mesh <= MESHES[1]:
        allowed = f"{MESHES[0]} to {MESHES[1]}, how large the meshes' cells are over the standard"
        raise InputError([Fault.of("mesh", mesh, allowed)])
    if windway not in WINDWAYS:
        raise InputError([Fault.of("windway", windway, ", ".join(WINDWAYS))])
    faults = list(_nearly_shut(vessel))
    faults += [] if lossless else _without_wall(vessel)
    if faults:
        raise InputError(faults)
    body = body_of(vessel)
    return tuple(
        Case(
            vessel,
            body,
            body.chamber(chamber.name),
            airs_of(vessel, chamber.name, breathed),
            lossless,
            windway_of(chamber) if windway == "mouth" else None,
            mesh,
        )
        for chamber in vessel.chambers
    )


def tells_windway(model: str, case: Case) -> bool:
    """Whether it is worth asking what an open windway would do: a quick model, a window, the windway closed."""
    known = model_of(model)
    return known.quick and known.windway and case.windway is None and case.chamber.window is not None


def with_windway(case: Case) -> Case:
    """The same case with its windway open to the mouth."""
    return replace(case, windway=windway_of(case.vessel.chamber(case.chamber.name)))


def resonator(model: str, case: Case) -> Any:
    """The resonator of one chamber by the model of that name: a `Resonator`, with the protocols that it declares.

    An InputError where the case has its windway open and the model knows none.
    """
    (name,) = chosen(model)
    known = model_of(name)
    if case.windway is not None and not known.windway:
        raise InputError([Fault.of("windway", "mouth", f"closed: the model {name} knows no open windway")])
    made: Resonator = import_module(known.home).resonator(case)
    return made


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
        for key, duct in ducts:
            own = f"{chamber.name}.{key}.wall_mm" if duct.wall_mm is not None else "clay.wall_mm"
            walls[own] = vessel.clay.wall_mm if duct.wall_mm is None else duct.wall_mm
        yield from (Fault(vessel.source, key, wall, allowed) for key, wall in walls.items() if wall == 0)
