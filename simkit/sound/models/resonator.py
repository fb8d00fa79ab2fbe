"""The common interface of all models of a sounding chamber, so that charts, blowing and optimising need no other."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Protocol, TypeAlias

import numpy as np

from simkit.air import Air
from simkit.body.chambers import Body, ChamberBody
from simkit.body.meshes.curved import AirMesh
from simkit.errors import Fault, InputError
from simkit.field.fem.probes import Swing
from simkit.frozen import frozen
from simkit.sound.elements.airs import Airs
from simkit.sound.models.playing import STILL, Playing
from simkit.vessel import Vessel, Voicing


@frozen
class Motion:
    """Motion of the air in the openings, for blowing: the resonances of F fingerings, M each, seen at O openings, the
    window being opening 0.

    With a pressure dp put in series with opening j, the flow through opening i of a vessel is
    U_i = (1/rho) sum_n i omega w_ni w_nj dp / (omega_n^2 - omega^2 + i omega 2 Im omega_n): each resonance n is known
    by its complex frequency and by one number w per opening, in square roots of metres. w^2 at the window is the
    resonance's drive: of the window's conductivity, the part that this resonance has. A mode with pressure field p,
    int p^2 dV = 1 over all the air, has w = (1/k) int dp/dn dS over the opening. A plain Helmholtz resonator has
    w_i = K_i/sqrt(K_tot), so the window drives it with K_w (K_w/K_tot): the more holes, the less.
    What is missing then from the window's conductivity goes straight through: in at the window and out at the holes,
    with no spring, a resonance at frequency 0 with w = `through`.

    air: in the openings. omega (F, M): complex, rad/s, ascending, linear losses and radiation in Im omega > 0.
    flow (F, M, O): w in sqrt(m), real, 0 for a covered hole; the sign says which openings breathe together, a flow
    into the chamber counting alike at all of them. through (F, O): the same for the flow straight through.
    area (O,): of the openings' ducts, m2.
    """

    air: Air
    omega: np.ndarray
    flow: np.ndarray
    through: np.ndarray
    area: np.ndarray

    def __post_init__(self) -> None:
        fingerings, modes = self.omega.shape
        openings = len(self.area)
        if self.flow.shape != (fingerings, modes, openings) or self.through.shape != (fingerings, openings):
            raise ValueError(
                f"omega {self.omega.shape}, flow {self.flow.shape}, through {self.through.shape}, area "
                f"{self.area.shape}: allowed: (F, M), (F, M, O), (F, O), (O,)"
            )
        if not (self.omega.imag > 0).all():
            raise ValueError("a resonance without loss or that grows by itself: allowed: Im omega > 0")

    def __len__(self) -> int:
        return len(self.omega)

    @property
    def modes(self) -> int:
        """Number of resonances of each fingering."""
        return self.omega.shape[1]

    @property
    def drive(self) -> np.ndarray:
        """(F, M) in m: w^2 at the window, rho times the residue of the window's admittance."""
        return self.flow[:, :, 0] ** 2

    @cached_property
    def every_flow(self) -> np.ndarray:
        """Flows w (F, 1 + M, O), m^(1/2): straight through first, then of the resonances."""
        return np.concatenate([self.through[:, None], self.flow], axis=1)

    @property
    def frequency(self) -> np.ndarray:
        """(F, M) in Hz."""
        return self.omega.real / (2 * np.pi)

    @property
    def q(self) -> np.ndarray:
        """(F, M): linear Q = Re omega / (2 Im omega)."""
        return self.omega.real / (2 * self.omega.imag)

    def only(self, fingerings: np.ndarray | slice) -> Motion:
        """Motion of some fingerings alone: indices, a mask or a slice."""
        return replace(self, omega=self.omega[fingerings], flow=self.flow[fingerings], through=self.through[fingerings])


