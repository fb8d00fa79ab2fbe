// What a hand or a key does to an opening or to the body: from a ray through the picture to numbers of the design.

import { add, dot, less, meet, mouth, movedTo, placeOf, surfaceOf, turnNear } from "./geometry.js";

const ZERO = { length: 1, width: 1, height: 1, breadth: 1 };

/** The piece as it is drawn: surfaces of the clay, and openings where the hand and the server's last word have them. */
export class Piece {
  constructor(session) {
    this.session = session;
    this.surfaces = [];
    this.held = null; // the opening in the hand, as the hand has it
    this.selected = null; // the key of the opening or body that is chosen
    this.restMs = 900; // after which what keys have changed is left there
    session.on("state", () => this._renew());
  }

  _renew() {
    const scene = this.session.scene;
    if (!this.session.hand) this.held = null;
    if (!scene || this._scene === scene) return;
    this._scene = scene;
    this.surfaces = scene.chambers.map((chamber) => ({
      name: chamber.name, frame: chamber.frame, windway: chamber.windway, ...surfaceOf(chamber.sheets),
    }));
  }

  /** By how much the body is stretched while a hand does it. */
  stretch(chamber) {
    const figure = this.session.scene?.thickness_mm === null; // what is seen then is not the body that is stretched
    const values = figure ? {} : this.session.hand?.values ?? {};
    const found = { ...ZERO };
    for (const way of Object.keys(ZERO)) found[way] = values[`${chamber}.${way}`] ?? 1;
    return { along: found.length * (this._isBall(chamber) ? found.breadth : 1), right: found.width * found.breadth, up: found.height * found.breadth };
  }

  _isBall(chamber) {
    return !this.session.handles.some((h) => h.chamber === chamber && h.numbers[0]?.name === `${chamber}.length`);
  }

  stretched(surface, point) {
    const { along, right, up } = this.stretch(surface.name);
    if (along === 1 && right === 1 && up === 1) return point;
    const { frame } = surface, off = less(point, frame.origin);
    const parts = [[frame.along, along], [frame.right, right], [frame.up, up]];
    return parts.reduce((sum, [way, factor]) => add(sum, way, factor * dot(off, way)), frame.origin);
  }

  get openings() {
    return this.session.openings.map((opening) => (this.held?.key === opening.key ? this.held : opening));
  }

  opening(key) { return this.openings.find((each) => each.key === key); }

  choose(key) {
    if (this.selected === key) return;
    this.selected = key;
    this.session.emit("chosen", key);
  }

  /** The least and the greatest of all its coordinates. */
  extent() {
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    const take = (p) => p.forEach((c, i) => { low[i] = Math.min(low[i], c); high[i] = Math.max(high[i], c); });
    for (const surface of this.surfaces) {
      const { points } = surface;
      // Every third point: the outline is known well enough by these.
      for (let i = 0; i < points.length; i += 9) take(this.stretched(surface, [points[i], points[i + 1], points[i + 2]]));
      surface.windway.forEach(take);
    }
    return [low, high];
  }

  chamberOf(key) {
    return this.surfaces.find((surface) => key.startsWith(`${surface.name}.`));
  }

  /** What a pointer at a point of an opening's own plane means: its place, or its rim. */
  modeAt(opening, offset) {
    const u = Math.abs(dot(offset, opening.across)), v = Math.abs(dot(offset, opening.forward));
    if (opening.round) return Math.hypot(u, v) > 0.72 * opening.radius_mm ? "rim" : "place"; // the outer part of a hole is its rim
    const inside = u < 0.36 * opening.width_mm && v < 0.36 * opening.height_mm;
    return inside ? "place" : u / opening.width_mm > v / opening.height_mm ? "width" : "cut-up";
  }

  /** A ray that drags an opening; `mode` as of modeAt. */
  drag(key, mode, from, way) {
    const opening = this.opening(key), handle = this.session.handle(key);
    if (!opening || !handle) return;
    clearTimeout(this._rest);
    if (mode === "place") this._slide(opening, handle, from, way);
    else this._widen(opening, handle, mode, from, way);
  }

