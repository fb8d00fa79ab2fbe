"""The air in a flute that is being blown: its share of breath, temperature and humidity, note by note.

A balance in the steady state, of what comes in and what leaves in a second. The jet of breath from the windway cools
on the windway's clay, draws air along from both sides on its way over the cut-up, and a part of it (about half) goes
into the chamber at the edge. The note's swing lets room air in through the window and the open holes, and as much
as comes in leaves through them. The chamber's air gives its heat to the clay, and water condenses on it.

In the chamber all is mixed: the jet stirs it several times over before it is renewed. Arrays have one entry for each
fingering (f,), and one for each opening (f, n), the window first. Numbers of who blows (breath, clay, mixing) may
be columns (v, 1) of variants: then answers are (v, f) and (v, f, n).
"""

from __future__ import annotations

from dataclasses import field, replace

import numpy as np

from simkit.air import NUMBERS, Air, composed, density_of, saturated_water, stiffness_of
from simkit.frozen import frozen
from simkit.gases import GAS_CONSTANT, Gases, molar_heat, plain
from simkit.sound.elements.mixing import Exchange, Jet, Mixing, Passages, across, entrainment, exchange
from simkit.sound.elements.orifice import Reals

KELVIN = 273.15
EVAPORATION = 44.0e3  # J/mol of water at 25 degC: handbook value, from memory

# Vapour goes to the wall somewhat faster than heat: (alpha_t/D)^(-2/3), D = 2.5e-5 m2/s (Chilton & Colburn 1934,
# from memory).
_VAPOUR_OVER_HEAT = 1.11
_SETTLED = 1e-12  # K
_STILL = 2 * np.pi**2 / 3  # Nusselt number of heat that only conducts, in a ball with a wall of one temperature


@frozen
class Breathing:
    """A chamber while it is blown: its volume (m3) and wall (m2), the clay's temperature, room and breath."""

    room: Air
    breath: Air
    volume: float
    wall_area: float
    clay_c: Reals
    jet: Jet
    passages: Passages
    mixing: Mixing = field(default_factory=Mixing)


@frozen
class Breathed:
    """The answer. chamber: one air with arrays (f,); openings: with arrays (f, n), on the mean over the swing.

    share (f,): of breath in the chamber, among all molecules that came in. seconds (f,): in which the chamber's air
    comes 63 % nearer to this state. jet_c (f,): the breath's temperature as it leaves the windway. Molar flows, mol/s:
    taken_in (f, 2) breath and room air into the chamber; condensed (f,) of that the water that stays on clay and as
    fog. heat (f,): what windway and chamber take up, W, the heat of that water with it.
    """

    share: np.ndarray
    chamber: Air
    openings: Air
    seconds: np.ndarray
    jet_c: np.ndarray
    taken_in: np.ndarray
    condensed: np.ndarray
    heat: np.ndarray


@frozen
class _Mixed:
    """Shares of breath, temperature and water before a gas is made of them, in the chamber and in the openings."""

    warm: _State
    inside: _State
    openings: tuple[np.ndarray, np.ndarray, np.ndarray]
    breath_in: np.ndarray
    room_in: np.ndarray


def _mixed(b: Breathing) -> _Mixed:
    """The balance itself."""
    jet, warm = b.jet, _windway(b)
    grown = 1 + entrainment(jet, b.breath.kinematic_viscosity, b.mixing)
    # The range of a doubtful share may reach beyond all of it.
    entering = np.clip(b.mixing.entering * jet.entering, 0.0, 1.0)
    # Of what is drawn along, the outer half's entering share is room air; the inner half's other share leaves.
    drawn = entering * jet.flow * (grown - 1) / 2
    lost = (1 - entering) * jet.flow * (grown - 1) / 2
    swung = exchange(b.passages, np.maximum(entering * jet.flow + drawn - lost, 0.0), b.mixing)
    per_mol = GAS_CONSTANT / b.room.pressure_pa  # times the temperature: volume of a mol, m3
    breath_in = entering * jet.flow / (per_mol * (b.breath.temperature_c + KELVIN))
    room_in = (drawn + swung.kept.sum(axis=-1)) / (per_mol * (b.room.temperature_c + KELVIN))
    inside = _inside(b, breath_in, room_in, warm)
    return _Mixed(warm, inside, _openings(b, inside, warm, swung, grown, entering), breath_in, room_in)


def breathed(b: Breathing) -> Breathed:
    """Share of breath, temperature and water of the chamber's air, and the air in each opening, for every fingering."""
    found, per_mol = _mixed(b), GAS_CONSTANT / b.room.pressure_pa
    jet, warm, inside, breath_in, room_in = b.jet, found.warm, found.inside, found.breath_in, found.room_in
    chamber = composed(b.room, b.breath, inside.share, inside.temperature_c, inside.water)
    openings = composed(b.room, b.breath, *found.openings)
    turnover = (breath_in + room_in) * per_mol * (inside.temperature_c + KELVIN)
    seconds = b.volume / np.maximum(turnover, 1e-300)
    taken = np.stack([breath_in, room_in], axis=-1)
    heat = _heat(b, jet.flow / (per_mol * (b.breath.temperature_c + KELVIN)), breath_in, room_in, warm, inside)
    return Breathed(inside.share, chamber, openings, seconds, warm.temperature_c, taken, inside.condensed, heat)


