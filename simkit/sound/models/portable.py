"""The model `ports` of a design, as played, as plain numbers: what a page without Python needs for any fingering.

What is solved by elements goes out as numbers, the port field above all; what is a formula (ducts, losses, radiation,
the windway and the mouth behind it, the balance of breath) is computed anew where they arrive: `show/static/ports.js`.

A hole of another width has other rows in the port field. Each is solved for at some widths with the other holes as
designed, and read between them as polynomials in the logarithm of the width. Where two holes are wider at once,
both changes are added, and what two discs of a flat wall have beyond that (`nearness` in `ports.js`).

The outside, with what stands near, is sent as Chebyshev polynomials in k over the range of the notes, and as others,
of fewer digits, from there to the higher resonances that a jet meets; for flows at rest as it is there. What wider
holes change of it is sent for the notes alone: beyond it is taken as at their end, which moves a note bent by breath by
less than a thousandth of a cent. The room's air is sent as polynomials in its temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from simkit.body.chambers import Opening
from simkit.errors import Fault, InputError
from simkit.field.reduced.matrices import RowChanges
from simkit.frozen import fields_of
from simkit.sound import models
from simkit.sound.elements.airs import breath_of, still_airs
from simkit.sound.elements.chebyshev import coefficients, points
from simkit.sound.elements.mixing import Mixing
from simkit.sound.elements.openings import Aperture, aperture_of
from simkit.sound.elements.orifice import end_of, rectangle
from simkit.sound.elements.windway import Windway
from simkit.sound.models.circuit import Duct
from simkit.sound.models.modal import SLOW, carried
from simkit.sound.models.played_air import SWING, PlayedAir
from simkit.sound.models.ports import PortsResonator
from simkit.sound.models.resonator import Case
from simkit.vessel import Vessel, target_of

WIDTHS = 0.7, 0.88, 1.0, 1.13, 1.3  # of each hole's own: where its rows are solved for
TEMPERATURES_C = 0.0, 40.0  # of the room: all that a design may have
_AIRS, _WAVES, _HIGHER = 7, 16, 24  # points over the range of temperatures, and of wave numbers: notes, and above
_OF_CHANGES, _OF_HIGHER = 5, 4  # digits
_BELOW, _ABOVE = 0.62, 1.5  # range of wave numbers over the design's lowest and highest
_TOP = 1.1  # over the highest resonance
_ENDS = ("length", "inner", "outer", "inner_viscous", "outer_viscous", "inner_cap", "outer_cap")
_OF_AIR = {
    "c": "sound_speed", "rho": "density", "gamma": "gamma", "viscosity": "viscosity",
    "conduction": "thermal_conductivity", "heat": "specific_heat",
}  # fmt: skip


def portable(vessel: Vessel, resonances: int) -> dict[str, Any]:
    """All numbers, SI, in lists and mappings fit for JSON; InputError where no chamber has a window.

    resonances: so many of each fingering are to be found from them.
    Chambers without a window are not blown and not listed; their openings are rows like all others.
    """
    blown = [case for case in models.cases(vessel, state="played") if case.chamber.window is not None]
    if not blown:
        raise InputError([Fault(vessel.source, "chamber.voicing", None, "a window: without one nothing is blown")])
    resonators = [models.resonator("ports", case) for case in blown]
    first = resonators[0]  # the field is of the body: all chambers have it
    outer = _Range.of(resonators, resonances)
    changes = _changes(first)
    return {
        "temperatures_c": list(TEMPERATURES_C),
        "waves": [outer.low, outer.high, outer.top],
        "widths": list(WIDTHS),
        "room": _room(vessel),
        "breath": {name: getattr(breath_of(vessel), key) for name, key in _OF_AIR.items()},
        "field": _field(first),
        "slides": _slides(first, changes, outer),
        "chambers": [_chamber(vessel, case, r, outer, resonances) for case, r in zip(blown, resonators, strict=True)],
    }


class _Range:
    """The wave numbers of the room's air, 1/m, over which what lies outside is sent: of notes, and up to `top`."""

    def __init__(self, low: float, high: float, top: float):
        self.low, self.high, self.top = low, high, top
        self.points = points(low, high, _WAVES)

    @classmethod
    def of(cls, resonators: Sequence[PortsResonator], resonances: int) -> _Range:
        """Range of k from all holes of a chamber covered to all open, and beyond as narrow and wide holes need it."""
        found = []
        for r in resonators:
            # Covered and open: no fingering goes beyond these two.
            ends = np.array([np.zeros(len(r.holes)), np.ones(len(r.holes))])
            found.append(r.motion(ends, resonances).omega.real / r.circuit.room_air.sound_speed)
        notes = np.array(found)[..., 0]
        field, high, top = resonators[0].field, _ABOVE * notes.max(), _TOP * np.max(found)
        # Of several chambers none asks for more than was solved for (`Circuit.at`).
        most = np.inf if field.shared.all() else field.top
        return cls(_BELOW * notes.min(), min(high, most), max(min(top, most), _TOP * high))

    def triangles(self, r: PortsResonator, slow: float) -> dict[str, Any]:
        """The outside's matrix and what stands near: upper triangles, row by row, over both ranges and at k `slow`."""
        rows, columns = np.triu_indices(r.circuit.count)

        def at(k: np.ndarray) -> np.ndarray:
            return (r.field.outside(k) + r.circuit.nearby(k))[:, rows, columns]

        return {
            "notes": self.parts(at(self.points)),
            "above": self.parts(at(points(self.high, self.top, _HIGHER)), _OF_HIGHER),
            "rest": self.parts(at(np.array([slow]))),
        }

    def parts(self, values: np.ndarray, digits: int = 10) -> dict[str, list[list[float]]]:
        """Complex values (p, m) as coefficients, p lists of m numbers, real and imaginary apart.

        They fall off along p, and are added: none needs a digit more than the largest of its column has.
        """
        found = coefficients(values)
        largest = np.maximum(np.abs(found).max(axis=0), 1e-200)  # of columns of zeros too
        scale = 10.0 ** (digits - 1 - np.floor(np.log10(largest)))  # one over the last digit that is kept
        return {
            "re": numbers(np.round(found.real * scale) / scale, digits),
            "im": numbers(np.round(found.imag * scale) / scale, digits),
        }


