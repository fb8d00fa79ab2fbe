// The panel "Hear": notes as `blow` has them, by tap, by keyboard, by touching holes, as it is and as it was saved.
import { make, signed, styled } from "./elements.js";
import { cents } from "./pitch.js";
import { Instrument } from "./tone.js";

const KEYS = "asdfghjkl;'\\".split("");
const SECONDS = 1.5;

/** Sounds a note of `api/blow`: its pitch, level, partials, attack and breath. */
class Player {
  constructor() {
    this.instrument = new Instrument();
  }

  play(note, { hold = false } = {}) {
    if (!note?.tone || !note.sounding_hz) return false;
    this.instrument.play({ hz: note.sounding_hz, tone: note.tone, seconds: hold ? null : SECONDS });
    return true;
  }

  stop() {
    this.instrument.stop();
  }
}

/** Hz of any fingering, by `api/chart`, with the breath and tone of the note nearest to it. */
function fingered(chart, notes, chamber, open) {
  const found = chart?.chambers.find((each) => each.name === chamber);
  const place = found?.holes.reduce((sum, hole, n) => sum + (open.includes(hole) ? 2 ** n : 0), 0);
  const hz = found?.hz?.[place];
  // Of a fingering that is no note only the pitch is known: tone and breath are the nearest note's.
  const near = notes.filter((note) => note.chamber === chamber && note.tone);
  if (!hz || !near.length) return null;
  const closest = near.reduce((a, b) => (Math.abs(cents(b.sounding_hz, hz)) < Math.abs(cents(a.sounding_hz, hz)) ? b : a));
  return { ...closest, pitch: null, open, sounding_hz: hz };
}

export function mount(element, session) {
  styled("sound");
  const player = new Player(), off = [], held = new Set();
  const known = { now: null, saved: null, chart: null };
  let shown = null, alive = true, of = "now";

  const which = make("fieldset", { class: "hear-which" }, make("legend", {}, "Which piece"));
  for (const [value, words] of [["now", "as it is shown"], ["saved", "as it was saved"]]) {
    const input = make("input", { type: "radio", name: "hear-of", value, checked: value === "now" });
    input.addEventListener("change", () => { of = value; draw(); });
    which.append(make("label", { class: "check" }, input, words));
  }
  const keys = make("div", { class: "hear-keys", role: "group", "aria-label": "Notes; the letters of the keyboard play them too" });
  const word = make("p", { class: "hear-word", role: "status" });
  const hint = make("p", { class: "hint" }, "Hold a key, or the letters A S D F …, to blow; tap holes in the pictures for any fingering. "
    + "Attack, overtones and level are those of the blowing model; how loud the breath's own noise is, is known to a factor of ten.");
  element.append(which, keys, word, hint);

  const tell = (text) => { word.textContent = text; };

  function say(note) {
    const from = note.target_hz && note.pitch ? `, ${signed(cents(note.sounding_hz, note.target_hz))} cents from ${note.pitch}` : "";
    const breath = note.pressure_pa && note.pitch ? `, ${note.pressure_pa.toFixed(0)} Pa` : "";
    tell(`${note.pitch ?? "This fingering"}: ${note.sounding_hz.toFixed(1)} Hz${from}${breath}`);
  }

  function down(note, button) {
    if (!note) return;
    session.showFingering(note.chamber, note.open);
    if (!player.play(note, { hold: true })) return tell(`${note.pitch ?? "This fingering"} does not speak.`);
    button?.classList.add("sounds");
    say(note);
  }

  function up() {
    player.stop();
    for (const button of keys.querySelectorAll(".sounds")) button.classList.remove("sounds");
  }

  function draw() {
    const notes = known[of]?.chambers.flatMap((chamber) => chamber.notes) ?? [];
    keys.replaceChildren(...notes.map((note, n) => {
      const name = note.pitch ?? "all covered";
      const sounding = note.sounding_hz && note.target_hz ? `${signed(cents(note.sounding_hz, note.target_hz))}` : note.speaks ? "" : "silent";
      const button = make("button", { class: "key", type: "button" }, make("b", {}, name), make("span", {}, sounding), make("kbd", {}, KEYS[n] ?? ""));
      button.disabled = !note.tone;
      button.addEventListener("pointerdown", (event) => {
        button.setPointerCapture(event.pointerId);
        down(note, button);
      });
      for (const end of ["pointerup", "pointercancel"]) button.addEventListener(end, up);
      button.addEventListener("click", (event) => { // from the keyboard or a screen reader: no pointer went down
        if (event.detail === 0) { down(note, button); setTimeout(up, 1000 * SECONDS); }
      });
      return button;
    }));
  }

  async function renew() {
    if (!session.design) return;
    const now = `${session.design.file} ${session.state.version}`;
    if (now === shown) return;
    shown = now;
    tell("Asking how it blows …");
    try {
      const asked = [session.get("blow", { query: { of: "now" } }), session.get("chart")];
      if (session.state.on_disk !== false) asked.push(session.get("blow", { query: { of: "saved" } }).catch(() => null));
      const [is, chart, saved] = await Promise.all(asked);
      if (!alive || shown !== now) return;
      Object.assign(known, { now: is, chart, saved });
      which.hidden = !saved;
      draw();
      tell("");
    } catch (why) {
      if (shown === now) shown = null;
      if (alive) tell(why.message);
    }
  }

  function onKey(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches?.("input:not([type=radio]), select, textarea")) return;
    const place = KEYS.indexOf(event.key.toLowerCase()), button = keys.children[place];
    if (place < 0 || !button) return;
    event.preventDefault();
    if (event.type === "keyup") {
      held.delete(place);
      if (!held.size) up();
    } else if (!event.repeat) {
      held.add(place);
      up();
      down((known[of]?.chambers.flatMap((chamber) => chamber.notes) ?? [])[place], button);
    }
  }

  function onTap({ chamber }) {
    const open = session.fingering?.open ?? [];
    const note = fingered(known.chart, known.now?.chambers.flatMap((each) => each.notes) ?? [], chamber, open);
    if (!note) return tell("What this fingering plays is not known yet.");
    player.play(note);
    say(note);
  }

  off.push(session.on("state", renew), session.on("tap", onTap));
  for (const kind of ["keydown", "keyup"]) document.addEventListener(kind, onKey);
  renew();
  return {
    unmount() {
      alive = false;
      player.stop();
      for (const each of off) each();
      for (const kind of ["keydown", "keyup"]) document.removeEventListener(kind, onKey);
    },
  };
}