def straight_through(conductivity: np.ndarray) -> np.ndarray:
    """`through` (..., O) from the openings' conductivity matrix K (..., O, O) in m, window first.

    U = K dp / (i omega rho) with the chamber's air stiff: no flow may stay inside, so of the column K e_w the part
    that fills the chamber is taken out: w = (K e_w - K 1 (1 K e_w)/(1 K 1)) / sqrt(its own window entry). K is the
    inverse of the ports' matrix of mutual inertance; diag(K_i) where openings ignore each other.
    """
    total = conductivity.sum(axis=-1)
    column = conductivity[..., 0] - total * (total[..., :1] / total.sum(axis=-1, keepdims=True))
    own = np.maximum(column[..., :1], 0.0)
    # With no hole open there is nothing to go through; what rounding leaves is no flow.
    return np.where(own > 1e-12 * conductivity[..., :1, 0], column / np.sqrt(np.maximum(own, 1e-300)), 0.0)


def helmholtz_motion(air: Air, omega: np.ndarray, conductivity: np.ndarray, area: np.ndarray) -> Motion:
    """The motion of a lumped resonator: one resonance, omega (F,) complex, conductivity (F, O), 0 where covered."""
    total = conductivity.sum(axis=1, keepdims=True)
    matrix = conductivity[:, :, None] * np.eye(conductivity.shape[1])
    flow = (conductivity / np.sqrt(total))[:, None, :]
    return Motion(air, np.asarray(omega)[:, None], flow, straight_through(matrix), area)


# The open holes: their names, all others covered; or a share from 0 (covered) to 1 (open) for some of them.
Fingering: TypeAlias = Iterable[str] | Mapping[str, float]


@dataclass(frozen=True)
class Resonance:
    """One way in which the air of a chamber rings: its complex frequency omega in rad/s, e^{+i omega t}.

    >>> ring = Resonance(2 * math.pi * 440 * (1 + 0.02j))
    >>> round(ring.frequency_hz, 9), round(ring.q, 9)
    (440.0, 25.0)
    """

    omega: complex

    @property
    def frequency_hz(self) -> float:
        return self.omega.real / (2 * math.pi)

    @property
    def q(self) -> float:
        """Re(omega) / (2 Im(omega)): radians of ringing, twice over, until it has lost a factor e; may be infinite."""
        return self.omega.real / (2 * self.omega.imag) if self.omega.imag else math.inf


@frozen
class Evidence:
    """Uncertainty of a model's lowest resonance for one fingering.

    uncertainty_cents: half-width of the band in which the model's own author would look for the truth; cautions:
    where physics leaves the model's validity, in sentences; facts: numbers worth showing, by name.
    """

    uncertainty_cents: float
    cautions: tuple[str, ...] = ()
    facts: Mapping[str, float] = field(default_factory=dict)


class Resonator(Protocol):
    """One chamber with its openings, whatever the model. Frequencies in Hz, flow in m3/s, pressure in Pa.

    What some can be asked beside stands in the protocols below; `simkit.sound.catalogue` declares which models keep
    which.
    """

    @property
    def model(self) -> str:
        """The model's name."""

    @property
    def air(self) -> Air:
        """The air in the chamber."""

    @property
    def holes(self) -> tuple[str, ...]:
        """Names of the holes, in the order of the design file."""

    def resonances(self, fingering: Fingering = (), count: int = 1) -> tuple[Resonance, ...]:
        """The lowest `count` resonances, ascending; fewer where the model knows no more, none where nothing is open."""

    def lowest(self, openness: np.ndarray) -> np.ndarray:
        """Complex omega (n,) of the lowest resonance for many fingerings: `openness` (n, holes) from 0 to 1.

        0 stands where nothing is open, so that nothing can ring.
        """

    def admittance(self, fingering: Fingering, frequency: np.ndarray) -> np.ndarray:
        """Flow into the chamber through the window for unit pressure driving it there, m3/(s Pa), complex (n,) at (n,)
        Hz.
        """

    def evidence(self, fingering: Fingering = ()) -> Evidence:
        """Uncertainty of the lowest resonance of a fingering."""


class Blowable(Resonator, Protocol):
    """A resonator that can be blown at its window."""

    def motion(self, openness: np.ndarray, count: int) -> Motion:
        """At most `count` of the lowest resonances of fingerings (F, holes), 0 covered to 1 open, as motions of the
        air in the openings, the window first."""


