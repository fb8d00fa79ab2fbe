"""Dividing a range: where each of several chambers takes over, and how large each must be. By rules, before any field.

f^2 ~ K/V in every chamber: its lowest note f0 fixes the window's conductivity K over the volume V, and at its highest
note the window moves only (f0/f)^2 of the air, so that note is the first that turns to air. The range is divided so
that the weakest of these is as strong as can be. All windows have one cut-up: the breath that a note asks goes
with (f W)^2, so the breath curve then runs on from one chamber into the next.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.optimize import brentq

from simkit import vessel
from simkit.air import moist_air
from simkit.errors import Fault, InputError
from simkit.optimisation.problem.bounds import DRILL_MM, root_within
from simkit.pitch import Pitch, Tuning
from simkit.sound.elements.openings import rectangular_hole, round_hole
from simkit.vessel.hands import SEALED
from simkit.vessel.wishes import WishedRange

FINGERS = len(vessel.FINGERS)
NAMES = {1: ("body",), 2: ("body", "tail"), 3: ("body", "wing", "tail"), 4: ("body", "wing", "tail", "horn")}
# That the highest note should ask: flute players reach some 1,080 (Cossette 2000, Respir. Physiol.).
HARDEST_PA = 1000.0
STROUHAL = 0.1  # f W/U of a jet in phase with its note: common practice, no source
HEIGHT_SHARE = 0.9  # of a chamber's width
STOUT, SLIM = 1.5, 2.4  # least and most length over width
_DRAWN_OUT = 4.0  # and beyond which it is no vessel any more
ROOM = 0.62  # of a chamber's length that can bear holes
SHORTEST, LONGEST = 3.4, 8.0  # cut-up, mm: shorter hisses, longer wants much breath; common practice, no source
_NARROW, WIDE = 1.8, 5.0  # a window's width over its cut-up
_ACROSS = 0.65  # and at most over its chamber's: farther round no windway ends in it; common practice, no source
_REACHES = 2.0816  # k R of a ball's first mode


@dataclass(frozen=True)
class ChamberPlan:
    """One chamber of a divided range: its notes, its window, and its air's sizes, mm; by the hand rule.

    conductivity: of its window, m; weakness: (f/f0)^2 of its highest note; reach: its first mode over its highest note;
    short: by what factor the smallest drill and the widest hole that is sealed miss what the steps of the scale want of
    one window, 1 where they do not.
    """

    wish: WishedRange
    pitches: tuple[Pitch, ...]
    cut_up_mm: float
    conductivity: float
    length_mm: float
    width_mm: float
    height_mm: float
    weakness: float
    reach: float
    short: float

    @cached_property
    def window_width_mm(self) -> float:
        """Width of the window of that conductivity and cut-up."""

        def over(width: float) -> float:
            return window_conductivity(self.wish.wall_mm, self.cut_up_mm, width) - self.conductivity

        return float(brentq(over, 0.2 * self.cut_up_mm, 1.1 * WIDE * self.cut_up_mm))

    @cached_property
    def diameters_mm(self) -> tuple[float, ...]:
        """Diameter of each hole, in the order in which they open."""
        return tuple(hole_mm(self.wish, step * self.conductivity) for step in self.steps)

    @property
    def steps(self) -> tuple[float, ...]:
        """Conductivity that each hole must add, in units of the window's: steps of (f/f0)^2."""
        return tuple(np.diff(heights(self.pitches)).tolist())

    @property
    def cost(self) -> float:
        """Cost of a division: weak top notes, modes that come near them, holes that cannot be had."""
        return self.weakness * (1 + 4 / self.reach**2) * self.short**2 if self.is_clay else np.inf

    @property
    def is_clay(self) -> bool:
        """Whether the chamber has the room that its row of holes and its window want."""
        least = window_conductivity(self.wish.wall_mm, self.cut_up_mm, self.cut_up_mm)  # no narrower than its cut-up
        return self.length_mm <= _DRAWN_OUT * self.width_mm and self.conductivity >= least


def checked(wish: WishedRange) -> tuple[Pitch, ...]:
    """The notes of a wish; an InputError that names what cannot be."""
    faults = wish.faults
    if faults:
        raise InputError(list(faults))
    return wish.pitches


