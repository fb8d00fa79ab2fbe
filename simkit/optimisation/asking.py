"""Aims and limits from the options of a command."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from simkit.errors import Fault, InputError
from simkit.optimisation.aims.breath import EvenBreath, Margin
from simkit.optimisation.aims.intune import Aim, InTune, Range, SmallHoles, Steady, Stretched
from simkit.optimisation.problem.limits import Limits
from simkit.vessel.spelling import did_you_mean
from simkit.vessel.wishes import box

AIMS: dict[str, type[Any]] = {
    "in-tune": InTune,
    "steady": Steady,
    "even-breath": EvenBreath,
    "margin": Margin,
    "small-holes": SmallHoles,
    "range": Range,
}
# Where two aims are weighed against each other each must pull, so margin always asks for more than there is.
# 20 times the playing breath: no window has that, so this aim never rests; a tenth of the weight keeps it in scale.
_ALWAYS_MORE = Margin(20.0, weight=0.1)
_EVEN = Stretched(weight=10.0)  # so that the scale stays one whatever the two aims come to


def asked(
    *,
    steady: bool = False,
    even_breath: bool = False,
    margin: float | None = None,
    clay_mm: float = 3.0,
    box_mm: Sequence[float | str] | None = None,
    mass_g: float | None = None,
) -> dict[str, Any]:
    """The keywords `aims` and `limits` of `optimise`; in tune is always asked.

    >>> sorted(asked(steady=True, box_mm=(120, 80, 60)))
    ['aims', 'limits']
    """
    aims: list[Aim] = [InTune()]
    if steady:
        aims.append(Steady())
    if even_breath:
        aims.append(EvenBreath())
    if margin is not None:
        if not 0 < margin < 100:
            raise InputError([Fault.of("margin", margin, "a number more than 0, less than 100")])
        aims.append(Margin(margin))
    if not 0 <= clay_mm <= 100:
        raise InputError([Fault.of("clay_mm", clay_mm, "0 to 100")])
    if mass_g is not None and not mass_g > 0:
        raise InputError([Fault.of("mass_g", mass_g, "more than 0")])
    return {
        "aims": aims,
        "limits": Limits(clay_mm=clay_mm, box_mm=None if box_mm is None else box(box_mm), mass_g=mass_g),
    }


def traded(names: Sequence[str]) -> tuple[Aim, Aim]:
    """Two aims by their names.

    >>> [type(aim).__name__ for aim in traded(["steady", "small-holes"])]
    ['Steady', 'SmallHoles']
    """
    text = ",".join(names)
    wrong = [name for name in names if name not in AIMS]
    if wrong or len(set(names)) != 2:
        guess = did_you_mean(wrong[0], list(AIMS)) if wrong else ""
        raise InputError([Fault.of("trade", text, f"two of {', '.join(AIMS)}, with a comma{guess}")])
    # Targets fix the range, so the two are no trade but one and the same question.
    if {"range", "in-tune"} == set(names):
        raise InputError(
            [Fault.of("trade", text, "range against an aim other than in-tune: a wider range is another scale")]
        )
    one, other = (_ALWAYS_MORE if name == "margin" else AIMS[name]() for name in names)
    return one, other


def always_wanted(one: Aim, other: Aim) -> tuple[Aim, ...]:
    """Aims that keep their weight while two are weighed: in tune, or where the range moves a scale that stretches."""
    if isinstance(one, Range) or isinstance(other, Range):
        return (_EVEN,)
    return () if isinstance(one, InTune) or isinstance(other, InTune) else (InTune(),)
