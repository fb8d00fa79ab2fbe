"""The judge: chamber, window with its edge, open holes, clay and outside air all meshed, nothing fitted.

Radiation is exact up to the eighth harmonic of a sphere close around the body; friction and heat at the walls follow
to first order from surface integrals of the lossless field (Berggren, Bernland & Noreland 2018
[Berggren2018]). Every answer comes from two meshes and is extrapolated.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from simkit.air import Air
from simkit.body.chambers import WINDOW, ChamberBody, Opening
from simkit.body.inspection import without_further_ducts
from simkit.body.meshes.all_air import has_sharp_rims
from simkit.body.meshes.rims import duct_of, sharp_rim
from simkit.errors import OutOfReach
from simkit.field.fem.probes import Swing
from simkit.field.full.branch import EXIT, Exit
from simkit.field.full.graded import GradedAir, graded_air
from simkit.field.full.resonance import WholeMode
from simkit.pitch import cents
from simkit.sound.catalogue import able
from simkit.sound.elements.airs import Airs
from simkit.sound.elements.losses import first_order_doubt
from simkit.sound.elements.openings import aperture_of
from simkit.sound.elements.windway import Windway, exit_band, windway_impedance
from simkit.sound.models.resonator import Case, Evidence, Fingering, Oscillation, Resonance, openness_of

LEAST_UNCERTAINTY = 0.3  # cents, for what two meshes have in common

_KEPT: OrderedDict[object, GradedAir] = OrderedDict()
_KEEP = 2


def whole_air(chamber: ChamberBody, mesh: float = 1.0) -> GradedAir:
    """Both meshes of a chamber with its openings, sizes times `mesh`, kept for other airs and fingerings."""
    key = chamber.wall, chamber.beside, chamber.thickness, chamber.figure, chamber.all_openings, mesh
    if key not in _KEPT:
        while len(_KEPT) >= _KEEP:  # before the next, which wants the memory
            _KEPT.popitem(last=False)
        _KEPT[key] = graded_air(chamber, mesh)
    _KEPT.move_to_end(key)
    return _KEPT[key]


@dataclass(frozen=True)
class ResolvedResonator:
    """One chamber of a body with all its air meshed; see `Resonator` for what it answers."""

    chamber: ChamberBody
    field: GradedAir
    airs: Airs
    lossless: bool
    windway: Windway | None = None

    model = "resolved"

    @property
    def air(self) -> Air:
        """The air in the chamber."""
        return self.airs.chamber

    @property
    def holes(self) -> tuple[str, ...]:
        """Names of the holes, in the order of the design file."""
        return tuple(opening.name for opening in self.chamber.openings)

    def resonances(self, fingering: Fingering = (), count: int = 1) -> tuple[Resonance, ...]:
        """The lowest `count` resonances of the chamber's air, the air outside and the covered holes' with it."""
        opened = self._opened(openness_of(self.holes, fingering))
        if not opened or count < 1:
            return ()
        found = (self._answer(pair)[0] for pair in self.field.modes(opened, count, self._exit))
        return tuple(Resonance(omega) for omega in sorted(found, key=lambda omega: omega.real))

    def lowest(self, openness: np.ndarray) -> np.ndarray:
        """Complex omega (n,), rad/s, of the lowest resonance for fingerings (n, holes), one by one; 0 without one."""
        opened = [self._opened(row) for row in np.atleast_2d(np.asarray(openness, float))]
        found = [self._answer(self.field.lowest(names, self._exit))[0] if names else 0.0 for names in opened]
        return np.array(found, complex)

    def admittance(self, fingering: Fingering, frequency: np.ndarray) -> np.ndarray:
        """Flow into the chamber through the window for unit pressure driving it there, m3/(s Pa), at Hz (...).

        By the fine mesh, with frequencies drawn to the lowest resonance as both meshes tell it; friction and heat to
        first order, as in the resonances.
        """
        if self.chamber.window is None:
            raise OutOfReach("this chamber has no window to be driven at")
        opened = self._opened(openness_of(self.holes, fingering))
        extrapolated, fine = self._answer(self.field.lowest(opened, self._exit))
        omega = 2 * np.pi * np.asarray(frequency, float).ravel()
        # So that the fine mesh's own resonance comes to lie where it is without a mesh.
        k = omega / self.air.sound_speed * (fine.real / extrapolated.real)
        layers = (1 - 1j) / 2 * (0.0 if self.lossless else 1.0)
        friction = layers * self.air.delta_v(omega)
        heat = layers * (self.air.gamma - 1) * self.air.delta_t(omega)
        air = {name: np.full(len(k), volume) for name, volume in self._beyond.items()}
        if self.windway is not None:  # a branch with the flow i omega beta p is a spring of the volume beta/k^2
            air[EXIT] = -self._branch(omega, self.lossless) / k**2
        through = self.field.airs[1].driven(opened, WINDOW, float(k.max()), self._exit).flow(k, friction, heat, air)
        return (through / (1j * omega * self.air.density)).reshape(np.shape(frequency))

    def oscillation(self, fingering: Fingering, n: int) -> Oscillation | None:
        """Resonance `n`, from 0, with its field on the fine mesh: inside, in the ducts and around the clay.

        The field is of lossless air that radiates; None where there is no such resonance.
        """
        found = self.resonances(fingering, n + 1)
        if len(found) <= n:
            return None
        whole = self.field.airs[1].whole
        return Oscillation(found[n], whole.mesh, whole.around, self.swing(fingering, n))

    def swing(self, fingering: Fingering, n: int) -> Swing:
        """The complex field of resonance `n`, from 0, on the fine mesh, of any amplitude."""
        return self.field.airs[1].swing(self._opened(openness_of(self.holes, fingering)), n)

    def evidence(self, fingering: Fingering = ()) -> Evidence:
        """Uncertainty: the whole step of the extrapolation, 0.3 cent, and the boundary layers' second order."""
        opened = self._opened(openness_of(self.holes, fingering))
        if not opened:
            return Evidence(0.0)
        modes = self.field.lowest(opened, self._exit)
        omega, fine = self._answer(modes)
        step = abs(cents(omega.real, fine.real))  # from the fine mesh to none
        plain = self._omega(modes[1], lossless=True)
        second = float(first_order_doubt(fine, plain, has_sharp_rims(self.chamber)))
        facts = {
            "unknowns": float(modes[1].unknowns),
            "extrapolation_cents": step,
            "seconds": sum(mode.seconds for mode in modes),
            "mesh_seconds": self.field.seconds,
        }
        return Evidence(step + LEAST_UNCERTAINTY + second, tuple(self._cautions()), facts)

    def _cautions(self) -> Iterator[str]:
        window = self.chamber.window
        if self.chamber.beside:
            yield "resolved: the windows and holes of the other chambers are closed; ports says what they pull"
        if window is not None and window.length > 0 and window.inside_rim == 0 and window.edge_deg < 90:
            yield "resolved: the window's edge is a knife's here; the other models round it by 0.1 mm, some cents lower"
        others = [self.airs.room, self.airs.window, *(self.airs.of_hole(name) for name in self.holes)]
        if any(abs(air.density / self.air.density - 1) >= 1e-3 for air in others):
            yield "resolved: one air everywhere, that of the chamber; the openings' and the room's own air is left out"

    def _opened(self, openness: np.ndarray) -> tuple[str, ...]:
        """Names of the open openings, the window among them."""
        if ((openness > 0) & (openness < 1)).any():
            raise OutOfReach(
                "resolved takes a hole as open or covered: what a finger leaves free of it is a slit under a soft pad, "
                "of a shape that no design tells. Ask the model ports, or the judge about a copy with a hole as small "
                "as what is left free (the diameter times the root of the share)"
            )
        window = (WINDOW,) if self.chamber.window is not None else ()
        return (*window, *(name for name, share in zip(self.holes, openness, strict=True) if share))

    def _answer(self, modes: tuple[WholeMode, WholeMode]) -> tuple[complex, complex]:
        """omega of a resonance extrapolated from its two meshes, and that of the fine one."""
        coarse, fine = (self._omega(mode) for mode in modes)
        # Of k^2, whose error is known to go as a power of the cells' size.
        return complex(np.sqrt(self.field.extrapolated(coarse**2, fine**2))), fine

    @cached_property
    def _beyond(self) -> dict[str, float]:
        """Air under the finger of each hole that the mesh leaves out, m3."""
        return {o.name: beyond_cover(self.chamber, o) for o in self.chamber.openings}

    @property
    def _exit(self) -> Exit | None:
        """The windway's exit, if it is open: about the edge's level, as far as the wall is upright there."""
        way, window = self.windway, self.chamber.window
        if way is None or window is None:
            return None
        return Exit(window, *exit_band(way, window), way.conductivity)

    def _branch(self, omega: Any, lossless: bool) -> Any:
        """i omega rho / Z of the windway, m."""
        assert self.windway is not None
        return 1j * omega * self.air.density / windway_impedance(self.windway, self.air, omega, lossless)

    def _omega(self, mode: WholeMode, lossless: bool = False) -> complex:
        """omega of one mesh's mode with its covered holes as deep as they are and, unless lossless, its wall losses.

        k^2 [1 + (1 - i)/2 (gamma - 1) delta_t P] = k_0^2 [1 - sum_j v_j p_j^2] + w - (1 - i)/2 delta_v G, with P and G
        the integrals of p^2 and |grad_T p|^2 over the walls, all over that of p^2 dV; v_j is the air under the finger
        beyond the meshed cover, w what an open windway does.
        """
        extra = sum(self._beyond[name] * share for name, share in mode.participation.items())
        squared = mode.k**2 * (1 - extra)
        omega = self.air.sound_speed * complex(np.sqrt(squared))
        layers = 0.0 if self.lossless or lossless else (1 - 1j) / 2  # of the walls' condition, theory's section 5
        for _ in range(8 if layers or mode.exit else 0):  # layers and windway at the frequency that they leave
            friction = layers * self.air.delta_v(omega) * mode.viscous
            heat = layers * (self.air.gamma - 1) * self.air.delta_t(omega) * mode.thermal
            way = mode.exit.moves(self._branch(omega, layers == 0)) if mode.exit else 0.0
            omega = self.air.sound_speed * complex(np.sqrt((squared + way - friction) / (1 + heat)))
        return omega


