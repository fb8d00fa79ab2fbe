"""The windway and its jet: from the pressure in the mouth to the speed, the wave on the jet and the source it feeds.

Sizes in m: h windway height, L its length, H the window's width, W the jet's way from the windway's exit to the labium
(the cut-up, a little more where the windway slopes), y0 the labium's distance from the jet's middle, positive into the
chamber. U: the jet's speed on its middle line, m/s.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from simkit.air import Air
from simkit.sound.elements.constants import JetConstants
from simkit.sound.elements.describing import Saturation, saturation_of
from simkit.sound.elements.jetwave import theta_for, wave
from simkit.sound.elements.orifice import Reals
from simkit.sound.elements.windway import friction_and_slope, friction_heads
from simkit.vessel import Voicing

_LEAST = 1e-9  # m/s: no jet is slower
_ROUNDED = 0.2  # the friction layers of a windway do not meet all at once; without it the pitch curve has a corner
_SECANTS = 7  # 6 are exact to rounding from 0.01 Pa to 100 kPa, in windways of 2 to 200 mm


@dataclass(frozen=True)
class AirJet:
    """One voicing's jet: sizes in m, the breath it is made of, the constants that carry the doubt.

    edge_share: of the velocity potential's difference between 2h inside and 2h outside the labium's edge for unit
    flow through the window, the part that the window's own field (`field.window.cell.labium_share`) has of `slit_drop`.
    """

    height: float
    length: float
    width: float
    cut_up: float
    breath: Air
    offset: float = 0.0
    constants: JetConstants = field(default_factory=JetConstants)
    edge_share: float = 1.0

    @classmethod
    def of(
        cls,
        voicing: Voicing,
        breath: Air,
        constants: JetConstants | None = None,
        edge_share: float = 1.0,
        length: float | None = None,
    ) -> AirJet:
        """The jet of a voicing in a design; length: of an even windway with the same friction, m, if it tapers."""
        return cls(
            height=voicing.windway_height_mm / 1000,
            length=voicing.windway_length_mm / 1000 if length is None else length,
            width=voicing.window_width_mm / 1000,
            cut_up=voicing.jet_way_mm / 1000,
            breath=breath,
            offset=voicing.edge_offset_mm / 1000,
            constants=constants or JetConstants(),
            edge_share=edge_share,
        )

    # --- the windway ---

    def pressure(self, speed: Reals) -> Reals:
        """Mouth pressure in Pa that drives the jet at `speed`, friction of the windway included.

        p = (rho U^2/2) max(1, (1 + F)/2.25), its corner rounded off over a fifth either way. While the windway is
        short its middle is untouched by friction and Bernoulli holds there; once the flow is a parabola, U is 1.5 of
        the mean speed and the pressure pays for acceleration and friction of the whole (1 + F mean velocity heads,
        `_friction`). Laminar flow; above a Reynolds number U h/nu of about 2,000 it need not be.
        """
        developed = (1 + self._friction(speed / 1.5)) / 2.25  # of the mean speed, whose square is U^2/2.25
        # max(1, developed), its corner replaced by the parabola that has both slopes at its ends.
        meeting = np.clip(developed - 1 + _ROUNDED, 0.0, 2 * _ROUNDED) ** 2 / (4 * _ROUNDED)
        return self.breath.density * speed**2 / 2 * (1 + meeting + np.maximum(developed - 1 - _ROUNDED, 0.0))

    def speed(self, pressure: Reals) -> Reals:
        """The jet's speed in m/s for a mouth pressure in Pa: the inverse of `pressure`."""
        # p grows with U at least like U^1 and at most like U^2: secants of log p over log U, whose slope is 1 to 2,
        # from the speed without friction.
        sought = np.maximum(np.asarray(pressure, float), 1e-30)
        speed, slope = np.sqrt(2 * sought / self.breath.density), np.full(sought.shape, 1.5)
        off = np.log(self.pressure(speed) / sought)
        for _ in range(_SECANTS):
            step = -off / slope
            speed = speed * np.exp(step)
            before, off = off, np.log(self.pressure(speed) / sought)
            moved = np.abs(step) > 1e-12  # a step of nothing tells no slope
            slope = np.where(moved, np.clip((off - before) / np.where(moved, step, 1.0), 1.0, 2.0), slope)
        return np.where(np.asarray(pressure) > 0, speed, 0.0)[()]

    def breath_flow(self, speed: Reals) -> Reals:
        """Air that the player spends, m3/s: mean speed times h H; two thirds of U h H when developed."""
        # (1 + F(mean)) mean^2 = U^2 where the middle is untouched: a power of the mean between 1 and 2, so that in
        # logarithms Newton's steps settle at once.
        is_there = np.asarray(speed) > 0
        speed = np.maximum(speed, _LEAST)
        mean = speed / 1.25  # between U, untouched, and U/1.5, a parabola
        for _ in range(20):
            heads, slope = friction_and_slope(self.length, self.height, self.breath.kinematic_viscosity, mean)
            whole = 1 + self.constants.windway_loss * heads
            step = (2 * np.log(speed / mean) - np.log(whole)) / (2 + self.constants.windway_loss * slope / whole)
            mean = mean * np.exp(step)
            if np.abs(step).max(initial=0.0) < 1e-8:  # the error left is its square
                break
        # No flow is slower on the mean than the parabola.
        return np.where(is_there, np.maximum(mean, speed / 1.5), 0.0) * self.height * self.width

    def _friction(self, mean: Reals) -> Reals:
        """Pressure spent on friction and on shaping the profile, in mean velocity heads rho V^2/2."""
        heads = friction_heads(self.length, self.height, self.breath.kinematic_viscosity, mean)
        return self.constants.windway_loss * heads

    # --- the jet's wave ---

    @property
    def half_width(self) -> float:
        """b of the profile U sech^2(y/b), m."""
        return self.constants.half_width * self.height

    def wave_log(self, omega: Reals, speed: Reals) -> Reals:
        """Logarithm of the wave's gain from windway to labium: growth minus i times the turn (rad), never wrapped."""
        reach = self.cut_up / self.half_width
        turn, growth = wave(omega * self.half_width / speed)  # each for a length of b
        return reach * (self.constants.growth * growth - 1j * turn / self.constants.convection)

    def speed_for(self, omega: Reals, turn: Reals) -> Reals:
        """The jet speed at which a wave of real omega turns by `turn` rad on its way to the labium."""
        theta = theta_for(np.asarray(turn) * self.constants.convection * self.half_width / self.cut_up)
        return omega * self.half_width / theta

    def swing(self, omega: Reals, speed: Reals, velocity: Reals, wave_log: Reals | None = None) -> Reals:
        """x: swing of the jet at the labium over b, for an amplitude `velocity` (m/s) of the window's air.

        eta = receptivity (h/U) v exp(growth). wave_log: what `wave_log` says, if it is known already.
        """
        growth = np.exp(np.real(self.wave_log(omega, speed) if wave_log is None else wave_log))
        return self.constants.receptivity * self.height / speed * velocity * growth / self.half_width

    @property
    def saturation(self) -> Saturation:
        """The labium's saturation at the jet's offset."""
        return saturation_of(self.offset / self.half_width)

    # --- the source ---

    @property
    def slit_drop(self) -> float:
        """Potential difference for unit flow across the labium of an endless slit, 1/m: (4/pi) sqrt(2 h W)/(W H).

        Between points 2h either side of a sharp edge (Verge, Hirschberg & Causse 1997, J. Acoust. Soc. Am. 101,
        2925, from memory).
        """
        return 4 / np.pi * np.sqrt(2 * self.height * self.cut_up) / (self.cut_up * self.width)

    @property
    def dipole(self) -> float:
        """The potential difference that the model uses, 1/m."""
        return self.constants.dipole * self.edge_share * self.slit_drop

    @property
    def window_area(self) -> float:
        """W H, m2."""
        return self.cut_up * self.width

    def coupling(self) -> float:
        """G of the loop, 1/m: the drop, times the swing that flow gives the jet, times the source of that swing.

        Source pressure rho D dQ/dt with Q = H b U tanh((eta - y0)/b), so for small swings rho D H U d(eta)/dt; with
        eta = r (h/U) v e^{...}, v = flow/(W H): G = D r h/W, and the loop's gain of one mode is G kappa e^{growth}.
        """
        return self.dipole * self.constants.receptivity * self.height / self.cut_up

    def source_strength(self, speed: Reals) -> Reals:
        """Pressure across the window for a rate of 1/s in the jet's share inside, Pa s: rho D H b U."""
        return self.breath.density * self.dipole * self.width * self.half_width * speed

    def source_pressure(self, omega: Reals, speed: Reals, x: Reals) -> Reals:
        """Amplitude of the pressure that the labium's dipole puts across the window, Pa: omega rho D H b U x N(x)."""
        return omega * self.source_strength(speed) * x * self.saturation.same(x)
