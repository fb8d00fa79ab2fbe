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

export const arg = (a) => Math.atan2(a[1], a[0]);

// A power with the argument between -pi and pi times it.
export function power(a, p) {
  const grown = size(a) ** p, turn = p * arg(a);
  return [grown * Math.cos(turn), grown * Math.sin(turn)];
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

// Zeros. Copies of plain arrays of doubles, as browsers make and clear these away quickest.
const blank = new Map();
function zeros(count) {
  if (!blank.has(count)) blank.set(count, new Array(count).fill(0.5).fill(0)); // with a half it is of doubles from then on
  return blank.get(count).slice();
}
export const table = (rows, columns = rows) => ({ re: zeros(rows * columns), im: zeros(rows * columns) });
export const get = (M, at) => [M.re[at], M.im[at]];
export const put = (M, at, [re, im]) => { M.re[at] = re; M.im[at] = im; };

// Adds a factor times `count` numbers of B from `other` on to those of A from `row` on.
export function addTimes(A, row, B, other, [fr, fi], count) {
  for (let j = 0; j < count; j++) {
    const re = B.re[other + j], im = B.im[other + j];
    A.re[row + j] += fr * re - fi * im;
    A.im[row + j] += fr * im + fi * re;
  }
}

// x of M x = b by elimination with pivots: M (n, n) as re and im, row by row; b (n, count), and x, likewise. Both are spent.
export function solved(n, M, b, count = 1) {
  for (let k = 0; k < n; k++) {
    let best = k;
    for (let i = k + 1; i < n; i++) {
      if (magnitude(M, i * n + k) > magnitude(M, best * n + k)) best = i;
    }
    if (best !== k) {
      for (let j = k; j < n; j++) swap(M, k * n + j, best * n + j);
      for (let j = 0; j < count; j++) swap(b, k * count + j, best * count + j);
    }
    const pivot = get(M, k * n + k);
    for (let i = k + 1; i < n; i++) {
      const factor = scale(div(get(M, i * n + k), pivot), -1);
      addTimes(M, i * n + k + 1, M, k * n + k + 1, factor, n - k - 1);
      addTimes(b, i * count, b, k * count, factor, count);
    }
  }
  for (let i = n - 1; i >= 0; i--) {
    for (let k = i + 1; k < n; k++) addTimes(b, i * count, b, k * count, scale(get(M, i * n + k), -1), count);
    const pivot = get(M, i * n + i);
    for (let j = i * count; j < (i + 1) * count; j++) put(b, j, div(get(b, j), pivot));
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
  const { re, im } = table(count, 1);
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
