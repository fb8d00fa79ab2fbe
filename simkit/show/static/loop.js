// Once round: window air moves the jet, the jet the labium's source, the source the window's air. Steady swings, their
// overtones, and what grows beside them: `simkit/sound/blowing/loop.py`, `cycle.py`, `overtones.py`, `growth.py` and
// `behaviour.py`, where the equations stand.
//
// A loop is {ring, jet, active, source, friction}: ring as `motionOf` gives it, active the resonance that is followed, the
// last two what overtones do to the labium's source and to the window's friction, [1, 0] for a pure tone. A cycle is
// {omega, speed, velocity, share}: rad/s, m/s of the jet and of the window's air, each opening's flow over the window's.
import { I, add, arg, div, exp, mul, product, put, real, scale, size, solved, sqrt, sub, table } from "./complex.js";
import { coupling, pressureOf, speedFor, speedOf, swingOf, waveLog } from "./jet.js";

const SAME = 8 / (3 * Math.PI), OTHER = 4 / Math.PI; // means of |v| v: for its own frequency, for another
const FAINTEST = 1e-4, LOUDEST = 300; // m/s of window air
const SPEAKS_BELOW = 2000; // Pa
const HARMONICS = 7, SAMPLES = 48, PASSES = 10, KEEP = 0.3, ROUNDS = 4;

export const loopOf = (ring, jet, active = 0) => ({ ring, jet, active, source: real(1), friction: real(1) });
const pure = (loop, active = loop.active) => loopOf(loop.ring, loop.jet, active);
const windowArea = (jet) => jet.cut_up * jet.width;

// --- the resonator ---

// Friction at edges of flows (openings), m3/s: window, 1/(m s), and between resonances (1 + M, 1 + M), 1/s.
function rubbed({ ring, jet, friction }, flow, mean = SAME) {
  const { flows, area } = ring, n = flows.length, holes = new Array(n * n);
  const edges = flow.map((u, o) => (mean * u) / (2 * ((o ? jet.hole_contraction : jet.window_contraction) * area[o]) ** 2));
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let sum = 0;
      for (let o = 1; o < edges.length; o++) sum += edges[o] * flows[i][o] * flows[j][o];
      holes[i * n + j] = holes[j * n + i] = sum;
    }
  }
  return { window: scale(friction, edges[0]), holes };
}

const faster = (rub, velocity) => ({ window: scale(rub.window, velocity), holes: rub.holes.map((r) => r * velocity) });

// The same for each m/s of window air, with flows in these proportions.
const rubbing = (loop, share, mean) => rubbed(loop, share.map((s) => size(s) * windowArea(loop.jet)), mean);

// What a pressure across the window moves at complex omega: response A in m; free: without friction at the window's edges;
// moved: each resonance. Without `rub` a swing too small to tear air off.
function answer({ ring }, omega, rub) {
  const n = ring.flows.length, M = table(n), x = table(n, 1), square = mul(omega, omega), turned = mul([0, -1], omega);
  for (let i = 0; i < n; i++) {
    // The flow through has the lowest resonance's friction: the same openings, the same speeds.
    const own = ring.omega[Math.max(i - 1, 0)], spring = i ? own[0] * own[0] + own[1] * own[1] : 0;
    if (rub) for (let j = 0; j < n; j++) put(M, i * n + j, scale(turned, rub.holes[i * n + j]));
    M.re[i * n + i] += square[0] - spring + 2 * own[1] * turned[0];
    M.im[i * n + i] += square[1] + 2 * own[1] * turned[1];
    x.re[i] = ring.flows[i][0];
  }
  solved(n, M, x);
  const free = [0, 0];
  ring.flows.forEach((flow, i) => {
    free[0] += flow[0] * x.re[i];
    free[1] += flow[0] * x.im[i];
  });
  const response = rub ? div(free, add(real(1), product(turned, rub.window, free))) : free;
  return { response, free, moved: x };
}

// Flow in each opening over that in the window.
function shares({ ring }, { free, moved }) {
  return ring.area.map((_, o) => {
    const sum = [0, 0];
    for (let i = 0; i < ring.flows.length; i++) {
      sum[0] += moved.re[i] * ring.flows[i][o];
      sum[1] += moved.im[i] * ring.flows[i][o];
    }
    return div(sum, free);
  });
}

