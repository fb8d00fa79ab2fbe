"""Parts of the page's arithmetic by themselves, run by node beside Python's and SciPy's."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simkit.air import exhaled, moist_air
from simkit.show.pocket import sent_jet
from simkit.sound.blowing.behaviour import at_pressure, blow_fingerings
from simkit.sound.blowing.growth import growing
from simkit.sound.blowing.loop import Loop
from simkit.sound.elements import ducts
from simkit.sound.elements.airjet import KNOTS, PIECES, AirJet
from simkit.sound.elements.breath_balance import Breathing, breathed
from simkit.sound.elements.constants import JetConstants
from simkit.sound.elements.mixing import Jet, Mixing, Passages, entering_share
from simkit.sound.elements.orifice import end_of, rectangle
from simkit.sound.elements.vocal_tract import VocalTract
from simkit.sound.elements.windway import Windway, windway_impedance
from simkit.sound.models.resonator import Motion
from simkit.vessel import Voicing
from tests.show.node import answered, needs_node

OMEGA = [complex(2 * np.pi * hz, 2 * np.pi * hz / 2 / q) for hz, q in ((180, 9), (523, 25), (1400, 60), (2900, 15))]


def sent(air):
    return {
        "c": air.sound_speed,
        "rho": air.density,
        "gamma": air.gamma,
        "viscosity": air.viscosity,
        "conduction": air.thermal_conductivity,
        "heat": air.specific_heat,
        "nu": air.kinematic_viscosity,
        "alpha": air.thermal_diffusivity,
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
        const found = breathed(asked.balance, asked.t, asked.room, asked.breath, asked.ducts, asked.states);
        return { ...found, ...found.airs() };
    """
    found = answered(script, asked, tmp_path)
    np.testing.assert_allclose(found["density"], wanted.openings.density[0], rtol=1e-8)
    np.testing.assert_allclose(found["rho"], wanted.chamber.density[0], rtol=1e-8)
    stiffness = wanted.chamber.density[0] * wanted.chamber.sound_speed[0] ** 2
    np.testing.assert_allclose(found["stiffness"], stiffness, rtol=1e-8)
    for n, air in enumerate([found["chamber"], *found["openings"]]):
        parts = (wanted.chamber, 0) if n == 0 else (wanted.openings, (0, n - 1))
        for name, values in sent(parts[0]).items():
            assert air[name] == pytest.approx(np.broadcast_to(values, (1, *np.shape(values)[1:]))[parts[1]], rel=1e-8)


# --- the jet and its loop ---

VOICING = Voicing(
    along_mm=10, around_deg=180, breath_toward_deg=0, window_width_mm=12, cut_up_mm=5, windway_height_mm=1.2,
    windway_length_mm=32, edge_deg=45,
)  # fmt: skip
JETS = [
    AirJet.of(VOICING, exhaled(), edge_share=0.8),
    AirJet.of(
        VOICING.model_copy(update={"edge_offset_mm": 0.2, "cut_up_mm": 3.0}), moist_air(12), JetConstants(growth=0.8)
    ),
]


def told(jet):
    return {
        "sent": sent_jet(jet),
        "wave": {"knots": KNOTS.tolist(), "pieces": np.moveaxis(PIECES, 0, -1).tolist()},
        "air": sent(jet.breath),
    }


