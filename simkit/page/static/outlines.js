// The piece from three sides, to one scale, drawn as the printed views are; every handle can be reached by keys.

import { drawn as make } from "./elements.js";
import { add, dot, facets, mouth, rim } from "./geometry.js";

const ABOVE = { name: "from above", right: [0, 1, 0], up: [-1, 0, 0], toward: [0, 0, 1] };
const RIGHT = { name: "from the right", right: [0, 1, 0], up: [0, 0, 1], toward: [1, 0, 0] };
const MOUTH = { name: "from the mouth end", right: [1, 0, 0], up: [0, 0, 1], toward: [0, -1, 0] };
const EDGE_ON = -0.02; // cosine: rims seen as a line still count as in front
const MARGIN = 9; // mm around a view, for names
const BODY_GRIPS = { length: ABOVE, width: MOUTH, height: RIGHT, breadth: MOUTH };

export class Outlines {
  constructor(element, session, piece) {
    this.session = session;
    this.piece = piece;
    this.views = [ABOVE, RIGHT, MOUTH].map((side) => new View(element, side, session, piece, this));
    const draw = () => { this._asked ??= requestAnimationFrame(() => { this._asked = null; this.draw(); }); };
    session.on("state", draw);
    session.on("drag", draw);
    session.on("holes", draw);
    session.on("chosen", draw);
    this.element = element;
  }

  draw() {
    if (!this.session.scene) return;
    const shape = JSON.stringify(this.piece.surfaces.map((surface) => this.piece.stretch(surface.name)));
    if (this._surfaces === this.piece.surfaces && this._shape === shape) {
      for (const view of this.views) view.drawOpenings();
      return;
    }
    [this._surfaces, this._shape] = [this.piece.surfaces, shape];
    const box = this.piece.extent();
    const across = (axis) => box[1][axis] - box[0][axis] + 2 * MARGIN;
    this.element.style.setProperty("--third", `${(100 * across(0)) / across(1)}%`); // one below the other, to the same scale
    this.element.style.gridTemplateColumns = `${across(1)}fr ${across(0)}fr`;
    for (const view of this.views) view.draw(box);
  }

  /** The view in which an opening is looked at most squarely: there its handle is reached by keys. */
  best(opening) {
    return this.views.reduce((best, view) => (facing(opening, view.side) > facing(opening, best.side) + 1e-6 ? view : best), this.views[0]);
  }
}

const facing = (opening, side) => dot(opening.axis, side.toward);

class View {
  constructor(parent, side, session, piece, all) {
    Object.assign(this, { side, session, piece, all });
    this.svg = make("svg", { class: "outline", role: "group", "aria-label": `the piece ${side.name}` }, parent);
    this.svg.dataset.side = side.name;
    this.clay = make("g", { "aria-hidden": "true" }, this.svg);
    this.marks = make("g", {}, this.svg);
    this.grips = new Map();
    this.svg.addEventListener("pointermove", (event) => this._move(event));
    for (const end of ["pointerup", "pointercancel"]) this.svg.addEventListener(end, (event) => this._up(event));
    session.on("dropped", () => { this.grab = this.pull = null; });
    new ResizeObserver(([{ contentRect }]) => { this.pixels = contentRect.width; this._measure(); }).observe(this.svg);
  }

  flat(p) { return [dot(p, this.side.right), -dot(p, this.side.up)]; }

  draw(box) {
    const corners = [this.flat(box[0]), this.flat(box[1])];
    const [x0, x1] = [corners[0][0], corners[1][0]].sort((a, b) => a - b);
    const [y0, y1] = [corners[0][1], corners[1][1]].sort((a, b) => a - b);
    const view = [x0 - MARGIN, y0 - MARGIN, x1 - x0 + 2 * MARGIN, y1 - y0 + 2 * MARGIN];
    // While a hand stretches the body the frame stays, or the piece would seem to stand still.
    if (!this.session.hand) {
      this.svg.setAttribute("viewBox", view.map((c) => c.toFixed(2)).join(" "));
      this.wide = view[2];
    }
    this.box = [x0, y0, x1, y1];
    this._drawClay();
    this.drawOpenings();
    this._measure();
  }

