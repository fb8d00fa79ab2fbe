"""The models by name: the module of each, and its abilities beside pitch, as plain data.

A model of one's own is one file and one more `Model`: in `BUILT_IN`, or in another package, announced there by an entry
point of the group `simkit.models` under the model's name. Nothing of a model is loaded before it is asked.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, TypeAlias

from simkit import plugins
from simkit.errors import Fault, InputError

Ability: TypeAlias = Literal["quick", "meshed", "motion", "fields", "overtones", "coupled"]
GROUP = "simkit.models"


@dataclass(frozen=True)
class Model:
    """A model as commands, tables and pictures know it.

    home: its module, with a function `resonator(case)` that gives a `Resonator`; order: its place in tables, the
    quickest first; says: one line for help and report. Then what it can do beside what every `Resonator` does:

    quick      answers for thousands of fingerings at once: charts, reports, what each part of playing does
    meshed     its answers depend on `case.mesh`, the size of its cells
    motion     its resonators are `Blowable`
    fields     its resonators are `Pictured`
    overtones  its resonators are `Overtoned`
    coupled    its resonators are `Coupled`

    played: which of `PARTS`, the parts of `case.playing`, it knows; in predictions one that knows some takes the others
    from the most careful quick model that knows all. colour, mark: in pictures, a colour of `show/look.py` and a marker
    of matplotlib; "" takes the next that is free.
    """

    name: str
    home: str
    order: float
    says: str = ""
    quick: bool = False
    meshed: bool = False
    motion: bool = False
    fields: bool = False
    overtones: bool = False
    coupled: bool = False
    played: tuple[str, ...] = ()
    colour: str = ""
    mark: str = ""

    def can(self, ability: Ability) -> bool:
        """Whether it has an ability, by its name above."""
        return bool(getattr(self, ability))


_HOME = "simkit.sound.models"
PARTS = ("windway", "floor", "breath", "fingers", "player")
# fmt: off
BUILT_IN = (
    Model("lumped", f"{_HOME}.lumped", 10, "the textbook's rule", quick=True, motion=True,
          played=PARTS, colour="QUIET", mark="D"),
    Model("ports", f"{_HOME}.ports", 20, "the field of the chamber's own air", quick=True, meshed=True,
          motion=True, fields=True, overtones=True, coupled=True, played=PARTS, colour="CLAY", mark="o"),
    Model("resolved", f"{_HOME}.resolved", 30, "the judge, all of the air meshed: half a minute, then seconds a note",
          meshed=True, fields=True, played=("windway",), colour="INK", mark="s"),
)
# fmt: on


def names() -> tuple[str, ...]:
    """Names of all models, those of other packages last; none is loaded."""
    own = tuple(model.name for model in BUILT_IN)
    # No other package replaces one of ours.
    return own + tuple(name for name in plugins.names(GROUP) if name not in own)


def model_of(name: str) -> Model:
    """The model of a name; an InputError where there is none, or where the package that announces it is broken."""
    for model in BUILT_IN:
        if model.name == name:
            return model
    found: Model | None = plugins.loaded(GROUP, name, Model)
    if found is None:
        raise InputError([Fault.of("model", name, ", ".join(names()))])
    if found.name != name:
        raise plugins.misfit(GROUP, name, f"its model is called {found.name}; allowed: the name it is announced by")
    return found


def catalogue() -> tuple[Model, ...]:
    """All models, the quickest first."""
    return tuple(sorted(map(model_of, names()), key=lambda model: model.order))


def able(*abilities: Ability) -> tuple[str, ...]:
    """Names of the models that have all of these abilities, the quickest first."""
    return tuple(model.name for model in catalogue() if all(map(model.can, abilities)))


def chosen(model: str | Iterable[str]) -> tuple[str, ...]:
    """One name or several, checked, each once: an InputError for one that is not there."""
    from simkit.vessel.spelling import one_or_more  # the room of the design file is nothing for a command's help

    asked = tuple(dict.fromkeys(one_or_more(model)))
    wrong = [name for name in asked if not is_known(name)]
    if wrong or not asked:
        allowed = ", ".join(names())
        raise InputError([Fault.of("model", name, allowed) for name in (wrong or (None,))])
    return tuple(model_of(name).name for name in asked)


def with_ability(model: str, ability: Ability) -> str:
    """The one model asked for, checked: an InputError where there is none, or it has not that ability."""
    if not is_known(model) or not model_of(model).can(ability):
        raise InputError([Fault.of("model", model, " or ".join(able(ability)))])
    return model


def is_known(name: str) -> bool:
    """Whether there is a model of that name; it is not loaded."""
    return any(model.name == name for model in BUILT_IN) or name in names()


def in_help(*abilities: Ability) -> str:
    """The models of this package that have these abilities, in words for the help of an option.

    >>> in_help("motion"), in_help()
    ('lumped or ports', 'lumped, ports or resolved')
    """
    *most, last = (model.name for model in BUILT_IN if all(map(model.can, abilities)))
    return f"{', '.join(most)} or {last}" if most else last