// Of the active resonance alone, to start from.
function alone({ ring, active }) {
  const flow = ring.flows[active + 1];
  return flow.map((w) => real(Math.abs(flow[0]) > 1e-12 ? w / flow[0] : 0));
}

// log of the loop's gain, its imaginary part the phase and never wrapped.
function logGain({ ring, jet, source }, omega, response, saturated, wave) {
  const grown = (coupling(jet) * jet.air.rho * saturated) / ring.rho;
  return [
    Math.log(grown * size(source) * size(omega) ** 2 * size(response)) + wave[0],
    arg(response) + 2 * arg(omega) + arg(source) + wave[1],
  ];
}

// --- steady swings ---

// That at the resonance's own frequency, driven in phase: the largest at which the loop gives 1. null where there is none.
function onResonance(loop) {
  const { ring, jet, active, source } = loop, w = ring.omega[active][0], omega = real(w);
  let share = alone(loop);
  const gain = (log) => {
    const velocity = Math.exp(log), found = answer(loop, omega, faster(rubbing(loop, share), velocity));
    const speed = speedFor(jet, w, Math.max(arg(found.response) + arg(source), 1e-3)), wave = waveLog(jet, omega, speed);
    const saturated = jet.saturation.same(swingOf(jet, speed, velocity, wave));
    return { speed, share: shares(loop, found), over: logGain(loop, omega, found.response, saturated, wave)[0] };
  };
  const top = Math.log(LOUDEST), step = (top - Math.log(FAINTEST)) / 12;
  let [high, low] = [top, top], over = gain(high).over, found = false;
  for (let n = 1; n <= 12 && !found; n++) {
    low = top - n * step;
    const under = gain(low);
    share = under.share;
    found = under.over > 0;
    if (!found) [high, over] = [low, under.over];
  }
  if (!found) return null;
  // Almost straight in the logarithms; the flows follow as they change with the swing.
  let before = high, value = over, middle = low, slope = -1, speed = 0;
  for (let n = 0; n < 24; n++) {
    const now = gain(middle), moved = middle - before;
    [share, speed] = [now.share, now.speed];
    if (Math.abs(moved) > 1e-3) slope = Math.min((now.over - value) / moved, -0.1);
    if (Math.abs(now.over) < 1e-8) break;
    [before, value] = [middle, now.over];
    middle = Math.min(Math.max(middle - now.over / slope, low), high);
  }
  return { omega: w, speed, velocity: Math.exp(middle), share };
}

// That at a given speed of the jet, from one near it: Newton on (log omega, log velocity). null where there is none.
function limitCycle(loop, speed, start) {
  if (!start || !Number.isFinite(speed)) return null;
  const { jet } = loop, first = start.omega, aside = 1e-6;
  const within = (x, low, high) => Math.min(Math.max(x, low), high);
  let share = start.share, at = [Math.log(first), Math.log(start.velocity)];
  const balance = (rub, [a, b]) => {
    const omega = real(Math.exp(a)), velocity = Math.exp(b), found = answer(loop, omega, faster(rub, velocity));
    const wave = waveLog(jet, omega, speed), saturated = jet.saturation.same(swingOf(jet, speed, velocity, wave));
    return { value: logGain(loop, omega, found.response, saturated, wave), found };
  };
  for (let n = 0; n < 12; n++) {
    const rub = rubbing(loop, share), { value, found } = balance(rub, at);
    const [a, b] = [[aside, 0], [0, aside]].map((d) => scale(sub(balance(rub, add(at, d)).value, value), 1 / aside));
    let det = a[0] * b[1] - b[0] * a[1];
    if (Math.abs(det) < 1e-12) det = 1e-12;
    const move = [(b[0] * value[1] - b[1] * value[0]) / det, (a[1] * value[0] - a[0] * value[1]) / det];
    share = shares(loop, found);
    at = [
      within(at[0] + within(move[0], -0.03, 0.03), Math.log(first) - 0.5, Math.log(first) + 0.5),
      within(at[1] + within(move[1], -0.7, 0.7), Math.log(FAINTEST), Math.log(LOUDEST)),
    ];
    if (Math.max(Math.abs(move[0]), Math.abs(move[1])) < 1e-8) break;
  }
  const left = size(balance(rubbing(loop, share), at).value), velocity = Math.exp(at[1]);
  return left < 1e-4 && velocity > 2 * FAINTEST ? { omega: Math.exp(at[0]), speed, velocity, share } : null;
}

