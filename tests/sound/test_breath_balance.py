"""The air of a blown flute: its limits, its balances, and its laws against what others found or a closed form."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from simkit.air import exhaled, moist_air, saturated_water
from simkit.gases import GAS_CONSTANT, GASES, molar_heat
from simkit.sound.elements.breath_balance import Breathing, breathed, pitch_cents, stirring
from simkit.sound.elements.mixing import Jet, Mixing, Passages, entering_share, entrainment, exchange
from simkit.sound.models.played_air import doubt, variants

ROOM, BREATH = moist_air(), exhaled()
SPEED = np.array([12.0, 18.0, 30.0])
JET = Jet(SPEED, SPEED * 2 / 3 * 12e-6, np.full(3, 0.5), 1e-3, 12e-3, 30e-3, 4e-3)
# A window and two holes, the first of which opens with the second note, the other with the third.
OPEN = np.array([[1, 0, 0], [1, 1, 0], [1, 1, 1.0]])
AREA = np.array([48e-6, 20e-6, 50e-6])
OMEGA = 2 * np.pi * np.array([400.0, 550.0, 800.0])
PASSAGES = Passages(AREA, np.full(3, 5e-3), np.full(3, 2e-3), np.full(3, 2e-3), OPEN, OPEN * AREA * 3.5, OMEGA)
PLAYED = Breathing(ROOM, BREATH, 100e-6, 120e-4, 20.0, JET, PASSAGES)
WARM = replace(PLAYED, clay_c=30.0)

MEASURES = ("density", "sound_speed", "gamma", "viscosity", "thermal_conductivity", "specific_heat", "temperature_c")


def same(air, other):
    for name in MEASURES:
        assert getattr(air, name) == pytest.approx(np.broadcast_to(getattr(other, name), np.shape(air.density)), 1e-12)
    for one, two in zip(air.gases.shares(), other.gases.shares(), strict=True):
        assert one == pytest.approx(np.broadcast_to(two, np.shape(one)), abs=1e-14)


def still(b, **jet):
    return replace(b, jet=replace(b.jet, **jet), passages=replace(PASSAGES, flow=0 * PASSAGES.flow))


def test_without_breath_the_rooms_air_stands_everywhere():
    silent = replace(PLAYED, jet=replace(JET, flow=np.zeros(3), speed=np.zeros(3)))
    for b in (silent, still(silent)):
        found = breathed(b)
        assert (found.share == 0).all()
        same(found.chamber, ROOM)
        same(found.openings, ROOM)
        assert pitch_cents(b) == pytest.approx(np.zeros(3), abs=1e-9)
        assert found.condensed == pytest.approx(np.zeros(3), abs=1e-15)


def test_all_breath_and_clay_as_warm_as_it_is_the_breath():
    """Nothing drawn along (no cut-up), nothing exchanged, no heat lost; the holes' outer ends are left to the room."""
    full = replace(still(PLAYED, cut_up=0.0, entering=np.ones(3)), clay_c=34.0)
    full = replace(full, passages=replace(full.passages, outer=np.zeros(3)))
    found = breathed(full)
    same(found.chamber, BREATH)
    same(found.openings, BREATH)
    # 100 ml with 0.144 l/s: V/Q.
    assert found.seconds[1] == pytest.approx(100 / 144, rel=1e-9)


@pytest.mark.parametrize("clay", [15.0, 20.0, 30.0, 36.0])
@pytest.mark.parametrize("uptake", [0.0, 1.0])
def test_what_comes_in_leaves(clay, uptake):
    """Every gas by the mole, and the heat: what breath and room bring over the chamber's air goes to the clay."""
    b = replace(PLAYED, clay_c=clay, mixing=Mixing(uptake=uptake))
    found = breathed(b)
    leaves = found.taken_in.sum(axis=1) - found.condensed
    for i, name in enumerate(("nitrogen", "oxygen", "argon", "carbon_dioxide", "water")):
        arrives = found.taken_in @ np.array([getattr(air.gases, name) for air in (BREATH, ROOM)])
        stays = found.condensed if i == 4 else 0.0
        assert leaves * getattr(found.chamber.gases, name) + stays == pytest.approx(arrives, rel=1e-12)
    assert (found.condensed >= -1e-15).all()
    # Fog and all: no gas holds more than its saturation.
    assert (found.chamber.humidity_percent <= 100.001).all() and (found.openings.humidity_percent <= 100.001).all()
    # The chamber lies between what flows in and the clay; wet breath that condenses into fog may warm it above its mix.
    bounds = np.sort([np.minimum(found.jet_c, clay), np.maximum(found.jet_c, clay)], axis=0)
    assert (found.chamber.temperature_c >= min(20.0, clay) - 1e-9).all()
    assert (found.chamber.temperature_c <= bounds[1] + 1.5).all()