def beyond_cover(chamber: ChamberBody, opening: Opening) -> float:
    """Air under a finger that the mesh leaves out, m3: from the cover up to the outer rim, less the pad's bulge.

    The cover stands where the rim begins to round; cover and finger both span their rims, which are alike.
    """
    turns, clay = np.linspace(0, 1, 48, endpoint=False), (chamber.wall, chamber.thickness)
    cover = duct_of(*clay, opening).exact(turns)[:, 3]
    # Mean height from the cover to where the finger lies.
    deep = float(((sharp_rim(*clay, opening, turns) - cover) @ opening.axis).mean())
    air = aperture_of(opening)
    bulge = air.area * (air.length - air.dip) - air.covered_volume()
    return opening.area * deep - float(bulge)


def resonator(case: Case) -> ResolvedResonator:
    """The resolved model of one chamber of a body; the openings of the others are closed flush with the clay."""
    quick = " or ".join(able("quick"))
    without_further_ducts(case.vessel, f"resolved meshes plain ducts alone; ask {quick}")
    others = tuple(chamber.wall for chamber in case.body.chambers if chamber.name != case.chamber.name)
    chamber = replace(case.chamber, beside=others)
    return ResolvedResonator(chamber, whole_air(chamber, case.mesh), case.airs, case.lossless, case.playing.windway)