// Those on the way to a pressure, one after the other; the last is null where the note does not live there.
export function followed(loop, start, pressure) {
  const goal = speedOf(loop.jet, pressure), far = Math.abs(Math.log(goal / start.speed));
  const steps = Math.min(Math.max(Math.ceil(far / 0.12), 1), 20), way = [];
  for (let n = 1; n <= steps; n++) {
    way.push(limitCycle(pure(loop), start.speed ** (1 - n / steps) * goal ** (n / steps), n > 1 ? way.at(-1) : start));
  }
  return way;
}

// --- overtones ---

const ORDER = Array.from({ length: HARMONICS }, (_, k) => k + 1);
const COS = Array.from({ length: SAMPLES }, (_, n) => Math.cos((2 * Math.PI * n) / SAMPLES));
const SIN = Array.from({ length: SAMPLES }, (_, n) => Math.sin((2 * Math.PI * n) / SAMPLES));

// The samples of a sum of harmonics, and the harmonics of samples.
function sampled(v) {
  return COS.map((_, n) => {
    let sum = 0;
    for (let k = 0; k < HARMONICS; k++) sum += v[k][0] * COS[((k + 1) * n) % SAMPLES] - v[k][1] * SIN[((k + 1) * n) % SAMPLES];
    return sum;
  });
}

function harmonicsOf(samples) {
  return ORDER.map((order) => {
    let re = 0, im = 0;
    for (let n = 0; n < SAMPLES; n++) {
      re += samples[n] * COS[(order * n) % SAMPLES];
      im -= samples[n] * SIN[(order * n) % SAMPLES];
    }
    return [(2 * re) / SAMPLES, (2 * im) / SAMPLES];
  });
}

// What the overtones of a cycle do to the labium's source and to the window's friction: the loop with these.
function withThem(loop, { omega, speed, velocity, share }) {
  const { jet, ring } = loop, plain = pure(loop);
  // The window's own friction is followed in time.
  const rub = faster(rubbing(plain, share.map((s, n) => (n ? s : [0, 0]))), velocity);
  const bent = (jet.receptivity * jet.height) / (speed * jet.half_width);
  const swing = ORDER.map((n) => scale(exp(waveLog(jet, real(n * omega), speed)), bent));
  const strength = jet.air.rho * jet.dipole * jet.width * jet.half_width * speed;
  const lost = ring.rho / (2 * jet.window_contraction ** 2);
  const push = ORDER.map((n) => [0, n * omega * strength]);
  const admittance = ORDER.map((n) => (
    mul([0, (-n * omega) / (ring.rho * windowArea(jet))], answer(plain, real(n * omega), rub).response)));
  const x = scale(swing[0], velocity), left = jet.saturation.other(size(x));
  // What an overtone brings about itself is taken out of the turns.
  const again = ORDER.map((_, k) => mul(admittance[k], sub(scale(mul(push[k], swing[k]), left), real(lost * OTHER * velocity))));
  const spectra = (v) => {
    const air = sampled(v), cut = sampled(v.map((each, k) => mul(each, swing[k])));
    return [harmonicsOf(cut.map((y) => Math.tanh(y - jet.saturation.offset))), harmonicsOf(air.map((y) => Math.abs(y) * y))];
  };
  let v = ORDER.map((_, k) => real(k ? 0 : velocity));
  for (let pass = 0; pass < PASSES; pass++) {
    const [cut, drag] = spectra(v);
    v = v.map((each, k) => {
      if (!k) return each;
      const driven = mul(admittance[k], sub(mul(push[k], cut[k]), scale(drag[k], lost)));
      const next = add(scale(each, KEEP), scale(div(sub(driven, mul(again[k], each)), sub(real(1), again[k])), 1 - KEEP));
      // An overtone as strong as the note is no overtone.
      return scale(next, Math.min(1, (0.5 * velocity) / Math.max(size(next), 1e-30)));
    });
  }
  const [cut, drag] = spectra(v);
  return {
    ...loop, source: div(cut[0], scale(x, jet.saturation.same(size(x)))), friction: scale(drag[0], 1 / (SAME * velocity ** 2)),
  };
}

