"""The admittance at the window as one call: a Helmholtz resonator's in closed form, and passive."""

import numpy as np
import pytest

import simkit
from simkit.errors import InputError
from simkit.sound import models
from simkit.sound.elements.losses import radiation_resistance
from simkit.sound.elements.openings import aperture_of

DESIGN = """
clay.wall_mm = 4
[[chamber]]
name = "ball"
shape = "sphere"
diameter_mm = 50
[chamber.voicing]
along_mm = 25
around_deg = 180
window_width_mm = 9
cut_up_mm = 4
windway_height_mm = 1
windway_length_mm = 20
[[chamber.hole]]
name = "1"
along_mm = 25
around_deg = 0
diameter_mm = 6
[[chamber.note]]
pitch = "E6"
open = ["1"]
"""


@pytest.fixture(scope="module")
def vessel():
    return simkit.loads(DESIGN)


def test_without_losses_or_holes_it_is_a_helmholtz_resonators(vessel):
    """Y = 1/(i omega rho/K + rho c^2/(i omega V) + R) (Kinsler et al. 2000, Fundamentals of Acoustics, sec. 10.8
    [memory]); V and K those of the model lumped, whose circuit this is."""
    plain = simkit.loads(DESIGN.split("[[chamber.hole]]")[0])
    (case,) = models.cases(plain)
    air, V = case.airs.chamber, case.chamber.volume
    K = float(aperture_of(case.chamber.window).conductivity)
    hz = np.array([[100.0, 400.0], [900.0, 1500.0]])
    omega = 2 * np.pi * hz
    impedance = 1j * omega * air.density / K + air.density * air.sound_speed**2 / (1j * omega * V)
    impedance = impedance + radiation_resistance(air, omega)
    found = simkit.admittance(plain, (), hz, model="lumped", lossless=True, state="still")
    assert found.shape == (2, 2)
    np.testing.assert_allclose(found, 1 / impedance, rtol=1e-9)


@pytest.mark.parametrize("model", ["lumped", pytest.param("ports", marks=pytest.mark.slow)])  # at its note, below
def test_far_below_the_note_it_is_the_compliance_of_the_air(vessel, model):
    """i omega V/(rho c^2), raised by 1/(1 - (f/f0)^2); the air of the covered hole's chimney, under 1 %, with it."""
    (case,) = models.cases(vessel)
    air, V = case.airs.chamber, case.chamber.volume
    note = simkit.predict(
        vessel.with_chamber(vessel.chambers[0].model_copy(update={"notes": ()})), model, state="still"
    )
    hz = note.frequencies_hz[0] / 50
    compliance = 2j * np.pi * hz * V / (air.density * air.sound_speed**2) / (1 - 1 / 2500)
    found = simkit.admittance(vessel, [], hz, model=model, lossless=True, state="still")
    assert found.shape == ()
    assert found / compliance == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("model", ["lumped", "ports"])
def test_it_peaks_at_the_note_as_wide_as_its_q_says_and_takes_energy_only(vessel, model):
    """Half the power at f0 (1 +- 1/(2 Q)), to first order in 1/Q."""
    prediction = simkit.predict(vessel, model, state="still")
    f0, q = prediction.frequencies_hz[0], prediction.q[0]
    assert q > 10
    hz = f0 * np.linspace(0.8, 1.2, 4001)
    found = simkit.admittance(vessel, "E6", hz, model=model, state="still")
    power = np.abs(found) ** 2
    assert hz[power.argmax()] == pytest.approx(f0, rel=0.5 / q**2 + 1e-4)
    wide = hz[power > power.max() / 2]
    assert np.ptp(wide) == pytest.approx(f0 / q, rel=0.03)
    every = simkit.admittance(vessel, "E6", np.geomspace(20, 5000, 200), model=model, state="still")
    assert np.isfinite(every).all()
    assert (every.real > 0).all()


def test_what_is_asked_wrongly_is_said(vessel):
    for wrong in (0, -5.0, np.nan, np.inf, [440, 30_000]):
        with pytest.raises(InputError, match=r"frequencies = .*: allowed: Hz, more than 0, at most 20000"):
            simkit.admittance(vessel, "E6", wrong)
    mute = simkit.loads(DESIGN.replace("[chamber.voicing]", "[chamber.voiced]").split("[chamber.voiced]")[0])
    with pytest.raises(InputError, match=r"ball\.voicing: allowed: a table"):
        simkit.admittance(mute, (), 440)
    with pytest.raises(InputError, match=r"note = 'C9'"):
        simkit.admittance(vessel, "C9", 440)
