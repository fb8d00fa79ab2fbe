// A fingering as it is blown: by how much breath, and what other breath makes of it.
import { jetOf, pressureOf } from "./jet.js";
import { followed, givesWay, loopOf, playing } from "./loop.js";
import { motionOf } from "./motion.js";

// found: of `lowest`. pressure: Pa that it is best blown with; null where it does not speak.
export function blownOf(chamber, open, found) {
  const { airs } = chamber, jet = jetOf(chamber.jet, chamber.wave, chamber.jet.of_breath ? airs.breath : airs.window);
  const best = playing(loopOf(motionOf(chamber, open, found), jet));
  if (!best) return null;
  const pressure = pressureOf(jet, best.cycle.speed);
  return { ...best, pressure, own: followed(best.loop, best.cycle, pressure).at(-1) };
}

// By what factor so many times its breath raises the note, null where it does not sound; whether a higher tone takes over.
export function breathed(blown, ratio, watched = false) {
  const way = followed(blown.loop, blown.cycle, blown.pressure * ratio), last = way.at(-1);
  const raised = last && blown.own && last.omega / blown.own.omega;
  return { raised, jumps: watched && ratio >= 1 && [blown.cycle, ...way].some((each) => each && givesWay(blown.loop, each)) };
}
