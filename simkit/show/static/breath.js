// Which air stands in a flute that is blown, fingering by fingering: the balance of `elements/breath_balance.py` and
// `mixing.py`, where the formulas and their sources stand.
import { GAS, KELVIN, composed, composedAir, idealMixture, molarHeat, over, roomGases, saturatedWater } from "./gases.js";

const EVAPORATION = 44.0e3, VAPOUR_OVER_HEAT = 1.11, STILL = (2 * Math.PI ** 2) / 3, CORE = 0.8;
const sum = (values) => values.reduce((a, b) => a + b, 0);

// The room at t degC and the breath: their gases, and by how much their airs differ from the ideal mixtures of these.
function roomOf(room, t, air) {
  const gases = roomGases(room, t);
  return { ...air, t, p: room.pressure, gases, water: gases[4], over: over(air, idealMixture(t, room.pressure, gases)) };
}

function breathOf(given, air) {
  return { ...given, ...air, over: over(air, idealMixture(given.temperature_c, given.pressure, given.gases)) };
}

// Friction of the windway, in mean velocity heads.
export function frictionHeads(jet, nu, speed) {
  const z = (jet.length * nu) / ((2 * jet.height) ** 2 * Math.max(speed, 1e-9));
  const root = Math.sqrt(z);
  return jet.windway_loss * 4 * (3.44 * root + (24 * z + 0.1685 - 3.44 * root) / (1 + 0.000029 / (z * z)));
}

function breathFlow(jet, nu, speed) {
  let mean = speed;
  for (let n = 0; n < 40; n++) {
    mean = 0.5 * mean + (0.5 * speed) / Math.sqrt(Math.min(1 + frictionHeads(jet, nu, mean), 2.25));
  }
  return mean * jet.height * jet.width;
}

function enteringShare(swing, offset) {
  let held = 0;
  for (let n = 0; n < 128; n++) held += Math.tanh(swing * Math.sin((2 * Math.PI * (n + 0.5)) / 128) - offset);
  return (1 + held / 128) / 2;
}

// What the balance is asked: openings' ducts (lists of area, length, inner, outer), states 0 to 1, the window first.
function asked(b, room, nu, ducts, states) {
  const K = ducts.map((d, n) => (states[n] * d.area) / (d.length + d.inner + d.outer));
  const whole = sum(K), omega = room.c * Math.sqrt(whole / b.volume);
  const speed = b.jet.speed_per_omega * omega;
  const velocity = b.swing * Math.sqrt(K[0] / whole) * speed;
  const flow = K.map((k) => ((velocity * b.window_area) / K[0]) * k);
  const entering = enteringShare((b.jet.swing * velocity) / speed, b.jet.offset);
  return { omega, speed, flow, entering, breath: breathFlow(b.jet, nu, speed) };
}

function entrainment(b, speed, nu) {
  const far = b.jet.cut_up / b.jet.height, share = b.mixing.entrainment;
  const reynolds = Math.max((speed * b.jet.height) / nu, 1e-9);
  const laminar = Math.cbrt(1 + far / (0.01543 * reynolds)) - 1;
  const turbulent = far < 5.2 ? 0.08 * far : 0.62 * Math.sqrt(far) - 1;
  return Math.min(laminar, turbulent) * (1 - share) + share * turbulent;
}

function exchange(b, ask, ducts, states, brought) {
  const open = sum(ducts.map((d, n) => d.area * states[n])), m = b.mixing;
  return ducts.map((d, n) => {
    if (!states[n]) return { kept: 0, out: 0, chamber: 1 };
    const area = d.area * states[n], mean = (brought * area) / open, moved = Math.max(ask.flow[n], 0);
    const r = Math.min(mean / Math.max(moved, 1e-300), 1);
    const coming = (moved / Math.PI) * (Math.sqrt(1 - r * r) - r * Math.acos(r));
    const slug = Math.max((2 * Math.PI * coming) / (ask.omega * area), 1e-30);
    const outside = m.reach * 0.5 * Math.sqrt((4 * area) / Math.PI);
    const kept = coming * Math.exp(-(outside + m.reach * CORE * d.length) / slug);
    const out = coming + mean, going = 0.5 + Math.asin(r) / Math.PI;
    const atInner = ((0.5 * kept) / Math.max(coming, 1e-300)) * (1 - going);
    const inDuct = -Math.expm1((-slug * Math.exp(-outside / slug)) / d.length) * (1 - going);
    const atOuter = 1 - ((0.5 * (mean + kept)) / Math.max(out, 1e-300)) * going;
    const room = (d.inner * atInner + d.length * inDuct + d.outer * atOuter) / (d.inner + d.length + d.outer);
    return { kept, out, chamber: 1 - Math.min(m.lag * room, 1) };
  });
}

// Temperature and water once no more vapour is left than the gas can hold.
function withoutFog(p, warm, water, gain) {
  let t = warm;
  for (let n = 0; n < 8; n++) {
    const full = saturatedWater(t, p), slope = (saturatedWater(t + 1e-3, p) - full) / 1e-3;
    t -= (t - warm - gain * Math.max(water - full, 0)) / (1 + (water > full ? gain * slope : 0));
  }
  return { t, water: Math.min(water, saturatedWater(t, p)) };
}

