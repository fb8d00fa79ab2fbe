"""The vocal tract behind the lips: the mouth's air from the teeth to the vocal folds, and the windpipe.

Measured through the lips, a closed mouth answers as a smooth tube of its own length does, but for walls that yield,
which make it a mass below some 200 Hz, and for losses several times as large (Hanna, Smith & Wolfe 2016 [Hanna2016]).
When the folds stand apart the windpipe goes on behind them, open at its far end [Hanna2018]; who plays well narrows
them (Mukai 1989, Nihon Jibiinkoka Gakkai Kaiho 92, 260; Eckley 2006, Braz. J. Otorhinolaryngol. 72, 45).
"""

from __future__ import annotations

import numpy as np

from simkit.air import Air
from simkit.frozen import frozen
from simkit.sound.elements import ducts
from simkit.sound.elements.orifice import Reals

BANDWIDTH = 70.0  # Hz, of every resonance: 50 to 90 of men, 70 to 90 of women [Hanna2016, abstract]
TISSUE = 20.0  # Hz, at which the walls ring with their own stiffness [Hanna2016, abstract]
FOLDS = 3e-3  # m along the breath: from memory
FOLD_END = 0.4  # end correction at either side of the folds over the root of their gap: a slit's, see `orifice`
WINDPIPE = 0.178, 2.5e-4  # m, the mean of men's 195 and women's 160 mm [Hanna2018]; m2, 18 mm across: from memory
WINDPIPE_BANDWIDTH = 200.0  # Hz, wider than the mouth's, for it ends in the lungs' branches: from memory


@frozen
class VocalTract:
    """A player's mouth and throat: a tube with yielding walls.

    length from lips to vocal folds, m; volume, m3; gap between the folds, m2, 0 where they are shut; wall: mass of its
    walls, kg/m2, 10 to 20 as measured (one to two centimetres of flesh), infinite for walls that do not yield;
    bandwidth, Hz, of the resonances of air and walls.
    """

    length: float = 0.17
    volume: float = 50e-6
    gap: float = 20e-6
    wall: float = 15.0
    bandwidth: float = BANDWIDTH

    @classmethod
    def cavity(cls, volume: float) -> VocalTract:
        """A hard box of that volume, m3: nothing but a spring."""
        # So short that no wave runs along it.
        return cls(length=np.cbrt(volume) / 100, volume=volume, gap=0.0, wall=np.inf, bandwidth=0.0)

    @property
    def area(self) -> float:
        """Mean cross-section, m2."""
        return self.volume / self.length

    def impedance(self, air: Air, omega: Reals, flow: Reals = 0.0) -> Reals:
        """Pressure behind the lips over the flow into the mouth, Pa s/m3, at complex omega (...).

        flow: the breath that passes the folds, m3/s, which costs rho flow / gap^2 for each m3/s more.
        """
        tube = ducts.duct(self._filling(air, omega), omega, self.area, self.length)
        return tube.input_impedance(self._behind_folds(air, omega, flow)) if np.all(self.gap) else tube.closed

    def _filling(self, air: Air, omega: Reals) -> ducts.Filling:
        """The tube's air, its springiness made softer by the walls': 1/K = 1/(rho c^2) + P/(i omega S Z_wall).

        Z_wall = m (i omega + 2 pi B + (2 pi f)^2/(i omega)), f the flesh's own; B goes into the air's inertia too.
        """
        lost = 2 * np.pi * self.bandwidth
        swings = 1j * omega * (1j * omega + lost) + (2 * np.pi * TISSUE) ** 2  # i omega times Z_wall over its mass
        around = 2 * np.sqrt(np.pi / self.area)  # perimeter over area of a round tube
        softness = 1 / (air.density * air.sound_speed**2) + around / self.wall / swings
        return ducts.Filling(air.density * (1 + lost / (1j * omega)), 1 / softness)

    def _behind_folds(self, air: Air, omega: Reals, flow: Reals) -> Reals:
        """Impedance of the folds' gap and the windpipe, open at its far end, Pa s/m3."""
        length, area = WINDPIPE
        heavy = air.density * (1 + 2 * np.pi * WINDPIPE_BANDWIDTH / (1j * omega))
        windpipe = ducts.duct(ducts.Filling(heavy, air.density * air.sound_speed**2), omega, area, length)
        inertia = 1j * omega * air.density * (FOLDS + 2 * FOLD_END * np.sqrt(self.gap)) / self.gap
        return inertia + air.density * flow / self.gap**2 + windpipe.B / windpipe.D  # of an open end: p2 = 0


# Mouths of those who may play: lips to folds of 145 mm (a small woman) to 190 (a large man); 30 ml with the tongue high
# (33 ml of a man's "ee", 45 of his "ah", by Story, Titze & Hoffman 1996 [Story1996], from memory) to 90 with the jaw
# dropped; the folds' gap from the least that lets a player's breath through (0.15 l/s cost 130 Pa there) to that of
# quiet breathing (100 mm2, from memory).
# Each size first as it raises most notes less.
SPREAD = (("length", 0.19, 0.145), ("volume", 30e-6, 90e-6), ("gap", 100e-6, 10e-6))
