// All designs of the folder side by side, and the ways to a new one.

import { drawn, make } from "./elements.js";
import { facets, rim, surfaceOf } from "./geometry.js";
import { place } from "./ladder.js";
import { showJobs } from "./panels.js";

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

/** A strip with a tick for each note's cents, to the ladder's scale. */
function strip(cents) {
  const svg = drawn("svg", { viewBox: "0 0 100 10", class: "strip", "aria-hidden": "true" });
  drawn("rect", { x: 36, y: 0, width: 28, height: 10, class: "lane" }, svg);
  for (const each of cents) drawn("line", { x1: place(each), x2: place(each), y1: 1.5, y2: 8.5, class: "tick" }, svg);
  return svg;
}

/** The piece from above, along from left to right. */
function picture(scene) {
  const flat = (p) => [p[1], p[0]]; // a screen's y runs downward, and so does the piece's right here
  const svg = drawn("svg", { class: "outline small", "aria-hidden": "true" });
  const xs = [], ys = [];
  for (const chamber of scene.chambers) {
    const surface = surfaceOf(chamber.sheets);
    for (let i = 0; i < surface.points.length; i += 3) {
      xs.push(surface.points[i + 1]);
      ys.push(surface.points[i]);
    }
    const d = facets(surface, flat);
    drawn("path", { class: "clay-line", d }, svg);
    drawn("path", { class: "clay-face", d }, svg);
  }
  for (const opening of scene.chambers.flatMap((chamber) => chamber.openings)) {
    if (opening.axis[2] < -0.02) continue; // it is cut from underneath
    const points = rim(opening).map((p) => flat(p).map((c) => c.toFixed(2)).join(","));
    drawn("polygon", { class: opening.round ? "card-hole" : "card-window", points: points.join(" ") }, svg);
  }
  const [x, y] = [Math.min(...xs), Math.min(...ys)];
  svg.setAttribute("viewBox", [x - 3, y - 3, Math.max(...xs) - x + 6, Math.max(...ys) - y + 6].map((c) => c.toFixed(1)).join(" "));
  return svg;
}
