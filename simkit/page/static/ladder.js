// The notes as beads on rungs: the lowest at the foot, the lane in the middle is in tune, a bead to the right is sharp.

import { drawn, signed } from "./elements.js";

const NEAR = 8, FAR = 120; // cents: the lane's scale is even up to the first and closes up towards the second
export const place = (cents) => 50 + 46 * Math.max(-1, Math.min(1, Math.asinh(cents / NEAR) / Math.asinh(FAR / NEAR)));

export class Ladder {
  constructor(element, session) {
    this.element = element;
    this.session = session;
    this.rows = [];
    session.on("state", () => this._renew());
    session.on("numbers", () => this.fill());
    session.on("holes", () => this.fill());
    this.sign = element.querySelector(".by");
    this.body = element.querySelector("tbody");
    for (const kind of ["pointerdown", "pointermove"]) addEventListener(kind, (event) => { this._pointed = event.buttons ? event.clientY : null; }, true);
    for (const event of ["state", "drag"]) session.on(event, () => this._float());
  }

  /** While a hand changes something the notes are seen: where they lie out of sight, at that end where the hand is not. */
  _float() {
    const held = Boolean(this.session.hand), { classList, style } = this.element;
    if (held === classList.contains("held")) return;
    classList.toggle("held", held);
    if (!held) {
      classList.remove("afloat", "at-head", "at-foot");
      style.height = "";
      return;
    }
    const { top, height } = this.body.getBoundingClientRect();
    if (top >= 0 && top + Math.min(height, innerHeight / 2) <= innerHeight) return;
    const hand = this._pointed ?? document.activeElement.getBoundingClientRect().bottom;
    style.height = `${this.element.offsetHeight}px`; // its place stays
    classList.add("afloat", hand > innerHeight / 2 ? "at-head" : "at-foot");
    this.element.parentElement.style.setProperty("--afloat", `${this.element.firstElementChild.offsetHeight}px`);
  }

  _renew() {
    const shape = JSON.stringify(this.session.notes.map((note) => [note.chamber, note.pitch, note.open, this._holes(note.chamber)]));
    if (shape === this._shape) return this.fill();
    this._shape = shape;
    const several = new Set(this.session.notes.map((note) => note.chamber)).size > 1;
    this.rows = this.session.notes.map((note, n) => this._row(note, n, several));
    this.body.replaceChildren(...[...this.rows].reverse().map((row) => row.node));
    this.fill();
  }

  _holes(chamber) {
    return this.session.design.chambers.find((each) => each.name === chamber)?.holes.map((hole) => hole.name) ?? [];
  }

  _row(note, n, several) {
    const node = document.createElement("tr");
    const cell = (kind, tag = "td") => {
      const made = document.createElement(tag);
      made.className = kind;
      node.append(made);
      return made;
    };
    const name = cell("pitch", "th");
    name.scope = "row";
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = note.pitch ?? "covered";
    if (several) button.title = note.chamber;
    button.addEventListener("click", () => this._tap(n));
    name.append(button);
    const holes = this._holes(note.chamber);
    const dots = cell("dots");
    dots.append(fingering(holes, note.open));
    const lane = cell("lane");
    lane.innerHTML = `<div class="rung"><i class="doubt"></i><i class="bead"></i><i class="judge" title="by the judge" hidden></i></div>`;
    return {
      node, button, lane: lane.firstChild, doubt: lane.querySelector(".doubt"), bead: lane.querySelector(".bead"), judge: lane.querySelector(".judge"),
      cents: cell("cents"), breath: cell("breath"), margin: cell("margin"),
    };
  }

  _tap(n) {
    const note = this.session.notes[n];
    const shown = this.session.fingering;
    const same = shown && shown.note === n;
    this.session.showFingering(note.chamber, same ? null : note.open);
    if (!same) this.session.fingering.note = n;
    this.fill();
  }

  fill() {
    let by = null;
    this.session.notes.forEach((note, n) => {
      const row = this.rows[n];
      if (!row) return;
      row.node.className = [note.by ? `by-${note.by}` : "by-none", this.session.fingering?.note === n ? "shown" : "", note.blown_by ? `blown-${note.blown_by}` : ""].join(" ");
      row.button.setAttribute("aria-pressed", this.session.fingering?.note === n ? "true" : "false");
      by = note.by ?? by;
      const known = note.cents !== null, judged = this.session.judgedOf(note, n);
      row.judge.hidden = judged === undefined;
      if (judged !== undefined) row.judge.style.left = `${place(judged)}%`;
      row.lane.classList.toggle("unknown", !known);
      if (known) {
        row.bead.style.left = `${place(note.cents)}%`;
        const doubt = note.doubt_cents ?? 0, low = place(note.cents - doubt);
        row.doubt.style.left = `${low}%`;
        row.doubt.style.width = `${place(note.cents + doubt) - low}%`;
      }
      write(row.cents, known ? `${signed(note.cents, 1)}${note.doubt_cents === null ? "" : ` <small>± ${note.doubt_cents.toFixed(0)}</small>`}` : note.hz ? `${note.hz.toFixed(1)} Hz` : "…");
      const breath = note.speaks === false ? "silent" : note.pressure_pa === null ? "…" : `${Math.round(note.pressure_pa)}`;
      write(row.breath, breath);
      write(row.margin, note.margin === null ? (note.speaks ? "> 5 kPa" : "") : `${note.margin.toFixed(1)}×`);
      row.margin.classList.toggle("small", note.margin !== null && note.margin < 1.5);
    });
    const words = { model: "by the model", slopes: "by slopes, while the model works", null: "the model is working" }[by];
    if (this.sign.textContent !== words) this.sign.textContent = words;
    this.sign.dataset.by = by ?? "none";
  }
}

function write(cell, html) {
  if (cell.innerHTML !== html) cell.innerHTML = html;
}

/** Covered and open circles in the player's order. */
export function fingering(holes, open) {
  const wide = 7 * Math.max(holes.length, 1), label = open.length ? `open: ${open.join(", ")}` : "all covered";
  const svg = drawn("svg", { viewBox: `0 0 ${wide} 8`, class: "fingering", role: "img", "aria-label": label });
  svg.style.width = `${wide * 1.35}px`;
  holes.forEach((hole, i) => drawn("circle", { cx: 7 * i + 3.5, cy: 4, r: 2.5, class: open.includes(hole) ? "open" : "covered" }, svg));
  return svg;
}
