"""Uncertainty of the port model's lowest resonance, fingering by fingering."""

from __future__ import annotations

import numpy as np

from simkit.field.reduced.doubts import Doubt
from simkit.field.reduced.matrices import PortField
from simkit.sound.elements.airs import Airs
from simkit.sound.elements.openings import Aperture
from simkit.sound.models.circuit import Circuit
from simkit.sound.models.resonator import Evidence

OWN = 1.0  # cents: what is left with openings that nothing is doubtful about
# Cents of a note that sounds through the window alone, with OWN one and a half: windows of 7 to 15 mm by 2.6 to 5.5 in
# eggs, balls and a tube are 1.1 flat to 0.5 sharp of the judge at edges of 90, 60 and 45 degrees, 0.4 to 1.1 flat at 25
# to 30, 1.0 flat to 0.5 sharp at 15; study 01's, in twelve bodies without a narrow waist, 1.5 flat to 1.0 sharp.
WINDOW = 1.1
SEAMED = 3.0  # in its place where lobes, flat ends or panels meet in seams: a ring of lobes is 3.5 sharp
# Cents of a note that a window and holes have half each: with a hole of 8 mm open beside the window study 01's plain
# bodies are 1.1 to 2.9 flat of the judge, which doubts itself by 1.5; opposite it 0.2 to 2.6, at the far end under 1.4.
BESIDE = 2.0
COVERED = 0.1  # of the air in a covered hole that is wide for its chamber: study 01's of 0.85 times its tube
# Cents of a hole alone whose radius is s of the wall's radius of bend, over s^3.5: balls and tips of spheroids with s
# of 0.15 to 0.75 are off by up to 0.7 of it, by axisymmetric elements.
TIGHT = 34.0
SAID = 2.0  # cents: what a tight bend leaves open is worth a sentence
PER_DOUBT = {
    "edge": 4.0,
    "gap": 5.0,
    "depth": 6.0,
    "wide": 8.0,
    # Study 01's waists of 0.19 and 0.27 are 2.4 and 1.7 sharp of the judge with the window alone; cells of 0.55 of the
    # size leave 0.0 and 1.1 of it.
    "waist": 0.6,
    "collar": 0.7,
    # Of the slope alone: windows at 25 to 30 degrees on six bodies are 0.5 cents flatter than upright ones, two at 15
    # within 1 (see WINDOW).
    "flat": 0.5,
    "blunt": 1.0,
    # Times tan^2 of the lean. Fourteen holes alone in balls, eggs, tubes and ellipsoids, 15 to 41 degrees, ten of them
    # predicted before they were judged, were 8.3 flat to 11.2 sharp of the judge: 10.6 tan^2 on the root mean square,
    # at most 20.5; of a hole alone this counts twice.
    "slant": 10.5,
    # The law of windows under a tilted outside is within 2 cents of 35 judged ones to 12 degrees (0.008 cut-ups of its
    # cells to 17); of windows that lean, whose outside is tilted too, within 4. It grows as the slope.
    "tilt": 1.3,
    # A hole of 6 mm moved over the seam between two balls, in steps: 3 to 8 flat of the judge, and 12 sharp where its
    # axis comes out just beyond.
    "seam": 0.8,
    # Of three figures: in clay of 1.7 cut-ups ports is 2 flat of the judge, of 1.9 right, of 2.9 10 flat; on an egg, a
    # tube and a ball in a ball with 2.1 to 2.4 cut-ups of clay 2 flat to 0.5 sharp.
    "thick": 2.1,
}  # cents at the limit itself, growing with the excess where nothing else is said


