"""A bench model without any field: Helmholtz's resonator in a closed form, and a design to go with it."""

from dataclasses import dataclass

import numpy as np
import pytest

from simkit.air import moist_air
from simkit.body import Made, MadeSlopes
from simkit.making.bench.log import HoleCut, NoteRead
from simkit.making.shrinkage import Stage
from simkit.pitch import Tuning, cents, note
from simkit.vessel import loads

DESIGN = """
title = "Textbook"
[clay]
wall_mm = 4
drying_percent = 5
firing_percent = 5
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 44
[chamber.voicing]
along_mm = 10
around_deg = 180
window_width_mm = 10
cut_up_mm = 4
windway_height_mm = 1
windway_length_mm = 20
"""
HOLE = '[[chamber.hole]]\nname = "{0}"\nalong_mm = 30\naround_deg = {1}\ndiameter_mm = {2}\n'
PITCHES = ("C5", "Eb5", "F#5", "Ab5")
DIAMETERS_MM = (3.5, 4.5, 5.0)


@dataclass(frozen=True)
class Textbook:
    """f = c/(2 pi) sqrt(sum K / V), K = S/(h + 1.7 a) (Rayleigh, Theory of Sound, arts 303 to 307 [from memory]);
    openings do not know of each other, and 1/Q is 0.04."""

    holes: tuple[str, ...] = ("1", "2", "3")
    volume: float = 42e-6
    air = moist_air(20, 50)

    @property
    def designed(self):
        one = np.ones(1)
        return Made(1e-3 * np.array([DIAMETERS_MM]), np.full((1, 4), 4e-3), 10e-3 * one, 4e-3 * one, one, one)

    def lowest(self, made, openness):
        size = made.size
        area = made.width * made.cut_up
        K = area / (made.walls[:, 0] + 1.7 * np.sqrt(area / np.pi)) * size
        V = self.volume * made.volume * size**3
        for n in range(len(self.holes)):
            a = made.diameters[:, n] / 2
            K = K + size * openness[:, n] * np.pi * a**2 / (made.walls[:, n + 1] + 1.7 * a)
        return self.air.sound_speed * np.sqrt(K / V) * (1 + 0.02j)

    def sloped(self, made, openness):
        def slope(name, column=None):
            value = getattr(made, name)
            step = np.zeros_like(value)
            step[..., slice(None) if column is None else column] = 1e-6 * max(value.max(), 1e-3)
            up, down = (np.log(self.lowest(made.but(**{name: value + s}), openness).real) for s in (step, -step))
            return (up - down) / (2 * step.max())

        columns = range(len(self.holes))
        return self.lowest(made, openness), MadeSlopes(
            slope("volume"),
            slope("cut_up"),
            np.stack([slope("walls", n) for n in range(len(self.holes) + 1)], axis=1),
            np.stack([np.where(made.diameters[:, n] > 0, slope("diameters", n), 0) for n in columns], axis=1),
        )


@pytest.fixture(scope="session")
def model():
    return Textbook()


@pytest.fixture(scope="session")
def vessel(model):
    """Three holes that are opened one after the other; the notes are what the model plays as designed."""
    made = model.designed.rows(np.zeros(4, int))
    hz = model.lowest(made, np.tril(np.ones((4, 3)), -1)).real / (2 * np.pi)
    text = DESIGN + "".join(HOLE.format(n + 1, 40 * n, d) for n, d in enumerate(DIAMETERS_MM))
    for n, pitch in enumerate(PITCHES):
        bend = cents(hz[n], Tuning().frequency(note(pitch)))
        opened = ", ".join(f'"{k + 1}"' for k in range(n))
        text += f'[[chamber.note]]\npitch = "{pitch}"\ncents = {bend}\nopen = [{opened}]\n'
    return loads(text, "textbook.toml")


@dataclass
class Hidden:
    """A textbook piece with errors that the bench does not see; sizes as fired."""

    model: Textbook
    size: float
    cut_up: float = 1.0
    volume: float = 1.0
    off_mm: tuple = (0.0, 0.0, 0.0)
    reported_mm: tuple = (0.0, 0.0, 0.0)

    def hz(self, opened, fired=False):
        told = np.array(self.reported_mm)
        made = self.model.designed.but(
            diameters=np.where(told > 0, told + self.off_mm, 0)[None] * 1e-3,
            cut_up=self.model.designed.cut_up * self.cut_up,
            volume=np.array([self.volume]),
            size=np.array([1.0 if fired else self.size]),
        )
        openness = np.array([[float(name in opened) for name in self.model.holes]])
        return float(self.model.lowest(made, openness).real[0] / (2 * np.pi))

    def heard(self, pitch, stage=Stage.LEATHER_HARD, cents=0.0):
        opened = self.model.holes[: PITCHES.index(pitch)]
        hz = self.hz(opened, stage is Stage.FIRED) * 2 ** (cents / 1200)
        return NoteRead(
            step=1, chamber="body", stage=stage, note=pitch, open=dict.fromkeys(opened, 1.0), hz=hz, temperature_c=20
        )

    def cut(self, hole, mm_now):
        told = list(self.reported_mm)
        told[self.model.holes.index(hole)] = mm_now / self.size
        self.reported_mm = tuple(told)
        return HoleCut(step=1, chamber="body", stage=Stage.LEATHER_HARD, hole=hole, mm=mm_now)


@pytest.fixture
def hidden(model, vessel):
    from simkit.making.shrinkage import shrinkage_of

    return lambda **errors: Hidden(model, shrinkage_of(vessel).size(Stage.LEATHER_HARD), **errors)