def test_heat_that_breath_loses_is_what_the_clay_gains():
    """Breath that enters whole, dry, and no other air: c Q (T_breath - T_chamber) goes to the clay."""
    dry = exhaled(34.0, 0.0)
    b = still(replace(PLAYED, breath=dry), cut_up=0.0, entering=np.ones(3))
    found = breathed(b)
    moles = ROOM.pressure_pa * JET.flow / (GAS_CONSTANT * 307.15)
    lost = molar_heat(dry.gases, 307.15) * moles * (34.0 - found.chamber.temperature_c)
    assert found.heat == pytest.approx(lost, rel=1e-9)
    # And the wall's law gives the same again for the chamber's part.
    given = stirring(b) * b.wall_area * (found.chamber.temperature_c - 20.0)
    windway = molar_heat(dry.gases, 307.15) * moles * (34.0 - found.jet_c)
    assert found.heat == pytest.approx(windway + given, rel=1e-9)


def test_more_breath_fills_more():
    flows = np.geomspace(1e-7, 1e-3, 25)
    many = Jet(flows / 8e-6, flows, np.full(25, 0.5), 1e-3, 12e-3, 30e-3, 4e-3)
    wide = np.ones((25, 1))
    p = replace(PASSAGES, openness=OPEN[1] * wide, flow=PASSAGES.flow[1] * wide, omega=np.full(25, OMEGA[1]))
    found = breathed(replace(PLAYED, jet=many, passages=p))
    assert (np.diff(found.share) > 0).all() and (np.diff(found.seconds) < 0).all()
    assert found.share[0] < 0.05 and found.share[-1] > 0.8
    assert (np.diff(found.jet_c) >= 0).all() and found.jet_c[-1] > 30


def test_carbon_dioxide_lowers_warmth_and_water_raise():
    """Fuks 1997 (from memory): some 10 to 20 cents lower for the carbon dioxide of exhaled air at one temperature."""
    for b in (PLAYED, WARM):
        plain, gassy = (pitch_cents(replace(b, breath=exhaled(co2_percent=share))) for share in (0.04, 4.0))
        assert ((plain - gassy > 10) & (plain - gassy < 20)).all()
        assert (pitch_cents(replace(b, breath=exhaled(35.0))) > pitch_cents(b)).all()
        assert (pitch_cents(b) > pitch_cents(replace(b, mixing=Mixing(uptake=1.0)))).all()
    assert (pitch_cents(WARM) > pitch_cents(PLAYED) + 8).all()


def test_pitch_by_the_densities_of_ideal_gases():
    """Full of breath: by molar masses and molar heats at 300 K of handbooks within 1 cent (each formula is good to
    0.03 %, half a cent); 34.6 cents by Cramer's room and an ideal breath, computed with another program."""
    full = replace(still(PLAYED, cut_up=0.0, entering=np.ones(3)), clay_c=34.0)
    full = replace(full, passages=replace(full.passages, outer=np.zeros(3), flow=1e-9 * OPEN))

    def speed(air):
        molar = sum(x * gas.molar_mass for x, gas in zip(air.gases.shares(), GASES, strict=True))
        heat = sum(x * c for x, c in zip(air.gases.shares(), (29.12, 29.4, 20.786, 37.4, 33.6), strict=True))
        return np.sqrt(heat / (heat - GAS_CONSTANT) * GAS_CONSTANT * (air.temperature_c + 273.15) / molar)

    assert pitch_cents(full) == pytest.approx(1200 * np.log2(speed(BREATH) / speed(ROOM)), abs=1.0)
    assert pitch_cents(full) == pytest.approx(34.6, abs=0.05)