def trusted(circuit: Circuit, rows: np.ndarray, state: np.ndarray, airs: Airs) -> Evidence:
    """Uncertainty in cents, cautions and facts for one state (n,) of the openings.

    A cent of its own; one for the window by its share of the conductivity, two where holes share the note with it; what
    a tight bend under a hole leaves open, and the air of a covered one that is wide for its chamber; then each doubt
    about an open port, weighted with that port's share (a doubtful hole that carries a tenth of
    the flow can spoil a tenth of the pitch); then what the matrices' want of reciprocity and the outside's
    interpolation leave open.
    """
    field = circuit.field
    # As the flow is shared to first order.
    K = np.array([float(d.aperture.conductivity) for d in circuit.ducts]) * state * rows
    if not K.any():
        return Evidence(0.0, ("nothing is open: the air of this chamber has no way out to ring through",))
    share = K / K.sum()  # of the flow, and so of what is doubtful of each
    cents_per_length = 600 / np.log(2) * K.sum()  # df/f = -dL K/2 for a change dL of the whole's 1/K
    evidence = field.evidence
    # Errors of the matrix's entries, each by the shares of both its ports.
    skew = max(evidence.reciprocity_inside, evidence.reciprocity_outside, evidence.fit) * float(share @ share)
    # A covered hole lets nothing doubtful pass.
    doubtful = [d for d in field.doubts if any(state[r] > 0 and rows[r] for r in d.rows)]
    tight = share * [TIGHT * hollow(d.aperture) ** 3.5 for d in circuit.ducts]
    window = float(share[field.windows].sum())
    of_window = SEAMED if evidence.creased else WINDOW
    parts = [OWN, of_window * window, BESIDE * 4 * window * (1 - window), float(tight.sum()), cents_per_length * skew]
    wide = [d.rows[0] for d in field.doubts if d.kind == "wide"]
    parts += [600 / np.log(2) * COVERED * _covered_share(circuit, row, rows, state) for row in wide]
    parts += [doubt_cents(d) * float(share[list(d.rows)].max()) * 2 for d in doubtful]
    partly = ((state > 0) & (state < 1) & rows).any()
    if partly:
        parts.append(20.0)
    cautions = [*airs.cautions, *(sentence(field, d) for d in doubtful)]
    cautions += [bent(field, circuit, int(row)) for row in np.flatnonzero(tight > SAID)]
    if partly:
        cautions.append("a half-covered hole is taken as a round one of its free area: a rough guess")
    if evidence.off_wall > 0:
        cautions.append(
            f"ports: at a bend or seam too sharp for its cells the mesh lies up to {1e3 * evidence.off_wall:.2g} mm "
            "off the wall; a finer one (mesh 0.7) or the model resolved tells what that does"
        )
    facts = {
        "conductivity_m": float(K.sum()),
        "unknowns_inside": float(evidence.unknowns_inside),
        "unknowns_outside": float(evidence.unknowns_outside),
        "reciprocity_per_m": max(evidence.reciprocity_inside, evidence.reciprocity_outside),
        "mesh_off_wall_mm": 1e3 * evidence.off_wall,
    }
    return Evidence(float(np.sqrt(np.square(parts).sum())), tuple(dict.fromkeys(cautions)), facts)


def _covered_share(circuit: Circuit, row: int, rows: np.ndarray, state: np.ndarray) -> float:
    """The air of a covered opening over that of its chamber; 0 of one that is open or another chamber's."""
    aperture = circuit.ducts[row].aperture
    shut = bool(rows[row]) and state[row] == 0
    return float(aperture.area * aperture.length) / float(circuit.field.volumes[row]) if shut else 0.0


def hollow(aperture: Aperture) -> float:
    """The radius of a round hole over the wall's mean radius of bend there; 0 of a window."""
    return 4 * abs(float(aperture.inner_cap)) / float(np.sqrt(aperture.area / np.pi))  # the cap is H a^2/4


def bent(field: PortField, circuit: Circuit, row: int) -> str:
    """A tight bend under a hole in words."""
    share = hollow(circuit.ducts[row].aperture)
    return (
        f"ports: hole {field.names[row][1]}: its radius is {share:.2f} of the radius to which the wall is bent there: "
        "ports is less sure there"
    )


def doubt_cents(doubt: Doubt) -> float:
    """Uncertainty from one doubt, in cents of the pitch of that opening alone."""
    if doubt.kind == "slant":
        return PER_DOUBT["slant"] * float(np.tan(np.deg2rad(doubt.value))) ** 2
    return PER_DOUBT[doubt.kind] * (1 + 2 * min(doubt.excess, 3.0))


def sentence(field: PortField, doubt: Doubt) -> str:
    """A doubt in words, with the measured value, the limit, and what to do."""
    who = " and ".join("the window" if field.windows[r] else f"hole {field.names[r][1]}" for r in doubt.rows)
    who = "the chamber" if doubt.kind == "waist" else who
    told = SENTENCES[doubt.kind].format(value=doubt.value, limit=doubt.limit, side=doubt.side)
    then = {"gap": "is less sure of the two together", "collar": "takes both to lie in it"}
    return f"ports: {who}: {told}: ports {then.get(doubt.kind, 'is less sure there')}"


SENTENCES = {
    "edge": "the {side} wall turns by {value:.0f} degrees at its rim, more than {limit:.0f}",
    "gap": "their rims are {value:.2f} of a radius apart, less than {limit:g}",
    "depth": "the air below is only {value:.2f} of its width deep",
    "waist": "its waist is {value:.2f} of its width, less than {limit:g}, where its cells are coarse",
    "wide": "it is {value:.2f} times as wide as the chamber there, more than {limit:g}",
    "flat": "its edge is cut at {value:.0f} degrees, flatter than {limit:.0f}",
    "blunt": "its edge is rounded to {value:.2f} of the cut-up, more than {limit:g}",
    "slant": "it leans {value:.0f} degrees from square to the wall, more than {limit:.0f}",
    "tilt": "the outside is tilted by {value:.0f} degrees against it, more than {limit:.0f}",
    "seam": "its rim goes over a seam, where clay rises by {value:.2g} of its radius on the mean, more than {limit:g}",
    "thick": "the clay there is {value:.1f} times as thick as its cut-up, more than {limit:g}",
    "collar": "one ends on a collar that stands {value:.2f} of their distance off the clay, more than {limit:g}",
}
