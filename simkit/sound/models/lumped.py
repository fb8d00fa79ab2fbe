"""The textbook resonator: the chamber's air as one spring, the air in each opening as one mass, side by side.

omega^2 = c^2 K / V with K the sum of the openings' conductivities and V the chamber's volume with the chimneys of the
covered holes, made complex by friction in the openings, heat at the walls and radiation, each at the note's own
frequency. Blind to where the openings lie; what that costs is in the uncertainty (see `simkit.sound.models.neglect`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.air import Air
from simkit.errors import OutOfReach
from simkit.frozen import frozen
from simkit.sound.elements.airs import Airs
from simkit.sound.elements.floor import floor_of
from simkit.sound.elements.losses import friction_loss, heat_loss, radiation_resistance
from simkit.sound.elements.nearby import NOTHING, Nearby
from simkit.sound.elements.openings import Aperture, aperture_of, partly_covered
from simkit.sound.elements.secant import fixed_point
from simkit.sound.elements.windway import AT_FACE, Junction, Windway, junction_of, windway_impedance
from simkit.sound.models.neglect import Layout, neglected
from simkit.sound.models.playing import STILL, Playing, nearby_of
from simkit.sound.models.resonator import Case, Evidence, Fingering, Motion, Resonance, helmholtz_motion, openness_of

_TOLERANCE = 1e-12  # of the frequency


@frozen
class Network:
    """The circuit at one complex frequency for each of many fingerings: admittances (n,), m3/(s Pa).

    Between the chamber and the air just outside lie the window, in two parts with the windway's exit between
    them, and the holes; the room lies behind the radiation resistance that all openings share.
    """

    chamber: np.ndarray  # spring of the chamber's air
    holes: np.ndarray  # all open holes together
    inner: np.ndarray  # the window's part towards the chamber; 0 without a window
    outer: np.ndarray
    windway: np.ndarray  # 0 where closed
    room: np.ndarray

    def seen_by_chamber(self) -> np.ndarray:
        """Admittance of all that is not the chamber, seen from it, m3/(s Pa)."""
        # Three admittances that meet in a point, turned into the triangle between their other ends.
        total = self.inner + self.outer + self.windway
        total = np.where(total == 0, 1, total)  # without a window
        across = self.holes + self.inner * self.outer / total
        to_mouth = self.inner * self.windway / total
        outside = self.room + self.outer * self.windway / total
        return to_mouth + across * outside / (across + outside)

    def seen_by_window(self) -> np.ndarray:
        """Flow through the window's outer part into the chamber for unit pressure that drives it there, m3/(s Pa)."""
        # Nodes: chamber, windway's exit, outside. Drive between the last two with the outer part taken out.
        inner, outer = self.inner, self.outer
        nothing = np.zeros_like(self.chamber)
        rows = [
            [self.chamber + inner + self.holes, -inner, -self.holes],
            [-inner, inner + self.windway, nothing],
            [-self.holes, nothing, self.room + self.holes],
        ]
        matrix = np.stack([np.stack(np.broadcast_arrays(*row), axis=-1) for row in rows], axis=-2)
        driven = np.array([0.0, 1.0, -1.0], complex)  # unit flow out of the one and into the other
        pressure = np.linalg.solve(matrix, np.broadcast_to(driven, (*matrix.shape[:-2], 3))[..., None])[..., 0]
        return 1 / (1 / outer + pressure[..., 1] - pressure[..., 2])


