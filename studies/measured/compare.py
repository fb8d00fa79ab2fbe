"""A measured instrument beside what the models say of it.

Run: python studies/measured/compare.py FORM.toml [--models lumped,ports] [--json]

The form (form.toml shows one) names a design file with the sizes as measured, and says the volume by water, the room's
air, and the notes heard. Takes seconds; with the model resolved, minutes. Exit status 2 for input that is wrong.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import argparse
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field

import simkit
from simkit.errors import Fault, InputError, SimkitError
from simkit.pitch import cents
from simkit.show.lines import fingering
from simkit.sound import models
from simkit.sound.blowing.behaviour import blow_fingerings, pitch_curve
from simkit.sound.blowing.table import RESONANCES, jet_of
from simkit.sound.elements.constants import JetConstants
from simkit.sound.models.ports import PortsResonator
from simkit.sound.models.resonator import Case, openness_of
from simkit.vessel import Vessel
from simkit.vessel.checking import checked
from simkit.vessel.part import Clash, Part, items
from simkit.vessel.reader import parsed, text_of
from simkit.vessel.surroundings import Pressure
from simkit.vessel.values import Line, Name, NumberRange, Percent

# --- the form ----------------------------------------------------------------------------------------------


class Room(Part):
    """The air in which it was played."""

    temperature_c: Annotated[float, NumberRange(0, 40)]
    humidity_percent: Percent = 50.0
    pressure_pa: Pressure = 101325.0


class Heard(Part):
    """One reading: which holes were open, what sounded, how well it could be read, and with which breath."""

    open: tuple[Name, ...] = Field(description="a list of names of holes in quotes; [] for all covered")
    frequency_hz: Annotated[float, NumberRange(20, 10_000)]
    error_cents: Annotated[float, NumberRange(0, 100)] = 3.0
    breath_pa: Annotated[float, NumberRange(0, 5000, above=True)] | None = None


class Form(Part):
    """All that was measured of one instrument."""

    design: Line
    measured_by: Line = ""
    volume_ml: Annotated[float, NumberRange(0, 100_000, above=True)] | None = None
    volume_error_percent: Annotated[float, NumberRange(0, 50)] = 1.0
    air: Room = Field(description="a table [air] with at least temperature_c")
    heard: tuple[Heard, ...] = Field(description="tables written [[heard]]")
    source: str = Field("", exclude=True, repr=False)

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """Nothing heard at all."""
        if isinstance(known.get("heard"), list | tuple) and not items(known.get("heard")):
            yield Clash(("heard",), None, "at least one table [[heard]]")


def form_of(path: Path) -> Form:
    """A form read and checked; an InputError tells all that is wrong with it."""
    return checked(Form, parsed(text_of(path, "a form"), str(path)), str(path))


def vessel_of(form: Form) -> Vessel:
    """The form's design in the form's air, its holes those that the form names."""
    vessel = simkit.load(Path(form.source).parent / form.design)
    if len(vessel.chambers) > 1:
        raise InputError([Fault(form.source, "design", form.design, "a design of one chamber")])
    names = [hole.name for hole in vessel.chambers[0].holes]
    allowed = f"holes of {form.design}: {', '.join(names) or 'none'}"
    wrong = [
        Fault(form.source, f"heard[{n}].open", name, allowed)
        for n, each in enumerate(form.heard, 1)
        for name in each.open
        if name not in names
    ]
    if wrong:
        raise InputError(wrong)
    air = form.air.model_dump()
    return vessel.with_values({f"air.{key}": value for key, value in air.items()})


# --- the comparison ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reading:
    """One reading beside the models: how far each lies above what was heard, in cents.

    playing_cents, breath_cents: what playing moves it from the still piece, and how far this breath bends it, both
    counted in; breath_cents is None without a reading of the breath, or where the model would be silent.
    """

    open: tuple[str, ...]
    heard_hz: float
    error_cents: float
    playing_cents: float
    breath_cents: float | None
    off_cents: dict[str, float]


@dataclass(frozen=True)
class Comparison:
    """All readings; volume_cents: by how much the water's volume moves every note against the design's."""

    title: str
    measured_by: str
    volume_ml: float
    volume_cents: float
    volume_error_cents: float
    readings: tuple[Reading, ...]
    uncertainty_cents: dict[str, float]

    def common(self, model: str) -> float:
        """What all notes are off by together: the median. A window as it is cut is tens of cents from its drawing."""
        return float(np.median([each.off_cents[model] for each in self.readings]))

    def left(self, model: str) -> float:
        """Root mean square of what is left when the common part is taken off."""
        off = np.array([each.off_cents[model] for each in self.readings]) - self.common(model)
        return float(np.sqrt(np.mean(off * off)))

    def as_dict(self) -> dict[str, Any]:
        """Everything, for --json."""
        names = list(self.uncertainty_cents)
        return asdict(self) | {
            "common_cents": {name: self.common(name) for name in names},
            "left_cents": {name: self.left(name) for name in names},
        }


def compared(form: Form, names: Sequence[str] = ("lumped", "ports")) -> Comparison:
    """The form's readings beside models, as the piece is played."""
    vessel = vessel_of(form)
    (case,) = models.cases(vessel, state="played")
    resonators = {name: models.resonator(name, case) for name in models.chosen(names)}
    design_ml = 1e6 * case.chamber.volume
    by_water = 0.0 if form.volume_ml is None else water_cents(form.volume_ml, design_ml)
    moved = [1200 * float(np.log2(models.played_over_still(case, each.open))) for each in form.heard]
    bends = breath_bends(case, form.heard)
    readings = []
    for heard, by_playing, bend in zip(form.heard, moved, bends, strict=True):
        off = {}
        for name, resonator in resonators.items():
            rings = resonator.resonances(heard.open, 1)
            if not rings:
                raise InputError([Fault(form.source, "heard.open", "[]", "open holes: this design has no window")])
            off[name] = cents(rings[0].frequency_hz, heard.frequency_hz) + by_water + (bend or 0.0)
        readings.append(Reading(heard.open, heard.frequency_hz, heard.error_cents, by_playing, bend, off))
    unsure = {
        name: max(resonator.evidence(heard.open).uncertainty_cents for heard in form.heard)
        for name, resonator in resonators.items()
    }
    error = 0.0 if form.volume_ml is None else 600 / np.log(2) * form.volume_error_percent / 100
    return Comparison(vessel.title, form.measured_by, design_ml, by_water, float(error), tuple(readings), unsure)


