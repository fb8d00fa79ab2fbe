// The bench in the page: a held note becomes a reading, and the next cut is said in letters to be read from a metre.
import { drawn, make, signed, styled } from "./elements.js";
import { cents } from "./pitch.js";
import { Tuner } from "./tuner.js";

const STAGES = ["wet", "leather-hard", "bone dry", "fired"];
const FAR = 50; // cents at the end of the scale
const NEAR = 120; // cents beyond which a held note is not taken for the one that is asked for

/** What to do now, of the bench's answer: words for a metre, and the note to blow for it. */
function nextStep(chamber) {
  const [cut] = chamber.cuts;
  if (!chamber.notes.some((note) => note.heard_hz) && chamber.first_blow) {
    const { pitch, frequency_hz: hz } = chamber.first_blow;
    return { words: `Blow ${pitch}, all covered`, more: `It should read ${hz.toFixed(1)} Hz before a hole is cut.`, note: pitch, hz };
  }
  if (cut) {
    const tool = cut.from_mm ? `from ${cut.from_mm.toFixed(1)} mm` : "not cut yet";
    const name = cut.note || `hole${cut.open.length > 1 ? "s" : ""} ${cut.open.join(" ")} open`;
    const more = `${tool}; then ${name} reads ${cut.expect_hz.toFixed(1)} Hz. Its mark is ${cut.mark_mm.toFixed(1)} mm.`;
    return { words: `Hole ${cut.hole} to ${cut.to_mm.toFixed(1)} mm`, more, note: cut.note || cut.open.join("+"), hz: cut.expect_hz, cut };
  }
  return { words: "No cut left", more: "Every hole is at its mark, or near enough.", note: null, hz: null };
}

