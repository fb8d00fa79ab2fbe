// What a fingering plays, by the model `ports` as played: the numbers that `simkit/sound/models/portable.py` sends, and
// the same arithmetic as `simkit/sound/models/circuit.py`, where the equations stand.
//
//   const piece = fitted(numbers, { temperature: 20, diameters: { "body 1": 5.2 } });   // degC of the room, mm
//   lowest(piece.chambers[0], [1, 0, 1])                                               // { hz, q } of that fingering
import { breathed } from "./breath.js";
import { I, add, div, mul, product, real, scale, series, seriesAt, size, solved, sqrt, sub } from "./complex.js";
import { boreFilling, chained, duct, endImpedance, inParallel, inSeries, windwayImpedance } from "./ducts.js";

const TOLERANCE = 1e-10, STEPS = 40;

// --- a piece: the numbers, with the holes as wide and the room as warm as asked ---

// numbers: as sent; temperature in degC; diameters: mm by chamber and hole as one text, those of the design where nothing is said.
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

function fieldOf(numbers, slides) {
  const { field } = numbers, moved = (name) => slides.map((slide) => blendRows(slide.weights, slide[name]));
  const modes = field.modes.map((row) => [...row]);
  moved("modes").forEach((change, s) => change.forEach((value, m) => { modes[slides[s].row][m] += value; }));
  return {
    ...field,
    count: field.names.length,
    modes,
    static: withRows(field.static, slides, moved("static")),
    quadratic: withRows(field.quadratic, slides, moved("quadratic")),
    around: aroundOf(numbers, slides),
  };
}

// The outside's series: the upper triangle's, with what moved ports change.
function aroundOf(numbers, slides) {
  const n = numbers.field.names.length;
  const part = (which) => numbers.around[which].map((triangle, p) => {
    const changed = [...triangle];
    for (const slide of slides) {
      slide.around[0][which][p].forEach((_, j) => {
        changed[inTriangle(n, slide.row, j)] += blend(slide.weights, slide.around.map((each) => each[which][p][j]));
      });
    }
    return changed;
  });
  return { re: part("re"), im: part("im") };
}

function inTriangle(n, i, j) {
  const [a, b] = i < j ? [i, j] : [j, i];
  return a * n - (a * (a - 1)) / 2 + (b - a);
}

function ductOf(slide, shade) {
  const sizes = Object.fromEntries(Object.entries(slide.duct).map(([name, values]) => [name, blend(slide.weights, values)]));
  const area = Math.PI * slide.radius ** 2;
  return { ...sizes, area, perimeter: 2 * Math.PI * slide.radius, shade, dip: 2 * sizes.outer_cap - sizes.inner_cap };
}

// How deep a finger's flesh reaches into a hole that it covers, m: `elements/fingers.py`.
function fleshDepth(radius, length) {
  const wanted = radius * Math.min(Math.max((0.76 * radius) / 7.5e-3, 0.1), 0.8);
  return wanted / (1 + (wanted / Math.max(length, 1e-9)) ** 8) ** (1 / 8);
}

function airOf(terms, x) {
  const [c, rho, gamma, nu, alpha, thermalConductivity] = terms.map((each) => seriesAt(each, x));
  return { c, rho, gamma, nu, alpha, thermalConductivity };
}

function chamberOf(numbers, chamber, field, slides, temperature) {
  const [low, high] = numbers.temperatures_c, x = (2 * temperature - low - high) / (high - low);
  const airs = Object.fromEntries(
    ["room", "chamber", "window", "breath"].map((name) => [name, airOf(chamber.airs[name], x)]),
  );
  const ducts = field.names.map((_, row) => {
    const own = chamber.rows.indexOf(row), slide = slides.find((each) => each.row === row);
    if (own === 0) return { ...chamber.window, air: airs.window };
    if (!slide) return { ...(numbers.chambers.find((each) => each.rows[0] === row)?.window ?? {}), air: airs.room };
    if (own < 0) return { ...ductOf(slide, 0), air: airs.room };
    const hole = ductOf(slide, blend(slide.weights, chamber.shades[own - 1]));
    return { ...hole, flush: hole.length - hole.dip - fleshDepth(slide.radius, hole.length - hole.dip), air: airOf(chamber.airs.holes[own - 1], x) };
  });
  const windway = { ...chamber.windway, breath: airs.breath, perHertz: seriesAt(chamber.airs.per_hertz, x) };
  const piece = { ...chamber, field, ducts, airs, windway, temperature, waves: numbers.waves };
  return slides.some((slide) => slide.radius !== slide.designed) ? withItsAir(piece, numbers, slides) : piece;
}