def water_cents(measured_ml: float, design_ml: float) -> float:
    """By how much a measured volume moves every note from where the design's has it, cents: f goes as 1/sqrt(V)."""
    return -600 * float(np.log2(measured_ml / design_ml))


def breath_bends(case: Case, heard: Sequence[Heard]) -> list[float | None]:
    """How far each reading's breath bends its note away from the resonance, cents, by the jet; None where unknown."""
    resonator = models.resonator("ports", case)
    if case.chamber.window is None or all(each.breath_pa is None for each in heard):
        return [None] * len(heard)
    assert isinstance(resonator, PortsResonator)
    openness = np.array([openness_of(resonator.holes, each.open) for each in heard])
    jet = jet_of(case, JetConstants.from_table(case.vessel.jet))
    blown = blow_fingerings(resonator.motion(openness, RESONANCES), jet)
    out: list[float | None] = []
    for n, each in enumerate(heard):
        hz = np.nan if each.breath_pa is None else float(pitch_curve(blown, np.array([each.breath_pa]))[n, 0])
        rests = resonator.resonances(each.open, 1)[0].frequency_hz
        out.append(cents(hz, rests) if np.isfinite(hz) else None)
    return out


# --- telling it --------------------------------------------------------------------------------------------


def told(form: Form, found: Comparison) -> str:
    """The comparison as text."""
    holes = vessel_of(form).chambers[0].holes
    names = list(found.uncertainty_cents)
    lines = [found.title or "an instrument", *([f"measured by {found.measured_by}"] if found.measured_by else [])]
    lines.append(f"volume by the design {found.volume_ml:.1f} ml" + _water(form, found))
    head = f"{'fingers':<{max(8, len(holes) + 2)}}{'heard Hz':>9}" + "".join(f"{name:>11}" for name in names)
    lines += ["", head + f"{'playing':>11}{'breath':>9}"]
    for each in found.readings:
        bend = "" if each.breath_cents is None else f"{each.breath_cents:+.0f}"
        row = f"{fingering(holes, each.open):<{max(8, len(holes) + 2)}}{each.heard_hz:>9.1f}"
        row += "".join(f"{each.off_cents[name]:>+11.1f}" for name in names)
        lines.append(row + f"{each.playing_cents:>+11.0f}{bend:>9}")
    lines += ["", "cents above what was heard; playing and the bend of the breath are counted in", ""]
    for name in names:
        lines.append(
            f"{name}: {found.common(name):+.1f} cents in common, {found.left(name):.1f} left from note to note "
            f"(says itself: up to {found.uncertainty_cents[name]:.1f})"
        )
    lines.append("What is common comes from the window as cut, the volume and the air; what is left judges the model.")
    return "\n".join(lines) + "\n"


def _water(form: Form, found: Comparison) -> str:
    if form.volume_ml is None:
        return "; not measured by water"
    return (
        f", by water {form.volume_ml:.1f} ml: {found.volume_cents:+.1f} cents for every note, counted in "
        f"(± {found.volume_error_cents:.0f})"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line; the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("form", metavar="FORM.toml", type=Path, help="what was measured; form.toml shows one")
    parser.add_argument("--models", default="lumped,ports", help="with commas: lumped, ports, resolved")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")
    asked = parser.parse_args(arguments)
    try:
        form = form_of(asked.form)
        found = compared(form, models.chosen(asked.models.split(",")))
    except SimkitError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_status
    sys.stdout.write(json.dumps(found.as_dict(), indent=1) + "\n" if asked.json else told(form, found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
