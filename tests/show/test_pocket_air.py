"""Parts of the page's arithmetic by themselves, run by node beside Python's and SciPy's."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simkit.air import exhaled, moist_air
from simkit.sound.elements import ducts
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.breath_balance import Breathing, breathed
from simkit.sound.elements.mixing import Jet, Mixing, Passages, entering_share
from simkit.sound.elements.orifice import end_of, rectangle
from simkit.sound.elements.vocal_tract import VocalTract
from simkit.sound.elements.windway import Windway, windway_impedance
from simkit.vessel import Voicing
from tests.show.node import answered, needs_node

OMEGA = [complex(2 * np.pi * hz, 2 * np.pi * hz / 2 / q) for hz, q in ((180, 9), (523, 25), (1400, 60), (2900, 15))]


def sent(air):
    return {
        "c": air.sound_speed,
        "rho": air.density,
        "gamma": air.gamma,
        "nu": air.kinematic_viscosity,
        "alpha": air.thermal_diffusivity,
        "thermalConductivity": air.thermal_conductivity,
    }


def pairs(values):
    return [[z.real, z.imag] for z in values]


def whole(values):
    return np.array([complex(*z) for z in values])


@needs_node
@pytest.mark.parametrize("radius", [0.3e-3, 2e-3, 9e-3])
def test_narrow_ducts_by_a_continued_fraction_are_those_of_scipys_bessel_functions(radius, tmp_path):
    air = moist_air(20)
    script = """
        const { boreFilling, slitFilling } = await load("ducts");
        return [boreFilling, slitFilling].map((filling) => asked.omega.map((w) => {
            const { density, stiffness } = filling(asked.air, w, asked.radius);
            return [density, stiffness];
        }));
    """
    found = answered(script, {"air": sent(air), "omega": pairs(OMEGA), "radius": radius}, tmp_path)
    for filling, each in zip((ducts.bore_filling, ducts.slit_filling), found, strict=True):
        wanted = filling(air, np.array(OMEGA), radius)
        np.testing.assert_allclose(whole([d for d, _ in each]), wanted.density, rtol=1e-10)
        np.testing.assert_allclose(whole([s for _, s in each]), wanted.stiffness, rtol=1e-10)


@needs_node
def test_a_windway_with_who_blows_it_answers_as_pythons(tmp_path):
    air, breath, mouth = moist_air(20), exhaled(), VocalTract()
    way = Windway(12e-3, 1.2e-3, 32e-3, mouth, breath, per_hertz=0.03, lips_width=14e-3, lips_height=2e-3)
    lips = end_of(rectangle, *way.lips, way.length, 0.0)
    asked = {
        "width": way.width, "height": way.height, "length": way.length, "mouth": vars(mouth),
        "breath": sent(breath), "perHertz": way.per_hertz, "slices": way.slices, "friction_length": way.friction_length,
        "lips": {"width": way.lips[0], "height": way.lips[1], "end": [lips.correction, lips.viscous]},
    }  # fmt: skip
    script = """
        const { windwayImpedance } = await load("ducts");
        return asked.omega.map((w) => windwayImpedance(asked.way, asked.air, w, 25));
    """
    found = whole(answered(script, {"way": asked, "air": sent(air), "omega": pairs(OMEGA)}, tmp_path))
    np.testing.assert_allclose(found, windway_impedance(way, air, np.array(OMEGA), False, 25.0), rtol=1e-9)


@needs_node
def test_a_note_grows_by_landaus_equation_and_never_leaps(tmp_path):
    """da/dt = s a (1 - a^2) from a thousandth, by SciPy's integrator; what grows too slowly to wait for, quicker."""
    rates = [3.0, 60.0, 700.0]
    script = """
        const { attackCurve } = await load("tone");
        return asked.map((rate) => { const { curve, seconds } = attackCurve(rate); return [[...curve], seconds]; });
    """
    for rate, (curve, seconds) in zip(rates, answered(script, rates, tmp_path), strict=True):
        t = np.linspace(0, seconds, len(curve))
        if rate > 3:
            wanted = solve_ivp(lambda _, a, s=rate: s * a * (1 - a * a), (0, seconds), [1e-3], t_eval=t, rtol=1e-9).y[0]
            np.testing.assert_allclose(curve[:-1], wanted[:-1], rtol=1e-4)
        assert seconds < 1 and curve[0] == pytest.approx(1e-3, rel=1e-4) and curve[-1] == 1
        # The steepest is 2 s/sqrt(27), at a = 1/sqrt(3); from a thousandth to all but full takes some nine times 1/s.
        assert np.diff(curve).max() < 1.1 * 2 / np.sqrt(27) * 9 / (len(curve) - 1)


