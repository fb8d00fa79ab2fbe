// What a fingering plays, by the model `ports` as played: the numbers that `simkit/sound/models/portable.py` sends, and
// the same arithmetic as `simkit/sound/models/circuit.py`, where the equations stand.
//
//   const piece = fitted(numbers, { temperature: 20, diameters: { "body 1": 5.2 } });   // degC of the room, mm
//   lowest(piece.chambers[0], [1, 0, 1])                                               // { hz, q } of that fingering
import { breathed } from "./breath.js";
import { I, add, addTimes, div, get, mul, product, put, real, scale, size, solved, sqrt, sub, table } from "./complex.js";
import { series, seriesAt } from "./complex.js";
import { withRatios } from "./gases.js";
import { boreFilling, chained, duct, endImpedance, inParallel, inSeries, windwayImpedance } from "./ducts.js";

const TOLERANCE = 1e-10, STEPS = 40;

// --- a piece: the numbers, with the holes as wide and the room as warm as asked ---

// numbers: as sent; temperature in degC; diameters: mm by chamber and hole as one text, the design's where nothing is said.
export function fitted(numbers, { temperature, diameters = {} }) {
  const slides = numbers.slides.map((slide) => {
    const key = numbers.field.names[slide.row].join(" ");
    const radius = key in diameters ? diameters[key] / 2000 : slide.radius;
    return { ...slide, radius, designed: slide.radius, weights: lagrange(numbers.widths, radius / slide.radius) };
  });
  const field = fieldOf(numbers, slides);
  const chambers = numbers.chambers.map((chamber) => chamberOf(numbers, chamber, field, slides, temperature));
  return { chambers };
}

// Weights by which values at the widths make the value at q: a polynomial in ln q through all of them.
export function lagrange(widths, q) {
  const x = Math.log(q), at = widths.map(Math.log);
  return at.map((a, i) => at.reduce((w, b, j) => (i === j ? w : (w * (x - b)) / (a - b)), 1));
}

const blend = (weights, values) => weights.reduce((sum, w, p) => sum + w * values[p], 0);

function blendRows(weights, rows) {
  return rows[0].map((_, n) => weights.reduce((sum, w, p) => sum + w * rows[p][n], 0));
}

// A symmetric matrix with each moved port's row (and column alike) changed; its own entry in its place.
function withRows(matrix, slides, rows) {
  const changed = matrix.map((row) => [...row]);
  slides.forEach((slide, s) => {
    rows[s].forEach((change, j) => {
      changed[slide.row][j] += change;
      if (j !== slide.row) changed[j][slide.row] += change;
    });
  });
  return changed;
}

// What the mutual impedance of two widened holes has beyond the sum of both changes, 1/m: two discs of a flat wall, 1/(2 pi R)
// between their points, the flow crowded to their rims, so that the mean of f over one is f + (a^2/6) times its Laplacian.
function nearness(a, b) {
  const distance = Math.hypot(...a.center.map((x, n) => x - b.center[n])), grown = (s) => s.radius ** 2 - s.designed ** 2;
  return (grown(a) * grown(b)) / (8 * Math.PI * distance ** 5);
}

function fieldOf(numbers, slides) {
  const { field } = numbers, moved = (name) => slides.map((slide) => blendRows(slide.weights, slide[name]));
  const modes = field.modes.map((row) => [...row]);
  const still = withRows(field.static, slides, moved("static"));
  for (const a of slides) {
    for (const b of slides) if (a !== b && field.chamber[a.row] === field.chamber[b.row]) still[a.row][b.row] += nearness(a, b);
  }
  moved("modes").forEach((change, s) => change.forEach((value, m) => { modes[slides[s].row][m] += value; }));
  return {
    ...field,
    count: field.names.length,
    modes,
    static: still,
    quadratic: withRows(field.quadratic, slides, moved("quadratic")),
    moved: aroundOf(numbers, slides),
  };
}

// What moved ports change of the outside's series: upper triangles.
function aroundOf(numbers, slides) {
  const n = numbers.field.names.length;
  const part = (which) => slides[0]?.around[0][which].map((_, p) => {
    const changed = new Array((n * (n + 1)) / 2).fill(0);
    for (const slide of slides) {
      slide.around[0][which][p].forEach((_, j) => {
        changed[inTriangle(n, slide.row, j)] += blend(slide.weights, slide.around.map((each) => each[which][p][j]));
      });
    }
    return changed;
  });
  if (!slides.some(isMoved)) return null;
  const changes = { re: part("re"), im: part("im") };
  slides.forEach((a, s) => slides.slice(0, s).forEach((b) => { changes.re[0][inTriangle(n, a.row, b.row)] += nearness(a, b); }));
  return changes;
}