@needs_node
@pytest.mark.parametrize("jet", JETS)
def test_the_jet_is_pythons(jet, tmp_path):
    speeds, turns, swings = [0.3, 4.0, 17.0, 60.0], [0.02, 0.9, 1.6, 4.0], [1e-4, 0.02, 0.7, 3.1, 40.0, 250.0]
    script = """
        const { jetOf, pressureOf, speedOf, speedFor, swingOf, waveLog } = await load("jet");
        const jet = jetOf(asked.jet.sent, asked.jet.wave, asked.jet.air), { same, other } = jet.saturation;
        return {
            pressure: asked.speeds.map((u) => pressureOf(jet, u)),
            back: asked.speeds.map((u) => speedOf(jet, pressureOf(jet, u))),
            wave: asked.omega.map((w) => waveLog(jet, w, 17)),
            speed: asked.turns.map((turn) => speedFor(jet, 3000, turn)),
            same: asked.swings.map(same), other: asked.swings.map(other), swing: swingOf(jet, 17, 2, [0.4, 0]),
        };
    """
    asked = {"jet": told(jet), "speeds": speeds, "turns": turns, "swings": swings, "omega": pairs(OMEGA)}
    found = answered(script, asked, tmp_path)
    np.testing.assert_allclose(found["pressure"], jet.pressure(np.array(speeds)), rtol=1e-9)
    np.testing.assert_allclose(found["back"], speeds, rtol=1e-9)
    np.testing.assert_allclose(whole(found["wave"]), jet.wave_log(np.array(OMEGA), 17.0), rtol=1e-9)
    np.testing.assert_allclose(found["speed"], jet.speed_for(3000.0, np.array(turns)), rtol=1e-6)
    np.testing.assert_allclose(found["same"], jet.saturation.same(np.array(swings)), rtol=2e-6)
    np.testing.assert_allclose(found["other"], jet.saturation.other(np.array(swings)), rtol=2e-6)
    assert found["swing"] == pytest.approx(jet.swing(1.0, 17.0, 2.0, 0.4))


def rings(jet, sharpness, closeness):
    """A made-up piece of a window and two holes: 400 Hz, its second resonance `closeness` times that."""
    omega = 2 * np.pi * 400 * np.array([[1.0, closeness, 1.7 * closeness, 2.1 * closeness]])
    omega = omega * (1 + 0.5j / np.array([sharpness, 60.0, 50.0, 80.0]))
    flow = np.array([[[0.05, 0.04, 0.03], [0.06, -0.04, 0.02], [0.02, 0.03, -0.05], [0.03, 0.01, 0.02]]])
    return Motion(moist_air(25), omega, flow, np.array([[0.03, -0.02, -0.01]]), np.array([60e-6, 30e-6, 25e-6]))


@needs_node
@pytest.mark.parametrize("jet", JETS)
@pytest.mark.parametrize(("sharpness", "closeness"), [(25.0, 6.0), (12.0, 2.3), (1.2, 6.0)])
def test_a_jet_before_resonances_is_pythons(jet, sharpness, closeness, tmp_path):
    """What it is best blown with, in phase or not or not at all, with overtones; pitch and takeover at other breath."""
    motion = rings(jet, sharpness, closeness)
    blown, ratios = blow_fingerings(motion, jet), [0.6, 1.0, 1.7]
    script = """
        const { followed, givesWay, loopOf, playing } = await load("loop"), { jetOf, pressureOf } = await load("jet");
        const jet = jetOf(asked.jet.sent, asked.jet.wave, asked.jet.air), best = playing(loopOf(asked.ring, jet));
        if (!best) return null;
        const pressure = pressureOf(jet, best.cycle.speed);
        const other = asked.ratios.map((ratio) => followed(best.loop, best.cycle, pressure * ratio).at(-1));
        return { pressure, source: best.loop.source, omega: other.map((each) => each && each.omega),
            gives: other.map((each) => each && givesWay(best.loop, each)) };
    """
    ring = {
        "omega": pairs(motion.omega[0]), "flows": motion.every_flow[0].tolist(), "area": motion.area.tolist(),
        "rho": motion.air.density,
    }  # fmt: skip
    found = answered(script, {"jet": told(jet), "ring": ring, "ratios": ratios}, tmp_path)
    assert (found is None) == (not blown.speaks[0])
    if found is None:
        return
    assert found["pressure"] == pytest.approx(blown.pressure[0], rel=1e-5)
    wanted = at_pressure(blown, np.zeros(3, int), blown.pressure[0] * np.array(ratios), careful=False)
    assert [each is not None for each in found["omega"]] == wanted.exists.tolist()
    live = np.flatnonzero(wanted.exists)
    np.testing.assert_allclose([found["omega"][n] for n in live], wanted.omega[live], rtol=1e-7)
    many, beside = motion.only(np.zeros(len(live), int)), wanted.of(live)
    grown = [growing(Loop(many, jet, n), beside.speed, beside) for n in (1, 2, 3)]
    gives = np.any([(each.rate > 0) & (each.wave == 1) for each in grown], axis=0)
    assert [found["gives"][n] for n in live] == gives.tolist()
