"""Behaviour of a chamber when blown: many fingerings at once as arrays, one note in plain numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.columns import finite
from simkit.frozen import frozen
from simkit.sound.blowing.cycle import Cycle, limit_cycle, on_resonance
from simkit.sound.blowing.growth import HIGHEST_PA, Takeover, growing, takeover, threshold
from simkit.sound.blowing.loop import Loop, copies
from simkit.sound.blowing.overtones import with_overtones
from simkit.sound.elements.airjet import AirJet
from simkit.sound.models.resonator import Motion

SPEAKS_BELOW_PA = 2000.0


@dataclass(frozen=True)
class NoteBlown:
    """Behaviour of one note when blown; None where it does not speak (or where there is no such value).

    pressure: Pa, where the jet drives the lowest resonance in phase; in_phase false where that is not to be had below
    2 kPa, and the pressure is then that of the loudest swing. sounding_hz: there. q, playing_q: linear, and
    while sounding. bend_cents: pitch per 10 % more breath. threshold: Pa, linear onset on the jet's first wave, a
    lower bound. gain: what the loop gives a small swing at the playing pressure; below 1 nothing would sound.
    velocity: of the window's air over the jet's speed. airiness_db: breath power over what becomes tone. breath: m3/s.
    overblow_at: Pa; overblow_by: which resonance, 1 the second. dies_at: Pa above which the note has no steady swing,
    None if it has one up to 5 kPa; the margin counts takeovers alone. second_wave: Pa, below the playing pressure, at
    which the jet's second wave drives the lowest resonance in phase. whistle_at, whistle_by: a higher resonance on the
    jet's second wave that may mix in from there on. edge_gain: of the bare jet's edge tone beside the note; above 1
    it may mix in too.
    """

    speaks: bool
    q: float
    in_phase: bool | None
    pressure: float | None
    sounding_hz: float | None
    playing_q: float | None
    bend_cents: float | None
    threshold: float | None
    gain: float | None
    velocity: float | None
    airiness_db: float | None
    breath: float | None
    overblow_margin: float | None
    overblow_at: float | None
    overblow_by: int | None
    dies_at: float | None
    second_wave: float | None
    whistle_at: float | None
    whistle_by: int | None
    edge_gain: float | None

    @property
    def lasts(self) -> float | None:
        """Pressure at which the note dies over its playing pressure; None where it does not die, or jumps first."""
        if self.dies_at is None or self.pressure is None or self.dies_at > (self.overblow_at or np.inf):
            return None
        return self.dies_at / self.pressure


@frozen
class Blown:
    """Behaviour of F fingerings when blown: arrays (F,), NaN where there is nothing; `note(i)` has one in plain values.

    in_phase (F,) false where the lowest resonance sounds only out of phase with the jet, so that the pressure and
    pitch are those of its loudest swing instead.
    """

    loop: Loop
    cycle: Cycle
    pressure: np.ndarray
    in_phase: np.ndarray
    bend_cents: np.ndarray
    threshold: np.ndarray
    second_wave: np.ndarray
    takeover: Takeover

    @property
    def speaks(self) -> np.ndarray:
        """(F,) true where a steady oscillation exists below 2 kPa."""
        return np.isfinite(self.pressure)

    @property
    def overblow_margin(self) -> np.ndarray:
        """(F,) takeover pressure over playing pressure; 5 kPa over it where nothing takes over up to there."""
        return np.where(np.isfinite(self.takeover.pressure), self.takeover.pressure, HIGHEST_PA) / self.pressure

    @property
    def stands(self) -> np.ndarray:
        """Pressure at which a note jumps or dies away, whichever comes first, over its playing pressure: (F,)."""
        # One that never dies has NaN there, which does not count.
        return np.fmin(self.overblow_margin, self.takeover.dies / self.pressure)

    @property
    def swing(self) -> np.ndarray:
        """(F,) the jet's swing at the labium over its half-width b: above 1 it is all in or all out."""
        c = self.cycle
        # 1: any that can be computed; it ends as NaN below.
        omega, speed = (np.where(self.speaks, values, 1.0) for values in (c.omega, c.speed))
        return np.where(self.speaks, self.loop.jet.swing(omega, speed, c.velocity), np.nan)

    @property
    def gain(self) -> np.ndarray:
        """Gain of the loop for a small swing at the playing pressure and pitch (F,); at 1 nothing saturates."""
        loop, live, c = self.loop.pure, self.speaks, self.cycle
        omega = np.where(live, c.omega, loop.motion.omega[:, 0].real)
        speed = np.where(live, c.speed, loop.jet.speed(SPEAKS_BELOW_PA))
        gain = loop.log_gain(omega, speed, loop.answer(omega).response, loop.jet.saturation.same(0.0)).real
        return np.where(live, np.exp(gain), np.nan)

    @property
    def edge_gain(self) -> np.ndarray:
        """(F,) the loop's gain at the jet's own edge tone, one whole turn of its wave, beside the sounding note.

        There the window's air is a mere weight, all of its conductivity K in play: G K M(x) e^{growth}.
        """
        jet, ring = self.loop.jet, self.loop.motion
        speed = np.where(self.speaks, self.cycle.speed, jet.speed(SPEAKS_BELOW_PA))
        unit = jet.speed_for(np.ones_like(speed), np.full_like(speed, 2 * np.pi))  # m/s for each rad/s
        growth = jet.wave_log(speed / unit, speed).real  # speed / unit: omega of one whole turn
        whole = ring.drive.sum(axis=1) + ring.through[:, 0] ** 2  # of all resonances, and straight through
        return self.loop.gain_scale * whole * jet.saturation.other(self.swing) * np.exp(growth)

    @property
    def source_pressure(self) -> np.ndarray:
        """(F,) amplitude of the labium's source, Pa."""
        c, jet = self.cycle, self.loop.jet
        return jet.source_pressure(c.omega, c.speed, self.swing)

    @property
    def tone_power(self) -> np.ndarray:
        """Power that the source gives to the sounding air, W (F,): (1/2) Re (dp U*)."""
        omega = np.where(self.speaks, self.cycle.omega, self.loop.motion.omega[:, 0].real)
        answer = self.loop.answer(omega, self.loop.friction(self.cycle.flow(self.loop)))
        flow = self.cycle.velocity * self.loop.jet.window_area
        # Y = -i omega A/rho, so cos of Y's phase is sin of A's.
        return self.source_pressure * flow / 2 * np.sin(np.angle(answer.response))

    @property
    def breath_power(self) -> np.ndarray:
        """Power that the player spends, W (F,): pressure times breath."""
        return self.pressure * self.loop.jet.breath_flow(self.cycle.speed)

    @property
    def airiness_db(self) -> np.ndarray:
        """(F,) 10 log10 of breath power over tone power: the more of the breath stays breath, the airier.

        Differences between notes and voicings are meant; the noise itself is not computed.
        """
        return 10 * np.log10(self.breath_power / self.tone_power)

    @property
    def radiated_power(self) -> np.ndarray:
        """Power sent into the free room by the sum of all flows, a point source, W (F,): rho omega^2 |U|^2/(8 pi c)."""
        air = self.loop.motion.air
        # All flows into the chamber: what comes in at one opening and out at another does not radiate.
        flow = np.abs(self.cycle.share.sum(axis=1)) * self.cycle.velocity * self.loop.jet.window_area
        return air.density * self.cycle.omega**2 * flow**2 / (8 * np.pi * air.sound_speed)

    def note(self, i: int) -> NoteBlown:
        """Fingering i in plain values."""
        q = float(self.loop.motion.q[i, 0])
        if not self.speaks[i]:
            return NoteBlown(False, q, *[None] * 18)  # all else has no value
        c, jet = self.cycle, self.loop.jet

        def there(values: np.ndarray) -> float | None:
            return finite(values[i])

        def which(resonances: np.ndarray) -> int | None:
            return int(resonances[i]) if resonances[i] >= 0 else None

        own = (
            "pressure",
            "bend_cents",
            "threshold",
            "gain",
            "airiness_db",
            "overblow_margin",
            "second_wave",
            "edge_gain",
        )
        alike: dict[str, Any] = {name: there(getattr(self, name)) for name in own}
        return NoteBlown(
            speaks=True,
            q=q,
            in_phase=bool(self.in_phase[i]),
            sounding_hz=there(c.frequency),
            playing_q=there(c.q),
            velocity=there(c.velocity / c.speed),
            breath=there(jet.breath_flow(c.speed)),
            overblow_at=there(self.takeover.pressure),
            overblow_by=which(self.takeover.by),
            dies_at=there(self.takeover.dies),
            whistle_at=there(self.takeover.whistle_pressure),
            whistle_by=which(self.takeover.whistle_by),
            **alike,
        )


