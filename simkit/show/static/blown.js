// How notes are blown, and how breath bends them, read between what `simkit/show/pocket.py` tells of each: of the design
// and of it with all its holes narrower and wider.
import { lagrange } from "./ports.js";

// A value at q from values at nodes, as a polynomial in ln q through those that are there; null beside one that is not.
function read(nodes, values, q) {
  const off = nodes.map((node) => Math.abs(Math.log(node / q)));
  if (values[off.indexOf(Math.min(...off))] === null) return null;
  const there = nodes.map((_, n) => n).filter((n) => values[n] !== null);
  const weights = lagrange(there.map((n) => nodes[n]), q);
  return there.reduce((sum, n, i) => sum + weights[i] * values[n], 0);
}

// A note as it is blown where other holes have moved its Hz so many times, or with covered holes so many times as wide.
// Which of the holes did it matters little: what the jet sees of them is what flows through all together.
export function movedBy(blown, times) {
  if (!blown) return null;
  const nodes = blown.times, whole = nodes.indexOf(1);
  const turns = nodes.slice(1).some((node, n) => (node - nodes[n]) * (nodes.at(-1) - nodes[0]) <= 0);
  const q = turns ? 1 : Math.min(Math.max(times, Math.min(...nodes)), Math.max(...nodes));
  const at = (values) => (q === 1 ? values[whole] : read(nodes, values, q));
  const log = at(blown.pressure_pa.map((pa) => pa && Math.log(pa)));
  return log === null ? null : {
    pressure_pa: Math.exp(log),
    bend_cents: blown.bend_cents[whole].map((_, n) => at(blown.bend_cents.map((bends) => bends[n]))),
    jumps_at_pa: at(blown.jumps_at_pa),
    tone: blown.tone,
  };
}

// What a fingering of a note's Hz is blown with: of the design's note where it is one, else read between its neighbours.
export function breathAt(notes, hz) {
  const known = notes.filter((note) => note.blown).sort((a, b) => a.hz - b.hz);
  if (!known.length) return null;
  const above = known.findIndex((note) => note.hz >= hz);
  if (above <= 0 || known[above].hz === hz) return known.at(above).blown;
  const [a, b] = [known[above - 1], known[above]], share = Math.log(hz / a.hz) / Math.log(b.hz / a.hz);
  const between = (x, y) => (x === null || y === null ? null : x + share * (y - x));
  return {
    pressure_pa: a.blown.pressure_pa * (b.blown.pressure_pa / a.blown.pressure_pa) ** share,
    bend_cents: a.blown.bend_cents.map((bend, n) => between(bend, b.blown.bend_cents[n])),
    jumps_at_pa: between(a.blown.jumps_at_pa, b.blown.jumps_at_pa),
    tone: (share < 0.5 ? a : b).blown.tone,
  };
}

// Cents by which so many times its breath bends a note, from four breaths about it; null where it does not sound.
export function bentBy(breath, bends, ratio) {
  const above = Math.max(1, breath.findIndex((each) => each >= ratio));
  if (ratio === breath[above]) return bends[above];
  if (bends[above - 1] === null || bends[above] === null) return null;
  const first = Math.min(Math.max(above - 2, 0), breath.length - 4), four = [first, first + 4];
  return read(breath.slice(...four), bends.slice(...four), ratio);
}
