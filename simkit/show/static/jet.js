// The windway's jet: `simkit/sound/elements/airjet.py`, where the equations stand and their sources. Speeds
// in m/s, pressures in Pa.
import { frictionHeads } from "./breath.js";
import { add, mul, power, product, real, scale, sub } from "./complex.js";

const LEAST = 1e-9, ROUNDED = 0.2, SHORTEST = 2; // slowest jet; the pressure's corner; theta of the wave's table's end
const FIRST = Math.log(1e-3), LARGE = 100, STEPS = 400; // swings that are tabulated

// sent: its sizes and constants; wave: knots of the table over theta^(1/3), and the cubics between; air: {rho, nu} of it.
export function jetOf(sent, wave, air) {
  return { ...sent, wave, air, saturation: saturationOf(sent.offset) };
}

// --- breath and speed ---

export function pressureOf(jet, speed) {
  const developed = (1 + frictionHeads(jet, jet.air.nu, speed / 1.5)) / 2.25;
  const meeting = Math.min(Math.max(developed - 1 + ROUNDED, 0), 2 * ROUNDED) ** 2 / (4 * ROUNDED);
  return ((jet.air.rho * speed ** 2) / 2) * (1 + meeting + Math.max(developed - 1 - ROUNDED, 0));
}

// Its inverse, by secants of log p over log U.
export function speedOf(jet, pressure) {
  const off = (speed) => Math.log(pressureOf(jet, speed) / pressure);
  let speed = Math.sqrt((2 * pressure) / jet.air.rho), slope = 1.5, now = off(speed);
  for (let n = 0; n < 12 && Math.abs(now) > 1e-12; n++) {
    const step = -now / slope, before = now;
    speed *= Math.exp(step);
    now = off(speed);
    slope = Math.min(Math.max((now - before) / step, 1), 2);
  }
  return Math.max(speed, LEAST);
}

// --- its wave ---

// [kb, gb] at complex theta = omega b/U: turn and growth for a way of b.
function waveAt(wave, theta) {
  const beyond = theta[0] > SHORTEST, z = power(beyond ? real(SHORTEST) : theta, 1 / 3), piece = pieceOf(wave, z[0]);
  const d = sub(z, real(wave.knots[piece])), further = beyond ? scale(theta, 1 / SHORTEST) : real(1);
  const law = scale(product(z, z, further), Math.cbrt(1.5));
  return wave.pieces[piece].map((cubic) => mul(law, cubic.reduce((sum, each) => add(mul(sum, d), real(each)), real(0))));
}

function pieceOf({ knots, pieces }, z) {
  let piece = 0;
  while (piece < pieces.length - 1 && z >= knots[piece + 1]) piece++;
  return piece;
}

// Logarithm of the wave's gain from windway to labium at complex omega: growth less i times the turn, never wrapped.
export function waveLog(jet, omega, speed) {
  const reach = jet.cut_up / jet.half_width, [turn, growth] = waveAt(jet.wave, scale(omega, jet.half_width / speed));
  const { growth: g, convection: v } = jet;
  return [reach * (g * growth[0] + turn[1] / v), reach * (g * growth[1] - turn[0] / v)];
}

// The speed at which a wave of omega turns by so many rad on its way.
export function speedFor(jet, omega, turn) {
  const phase = (turn * jet.convection * jet.half_width) / jet.cut_up;
  let theta = Math.max(Math.sqrt((2 * (2 * phase) ** 3) / 3), 1e-12); // of long waves
  for (let n = 0, step = 1; n < 30 && Math.abs(step) > 1e-12; n++) {
    const [here, slope] = turnAt(jet.wave, theta);
    const next = Math.min(Math.max(theta - (here - phase) / slope, theta / 2), 2 * theta);
    [theta, step] = [next, next / theta - 1];
  }
  return (omega * jet.half_width) / theta;
}

// kb at real theta and its derivative.
function turnAt(wave, theta) {
  if (theta > SHORTEST) return turnAt(wave, SHORTEST).map((_, n, [end]) => (n ? end / SHORTEST : (end * theta) / SHORTEST));
  const z = Math.cbrt(theta), [a, b, c, e] = wave.pieces[pieceOf(wave, z)][0], d = z - wave.knots[pieceOf(wave, z)];
  const over = ((a * d + b) * d + c) * d + e, rise = (3 * a * d + 2 * b) * d + c;
  return [Math.cbrt(1.5) * z * z * over, (Math.cbrt(1.5) * (2 * over + z * rise)) / (3 * z)];
}

// How far it swings at the labium, in half widths, for `velocity` of the window's air.
export function swingOf(jet, speed, velocity, wave) {
  return ((jet.receptivity * jet.height) / (speed * jet.half_width)) * velocity * Math.exp(wave[0]);
}

// G of the loop, 1/m, but for the densities.
export const coupling = (jet) => (jet.dipole * jet.receptivity * jet.height) / jet.cut_up;

// --- the labium's saturation ---

const tables = new Map();

// same(x): the describing function N of the swing; other(x): what is left of the gain for another frequency.
function saturationOf(offset) {
  if (!tables.has(offset)) tables.set(offset, tabulated(offset));
  const { same, other } = tables.get(offset);
  return { offset, same: (x) => between(same, x), other: (x) => between(other, x) };
}

const WIDTH = (Math.log(LARGE) - FIRST) / (STEPS - 1);

function tabulated(offset) {
  const same = [], other = [];
  for (let n = -1; n <= STEPS; n++) { // one beyond either end, for the cubics
    const x = Math.exp(FIRST + n * WIDTH), count = 64 + Math.floor(24 * x);
    let [fundamental, mean] = [0, 0];
    for (let i = 0; i < count; i++) {
      const s = Math.sin((2 * Math.PI * i) / count), slope = 1 / Math.cosh(Math.min(Math.abs(x * s - offset), 300)) ** 2;
      fundamental += (2 * (1 - s * s) * slope) / count;
      mean += slope / count;
    }
    same.push(fundamental);
    other.push(mean);
  }
  return { same, other };
}

// By a cubic through four neighbours; beyond the table as a switch.
function between(values, x) {
  const place = (Math.log(Math.min(Math.max(x, 1e-3), LARGE)) - FIRST) / WIDTH, n = Math.min(Math.floor(place), STEPS - 2);
  const t = place - n, [a, b, c, d] = values.slice(n, n + 4), [p, q, r] = [t + 1, t - 1, t - 2];
  const read = (-a * t * q * r) / 6 + (b * p * q * r) / 2 - (c * p * t * r) / 2 + (d * p * t * q) / 6;
  return read * Math.min(1, LARGE / Math.max(x, 1e-30));
}
