// The report's part that lives without a server: holes to tap, notes, sliders, sound and a tuner.
import { blownOf, breathed } from "./blown.js";
import { fitted, lowest } from "./ports.js";
import { Microphone, cents } from "./pitch.js";
import { Instrument } from "./tone.js";

const SVG = "http://www.w3.org/2000/svg";
const IN_TUNE = 5, FAR = 50; // cents: good; at the end of the scale
const AT_ONCE = 8; // ms for notes in one picture

// --- what the numbers say ---

export function nearest(pitches, hz) {
  return pitches.reduce((best, each) => (Math.abs(cents(hz, each[1])) < Math.abs(cents(hz, best[1])) ? each : best));
}

function signed(value) {
  const whole = Math.round(value);
  return whole === 0 ? "0" : `${whole < 0 ? "\u2212" : "+"}${Math.abs(whole)}`;
}

// --- the page ---

export function pocket(root, shown) {
  const at = (name) => root.querySelector(`[data-part="${name}"]`);
  const instrument = new Instrument();
  const state = {
    chamber: 0, temperature: shown.temperature_c, ratio: 1, diameters: {}, open: [], piece: null, voices: null, microphone: null,
  };
  const designed = Object.fromEntries(shown.numbers.slides.map((slide) => [keyOf(slide), 2000 * slide.radius]));
  const chamber = () => shown.numbers.chambers[state.chamber];

  function widthOf(key) {
    return (state.diameters[key] ?? designed[key]) / designed[key];
  }

  function keyOf(slide) {
    return shown.numbers.field.names[slide.row].join(" ");
  }

  function compute() {
    state.piece = fitted(shown.numbers, state);
    state.voices = new Map();
  }

  // A fingering of the piece: its resonance, and how it is blown once that is asked.
  function voiceOf(open) {
    const key = open.join("");
    if (!state.voices.has(key)) {
      const piece = state.piece.chambers[state.chamber], found = lowest(piece, open);
      let blown;
      state.voices.set(key, { hz: found.hz, blown: () => (blown === undefined ? (blown = blownOf(piece, open, found)) : blown) });
    }
    return state.voices.get(key);
  }

  // What it sounds with so many times its breath: Hz, null where nothing sounds. watched: whether a higher tone takes over too.
  function heardOf(open, watched = false) {
    const voice = voiceOf(open), blown = voice.blown();
    if (!blown) return { hz: null };
    const { raised, jumps } = breathed(blown, state.ratio, watched);
    return { hz: raised && voice.hz * raised, pressure: blown.pressure * state.ratio, jumps };
  }

  // How a tone of that Hz is made: as that of the note next to it.
  function toneOf(hz) {
    const tones = chamber().notes.filter((note) => note.tone).map((note) => [note.tone, voiceOf(note.open).hz]);
    return tones.length ? nearest(tones, hz)[0] : null;
  }

  const noteOfFingering = () => chamber().notes.find((note) => note.open.every((share, n) => share === state.open[n]));

  let sounding = { hz: null };
  function say() {
    sounding = heardOf(state.open, true);
    const { hz, pressure, jumps } = sounding, note = noteOfFingering();
    const target = note ? [note.pitch, note.target_hz] : hz && nearest(shown.pitches, hz);
    at("note").textContent = target ? target[0] : "\u2013";
    at("cents").textContent = hz ? `${signed(cents(hz, target[1]))} cents` : "silent";
    at("cents").classList.toggle("off", !hz || Math.abs(cents(hz, target[1])) > IN_TUNE);
    const blown = pressure ? `, blown with ${pressure.toFixed(0)} Pa` : "";
    const trouble = jumps ? " It jumps to a higher tone at this breath." : hz ? "" : " At this breath the note does not sound.";
    at("more").textContent = `${hz ? `${hz.toFixed(1)} Hz` : "No tone"}, ${note ? "target" : "nearest"} ${target ? target[1].toFixed(1) : "\u2013"} Hz${blown}.${trouble}`;
    for (const button of root.querySelectorAll("[data-hole]")) draw(button);
    drawNotes();
    needle();
  }

  function draw(element) {
    const place = chamber().holes.findIndex((hole) => `${chamber().name} ${hole}` === element.dataset.hole);
    const open = place >= 0 && state.open[place] > 0;
    element.classList.toggle("open", open);
    element.classList.toggle("aside", place < 0);
    if (element.tagName === "BUTTON") {
      element.setAttribute("aria-pressed", String(open));
      element.hidden = place < 0;
    } else {
      const { x, y } = element.dataset, q = widthOf(element.dataset.hole);
      element.setAttribute("transform", `translate(${x} ${y}) scale(${q}) translate(${-x} ${-y})`);
    }
  }

  // As many in one picture as there is time for, from where the last picture stopped.
  let next = 0, left = 0, drawing = false;
  function drawNotes() {
    left = chamber().notes.length;
    if (drawing) return;
    drawing = true;
    const some = () => {
      for (const until = performance.now() + AT_ONCE; left > 0 && performance.now() < until; left--) {
        next = (next + 1) % chamber().notes.length;
        drawNote(next);
      }
      drawing = left > 0;
      if (drawing) requestAnimationFrame(some);
    };
    some();
  }

  function drawNote(n) {
    const note = chamber().notes[n], button = at("notes").children[n], { hz } = heardOf(note.open);
    const words = hz ? signed(cents(hz, note.target_hz)) : "silent";
    button.setAttribute("aria-pressed", String(noteOfFingering() === note));
    button.querySelector(".off-by").textContent = words;
    button.classList.toggle("off", !hz || Math.abs(cents(hz, note.target_hz)) > IN_TUNE);
    button.setAttribute("aria-label", `${note.pitch}, ${hz ? `${words} cents` : "does not sound"}`);
  }

  function sound() {
    const { hz } = sounding, tone = hz && at("sound").checked && toneOf(hz);
    if (tone) instrument.play({ hz, tone, seconds: 1.2 });
  }

  function finger(open) {
    state.open = open;
    say();
    sound();
  }

  function tap(key) {
    const place = chamber().holes.findIndex((hole) => `${chamber().name} ${hole}` === key);
    if (place >= 0) finger(state.open.map((share, n) => (n === place ? 1 - share : share)));
  }

  let waiting = false;
  function later() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      compute();
      say();
      if (instrument.playing && sounding.hz) instrument.bend(sounding.hz);
    });
  }

  // --- what is built once ---

  function views() {
    for (const view of shown.views) {
      const svg = made(SVG, "svg", { viewBox: view.box.join(" "), "aria-hidden": "true" });
      for (const outline of view.clay) svg.append(made(SVG, "path", { d: outline, class: "pk-clay", "stroke-width": view.pen }));
      for (const outline of view.air) svg.append(made(SVG, "path", { d: outline, class: "pk-air" }));
      for (const rim of view.windows) svg.append(made(SVG, "path", { d: rim, class: "pk-window" }));
      for (const { hole, at: [x, y], rim } of view.holes) {
        const drawn = made(SVG, "path", { d: rim, class: "pk-hole", "data-hole": hole, "data-x": x, "data-y": y });
        const reach = made(SVG, "circle", { cx: x, cy: y, r: 7, class: "pk-reach" }); // as wide as a fingertip
        for (const each of [drawn, reach]) each.addEventListener("click", () => tap(hole));
        const name = made(SVG, "text", { x, y: y - 7.5, class: "pk-name" });
        name.textContent = shown.several ? hole : hole.split(" ").slice(1).join(" ");
        svg.append(drawn, name, reach);
      }
      const figure = made(null, "figure", {}), words = made(null, "figcaption", {});
      words.textContent = view.name;
      figure.append(svg, words);
      at("views").append(figure);
    }
  }

  function keys() {
    for (const key of shown.holes) {
      const button = made(null, "button", { type: "button", "data-hole": key, "aria-pressed": "false" });
      const name = shown.several ? key : key.split(" ").slice(1).join(" ");
      button.textContent = name;
      button.setAttribute("aria-label", `hole ${name}${shown.fingers[key] ? `, ${shown.fingers[key]}` : ""}, open`);
      button.addEventListener("click", () => tap(key));
      at("keys").append(button);
    }
  }

  function noteKeys() {
    at("notes").replaceChildren(...chamber().notes.map((note) => {
      const button = made(null, "button", { type: "button", "aria-pressed": "false" });
      const pitch = made(null, "b", {}), off = made(null, "span", { class: "off-by" });
      pitch.textContent = note.pitch;
      button.append(pitch, off);
      button.addEventListener("click", () => finger([...note.open]));
      return button;
    }));
  }

  function slider(name, label, { min, max, step, value, words, changed }) {
    const row = made(null, "div", { class: "pk-slider" }), id = `pk-${name.replace(/\W/g, "-")}`;
    const title = made(null, "label", { for: id }), input = made(null, "input", { type: "range", id, min, max, step, value });
    const output = made(null, "output", { for: id });
    title.textContent = label;
    const show = (x = value) => { // as designed what it is, not the step next to it
      output.textContent = words(x);
      input.setAttribute("aria-valuetext", output.textContent);
    };
    input.addEventListener("input", () => {
      changed(Number(input.value));
      show(Number(input.value));
      later();
    });
    row.append(title, input, output);
    show();
    row.reset = () => {
      input.value = value;
      show();
    };
    return row;
  }

  function sliders() {
    const [low, high] = shown.numbers.temperatures_c, { widths } = shown.numbers;
    const rows = [
      slider("temperature", "Air of the room", {
        min: low, max: high, step: 0.5, value: state.temperature, words: (t) => `${t.toFixed(1)} °C`,
        changed: (t) => { state.temperature = t; },
      }),
      slider("breath", "Breath", {
        min: Math.log2(shown.breath[0]), max: Math.log2(shown.breath.at(-1)), step: 0.02, value: 0,
        words: (x) => (Math.abs(x) < 0.01 ? "as each note wants it" : `${(2 ** x).toFixed(2)} times what it wants`),
        changed: (x) => { state.ratio = 2 ** x; },
      }),
    ];
    at("sliders").append(...rows);
    const holes = shown.holes.map((key) => slider(key, `Hole ${shown.several ? key : key.split(" ").slice(1).join(" ")}`, {
      min: (designed[key] * widths[0]).toFixed(2), max: (designed[key] * widths.at(-1)).toFixed(2), step: 0.01,
      value: designed[key], words: (mm) => `${mm.toFixed(2)} mm`,
      changed: (mm) => {
        if (Math.abs(mm - designed[key]) < 0.006) delete state.diameters[key];
        else state.diameters[key] = mm;
      },
    }));
    at("diameters").append(...holes);
    at("reset").addEventListener("click", () => {
      Object.assign(state, { diameters: {}, temperature: shown.temperature_c, ratio: 1 });
      for (const row of [...rows, ...holes]) row.reset();
      later();
    });
  }

  // --- the tuner ---

  let heard = null;
  function needle() {
    if (!state.microphone) return;
    const note = noteOfFingering(), hz = heard?.tonal ? heard.hz : null;
    const target = note && hz && Math.abs(cents(hz, note.target_hz)) < 300 ? [note.pitch, note.target_hz] : hz && nearest(shown.pitches, hz);
    const off = target ? cents(hz, target[1]) : null;
    const turn = off === null ? 0 : Math.max(-FAR, Math.min(FAR, off));
    at("hand").setAttribute("transform", `rotate(${(turn * 50) / FAR} 100 100)`);
    at("hand").classList.toggle("rests", off === null);
    at("heard").textContent = target
      ? `${target[0]} ${signed(off)} cents, ${hz.toFixed(1)} Hz${heard.steady ? ", held" : ""}` : "Blow a note and hold it.";
  }

  let asking = false;
  async function listen() {
    const button = at("listen");
    if (asking) return; // a microphone that is not there yet cannot be stopped
    if (state.microphone) {
      state.microphone.stop();
      state.microphone = null;
      button.setAttribute("aria-pressed", "false");
      at("tuner").hidden = true;
      return;
    }
    asking = true;
    try {
      state.microphone = new Microphone((reading) => {
        heard = reading;
        needle();
      });
      await state.microphone.start();
      button.setAttribute("aria-pressed", "true");
      at("tuner").hidden = false;
      at("trouble").textContent = "";
      needle();
    } catch (error) {
      state.microphone = null;
      at("trouble").textContent = error.name === "NotAllowedError" ? "The browser was not allowed to use the microphone." : error.message;
    }
    asking = false;
  }

  function choose(place) {
    state.chamber = place;
    state.open = chamber().holes.map(() => 0);
    noteKeys();
    compute();
    say();
  }

  views();
  keys();
  sliders();
  const choice = at("chamber");
  shown.numbers.chambers.forEach((each, n) => choice.append(new Option(each.name, n)));
  choice.closest("label").hidden = shown.numbers.chambers.length < 2;
  choice.addEventListener("change", () => choose(Number(choice.value)));
  at("listen").addEventListener("click", listen);
  choose(0);
  root.hidden = false;
}

function made(space, name, attributes) {
  const element = space ? document.createElementNS(space, name) : document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}

if (typeof document !== "undefined") {
  const data = document.getElementById("pocket-numbers");
  if (data) pocket(document.getElementById("pocket"), JSON.parse(data.textContent));
}
