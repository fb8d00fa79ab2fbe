"""The mouth of an opening on one side of its wall: the points that stand for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from simkit.body.chambers import Opening
from simkit.field.reduced import flow
from simkit.field.reduced.boundary import AirSurface, onto
from simkit.field.reduced.source import BLOCK, Kernel, Sources, curvature_values, second_order_values

# A duct's rim lies deeper than the middle of its mouth where the wall is hollow. Duct lengths are measured on the
# axis, so the duct is longer by 0.329 H a^2: found here for a thick-walled round duct into balls of radius 2 a to
# 10 a by axisymmetric finite elements, the same at every radius to 1 percent. It is 1.316 of the mean depth H a^2/4.
RIM_DEPTH = 1.316
# The same of a rectangular duct's mean depth, by its aspect: cubic elements of ducts of 5.5 by 5.5, 11 by 5.5, 11 by
# 3.9 and 14 by 3.5 mm in balls of 18 to 30 mm radius, each beside one in a flat wall, right to some 0.01. Towards a
# long slot, whose every slice is a duct of its own, it falls to 1; beyond 4 it is kept.
RECTANGLE_DEPTH = PchipInterpolator(np.log([1, 2, 2.82, 4]), [1.417, 1.34, 1.272, 1.195])
# Those ducts stand in balls. Where the wall is bent otherwise along the window than across it, the rim counts more for
# the bend along: by 0.248 (W - H) H (k_along - k_across)/24 it lies deeper. Quadratic elements of ducts of 11 mm by
# 5.5, 3.67 and 2.44 in spheroids of 24 mm radius and 192 mm long, across and along them, beside flat walls; the two
# ways agree to 6 %.
SADDLE_DEPTH = 0.248
# To second order the caps' average leaves a thick-walled duct too long, in units of a^3 (a of a hole of equal area):
# out of balls by 0.0605 H^2, by the same elements, into them by nothing; inside a saddle, whose rim is no plane circle,
# by about 0.17 ((k1 - k2)/2)^2, by three-dimensional elements of ducts into long bodies, good to a fifth of it.
# A duct out of a ball that ends in a flat face 1.6 radii wide, its edge flush, is longer than the average has it, for
# the clay falls away only beyond: by (0.357 - 0.2 H a) H a^2, the same elements, balls of 5 to 15 radii.
FLAT_FACE = 0.357, -0.2
SECOND_OUTSIDE, SECOND_SADDLE = 0.0605, 0.17


def outward_shift(opening: Opening) -> float:
    """Shift along the breath of a window's flow between entering and leaving the clay, m: its slope leans that way.

    0.739 W t^2.06 s^1.2 a^-0.32 / (1 + 1.82 s t/sqrt(a)), W the cut-up, t the clay and a the width over it, s the
    slope's cotangent: found from the far field of 24 cells with walls of 0.45 to 1.6 cut-ups, widths of 1.3 to 4 and
    edges of 12 to 75 degrees, within 10 %.
    """
    if opening.is_round or opening.edge_deg >= 90:
        return 0.0
    slant, oblong = 1 / np.tan(np.deg2rad(opening.edge_deg)), opening.width / opening.height
    thick = opening.length / opening.height
    spread = 1 + 1.82 * slant * thick / np.sqrt(oblong)
    return float(0.739 * opening.height * thick**2.06 * slant**1.2 * oblong**-0.32 / spread)


@dataclass(frozen=True, eq=False)
class Mouth:
    """An opening as it meets the air of one side.

    sources with weights, for the near field; broad, a few sources with the same first moments, for what is smooth;
    receivers (q, 3) on the wall with weights: where pressure is averaged. own, 1/m: the average of the source's field
    over its own mouth less that of a flat wall, still without the smooth part; own_second_order, m, the same of
    R = -r/(4 pi), whole; own_log, the mean of ln(distance in m) over its own flat mouth.
    """

    sources: Sources
    source_weights: np.ndarray
    broad: Sources
    broad_weights: np.ndarray
    receivers: np.ndarray
    receiver_weights: np.ndarray
    own: float
    own_second_order: float
    own_log: float


def averages(kernel: Kernel, over: Sequence[Mouth], of: Sequence[Mouth]) -> np.ndarray:
    """Means of a kernel (..., s, q) over mouths for unit strength spread over others: (..., len(over), len(of))."""
    receivers = np.concatenate([m.receivers for m in over])
    starts = np.cumsum([0, *(len(m.receivers) for m in over[:-1])])
    weights = np.concatenate([m.receiver_weights for m in over])
    found, order = [], []
    step = max(1, BLOCK // (len(receivers) * max(len(m.source_weights) for m in of))) if of else 1
    for endless in (True, False):  # lines with an end are another formula
        mine = [n for n, m in enumerate(of) if np.isinf(m.sources.reach).all() == endless]
        for some in (mine[n : n + step] for n in range(0, len(mine), step)):
            sources = Sources.of([of[n].sources for n in some])
            sent = np.concatenate([of[n].source_weights for n in some])[:, None] * kernel(sources, receivers)
            firsts = np.cumsum([0, *(len(of[n].source_weights) for n in some[:-1])])
            means = np.add.reduceat(np.add.reduceat(sent, firsts, axis=-2) * weights, starts, axis=-1)
            found.append(means.swapaxes(-1, -2))
            order += some
    return np.concatenate(found, axis=-1)[..., np.argsort(order)]


def mouths(openings: Sequence[Opening], surface: AirSurface, reach: np.ndarray) -> tuple[Mouth, ...]:
    """The mouths of `openings` on a surface; reach (n,): longest line behind each, m."""
    if not openings:
        return ()
    plans = [_Plan.of(opening) for opening in openings]
    counts = [len(plan.flat) for plan in plans]

    def surface_center(o: Opening) -> np.ndarray:
        if not surface.outside:
            return o.center
        out = o.through if o.figure is not None else surface.offset
        return o.center + out * o.axis + outward_shift(o) * o.forward

    flat = np.concatenate([plan.flat for plan in plans])
    frames = np.array([(o.across, o.forward, o.axis, surface_center(o)) for o in openings])
    across, forward, axis, middle = np.repeat(frames, counts, axis=0).swapaxes(0, 1)
    points, rise, foot = onto(surface, middle + flat[:, :1] * across + flat[:, 1:] * forward, axis)
    send = np.concatenate([np.arange(n) < plan.send for n, plan in zip(counts, plans, strict=True)])
    normal, k1, k2, e1 = surface.curvatures(points[send], None if foot is None else foot[send])
    inward = np.stack([e1, np.cross(-normal, e1), -normal], axis=1)  # right-handed
    sources = Sources(points[send], inward, k1, k2, np.repeat(reach, [plan.send for plan in plans]))
    out, first, first_send = [], 0, 0  # of points, and of those among them that send
    for n, plan in zip(counts, plans, strict=True):
        own = slice(first, first + n)
        near = sources[first_send : first_send + plan.send]
        out.append(plan.mouth(near, points[own], rise[own], surface.outside))
        first, first_send = first + n, first_send + plan.send
    return tuple(out)


@dataclass(frozen=True, eq=False)
class _Plan:
    """Points of an opening in its tangent plane: sources (first broad, then near), receivers, and probes for its cap.

    scale (2,), m: half the mouth's width and height; flat (q, 2), m: in that order, of which the first `broad`, and
    then up to `send`, are sources.
    """

    opening: Opening
    exponent: float
    scale: np.ndarray
    flat: np.ndarray
    broad: int
    source_weights: np.ndarray
    receiver_weights: np.ndarray

    @staticmethod
    def of(opening: Opening) -> _Plan:
        if opening.is_round:
            exponent = flow.rim_exponent(opening.length / opening.radius)
            # Three points on the circle of the flow's mean square radius have its moments up to the second.
            phi = 2 * np.pi * np.arange(3) / 3
            broad = np.sqrt(flow.disc_moment(exponent)) * np.stack([np.cos(phi), np.sin(phi)], axis=1)
            sends, receivers = flow.disc_points(0.0), flow.disc_points(0.5)  # half a step apart
            weights = (flow.disc_weights(exponent),) * 2
            scale = np.full(2, opening.radius)
        else:
            exponent = flow.SLIT
            broad = np.sqrt(flow.square_moment()) * np.array([(1, 1), (1, -1), (-1, 1), (-1, -1)])
            # Senders and receivers are never the same points: S has its pole there.
            (sends, w), (receivers, v) = flow.square_points(4, 3), flow.square_points(5, 4)
            weights = (w, v)
            scale = np.array([opening.width, opening.height]) / 2
        phi = 2 * np.pi * np.arange(8) / 8
        # The rim and the middle, for the polynomial of the cap not to go astray between.
        probes = np.concatenate([[(0.0, 0.0)], np.stack([np.cos(phi), np.sin(phi)], axis=1)])
        flat = np.concatenate([broad, sends, receivers, probes]) * scale
        return _Plan(opening, exponent, scale, flat, len(broad), *weights)

    @property
    def send(self) -> int:
        return self.broad + len(self.source_weights)

    def mouth(self, sources: Sources, points: np.ndarray, rise: np.ndarray, outside: bool) -> Mouth:
        near = sources[self.broad :]
        # Where the curvature changes within the mouth, the few must still stand for the mean curvature of the many.
        missing = float(self.source_weights @ near.mean_curvature - sources.mean_curvature[: self.broad].mean())
        broad = sources[: self.broad].with_more_curvature(missing)
        receive = slice(self.send, self.send + len(self.receiver_weights))
        flat = self.flat[self.broad : self.send, None], self.flat[None, receive]
        gap = np.linalg.norm(flat[0] - flat[1], axis=2)
        receivers = points[receive]
        cap = np.linalg.lstsq(flow.monomials(self.flat / self.scale), rise, rcond=None)[0]
        return Mouth(
            near,
            self.source_weights,
            broad,
            np.full(self.broad, 1 / self.broad),
            receivers,
            self.receiver_weights,
            self._own_bulge(cap, outside) + self._own_line(near, receivers, gap) + self._own_rim(near, cap, outside),
            self._own_second_order(near, receivers, gap),
            self._own_log(),
        )

    def _own_line(self, near: Sources, receivers: np.ndarray, gap: np.ndarray) -> float:
        """Mean of the second and third term, the logarithm's pole in closed form."""
        share = near.mean_curvature / (4 * np.pi)
        rest = curvature_values(near, receivers) + share[:, None] * np.log(gap)
        return float(self.source_weights @ (rest @ self.receiver_weights - share * self._own_log()))

    def _own_log(self) -> float:
        o = self.opening
        if o.is_round:
            return float(np.log(o.radius)) + flow.disc_log(self.exponent)
        return flow.rectangle_log(o.width, o.height)

    def _own_bulge(self, cap: np.ndarray, outside: bool) -> float:
        """Mean of 1/(2 pi true distance) - 1/(2 pi flat distance): the mouth's cap is no plane.

        Flat of a window is the tilted plane that its own law has the longer mouth of (`sound.elements.openings`).
        """
        plane, total = self._plane(cap, outside), 0.0
        for pairs, gaps, weights in self._pairs():
            steepness, tilt = (pairs.rise @ cap) / gaps, (pairs.rise @ plane) / gaps
            total += float(weights @ (1 / np.sqrt(1 + steepness * steepness) - 1 / np.sqrt(1 + tilt * tilt)))
        return total / (2 * np.pi)

    def _plane(self, cap: np.ndarray, outside: bool) -> np.ndarray:
        """The tilted plane (15,) of a window's cap; of a hole, and of a window square to even clay, it is level."""
        o, linear = self.opening, flow.POWERS.sum(axis=1) == 1
        if o.is_round:
            return 0 * cap
        if o.square is not None:
            return np.where(linear, cap, 0.0)
        return np.where(linear, flow.POWERS @ (o.tilt * self.scale), 0.0) if outside else 0 * cap

    def _pairs(self) -> Iterator[tuple[flow.Pairs, np.ndarray, np.ndarray]]:
        """Pairs of points of the mouth, their distances, m, and weights that give the mean of f/distance, 1/m."""
        o = self.opening
        if o.is_round:
            thin = (self.exponent - flow.THICK) / (flow.THIN - flow.THICK)
            for exponent, part in ((flow.THIN, thin), (flow.THICK, 1 - thin)):
                pairs = flow.disc_pairs(exponent)
                yield pairs, pairs.gaps(o.radius, o.radius), part * pairs.weights / o.radius
        else:
            pairs = flow.square_pairs(8, 9)
            gaps = pairs.gaps(o.width / 2, o.height / 2)
            yield pairs, gaps, pairs.weights / gaps

    def _own_rim(self, near: Sources, cap: np.ndarray, outside: bool) -> float:
        """Addition to the duct by the rim's depth, 1/m: RIM_DEPTH of the cap's mean depth less its square, by area."""
        o = self.opening
        if outside and o.clay:  # a flat face, sunk or on a collar
            curvature = -float(near.mean_curvature.mean()) * o.radius
            return curvature * float(np.polyval(FLAT_FACE[::-1], abs(curvature))) * o.radius / o.area
        if o.is_round:
            depth = float(near.mean_curvature.mean()) * o.radius**2 / 4
        else:  # the true one: a wide window's sides lie deeper than its middle's curvature would have them
            depth = flow.square_rise(cap) * (1 if outside else -1)
        mean, half = float(near.mean_curvature.mean()), float((near.k1 - near.k2).mean()) / 2
        thick = (flow.THIN - self.exponent) / (flow.THIN - flow.THICK) if o.is_round else 1.0
        if outside and not o.is_round:  # the same for a disc, whose mean depth is H a^2/4; of a rectangle by its own
            mean = 4 * np.pi * depth / o.area
        second = thick * (SECOND_OUTSIDE * mean**2 if outside else SECOND_SADDLE * half**2)
        rim, saddle = RIM_DEPTH, 0.0
        if not o.is_round:
            aspect = max(o.width, o.height) / min(o.width, o.height)
            rim, saddle = float(RECTANGLE_DEPTH(np.log(min(aspect, 4.0)))), self._saddle(cap) * (1 if outside else -1)
        return (rim * depth + saddle - second * (o.area / np.pi) ** 1.5) / o.area

    def _saddle(self, cap: np.ndarray) -> float:
        """Excess of a rectangle's rim over that in a ball of the same mean depth, m, positive up the axis."""
        o = self.opening
        across, along = 2 * flow.square_bends(cap) / self.scale**2
        return SADDLE_DEPTH * (o.width - o.height) * min(o.width, o.height) * float(along - across) / 24

    def _own_second_order(self, near: Sources, receivers: np.ndarray, gap: np.ndarray) -> float:
        """Mean of -r/(4 pi) over the cap; the few points' error for a flat mouth is taken out."""
        fine = sum(float(weights @ (gaps * gaps)) for _, gaps, weights in self._pairs())
        coarse = float(self.source_weights @ gap @ self.receiver_weights)
        return float(self.source_weights @ second_order_values(near, receivers) @ self.receiver_weights) - (
            fine - coarse
        ) / (4 * np.pi)
