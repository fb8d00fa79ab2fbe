// Air in narrow ducts, and what a windway with a player's mouth behind it answers. As `simkit/sound/elements/ducts.py`,
// `windway.py` and `vocal_tract.py` have it; there stand the sources. An air is {c, rho, gamma, nu, alpha}, SI.
import { I, add, cosh, div, exp, mul, product, real, scale, sinh, size, sqrt, sub, tan, total } from "./complex.js";

// J1(z)/J0(z) by its continued fraction z/2 / (1 - (z/2)^2/(1 2) / (1 - (z/2)^2/(2 3) / ...)), from the far end.
function besselRatio(z) {
  const [re, im] = mul(z, z);
  let x = 0, y = 0; // numbers by themselves: pairs made and cleared away would take most of a slider's time
  for (let n = Math.ceil(size(z)) + 30; n >= 1; n--) {
    const under = 2 * n - x, square = under * under + y * y;
    [x, y] = [(re * under - im * y) / square, (im * under + re * y) / square];
  }
  return div([x, y], z);
}

// Of an air without friction and heat conduction (nu 0) the plain numbers.
function filled(air, omega, half, share) {
  if (!air.nu) return { density: real(air.rho), stiffness: real(air.rho * air.c * air.c) };
  const turned = sqrt(mul([0, -1], omega));
  const held = share(scale(turned, half / Math.sqrt(air.nu)));
  const warmed = share(scale(turned, half / Math.sqrt(air.alpha)));
  return {
    density: div(real(air.rho), sub(real(1), held)),
    stiffness: div(real(air.rho * air.c * air.c), add(real(1), scale(warmed, air.gamma - 1))),
  };
}

export function boreFilling(air, omega, radius) {
  return filled(air, omega, radius, (z) => div(scale(besselRatio(z), 2), z));
}

export function slitFilling(air, omega, height) {
  return filled(air, omega, height / 2, (z) => div(tan(z), z));
}

export function duct(filling, omega, area, length) {
  const angle = scale(product(I, omega, sqrt(div(filling.density, filling.stiffness))), length);
  const impedance = scale(sqrt(mul(filling.density, filling.stiffness)), 1 / area);
  const [c, s] = [cosh(angle), sinh(angle)];
  return { A: c, B: mul(impedance, s), C: div(s, impedance), D: c };
}

export const inSeries = (impedance) => ({ A: real(1), B: impedance, C: real(0), D: real(1) });
export const inParallel = (admittance) => ({ A: real(1), B: real(0), C: admittance, D: real(1) });

export function chained(...ports) {
  return ports.reduce((a, b) => ({
    A: add(mul(a.A, b.A), mul(a.B, b.C)),
    B: add(mul(a.A, b.B), mul(a.B, b.D)),
    C: add(mul(a.C, b.A), mul(a.D, b.C)),
    D: add(mul(a.C, b.B), mul(a.D, b.D)),
  }));
}

export function endImpedance(air, omega, area, perimeter, correction, viscous) {
  const moved = scale(mul(I, omega), (air.rho * correction) / area);
  const layer = sqrt(div(real(2 * air.nu), omega));
  const rubbed = (air.rho * perimeter * viscous) / (2 * area * area);
  return add(moved, scale(product([1, 1], omega, layer), rubbed));
}

// --- the windway, and who blows it ---

// Pressure at the windway's exit over the flow into it, Pa s/m3. way: its sizes, lips, mouth, breath and per_hertz;
// air: that of the window; inertance: of the air that gathers before the exit, 1/m.
export function windwayImpedance(way, air, omega, inertance) {
  const area = way.width * way.height, breath = way.breath;
  const speed = scale(omega, way.perHertz / (2 * Math.PI));
  const { width, height, end: [correction, viscous] } = way.lips;
  const end = endImpedance(breath, omega, width * height, 2 * (width + height), correction, viscous);
  const port = chained(
    inSeries(scale(mul(I, omega), air.rho * inertance)),
    ...way.slices.map(([wide, high, part]) => duct(slitFilling(breath, omega, high), omega, wide * high, part)),
    inSeries(breath.nu ? add(end, streamResistance(way, omega, speed)) : end),
  );
  return inputImpedance(port, mouthImpedance(way.mouth, breath, omega, scale(speed, area)));
}

function inputImpedance(port, load) {
  return div(add(mul(port.A, load), port.B), add(mul(port.C, load), port.D));
}

// What a steady stream of mean speed V adds, Pa s/m3.
function streamResistance(way, omega, V) {
  const air = way.breath;
  const z = div(real((way.friction_length * air.nu) / (2 * way.height) ** 2), V);
  const root = sqrt(z);
  const rest = total(scale(z, 24), real(0.1685), scale(root, -3.44));
  const fade = add(real(1), div(real(0.000029), mul(z, z)));
  const restSlope = sub(real(24), div(real(1.72), root));
  const fadeSlope = div(real(-0.000058), product(z, z, z));
  const heads = scale(add(scale(root, 3.44), div(rest, fade)), 4);
  const bent = sub(restSlope, div(mul(rest, fadeSlope), fade));
  const slope = scale(add(div(real(1.72), root), div(bent, fade)), 4);
  const kinetic = scale(V, air.rho);
  const steady = mul(kinetic, sub(add(real(1), heads), scale(mul(z, slope), 0.5)));
  const poiseuille = (12 * air.nu * air.rho * way.friction_length) / way.height ** 2;
  const turn = scale(div(mul(I, omega), V), way.length);
  const passed = div(sub(real(1), exp(scale(turn, -1))), turn);
  const left = sub(sub(steady, real(poiseuille)), kinetic);
  return scale(add(kinetic, mul(left, passed)), 1 / (way.width * way.height));
}

const TISSUE_HZ = 20, FOLDS = 3e-3, FOLD_END = 0.4, WINDPIPE_LENGTH = 0.178, WINDPIPE_AREA = 2.5e-4;
const WINDPIPE_BANDWIDTH = 200;

// Pressure behind the lips over the flow into the mouth, Pa s/m3; flow: the breath that passes the folds, m3/s.
function mouthImpedance(mouth, air, omega, flow) {
  const area = mouth.volume / mouth.length, turned = mul(I, omega), stiff = air.rho * air.c * air.c;
  const lost = 2 * Math.PI * mouth.bandwidth;
  const swings = add(mul(turned, add(turned, real(lost))), real((2 * Math.PI * TISSUE_HZ) ** 2));
  const around = (2 * Math.sqrt(Math.PI / area)) / mouth.wall;
  const filling = {
    density: scale(add(real(1), div(real(lost), turned)), air.rho),
    stiffness: div(real(1), add(real(1 / stiff), div(real(around), swings))),
  };
  const tube = duct(filling, omega, area, mouth.length);
  if (!mouth.gap) return div(tube.A, tube.C);
  const heavy = scale(add(real(1), div(real(2 * Math.PI * WINDPIPE_BANDWIDTH), turned)), air.rho);
  const pipe = duct({ density: heavy, stiffness: real(stiff) }, omega, WINDPIPE_AREA, WINDPIPE_LENGTH);
  const inertia = scale(turned, (air.rho * (FOLDS + 2 * FOLD_END * Math.sqrt(mouth.gap))) / mouth.gap);
  const folds = total(inertia, scale(flow, air.rho / mouth.gap ** 2), div(pipe.B, pipe.D));
  return inputImpedance(tube, folds);
}
