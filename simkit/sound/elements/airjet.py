"""The windway and its jet: from the pressure in the mouth to the speed, the wave on the jet and the source it feeds.

Sizes in m: h windway height, L its length, H the window's width, W the jet's way from the windway's exit to the labium
(the cut-up, a little more where the windway slopes), y0 the labium's distance from the jet's middle, positive into the
chamber. U: the jet's speed on its middle line, m/s.

The wave is the sinuous instability of the jet U sech^2(y/b) between still air: Rayleigh's equation
(U - c)(phi'' - k^2 phi) = U'' phi for disturbances phi(y) exp i(omega t - k x), phi even, of the profile of Bickley
1937 [Bickley1937]: real omega, complex k (spatial growth). All in units of b and U: theta = omega b/U, kb. Neutral at
theta = 4/3, kb = 2 exactly (Drazin & Howard 1966, Adv. Appl. Mech. 9, 1, from memory); beyond it the wave is damped
(the limit of small viscosity, by a path of integration below the critical layer). For long waves
kb -> (3 theta^2/2)^(1/3) exp(-i pi/3), a sheet that carries momentum and no mass.

The labium's source saturates, for a jet that swings far is all in or all out: its share inside follows
tanh((eta - y0)/b). With eta = x b sin(phi) and a = y0/b, what comes out at the same frequency over what a small swing
would give is the describing function; what a small swing at another, unrelated frequency still gives is the mean slope.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline

from simkit.air import Air
from simkit.sound.elements.constants import JetConstants
from simkit.sound.elements.orifice import Reals
from simkit.sound.elements.windway import friction_and_slope, friction_heads
from simkit.vessel import Voicing

# theta, Re kb, -Im kb: shooting on Riccati's form of the equation; the tests solve it again.
_TABLE = np.array([
    (0.001, 0.006762, 0.009956), (0.002, 0.011195, 0.015833), (0.004, 0.018735, 0.025197),
    (0.007, 0.028675, 0.036685), (0.012, 0.043670, 0.052688), (0.02, 0.065862, 0.074224),
    (0.03, 0.092240, 0.097285), (0.045, 0.130706, 0.127034), (0.065, 0.181458, 0.160555),
    (0.09, 0.244995, 0.194865), (0.12, 0.321311, 0.226522), (0.16, 0.421349, 0.254724),
    (0.2, 0.516928, 0.269983), (0.25, 0.627983, 0.276173), (0.31, 0.748785, 0.271858),
    (0.38, 0.875038, 0.258050), (0.46, 1.004303, 0.236724), (0.55, 1.135510, 0.209860),
    (0.65, 1.268387, 0.179131), (0.76, 1.403074, 0.145882), (0.88, 1.539920, 0.111204),
    (1.0, 1.668918, 0.078618), (1.12, 1.791963, 0.048288), (1.24, 1.910406, 0.020246),
    (4 / 3, 2.0, 0.0), (1.45, 2.109498, -0.023426), (1.6, 2.247075, -0.050577),
    (1.8, 2.426441, -0.081857), (2.0, 2.602742, -0.107914),
])  # fmt: skip
_SHORTEST = 2.0  # theta of the table's end; shorter waves are taken like that one, which is damped

_roots = np.cbrt(_TABLE[:, 0])
_long = np.cbrt(1.5) * _roots**2
KNOTS = np.r_[0.0, _roots]
# Both parts over the long-wave law: smooth in the cube root of theta from 0 on. Each is real for real theta and
# analytic, so that a growing oscillation (complex theta) may ask too.
PIECES = CubicSpline(KNOTS, np.c_[np.r_[0.5, _TABLE[:, 1] / _long], np.r_[np.sqrt(0.75), _TABLE[:, 2] / _long]]).c


def wave(theta: Reals) -> tuple[Reals, Reals]:
    """(kb, gb) of the jet's wave at theta = omega b/U: it turns by k and grows by g for every metre.

    Within 0.1 % of the equation for 0 < theta < 2 (frequency times windway height over jet speed up to 0.8).

    >>> turn, growth = wave(0.2)  # frequency x height over speed 0.0796
    >>> round(float(0.2 / turn), 3), round(float(growth / 0.4), 3)
    (0.387, 0.675)
    """
    theta = np.asarray(theta)
    beyond = np.real(theta) > _SHORTEST
    z = np.where(beyond, _SHORTEST, theta) ** (1 / 3)
    # Asked a hundred thousand times for a few numbers each: numpy's `clip` alone would take a third of the time.
    piece = np.minimum(np.maximum(KNOTS.searchsorted(np.real(z), side="right") - 1, 0), len(KNOTS) - 2)
    c, d = PIECES[:, piece], (z - KNOTS[piece])[..., None]
    # Beyond the table turn and damping go on in proportion to theta.
    scale = np.cbrt(1.5) * z**2 * np.where(beyond, theta / _SHORTEST, 1.0)
    both = scale[..., None] * (((c[0] * d + c[1]) * d + c[2]) * d + c[3])
    return both[..., 0], both[..., 1]


def theta_for(phase: Reals) -> Reals:
    """The theta at which the wave turns by `phase` = Re kb: the inverse of `wave`."""
    phase = np.asarray(phase, float)
    theta = np.interp(phase, np.r_[0.0, _TABLE[:, 1]], np.r_[0.0, _TABLE[:, 0]])
    theta = np.where(phase > _TABLE[-1, 1], phase / _TABLE[-1, 1] * _SHORTEST, np.maximum(theta, 1e-12))
    for _ in range(4):  # Newton, from the table's own straight lines
        here, ahead = wave(np.array([theta, theta * 1.0001]))[0]
        slope = (ahead - here) / (theta * 0.0001)
        theta = np.maximum(theta - (here - phase) / slope, theta / 2)
    return theta


_LARGE = 100.0  # beyond this swing the jet is a switch


def describing(x: float, a: float = 0.0) -> float:
    """N = (1/pi x) int tanh(x sin p - a) sin p dp over a period: 1 at a small swing, 4/(pi x) at a large one.

    Gelb & Vander Velde 1968, Multiple-Input Describing Functions, ch. 2 (from memory).

    >>> round(describing(1.0), 5)
    0.81168
    """
    # By parts, so that nothing cancels at small x. The trapezoid rule errs by exp(-n asinh(pi/2x)).
    angle = _angles(x)
    return float(2 * np.mean(np.cos(angle) ** 2 * _slope(x * np.sin(angle) - a)))


def mean_slope(x: float, a: float = 0.0) -> float:
    """M = (1/2 pi) int sech^2(x sin p - a) dp: gain left for another frequency. N + x N'/2 if a = 0.

    >>> round(mean_slope(0.0, 0.5), 5)
    0.78645
    """
    return float(np.mean(_slope(x * np.sin(_angles(x)) - a)))


def _angles(x: float) -> np.ndarray:
    count = 64 + int(24 * x)  # the sharper tanh(x sin p) turns, the more
    return 2 * np.pi * np.arange(count) / count


def _slope(y: np.ndarray) -> np.ndarray:
    return 1 / np.cosh(np.minimum(np.abs(y), 300.0)) ** 2  # no overflow


class Saturation:
    """Both functions for one labium offset a = y0/b, tabulated once and quick: arrays of swings x in, N and M out.

    Right to 1e-6 up to x = 100, then by the switch's limits 4/(pi x) and 2/(pi x).
    """

    def __init__(self, offset: float = 0.0):
        self.offset = offset
        swings = np.geomspace(1e-3, _LARGE, 400)
        self._log = np.log(swings)
        self._same = CubicSpline(self._log, [describing(x, offset) for x in swings])
        self._other = CubicSpline(self._log, [mean_slope(x, offset) for x in swings])

    def same(self, x: Reals) -> Reals:
        """Describing function N(x), for the frequency that swings the jet."""
        return self._read(self._same, x)

    def other(self, x: Reals) -> Reals:
        """Mean slope M(x), for any other frequency."""
        return self._read(self._other, x)

    def _read(self, spline: CubicSpline, x: Reals) -> Reals:
        log = np.log(np.maximum(x, 1e-30))
        return spline(np.clip(log, self._log[0], self._log[-1])) * np.minimum(1.0, _LARGE / np.maximum(x, 1e-30))


saturation_of = lru_cache(maxsize=64)(Saturation)  # jets of many sizes have one labium offset in common


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
        reach = self.cut_up / self.half_width  # the way, in half-widths: `wave` tells turn and growth for each
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
        # The real part: the size alone, without the turn.
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