def divided(wish: WishedRange, without: Collection[tuple[Pitch, ...]] = ()) -> tuple[ChamberPlan, ...]:
    """The best division of the range: one plan a chamber, the lowest first; InputError where no hand could play any.

    without: runs of notes that are not to be one chamber's.
    """
    pitches = checked(wish)
    crowded: ChamberPlan | None = None
    best: tuple[ChamberPlan, ...] = ()
    least = np.inf
    for ends in _divisions(len(pitches), wish.chambers, wish.overlap):
        if any(pitches[start:stop] in without for start, stop in ends):
            continue
        plans = [planned(wish, pitches[start:stop], pitches[-1]) for start, stop in ends]
        cost = max(plan.cost for plan in plans)  # a piece is as weak as its weakest chamber
        # The first that cannot be made is what the message tells of, should none do.
        crowded = crowded or next((plan for plan in plans if not plan.is_clay), None)
        if cost < least:
            best, least = tuple(plans), cost
    if not best and crowded is not None:
        first, last = crowded.pitches[0], crowded.pitches[-1]
        allowed = (
            f"a lower range, or another number of chambers: {first} to {last}, say, would want a chamber "
            f"{crowded.length_mm:.0f} mm long for its holes, {crowded.width_mm:.0f} mm wide, with a window of "
            f"{crowded.window_width_mm:.0f} mm"
        )
        raise InputError([Fault.of("ends", f"{wish.lowest} {wish.highest}", allowed)])
    if not best:
        allowed = f"more of them for {len(pitches)} notes: {FINGERS} fingers open one hole after the other"
        raise InputError([Fault.of("chambers", wish.chambers, allowed)])
    return best


def _divisions(count: int, chambers: int, overlap: int) -> Iterator[tuple[tuple[int, int], ...]]:
    """All ways to cut `count` notes into runs of 3 to 11 that overlap: (start, stop) of each."""

    def rest(start: int, left: int) -> Iterator[tuple[tuple[int, int], ...]]:
        if left == 1:
            if 3 <= count - start <= FINGERS + 1:
                yield ((start, count),)
            return
        # At least a note beyond what overlaps, or it would not go on.
        for stop in range(start + max(3, overlap + 1), min(start + FINGERS + 1, count) + 1):
            for others in rest(stop - overlap, left - 1):
                yield ((start, stop), *others)

    yield from rest(0, chambers)


def heights(pitches: Sequence[Pitch]) -> np.ndarray:
    """(f/f0)^2 - 1 of notes (f,) above the first: the conductivity that their holes must bring over the window's."""
    hz = np.array([Tuning().frequency(pitch) for pitch in pitches])
    return np.square(hz / hz[0]) - 1


def k2_of(lowest: Pitch) -> float:
    """k^2 = (2 pi f0/c)^2 = K/V of a chamber with this lowest note, 1/m^2."""
    return float((2 * np.pi * Tuning().frequency(lowest) / moist_air().sound_speed) ** 2)


@lru_cache(maxsize=1024)
def planned(wish: WishedRange, pitches: tuple[Pitch, ...], top: Pitch) -> ChamberPlan:
    """A chamber for these notes: a window that serves every step with a hole that can be drilled and sealed.

    top: the highest note of the whole piece, which sets the cut-up of all windows.
    """
    rise, k2 = heights(pitches), k2_of(pitches[0])
    cut_up = cut_up_mm(Tuning().frequency(top))
    least, most = (window_conductivity(wish.wall_mm, cut_up, share * cut_up) for share in (_NARROW, WIDE))
    drilled, sealed = (hole_conductivity(wish.wall_mm, d) for d in (DRILL_MM + 0.1, SEALED * wish.fingertip_mm))
    steps = np.diff(rise)
    # The longer row, from the first fingertip's edge to the last's.
    row = (rows(len(pitches) - 1)[0] - 1) * wish.spacing_mm + wish.fingertip_mm
    long = 1e-3 * row / ROOM
    most = min(most, _widest_across(wish, cut_up, k2, long))
    # Its smallest step no smaller than a drilled hole, its largest no larger than a sealed one.
    low, high = max(least, drilled / steps.min()), min(most, sealed / steps.max())
    short = max(low / high, 1.0)  # where the two cross no window serves
    low = min(low, high)
    # The least volume whose length holds the row of holes without being drawn out too slim.
    needed = np.pi / 6 * HEIGHT_SHARE * long**3 / SLIM**2
    K = float(np.clip(needed * k2, low, high))
    length, width = _egg(K / k2, long)
    return ChamberPlan(
        wish,
        tuple(pitches),
        cut_up,
        K,
        1e3 * length,
        1e3 * width,
        1e3 * HEIGHT_SHARE * width,
        float(rise[-1] + 1),
        _first_mode_hz(K / k2, length, width) / Tuning().frequency(pitches[-1]),
        short,
    )


def _widest_across(wish: WishedRange, cut_up: float, k2: float, long: float) -> float:
    """K of the widest window that a chamber `long` (m) or more is wide enough for where its K/V is `k2`, m.

    K goes with the chamber's air, and a width with a root of that: the more air, the less room for its window.
    """

    def room(K: float) -> float:
        return window_conductivity(wish.wall_mm, cut_up, 1e3 * _ACROSS * _egg(K / k2, long)[1]) - K

    narrow, wide = (window_conductivity(wish.wall_mm, cut_up, share * cut_up) for share in (0.3, 1.5 * WIDE))
    # Without a change of sign all of these windows have room, or none has.
    return wide if room(wide) > 0 else narrow if room(narrow) < 0 else float(brentq(room, narrow, wide, rtol=1e-4))