  /** How many millimetres of the piece one pixel is: letters keep their size on a small screen. */
  _measure() {
    if (!this.pixels || !this.wide) return;
    this.svg.style.setProperty("--mm-per-px", (this.wide / this.pixels).toFixed(3));
    this._nameSide();
  }

  /** Openings and grips, which move while the clay stays. */
  drawOpenings() {
    this._drawOpenings();
    this._drawBodyGrips();
  }

  _drawClay() {
    this._ends = new Map();
    this.clay.replaceChildren();
    const behind = [...this.piece.surfaces].sort((a, b) => this._near(a) - this._near(b));
    for (const surface of behind) {
      // A pen about all that faces the eye, and a thinner one in clay over it: what is left of the first is the outline.
      const d = this._path(surface);
      make("path", { d, class: "clay-line" }, this.clay);
      make("path", { d, class: "clay-face" }, this.clay);
    }
    this.name = make("text", { y: this.box[3] + MARGIN - 1.5, class: "side-name" }, this.clay);
    this.name.textContent = this.side.name;
    for (const { windway } of this.piece.surfaces.filter((s) => s.windway.length)) {
      const points = windway.map((p) => this.flat(p).map((c) => c.toFixed(2)).join(","));
      make("polyline", { points: points.join(" "), class: "windway" }, this.clay);
    }
  }

  _near(surface) {
    const { points } = surface;
    let sum = 0;
    for (let i = 0; i < points.length; i += 3) sum += points[i] * this.side.toward[0] + points[i + 1] * this.side.toward[1] + points[i + 2] * this.side.toward[2];
    return sum / points.length;
  }

  _path(surface) {
    return facets(surface, (point) => this.flat(this.piece.stretched(surface, point)));
  }

  _drawOpenings() {
    const troubled = new Set(this.session.limits.flatMap((limit) => limit.where));
    const seen = new Set();
    const opened = this.session.fingering;
    for (const opening of this.piece.openings) {
      seen.add(opening.key);
      const grip = this.grips.get(opening.key) ?? this._grip(opening);
      const front = facing(opening, this.side) > EDGE_ON;
      const shown = front || this.side === ABOVE;
      if (!shown) {
        grip.node.setAttribute("class", "grip gone");
        continue;
      }
      const points = rim(opening).map((p) => this.flat(p));
      grip.rim.setAttribute("points", points.map((p) => p.map((c) => c.toFixed(2)).join(",")).join(" "));
      const middle = this.flat(mouth(opening));
      const chamber = this.piece.chamberOf(opening.key)?.name;
      const open = opening.round && opened && opened.chamber === chamber && opened.open.includes(opening.name);
      const covered = opening.round && opened && !open;
      grip.node.setAttribute("class", ["grip", opening.round ? "hole" : "window", front ? "" : "hidden-side", open ? "is-open" : "", covered ? "is-covered" : "", troubled.has(opening.key) ? "troubled" : "", this.piece.selected === opening.key ? "chosen" : ""].join(" "));
      grip.target.setAttribute("cx", middle[0]);
      grip.target.setAttribute("cy", middle[1]);
      grip.target.setAttribute("r", Math.max(opening.round ? opening.radius_mm : opening.width_mm / 2, 5) + 1);
      if (grip.name) {
        // Seen edge on, in a side where its handle is not, an opening needs no name.
        grip.name.classList.toggle("unseen", Math.abs(facing(opening, this.side)) < 0.4 && this.all.best(opening) !== this);
        const fits = opening.radius_mm * Math.abs(facing(opening, this.side)) > 2.3;
        const [dx, dy] = fits && front ? [0, 0] : this._beside(opening);
        grip.name.setAttribute("x", middle[0] + dx);
        grip.name.setAttribute("y", middle[1] + dy);
        grip.name.classList.toggle("inside", dx === 0 && dy === 0);
      }
      this._label(grip, opening);
    }
    this._nameSide();
    for (const [key, grip] of this.grips) {
      if (!seen.has(key) && !key.startsWith("body:")) { grip.node.remove(); this.grips.delete(key); }
    }
  }

