"""The air of a chamber that is being blown, for every fingering: the balance of `elements.breath_balance`, and its jet.

A circuit is solved with one air in each of its places, that of a mean fingering of the chamber's notes. What a
fingering differs from it, a few cents, is counted to first order: f^2 goes as rho c^2 sum K_i/rho_i.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from functools import lru_cache
from typing import Any

import numpy as np

from simkit.air import NUMBERS, Air
from simkit.body.chambers import ChamberBody
from simkit.frozen import frozen
from simkit.gases import Gases
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.airs import Airs, breath_of, kept_breath, still_airs
from simkit.sound.elements.breath_balance import Breathed, Breathing, breathed, lightness, pitch_cents
from simkit.sound.elements.constants import JetConstants
from simkit.sound.elements.mixing import RANGES, Jet, Mixing, Passages, entering_share
from simkit.sound.elements.openings import aperture_of
from simkit.sound.elements.orifice import Reals
from simkit.sound.elements.windway import friction_length_of
from simkit.vessel import Breath, Vessel

BREATH_K, CLAY_K, CO2_PERCENT = 2.0, 2.0, 1.0  # either way: see `variants`


def variants(b: Breathing) -> dict[str, tuple[Breathing, Breathing]]:
    """Copies with each doubtful number at its lower and at its upper end, the others as they are.

    `Mixing`'s by its `RANGES`; breath 2 K and 1 % of carbon dioxide either way (34 +- 2 degC and 3 to 5 % are usual,
    31 to 35 degC was measured at the mouth), and 65 % moist or as it is (measured 42 to 91 %); the clay 2 K.
    """

    def with_mixing(name: str, value: float) -> Breathing:
        return replace(b, mixing=replace(b.mixing, **{name: value}))

    gases, moist = b.breath.gases, min(100.0, b.breath.humidity_percent)
    percent = 100 * gases.carbon_dioxide / (1 - gases.water)  # of dry breath, as it is measured

    def with_breath(kelvin: float = 0.0, more: float = 0.0, humidity: float = moist) -> Breathing:
        t = min(max(b.breath.temperature_c + kelvin, 20.0), 40.0)  # ends that a design may have
        co2 = min(max(percent + more, 0.0), 10.0)
        return replace(b, breath=kept_breath(t, humidity, co2, pressure_pa=b.breath.pressure_pa))

    found = {name: (with_mixing(name, low), with_mixing(name, high)) for name, (low, high) in RANGES.items()}
    found["breath"] = with_breath(kelvin=-BREATH_K), with_breath(kelvin=BREATH_K)
    found["carbon_dioxide"] = with_breath(more=-CO2_PERCENT), with_breath(more=CO2_PERCENT)
    found["moisture"] = with_breath(humidity=min(65.0, moist)), with_breath()
    found["clay"] = replace(b, clay_c=b.clay_c - CLAY_K), replace(b, clay_c=b.clay_c + CLAY_K)
    return found


def side_by_side(variants: Sequence[Breathing]) -> Breathing:
    """Variants that differ by breath, clay and mixing as one, these numbers columns (v, 1)."""

    def column(numbers: Iterable[Reals]) -> np.ndarray:
        return np.array([float(number) for number in numbers])[:, None]

    mixing = Mixing(*(column(getattr(v.mixing, each.name) for v in variants) for each in fields(Mixing)))
    gases = Gases(*(column(getattr(v.breath.gases, each.name) for v in variants) for each in fields(Gases)))
    numbers: dict[str, Any] = {name: column(getattr(v.breath, name) for v in variants) for name in NUMBERS}
    breath = replace(variants[0].breath, gases=gases, **numbers)
    return replace(variants[0], breath=breath, mixing=mixing, clay_c=column(v.clay_c for v in variants))


def doubt(b: Breathing) -> dict[str, np.ndarray]:
    """Uncertainty of the notes from each doubtful number, half the difference between its ends, (f,) cents."""
    ends = variants(b)
    moved = pitch_cents(side_by_side([each for pair in ends.values() for each in pair]))  # low, high, low, high ...
    return dict(zip(ends, (moved[1::2] - moved[::2]) / 2, strict=True))


# The window's air swings with 0.25 sqrt(K_window/K_all) of the jet's speed: what `blowing.cycle` gives for six chambers
# of four designs, within a fifth but for their highest notes.
SWING = 0.25
_TOGETHER = 2048  # fingerings whose arrays stay near the processor
# By value: a design that is asked again, or with other targets, has the same breath in it.
_kept = lru_cache(maxsize=32)


@frozen
class PlayedAir:
    """State of a chamber's air while it is blown: its parts, and the balance of them.

    area, length, inner, outer (n,): of its openings' ducts and end corrections, m, the window first; conductivity (n,):
    of each if open, m; names: of its holes. mean (holes,): openness of the fingering whose air the circuit has.
    """

    room: Air
    breath: Air
    clay_c: float
    volume: float
    wall_area: float
    jet: AirJet
    area: np.ndarray
    length: np.ndarray
    inner: np.ndarray
    outer: np.ndarray
    conductivity: np.ndarray
    names: tuple[str, ...]
    mean: np.ndarray

    @property
    @_kept
    def airs(self) -> Airs:
        """One air for each place: that of the mean fingering."""
        found = self._mean
        openings = [_one(found.openings, (0, n)) for n in range(len(self.area))]
        return Airs(self.room, _one(found.chamber, 0), openings[0], dict(zip(self.names, openings[1:], strict=True)))

    @property
    @_kept
    def _mean(self) -> Breathed:
        return self.breathed(self.mean[None], self.conductivity)

    @property
    @_kept
    def breath_per_hertz(self) -> float:
        """Mean speed of the breath in the windway for each Hz of a note that its jet drives in phase, m."""
        # Jet in phase: its speed goes as the note, so the ratio is of the piece.
        balance = self._balance(self.mean[None], self.conductivity)
        speed = balance.jet.flow[0] / (self.jet.width * self.jet.height)
        return float(2 * np.pi * speed / balance.passages.omega[0])

    def breathed(self, openness: np.ndarray, conductivity: np.ndarray) -> Breathed:
        """The balance for fingerings (f, holes); conductivity (n,) or (f, n) of the openings if they are open, m."""
        return breathed(self._balance(openness, conductivity))

    def drift(self, openness: np.ndarray, conductivity: np.ndarray) -> np.ndarray:
        """Factor (f,) by which the air of fingerings (f, holes) raises the note over the air of the mean one."""
        if len(openness) > _TOGETHER:
            parts = (slice(n, n + _TOGETHER) for n in range(0, len(openness), _TOGETHER))
            own = np.broadcast_to(conductivity, (len(openness), len(self.area)))
            return np.concatenate([self.drift(openness[part], own[part]) for part in parts])
        balance = self._balance(openness, conductivity)
        (stiffness, density), mean = lightness(balance), self._mean
        flow = balance.passages.flow
        part = flow / np.maximum(flow.sum(axis=1, keepdims=True), 1e-300)
        # The lighter the air in an opening, the more of it moves.
        lighter = (part * mean.openings.density / density).sum(axis=1)
        stiffer = stiffness / (mean.chamber.density * mean.chamber.sound_speed**2)
        # F^2 goes as their product; where nothing is open nothing changes.
        return np.sqrt(np.where(part.any(axis=1), lighter * stiffer, 1.0))

    def doubts(self, openness: np.ndarray) -> list[np.ndarray]:
        """Uncertainty from each doubtful number of the balance, half widths in cents (f,)."""
        openness = np.asarray(openness, float)
        return list(self._doubts(openness.shape, openness.tobytes()))

    @_kept
    def _doubts(self, shape: tuple[int, int], fingerings: bytes) -> tuple[np.ndarray, ...]:
        openness = np.frombuffer(fingerings).reshape(shape)
        return tuple(doubt(self._balance(openness, self.conductivity)).values())

    def _balance(self, openness: np.ndarray, conductivity: np.ndarray) -> Breathing:
        """Input of the balance for (f, holes): the note by Helmholtz's rule, the jet in phase with it."""
        states = np.column_stack([np.ones(len(openness)), openness])
        K = conductivity * states
        whole = K.sum(axis=1)
        omega = self.room.sound_speed * np.sqrt(whole / self.volume)
        speed = self.jet.speed_for(omega, np.pi / 2)  # a quarter turn on the way, as on a resonance
        velocity = SWING * np.sqrt(K[:, 0] / whole) * speed
        flow = (velocity * self.jet.window_area / K[:, 0])[:, None] * K  # one pressure drives all openings
        swing = self.jet.swing(omega, speed, velocity)
        entering = entering_share(swing, self.jet.offset / self.jet.half_width)
        sizes = self.jet.height, self.jet.width, self.jet.length, self.jet.cut_up
        jet = Jet(speed, self.jet.breath_flow(speed), entering, *sizes)
        passages = Passages(self.area, self.length, self.inner, self.outer, states, flow, omega)
        return Breathing(self.room, self.breath, self.volume, self.wall_area, self.clay_c, jet, passages)


