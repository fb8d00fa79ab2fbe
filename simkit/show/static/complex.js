// Complex numbers as [re, im], and sets of linear equations in them. Time factor e^{+i omega t}.

export const I = [0, 1];
export const real = (x) => [x, 0];
export const add = (a, b) => [a[0] + b[0], a[1] + b[1]];
export const sub = (a, b) => [a[0] - b[0], a[1] - b[1]];
export const mul = (a, b) => [a[0] * b[0] - a[1] * b[1], a[0] * b[1] + a[1] * b[0]];
export const scale = (a, s) => [a[0] * s, a[1] * s];
export const size = (a) => Math.hypot(a[0], a[1]);
export const total = (...each) => each.reduce(add);
export const product = (...each) => each.reduce(mul);

export function div(a, b) {
  const n = b[0] * b[0] + b[1] * b[1];
  return [(a[0] * b[0] + a[1] * b[1]) / n, (a[1] * b[0] - a[0] * b[1]) / n];
}

export function exp(a) {
  const grown = Math.exp(a[0]);
  return [grown * Math.cos(a[1]), grown * Math.sin(a[1])];
}

// The root with the positive real part.
export function sqrt(a) {
  const r = Math.sqrt((size(a) + Math.abs(a[0])) / 2);
  if (r === 0) return [0, 0];
  const other = a[1] / (2 * r);
  return a[0] >= 0 ? [r, other] : [Math.abs(other), a[1] < 0 ? -r : r];
}

export function cosh(a) {
  return [Math.cosh(a[0]) * Math.cos(a[1]), Math.sinh(a[0]) * Math.sin(a[1])];
}

export function sinh(a) {
  return [Math.sinh(a[0]) * Math.cos(a[1]), Math.cosh(a[0]) * Math.sin(a[1])];
}

// tan z = -i tanh(iz), written so that a large imaginary part does not overflow.
export function tan(a) {
  const e = exp([-2 * Math.abs(a[1]), 2 * a[0] * Math.sign(a[1] || 1)]);
  const value = div(sub(real(1), e), add(real(1), e));
  return a[1] >= 0 ? [-value[1], value[0]] : [value[1], -value[0]];
}

// x of M x = b by elimination with pivots: M (n, n) as re and im, row by row; b (n), and x, likewise. M and b are spent.
export function solved(n, M, b) {
  for (let k = 0; k < n; k++) {
    let best = k;
    for (let i = k + 1; i < n; i++) {
      if (magnitude(M, i * n + k) > magnitude(M, best * n + k)) best = i;
    }
    if (best !== k) {
      for (let j = k; j < n; j++) swap(M, k * n + j, best * n + j);
      swap(b, k, best);
    }
    const pivot = [M.re[k * n + k], M.im[k * n + k]];
    for (let i = k + 1; i < n; i++) {
      const [fr, fi] = div([M.re[i * n + k], M.im[i * n + k]], pivot);
      for (let j = k + 1; j < n; j++) {
        const at = i * n + j, from = k * n + j;
        M.re[at] -= fr * M.re[from] - fi * M.im[from];
        M.im[at] -= fr * M.im[from] + fi * M.re[from];
      }
      b.re[i] -= fr * b.re[k] - fi * b.im[k];
      b.im[i] -= fr * b.im[k] + fi * b.re[k];
    }
  }
  for (let i = n - 1; i >= 0; i--) {
    let sum = [b.re[i], b.im[i]];
    for (let j = i + 1; j < n; j++) sum = sub(sum, mul([M.re[i * n + j], M.im[i * n + j]], [b.re[j], b.im[j]]));
    [b.re[i], b.im[i]] = div(sum, [M.re[i * n + i], M.im[i * n + i]]);
  }
  return b;
}

function magnitude(M, at) {
  return M.re[at] * M.re[at] + M.im[at] * M.im[at];
}

function swap(M, a, b) {
  [M.re[a], M.re[b]] = [M.re[b], M.re[a]];
  [M.im[a], M.im[b]] = [M.im[b], M.im[a]];
}

// Chebyshev's series, lists of coefficients `re` and `im` (p lists of m numbers), at complex x: m values, re and im.
export function series(terms, x) {
  const count = terms.re[0].length;
  const re = new Float64Array(count), im = new Float64Array(count);
  let before = real(1), here = x;
  for (let p = 0; p < terms.re.length; p++) {
    const t = p === 0 ? before : here;
    for (let m = 0; m < count; m++) {
      re[m] += terms.re[p][m] * t[0] - terms.im[p][m] * t[1];
      im[m] += terms.re[p][m] * t[1] + terms.im[p][m] * t[0];
    }
    if (p > 0) [before, here] = [here, sub(scale(mul(x, here), 2), before)];
  }
  return { re, im };
}

// A real series (p numbers) at real x.
export function seriesAt(terms, x) {
  let sum = 0, before = 1, here = x;
  terms.forEach((term, p) => {
    sum += term * (p === 0 ? 1 : here);
    if (p > 0) [before, here] = [here, 2 * x * here - before];
  });
  return sum;
}