def blow_fingerings(motion: Motion, jet: AirJet, careful: bool = True) -> Blown:
    """Blow every fingering: playing pressure and pitch, bend, onset, overblowing.

    careful: with the overtones' pull on the pitch (`overtones`); without it, thousands of fingerings take seconds.
    """
    loop, playing, in_phase = playing_note(Loop(motion, jet), careful)
    pressure = jet.pressure(playing.speed)
    # Ten per cent more breath, for the bend; of a note that does not sound any pressure, for it has no cycle.
    higher = limit_cycle(loop, jet.speed(1.1 * np.where(playing.exists, pressure, 1.0)), playing)
    return Blown(
        loop=loop,
        cycle=playing,
        pressure=pressure,
        in_phase=in_phase,
        bend_cents=1200 * np.log2(higher.omega / playing.omega),
        threshold=jet.pressure(threshold(Loop(motion, jet), playing.speed)),
        second_wave=_second_wave(Loop(motion, jet)),
        takeover=takeover(loop, playing),
    )


def playing_note(loop: Loop, careful: bool = True) -> tuple[Loop, Cycle, np.ndarray]:
    """The loop (with overtones), the cycle at the playing pressure, and (F,) where that is in phase."""
    loop, cycle = with_overtones(loop, on_resonance) if careful else (loop, on_resonance(loop))
    pressure = loop.jet.pressure(np.where(cycle.exists, cycle.speed, 1.0))
    in_phase = cycle.exists & (pressure <= SPEAKS_BELOW_PA)
    if not in_phase.all():
        cycle = cycle.over(_loudest(loop.pure, cycle), in_phase)  # pure: the overtones were of the cycle in phase
    return loop, cycle, in_phase