// The airs as sent are those of a mean fingering of the design; wider holes let in more of the room's.
function withItsAir(piece, numbers, slides) {
  const { airs, balance, rows } = piece, mean = (ducts) =>
    breathed(balance, piece.temperature, airs.room, airs.breath, ducts, balance.mean);
  const own = rows.map((row) => piece.ducts[row]), at = numbers.widths.indexOf(1);
  const designed = rows.map((row, n) => {
    const slide = slides.find((each) => each.row === row);
    return n === 0 ? own[0] : ductOf({ ...slide, radius: slide.designed, weights: numbers.widths.map((_, p) => Number(p === at)) }, 0);
  });
  const before = mean(designed), after = mean(own);
  const changed = (air, rho, stiffness) => ({ ...air, rho: air.rho * rho, nu: air.nu / rho, alpha: air.alpha / rho, c: air.c * Math.sqrt(stiffness / rho) });
  const chamber = changed(airs.chamber, after.rho / before.rho, after.stiffness / before.stiffness);
  const ducts = [...piece.ducts];
  rows.forEach((row, n) => { ducts[row] = { ...own[n], air: changed(own[n].air, after.density[n] / before.density[n], 1) }; });
  const windway = { ...piece.windway, perHertz: piece.windway.perHertz * (after.perHertz / before.perHertz) };
  return { ...piece, ducts, windway, airs: { ...airs, chamber, window: ducts[rows[0]].air } };
}

// --- the circuit ---

// The lowest resonance of a fingering (1 open, 0 covered, the chamber's holes in order): its complex omega, Hz and Q.
export function lowest(chamber, open) {
  const states = chamber.ducts.map((_, row) => {
    const own = chamber.rows.indexOf(row);
    return own > 0 ? Number(open[own - 1] > 0) : Number(own === 0 || !("flush" in chamber.ducts[row]));
  });
  const own = chamber.rows.map((row) => chamber.ducts[row]);
  const volume = chamber.field.volume[chamber.rows[0]];
  const K = own.reduce((sum, d, n) => sum + (states[chamber.rows[n]] * d.area) / (d.length + d.inner + d.outer), 0);
  const found = root((omega) => scale(sqrt(stiffness(chamber, states, omega)), chamber.airs.chamber.c),
    real(chamber.airs.chamber.c * Math.sqrt(K / volume)));
  const omega = scale(found, drift(chamber, own, chamber.rows.map((row) => states[row])));
  return { omega, hz: omega[0] / (2 * Math.PI), q: omega[0] / (2 * omega[1]) };
}

// omega = F(omega) by the secant method.
function root(F, start) {
  let before = start, last = sub(F(before), before);
  let here = add(before, last);
  for (let n = 0; n < STEPS; n++) {
    const off = sub(F(here), here), change = sub(off, last);
    if (size(off) < TOLERANCE * size(here) || size(change) === 0) return here;
    const step = mul(off, div(sub(here, before), change));
    [before, last] = [here, off];
    here = sub(here, step);
    if (size(step) < TOLERANCE * size(here)) return here;
  }
  throw new Error("a resonance did not settle");
}

// By what factor this fingering's own breath raises the note over the airs of the circuit.
function drift(chamber, ducts, states) {
  const { airs } = chamber;
  const found = breathed(chamber.balance, chamber.temperature, airs.room, airs.breath, ducts, states);
  const whole = found.flow.reduce((a, b) => a + b);
  const lighter = found.flow.reduce((sum, flow, n) => sum + ((flow / whole) * ducts[n].air.rho) / found.density[n], 0);
  return Math.sqrt((lighter * found.stiffness) / (airs.chamber.rho * airs.chamber.c ** 2));
}

// k^2 that the chamber's uniform pressure would have with flows as they are at omega.
function stiffness(chamber, states, omega) {
  const { field, airs } = chamber, n = field.count, k = scale(omega, 1 / airs.chamber.c), k2 = mul(k, k);
  const outer = outside(chamber, omega), ports = chamber.ducts.map((d) => columns(chamber, d, omega));
  const uniform = field.chamber.map((c, row) => softened(chamber, c, row, omega));
  const N = inside(chamber, omega, k2, uniform);
  const T = table(n), R = table(n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) {
      const z = states[i] && states[j] ? get(outer, i * n + j) : real(0);
      put(T, i * n + j, mul(ports[i].C, z));
      put(R, i * n + j, mul(ports[i].A, z));
    }
    put(T, i * n + i, add(get(T, i * n + i), states[i] ? ports[i].D : real(1)));
    put(R, i * n + i, add(get(R, i * n + i), states[i] ? ports[i].B : ports[i].stub));
  }
  const M = table(n), b = { re: new Float64Array(n), im: new Float64Array(n) };
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) {
      let sum = get(R, i * n + j);
      for (let m = 0; m < n; m++) sum = add(sum, mul(get(N, i * n + m), get(T, m * n + j)));
      put(M, i * n + j, sum);
    }
  }
  for (const row of chamber.rows) b.re[row] = 1;
  const x = solved(n, M, b);
  let squared = real(0);
  for (const row of chamber.rows) {
    let flow = real(0);
    for (let j = 0; j < n; j++) flow = add(flow, mul(get(T, row * n + j), [x.re[j], x.im[j]]));
    squared = add(squared, mul(flow, uniform[row]));
  }
  return squared;
}