@dataclass(frozen=True)
class LumpedResonator:
    """A chamber by its volume (m3), wall area (m2) and openings; see `Resonator` for what it answers.

    junction: where an open windway branches off the window; baffled: the openings lie in a wide wall instead of on a
    compact body in free space.
    """

    volume: float
    area: float
    airs: Airs
    window: Aperture | None
    apertures: tuple[Aperture, ...]
    holes: tuple[str, ...]
    layout: Layout | None = None
    windway: Windway | None = None
    junction: Junction = AT_FACE
    lossless: bool = False
    baffled: bool = False
    playing: Playing = STILL
    near: Nearby = NOTHING

    model = "lumped"

    @property
    def air(self) -> Air:
        """The air in the chamber."""
        return self.airs.chamber

    # --- the circuit ---

    def spring(self, openness: np.ndarray, omega: np.ndarray) -> np.ndarray:
        """The chamber's admittance (n,): i omega V/(rho c^2) [1 + (gamma - 1)(1 - i) delta_t S/(2V)].

        V and S include the chimneys of the covered holes, each by the share that is covered.
        """
        air, (volume, area) = self.air, self.with_chimneys(openness)
        spring = 1j * omega * volume / (air.density * air.sound_speed**2)
        return spring if self.lossless else spring * (1 + (1 - 1j) * heat_loss(air, omega, area, volume))

    def with_chimneys(self, openness: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Air (m3) and wall (m2) of the chamber with the chimneys of covered holes, for fingerings (n, holes)."""
        covered, touch = 1 - openness, self.playing.fingers
        left = Aperture.covered_volume if touch is None else touch.left
        volume, area = (np.array([float(part(a)) for a in self.apertures]) for part in (left, Aperture.covered_wall))
        return self.volume + covered @ volume, self.area + covered @ area

    def network(self, openness: np.ndarray, omega: np.ndarray) -> Network:
        """The circuit for fingerings (n, holes) at frequencies omega (n,)."""
        holes = np.zeros_like(omega, dtype=complex)
        for j, (name, aperture) in enumerate(zip(self.holes, self.apertures, strict=True)):
            some = openness[:, j] > 0
            freed = partly_covered(aperture, openness[some, j])  # as it is, where it is wholly open
            holes[some] += 1 / freed.impedance(self.airs.of_hole(name), omega[some], self.lossless)
        inner, outer, branch = (np.zeros_like(holes) for _ in range(3))  # without a window nothing passes there
        if self.window is not None:
            through, share = self.window.impedance(self.airs.window, omega, self.lossless), self._share
            inner, outer = 1 / (share * through), 1 / ((1 - share) * through)
            if self.windway is not None:
                way, inertance = self.windway, self.junction.inertance
                branch = 1 / windway_impedance(way, self.airs.window, omega, self.lossless, inertance)
        return Network(
            chamber=self.spring(openness, omega),
            holes=holes,
            inner=inner,
            outer=outer,
            windway=branch,
            room=1 / radiation_resistance(self.airs.room, omega, self.baffled),
        )

    @property
    def _share(self) -> float:
        """Fraction of the window's inertance between the chamber and the windway's exit; any where that is closed."""
        if self.window is None or self.windway is None:
            return 0.5
        w = self.window
        return float((w.inner + self.junction.depth) / (w.length + w.inner + w.outer))

    def conductivity(self, openness: np.ndarray) -> np.ndarray:
        """Conductivity of each opening (n, window + holes), m; 0 where covered."""
        columns = [np.full(len(openness), float(self.window.conductivity))] if self.window is not None else []
        for j, aperture in enumerate(self.apertures):
            some = openness[:, j] > 0
            column = np.zeros(len(openness))
            column[some] = partly_covered(aperture, openness[some, j]).conductivity
            columns.append(column)
        return np.stack(columns, axis=1) if columns else np.zeros((len(openness), 0))

    # --- what every resonator answers ---

    def lowest(self, openness: np.ndarray) -> np.ndarray:
        """Complex omega (n,) for fingerings (n, holes); 0 where nothing is open.

        Where the spring's admittance and that of all the rest cancel: by the secant method from the lossless rule.
        """
        openness = np.atleast_2d(np.asarray(openness, float))
        omega = np.zeros(len(openness), complex)
        K = self.conductivity(openness).sum(axis=1)
        rings = K > 0
        if rings.any():
            start = self.air.sound_speed * np.sqrt(K[rings] / self.volume)
            omega[rings] = self._converged(openness[rings], start.astype(complex))
            # To first order, once: of a note some cents away it would be the same.
            omega[rings] *= self._played(openness[rings], omega[rings])
        return omega

    def _played(self, openness: np.ndarray, omega: np.ndarray) -> np.ndarray:
        """Factor (n,) by which each fingering's own air, and what stands near, raise the note; to first order.

        What comes back from things nearby adds w' dZ w to 1/K, w the openings' shares of K.
        """
        factor = np.ones(len(openness), complex)
        K = self.conductivity(openness)
        if self.playing.breath is not None:
            factor *= self.playing.breath.drift(openness, K)
        if self.near.parts:
            share = K / K.sum(axis=1, keepdims=True)
            back = np.einsum("ni,nij,nj->n", share, self.near(omega / self.airs.room.sound_speed), share)
            factor *= 1 - K.sum(axis=1) * back / 2  # f^2 goes as K
        return factor

    def _converged(self, openness: np.ndarray, omega: np.ndarray) -> np.ndarray:
        def proposed(w: np.ndarray) -> np.ndarray:
            """Frequency, rad/s, of spring and mass as they are at w: w sqrt(-Y_rest / Y_spring)."""
            net = self.network(openness, w)
            return w * np.sqrt(-net.seen_by_chamber() / net.chamber)

        return fixed_point(proposed, omega, _TOLERANCE, "the model lumped; are an opening's sizes sensible?")

    def resonances(self, fingering: Fingering = (), count: int = 1) -> tuple[Resonance, ...]:
        """The one resonance that the model has; none where nothing is open."""
        omega = self.lowest(openness_of(self.holes, fingering)[None])[0]
        return (Resonance(complex(omega)),) if omega and count > 0 else ()

    def motion(self, openness: np.ndarray, count: int) -> Motion:
        """The motion of the air in the openings for fingerings (F, holes): of the one resonance, whatever `count`."""
        if self.window is None:
            raise OutOfReach("this chamber has no window to blow at")
        openness = np.atleast_2d(np.asarray(openness, float))
        air = self.airs.window
        airs = [air, *(self.airs.of_hole(name) for name in self.holes)]
        lightness = np.array([air.density / each.density for each in airs])  # K/rho moves, so K over the window's air
        area = np.array([float(each.area) for each in (self.window, *self.apertures)])
        return helmholtz_motion(air, self.lowest(openness), self.conductivity(openness) * lightness, area)

    def admittance(self, fingering: Fingering, frequency: np.ndarray) -> np.ndarray:
        """Flow into the chamber for unit pressure driving the window, at frequencies (n,), Hz: m3/(s Pa) (n,)."""
        if self.window is None:
            raise OutOfReach("this chamber has no window to be driven at")
        omega = 2 * np.pi * np.atleast_1d(np.asarray(frequency, float)).astype(complex)
        openness = np.broadcast_to(openness_of(self.holes, fingering), (len(omega), len(self.holes)))
        return self.network(openness, omega).seen_by_window().reshape(np.shape(frequency))

    def evidence(self, fingering: Fingering = ()) -> Evidence:
        """Uncertainty from what the rule neglects, cautions, and each loss's own Q (inf where left out)."""
        openness = openness_of(self.holes, fingering)[None]
        each = self.conductivity(openness)[0]
        resonance = next(iter(self.resonances(fingering)), None)
        if resonance is None:
            return Evidence(0.0, ("nothing is open: the air of this chamber has no way out to ring through",))
        volume, area = (float(part[0]) for part in self.with_chimneys(openness))
        facts = {"conductivity_m": float(each.sum()), "volume_m3": volume}
        omega = resonance.omega.real
        radiated = radiation_resistance(self.airs.room, omega, self.baffled) * each.sum()
        facts["q_radiation"] = float(self.airs.room.density * omega / radiated)
        if not self.lossless:
            facts["q_friction"] = 1 / self._friction(openness, omega)
            facts["q_heat"] = 1 / float(heat_loss(self.air, omega, area, volume))
        cautions = self.airs.cautions
        uncertainty = 60.0  # the worst of the usual range, where the openings' places are not known
        if self.layout is not None:
            neglect = neglected(self.layout, each)
            uncertainty = neglect.uncertainty_cents
            facts |= {f"neglected_{name}_cents": value for name, value in vars(neglect).items()}
            cautions += self._cautions(omega)
        if any(0 < share < 1 for share in openness[0]):
            uncertainty += 20  # as `ports` has it
            cautions += ("a half-covered hole is taken as a round one of its free area: a rough guess",)
        return Evidence(uncertainty, cautions, facts)

    def _friction(self, openness: np.ndarray, omega: float) -> float:
        """1/Q of friction in all openings: each by its own, weighted with its share of the moving energy."""
        open_ones = [self.window] if self.window is not None else []
        open_ones += [partly_covered(a, s) for a, s in zip(self.apertures, openness[0], strict=True) if s > 0]
        # Energy that moves in an opening goes as its K, for all have one pressure.
        K = np.array([float(a.conductivity) for a in open_ones])
        G = np.array([float(a.friction) for a in open_ones])
        return float((friction_loss(self.air, omega, K, G) * K).sum() / K.sum())

    def _cautions(self, omega: float) -> tuple[str, ...]:
        assert self.layout is not None
        said = []
        if self.layout.length * omega / (2 * np.pi * self.air.sound_speed) > 0.125:
            said.append("lumped: the chamber is longer than an eighth of the note's wave: use ports")
        ducts = [a for a in (self.window, *self.apertures) if a is not None]
        widest = max(float(np.sqrt(a.area / np.pi)) for a in ducts)
        if widest > 0.35 * self.layout.radius:
            said.append("lumped: an opening is more than a third as wide as the chamber: use ports")
        thinnest = min(float(a.length) for a in ducts)
        if not self.lossless and thinnest < 3 * self.air.delta_v(omega):
            said.append(
                f"friction in a wall of {1e3 * thinnest:.2g} mm: thinner than three boundary layers, so Q is a guess"
            )
        return tuple(said)


def resonator(case: Case) -> LumpedResonator:
    """The lumped resonator of one chamber of a body."""
    chamber, junction = case.chamber, AT_FACE
    own = replace(case.body, chambers=(chamber,))
    if case.playing.windway is not None and chamber.window is not None:
        junction = junction_of(case.playing.windway, chamber.window)
    touch, apertures = case.playing.fingers, tuple(map(aperture_of, chamber.openings))
    if touch is not None:  # raised fingers over the open ones
        apertures = tuple(replace(each, outer=each.outer + touch.shade(each)) for each in apertures)
    window = aperture_of(chamber.window) if chamber.window else None
    if window is not None and chamber.window is not None and case.playing.floor is not None:
        window = floor_of(case.voicing, chamber.window, case.playing.floor).before(window)
    return LumpedResonator(
        volume=chamber.volume,
        area=chamber.area,
        airs=case.airs,
        window=window,
        apertures=apertures,
        holes=tuple(opening.name for opening in chamber.openings),
        layout=Layout(np.array([each.center for each in chamber.all_openings]).reshape(-1, 3), chamber.wall),
        windway=case.playing.windway,
        junction=junction,
        lossless=case.lossless,
        playing=case.playing,
        near=nearby_of(own, case.playing.player or ()),
    )