function atWall(b, room) {
  const full = saturatedWater(b.clay_c, room.p);
  return full - b.mixing.uptake * Math.max(full - room.water, 0);
}

// The breath as it leaves the windway.
function cooled(b, room, breath, flow) {
  const { jet } = b, wide = 2 * jet.height;
  const graetz = ((2 * flow) / jet.width / breath.alpha) * (wide / jet.length);
  const nusselt = 7.54 + (0.03 * graetz) / (1 + 0.016 * Math.cbrt(graetz) ** 2);
  const transfer = (nusselt * breath.conduction) / wide;
  const units = (2 * jet.length * jet.width * transfer) / (breath.rho * breath.heat * flow);
  const left = b.clay_c + (breath.temperature_c - b.clay_c) * Math.exp(-units);
  const wet = breath.gases[4];
  const water = wet - Math.max(wet - atWall(b, room), 0) * -Math.expm1(-VAPOUR_OVER_HEAT * units);
  return withoutFog(room.p, left, water, EVAPORATION / molarHeat(breath.gases, breath.temperature_c + KELVIN));
}

// The chamber's air: its share of breath, temperature and water.
function inside(b, room, breath, ask, warm, breathIn, roomIn) {
  const all = breathIn + roomIn, share = breathIn / all, width = Math.cbrt(b.volume);
  const gone = Math.cbrt((0.343 * ask.speed ** 2 * ask.entering * ask.breath) / width ** 2);
  const nusselt = STILL + 0.664 * Math.sqrt((gone * width) / room.nu) * Math.cbrt(room.nu / room.alpha);
  const toWall = ((b.mixing.heat * nusselt * room.conduction) / width) * b.wall_area;
  const heats = [molarHeat(breath.gases, breath.temperature_c + KELVIN), molarHeat(room.gases, room.t + KELVIN)];
  const carried = heats[0] * breathIn + heats[1] * roomIn;
  const gained = heats[0] * breathIn * (warm.t - room.t) + toWall * (b.clay_c - room.t);
  const vapour = (toWall / heats[1]) * VAPOUR_OVER_HEAT;
  const mixed = room.water + share * (warm.water - room.water);
  const water = mixed - (Math.max(mixed - atWall(b, room), 0) * vapour) / (all + vapour);
  return { share, ...withoutFog(room.p, room.t + gained / (carried + toWall), water, (EVAPORATION * all) / (carried + toWall)) };
}

// The air of a fingering: density (n) in each opening, density and stiffness of the chamber's air, flow (n) by which each
// opening counts, and the breath's mean speed in the windway for each Hz; airs(): all their numbers.
// b: the balance's numbers; t: degC of the room, whose air and the breath's are given; ducts, states: window first.
export function breathed(b, t, roomAir, breathAir, ducts, states) {
  const room = roomOf(b.room, t, roomAir), breath = breathOf(b.breath, breathAir);
  const ask = asked(b, room, breath.nu, ducts, states), flow = Math.max(ask.breath, 1e-12);
  const warm = cooled(b, room, breath, flow);
  const grown = 1 + entrainment(b, ask.speed, breath.nu);
  const entering = Math.min(Math.max(b.mixing.entering * ask.entering, 0), 1);
  const drawn = (entering * ask.breath * (grown - 1)) / 2, lost = ((1 - entering) * ask.breath * (grown - 1)) / 2;
  const swung = exchange(b, ask, ducts, states, Math.max(entering * ask.breath + drawn - lost, 0));
  const perMol = GAS / room.p;
  const breathIn = (entering * ask.breath) / (perMol * (breath.temperature_c + KELVIN));
  const roomIn = (drawn + sum(swung.map((s) => s.kept))) / (perMol * (room.t + KELVIN));
  const within = inside(b, room, breath, ask, warm, breathIn, roomIn);
  const jet = lyingJet(b, ask, ducts[0], swung[0], grown, entering);
  const places = ducts.map((_, n) => {
    const chamber = n === 0 ? jet.chamber : swung[n].chamber, own = n === 0 ? jet.own : 0;
    const mixed = (outside, ours, blown) => outside + chamber * (ours - outside) + own * (blown - outside);
    const t = mixed(room.t, within.t, warm.t), water = mixed(room.water, within.water, warm.water);
    return { share: chamber * within.share + own, t, water: Math.min(water, saturatedWater(t, room.p)) };
  });
  const perHertz = ((2 * Math.PI) / ask.omega) * (ask.breath / (b.jet.width * b.jet.height));
  const full = (place) => composedAir(room, breath, place);
  return {
    density: places.map((place) => composed(room, breath, place).rho), ...composed(room, breath, within), flow: ask.flow,
    perHertz, airs: () => ({ chamber: full(within), openings: places.map(full) }),
  };
}

// The jet in the window's air: what it makes of the chamber's share there, and its own.
function lyingJet(b, ask, window, swung, grown, entering) {
  const deep = window.inner + window.length + window.outer;
  const lying = ask.breath > 0 ? Math.min(1, (b.jet.height * grown) / deep) : 0;
  const leaving = (1 - entering) * ask.breath * grown;
  const outward = leaving / Math.max(leaving + swung.out, 1e-300);
  const all = lying + (1 - lying) * swung.chamber * outward;
  return { chamber: (1 - lying) * swung.chamber * (1 - outward) + (all * (grown - 1)) / 2 / grown, own: all / grown };
}
