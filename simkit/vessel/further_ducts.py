"""Ducts of holes by other packages: a table `duct = {shape = "name", ...}` of a hole, with sizes of its own."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, ConfigDict, Field

from simkit import plugins
from simkit.vessel.part import Further, Part
from simkit.vessel.spelling import did_you_mean, listed
from simkit.vessel.values import refused

GROUP = "simkit.ducts"


class FurtherDuct(Part):
    """The duct of a hole by another package: a part with a `kind`, sizes in mm of its own, and the air in it.

    Announced by an entry point of the group `simkit.ducts` under its kind. In the wall's two faces the hole is the
    round one of its `diameter_mm`; what the duct does between and about them is all in its air.
    """

    kind: str = Field(alias="shape")

    def air(self, plain: Any) -> Any:
        """The air in the duct, a `simkit.sound.elements.openings.Aperture`, from that of the plain round hole.

        Every number of `plain`, in m, may be an array over states of the piece: arithmetic and numpy alone.
        """
        raise NotImplementedError


def _unknown(name: str) -> str:
    known = plugins.names(GROUP)
    if not known:
        raise refused("the name of a duct that an installed package announces; none does")
    raise refused(f"one of {listed(list(known))}{did_you_mean(name, known)}")


class _UnknownDuct(FurtherDuct):
    """A duct that nobody announces: its name is refused, and nothing is said of its other keys."""

    model_config = ConfigDict(extra="ignore")  # else each of its keys would be told of as unknown
    kind: Annotated[str, AfterValidator(_unknown)] = Field(alias="shape")


def _further(name: str) -> type[FurtherDuct]:
    """The duct of another package by that name; an InputError where it is broken."""
    # Else pydantic would take any keys for a plain FurtherDuct.
    return plugins.part_of(GROUP, name, FurtherDuct, "air") or _UnknownDuct


Duct = Annotated[FurtherDuct | None, Further(_further)]
