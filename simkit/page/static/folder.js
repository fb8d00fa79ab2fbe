// All designs of the folder side by side, and the ways to a new one.

import { SIDES, dot, rim, surfaceOf } from "./geometry.js";
import { make, showJobs } from "./panels.js";

const SVG = "http://www.w3.org/2000/svg";

export class Folder {
  constructor(element, session, open) {
    Object.assign(this, { element, session, open });
    this.cards = element.querySelector(".cards");
    this.note = element.querySelector(".folder-note");
    this._forms();
    showJobs(element.querySelector(".going"), session, ["wish", "start"], true);
    session.on("job", (job) => {
      if (["wish", "start"].includes(job.kind) && job.state === "done") this.open(job.design);
    });
  }

  async show() {
    const found = await this.session.get("folder");
    this.element.querySelector("h1").textContent = found.folder;
    const all = [...found.designs, ...found.unwritten.map((each) => ({ ...each, saved: false }))];
    this.note.textContent = all.length ? "" : "No design lies in this folder yet. Begin with a wish, or with a small whistle.";
    this.cards.replaceChildren(...all.map((each) => this._card(each)));
    for (const card of this.cards.children) await this._fill(card).catch((why) => card.classList.add("broken") ?? (card.querySelector(".plays").textContent = why.message.split("\n")[0]));
  }

  _card({ file, title, saved }) {
    const card = make("button", { class: "card", type: "button", onclick: () => this.open(file) },
      make("span", { class: "card-title" }, title), make("span", { class: "file" }, saved ? file : `${file}, not saved`),
      make("span", { class: "picture" }), make("span", { class: "plays" }, "…"));
    card.dataset.file = file;
    return card;
  }

  async _fill(card) {
    const shown = await this.session.get("card", { query: { design: card.dataset.file } });
    card.querySelector(".picture").replaceChildren(picture(shown.scene));
    const plays = card.querySelector(".plays");
    if (!shown.notes) { plays.textContent = shown.faults[0]?.what ?? ""; return; }
    const rows = shown.chambers.flatMap((chamber) => chamber.notes);
    const cents = shown.notes.map((note) => note.cents).filter((each) => each !== null);
    const worst = Math.max(...cents.map(Math.abs), 0);
    const range = rows.length ? `${rows[0].pitch} to ${rows.at(-1).pitch}` : "";
    plays.replaceChildren(strip(cents), make("span", {}, cents.length ? `${range}, worst note ${worst.toFixed(1)} cents` : "no notes yet"));
  }

  _forms() {
    const wish = this.element.querySelector("#wish"), start = this.element.querySelector("#start");
    const begin = (kind, form) => {
      const given = Object.fromEntries(new FormData(form));
      const name = given.file.trim();
      this.session.post("work", { ...given, kind, design: name.endsWith(".toml") ? name : `${name}.toml` })
        .catch((why) => this.session.announce(why.message));
    };
    wish.addEventListener("submit", (event) => { event.preventDefault(); begin("wish", wish); });
    start.addEventListener("submit", (event) => { event.preventDefault(); begin("start", start); });
  }
}

/** A strip with a tick for each note's cents. */
function strip(cents) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 100 10");
  svg.setAttribute("class", "strip");
  svg.setAttribute("aria-hidden", "true");
  const add = (name, attributes) => {
    const node = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    svg.append(node);
  };
  add("rect", { x: 36, y: 0, width: 28, height: 10, class: "lane" });
  for (const each of cents) {
    const x = 50 + 46 * Math.max(-1, Math.min(1, Math.asinh(each / 8) / Math.asinh(15)));
    add("line", { x1: x, x2: x, y1: 1.5, y2: 8.5, class: "tick" });
  }
  return svg;
}

/** The piece from above, along from left to right. */
function picture(scene) {
  const flat = (p) => [p[1], p[0]], { toward } = SIDES[0];
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("class", "outline small");
  svg.setAttribute("aria-hidden", "true");
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  const draw = (name, kind, attributes) => {
    const node = document.createElementNS(SVG, name);
    node.setAttribute("class", kind);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    svg.append(node);
  };
  for (const chamber of scene.chambers) {
    const { points, corners } = surfaceOf(chamber.sheets), parts = [];
    const at = (i) => flat([points[3 * i], points[3 * i + 1], points[3 * i + 2]]);
    for (let t = 0; t < corners.length; t += 3) {
      const [a, b, c] = [at(corners[t]), at(corners[t + 1]), at(corners[t + 2])];
      for (const [x, y] of [a, b, c]) { box[0] = Math.min(box[0], x); box[1] = Math.min(box[1], y); box[2] = Math.max(box[2], x); box[3] = Math.max(box[3], y); }
      if ((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) >= 0) continue;
      parts.push(`M${a[0].toFixed(1)} ${a[1].toFixed(1)}L${b[0].toFixed(1)} ${b[1].toFixed(1)}L${c[0].toFixed(1)} ${c[1].toFixed(1)}Z`);
    }
    draw("path", "clay-line", { d: parts.join("") });
    draw("path", "clay-face", { d: parts.join("") });
  }
  for (const opening of scene.chambers.flatMap((chamber) => chamber.openings)) {
    if (dot(opening.axis, toward) < -0.02) continue;
    const points = rim(opening).map((p) => flat(p).map((c) => c.toFixed(2)).join(","));
    draw("polygon", opening.round ? "card-hole" : "card-window", { points: points.join(" ") });
  }
  svg.setAttribute("viewBox", [box[0] - 3, box[1] - 3, box[2] - box[0] + 6, box[3] - box[1] + 6].map((c) => c.toFixed(1)).join(" "));
  return svg;
}