@needs_node
@pytest.mark.parametrize(("room_c", "humidity"), [(8.0, 40.0), (20.0, 50.0), (33.0, 90.0)])
def test_the_balance_of_breath_is_pythons(room_c, humidity, tmp_path):
    room, breath, clay_c = moist_air(room_c, humidity), exhaled(), 28.0
    voicing = Voicing(
        along_mm=10, around_deg=180, breath_toward_deg=0, window_width_mm=12, cut_up_mm=5, windway_height_mm=1.2,
        windway_length_mm=32, edge_deg=45,
    )  # fmt: skip
    jet = AirJet.of(voicing, breath)
    area, length = np.array([60e-6, 28e-6, 40e-6, 12e-6]), np.array([5e-3, 5e-3, 6e-3, 4e-3])
    ends, states = np.array([2e-3, 2.4e-3, 2.8e-3, 1.5e-3]), np.array([[1.0, 1.0, 0.0, 1.0]])
    volume, wall_area = 80e-6, 9e-3
    K = states * area / (length + 2 * ends)
    omega = room.sound_speed * np.sqrt(K.sum(axis=1) / volume)
    speed = jet.speed_for(omega, np.pi / 2)
    velocity = 0.25 * np.sqrt(K[:, 0] / K.sum(axis=1)) * speed
    swing = jet.swing(omega, speed, velocity)
    blown = Jet(
        speed, jet.breath_flow(speed), entering_share(swing, 0.0), jet.height, jet.width, jet.length, jet.cut_up
    )
    flow = (velocity * jet.window_area / K[:, 0])[:, None] * K
    wanted = breathed(
        Breathing(
            room, breath, volume, wall_area, clay_c, blown, Passages(area, length, ends, ends, states, flow, omega)
        )
    )
    unit = float(jet.speed_for(1.0, np.pi / 2))
    balance = {
        "volume": volume, "wall_area": wall_area, "clay_c": clay_c, "window_area": jet.window_area, "swing": 0.25,
        "mixing": vars(Mixing()),
        "room": {"humidity": humidity / 100, "pressure": room.pressure_pa, "carbon_dioxide": 400e-6},
        "breath": {
            "gases": list(breath.gases.shares()), "temperature_c": breath.temperature_c, "pressure": breath.pressure_pa,
            "thermal_conductivity": breath.thermal_conductivity, "specific_heat": breath.specific_heat,
        },
        "jet": {
            "height": jet.height, "width": jet.width, "length": jet.length, "cut_up": jet.cut_up, "offset": 0.0,
            "speed_per_omega": unit, "swing": float(jet.swing(1.0, unit, 1.0)) * unit, "windway_loss": 1.0,
        },
    }  # fmt: skip
    numbers = zip(area, length, ends, strict=True)
    asked = {
        "balance": balance, "t": room_c, "room": sent(room), "breath": sent(breath), "states": states[0].tolist(),
        "ducts": [{"area": a, "length": d, "inner": e, "outer": e} for a, d, e in numbers],
    }  # fmt: skip
    script = """
        const { breathed } = await load("breath");
        return breathed(asked.balance, asked.t, asked.room, asked.breath, asked.ducts, asked.states);
    """
    found = answered(script, asked, tmp_path)
    np.testing.assert_allclose(found["density"], wanted.openings.density[0], rtol=1e-8)
    np.testing.assert_allclose(found["rho"], wanted.chamber.density[0], rtol=1e-8)
    stiffness = wanted.chamber.density[0] * wanted.chamber.sound_speed[0] ** 2
    np.testing.assert_allclose(found["stiffness"], stiffness, rtol=1e-8)
