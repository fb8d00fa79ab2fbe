"""What a note must read before the kiln."""

import math

import pytest

from simkit import predict
from simkit.air import moist_air
from simkit.making.readings import RULE_DOUBT_CENTS, air_ratio, readings
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.pitch import Tuning, cents
from simkit.vessel import AirState, loads, target_of

CLAY = Shrinkage.of(drying=0.055, firing=0.058, total_doubt=0.005)


def test_a_wet_piece_is_flat_by_the_shrinkage_to_come():
    wet, leather, dry, fired = readings(523.2511, CLAY)
    assert wet.frequency_hz == pytest.approx(523.2511 * (1 - 0.055) * (1 - 0.058), rel=1e-12)
    assert wet.cents == pytest.approx(-CLAY.to_come_cents(Stage.WET), abs=1e-9)
    assert dry.frequency_hz == pytest.approx(523.2511 * (1 - 0.058), rel=1e-12)
    assert wet.cents < leather.cents < dry.cents < fired.cents == 0


def test_the_nearest_note_and_its_cents_give_the_reading_back():
    _, found, *_ = readings(698.46, CLAY, Tuning(tonic="F"))
    assert Tuning().frequency(found.nearest) * 2 ** (found.nearest_cents / 1200) == pytest.approx(found.frequency_hz)
    assert abs(found.nearest_cents) <= 50


def test_the_doubt_of_the_shrinkage_is_carried_to_cents():
    found, *_, fired = readings(440, CLAY)
    assert found.uncertainty_cents == pytest.approx((CLAY.doubt_cents(Stage.WET) ** 2 + RULE_DOUBT_CENTS**2) ** 0.5)
    assert fired.uncertainty_cents == 0


def test_what_a_stage_reads_higher_moves_its_reading_with_it():
    plain, higher = readings(440, CLAY), readings(440, CLAY, higher_cents=dict.fromkeys(Stage, 23.0))
    assert [h.cents - p.cents for p, h in zip(plain, higher, strict=True)] == pytest.approx([23.0] * 4)


def test_a_degree_is_three_cents():
    """In dry air c goes as the root of the absolute temperature (an ideal gas): 1200 log2 sqrt(293.65/292.65)."""
    cold, warm = (AirState(temperature_c=t, humidity_percent=0) for t in (19.5, 20.5))
    change = cents(air_ratio(AirState(), warm) / air_ratio(AirState(), cold), 1)
    assert change == pytest.approx(600 * math.log2(293.65 / 292.65), abs=0.01)
    assert change == pytest.approx(3, abs=0.1)
    assert air_ratio(AirState(), None) == 1


def test_today_is_told_apart_from_the_air_of_the_design():
    planned, today = AirState(temperature_c=22), AirState(temperature_c=15)
    ratio = moist_air(15, 50).sound_speed / moist_air(22, 50).sound_speed
    assert air_ratio(planned, today) == pytest.approx(ratio)
    assert readings(440, CLAY, air_ratio=ratio)[-1].frequency_hz == pytest.approx(440 * ratio)


def test_targets_follow_the_scale_and_the_bend(lopsided):
    """Equal temperament on ISO 16:1975's A4 = 440 Hz: A5 = 880 Hz."""
    vessel, _ = lopsided
    assert target_of(vessel, vessel.chambers[0].note("A5")) == pytest.approx(880)


@pytest.mark.parametrize("size", [1.06, 1 / 0.89])
def test_the_rule_of_scaling_is_as_good_as_it_says(size):
    """The lumped model with its losses, on the same whistle at two sizes."""
    keys = {"length": 60.0, "width": 44.0, "height": 36.0}
    small, large = (_note(s, keys) for s in (1.0, size))
    assert abs(cents(small, large) - cents(size, 1)) < RULE_DOUBT_CENTS


def _note(size, keys):
    sizes = "\n".join(f"{name}_mm = {size * value}" for name, value in keys.items())
    hole = "\n".join(f"{k} = {size * v}" for k, v in {"along_mm": 30, "diameter_mm": 6}.items())
    rims = f"edge_radius_mm = {0.3 * size}\nedge_inside_radius_mm = {0.3 * size}"
    text = (
        f'[clay]\nwall_mm = {4 * size}\n{rims}\n[[chamber]]\nname = "a"\nshape = "ellipsoid"\n{sizes}\n'
        f'[[chamber.hole]]\nname = "1"\naround_deg = 0\n{hole}\n[[chamber.note]]\npitch = "C5"\nopen = ["1"]'
    )
    return predict(loads(text), model="lumped").chambers[0].notes[0].by("lumped").frequency_hz