def numbers(values: Any, digits: int = 10) -> Any:
    """Arrays as nested lists of floats with so many digits: JSON of a third of the size, and still 1e-10 right."""
    if np.ndim(values):
        return [numbers(each, digits) for each in values]
    value = float(f"{float(values):.{digits}g}")
    return int(value) if value == 0 else value  # 0 for 0.0 and -0.0


def _room(vessel: Vessel) -> dict[str, list[float]]:
    """Chebyshev's coefficients over the room's temperature of each of its air's numbers."""
    temperatures = points(*TEMPERATURES_C, _AIRS)
    airs = [still_airs(vessel.with_value("air.temperature_c", float(t))).room for t in temperatures]
    return {
        name: numbers(coefficients(np.array([float(getattr(air, key)) for air in airs])), 13)
        for name, key in _OF_AIR.items()
    }


# --- the field ------------------------------------------------------------------------------------


def _field(r: PortsResonator) -> dict[str, Any]:
    """The inside, which all chambers of the body share: rows are all openings of the body."""
    field, insides = r.field, r.solution.air.chambers
    # Integrals over the wall for each mode (m,): of p^2, 1/m, and of |grad_T p|^2 over that of |grad p|^2, 1/m.
    squares, slopes = zip(*(inside.on_wall for inside in insides), strict=True)
    return {
        "names": [list(name) for name in field.names],
        "chamber": np.unique(field.shared.argmax(axis=1), return_inverse=True)[1].tolist(),
        "volume": numbers(field.volumes),
        **{name: numbers(getattr(field, name)) for name in ("static", "quadratic", "k2", "modes")},
        "wall_square": numbers(np.concatenate(squares)),
        "wall_slope_square": numbers(np.concatenate(slopes) / field.k2),
        "wall": numbers([c.area for c in r.solution.air.body.chambers]),
        "top": field.top,
    }


def _openings(r: PortsResonator) -> list[Opening]:
    """All openings of the body, row by row."""
    return [opening for group in r.solution.openings for opening in group]


def _changes(r: PortsResonator) -> RowChanges:
    """Changes of each round opening's rows at each width but its own, opening after opening."""
    openings = _openings(r)
    rows = [n for n, opening in enumerate(openings) if opening.is_round]
    # No small moves: solved for as they are, and told as differences from the design.
    moves = [(n, _wide(openings[n], q)) for n in rows for q in WIDTHS if q != 1.0]
    return r.solution.changes(moves, exact=True)


def _wide(opening: Opening, q: float) -> Opening:
    return replace(opening, radius=q * opening.radius) if opening.is_round else opening


def _slides(r: PortsResonator, changes: RowChanges, outer: _Range) -> list[dict[str, Any]]:
    """For each round opening: its duct at the widths, and the changes of its rows of the field, one list a width."""
    own, openings = WIDTHS.index(1.0), _openings(r)
    around = changes.outside(outer.points)  # (p, v, n)
    found, each = [], len(WIDTHS) - 1
    for place, n in enumerate(changes.rows[::each].tolist()):
        mine = slice(place * each, (place + 1) * each)  # the changes of one opening stand together

        def filled(values: np.ndarray, mine: slice = mine) -> np.ndarray:
            return np.insert(values[mine], own, 0.0, axis=0)

        apertures = [aperture_of(_wide(openings[n], q)) for q in WIDTHS]
        waves = np.insert(np.moveaxis(around[:, mine], 1, 0), own, 0.0, axis=0)
        found.append({
            "row": n,
            "center": openings[n].center.tolist(),
            "radius": openings[n].radius,
            "duct": _duct(apertures),
            **{of: numbers(filled(getattr(changes, of)), _OF_CHANGES) for of in ("static", "quadratic", "modes")},
            "around": [outer.parts(part, _OF_CHANGES) for part in waves],
        })  # fmt: skip
    return found


