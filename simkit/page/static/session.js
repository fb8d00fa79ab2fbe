// One design as the server has it, what a hand is doing to it, and the way between them.

import { beyond, onward, sameValues } from "./onward.js";

const WAIT_MS = 2500; // for the model's word on one place before the next is sent all the same

export class Session {
  constructor() {
    this.tab = crypto.randomUUID();
    this.design = null;
    this.state = null;
    this.notes = [];
    this.hand = null; // what is dragged: {values, label, base}
    this.moved = null; // the server's last word on where everything is while it is dragged
    this.judged = new Map(); // cents by the air meshed as a whole, by design, version, chamber and note
    this.fingering = null;
    this.lost = false;
    this._listeners = new Map();
    this._serial = 0;
    this._sent = null;
    this._heard = null; // the model's numbers for the place last sent
    this._there = []; // doubts and breath told of places of this drag, {values, notes}: the last two
  }

  // --- events ---

  on(event, fn) {
    if (!this._listeners.has(event)) this._listeners.set(event, new Set());
    this._listeners.get(event).add(fn);
    return () => this._listeners.get(event).delete(fn);
  }

  emit(event, detail) {
    for (const fn of [...(this._listeners.get(event) ?? [])]) fn(detail);
  }

  announce(text) { this.emit("said", text); }

  // --- asking ---

  async get(path, { query = {} } = {}) {
    const asked = new URLSearchParams({ ...(this.state ? { design: this.state.design } : {}), ...query });
    return this._answer(await this._fetch(`api/${path}?${asked}`));
  }

  async post(path, body = {}) {
    const sent = JSON.stringify({ ...(this.state ? { design: this.state.design } : {}), tab: this.tab, ...body });
    const headers = { "Content-Type": "application/json" };
    return this._answer(await this._fetch(`api/${path}`, { method: "POST", headers, body: sent }));
  }

  async _fetch(address, options) {
    try {
      return await fetch(address, options);
    } catch {
      this._lose();
      throw new Error("simkit open has ended, or does not answer. Start it again; what was saved is safe.");
    }
  }

  async _answer(response) {
    const found = await response.json().catch(() => ({}));
    if (!response.ok) {
      const error = new Error(found.error ?? `the server said ${response.status}`);
      error.changed = found.changed === true;
      throw error;
    }
    return found;
  }

  // --- listening ---

  connect() {
    this._stream?.close();
    const stream = new EventSource("api/events");
    this._stream = stream;
    stream.onopen = () => this._found();
    stream.onerror = () => this._lose();
    stream.onmessage = ({ data }) => this._take(JSON.parse(data));
    if (this._minding) return;
    this._minding = true;
    // A browser that sleeps hears nothing: it lets go, and looks anew when it is awake.
    document.addEventListener("visibilitychange", () => (document.hidden ? this._stream.close() : this.connect()));
    document.addEventListener("resume", () => this.connect());
    addEventListener("pageshow", (event) => event.persisted && this.connect());
  }

  _lose() {
    if (this.lost) return;
    this.lost = true;
    this.emit("lost");
  }

  async _found() {
    const again = this._connected;
    this._connected = true;
    if (this.lost) {
      this.lost = false;
      this.emit("back");
    }
    if (again && this.state) await this.open(this.state.design).catch((why) => this.announce(why.message));
  }

  _take(message) {
    if (message.type === "job") {
      if (message.kind === "judge" && message.state === "done") this.judged.set(`${message.design}:${message.version}:${message.chamber}:${message.note}`, message.cents);
      this.emit("job", message);
      return this.emit("numbers");
    }
    if (!this.state || message.design !== this.state.design) return;
    if (message.type === "state") return this._see(message);
    if (message.type === "outside") {
      this.state.outside = message.outside;
      return this.emit("state");
    }
    if (message.type === "trouble") return this.announce(message.text);
    if (message.version !== this.state.version) return; // of a state that is gone
    if (message.type === "moved" || (message.type === "numbers" && message.serial !== undefined)) {
      return this._follow(message);
    }
    if (message.type === "predicted" && message.values) return this._followPredicted(message);
    this._learn(message);
  }

  // --- the design ---

  async open(design) {
    this._see(await this._answer(await this._fetch(`api/state?${new URLSearchParams({ design })}`)));
  }

