"""Mixing of breath and room air at a flute's window and holes: entrainment by the jet, exchange by the note's swing.

Arrays have one entry for each fingering (f,), and one for each opening (f, n), the window first; what theory leaves
open may be columns (v, 1) of variants, and answers are (v, f) and (v, f, n) then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.frozen import frozen
from simkit.sound.elements.orifice import Reals


@dataclass(frozen=True)
class Mixing:
    """Parameters of the balance that theory leaves open, plain numbers; `RANGES` has the interval of each.

    entrainment: 0 for a laminar jet [Bickley1937], 1 for a turbulent one from its start [Albertson1950].
    reach: times the way that room air must come to stay inside: the duct, and half a diameter outside, from where an
        opening breathes its own air in again (a ring of air escapes from a stroke of half a diameter [Holman2005]).
    lag: times the room air that on the mean lies in an opening.
    entering: times the share of the jet that goes into the chamber.
    heat: times the transfer of heat and vapour from the chamber's air to the clay.
    uptake: 0 for clay with a film of water on it, 1 for clay that drinks all water beyond the room's.
    """

    entrainment: Reals = 0.5
    reach: Reals = 1.0
    lag: Reals = 1.0
    entering: Reals = 1.0
    heat: Reals = 1.0
    uptake: Reals = 0.0


# Both ends of each: published or bounded as `Mixing` says; a factor of two for reach and heat, a half for lag, three
# tenths for the entering share, no source.
RANGES = {
    "entrainment": (0.0, 1.0),
    "reach": (0.5, 2.0),
    "lag": (0.5, 1.5),
    "entering": (0.7, 1.3),
    "heat": (0.5, 2.0),
    "uptake": (0.0, 1.0),
}


@frozen
class Jet:
    """The breath of each fingering: speed (f,) on the jet's middle line, m/s; flow (f,), m3/s; entering (f,), its
    share inside the edge on the mean (`entering_share`).

    height, width, length of the windway, and the cut-up, m.
    """

    speed: np.ndarray
    flow: np.ndarray
    entering: np.ndarray
    height: float
    width: float
    length: float
    cut_up: float


@frozen
class Passages:
    """The openings, the window first: area (n,) m2, length, inner, outer (n,) m of their ducts and end corrections.

    openness (f, n): 0 where covered. flow (f, n): amplitude of the note's swing, m3/s. omega (f,): rad/s.
    """

    area: np.ndarray
    length: np.ndarray
    inner: np.ndarray
    outer: np.ndarray
    openness: np.ndarray
    flow: np.ndarray
    omega: np.ndarray


def entering_share(swing: Reals, offset: Reals = 0.0) -> Reals:
    """Share of the jet inside the edge on the mean over a swing: (1 + mean of tanh(x sin p - a))/2.

    swing x and offset a (edge from the jet's middle, positive into the chamber) over the jet's half-width.

    >>> float(entering_share(2.0)), round(float(entering_share(0.0, 0.5)), 4)
    (0.5, 0.2689)
    """
    # Without an offset the tanh is odd about the middle of the swing.
    if not np.any(offset):
        return 0.5 + 0 * swing
    phase = np.pi * ((np.arange(64) + 0.5) / 64 - 0.5)  # and the same again on its way back
    held = np.tanh(np.asarray(swing)[..., None] * np.sin(phase) - np.asarray(offset)[..., None])
    return (1 + held.mean(axis=-1)) / 2


def entrainment(jet: Jet, viscosity: Reals, mixing: Mixing) -> np.ndarray:
    """Air (f,) that the jet has drawn along at the edge, over its own flow: half of it from either side.

    Laminar: Q = 3.302 (J nu x)^(1/3) of a plane jet [Bickley1937], from where it would have begun with the
    windway's parabola: (1 + W/x0)^(1/3) - 1, x0 = 0.01543 h Re, Re = U h/nu. Turbulent: 0.080 W/h up to 5.2 heights,
    then 0.62 (W/h)^(1/2) - 1 [Albertson1950]. viscosity: kinematic, m2/s.
    """
    far = jet.cut_up / jet.height  # W/h
    reynolds = np.maximum(jet.speed * jet.height / viscosity, 1e-9)
    laminar = (1 + far / (0.01543 * reynolds)) ** (1 / 3) - 1
    turbulent = 0.080 * far if far < 5.2 else 0.62 * np.sqrt(far) - 1
    # What creeps is no jet; it draws along no more than a turbulent one.
    return np.minimum(laminar, turbulent) * (1 - mixing.entrainment) + mixing.entrainment * turbulent


def across(number: Reals) -> Reals:
    """A number of every fingering, or of every variant (v, 1), as it meets arrays that go on over openings (f, n)."""
    return np.asarray(number)[..., None] if np.ndim(number) else number


@frozen
class Exchange:
    """Exchange by the swing at each opening (f, n): `kept` room air that comes in and stays, m3/s; `out` air that goes
    out, m3/s, on the mean; `chamber` share of the chamber's air (against the room's) in the opening's inertia."""

    kept: np.ndarray
    out: np.ndarray
    chamber: np.ndarray


_CORE = 0.8  # of a duct's section that the stream fills between sharp rims, so that its middle comes further


def exchange(p: Passages, brought: np.ndarray, mixing: Mixing) -> Exchange:
    """A slug of air that moves to and fro, and on the mean out of the chamber, where the jet has `brought` (f,) m3/s.

    U(t) = U sin(omega t) + U_m, r = U_m/U: in a second (U/pi) g comes in, g = sqrt(1 - r^2) - r arccos r, as a slug
    of length l = 2 U g/(omega S). What must come further than `reach` to stay is taken as exp(-reach/l) of it: for
    long strokes l - reach, for short ones nothing. The mean flow leaves by the openings' areas.
    """
    live, free = p.openness > 0, p.area * p.openness
    mean = brought[..., None] * free / np.maximum(free.sum(axis=-1, keepdims=True), 1e-300)
    moved = np.where(live, np.maximum(p.flow, 0.0), 0.0)
    r = np.minimum(mean / np.maximum(moved, 1e-300), 1.0)
    coming = moved / np.pi * (np.sqrt(1 - r * r) - r * np.arccos(r))  # the mean over time of what flows inward
    area = np.where(live, free, p.area)  # of a covered one only so that nothing is divided by 0
    # What comes in during one swing, as a length in the duct.
    slug = np.maximum(2 * np.pi * coming / (p.omega[..., None] * area), 1e-30)
    reach, lag = across(mixing.reach), across(mixing.lag)
    outside = reach * 0.5 * np.sqrt(4 * area / np.pi)  # half a diameter, of a disc of that area
    kept = coming * np.exp(-(outside + reach * _CORE * p.length) / slug)
    out = coming + mean
    # Room air over the swing: inside, as much as comes through; in the duct, up to half (a slug that reaches it goes
    # to and fro in it); outside, all but a stream's half.
    going = 0.5 + np.arcsin(r) / np.pi  # part of the time
    at_inner = 0.5 * kept / np.maximum(coming, 1e-300) * (1 - going)
    in_duct = -np.expm1(-slug * np.exp(-outside / slug) / p.length) * (1 - going)
    at_outer = 1 - 0.5 * (mean + kept) / np.maximum(out, 1e-300) * going
    room = (p.inner * at_inner + p.length * in_duct + p.outer * at_outer) / (p.inner + p.length + p.outer)
    # A covered opening holds the chamber's air alone.
    return Exchange(kept, out, np.where(live, 1 - np.minimum(lag * room, 1.0), 1.0))
