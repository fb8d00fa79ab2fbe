// Room air, breath and their mixtures: `simkit/gases.py` and `simkit/air.py`, where the formulas and their sources stand. An
// air is {c, rho, gamma, viscosity, conduction, heat, nu, alpha}, SI, gases mole fractions of N2, O2, Ar, CO2 and water.

export const KELVIN = 273.15;
export const GAS = 8.314462618;
const RADIATION = 1.438776877e-2, OXYGEN = 0.2098, ARGON = 0.00934;
const GASES = [
  { mass: 28.0134e-3, rigid: 3.5, vibrations: [2330], viscosity: 17.81e-6, reference: 300.55, sutherland: 111 },
  { mass: 31.9988e-3, rigid: 3.5, vibrations: [1556], viscosity: 20.18e-6, reference: 292.25, sutherland: 127 },
  { mass: 39.948e-3, rigid: 2.5, vibrations: [], viscosity: 21.25e-6, reference: 273.15, sutherland: 144 },
  { mass: 44.0095e-3, rigid: 3.5, vibrations: [667, 667, 1333, 2349], viscosity: 14.8e-6, reference: 293.15, sutherland: 240 },
  { mass: 18.01528e-3, rigid: 4.0, vibrations: [1595, 3657, 3756], viscosity: 11.2e-6, reference: 350, sutherland: 1064 },
];
const sum = (values) => values.reduce((a, b) => a + b, 0);

// Mole fraction of water in saturated air of t degC at p Pa (Davis 1992).
export function saturatedWater(t, p) {
  const k = t + KELVIN;
  const full = Math.exp(1.2378847e-5 * k * k - 1.9121316e-2 * k + 33.93711047 - 6343.1645 / k);
  return ((1.00062 + 3.14e-8 * p + 5.6e-7 * t * t) * full) / p;
}

const moistened = (dry, water) => [...dry.map((x) => x * (1 - water)), water];

export function roomGases(room, t) {
  const oxygen = OXYGEN - room.carbon_dioxide;
  const dry = [1 - oxygen - ARGON - room.carbon_dioxide, oxygen, ARGON, room.carbon_dioxide];
  return moistened(dry, room.humidity * saturatedWater(t, room.pressure));
}

function heatOf({ rigid, vibrations }, kelvin) {
  return GAS * (rigid + sum(vibrations.map((wave) => {
    const y = (RADIATION * 100 * wave) / kelvin;
    return (y * y * Math.exp(y)) / Math.expm1(y) ** 2;
  })));
}

// c_p of gases by their mole fractions, J/(mol K).
export const molarHeat = (shares, kelvin) => sum(shares.map((x, n) => x * heatOf(GASES[n], kelvin)));

// Viscosity and heat conduction by Wilke's rule.
function rubbing(shares, kelvin) {
  const each = GASES.map((gas) => {
    const law = (gas.reference + gas.sutherland) / (kelvin + gas.sutherland);
    const eta = gas.viscosity * (kelvin / gas.reference) ** 1.5 * law;
    return { ...gas, eta, conduction: (eta * (heatOf(gas, kelvin) + 1.25 * GAS)) / gas.mass };
  });
  const parts = each.map((one, i) => shares[i] / sum(each.map((other, j) => {
    const ratio = other.mass / one.mass, pull = 1 + Math.sqrt(one.eta / other.eta) * ratio ** 0.25;
    return (shares[j] * pull ** 2) / Math.sqrt(8 * (1 + 1 / ratio));
  })));
  return [sum(parts.map((part, i) => part * each[i].eta)), sum(parts.map((part, i) => part * each[i].conduction))];
}

function quickMixture(t, p, shares) {
  const kelvin = t + KELVIN, mass = sum(shares.map((x, n) => x * GASES[n].mass)), heat = molarHeat(shares, kelvin);
  const gamma = heat / (heat - GAS);
  return { rho: (p * mass) / (GAS * kelvin), c: Math.sqrt((gamma * GAS * kelvin) / mass), gamma, heat: heat / mass };
}

export function idealMixture(t, p, shares) {
  const kelvin = t + KELVIN, water = shares[4], [viscosity, conduction] = rubbing(shares, kelvin);
  // The laws hold for ordinary air; the mixing rule says what other shares change of them.
  const [plain, plainConduction] = rubbing(moistened([1 - 0.2094 - ARGON - 0.0004, 0.2094, ARGON, 0.0004], water), kelvin);
  const law = 1e-8 * (84.986 + 7 * kelvin + (113.157 - kelvin) * water - 3.7501e-3 * kelvin ** 2 - 100.015 * water ** 2);
  const conducted = 4186.8e-8 * (60.054 + 1.846 * kelvin + 2.06e-6 * kelvin ** 2 + (40 - 1.775e-4 * kelvin) * water);
  return {
    ...quickMixture(t, p, shares), viscosity: (law * viscosity) / plain, conduction: (conducted * conduction) / plainConduction,
  };
}

const MEASURES = ["c", "rho", "gamma", "viscosity", "conduction", "heat"];

// An air over the ideal mixture of its gases, measure by measure.
export const over = (air, ideal) => Object.fromEntries(MEASURES.map((name) => [name, air[name] / ideal[name]]));

export const withRatios = (air) => ({ ...air, nu: air.viscosity / air.rho, alpha: air.conduction / (air.rho * air.heat) });

// Room air and breath in one, by `air.composed`: breath's share, degC, and the water that is left.
function mixed(mixture, room, breath, { share, t, water }) {
  const both = room.gases.slice(0, 4).map((x, n) => (1 - share) * x + share * breath.gases[n]);
  const ideal = mixture(t, (1 - share) * room.p + share * breath.pressure, moistened(both.map((x) => x / sum(both)), water));
  return Object.fromEntries(Object.entries(ideal).map(([name, value]) => (
    [name, value * room.over[name] ** (1 - share) * breath.over[name] ** share])));
}

// Its density and rho c^2 alone.
export function composed(room, breath, state) {
  const { rho, c } = mixed(quickMixture, room, breath, state);
  return { rho, stiffness: rho * c * c };
}

export const composedAir = (room, breath, state) => withRatios(mixed(idealMixture, room, breath, state));