@dataclass(frozen=True, eq=False)
class Oscillation:
    """A resonance with its field on a mesh; outside (m,) bool: which of the mesh's cells lie around the clay."""

    resonance: Resonance
    mesh: AirMesh
    outside: np.ndarray
    swing: Swing


class Pictured(Resonator, Protocol):
    """A resonator that knows its field."""

    def oscillation(self, fingering: Fingering, n: int) -> Oscillation | None:
        """Resonance `n`, from 0; None where there is none."""


class Overtoned(Resonator, Protocol):
    """A resonator that knows the fields, drives and uncertainties of the resonances above its note."""

    @property
    def windowed(self) -> bool:
        """Whether it has a window to be driven at."""

    @property
    def mesh(self) -> AirMesh:
        """The mesh of the chamber's air."""

    def pressure(self, fingering: Fingering, ringing: Resonance) -> np.ndarray:
        """Real pressure (nodes,) at `mesh` in one of its resonances, 1 where it is largest."""

    def drives(self, fingering: Fingering, rings: Sequence[Resonance]) -> np.ndarray:
        """Strength with which the window drives each resonance (n,), in any one unit."""

    def heavier(self, by_cents: float) -> Resonator:
        """Copy with all openings' air so much heavier that the note would fall by so many cents."""


class Coupled(Blowable, Protocol):
    """A resonator that knows the other chambers of its body. Rows are all openings of the body (n,)."""

    @property
    def rows(self) -> np.ndarray:
        """Mask of this chamber's own rows (n,): its window, then its holes."""

    def states(self, openness: np.ndarray) -> np.ndarray:
        """Fingerings (f, holes) as openness of all openings of the body (f, n)."""

    def beside_others(self, states: np.ndarray) -> Coupled:
        """Copy with the openings of the other chambers as `states` say, (n,) or for each fingering (f, n)."""

    def merging(self, other: Any, omega: np.ndarray, states: np.ndarray) -> np.ndarray:
        """Largest difference (f,), rad/s, at which another chamber still merges with this at omega (f,)."""


@dataclass(frozen=True)
class Case:
    """A question to a model: one chamber of a vessel, the airs in it, and what to leave out.

    lossless leaves out friction and heat (radiation stays); playing: what of the player is counted in; mesh: every size
    of a model's meshes over the standard.
    """

    vessel: Vessel
    body: Body
    chamber: ChamberBody
    airs: Airs
    lossless: bool = False
    playing: Playing = STILL
    mesh: float = 1.0

    @property
    def voicing(self) -> Voicing:
        """The design's window and windway of this chamber, which must have them."""
        voicing = self.vessel.chamber(self.chamber.name).voicing
        assert voicing is not None
        return voicing


def openness_of(holes: tuple[str, ...], fingering: Fingering) -> np.ndarray:
    """A fingering as numbers (holes,): 1 open, 0 covered; an InputError for a hole that is not there.

    >>> openness_of(("1", "2", "3"), ["3"]).tolist(), openness_of(("1", "2"), {"2": 0.5}).tolist()
    ([0.0, 0.0, 1.0], [0.0, 0.5])
    """
    if isinstance(fingering, str):  # one hole's name, not its letters
        fingering = [fingering]
    shares = dict(fingering) if isinstance(fingering, Mapping) else dict.fromkeys(fingering, 1.0)
    allowed = f"the holes of this chamber: {', '.join(holes) or 'none'}"
    unknown = [name for name in shares if name not in holes]
    if unknown:
        raise InputError([Fault.of("opened", name, allowed) for name in unknown])
    wrong = [name for name, share in shares.items() if not 0 <= share <= 1]
    if wrong:
        raise InputError([Fault.of("opened", shares[name], "0 (covered) to 1 (open)", key=name) for name in wrong])
    return np.array([float(shares.get(name, 0.0)) for name in holes])


def openness_of_all(holes: tuple[str, ...], fingerings: Sequence[Fingering]) -> np.ndarray:
    """Several fingerings as numbers (n, holes), also of a chamber without holes."""
    return np.array([openness_of(holes, opened) for opened in fingerings]).reshape(len(fingerings), len(holes))
