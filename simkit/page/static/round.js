// The piece in the round: turned by dragging the ground, its holes dragged along the wall. Without WebGL it is left out.

import * as THREE from "./three.module.min.js";
import { add, dot, less, meet, mouth, rim } from "./geometry.js";
import { tapped } from "./outlines.js";

const LIFT = 0.25; // mm by which what is drawn on the clay stands off it

export class Round {
  constructor(element, session, piece) {
    Object.assign(this, { element, session, piece });
    this.renderer = new THREE.WebGLRenderer({ antialias: true, alpha: true });
    this.canvas = this.renderer.domElement;
    this.canvas.setAttribute("aria-hidden", "true");
    element.append(this.canvas);
    this.scene = new THREE.Scene();
    this.camera = new THREE.PerspectiveCamera(26, 1, 10, 4000);
    this.camera.up.set(0, 0, 1);
    this.turn = { around: 1.02, above: 0.78, far: 1 };
    this.target = new THREE.Vector3();
    this._lights();
    this.bodies = new THREE.Group();
    this.marks = new THREE.Group();
    this.scene.add(this.bodies, this.marks);
    this._pointers();
    const soon = () => { this._due ??= requestAnimationFrame(() => { this._due = null; this.draw(); }); };
    for (const event of ["state", "drag", "holes", "chosen"]) session.on(event, soon);
    session.on("dropped", () => { this.grab = null; });
    new ResizeObserver(() => this._fit()).observe(element);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this._shown = null; this.draw(); });
  }

  _lights() {
    this.scene.add(new THREE.HemisphereLight(0xfff6ec, 0x8a7464, 2.1));
    this.sun = new THREE.DirectionalLight(0xffffff, 2.1);
    const back = new THREE.DirectionalLight(0xffe2cc, 0.6);
    this.sun.position.set(-0.6, -0.7, 1.4);
    back.position.set(0.8, 0.6, -0.4);
    this.scene.add(this.sun, back);
  }

  colour(name) {
    return new THREE.Color(getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim());
  }

  draw() {
    if (!this.piece.surfaces.length) return;
    if (this._shown !== this.piece.surfaces) this._bodies();
    for (const mesh of this.bodies.children) this._stretch(mesh);
    this._marks();
    this._paint();
  }

  _bodies() {
    const first = !this._shown;
    this._shown = this.piece.surfaces;
    for (const mesh of this.bodies.children) mesh.geometry.dispose();
    this.bodies.clear();
    const material = new THREE.MeshStandardMaterial({ color: this.colour("piece"), roughness: 0.82, metalness: 0 });
    const box = new THREE.Box3();
    for (const surface of this.piece.surfaces) {
      const shape = new THREE.BufferGeometry();
      shape.setAttribute("position", new THREE.BufferAttribute(surface.points, 3));
      shape.setAttribute("normal", new THREE.BufferAttribute(surface.normals, 3));
      shape.setIndex(new THREE.BufferAttribute(surface.corners, 1));
      const mesh = new THREE.Mesh(shape, material);
      mesh.matrixAutoUpdate = false;
      mesh.userData = surface;
      this.bodies.add(mesh);
      shape.computeBoundingBox();
      box.union(shape.boundingBox);
    }
    box.getCenter(this.target);
    this.radius = box.getSize(new THREE.Vector3()).length() / 2;
    if (first) this._fit();
  }

  _stretch(mesh) {
    const { frame, name } = mesh.userData, { along, right, up } = this.piece.stretch(name);
    const columns = [[1, 0, 0], [0, 1, 0], [0, 0, 1]].map((unit) => {
      const parts = [[frame.along, along], [frame.right, right], [frame.up, up]];
      return parts.reduce((sum, [way, factor]) => add(sum, way, factor * dot(unit, way)), [0, 0, 0]);
    });
    const moved = columns.reduce((sum, column, i) => add(sum, column, frame.origin[i]), [0, 0, 0]);
    const shift = less(frame.origin, moved);
    mesh.matrix.set(
      columns[0][0], columns[1][0], columns[2][0], shift[0],
      columns[0][1], columns[1][1], columns[2][1], shift[1],
      columns[0][2], columns[1][2], columns[2][2], shift[2], 0, 0, 0, 1);
  }

  _marks() {
    for (const mark of this.marks.children) mark.geometry.dispose();
    this.marks.clear();
    const troubled = new Set(this.session.limits.flatMap((limit) => limit.where));
    for (const opening of this.piece.openings) this._opening(opening, troubled.has(opening.key));
    for (const { windway } of this.piece.surfaces.filter((s) => s.windway.length)) {
      const line = new THREE.BufferGeometry().setFromPoints(windway.map((p) => new THREE.Vector3(...p)));
      this.marks.add(new THREE.Line(line, new THREE.LineBasicMaterial({ color: this.colour("clay"), transparent: true, opacity: 0.55 })));
    }
  }

  _opening(opening, troubled) {
    const chosen = this.piece.selected === opening.key, shown = this.session.fingering;
    const chamber = this.piece.chamberOf(opening.key)?.name;
    const covered = opening.round && shown && !(shown.chamber === chamber && shown.open.includes(opening.name));
    const fill = covered ? "covered" : opening.round ? "hollow" : "clay";
    this._disc(rim(opening, 48), opening, LIFT, fill);
    if (chosen || troubled) this._band(opening, troubled ? "warn" : "clay", 0.5, 1.5);
    else this._band(opening, "ink", 0, 0.25);
  }

  /** The plane in which an opening is cut, filled as far as its rim. */
  _disc(points, opening, lift, name) {
    const shape = new THREE.BufferGeometry();
    const flat = [mouth(opening), ...points].map((p) => add(p, opening.axis, lift));
    const corners = points.flatMap((_, i) => [0, i + 1, ((i + 1) % points.length) + 1]);
    shape.setAttribute("position", new THREE.Float32BufferAttribute(flat.flat(), 3));
    shape.setIndex(corners);
    this.marks.add(new THREE.Mesh(shape, new THREE.MeshBasicMaterial({ color: this.colour(name), side: THREE.DoubleSide })));
  }

  _band(opening, name, inner, outer) {
    const shape = new THREE.BufferGeometry(), n = 48;
    const flat = [rim(opening, n, inner), rim(opening, n, outer)].flat().map((p) => add(p, opening.axis, LIFT * 1.3));
    const corners = [];
    for (let i = 0; i < n; i++) {
      const j = (i + 1) % n;
      corners.push(i, i + n, j + n, i, j + n, j);
    }
    shape.setAttribute("position", new THREE.Float32BufferAttribute(flat.flat(), 3));
    shape.setIndex(corners);
    this.marks.add(new THREE.Mesh(shape, new THREE.MeshBasicMaterial({ color: this.colour(name), side: THREE.DoubleSide })));
  }

  // --- looking ---

  _fit() {
    const { clientWidth: wide, clientHeight: tall } = this.element;
    if (!wide || !tall || !this.radius) return;
    this.renderer.setPixelRatio(Math.min(devicePixelRatio, 2));
    this.renderer.setSize(wide, tall, false);
    this.camera.aspect = wide / tall;
    this.camera.updateProjectionMatrix();
    this._paint();
  }

  _paint() {
    if (this._asked) return;
    this._asked = requestAnimationFrame(() => {
      this._asked = null;
      const { around, above, far } = this.turn;
      const half = Math.min(1, this.camera.aspect) * Math.tan((this.camera.fov * Math.PI) / 360);
      const away = (far * this.radius * (0.74 + 0.24 * Math.min(1, Math.max(0, 1.7 - this.camera.aspect)))) / Math.sin(Math.atan(half));
      this.camera.position.set(Math.sin(around) * Math.cos(above), -Math.cos(around) * Math.cos(above), Math.sin(above))
        .multiplyScalar(away).add(this.target);
      this.camera.lookAt(this.target);
      this.sun.position.copy(this.camera.position).sub(this.target).normalize().add(new THREE.Vector3(-0.5, 0, 0.9));
      this.renderer.render(this.scene, this.camera);
      this.element.dataset.painted = "yes";
    });
  }

  // --- hands ---

  _pointers() {
    const { canvas } = this;
    this.fingers = new Map();
    canvas.addEventListener("pointerdown", (event) => this._down(event));
    canvas.addEventListener("pointermove", (event) => this._move(event));
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, (event) => this._up(event));
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      this._zoom(Math.exp(event.deltaY / 900));
    }, { passive: false });
  }

  _zoom(factor) {
    this.turn.far = Math.min(2.5, Math.max(0.25, this.turn.far * factor));
    this._paint();
  }

  ray(event) {
    const box = this.canvas.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * 2 - 1, y = 1 - ((event.clientY - box.top) / box.height) * 2;
    const way = new THREE.Vector3(x, y, 0.5).unproject(this.camera).sub(this.camera.position).normalize();
    return [this.camera.position.toArray(), way.toArray()];
  }

  /** The opening that a ray means, and where in its plane it is met; what the clay hides is not meant. */
  under(event) {
    const [from, way] = this.ray(event);
    const clay = Math.min(...this.piece.surfaces.map((surface) => meet(surface, from, way)?.far ?? Infinity));
    // A fingertip aims worse than a mouse, mm.
    const slack = event.pointerType === "touch" ? 4 : 1.6;
    let best = null;
    for (const opening of this.piece.openings) {
      const slant = dot(way, opening.axis);
      if (slant > -0.05) continue; // seen from behind or edge on
      const far = dot(less(mouth(opening), from), opening.axis) / slant;
      const offset = less(add(from, way, far), mouth(opening));
      const reach = opening.round ? opening.radius_mm : Math.max(opening.width_mm, opening.height_mm) / 2;
      const off = Math.hypot(...offset) - reach;
      if (off < slack && far < clay + 6 && (!best || off < best.off)) best = { opening, offset, off };
    }
    return best;
  }

  _down(event) {
    event.preventDefault();
    this.canvas.setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, [event.clientX, event.clientY]);
    if (this.fingers.size > 1) {
      if (this.grab && this.session.hand) this.session.dropHand(); // two fingers turn and zoom: the first meant no drag
      this.grab = null;
      return;
    }
    const found = this.under(event);
    this.grab = { at: [event.clientX, event.clientY], moved: false, turn: { ...this.turn } };
    if (!found) return;
    this.piece.choose(found.opening.key);
    Object.assign(this.grab, { key: found.opening.key, mode: this.piece.modeAt(found.opening, found.offset) });
  }

  _move(event) {
    if (!this.fingers.has(event.pointerId)) return this._hover(event);
    const before = this.fingers.get(event.pointerId);
    if (this.fingers.size === 2) this._pinch(event);
    this.fingers.set(event.pointerId, [event.clientX, event.clientY]);
    const { grab } = this;
    if (!grab || this.fingers.size > 1) return;
    if (!grab.moved && Math.hypot(event.clientX - grab.at[0], event.clientY - grab.at[1]) < 4) return;
    grab.moved = true;
    if (grab.key) return this.piece.drag(grab.key, grab.mode, ...this.ray(event));
    this.turn.around -= (event.clientX - before[0]) / 140;
    this.turn.above = Math.min(1.5, Math.max(-1.5, this.turn.above + (event.clientY - before[1]) / 140));
    this._paint();
  }

  _pinch(event) {
    const [one, other] = [...this.fingers.entries()].sort(([id]) => (id === event.pointerId ? -1 : 1));
    const gap = (a) => Math.hypot(a[0] - other[1][0], a[1] - other[1][1]) || 1;
    this._zoom(gap(one[1]) / gap([event.clientX, event.clientY]));
  }

  _hover(event) {
    const found = this.under(event);
    const mode = found && this.piece.modeAt(found.opening, found.offset);
    this.canvas.style.cursor = found ? (mode === "place" ? "move" : "ew-resize") : "grab";
  }

  _up(event) {
    this.fingers.delete(event.pointerId);
    const { grab } = this;
    this.grab = null;
    if (event.type === "pointercancel") return this.session.hand && this.session.dropHand();
    if (!grab?.key) return;
    if (grab.moved) this.session.letGo();
    else tapped(this.session, this.piece, grab.key);
  }
}