def _heat(
    b: Breathing, blown: np.ndarray, breath_in: np.ndarray, room_in: np.ndarray, warm: _State, inside: _State
) -> np.ndarray:
    """Heat to the clay, W (f,): from the jet (`blown`, mol/s) in the windway, and from what came into the chamber."""
    breath, room = (molar_heat(air.gases, air.temperature_c + KELVIN) for air in (b.breath, b.room))
    cooled = breath * (b.breath.temperature_c - warm.temperature_c) + EVAPORATION * warm.condensed
    given = breath * breath_in * (warm.temperature_c - inside.temperature_c)
    given = given + room * room_in * (b.room.temperature_c - inside.temperature_c)
    # Water that the windway has taken already is not counted again.
    return blown * cooled + given + EVAPORATION * (inside.condensed - breath_in * warm.condensed)


@frozen
class _State:
    """State of a gas in the balance: share of breath, degC, mole fraction of water, and water condensed.

    condensed: mol/s in the chamber, mol for each mol of breath in the windway.
    """

    share: np.ndarray
    temperature_c: np.ndarray
    water: np.ndarray
    condensed: np.ndarray


def _windway(b: Breathing) -> _State:
    """The breath as it leaves the windway: laminar between two plates of the clay's temperature.

    Nu = 7.54 + 0.03 g/(1 + 0.016 g^(2/3)), g = Re Pr D/L, D = 2h (Edwards, Denny & Mills 1979, Transfer Processes,
    from memory); both walls, so T goes to the clay's as exp(-N), N = 2 L w h_t/(rho c_p Q).
    """
    jet, breath = b.jet, b.breath
    flow = np.maximum(jet.flow, 1e-12)  # where nobody blows it takes for ever, and ends at the clay
    diameter = 2 * jet.height
    # Re = V D/nu with V = Q/(w h) and D = 2h: the height cancels.
    graetz = 2 * flow / jet.width * breath.prandtl / breath.kinematic_viscosity * diameter / jet.length
    nusselt = 7.54 + 0.03 * graetz / (1 + 0.016 * graetz ** (2 / 3))
    transfer = nusselt * breath.thermal_conductivity / diameter
    units = 2 * jet.length * jet.width * transfer / (breath.density * breath.specific_heat * flow)
    start = breath.temperature_c
    left = b.clay_c + (start - b.clay_c) * np.exp(-units)
    wall = _at_wall(b)
    # The clay takes water and gives none.
    water = breath.gases.water - np.maximum(breath.gases.water - wall, 0.0) * -np.expm1(-_VAPOUR_OVER_HEAT * units)
    heat = molar_heat(breath.gases, start + KELVIN)
    left, water = _without_fog(b, left, water, EVAPORATION / heat)
    lost = (breath.gases.water - water) / (1 - water)  # for each mol that came, as its dry part stays
    return _State(np.ones_like(left), left, water, lost)


def _at_wall(b: Breathing) -> Reals:
    """Mole fraction of water at the clay: saturated at its temperature, or less over dry clay."""
    full = saturated_water(b.clay_c, b.room.pressure_pa)
    return plain(full - b.mixing.uptake * np.maximum(full - b.room.gases.water, 0.0))


def _without_fog(b: Breathing, warm: np.ndarray, water: np.ndarray, gain: Reals) -> tuple[np.ndarray, np.ndarray]:
    """Temperature and water once no more vapour is left than the gas can hold; its heat warms the gas.

    T = T0 + gain (x0 - x_sat(T)), gain in K for each mole fraction: Newton's steps, the left side less the right being
    convex and rising.
    """
    t, pressure = np.asarray(warm, float), b.room.pressure_pa
    for _ in range(8):
        full = saturated_water(t, pressure)
        slope = (saturated_water(t + 1e-3, pressure) - full) / 1e-3
        step = (t - warm - gain * np.maximum(water - full, 0.0)) / (1 + gain * slope * (water > full))
        t = t - step
        if np.abs(step).max(initial=0.0) < _SETTLED:
            break
    return t, np.minimum(water, saturated_water(t, pressure))


def stirring(b: Breathing) -> np.ndarray:
    """Heat transfer (f,) from the chamber's air to its wall, W/(m2 K), good to a factor of two.

    The jet's power, 0.686 rho U^2/2 for each m3/s of a parabola, feeds whirls as wide as the chamber, l = V^(1/3),
    that dissipate rho u^3/l in each m3 (Taylor 1935, from memory); the wall is a plate under air of that speed,
    Nu = 0.664 Re^(1/2) Pr^(1/3) (Pohlhausen 1921, from memory), and where nothing moves heat only conducts.
    """
    air, width, jet = b.room, b.volume ** (1 / 3), b.jet
    # 0.343 is half of 0.686, and l/V = 1/l^2.
    speed = (0.343 * jet.speed**2 * jet.entering * jet.flow / width**2) ** (1 / 3)
    nusselt = _STILL + 0.664 * np.sqrt(speed * width / air.kinematic_viscosity) * air.prandtl ** (1 / 3)
    return np.asarray(b.mixing.heat * nusselt * air.thermal_conductivity / width)


