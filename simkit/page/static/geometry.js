// Lines, planes and surfaces in millimetres: x across, y along, z up, as in the design file.

export const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
export const add = (a, b, s = 1) => [a[0] + s * b[0], a[1] + s * b[1], a[2] + s * b[2]];
export const less = (a, b) => add(a, b, -1);
const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
export const size = (a) => Math.sqrt(dot(a, a));
export const unit = (a) => { const s = size(a) || 1; return [a[0] / s, a[1] / s, a[2] / s]; };

/** The clay's outside as triangles: points (3 n), corners (3 t), normals (3 n), all flat arrays. */
export function surfaceOf(sheets) {
  const count = sheets.reduce((sum, sheet) => sum + sheet.rings * sheet.around, 0);
  const points = new Float32Array(3 * count);
  const corners = [];
  let first = 0;
  for (const { rings, around, points: own } of sheets) {
    points.set(own, 3 * first);
    for (let i = 0; i + 1 < rings; i++) {
      for (let j = 0; j + 1 < around; j++) {
        const a = first + i * around + j, b = a + around;
        corners.push(a, b, b + 1, a, b + 1, a + 1);
      }
    }
    first += rings * around;
  }
  // By the divergence theorem: outward corners enclose a positive volume, here six times it.
  if (enclosed(points, corners) < 0) {
    for (let t = 0; t < corners.length; t += 3) [corners[t + 1], corners[t + 2]] = [corners[t + 2], corners[t + 1]];
  }
  return { points, corners: new Uint32Array(corners), normals: normalsOf(points, corners) };
}

const at = (points, i) => [points[3 * i], points[3 * i + 1], points[3 * i + 2]];

function enclosed(points, corners) {
  let sum = 0;
  for (let t = 0; t < corners.length; t += 3) {
    sum += dot(at(points, corners[t]), cross(at(points, corners[t + 1]), at(points, corners[t + 2])));
  }
  return sum;
}

/** The triangles that face the eye as one SVG path; `flat` gives a point's place in the picture, y downward. */
export function facets({ points, corners }, flat) {
  const places = [];
  for (let i = 0; i < points.length; i += 3) places.push(flat([points[i], points[i + 1], points[i + 2]]));
  const parts = [];
  for (let t = 0; t < corners.length; t += 3) {
    const [a, b, c] = [places[corners[t]], places[corners[t + 1]], places[corners[t + 2]]];
    // Upside down on a screen: what turns to the right there faces the eye.
    if ((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) >= 0) continue;
    parts.push(`M${a[0].toFixed(1)} ${a[1].toFixed(1)}L${b[0].toFixed(1)} ${b[1].toFixed(1)}L${c[0].toFixed(1)} ${c[1].toFixed(1)}Z`);
  }
  return parts.join("");
}

// Points that lie on each other (a seam, a pole) share one normal, so that shading runs across them.
function normalsOf(points, corners) {
  const key = (i) => `${points[3 * i].toFixed(2)},${points[3 * i + 1].toFixed(2)},${points[3 * i + 2].toFixed(2)}`;
  const sums = new Map();
  const keys = Array.from({ length: points.length / 3 }, (_, i) => key(i));
  for (let t = 0; t < corners.length; t += 3) {
    const [a, b, c] = [0, 1, 2].map((k) => at(points, corners[t + k]));
    const normal = cross(less(b, a), less(c, a));
    for (let k = 0; k < 3; k++) {
      const name = keys[corners[t + k]];
      sums.set(name, add(sums.get(name) ?? [0, 0, 0], normal));
    }
  }
  const normals = new Float32Array(points.length);
  keys.forEach((name, i) => normals.set(unit(sums.get(name) ?? [0, 0, 1]), 3 * i));
  return normals;
}

/** Where a ray first meets a surface: {point, normal, far}; null where it does not. (Möller & Trumbore 1997.) */
export function meet(surface, from, way) {
  const { points, corners, normals } = surface;
  let best = null;
  for (let t = 0; t < corners.length; t += 3) {
    const a = at(points, corners[t]);
    const e1 = less(at(points, corners[t + 1]), a), e2 = less(at(points, corners[t + 2]), a);
    const h = cross(way, e2), d = dot(e1, h);
    if (d < 1e-9) continue; // edge on, or seen from inside
    const s = less(from, a), u = dot(s, h) / d;
    if (u < 0 || u > 1) continue;
    const q = cross(s, e1), v = dot(way, q) / d;
    if (v < 0 || u + v > 1) continue;
    const far = dot(e2, q) / d;
    if (far > 1e-6 && (!best || far < best.far)) best = { far, t, u, v };
  }
  if (!best) return null;
  const [na, nb, nc] = [0, 1, 2].map((k) => at(normals, corners[best.t + k]));
  const normal = unit(add(add([0, 0, 0].map((_, i) => (1 - best.u - best.v) * na[i]), nb, best.u), nc, best.v));
  return { point: add(from, way, best.far), normal, far: best.far };
}

/** `along_mm` and `around_deg` of a point of the inner wall, as the design file counts them. */
export function placeOf(frame, point) {
  const along = dot(less(point, frame.origin), frame.along);
  const middle = middleAt(frame.middle, along);
  const out = less(point, middle);
  return { along, around: (Math.atan2(dot(out, frame.right), dot(out, frame.up)) * 180) / Math.PI };
}

function middleAt(rows, along) {
  let i = 1;
  while (i < rows.length - 1 && rows[i][0] < along) i++;
  const [s0, ...a] = rows[i - 1], [s1, ...b] = rows[i];
  const share = Math.min(1, Math.max(0, (along - s0) / (s1 - s0 || 1)));
  return add(a, less(b, a), share);
}

/** The same turn as close as can be to another: 350 next to -8 is -10. */
export const turnNear = (turn, other) => turn + 360 * Math.round((other - turn) / 360);

/** The outer mouth of an opening. */
export const mouth = (opening) => add(opening.center, opening.axis, opening.length_mm);

/** Points round an opening's outer rim. */
export function rim(opening, count = 40, grown = 0) {
  const middle = mouth(opening), found = [];
  for (let i = 0; i < count; i++) {
    const t = (2 * Math.PI * i) / count, c = Math.cos(t), s = Math.sin(t);
    let u = (opening.radius_mm + grown) * c, v = (opening.radius_mm + grown) * s;
    if (!opening.round) {
      const scale = 1 / Math.max(Math.abs(c), Math.abs(s)); // from the circle out to the square around it
      u = (opening.width_mm / 2 + grown) * scale * c;
      v = (opening.height_mm / 2 + grown) * scale * s;
    }
    found.push(add(add(middle, opening.across, u), opening.forward, v));
  }
  return found;
}

/** An opening moved to where a hand holds it, until the model says where exactly. */
export function movedTo(opening, hit) {
  const axis = hit.normal;
  const across = unit(less(opening.across, axis.map((c) => c * dot(opening.across, axis)))); // as near to what it was as the new plane allows
  const center = add(hit.point, axis, -opening.length_mm);
  return { ...opening, center, axis, across, forward: cross(across, axis) };
}