def _duct(apertures: Sequence[Aperture]) -> dict[str, Any]:
    """A round opening's ends at the widths; `flush`: depth of its air, covered flush but for a pad's usual bulge."""
    found = {name: numbers([float(getattr(a, name)) for a in apertures]) for name in _ENDS}
    return {**found, "flush": numbers([float(a.covered_volume() / a.area) for a in apertures])}


# --- one chamber ----------------------------------------------------------------------------------


def _chamber(vessel: Vessel, case: Case, r: PortsResonator, outer: _Range, resonances: int) -> dict[str, Any]:
    """A chamber that is blown: its windway, what lies outside, fingers and breath, its notes."""
    design = vessel.chamber(case.chamber.name)
    rows, kept = np.flatnonzero(r.rows), carried(r.field, r.rows, resonances)
    slow = float(SLOW * np.sqrt(r.field.k2[kept[0]]))
    window = r.circuit.ducts[rows[0]]
    notes = [
        {"pitch": n.pitch, "target_hz": target_of(vessel, n), "open": [float(h in n.open) for h in r.holes]}
        for n in design.notes
    ]
    playing = case.playing
    assert playing.windway is not None and playing.breath is not None and playing.fingers is not None
    return {
        "name": case.chamber.name,
        "rows": rows.tolist(),
        "holes": list(r.holes),
        "window": _window(window),
        "windway": _windway(playing.windway, window),
        "carried": kept.tolist(),
        "slow": slow,
        "outer": outer.triangles(r, slow),
        "fingers": {"hover": playing.fingers.hover, "tip": playing.fingers.fingertip},
        "balance": _balance(case, playing.breath),
        "notes": notes,
    }


def _window(duct: Duct) -> dict[str, Any]:
    """Numbers of the window's duct; floor: additions of the clay under the windway to inner end and viscous length."""
    a, under = duct.aperture, duct.floor.before(duct.aperture)
    sizes = {name: float(getattr(a, name)) for name in (*_ENDS, "area", "perimeter")}
    floor = [float(under.inner - a.inner), float(under.inner_viscous - a.inner_viscous)]
    return {**sizes, "depth": duct.junction.depth, "inertance": duct.junction.inertance, "floor": floor}


def _windway(windway: Windway, window: Duct) -> dict[str, Any]:
    wide, high = windway.lips
    lips = end_of(rectangle, wide, high, windway.length, 0.0)
    mouth = {**fields_of(windway.mouth), "wall": min(windway.mouth.wall, 1e9)}  # JSON has no infinity
    return {
        **{name: getattr(windway, name) for name in ("width", "height", "length", "friction_length")},
        "slices": [list(each) for each in windway.slices],
        "lips": {"width": wide, "height": high, "end": [float(lips.correction), float(lips.viscous)]},
        "mouth": mouth,
    }


def _balance(case: Case, air: PlayedAir) -> dict[str, Any]:
    """Further numbers that the balance of breath needs: see `elements.breath_balance`."""
    jet, state = air.jet, case.vessel.air
    unit = float(jet.speed_for(1.0, np.pi / 2))  # m/s for each rad/s
    breath = air.breath
    return {
        **{name: getattr(air, name) for name in ("volume", "wall_area", "clay_c")},
        "mean": [1.0, *air.mean.tolist()],
        "room": {
            "humidity": state.humidity_percent / 100,
            "pressure": state.pressure_pa,
            "carbon_dioxide": 1e-6 * state.co2_ppm,
        },
        "breath": {
            "gases": [float(x) for x in breath.gases.shares()],
            "pressure": breath.pressure_pa,
            "temperature_c": breath.temperature_c,
        },
        "jet": {
            **{name: getattr(jet, name) for name in ("height", "width", "length", "cut_up")},
            "offset": jet.offset / jet.half_width,
            "speed_per_omega": unit,
            # of the jet over its half width, for each m/s of the window's air times each m/s of the jet's own
            "swing": float(jet.swing(1.0, unit, 1.0)) * unit,
            "windway_loss": jet.constants.windway_loss,
        },
        "window_area": jet.window_area,
        "swing": SWING,
        "mixing": fields_of(Mixing()),
    }