def _loudest(loop: Loop, above: Cycle) -> Cycle:
    """The strongest oscillation below 2 kPa that is not in phase with the jet.

    At 2 kPa where the note lives `above` that; else where a small oscillation grows fastest.
    """
    count, shares = len(loop.motion), np.linspace(1.0, 0.25, 6)  # of the speed at 2 kPa
    speed = np.outer(shares, loop.jet.speed(np.full(count, SPEAKS_BELOW_PA))).ravel()
    # All speeds at once, round after round of all fingerings.
    every, many = copies(loop, len(shares)), above.of(np.tile(np.arange(count), len(shares)))
    small = growing(every, speed)
    start = Cycle(
        small.omega.real, speed, np.full(len(speed), 0.3), many.share, many.damping
    )  # 0.3 m/s: any small swing
    found = limit_cycle(every, speed, many.over(start, many.exists & (np.arange(len(speed)) < count)))
    # On the jet's later waves it would be a whistle, not the note.
    live = found.exists & (small.rate > 0) & (small.wave == 1)
    strength = np.where(live, found.velocity, 0.0).reshape(len(shares), count)
    best = found.of(strength.argmax(axis=0) * count + np.arange(count))  # its place among the rounds
    return best.where(strength.max(axis=0) > 0)


def _second_wave(loop: Loop) -> np.ndarray:
    """Pressure (F,) at which the jet's second wave drives the lowest resonance in phase, NaN if too weak to sound."""
    omega = loop.motion.omega[:, 0].real
    response = loop.answer(omega).response
    speed = loop.jet.speed_for(omega, np.angle(response) + 2 * np.pi)  # one turn more than on the first wave
    sounds = loop.log_gain(omega, speed, response, loop.jet.saturation.same(0.0)).real > 0
    return np.where(sounds, loop.jet.pressure(speed), np.nan)


def pitch_curve(blown: Blown, pressures: np.ndarray, careful: bool = True) -> np.ndarray:
    """Sounding frequency (F, P) in Hz of every fingering at mouth pressures (P,), NaN where the note does not live."""
    # Fingering by fingering, each at all pressures.
    every, wanted = (
        each.T.ravel() for each in np.meshgrid(np.arange(len(blown.pressure)), np.asarray(pressures, float))
    )
    return at_pressure(blown, every, wanted, careful).frequency.reshape(len(blown.pressure), -1)


def at_pressure(blown: Blown, which: np.ndarray, pressures: np.ndarray, careful: bool = True) -> Cycle:
    """The oscillations of fingerings `which` (N,) at pressures (N,), followed from the playing pressure on."""
    loop = Loop(blown.loop.motion.only(which), blown.loop.jet)
    return followed(loop, blown.cycle.of(which), pressures, careful)


def followed(loop: Loop, start: Cycle, pressures: np.ndarray, careful: bool = True) -> Cycle:
    """The oscillations at pressures (F,), followed there from `start` in small steps of the jet's speed."""
    goal = loop.jet.speed(pressures)
    cycle = start
    far = np.where(start.exists, np.abs(np.log(goal / np.where(start.exists, start.speed, 1.0))), 0.0).max()
    steps = int(np.clip(np.ceil(far / 0.12), 1, 20))  # an eighth of the speed at a time, as far as Newton reaches
    for share in np.arange(1, steps + 1) / steps:
        cycle = limit_cycle(loop, start.speed ** (1 - share) * goal**share, cycle)
    if careful:
        nearby = cycle
        _, cycle = with_overtones(loop, lambda each: limit_cycle(each, goal, nearby))
    return cycle


def growth_map(motion: Motion, jet: AirJet, pressures: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(growth rate in 1/s, jet's wave), each (F, M, P): which resonances would start from silence at which pressure."""
    # All pressures at once, each with its own copy of the motion.
    shape = len(motion), len(pressures)
    speed = np.tile(jet.speed(np.asarray(pressures, float)), shape[0])
    every = motion.only(np.repeat(np.arange(shape[0]), shape[1]))
    grown = [growing(Loop(every, jet, n), speed) for n in range(motion.modes)]
    rates = np.stack([each.rate.reshape(shape) for each in grown], axis=1)
    waves = np.stack([each.wave.reshape(shape) for each in grown], axis=1)
    return rates, waves
