"""Shrinkage of clay on its way to the fired piece: every size at every stage, and its uncertainty.

Linear shrinkage as in ASTM C326 (test method for drying and firing shrinkages of ceramic whiteware clays): with the
lengths L_p plastic, L_d dry and L_f fired of a marked bar

    S_d = (L_p - L_d)/L_p    S_f = (L_d - L_f)/L_d    S_t = (L_p - L_f)/L_p    1 - S_t = (1 - S_d)(1 - S_f)

so a wet size is the fired one over (1 - S_t), and volumes go as the cube. S_d and S_f do not add up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from simkit.errors import Fault, InputError
from simkit.vessel import Vessel

MOST = 0.25  # of the wet length; the most that a design may say, and more than any pottery clay does
CENTS = 1200 / math.log(2)  # in one neper: a relative change of f, times this, is cents

# Common practice, no source: a leather-hard piece has lost most of the water between its grains, hence most of its
# drying shrinkage; from there to the fired piece it rises by about a semitone.
LEATHER_SHARE, LEATHER_DOUBT = 0.8, 0.15
TOTAL_DOUBT = 0.005  # of the wet length, where no bar was measured
SPLIT_DOUBT = 0.1  # of the whole, on the share that goes in drying, where only the whole is given


class Stage(StrEnum):
    """Stage of a piece on its way through the kiln."""

    WET = "wet"
    LEATHER_HARD = "leather-hard"
    BONE_DRY = "bone dry"
    FIRED = "fired"


def stage(text: str, argument: str = "cut_at") -> Stage:
    """A stage by its name; leather for leather-hard and dry for bone dry will do.

    >>> stage("leather")
    <Stage.LEATHER_HARD: 'leather-hard'>
    """
    wanted = text.strip().lower().replace("_", " ").replace("-", " ")
    for each in Stage:
        name = each.replace("-", " ")  # "leather hard", "leather-hard" and "leather" are one
        if wanted in (name, name.removesuffix(" hard"), name.removeprefix("bone ")):
            return each
    raise InputError([Fault.of(argument, text, ", ".join(Stage))])


@dataclass(frozen=True)
class Shrinkage:
    """Length of a piece at each stage over its fired length, with one standard deviation of doubt (relative).

    >>> clay = Shrinkage.of(drying=0.06, firing=0.065)
    >>> round(100 * clay.total, 2), round(clay.to_come_cents(Stage.WET), 1)
    (12.11, 223.5)
    """

    wet: float
    leather_hard: float
    bone_dry: float
    wet_doubt: float = 0.0
    leather_hard_doubt: float = 0.0
    bone_dry_doubt: float = 0.0
    basis: str = ""

    @classmethod
    def of(
        cls,
        drying: float,
        firing: float,
        leather_share: float = LEATHER_SHARE,
        total_doubt: float = 0.0,
        firing_doubt: float = 0.0,
        leather_doubt: float = 0.0,
        basis: str = "",
    ) -> Shrinkage:
        """Shrinkage from S_d and S_f as fractions; doubts are of S_t, S_f and the share of S_d gone at leather-hard."""
        wet = 1 / ((1 - drying) * (1 - firing))  # over the fired length
        dry = 1 / (1 - firing)
        leather = wet * (1 - leather_share * drying)
        dry_doubt = firing_doubt * dry
        spread = math.hypot(leather_share * dry_doubt, leather_doubt * drying)  # independent doubts add as squares
        # Between wet and dry the doubt of the end that is nearer weighs more.
        leather_hard_doubt = math.hypot((1 - leather_share) * total_doubt * wet, spread)
        return cls(wet, leather, dry, total_doubt * wet, leather_hard_doubt, dry_doubt, basis)

    def size(self, stage: Stage) -> float:
        """Length at a stage over the fired length."""
        return dict(zip(Stage, (self.wet, self.leather_hard, self.bone_dry, 1.0), strict=True))[stage]

    def doubt(self, stage: Stage) -> float:
        """One standard deviation of `size`, relative."""
        doubts = (self.wet_doubt, self.leather_hard_doubt, self.bone_dry_doubt, 0.0)  # fired is the measure of all
        return dict(zip(Stage, doubts, strict=True))[stage]

    def to_come_cents(self, stage: Stage) -> float:
        """Rise of the pitch still to come until the piece is fired, cents: 1200 log2(size), as f goes as 1/size.

        To first order: the layers of slow air on the walls do not shrink with the piece. What that adds is a few
        cents for small holes, and is left out.
        """
        return CENTS * math.log(self.size(stage))

    def doubt_cents(self, stage: Stage) -> float:
        """One standard deviation of `to_come_cents`, from the doubt of the shrinkage alone."""
        return CENTS * self.doubt(stage)

    @property
    def drying(self) -> float:
        """Drying shrinkage S_d = (L_p - L_d)/L_p."""
        return 1 - self.bone_dry / self.wet

    @property
    def firing(self) -> float:
        """Firing shrinkage S_f = (L_d - L_f)/L_d."""
        return 1 - 1 / self.bone_dry

    @property
    def total(self) -> float:
        """Total shrinkage S_t = (L_p - L_f)/L_p."""
        return 1 - 1 / self.wet


@dataclass(frozen=True)
class Bar:
    """A bar of the maker's own clay with two marks, measured wet and fired, better also dry and leather-hard.

    ASTM C326 takes ten bars of 19 mm by 127 mm with marks 102 mm apart; `count` bars of lengths in mm are averaged
    here beforehand. `read_mm` is how well one length was read (one standard deviation).
    """

    wet_mm: float
    fired_mm: float
    dry_mm: float | None = None
    leather_hard_mm: float | None = None
    read_mm: float = 0.2
    count: int = 1

    @classmethod
    def read(cls, text: str) -> Bar:
        """Parse lengths in mm as on a command line: wet,fired or wet,dry,fired or wet,leather-hard,dry,fired."""
        try:
            lengths = [float(part) for part in text.split(",")]
        except ValueError:
            lengths = []
        if not 2 <= len(lengths) <= 4:
            allowed = "lengths in mm between two marks: wet,fired or wet,dry,fired or wet,leather-hard,dry,fired"
            raise InputError([Fault.of("bar", text, allowed)])
        wet, *between, fired = lengths
        dry = between[-1] if between else None
        return cls(wet, fired, dry, between[0] if len(between) == 2 else None)

    def shrinkage(self) -> Shrinkage:
        """The maker's own figure, with the doubt that the reading leaves; InputError for lengths that clay has not."""
        self._check()
        # All over the fired length, as the design's sizes are.
        fired = self.fired_mm
        whole = self.wet_mm - fired
        # Where it was not measured, by the usual split.
        dry = self.dry_mm or fired + whole * (1 - _drying_part(1 - fired / self.wet_mm))
        leather = self.leather_hard_mm or self.wet_mm - LEATHER_SHARE * (self.wet_mm - dry)
        dry_doubt = 0.0 if self.dry_mm else SPLIT_DOUBT * whole / fired
        leather_doubt = math.hypot(LEATHER_DOUBT * (self.wet_mm - dry) / fired, LEATHER_SHARE * dry_doubt)
        return Shrinkage(
            self.wet_mm / fired,
            leather / fired,
            dry / fired,
            self._doubt(self.wet_mm),
            math.hypot(self._doubt(leather), 0.0 if self.leather_hard_mm else leather_doubt),
            math.hypot(self._doubt(dry), dry_doubt),
            basis=f"{'a test bar' if self.count == 1 else f'{self.count} test bars'} of {self.wet_mm:g} mm",
        )

    def _doubt(self, length_mm: float) -> float:
        """Relative doubt of a length over the fired length, both read once a bar."""
        # Of a quotient, relative errors add as squares.
        return self.read_mm / math.sqrt(self.count) * math.hypot(1 / length_mm, 1 / self.fired_mm)

    def _check(self) -> None:
        order = [
            ("wet", self.wet_mm),
            ("leather-hard", self.leather_hard_mm),
            ("dry", self.dry_mm),
            ("fired", self.fired_mm),
        ]
        known = [(name, value) for name, value in order if value is not None]
        faults = [
            Fault.of("bar", value, "a length in mm, more than 0", key=name)
            for name, value in known
            if not 0 < value < math.inf
        ]
        if not faults:
            faults = [
                Fault.of("bar", value, f"at most the {before} length, {longer:g} mm: clay shrinks", key=name)
                for (before, longer), (name, value) in pairwise(known)
                if value > longer
            ]
        if not faults and 1 - self.fired_mm / self.wet_mm > MOST:
            least = (1 - MOST) * self.wet_mm
            allowed = f"at least {least:.4g} mm: no pottery clay shrinks by more than {100 * MOST:g} %"
            faults = [Fault.of("bar", self.fired_mm, allowed, key="fired")]
        if not (self.read_mm >= 0 and self.count >= 1):
            faults.append(Fault.of("bar", (self.read_mm, self.count), "at least 0 and 1", key="read_mm, count"))
        if faults:
            raise InputError(faults)