const isMoved = (slide) => slide.radius !== slide.designed;

function inTriangle(n, i, j) {
  const [a, b] = i < j ? [i, j] : [j, i];
  return a * n - (a * (a - 1)) / 2 + (b - a);
}

function ductOf(slide, shade) {
  const sizes = Object.fromEntries(Object.entries(slide.duct).map(([name, values]) => [name, blend(slide.weights, values)]));
  const area = Math.PI * slide.radius ** 2;
  return { ...sizes, area, perimeter: 2 * Math.PI * slide.radius, shade, dip: 2 * sizes.outer_cap - sizes.inner_cap };
}

// How deep a finger's flesh reaches into a hole that it covers, m: `elements/touch.py`.
function fleshDepth(radius, length) {
  const wanted = radius * Math.min(Math.max((0.76 * radius) / 7.5e-3, 0.1), 0.8);
  return wanted / (1 + (wanted / Math.max(length, 1e-9)) ** 8) ** (1 / 8);
}

// What a finger raised over an open hole adds to its outer end, m: there too.
function hoverEnd(radius, { hover, tip }) {
  const x = hover / radius, p = Math.min(Math.max(tip / radius, 1.2), 10);
  const near = x + 0.387 + 0.841 * p ** -1.89, wide = x + 1.729 * p - 0.725;
  return ((radius * p ** 3) / 2) * wide ** -2.303 * near ** -1.697 * (1.2 + (0.8 * x) / p);
}

function chamberOf(numbers, chamber, field, slides, temperature) {
  const [low, high] = numbers.temperatures_c, x = (2 * temperature - low - high) / (high - low);
  const room = withRatios(Object.fromEntries(Object.entries(numbers.room).map(([name, terms]) => [name, seriesAt(terms, x)])));
  const airs = { room, breath: withRatios(numbers.breath) };
  const ducts = field.names.map((_, row) => {
    const own = chamber.rows.indexOf(row), slide = slides.find((each) => each.row === row);
    if (own === 0) return { ...chamber.window };
    if (!slide) return { ...(numbers.chambers.find((each) => each.rows[0] === row)?.window ?? {}), air: room };
    if (own < 0) return { ...ductOf(slide, 0), air: room };
    const hole = ductOf(slide, hoverEnd(slide.radius, chamber.fingers));
    return { ...hole, flush: hole.length - hole.dip - fleshDepth(slide.radius, hole.length - hole.dip) };
  });
  return withItsAir({ ...chamber, field, ducts, airs, temperature, waves: numbers.waves, wave: numbers.wave });
}

// With the airs of its notes' mean fingering.
function withItsAir(piece) {
  const { airs, balance, rows } = piece, own = rows.map((row) => piece.ducts[row]), ducts = [...piece.ducts];
  const mean = breathed(balance, piece.temperature, airs.room, airs.breath, own, balance.mean);
  const { chamber, openings } = mean.airs();
  rows.forEach((row, n) => { ducts[row] = { ...own[n], air: openings[n] }; });
  const windway = { ...piece.windway, breath: airs.breath, perHertz: mean.perHertz };
  return { ...piece, ducts, windway, airs: { ...airs, chamber, window: openings[0] } };
}

// --- the circuit ---

// A fingering (1 open, 0 covered, the chamber's holes in order) as states of all ports.
export function statesOf(chamber, open) {
  return chamber.ducts.map((duct, row) => {
    const own = chamber.rows.indexOf(row);
    return own > 0 ? Number(open[own - 1] > 0) : Number(own === 0 || !("flush" in duct));
  });
}

// The lowest resonance of a fingering: its complex omega, Hz and Q; drift: of this air over the circuit's.
export function lowest(chamber, open) {
  const states = statesOf(chamber, open), own = chamber.rows.map((row) => chamber.ducts[row]);
  const volume = chamber.field.volume[chamber.rows[0]];
  const K = own.reduce((sum, d, n) => sum + (states[chamber.rows[n]] * d.area) / (d.length + d.inner + d.outer), 0);
  const found = root((omega) => scale(sqrt(stiffness(chamber, states, omega)), chamber.airs.chamber.c),
    real(chamber.airs.chamber.c * Math.sqrt(K / volume)));
  const drift = drifted(chamber, own, chamber.rows.map((row) => states[row])), omega = scale(found, drift);
  return { omega, hz: omega[0] / (2 * Math.PI), q: omega[0] / (2 * omega[1]), drift };
}