// --- growth ---

// A small swing of the active resonance at a jet's speed, beside a note that sounds: whether it grows on the jet's first
// wave, and its complex omega.
function growing(loop, speed, beside) {
  const { ring, jet, active } = loop, own = ring.omega[active], spring = own[0] ** 2 + own[1] ** 2;
  const rub = beside && faster(rubbing(loop, beside.share, OTHER), beside.velocity), window = rub ? rub.window : real(0);
  const swing = beside ? swingOf(jet, beside.speed, beside.velocity, waveLog(jet, real(beside.omega), beside.speed)) : 0;
  const left = jet.saturation.other(swing);
  // What comes back of a unit of response, and what the response falls short of it.
  const gain = (coupling(jet) * jet.air.rho * left) / ring.rho, drive = ring.flows[active + 1][0] ** 2;
  const back = (omega) => add(
    scale(product(omega, omega, exp(waveLog(jet, omega, speed))), gain), product(I, omega, window));
  const defect = (omega) => scale(sub(div(real(1), answer(loop, omega, rub).free), back(omega)), drive / spring);
  let omega = pulled(), value = defect(omega), step = real(1e-4 * own[0]), move = step;
  for (let n = 0; n < 16; n++) {
    const ahead = defect(add(omega, step)), change = sub(ahead, value);
    move = scale(div(mul(ahead, step), size(change) > 1e-300 ? change : real(1e-300)), -1);
    move = scale(move, Math.min(1, (0.08 * own[0]) / Math.max(size(move), 1e-300)));
    [omega, value] = [add(omega, step), ahead];
    if (size(move) < 1e-7 * own[0]) break;
    step = move;
  }
  if (!(size(move) < 1e-5 * own[0] && Math.abs(omega[0] / own[0] - 1) < 0.6)) omega = own; // lost
  const turn = -waveLog(jet, omega, speed)[1];
  return { omega, grows: omega[1] < 0 && Math.round((turn - Math.PI / 2) / (2 * Math.PI)) < 1 };

  // First guess, with the jet's gain as it is at the resonance itself.
  function pulled() {
    const around = real(own[0]), damping = 2 * own[1] + (rub ? rub.holes[(active + 1) * (ring.flows.length + 1)] : 0);
    const pole = [own[0] ** 2 - spring, -own[0] * damping], returned = back(around);
    const rest = sub(answer(loop, around, rub).free, div(real(drive), pole));
    let moved = div(scale(returned, drive), sub(real(1), mul(returned, rest)));
    moved = scale(moved, Math.min(1, (0.5 * own[0] ** 2) / Math.max(size(moved), 1e-300)));
    return add([0, damping / 2], sqrt(add(real(spring - damping ** 2 / 4), moved)));
  }
}

// Whether a higher resonance starts beside a note and takes it over.
export function givesWay(loop, cycle) {
  return loop.ring.omega.some((_, n) => n > 0 && growing(pure(loop, n), cycle.speed, cycle).grows);
}

// --- a note ---

// How a fingering is best blown: {loop, cycle}, its overtones in balance; null where it does not speak.
export function playing(loop) {
  let cycle = onResonance(loop);
  for (let n = 0; n < ROUNDS && cycle; n++) {
    loop = withThem(loop, cycle);
    cycle = onResonance(loop);
  }
  if (!(cycle && pressureOf(loop.jet, cycle.speed) <= SPEAKS_BELOW)) cycle = loudest(pure(loop), cycle);
  return cycle && { loop, cycle };
}

// The strongest swing below 2 kPa where none in phase is to be had: from that above, or where a small one grows.
function loudest(loop, above) {
  const fastest = speedOf(loop.jet, SPEAKS_BELOW);
  const found = [1, 0.85, 0.7, 0.55, 0.4, 0.25].map((share, n) => {
    const speed = share * fastest, small = growing(loop, speed, null);
    const start = !n && above ? above : { omega: small.omega[0], speed, velocity: 0.3, share: above ? above.share : alone(loop) };
    return small.grows ? limitCycle(loop, speed, start) : null;
  }).filter(Boolean);
  return found.reduce((best, each) => (best && best.velocity >= each.velocity ? best : each), null);
}