export function mount(element, session) {
  styled("bench");
  const off = [];
  let alive = true, told = null, taken = null, asked = null, busy = 0, waiting = Promise.resolve(), about = null, seen = null;

  const words = make("p", { class: "bench-next", role: "status" }), more = make("p", { class: "bench-more" });
  const done = make("button", { class: "key strong bench-large", type: "button" }, "Cut");
  const width = make("input", { type: "number", step: "0.05", min: "0.1", id: "bench-mm", inputmode: "decimal" });
  const cutRow = make("div", { class: "row" }, make("label", { class: "field", for: "bench-mm" }, make("span", {}, "Measured width, mm"), width), done);

  const listen = make("button", { class: "key bench-large", type: "button", "aria-pressed": "false" }, "Listen");
  const note = make("select", { id: "bench-note" });
  const hand = drawn("g", { class: "bench-hand rests" });
  const needle = scale(hand);
  const shows = make("p", { class: "bench-heard" }), reading = make("p", { class: "bench-read", role: "status" });
  const take = make("button", { class: "key strong bench-large", type: "button", disabled: true }, "Take the reading");
  const undo = make("button", { class: "key", type: "button" }, "Undo the last step");

  const stage = make("select", { id: "bench-stage" }, ...STAGES.map((each) => make("option", { value: each }, each)));
  const warm = make("input", { type: "number", id: "bench-warm", step: "0.5", min: "0", max: "40", inputmode: "decimal" });
  const rows = make("tbody", {}), cautions = make("ul", { class: "bench-cautions" }), problem = make("p", { role: "alert", class: "bench-problem" });
  const table = make("table", { class: "bench-notes" },
    make("thead", {}, make("tr", {}, ...["note", "heard, Hz", "is thought to read", "ends, cents"].map((each) => make("th", { scope: "col" }, each)))), rows);
  element.append(
    words, more, cutRow,
    make("div", { class: "row" },
      make("label", { class: "field", for: "bench-note" }, make("span", {}, "Note that is blown"), note), listen),
    needle, shows, reading, make("div", { class: "row" }, take, undo), problem,
    make("div", { class: "row" },
      make("label", { class: "field", for: "bench-stage" }, make("span", {}, "The clay is"), stage),
      make("label", { class: "field", for: "bench-warm" }, make("span", {}, "Air at the bench, °C"), warm)),
    table, cautions, make("p", { class: "hint" }, "A held note is read; nothing that the microphone hears leaves this page but its hertz, and those go into the log beside the design."));

  const chamber = () => told.chambers[0];

  // --- the bench's word ---

  // One question after the other, each about the design that was shown when it was asked.
  function ask(body = null) {
    const { file: design } = session.design;
    busy += 1;
    waiting = waiting.then(() => answer(design, body));
    return waiting;
  }

  async function answer(design, body) {
    try {
      if (design !== session.design.file) return;
      problem.textContent = "";
      const query = voiced().length > 1 ? { chamber: voiced()[0].name } : {}; // of several the first
      const word = body ? await session.post("bench", { design, ...query, ...body }) : await session.get("bench", { query: { design, ...query } });
      if (!alive || design !== session.design.file) return;
      told = word;
      draw();
    } catch (why) {
      if (alive) problem.textContent = why.message;
    } finally {
      busy -= 1;
    }
  }

  const voiced = () => session.design.chambers.filter((each) => each.voiced && each.notes.length);

  function draw() {
    element.inert = false;
    const now = nextStep(chamber());
    words.textContent = now.words;
    more.textContent = now.more;
    cutRow.hidden = !now.cut;
    if (now.cut) width.value = now.cut.to_mm.toFixed(2);
    stage.value = chamber().stage;
    warm.value = chamber().temperature_c;
    const names = chamber().notes.map((each) => each.pitch);
    if (now.note && !names.includes(now.note)) names.unshift(now.note);
    note.replaceChildren(...names.map((each) => make("option", { value: each }, each)));
    if (now.note) note.value = now.note;
    asked = now;
    forget();
    rows.replaceChildren(...chamber().notes.map((each) => make("tr", {},
      make("th", { scope: "row" }, each.pitch), make("td", {}, each.heard_hz ? each.heard_hz.toFixed(1) : ""),
      make("td", {}, each.now_hz ? each.now_hz.toFixed(1) : "not cut"), make("td", {}, `${signed(each.fired_cents)} ± ${each.fired_uncertainty_cents.toFixed(0)}`))));
    cautions.replaceChildren(...told.cautions.map((each) => make("li", {}, each)), ...chamber().ways_out.map((each) => make("li", {}, each)));
  }

  done.addEventListener("click", () => {
    const mm = width.valueAsNumber;
    if (!(mm > 0)) { problem.textContent = "How wide is the hole now, in mm?"; return; }
    ask({ cut: [`${chamber().cuts[0].hole}=${mm}`], ...here() });
  });
  undo.addEventListener("click", () => ask({ undo: true }));
  stage.addEventListener("change", () => ask(here()));
  warm.addEventListener("change", () => ask(here()));
  const here = () => ({ stage: stage.value, ...(Number.isFinite(warm.valueAsNumber) ? { temperature_c: warm.valueAsNumber } : {}) });

  // --- the microphone ---

  const aim = () => {
    const named = chamber().notes.find((each) => each.pitch === note.value);
    return asked?.note === note.value ? asked.hz : named?.now_hz ?? named?.wanted_hz ?? null;
  };

  function onReading(frame) {
    const hz = frame.tonal ? frame.hz : null, goal = told ? aim() : null;
    const away = hz && goal ? cents(hz, goal) : null;
    hand.setAttribute("transform", `rotate(${away === null ? 0 : Math.max(-FAR, Math.min(FAR, away))} 100 100)`);
    hand.classList.toggle("rests", away === null);
    shows.textContent = hz ? `${hz.toFixed(1)} Hz${away === null ? "" : `, ${signed(away)} cents`}` : "Blow and hold.";
    // Only what is held for a while counts as a reading.
    if (!frame.tonal || !frame.steady) return;
    if (goal && Math.abs(away) > NEAR) {
      reading.textContent = `This is not near ${note.value}, which should read ${goal.toFixed(0)} Hz now.`;
      return;
    }
    if (busy) return; // what is blown now belongs to the answer that is on its way
    taken = frame.hz;
    take.disabled = false;
    reading.textContent = `${note.value} reads ${taken.toFixed(1)} Hz`;
  }

  function forget() {
    taken = null;
    take.disabled = true;
  }

  const tuner = new Tuner({ onReading, onProblem: (text) => { problem.textContent = text; } });

  listen.addEventListener("click", async () => {
    if (tuner.listening) tuner.stop(); else await tuner.start();
    listen.setAttribute("aria-pressed", String(tuner.listening));
    listen.textContent = tuner.listening ? "Listening" : "Listen";
    if (!tuner.listening) shows.textContent = "";
  });
  take.addEventListener("click", async () => {
    const hz = taken;
    forget();
    await ask({ heard: [`${note.value}=${hz.toFixed(2)}`], ...here() });
    reading.textContent = problem.textContent ? "" : `Taken: ${hz.toFixed(1)} Hz`;
  });
  note.addEventListener("change", () => { forget(); reading.textContent = ""; });

  /** Asks anew when there is another design, or another file of this one: that is what the bench is about. */
  function renew() {
    if (!session.design) return;
    const { file, saved } = session.design, now = `${file} ${saved ? session.state.version : "not saved"}`;
    if (now === seen) return;
    seen = now;
    if (file !== about) {
      about = file;
      told = null;
      element.inert = true; // what is shown is another design's
      words.textContent = "Asking the bench …";
    }
    ask();
  }
  off.push(session.on("state", renew));
  renew();
  return {
    unmount() {
      alive = false;
      element.inert = false;
      tuner.stop();
      for (const each of off) each();
    },
  };
}

function scale(hand) {
  const svg = drawn("svg", { viewBox: "0 0 200 112", class: "bench-needle", "aria-hidden": "true" });
  // Arcs about (100, 100), 50 degrees to either side and 5: a degree a cent, as the needle turns. pathLength: a cent each.
  for (const [name, d] of [["bench-scale", "M34.1,44.7 A 86 86 0 0 1 165.9,44.7"], ["bench-good", "M92.5,14.3 A 86 86 0 0 1 107.5,14.3"]]) {
    drawn("path", { class: name, d, pathLength: 100 }, svg);
  }
  drawn("path", { d: "M100,106 L96.5,97 L100,20 L103.5,97 Z" }, hand);
  svg.append(hand);
  return svg;
}