// omega = F(omega) by the secant method.
export function root(F, start, tolerance = TOLERANCE) {
  let before = start, last = sub(F(before), before);
  let here = add(before, last);
  for (let n = 0; n < STEPS; n++) {
    const off = sub(F(here), here), change = sub(off, last);
    if (size(off) < tolerance * size(here) || size(change) === 0) return here;
    const step = mul(off, div(sub(here, before), change));
    [before, last] = [here, off];
    here = sub(here, step);
    if (size(step) < tolerance * size(here)) return here;
  }
  throw new Error("a resonance did not settle");
}

// By what factor this fingering's own breath raises the note over the airs of the circuit.
function drifted(chamber, ducts, states) {
  const { airs } = chamber;
  const found = breathed(chamber.balance, chamber.temperature, airs.room, airs.breath, ducts, states);
  const whole = found.flow.reduce((a, b) => a + b);
  const lighter = found.flow.reduce((sum, flow, n) => sum + ((flow / whole) * ducts[n].air.rho) / found.density[n], 0);
  return Math.sqrt((lighter * found.stiffness) / (airs.chamber.rho * airs.chamber.c ** 2));
}

// k^2 that the chamber's uniform pressure would have with flows as they are at omega.
function stiffness(chamber, states, omega) {
  const { field, rows } = chamber, n = field.count;
  const uniform = field.chamber.map((_, row) => softened(chamber, row, omega));
  const { T, M } = portSystem(chamber, states, omega, { uniform }), b = table(n, 1);
  for (const row of rows) b.re[row] = 1;
  const flow = flowsOf(n, T, solved(n, M, b));
  return rows.reduce((sum, row) => add(sum, mul(get(flow, row), uniform[row])), real(0));
}

// T and M = N T + R: of the flows U outside of open ports, into covered ones, T U leaves the chamber, and M U is what its
// pressure must be at the ports. N is the inside without the chamber's own `uniform` pressure, and without the share of
// modes `carried`; without `uniform` also without that of the other chambers.
export function portSystem(chamber, states, omega, { uniform = null, carried = [] }) {
  const n = chamber.field.count, outer = outside(chamber, states, omega), N = inside(chamber, omega, uniform, carried);
  const ports = chamber.ducts.map((d, row) => columns(chamber, d, omega, states[row]));
  const T = table(n), M = table(n);
  ports.forEach((port, i) => {
    if (states[i]) {
      addTimes(T, i * n, outer, i * n, port.C, n);
      addTimes(M, i * n, outer, i * n, port.A, n);
    }
    put(T, i * n + i, add(get(T, i * n + i), port.D));
    put(M, i * n + i, add(get(M, i * n + i), port.B));
  });
  for (let i = 0; i < n; i++) {
    // Through a covered port goes nothing but its own.
    for (let m = 0; m < n; m++) {
      const through = get(N, i * n + m);
      if (states[m]) addTimes(M, i * n, T, m * n, through, n);
      else put(M, i * n + m, add(get(M, i * n + m), through));
    }
  }
  return { T, M };
}

// T x for a column x.
export function flowsOf(n, T, x) {
  const flow = table(n, 1);
  for (let i = 0; i < n; i++) {
    for (let j = 0, at = i * n; j < n; j++, at++) {
      flow.re[i] += T.re[at] * x.re[j] - T.im[at] * x.im[j];
      flow.im[i] += T.re[at] * x.im[j] + T.im[at] * x.re[j];
    }
  }
  return flow;
}

// V of a row's chamber over V made larger by the wall's heat.
export function softness({ field, airs: { chamber: air } }, row, omega) {
  const heat = ((air.gamma - 1) * Math.sqrt(2 * air.alpha) * field.wall[field.chamber[row]]) / (2 * field.volume[row]);
  return add(real(1), mul([1, -1], div(real(heat), sqrt(omega))));
}

function softened(chamber, row, omega) {
  return div(real(1 / chamber.field.volume[row]), softness(chamber, row, omega));
}

// k_n^2 - k^2 of every mode with what the wall takes, 1/m2.
export function distances({ field, airs: { chamber: air } }, omega) {
  const k = scale(omega, 1 / air.c), k2 = mul(k, k);
  return field.k2.map((own2, m) => {
    const own = air.c * Math.sqrt(own2), thicker = sqrt(div(real(own), omega));
    const friction = (Math.sqrt((2 * air.nu) / own) / 2) * field.wall_slope_square[m];
    const heat = ((air.gamma - 1) / 2) * Math.sqrt((2 * air.alpha) / own) * field.wall_square[m];
    return add(sub(real(own2), k2), product([-1, 1], thicker, add(real(own2 * friction), scale(k2, heat))));
  });
}