def _inside(b: Breathing, breath_in: np.ndarray, room_in: np.ndarray, warm: _State) -> _State:
    """The chamber's air: sources, the wall's pull on its temperature and vapour, and no fog."""
    total = breath_in + room_in
    share = breath_in / np.maximum(total, 1e-300)  # where nothing comes in, none of it is breath
    heats = [molar_heat(air.gases, air.temperature_c + KELVIN) for air in (b.breath, b.room)]
    carried = heats[0] * breath_in + heats[1] * room_in
    to_wall = stirring(b) * b.wall_area
    room_c = b.room.temperature_c
    gained = heats[0] * breath_in * (warm.temperature_c - room_c) + to_wall * (b.clay_c - room_c)
    # A weighted mean: what came in by its heat capacity a second, the clay by what it takes for each degree.
    mild = room_c + gained / (carried + to_wall)
    vapour = to_wall / heats[1] * _VAPOUR_OVER_HEAT  # mol/s, as if so much air met the wall and left its vapour there
    mixed = b.room.gases.water + share * (warm.water - b.room.gases.water)
    water = mixed - np.maximum(mixed - _at_wall(b), 0.0) * vapour / np.maximum(total + vapour, 1e-300)
    t, water = _without_fog(b, mild, water, EVAPORATION * total / (carried + to_wall))
    arrived = breath_in * b.breath.gases.water + room_in * b.room.gases.water
    condensed = arrived - (total - arrived) * water / (1 - water)  # what the dry part cannot carry out again
    return _State(share, t, water, condensed)


def _openings(
    b: Breathing, inside: _State, warm: _State, swung: Exchange, grown: np.ndarray, entering: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Share of breath, degC and water of the air in each opening: the chamber's, the room's, in the window the jet's.

    The jet lies along the window's inner face, its height thick, and leaves with what goes out.
    """
    p, jet = b.passages, b.jet
    chamber, own = swung.chamber.copy(), np.zeros_like(swung.chamber)
    deep = p.inner[0] + p.length[0] + p.outer[0]
    # Of the window's depth the jet takes up its own height, grown by what it has drawn along.
    lying = np.where(jet.flow > 0, np.minimum(1.0, jet.height * grown / deep), 0.0)
    leaving = (1 - entering) * jet.flow * grown
    # Of what leaves by the window, the part that never was in the chamber.
    outward = leaving / np.maximum(leaving + swung.out[..., 0], 1e-300)
    all_jet = lying + (1 - lying) * chamber[..., 0] * outward
    # Half of what the jet has drawn along is of the chamber, so is that share of the jet's air.
    chamber[..., 0] = (1 - lying) * chamber[..., 0] * (1 - outward) + all_jet * (grown - 1) / 2 / grown
    own[..., 0] = all_jet / grown
    room = b.room
    t, water = (
        start + chamber * (ours[..., None] - start) + own * (breath[..., None] - start)
        for start, ours, breath in (
            (room.temperature_c, inside.temperature_c, warm.temperature_c),
            (room.gases.water, inside.water, warm.water),
        )
    )
    water = np.minimum(water, saturated_water(t, room.pressure_pa))  # what is more is fog, and no gas
    return chamber * inside.share[..., None] + own, t, water


# --- effect on the pitch ---


def lightness(b: Breathing) -> tuple[np.ndarray, np.ndarray]:
    """Air properties that set the pitch: stiffness rho c^2 of the chamber (f,), Pa, and density in the openings (f, n).

    As of `breathed`, without the gases' viscosity, which takes most of its time.
    """
    found = _mixed(b)
    inside = found.inside
    stiff = stiffness_of(b.room, b.breath, inside.share, inside.temperature_c, inside.water)
    return stiff, density_of(b.room, _beside_openings(b.breath), *found.openings)


def _beside_openings(breath: Air) -> Air:
    """The breath of variants, (v, 1), as it meets arrays of every opening, (v, f, n)."""
    wide = Gases(*(across(share) for share in breath.gases.shares()))
    numbers = {name: across(getattr(breath, name)) for name in NUMBERS}
    return replace(breath, gases=wide, **numbers) if np.ndim(breath.density) else breath


def pitch_cents(b: Breathing) -> np.ndarray:
    """Cents (f,) by which this air moves each note from the room's air everywhere, to first order.

    f^2 goes as (rho c^2)/V sum K_i/rho_i: the chamber's stiffness, and of each opening the density by its part of the
    flow.
    """
    (stiffness, density), room, flow = lightness(b), b.room, b.passages.flow
    part = flow / np.maximum(flow.sum(axis=-1, keepdims=True), 1e-300)
    # Nothing open: no note to move.
    light = np.where(part.any(axis=-1), (part * (room.density / density)).sum(axis=-1), 1.0)
    return np.asarray(600 * np.log2(stiffness / (room.density * room.sound_speed**2) * light))