const table = (n) => ({ re: new Float64Array(n * n), im: new Float64Array(n * n) });
const get = (M, at) => [M.re[at], M.im[at]];
const put = (M, at, [re, im]) => { M.re[at] = re; M.im[at] = im; };

// 1/V of a row's chamber, made smaller by the wall's heat.
function softened({ field, airs: { chamber: air } }, c, row, omega) {
  const heat = ((air.gamma - 1) * Math.sqrt(2 * air.alpha) * field.wall[c]) / (2 * field.volume[row]);
  return div(real(1 / field.volume[row]), add(real(1), mul([1, -1], div(real(heat), sqrt(omega)))));
}

// Z inside without the chamber's own uniform pressure (other chambers' stays in), 1/m.
function inside({ field, rows, airs: { chamber: air } }, omega, k2, uniform) {
  const n = field.count, M = table(n);
  const shares = field.k2.map((own2, m) => {
    const own = air.c * Math.sqrt(own2), thicker = sqrt(div(real(own), omega));
    const friction = (Math.sqrt((2 * air.nu) / own) / 2) * field.wall_slope_square[m];
    const heat = ((air.gamma - 1) / 2) * Math.sqrt((2 * air.alpha) / own) * field.wall_square[m];
    const lost = product([-1, 1], thicker, add(real(own2 * friction), scale(k2, heat)));
    const share = div(real(1), add(sub(real(own2), k2), lost));
    return sub(sub(share, real(1 / own2)), scale(k2, 1 / own2 ** 2));
  });
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let sum = add(real(field.static[i][j]), scale(k2, field.quadratic[i][j]));
      shares.forEach((share, m) => { sum = add(sum, scale(share, field.modes[i][m] * field.modes[j][m])); });
      const together = field.chamber[i] === field.chamber[j] && !rows.includes(i);
      if (together) sum = sub(sum, div(uniform[i], k2));
      put(M, i * n + j, sum);
      put(M, j * n + i, sum);
    }
  }
  return M;
}

// Z outside with what stands near, scaled by the densities, 1/m.
function outside(chamber, omega) {
  const { field, airs, waves: [low, high], near } = chamber, n = field.count, M = table(n);
  let k = scale(omega, 1 / airs.room.c);
  // Above the largest wave number that was solved for, a small chamber in a large body answers as there.
  if (new Set(field.chamber).size > 1 && k[0] > field.top) k = scale(k, field.top / k[0]);
  const x = scale(sub(scale(k, 2), real(low + high)), 1 / (high - low));
  const around = series(field.around, x), beside = series(near, x), ratio = airs.room.rho / airs.chamber.rho;
  for (let i = 0, at = 0; i < n; i++) {
    for (let j = i; j < n; j++, at++) {
      const z = scale(add(get(around, at), get(beside, at)), ratio);
      put(M, i * n + j, z);
      put(M, j * n + i, z);
    }
  }
  return M;
}

// An opening's two-port and, covered, its stub, scaled by i omega rho of the chamber.
function columns(chamber, d, omega) {
  const unit = scale(mul(I, omega), chamber.airs.chamber.rho), { air } = d;
  const fill = boreFilling(air, omega, (2 * d.area) / d.perimeter);
  const end = (correction, viscous) => endImpedance(air, omega, d.area, d.perimeter, correction, viscous);
  const own = d === chamber.ducts[chamber.rows[0]], floor = own ? d.floor : [0, 0];
  const innerEnd = end(d.inner + floor[0], d.inner_viscous + floor[1]), outerEnd = end(d.outer + (d.shade ?? 0), d.outer_viscous);
  const spring = (cap) => inParallel(div(scale(mul(I, omega), d.area * cap), fill.stiffness));
  const before = [inSeries(innerEnd), spring(d.inner_cap)], behind = [spring(-d.outer_cap), inSeries(outerEnd)];
  const piece = (length) => duct(fill, omega, d.area, length);
  const branch = own ? [piece(d.depth), inParallel(div(real(1), windwayImpedance(chamber.windway, air, omega, d.inertance))),
    piece(d.length - d.depth)] : [piece(d.length)];
  const port = chained(...before, ...branch, ...behind);
  const columns = { A: port.A, B: div(port.B, unit), C: mul(port.C, unit), D: port.D };
  if ("flush" in d) {
    const shut = piece(Math.max(d.flush, 0.02 * d.length + 1e-6));
    columns.stub = div(add(innerEnd, div(shut.A, shut.C)), unit);
  }
  return columns;
}