// Z inside, 1/m: N of `portSystem`.
function inside(chamber, omega, uniform, carried) {
  const { field, rows, airs } = chamber, n = field.count, M = table(n);
  const k = scale(omega, 1 / airs.chamber.c), k2 = mul(k, k), shares = table(1, field.k2.length);
  distances(chamber, omega).forEach((distance, m) => {
    const own2 = field.k2[m], own = carried.includes(m) ? real(0) : div(real(1), distance);
    // The static and the quadratic part hold so much of every mode.
    put(shares, m, sub(sub(own, real(1 / own2)), scale(k2, 1 / own2 ** 2)));
  });
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let re = field.static[i][j] + k2[0] * field.quadratic[i][j], im = k2[1] * field.quadratic[i][j];
      const [a, b] = [field.modes[i], field.modes[j]];
      for (let m = 0; m < a.length; m++) {
        const both = a[m] * b[m];
        re += shares.re[m] * both;
        im += shares.im[m] * both;
      }
      const together = uniform && field.chamber[i] === field.chamber[j] && !rows.includes(i);
      const sum = together ? sub([re, im], div(uniform[i], k2)) : [re, im];
      put(M, i * n + j, sum);
      put(M, j * n + i, sum);
    }
  }
  return M;
}

// Z outside between open ports with what stands near, scaled by the densities, 1/m.
function outside(chamber, states, omega) {
  const { field, airs, waves: [low, high, top], outer } = chamber, n = field.count, M = table(n);
  let k = scale(omega, 1 / airs.room.c);
  // Above the largest wave number that was solved for, a small chamber in a large body answers as there.
  if (new Set(field.chamber).size > 1 && k[0] > field.top) k = scale(k, field.top / k[0]);
  const over = (from, to) => scale(sub(scale(k, 2), real(from + to)), 1 / (to - from));
  const x = over(low, high), ratio = real(airs.room.rho / airs.chamber.rho);
  const Z = x[0] > 1 ? series(outer.above, atMost(over(high, top))) : series(x[0] < -1 ? outer.rest : outer.notes, x);
  if (field.moved) addTimes(Z, 0, series(field.moved, atMost(x)), 0, real(1), Z.re.length);
  for (let i = 0, at = 0; i < n; at += n - i, i++) {
    if (states[i]) addTimes(M, i * n + i, Z, at, ratio, n - i);
    for (let j = i; j < n; j++) {
      if (!states[j]) put(M, i * n + j, real(0));
      put(M, j * n + i, get(M, i * n + j));
    }
  }
  return M;
}

// Within the range of a series, or at its end.
const atMost = (x) => (Math.abs(x[0]) > 1 ? real(Math.sign(x[0])) : x);

// An opening's two-port, or of a covered one its stub as B before nothing, scaled by i omega rho of the chamber.
function columns(chamber, d, omega, open) {
  const unit = scale(mul(I, omega), chamber.airs.chamber.rho), { air } = d;
  const fill = boreFilling(air, omega, (2 * d.area) / d.perimeter);
  const end = (correction, viscous) => endImpedance(air, omega, d.area, d.perimeter, correction, viscous);
  const own = d === chamber.ducts[chamber.rows[0]], floor = own ? d.floor : [0, 0];
  const innerEnd = end(d.inner + floor[0], d.inner_viscous + floor[1]);
  const piece = (length) => duct(fill, omega, d.area, length);
  if (!open) {
    const shut = piece(Math.max(d.flush, 0.02 * d.length + 1e-6));
    return { B: div(add(innerEnd, div(shut.A, shut.C)), unit), D: real(1) };
  }
  const outerEnd = end(d.outer + (d.shade ?? 0), d.outer_viscous);
  const spring = (cap) => inParallel(div(scale(mul(I, omega), d.area * cap), fill.stiffness));
  const before = [inSeries(innerEnd), spring(d.inner_cap)], behind = [spring(-d.outer_cap), inSeries(outerEnd)];
  const branch = own ? [piece(d.depth), inParallel(div(real(1), windwayImpedance(chamber.windway, air, omega, d.inertance))),
    piece(d.length - d.depth)] : [piece(d.length)];
  const port = chained(...before, ...branch, ...behind);
  return { A: port.A, B: div(port.B, unit), C: mul(port.C, unit), D: port.D };
}
