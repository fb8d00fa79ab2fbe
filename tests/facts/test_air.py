"""Moist air and breath against standards and handbook values.

Sources: IEC 61094-2:2009 Annex F, Table F.1; ISO 9613-1:1993; Davis 1992; the handbook values that
are quoted from memory say so.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.air import composed, exhaled, moist_air, saturated_water
from simkit.gases import GASES, Gases, viscosity_and_conduction


def test_iec_table_f1_to_one_part_in_a_million():
    """IEC 61094-2:2009, Table F.1, first column: 23 degC, 101325 Pa, 50 %, 400 ppm."""
    air = moist_air(23, 50, 101325, 400)
    assert air.density == pytest.approx(1.1860848, rel=1e-6)
    assert air.sound_speed == pytest.approx(345.86652, rel=1e-6)
    assert air.gamma == pytest.approx(1.4007573, rel=1e-6)
    assert air.viscosity == pytest.approx(1.826566e-5, rel=1e-6)
    assert air.thermal_diffusivity == pytest.approx(2.115317e-5, rel=1e-6)


STATES = [
    # Computed apart from this package, with another program, from the formulas of Annex F:
    # degC, %, ppm: x_w, rho, c, gamma, eta, alpha_t, Pr
    ((0, 0, 314), (0, 1.293003, 331.4550, 1.402855, 1.717238e-5, 1.817217e-5, 0.73084)),
    ((20, 0, 314), (0, 1.204514, 343.3672, 1.402178, 1.814764e-5, 2.077679e-5, 0.72515)),
    ((20, 50, 400), (0.0115893, 1.199314, 343.9869, 1.401099, 1.812665e-5, 2.075369e-5, 0.72826)),
    ((25, 50, 400), (0.0157065, 1.177316, 347.1268, 1.400504, 1.835747e-5, 2.142093e-5, 0.72792)),
    ((30, 100, 400), (0.0420931, 1.146355, 351.4698, 1.397749, 1.854227e-5, 2.205272e-5, 0.73347)),
]


@pytest.mark.parametrize(("state", "expected"), STATES)
def test_states_computed_elsewhere(state, expected):
    t, humidity, ppm = state
    air = moist_air(t, humidity, co2_ppm=ppm)
    found = (
        air.gases.water, air.density, air.sound_speed, air.gamma, air.viscosity,
        air.thermal_diffusivity, air.prandtl,
    )  # fmt: skip
    assert found == pytest.approx(expected, rel=8e-6, abs=1e-9)


def test_dry_air_at_the_ice_point():
    """CRC Handbook of Chemistry and Physics: 331.45 m/s, 1.2929 kg/m3 (from memory)."""
    air = moist_air(0, 0, co2_ppm=314)
    assert air.sound_speed == pytest.approx(331.45, abs=0.05)
    assert air.density == pytest.approx(1.2929, rel=3e-4)


def test_iso_9613_leaves_out_humidity():
    """ISO 9613-1:1993: c = 343.2 sqrt(T / 293.15): close for dry air, 4 cents low for moist."""
    for t in (0, 10, 20, 30):
        plain = 343.2 * math.sqrt((t + 273.15) / 293.15)
        assert moist_air(t, 0).sound_speed == pytest.approx(plain, rel=1e-3)
    assert moist_air(20, 50).sound_speed - 343.2 == pytest.approx(0.79, abs=0.01)


def test_saturated_vapour_pressure():
    """Davis 1992: 2339.2 Pa at 20 degC; the steam tables (from memory) 2339.3 and 7384."""
    enhancement_20 = 1.00062 + 3.14e-8 * 101325 + 5.6e-7 * 400
    assert saturated_water(20) * 101325 / enhancement_20 == pytest.approx(2339.2, abs=0.3)
    assert saturated_water(40) * 101325 == pytest.approx(7384, rel=6e-3)


def test_boundary_layers():
    """sqrt(2 nu/omega) and sqrt(2 alpha/omega): dry air of 20 degC has 15.06e-6 and 21.1e-6 m2/s (CRC Handbook, from
    memory), so 104.4 and 123.5 um at 440 Hz; both fall as one over the root of the frequency."""
    air = moist_air(20, 0)
    for layer, diffusivity in ((air.delta_v, 15.06e-6), (air.delta_t, 21.1e-6)):
        assert layer(2 * math.pi * 440) == pytest.approx(math.sqrt(2 * diffusivity / (2 * math.pi * 440)), rel=0.01)
        assert layer(2 * math.pi * 1760) == pytest.approx(layer(2 * math.pi * 440) / 2, rel=1e-12)
    air = moist_air()
    assert air.delta_v(1.0) == pytest.approx(math.sqrt(2 * air.viscosity / air.density), rel=1e-12)
    conducted = air.thermal_conductivity / (air.density * air.specific_heat)
    assert air.delta_t(1.0) == pytest.approx(math.sqrt(2 * conducted), rel=1e-12)


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"temperature_c": 40.1}, "temperature_c"),
        ({"temperature_c": float("nan")}, "temperature_c"),
        ({"humidity_percent": -1}, "humidity_percent"),
        ({"pressure_pa": 1013.25}, "pressure_pa"),
        ({"co2_ppm": 40_000}, "co2_ppm"),
    ],
)
def test_outside_the_range_is_refused(values, name):
    with pytest.raises(ValueError, match=f"{name} = .*allowed: "):
        moist_air(**values)


def test_outside_the_stated_range_is_said():
    assert moist_air(30, 50).cautions == ()
    assert any("30 degC" in text for text in moist_air(35, 20).cautions)
    assert any("6 %" in text for text in moist_air(40, 100).cautions)
    assert any("102 kPa" in text for text in moist_air(20, 50, 104_000).cautions)


# --- breath --------------------------------------------------------------------------------------


def ideal_breath(t, carbon_dioxide, oxygen, vapour_pa):
    """(water, sound speed, density, gamma) of an ideal mixture at 101,325 Pa, saturated.

    Molar masses of the periodic table; molar heats at 300 K of N2, O2, Ar, CO2, H2O 29.12, 29.4, 20.786, 37.4, 33.6
    J/(mol K) (NIST Chemistry WebBook, from memory); 1.0045 is the CIPM's enhancement factor at 34 degC.
    """
    water = 1.0045 * vapour_pa / 101325
    dry = [1 - oxygen - 0.00934 - carbon_dioxide, oxygen, 0.00934, carbon_dioxide]
    shares = [(1 - water) * share for share in dry] + [water]
    molar = 1e-3 * sum(x * y for x, y in zip(shares, [28.0134, 31.9988, 39.948, 44.0095, 18.0153], strict=True))
    heat = sum(x * y for x, y in zip(shares, [29.12, 29.4, 20.786, 37.4, 33.6], strict=True))
    R, kelvin = 8.314462, t + 273.15
    gamma = heat / (heat - R)
    return water, math.sqrt(gamma * R * kelvin / molar), 101325 * molar / (R * kelvin), gamma


STEAM = {34: 5324.7, 25: 3169.9}  # Pa, vapour over water: steam tables, from memory


def test_saturated_breath():
    """34 degC saturated, dry shares 4 % CO2, 16.5 % O2, 0.934 % Ar: the ideal mixture written out."""
    breath = exhaled(34, 100, 4.0, 16.5)
    water, speed, density, gamma = ideal_breath(34, 0.04, 0.165, STEAM[34])
    assert breath.gases.water == pytest.approx(water, abs=1e-5)
    assert breath.sound_speed == pytest.approx(speed, abs=0.03)
    assert breath.density == pytest.approx(density, abs=1e-4)
    assert breath.gamma == pytest.approx(gamma, abs=1e-4)
    assert exhaled().sound_speed == pytest.approx(breath.sound_speed, abs=0.01)


def cents(ratio):
    return 1200 * math.log2(ratio)


def test_what_breath_does_to_pitch():
    """Ideal mixtures, written out: cents of sound speed, some 17 by the gas alone and 35 against the room."""
    plain = exhaled(34, 100, 0.04, 20.946)
    speed, without = ideal_breath(34, 0.04, 0.165, STEAM[34])[1], ideal_breath(34, 0.0004, 0.20946, STEAM[34])[1]
    assert plain.sound_speed == pytest.approx(without, abs=0.03)
    assert cents(exhaled().sound_speed / plain.sound_speed) == pytest.approx(cents(speed / without), abs=0.1)
    # A room's air is Cramer's, 343.987 m/s in the table above.
    room = moist_air(20, 50)
    assert cents(exhaled().sound_speed / room.sound_speed) == pytest.approx(cents(speed / 343.987), abs=0.2)
    chamber = exhaled(25, 100)
    assert chamber.sound_speed == pytest.approx(ideal_breath(25, 0.04, 0.165, STEAM[25])[1], abs=0.07)


@pytest.mark.parametrize(("t", "humidity"), [(20, 0), (20, 50), (25, 50), (30, 80)])
def test_ideal_mixture_agrees_with_the_standard_on_room_air(t, humidity):
    """Two independent formulas, one gas: IEC 61094-2 against rigid rotors with vibrations."""
    room = moist_air(t, humidity)
    ideal = exhaled(t, humidity, 0.04, 20.94)
    assert ideal.sound_speed == pytest.approx(room.sound_speed, rel=3.5e-4)
    assert ideal.density == pytest.approx(room.density, rel=7e-4)
    assert ideal.gamma == pytest.approx(room.gamma, rel=2e-3)
    assert ideal.specific_heat == pytest.approx(room.specific_heat, rel=3e-3)
    assert ideal.viscosity == pytest.approx(room.viscosity, rel=1e-3)


def test_heat_capacities_of_the_pure_gases():
    """Molar c_p at 298.15 K, J/(mol K): NIST-JANAF tables, 4th ed. 1998 (from memory)."""
    published = (29.124, 29.376, 20.786, 37.129, 33.590)
    for gas, value in zip(GASES, published, strict=True):
        assert gas.molar_heat(298.15) == pytest.approx(value, rel=4e-3)


def test_mixing_rule_gives_dry_air():
    """Pure-gas viscosities by Sutherland, mixed by Wilke: 18.15 uPa s at 20 degC (IEC 61094-2)."""
    viscosity, conductivity = viscosity_and_conduction(Gases.of_dry(0.0004, 0.2094, 0.0), 293.15)
    dry = moist_air(20, 0)
    assert viscosity == pytest.approx(dry.viscosity, rel=0.01)
    assert conductivity == pytest.approx(dry.thermal_conductivity, rel=0.05)


MEASURES = ("density", "sound_speed", "gamma", "viscosity", "thermal_conductivity", "specific_heat")


def between(room, breath, share):
    """Room air and breath mixed, temperature and water in proportion."""
    t, water = (
        (1 - share) * a + share * b
        for a, b in ((room.temperature_c, breath.temperature_c), (room.gases.water, breath.gases.water))
    )
    return composed(room, breath, share, t, water)


def test_mixing_room_and_breath():
    room, breath = moist_air(20, 50), exhaled()
    for share, pure in ((0.0, room), (1.0, breath)):
        found = between(room, breath, share)
        assert [getattr(found, name) for name in MEASURES] == pytest.approx([getattr(pure, name) for name in MEASURES])
    # Continuous where the formulas meet, to a thousandth of a cent per thousandth of share.
    near = between(room, breath, 1e-6)
    assert near.sound_speed == pytest.approx(room.sound_speed, rel=1e-7)
    assert near.viscosity == pytest.approx(room.viscosity, rel=1e-6)
    assert between(room, breath, 0.5).co2_ppm == pytest.approx((room.co2_ppm + breath.co2_ppm) / 2)


@given(st.floats(0, 1), st.floats(0, 30), st.floats(0, 100))
def test_a_mixture_lies_between_its_parts(share, t, humidity):
    gas = between(moist_air(t, humidity), exhaled(), share)
    assert sum(gas.gases.shares()) == pytest.approx(1)
    assert 330 < gas.sound_speed < 352


@pytest.mark.parametrize("values", [{"co2_percent": 11}, {"temperature_c": 10}, {"oxygen_percent": 3}])
def test_impossible_breath_is_refused(values):
    with pytest.raises(ValueError, match="allowed"):
        exhaled(**values)


# --- many airs at once ---------------------------------------------------------------------------


def test_an_array_of_airs_is_each_of_them():
    room, breath = moist_air(18, 40), exhaled()
    shares = np.array([0.0, 0.2, 0.55, 1.0])
    t, water = np.array([18.0, 22, 30, 34]), np.array([0.01, 0.02, 0.04, 0.05])
    many = composed(room, breath, shares, t, water)
    omega = 2 * math.pi * 440
    for i, share in enumerate(shares):
        one = composed(room, breath, float(share), float(t[i]), float(water[i]))
        for name in MEASURES:
            assert getattr(many, name)[i] == pytest.approx(getattr(one, name), rel=1e-13)
        assert many.delta_v(omega)[i] == pytest.approx(one.delta_v(omega), rel=1e-13)
        assert many.humidity_percent[i] == pytest.approx(one.humidity_percent, rel=1e-13)
    assert isinstance(composed(room, breath, 0.2, 20.0, 0.01).density, float)
    again = composed(room, breath, shares, t, water)
    assert again == many and len({many, again}) == 1


def test_dried_and_cooled_air_keeps_the_gases_between_them():
    """Taking water out and heat away leaves the dry gases in their proportion; the density goes as 1/T (ideal gas)."""
    room, breath = moist_air(20, 50), exhaled()
    warm, cold = (composed(room, breath, 0.7, t, 0.01) for t in (34.0, 20.0))
    assert cold.density / warm.density == pytest.approx(307.15 / 293.15, rel=1e-9)
    before = between(room, breath, 0.7).gases
    assert warm.gases.carbon_dioxide / warm.gases.nitrogen == pytest.approx(before.carbon_dioxide / before.nitrogen)
    assert sum(warm.gases.shares()) == pytest.approx(1.0) and warm.gases.water == 0.01
