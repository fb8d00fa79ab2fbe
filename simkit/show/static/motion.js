// How the air in the openings moves in each resonance of a fingering: `simkit/sound/models/modal.py`, where the
// equations stand. A resonance's own field is taken as it is at rest: where it stands still in
// Rayleigh's quotient a small error of the field moves it by the square.
import { add, mul, real, scale, size, solved, sqrt, table } from "./complex.js";
import { distances, flowsOf, portSystem, root, softness, statesOf } from "./ports.js";

export const RESONANCES = 4;
const TOLERANCE = 1e-5;

// found: of `lowest`. omega: RESONANCES complex numbers, rad/s, ascending; flows (1 + RESONANCES, openings of the chamber):
// w in m^(1/2), straight through first; area (openings), m2; rho of the window's air.
export function motionOf(chamber, open, found) {
  const { rows, airs: { chamber: air } } = chamber, problem = problemOf(chamber, open);
  const { every, modes, straight } = atRest(problem);
  const each = modes.slice(1, RESONANCES).map((mode) => {
    const start = real(air.c * Math.sqrt(mode.k2));
    return { shape: mode.shape, omega: root((omega) => proposed(problem, every, mode, omega), start, TOLERANCE) };
  });
  each.sort((a, b) => a.omega[0] - b.omega[0]); // two that lie close may have changed places
  each.unshift({ shape: modes[0].shape, omega: scale(found.omega, 1 / found.drift) });
  const flows = each.map(({ shape, omega: [w] }) => {
    const flow = flowFrom(problem, shape, real(w));
    return rows.map((row) => (flow.re[row] * air.c) / w);
  });
  return {
    omega: each.map((one) => scale(one.omega, found.drift)),
    flows: [straight, ...flows],
    area: rows.map((row) => chamber.ducts[row].area),
    rho: chamber.airs.window.rho,
  };
}

// Fields that are carried, the chambers' uniform ones first: phi (ports, fields), k2 (fields).
function problemOf(chamber, open) {
  const { field, carried } = chamber, whose = [...new Set(field.chamber)].map((c) => field.chamber.indexOf(c));
  const phi = field.modes.map((modes, row) => [
    ...whose.map((_, u) => (field.chamber[row] === u ? 1 / Math.sqrt(field.volume[row]) : 0)), ...carried.map((m) => modes[m]),
  ]);
  const k2 = [...whose.map(() => 0), ...carried.map((m) => field.k2[m])];
  return { chamber, states: statesOf(chamber, open), whose, phi, k2 };
}

// What flows at omega from a field of that shape.
function flowFrom({ chamber, states, phi }, shape, omega) {
  const n = chamber.field.count, { T, M } = portSystem(chamber, states, omega, chamber), at = table(n, 1);
  phi.forEach((row, i) => { at.re[i] = row.reduce((sum, value, m) => sum + value * shape[m], 0); });
  return flowsOf(n, T, solved(n, M, at));
}

// c k by Rayleigh's quotient with all else as it is at omega, and what the fields of all modes at rest mix into this one.
function proposed(problem, every, mode, omega) {
  const { chamber, whose, phi } = problem, { carried, airs: { chamber: { c } } } = chamber;
  const k = scale(omega, 1 / c), k2 = mul(k, k), flow = flowFrom(problem, mode.shape, omega), own = distances(chamber, omega);
  const diagonal = [...whose.map((row) => scale(mul(k2, softness(chamber, row, omega)), -1)), ...carried.map((m) => own[m])];
  const left = diagonal.map((value, m) => {
    const sum = scale(value, mode.shape[m]);
    phi.forEach((row, i) => {
      sum[0] += row[m] * flow.re[i];
      sum[1] += row[m] * flow.im[i];
    });
    return sum;
  });
  const along = (shape) => left.reduce((sum, value, m) => [sum[0] + value[0] * shape[m], sum[1] + value[1] * shape[m]], [0, 0]);
  const mixed = every.reduce((sum, other) => {
    if (other === mode) return sum;
    const tie = along(other.shape), gap = mode.k2 - other.k2;
    return add(sum, scale(mul(tie, tie), gap / (gap ** 2 + size(tie) ** 2))); // of two that are all but one no more than the tie
  }, k2);
  return scale(sqrt(add(mixed, along(mode.shape))), c);
}

// --- at rest ---