  _slide(opening, handle, from, way) {
    const surface = this.chamberOf(opening.key);
    const hit = meet(surface.corners.length ? surface : this.surfaces[0], from, way);
    if (!hit) return;
    const inner = add(hit.point, hit.normal, -(this.session.scene.thickness_mm ?? opening.length_mm));
    const place = placeOf(surface.frame, inner);
    const [along, around] = ["along", "around"].map((word) => handle.numbers.find((n) => n.label === word));
    const changes = [];
    if (along) changes.push([along, place.along]);
    if (around) changes.push([around, turnNear(place.around, this.session.value(around))]);
    this.held = movedTo(opening, hit);
    this.session.dragTo(changes, `${handle.label} moved`);
  }

  _widen(opening, handle, mode, from, way) {
    const middle = mouth(opening), slant = dot(way, opening.axis);
    if (Math.abs(slant) < 0.05) return; // looked at edge on: a pixel would be centimetres
    const offset = less(add(from, way, dot(less(middle, from), opening.axis) / slant), middle);
    const u = Math.abs(dot(offset, opening.across)), v = Math.abs(dot(offset, opening.forward));
    const [word, value] = mode === "rim" ? ["diameter", 2 * Math.hypot(u, v)]
      : mode === "width" ? ["width", 2 * u] : ["cut-up", 2 * v];
    this.setNumber(handle, word, value);
  }

  /** A number by its word, as by a key or a box. */
  setNumber(handle, word, value) {
    const number = handle.numbers.find((each) => each.label === word);
    if (!number) return;
    clearTimeout(this._rest);
    const opening = this.opening(handle.opening);
    if (opening && this._sizes(opening, word, value)) this.held = { ...opening, ...this._sizes(opening, word, value) };
    this.session.dragTo([[number, value]], `${handle.label}: ${word}`);
  }

  _sizes(opening, word, value) {
    if (word === "diameter") return { radius_mm: value / 2 };
    if (word === "width" && !opening.round) return { width_mm: value };
    if (word === "cut-up") return { height_mm: value };
    return null;
  }

  /** Keys: arrows move, plus and minus widen; with shift in larger steps. True where the key meant something. */
  key(handle, event) {
    const large = event.shiftKey ? 5 : 1;
    const sizes = handle.kind === "hole" ? ["diameter"] : handle.kind === "window" ? ["width"] : [handle.numbers[0].label];
    const steps = {
      ArrowUp: ["along", 0.5], ArrowDown: ["along", -0.5], ArrowRight: ["around", 1], ArrowLeft: ["around", -1],
      "+": [sizes[0], 0.1], "=": [sizes[0], 0.1], "-": [sizes[0], -0.1], "_": [sizes[0], -0.1],
      "]": ["cut-up", 0.05], "[": ["cut-up", -0.05],
    };
    if (handle.kind === "body") {
      for (const name of ["ArrowUp", "ArrowRight", "+", "="]) steps[name] = [sizes[0], 0.5];
      for (const name of ["ArrowDown", "ArrowLeft", "-", "_"]) steps[name] = [sizes[0], -0.5];
    }
    const step = steps[event.key];
    const number = step && handle.numbers.find((each) => each.label === step[0]);
    if (!number) return false;
    this.setNumber(handle, step[0], this.session.value(number) + large * step[1]);
    this._rest = setTimeout(() => this.session.letGo(), this.restMs);
    return true;
  }

  /** In words, for those who do not see it. */
  said(handle) {
    const words = handle.numbers.map((n) => `${n.label} ${this.session.value(n).toFixed(n.unit === "mm" ? 2 : 1)} ${n.unit === "°" ? "degrees" : n.unit === "%" ? "percent" : "mm"}`);
    return words.join(", ");
  }
}