def test_entrainment_of_plane_jets():
    """Bickley 1937: Q = 3.302 (J nu x)^(1/3) far from the slit, J = 8/15 U^2 h of a parabola; Albertson et al. 1950."""
    nu = BREATH.kinematic_viscosity
    far = replace(JET, cut_up=1e6 * JET.height)
    laminar = 1 + entrainment(far, nu, Mixing(entrainment=0.0))
    by_law = 3.302 * (8 / 15 * SPEED**2 * far.height * nu * far.cut_up) ** (1 / 3) / (2 / 3 * SPEED * far.height)
    creeping = by_law < 0.62 * 1e3  # a laminar jet is taken for no more than a turbulent one
    assert creeping.all() and laminar == pytest.approx(by_law, rel=1e-3)
    assert entrainment(replace(JET, cut_up=9e-3), nu, Mixing(entrainment=1.0)) == pytest.approx(0.62 * 3 - 1)
    both = [entrainment(replace(JET, cut_up=w), nu, Mixing(entrainment=1.0)) for w in (5.1999e-3, 5.2001e-3)]
    assert both[0] == pytest.approx(both[1], abs=3e-3)


def test_half_of_a_swinging_jet_enters():
    """By symmetry half; with the edge far inside, none; a still jet by its profile: (1 - tanh a)/2."""
    assert entering_share(np.array([0.0, 1.0, 7.0])) == pytest.approx(np.full(3, 0.5))
    assert entering_share(0.0, 0.7) == pytest.approx((1 - np.tanh(0.7)) / 2)
    assert entering_share(2.0, 20.0) == pytest.approx(0.0, abs=1e-12)
    assert entering_share(2.0, 0.7) + entering_share(2.0, -0.7) == pytest.approx(1.0)


def between_plates(graetz: float) -> float:
    """Mean temperature left, of 1, of a parabolic flow that has gone by two walls at 0: the Graetz problem by lines.

    (3/2)(1 - y^2) dT/dx = d2T/dy2, half height 1; x = 16/Gz, Gz = Re Pr D/L with D = 4 half heights.
    """
    y = (np.arange(400) + 0.5) / 400
    main = np.full(400, -2.0)
    main[0], main[-1] = -1.0, -3.0
    speed = 1.5 * (1 - y**2)
    second = (np.diag(main) + np.diag(np.ones(399), 1) + np.diag(np.ones(399), -1)) * 400**2
    values, vectors = np.linalg.eigh(second / np.sqrt(np.outer(speed, speed)))
    start = vectors.T @ np.sqrt(speed)
    return float(np.sum(start**2 * np.exp(values * 16 / graetz)) / np.sum(speed))


@pytest.mark.parametrize("graetz", [5.0, 15.0, 40.0, 120.0])
def test_breath_cools_between_plates_as_graetz_says(graetz):
    """Dry breath, a windway of the length that makes Gz; the law's entry is good to 6 % of the heat given."""
    dry = exhaled(34.0, 0.0)
    flow = 0.1e-3
    reynolds = 2 * flow / 12e-3 / dry.kinematic_viscosity
    length = reynolds * dry.prandtl * 2e-3 / graetz
    jet = replace(JET, flow=np.full(3, flow), length=length)
    left = (breathed(replace(PLAYED, breath=dry, jet=jet)).jet_c[0] - 20.0) / 14.0
    assert 1 - left == pytest.approx(1 - between_plates(graetz), rel=0.06)