  _see(state) {
    const other = this.state?.design !== state.design;
    this.state = state;
    this._predicted = this._there.at(-1)?.notes ?? this._predicted; // shown as old until the model has told of the new state
    this._there = [];
    this.hand = this.moved = this._heard = this._sent = null;
    this.design = {
      file: state.design, title: state.title, saved: state.saved, chambers: state.chambers,
    };
    if (other) this.fingering = this._predicted = null;
    this._count();
    this.emit("state");
    this.emit("numbers");
  }

  _learn({ type, design, version, ...reply }) {
    const known = this.state.known;
    if (type === "slopes") known.slopes = { slopes: { ...known.slopes?.slopes, ...reply.slopes } };
    else known[type] = { ...known[type], ...reply };
    this._count();
    this.emit("numbers");
    if (type === "numbers" && reply.faults?.length) this.emit("state");
  }

  get handles() { return this.state?.handles ?? []; }

  handle(opening) { return this.handles.find((handle) => handle.opening === opening); }

  /** A number as it is now, dragged or not, in the unit that is shown. */
  value(number) {
    const raw = this.hand?.values[number.name];
    return raw === undefined ? number.value : number.unit === "%" ? 100 * raw : raw;
  }

  get scene() { return this.state?.scene; }

  get openings() {
    const latest = this.moved?.scene ?? this.state?.scene;
    return latest ? latest.chambers.flatMap((chamber) => chamber.openings) : [];
  }

  get limits() {
    if (this.moved) return [...(this.moved.faults ?? []), ...(this.moved.limits ?? [])];
    return [...(this.state?.known?.numbers?.faults ?? []), ...(this.state?.limits ?? [])];
  }

  // --- dragging: by slopes at once, by the model as soon as it answers ---

  dragTo(changes, label) {
    if (!this.state) return;
    if (!this.hand) this.hand = { values: {}, label, base: this.state.version };
    for (const [number, value] of changes) {
      const bounded = Math.min(number.high, Math.max(number.low, value));
      this.hand.values[number.name] = number.unit === "%" ? bounded / 100 : bounded;
    }
    this._count();
    this.emit("numbers");
    this.emit("drag");
    this._send();
  }

  _send() {
    // One place at a time: the next is sent when the model has answered, or after WAIT_MS.
    if (this._sent || !this.hand || this._sending) return;
    const values = { ...this.hand.values };
    const serial = ++this._serial;
    this._sent = { serial, values };
    clearTimeout(this._timer);
    this._timer = setTimeout(() => this._next(serial), WAIT_MS);
    this.post("drag", { serial, base: this.hand.base, values }).catch((why) => {
      this.announce(why.message);
      this._sent = null;
    });
  }

  _next(serial) {
    if (this._sent?.serial !== serial) return;
    const { values } = this._sent;
    this._sent = null;
    if (this.hand && Object.entries(this.hand.values).some(([name, value]) => values[name] !== value)) this._send();
  }

  _follow(message) {
    if (message.tab !== this.tab || !this.hand || this._sent?.serial !== message.serial) return;
    if (message.type === "moved") {
      const scene = message.scene ?? this.moved?.scene;
      this.moved = { faults: message.faults, limits: message.limits ?? [], scene };
      this.emit("drag");
      if (message.faults.length) this._next(message.serial);
      return;
    }
    if (message.faults.length) this.moved = { ...this.moved, faults: message.faults };
    else this._heard = { values: this._sent.values, notes: message.notes };
    this._count();
    this.emit("numbers");
    this.emit("drag");
    this._next(message.serial);
  }

  _followPredicted({ tab, values, notes }) {
    if (tab !== this.tab || !this.hand || !notes.length) return;
    this._there = [...this._there, { values, notes }].slice(-2);
    this._count();
    this.emit("numbers");
  }

  /** Leaves everything where the hand has put it: one step that can be undone. */
  async letGo() {
    if (!this.hand || this._sending) return;
    const { values, label, base } = this.hand;
    this._sending = true;
    try {
      await this.post("change", { values, base, label });
    } catch (why) {
      this.announce(why.message);
      this._sending = false;
      this.dropHand();
    } finally {
      this._sending = false;
    }
  }

  /** Puts everything back as it was before the hand took hold; what has been let go already is undone instead. */
  dropHand() {
    if (this._sending) return;
    this.hand = this.moved = this._heard = this._sent = null;
    this._there = [];
    this.emit("dropped");
    this._count();
    this.emit("numbers");
    this.emit("state");
  }

  // --- numbers ---