// Without losses, the flows those of a low frequency: the chamber's own fields by k2, and the flow straight through.
function atRest(problem) {
  const { chamber: { rows, carried }, phi, k2 } = problem, K = conducted(problem, carried), all = conducted(problem, []);
  const moved = matrix(K.length, k2.length, (i, m) => K[i].reduce((sum, value, j) => sum + value * phi[j][m], 0));
  const A = matrix(k2.length, k2.length, (a, b) =>
    phi.reduce((sum, row, i) => sum + (row[a] * moved[i][b] + row[b] * moved[i][a]) / 2, a === b ? k2[a] : 0));
  const own = matrix(rows.length, rows.length, (i, j) => (all[rows[i]][rows[j]] + all[rows[j]][rows[i]]) / 2);
  const every = eigen(A);
  return { every, modes: ofChamber(problem, every), straight: straightThrough(own) };
}

// Conductivities T M^-1 of the ports there, m.
function conducted({ chamber, states }, carried) {
  const n = chamber.field.count, omega = real(chamber.slow * chamber.airs.chamber.c), inverse = table(n);
  const { T, M } = portSystem(lossless(chamber), states, omega, { carried });
  for (let i = 0; i < n; i++) inverse.re[i * n + i] = 1;
  solved(n, M, inverse, n);
  return matrix(n, n, (i, j) => {
    let sum = 0;
    for (let m = 0; m < n; m++) sum += T.re[i * n + m] * inverse.re[m * n + j] - T.im[i * n + m] * inverse.im[m * n + j];
    return sum;
  });
}

function matrix(rows, columns, entry) {
  return Array.from({ length: rows }, (_, i) => Array.from({ length: columns }, (_, j) => entry(i, j)));
}

// With openings that lose nothing; the walls as they are.
function lossless(chamber) {
  const plain = (air) => ({ ...air, nu: 0, alpha: 0 }), { windway, ducts } = chamber;
  return {
    ...chamber, windway: { ...windway, breath: plain(windway.breath) }, ducts: ducts.map((d) => ({ ...d, air: plain(d.air) })),
  };
}

// All but those that are most of all the other chambers'; as many go as there are of these.
function ofChamber({ chamber: { rows, field }, whose }, modes) {
  const foreign = whose.map((_, u) => Number(field.chamber[rows[0]] !== u));
  const abroad = ({ shape }) => foreign.reduce((sum, other, u) => sum + other * shape[u] ** 2, 0);
  const gone = [...modes].sort((a, b) => abroad(b) - abroad(a)).slice(0, whose.length - 1);
  return modes.filter((mode) => !gone.includes(mode)).sort((a, b) => a.k2 - b.k2);
}

// Of the conductivities (openings, openings), the window first: what flows through with nothing left inside, m^(1/2).
function straightThrough(K) {
  const total = K.map((row) => row.reduce((a, b) => a + b)), all = total.reduce((a, b) => a + b);
  const column = K.map((row, n) => row[0] - (total[n] * total[0]) / all), own = Math.max(column[0], 0);
  return column.map((value) => (own > 1e-12 * K[0][0] ? value / Math.sqrt(own) : 0)); // what rounding leaves is no flow
}

// Eigenvalues k2 and unit vectors `shape` of a real symmetric matrix, by Jacobi's rotations.
function eigen(A) {
  const n = A.length, vectors = matrix(n, n, (i, j) => Number(i === j));
  const spread = Math.max(...A.map((row, i) => Math.abs(row[i])));
  for (let sweep = 0, off = Infinity; sweep < 30 && off > 1e-13 * spread; sweep++) {
    off = 0;
    for (let p = 0; p < n; p++) {
      for (let q = p + 1; q < n; q++) {
        off = Math.max(off, Math.abs(A[p][q]));
        if (A[p][q] !== 0) rotate(A, vectors, p, q);
      }
    }
  }
  return A.map((row, m) => ({ k2: row[m], shape: vectors.map((each) => each[m]) }));
}

function rotate(A, vectors, p, q) {
  const half = (A[q][q] - A[p][p]) / (2 * A[p][q]);
  const t = (half < 0 ? -1 : 1) / (Math.abs(half) + Math.hypot(half, 1)), c = 1 / Math.hypot(t, 1), s = t * c;
  const turned = (a, b) => [c * a - s * b, s * a + c * b];
  for (const row of [...A, ...vectors]) [row[p], row[q]] = turned(row[p], row[q]);
  for (let j = 0; j < A.length; j++) [A[p][j], A[q][j]] = turned(A[p][j], A[q][j]);
}