def shrinkage_of(vessel: Vessel) -> Shrinkage:
    """The shrinkage that a design gives, doubted by half a point as no bar is known; InputError if it gives none."""
    clay = vessel.clay
    total = clay.shrinkage_percent
    if total is None:
        allowed = f"a number from 0 to {100 * MOST:g}: a sheet is drawn for wet clay ({ranges()})"
        raise InputError([Fault(vessel.source, "clay.shrinkage_percent", None, allowed)])
    total /= 100
    doubts = {"total_doubt": TOTAL_DOUBT, "leather_doubt": LEATHER_DOUBT}
    if clay.drying_percent is not None and clay.firing_percent is not None:
        return Shrinkage.of(
            clay.drying_percent / 100,
            clay.firing_percent / 100,
            firing_doubt=TOTAL_DOUBT / math.sqrt(2),
            basis="the design",
            **doubts,
        )
    # Split by logarithms, so that the two steps multiply to the whole.
    drying = 1 - (1 - total) ** _drying_part(total)
    return Shrinkage.of(
        drying,
        1 - (1 - total) / (1 - drying),
        firing_doubt=SPLIT_DOUBT * total,
        basis="the design, its split between drying and firing guessed",
        **doubts,
    )


# Shrinkage in percent: of the length before drying, of the length after it (firing), and in all. Makers' public tables
# of their clay bodies, which give totals as sums: a weak source; common practice.
CLAYS = {
    "earthenware": ((4, 6), (4, 6), (8, 12)),
    "stoneware": ((5, 7), (6, 8), (11, 15)),
    "porcelain": ((6, 8), (8, 12), (14, 20)),
}


def ranges() -> str:
    """The table of clays in one line."""
    clays = (f"{name} {least:g} to {most:g} %" for name, (_, _, (least, most)) in CLAYS.items())
    return "common practice: " + ", ".join(clays)


def _drying_part(total: float) -> float:
    """The usual share of drying in the whole, by the middle of the clay whose range holds the total best."""
    nearest = min(CLAYS.values(), key=lambda clay: abs(100 * total - sum(clay[2]) / 2))
    drying, firing = sum(nearest[0]), sum(nearest[1])
    return drying / (drying + firing)