  /** Every note with what is known of it: `by` says whether the model has answered for what is shown, or slopes. */
  _count() {
    const known = this.state?.known ?? {};
    const named = (this.state?.chambers ?? []).filter((chamber) => chamber.notes.length);
    const chambers = named.length ? named : this.state?.chambers ?? [];
    // A design without notes shows each chamber covered, as the server does.
    const rows = chambers.flatMap((chamber) =>
      (chamber.notes.length ? chamber.notes : [{ pitch: null, open: [], target_hz: null }])
        .map((note) => ({ ...note, chamber: chamber.name })));
    const exact = this._heard && sameValues(this._heard.values, this.hand?.values);
    // The nearest place that the model has answered for, and the slopes from there on.
    const from = this._heard ?? { values: {}, notes: known.numbers?.notes };
    // Of doubt and margin the model tells later: from its last word on as they changed since the word before.
    const there = this.hand ? this._there.at(-1) : undefined;
    const before = there && (this._there.length > 1 ? this._there[0].notes : known.predicted?.notes);
    const further = before ? beyond(this.hand.values, this._there.length > 1 ? this._there[0].values : {}, there.values, (name) => this._start(name)) : 0;
    // Until the model has answered for a new state the old numbers stay, told as old.
    const old = this.notes.length === rows.length && this.notes.every((note, n) => note.pitch === rows[n].pitch) ? this.notes : [];
    this.notes = rows.map((row, n) => {
      const base = from.notes?.[n];
      if (!base && old[n]) return { ...old[n], ...row, by: null, blown_by: old[n].blown_by && "slopes" };
      const told = there?.notes[n] ?? known.predicted?.notes?.[n] ?? this._predicted?.[n];
      const shift = exact || !base || !this.hand ? 0 : this._shift(n, from.values);
      const sure = !this.hand || exact;
      const cents = base?.cents == null || shift === null ? null : base.cents + shift;
      const hz = base?.hz == null || shift === null ? null : base.hz * 2 ** (shift / 1200);
      // The jet drives a note best at one number of Strouhal: its breath goes as the square of frequency times cut-up.
      const off = hz && told?.hz ? hz / told.hz : 1;
      const pressure = told?.pressure_pa == null ? null : told.pressure_pa * (off * this._cutUp(row.chamber, there)) ** 2;
      return {
        ...row,
        cents, hz, doubt_cents: onward(told?.doubt_cents, before?.[n]?.doubt_cents, further),
        pressure_pa: pressure, margin: onward(told?.margin, before?.[n]?.margin, further), speaks: told?.speaks ?? null,
        by: base ? (sure ? "model" : "slopes") : null,
        blown_by: told ? ((this.hand ? sameValues(this.hand.values, there?.values) : known.predicted) ? "model" : "slopes") : null,
      };
    });
    if (known.predicted) this._predicted = known.predicted.notes;
  }

  _shift(n, from) {
    const slopes = this.state.known.slopes?.slopes ?? {};
    let cents = 0;
    for (const [name, value] of Object.entries(this.hand.values)) {
      const start = from[name] ?? this._start(name);
      if (value === start) continue;
      if (!slopes[name]) return null; // not known yet: no number rather than a wrong one
      cents += slopes[name][n] * (value - start);
    }
    return cents;
  }

  _start(name) {
    for (const handle of this.handles) {
      const number = handle.numbers.find((each) => each.name === name);
      if (number) return number.unit === "%" ? number.value / 100 : number.value;
    }
    return 0;
  }

  _cutUp(chamber, there) {
    const name = `${chamber}.voicing.cut_up_mm`;
    const dragged = this.hand?.values[name];
    return dragged === undefined ? 1 : dragged / (there?.values[name] ?? this._start(name));
  }

  /** What the judge said of a note of the design as it is, cents; undefined where it was not asked. */
  judgedOf(note, n) {
    const first = this.notes.findIndex((each) => each.chamber === note.chamber);
    return this.hand ? undefined : this.judged.get(`${this.state.design}:${this.state.version}:${note.chamber}:${n - first}`);
  }

  // --- holes that are shown open ---

  showFingering(chamber, open) {
    this.fingering = open === null ? null : { chamber, open };
    this.emit("holes", this.fingering);
  }

  pressHole(chamber, hole, isOpen) {
    const open = new Set(this.fingering?.chamber === chamber ? this.fingering.open : []);
    if (isOpen) open.add(hole); else open.delete(hole);
    this.showFingering(chamber, [...open]);
  }
}