  /** The side's name stands under the piece to the left, or to the right where a hole's name stands there. */
  _nameSide() {
    const [x0, , x1, y1] = this.box, wide = 7.5 * this.side.name.length * (this.wide / (this.pixels || 300));
    const taken = [...this.grips.values()].some(({ node, name }) => name && !node.classList.contains("gone") && !name.classList.contains("unseen")
      && name.getAttribute("y") > y1 && name.getAttribute("x") < x0 + wide);
    this.name.setAttribute("x", taken ? x1 + 5 : x0 - 5);
    this.name.setAttribute("text-anchor", taken ? "end" : "start");
  }

  _beside(opening) {
    const way = this.flat(opening.axis), far = Math.hypot(...way) || 1;
    const off = Math.max(opening.radius_mm, 2) + 3.2;
    return far < 0.2 ? [off, -off * 0.6] : [(off * way[0]) / far, (off * way[1]) / far];
  }

  _grip(opening) {
    const node = make("g", {}, this.marks);
    const grip = { node, target: make("circle", { class: "target" }, node), rim: make("polygon", { class: "rim" }, node) };
    if (opening.round) {
      grip.name = make("text", { class: "name", "aria-hidden": "true" }, node);
      grip.name.textContent = opening.name;
    }
    node.addEventListener("pointerdown", (event) => this._down(event, opening.key));
    node.addEventListener("keydown", (event) => this._key_(event, opening.key));
    node.addEventListener("focus", () => this.piece.choose(opening.key));
    this.grips.set(opening.key, grip);
    return grip;
  }

  _label(grip, opening) {
    const handle = this.session.handle(opening.key);
    const mine = handle && this.all.best(opening) === this;
    if (!mine) {
      for (const name of ["tabindex", "role", "aria-valuenow", "aria-valuetext", "aria-label"]) grip.node.removeAttribute(name);
      grip.node.setAttribute("aria-hidden", "true");
      return;
    }
    const first = handle.numbers[0];
    const said = {
      tabindex: "0", role: "slider", "aria-label": `${handle.label}: arrow keys move it, plus and minus widen it`,
      "aria-valuemin": first.low.toFixed(1), "aria-valuemax": first.high.toFixed(1),
      "aria-valuenow": this.session.value(first).toFixed(1), "aria-valuetext": this.piece.said(handle),
    };
    grip.node.removeAttribute("aria-hidden");
    for (const [name, value] of Object.entries(said)) grip.node.setAttribute(name, value);
  }

  _drawBodyGrips() {
    const [x0, y0, x1, y1] = this.box;
    for (const handle of this.session.handles.filter((each) => each.kind === "body")) {
      const number = handle.numbers[0];
      if (BODY_GRIPS[number.label] !== this.side) continue;
      const key = `body:${number.name}`;
      const grip = this.grips.get(key) ?? this._bodyGrip(key, handle);
      const surface = this.piece.surfaces.find((each) => each.name === handle.chamber);
      if (!surface) continue;
      const [x, y] = this._end(surface, number.label) ?? [number.label === "height" ? (x0 + x1) / 2 : x1, number.label === "height" ? y0 : (y0 + y1) / 2];
      grip.node.setAttribute("transform", `translate(${x.toFixed(2)} ${y.toFixed(2)}) rotate(${number.label === "height" ? -90 : 0})`);
      grip.node.classList.toggle("chosen", this.piece.selected === key);
      const said = {
        "aria-valuemin": number.low.toFixed(0), "aria-valuemax": number.high.toFixed(0),
        "aria-valuenow": this.session.value(number).toFixed(1),
        "aria-valuetext": `${((this.session.value(number) / 100) * number.of_mm).toFixed(1)} mm, ${this.session.value(number).toFixed(1)} percent`,
      };
      for (const [name, value] of Object.entries(said)) grip.node.setAttribute(name, value);
    }
  }

  /** Where the body ends in this view, the way that a grip pulls. */
  _end(surface, way) {
    const key = `${surface.name} ${way}`;
    if (this._ends.has(key)) return this._ends.get(key);
    const { points } = surface;
    let best = null;
    for (let i = 0; i < points.length; i += 3) {
      const p = this.flat(this.piece.stretched(surface, [points[i], points[i + 1], points[i + 2]]));
      if (!best || (way === "height" ? p[1] < best[1] : p[0] > best[0])) best = p;
    }
    this._ends.set(key, best);
    return best;
  }

