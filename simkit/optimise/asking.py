"""From the options of a command to aims and limits."""

from __future__ import annotations

from typing import Any

from simkit.errors import Fault, InputError
from simkit.optimise.aims import Aim, InTune, Steady
from simkit.optimise.breath import EvenBreath, Margin
from simkit.optimise.limits import Limits


def asked(
    *,
    steady: bool = False,
    even_breath: bool = False,
    margin: float | None = None,
    clay_mm: float = 3.0,
    box_mm: str | None = None,
) -> dict[str, Any]:
    """The keywords `aims` and `limits` of `optimise`; in tune is always asked.

    >>> sorted(asked(steady=True, box_mm="120, 80, 60"))
    ['aims', 'limits']
    """
    aims: list[Aim] = [InTune()]
    if steady:
        aims.append(Steady())
    if even_breath:
        aims.append(EvenBreath())
    if margin is not None:
        if not 0 < margin < 100:
            raise InputError([Fault("--margin", "", margin, "a number more than 0, less than 100")])
        aims.append(Margin(margin))
    if not 0 <= clay_mm <= 100:
        raise InputError([Fault("--clay-mm", "", clay_mm, "0 to 100")])
    return {"aims": aims, "limits": Limits(clay_mm=clay_mm, box_mm=_box(box_mm))}


def _box(text: str | None) -> tuple[float, float, float] | None:
    if text is None:
        return None
    try:
        along, across, up = (float(word) for word in text.split(","))
    except ValueError:
        along = across = up = -1.0
    if not min(along, across, up) > 0:
        raise InputError([Fault("--box-mm", "", text, "three sizes in mm with commas: along, across, up")])
    return along, across, up