def played_air(vessel: Vessel, chamber: ChamberBody) -> PlayedAir:
    """The air of a chamber of a design while it is blown at its window."""
    design = vessel.chamber(chamber.name)
    assert design.voicing is not None
    apertures = [aperture_of(opening) for opening in chamber.all_openings]
    names = tuple(opening.name for opening in chamber.openings)
    # The mean fingering of the notes; of a design without notes one that is half open.
    notes = [[float(name in note.open) for name in names] for note in design.notes] or [[0.5] * len(names)]
    breath, constants = breath_of(vessel), JetConstants.from_table(vessel.jet, vessel.source)
    numbers = {
        name: np.array([float(getattr(a, name)) for a in apertures])
        for name in ("area", "length", "inner", "outer", "conductivity")
    }
    return PlayedAir(
        room=still_airs(vessel).room,
        breath=breath,
        clay_c=(vessel.breath or Breath()).clay_c,
        volume=chamber.volume,
        wall_area=chamber.area,
        jet=AirJet.of(design.voicing, breath, constants, length=friction_length_of(design)),
        names=names,
        mean=np.mean(notes, axis=0),
        **numbers,
    )


def _one(air: Air, index: int | tuple[int, int]) -> Air:
    """One of the airs that an `Air` of arrays holds."""

    def picked(values: Any) -> float:
        values = np.asarray(values)
        return float(values[index] if values.ndim else values)

    gases = type(air.gases)(*(picked(value) for value in air.gases.shares()))
    numbers: dict[str, Any] = {k: picked(getattr(air, k)) for k in NUMBERS}
    return replace(air, gases=gases, **numbers)