  _bodyGrip(key, handle) {
    const number = handle.numbers[0];
    const node = make("g", { class: "grip body", tabindex: "0", role: "slider", "aria-label": `${handle.label}, ${number.label}: arrow keys stretch it` }, this.marks);
    make("circle", { class: "target", cx: 4, cy: 0, r: 6 }, node);
    make("path", { class: "pull", d: "M2.2 -2.6 L6 0 L2.2 2.6" }, node);
    node.addEventListener("pointerdown", (event) => {
      this._take(event);
      this.piece.choose(key);
      const surface = this.piece.surfaces.find((each) => each.name === handle.chamber);
      this.pull = { handle, number, start: this._millimetres(event), value: this.session.value(number), reach: number.label === "length" || number.label === "height" ? number.of_mm : number.of_mm / 2, surface };
    });
    node.addEventListener("keydown", (event) => this._bodyKey(event, handle));
    node.addEventListener("focus", () => this.piece.choose(key));
    const grip = { node };
    this.grips.set(key, grip);
    return grip;
  }

  _bodyKey(event, handle) {
    if (event.key === "Escape") return this.session.dropHand();
    if (this.piece.key(handle, event)) event.preventDefault();
  }

  _key_(event, key) {
    if (event.key === "Escape") return this.session.dropHand();
    if (event.key === "Enter") return this.session.letGo();
    if (this.piece.key(this.session.handle(key), event)) event.preventDefault();
  }

  _take(event) {
    event.preventDefault();
    this.svg.setPointerCapture(event.pointerId);
    event.currentTarget.focus?.({ preventScroll: true });
  }

  _millimetres(event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return [at.x, at.y];
  }

  _ray(event) {
    const [x, y] = this._millimetres(event), { right, up, toward } = this.side;
    // From a metre off: outside of any piece.
    const from = add(add(add([0, 0, 0], right, x), up, -y), toward, 1000);
    return [from, toward.map((c) => -c)];
  }

  _down(event, key) {
    const opening = this.piece.opening(key);
    if (!opening || facing(opening, this.side) <= 0.05) return this.piece.choose(key);
    this._take(event);
    this.piece.choose(key);
    const [from, way] = this._ray(event), middle = mouth(opening);
    const far = dot(middle.map((c, i) => c - from[i]), opening.axis) / dot(way, opening.axis);
    const offset = add(from, way, far).map((c, i) => c - middle[i]);
    this.grab = { key, mode: this.piece.modeAt(opening, offset), at: [event.clientX, event.clientY], moved: false };
  }

  _move(event) {
    if (this.pull) {
      const [x, y] = this._millimetres(event), { handle, number, start, value, reach } = this.pull;
      const by = number.label === "height" ? 2 * (start[1] - y) : x - start[0];
      this.pull.moved = true;
      this.session.dragTo([[number, value + (100 * by) / reach]], `${handle.label}: ${number.label}`);
      return;
    }
    if (!this.grab) return;
    if (!this.grab.moved && Math.hypot(event.clientX - this.grab.at[0], event.clientY - this.grab.at[1]) < 4) return;
    this.grab.moved = true;
    this.piece.drag(this.grab.key, this.grab.mode, ...this._ray(event));
  }

  _up(event) {
    const { grab, pull } = this;
    this.grab = this.pull = null;
    if (event.type === "pointercancel") return this.session.hand && this.session.dropHand();
    if (pull?.moved || grab?.moved) return this.session.letGo();
    if (grab) tapped(this.session, this.piece, grab.key);
  }
}

/** An opening that was tapped and not dragged: a hole opens or closes. */
export function tapped(session, piece, key) {
  const opening = piece.opening(key), chamber = piece.chamberOf(key)?.name;
  if (!opening?.round || !chamber) return;
  const was = session.fingering?.chamber === chamber && session.fingering.open.includes(opening.name);
  session.pressHole(chamber, opening.name, !was);
  session.emit("tap", { chamber, hole: opening.name });
}
