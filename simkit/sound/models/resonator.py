"""The common interface of all models of a sounding chamber, so that charts, blowing and optimising need no other."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeAlias

import numpy as np

from simkit.air import Air
from simkit.body.chambers import Body, ChamberBody
from simkit.body.meshes.curved import AirMesh
from simkit.errors import Fault, InputError
from simkit.field.fem.probes import Swing
from simkit.frozen import frozen
from simkit.sound.elements.airs import Airs
from simkit.sound.models.motion import Motion
from simkit.sound.models.playing import STILL, Playing
from simkit.vessel import Vessel, Voicing

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