def _egg(volume: float, least_length: float = 0.0) -> tuple[float, float]:
    """Length and width of an egg of this air, m: stout, unless it must be longer."""
    length = max((6 * volume * STOUT**2 / (np.pi * HEIGHT_SHARE)) ** (1 / 3), least_length)  # V = pi/6 L W H
    return float(length), float(np.sqrt(6 * volume / (np.pi * HEIGHT_SHARE * length)))


def _first_mode_hz(volume: float, length: float, width: float) -> float:
    """First mode of an egg, Hz: that of a ball of as much air, lower as the egg is longer than wide."""
    ball = (3 * volume / (4 * np.pi)) ** (1 / 3)
    # Of an ellipsoid of given volume the half length grows as (length/width)^(2/3), and the mode lies along it.
    return float(_REACHES * moist_air().sound_speed / (2 * np.pi * ball * (length / width) ** (2 / 3)))


def droned(wish: WishedRange, pitch: Pitch, plans: Sequence[ChamberPlan]) -> ChamberPlan:
    """A chamber for one note that sounds beside the melody's: as much air as the largest of these if its window can be
    had for it, and a cut-up with which it asks the breath of the melody's middle, (f W)^2 alike."""
    hz = Tuning().frequency(pitch)
    melody = [Tuning().frequency(each) for plan in plans for each in (plan.pitches[0], plan.pitches[-1])]
    middle = np.sqrt(min(melody) * max(melody))  # in the logarithm of pitch
    cut_up = float(np.clip(plans[0].cut_up_mm * middle / hz, SHORTEST, LONGEST))
    largest = 1e-9 * np.pi / 6 * max(plan.length_mm * plan.width_mm * plan.height_mm for plan in plans)
    least, most = (window_conductivity(wish.wall_mm, cut_up, share * cut_up) for share in (1.0, WIDE))
    K = float(np.clip(largest * k2_of(pitch), 1.001 * least, 0.999 * most))  # just inside, where brentq finds a width
    length, across = _egg(K / k2_of(pitch))
    reach = _first_mode_hz(K / k2_of(pitch), length, across) / hz
    sizes = 1e3 * length, 1e3 * across, 1e3 * HEIGHT_SHARE * across
    return ChamberPlan(wish, (pitch,), cut_up, K, *sizes, 1.0, reach, 1.0)


def cut_up_mm(highest_hz: float) -> float:
    """Cut-up at which a note needs the hardest breath that is sensible, mm: W = 0.1 U/f, U = sqrt(2 p/rho)."""
    speed = np.sqrt(2 * HARDEST_PA / moist_air().density)
    return float(np.clip(1e3 * STROUHAL * speed / highest_hz, SHORTEST, LONGEST))


@lru_cache(maxsize=256)
def window_conductivity(wall_mm: float, cut_up: float, width: float) -> float:
    """K of a window through the wall, m; its slope is left to the tuning."""
    return float(rectangular_hole(1e-3 * width, 1e-3 * cut_up, 1e-3 * wall_mm, 3e-4, 3e-4).conductivity)


@lru_cache(maxsize=256)
def hole_conductivity(wall_mm: float, diameter: float) -> float:
    """K of a hole through the wall, m."""
    return float(round_hole(diameter / 2e3, 1e-3 * wall_mm, 3e-4, 3e-4).conductivity)


def hole_mm(wish: WishedRange, K: float) -> float:
    """The diameter of a hole of this conductivity, mm, within what drills and fingertips allow."""
    return root_within(lambda mm: hole_conductivity(wish.wall_mm, mm) - K, DRILL_MM, SEALED * wish.fingertip_mm)


# --- fingers --------------------------------------------------------------------------------------------------------

_ROW = ("index", "middle", "ring", "little")  # from the mouth end on


def rows(holes: int) -> tuple[int, int]:
    """Numbers of holes in the left and in the right hand's row on top, the shorter the better; thumbs do the rest."""
    on_top = 8 if holes > 8 else min(holes, 6)  # of seven and eight the thumbs take one each, or two
    return (on_top + 1) // 2, on_top // 2


def finger(n: int, holes: int) -> str:
    """The finger of hole `n`, counted from 0 as they open: the rows from their far ends, then the thumbs."""
    hand, on_top = ("left", "right")[n % 2], sum(rows(holes))
    return f"{hand} {_ROW[rows(holes)[n % 2] - 1 - n // 2] if n < on_top else 'thumb'}"