def test_swing_in_plug_flow():
    """What comes in, by quadrature of U sin + U_m; of long strokes all but the reach stays; of short ones nothing."""
    phase = 2 * np.pi * (np.arange(4000) + 0.5) / 4000
    for brought in (np.zeros(3), np.array([1e-5, 4e-5, 8e-5])):
        found = exchange(PASSAGES, brought, Mixing())
        shared = brought[:, None] * AREA * OPEN / (AREA * OPEN).sum(axis=1, keepdims=True)
        flow = shared[..., None] + PASSAGES.flow[..., None] * np.sin(phase)
        assert found.out == pytest.approx(np.maximum(flow, 0).mean(axis=-1), rel=1e-4, abs=1e-12)
        assert ((found.kept >= 0) & (found.kept <= found.out - shared + 1e-15)).all()
        assert ((found.chamber >= 0) & (found.chamber <= 1)).all()
    slow = replace(PASSAGES, omega=OMEGA / 1e4)
    kept, stroke = exchange(slow, np.zeros(3), Mixing()).kept[2], 2 * 3.5 / slow.omega[2]
    reach = 0.8 * 5e-3 + 0.5 * np.sqrt(4 * AREA / np.pi)
    assert kept == pytest.approx(3.5 / np.pi * AREA * (1 - reach / stroke), rel=1e-5)
    assert exchange(replace(PASSAGES, omega=20 * OMEGA), np.zeros(3), Mixing()).kept.max() < 1e-12


def test_a_stream_drives_the_room_out_of_an_opening():
    """The more flows out on the mean, the more of the chamber's air lies in it; covered, nothing else does."""
    steps = [exchange(PASSAGES, np.full(3, q), Mixing()).chamber for q in (0.0, 2e-5, 1e-4, 1e-3)]
    for less, more in pairwise(steps):
        assert (more[OPEN > 0] > less[OPEN > 0]).all()
    assert (steps[0][OPEN == 0] == 1).all()
    assert (steps[0][OPEN > 0] > 0.5).all() and (steps[-1][OPEN > 0] < 1).all()


def test_wall_takes_the_heat_of_a_slot_jet():
    """Martin 1977, Adv. Heat Transfer 13, 1, single slot nozzle (from memory): Nu/Pr^0.42 = 3.06 Re^m/(x/S + H/S +
    2.78), m = 0.695 - 1/(x/S + (H/S)^1.33 + 3.06), S = 2h, over 2x of the jet's breadth. An order only: that strip is
    an eighth of the wall or less and takes a third of the heat or more, but no more than all of it twice over."""
    for b in (PLAYED, replace(PLAYED, volume=30e-6, wall_area=55e-4), replace(PLAYED, volume=400e-6, wall_area=320e-4)):
        side = b.volume ** (1 / 3)
        S = 2 * JET.height
        x, H = side / S, side / S / 2
        power = 0.695 - 1 / (x + H**1.33 + 3.06)
        reynolds = SPEED * S / ROOM.kinematic_viscosity
        nusselt = ROOM.prandtl**0.42 * 3.06 * reynolds**power / (x + H + 2.78)
        martin = nusselt * ROOM.thermal_conductivity / S * JET.width * 2 * side
        ratio = stirring(b) * b.wall_area / martin
        assert ((ratio > 0.5) & (ratio < 3.5)).all()


def test_doubts_are_of_the_ends():
    found = doubt(WARM)
    ends = variants(WARM)
    assert found.keys() == ends.keys()
    for low, high in ends.values():
        assert np.isfinite([pitch_cents(low), pitch_cents(high)]).all()
    for name, (low, high) in ends.items():
        assert found[name] == pytest.approx((pitch_cents(high) - pitch_cents(low)) / 2, abs=1e-9)
    # Two kelvin either way of clay that sets the temperature of all: 3 cents a kelvin (dc/dT of ideal air), less what
    # the room's air in the openings keeps.
    assert 2.5 < found["clay"].mean() < 6


def test_wet_clay_holds_the_vapour_at_its_own_saturation():
    """A wall that takes up without limit: the chamber's vapour is what water at the clay's temperature gives."""
    found = breathed(replace(WARM, wall_area=100.0))
    assert found.chamber.gases.water == pytest.approx(np.full(3, saturated_water(30.0)), rel=2e-3)
    assert found.chamber.temperature_c == pytest.approx(np.full(3, 30.0), abs=0.01)
