// Axes: where a value lies on a line of pixels, which values are written at it, and the frame around both.

import { colour } from './colour.js';
import { THIN, fixed, decimalsOf, quantity, parts } from './number.js';

/** linear maps lo…hi to a…b. */
export function linear(lo, hi, a, b) {
  const scale = (v) => a + ((v - lo) / (hi - lo)) * (b - a);
  scale.invert = (p) => lo + ((p - a) / (b - a)) * (hi - lo);
  return Object.assign(scale, { lo, hi, a, b, log: false });
}

/** logarithmic maps lo…hi (both over 0) to a…b; what is not over 0 lies at a. */
export function logarithmic(lo, hi, a, b) {
  const l = Math.log(lo), span = Math.log(hi) - l;
  const scale = (v) => (v > 0 ? a + ((Math.log(v) - l) / span) * (b - a) : v === v ? a : NaN);
  scale.invert = (p) => Math.exp(l + ((p - a) / (b - a)) * span);
  return Object.assign(scale, { lo, hi, a, b, log: true });
}

/** step is the size of 1, 2 or 5 times a power of ten that gives at most so many pieces. */
export function step(span, pieces) {
  const raw = span / Math.max(1, pieces);
  const power = 10 ** Math.floor(Math.log10(raw));
  for (const m of [1, 2, 5, 10]) if (m * power >= raw * (1 - 1e-9)) return m * power;
  return 10 * power;
}

/** ticks are round values within a scale: {value, text}; the unit stands once, at the last (or each for a log scale). */
export function ticks(scale, pieces, unit = '') {
  return scale.log ? decades(scale, pieces, unit) : even(scale, pieces, unit);
}

function even(scale, pieces, unit) {
  const by = step(scale.hi - scale.lo, pieces);
  const decimals = decimalsOf(by);
  const list = [];
  // A run that ends a sample before 3 s still has its tick at 3.
  for (let i = Math.ceil(scale.lo / by - 0.01); i * by <= scale.hi + by * 0.01; i++) list.push({ value: i * by, text: trim(fixed(i * by, decimals)) });
  if (unit && list.length) list[list.length - 1].text += (unit.startsWith('°') ? '' : THIN) + unit;
  return list;
}

function trim(text) { return text.includes('.') ? text.replace(/\.?0+$/, '') : text; }

function decades(scale, pieces, unit) {
  const first = Math.ceil(Math.log10(scale.lo) - 1e-6), last = Math.floor(Math.log10(scale.hi) + 1e-6);
  const stride = Math.max(1, Math.ceil((last - first + 1) / Math.max(1, pieces)));
  const list = [];
  for (let p = first; p <= last; p++) {
    const value = 10 ** p;
    const written = (last - p) % stride === 0;
    list.push({ value, text: written ? (unit === '' ? plain(value) : quantity(value, unit, 1)) : '' });
  }
  if (list.length > 1) return list;
  // Less than two decades in view: 2 and 5 are written too.
  const fine = [];
  for (let p = first - 1; p <= last + 1; p++) for (const m of [1, 2, 5]) { const value = m * 10 ** p; if (value >= scale.lo && value <= scale.hi) fine.push({ value, text: unit === '' ? plain(value) : quantity(value, unit, 1) }); }
  return fine;
}

/** plain writes 1, 10, 100, 1 k, 10 k … and 100 m, 1 m, 100 µ below one. */
function plain(value) {
  const p = parts(value, 'X', 1);
  return p.text + (p.unit === 'X' ? '' : THIN + p.unit.replace('X', ''));
}

/** axisX writes ticks under a frame; grid lines reach up to top. */
export function axisX(pen, scale, top, bottom, list, { grid = true, labels = true } = {}) {
  let right = -Infinity;
  const ends = [Math.min(scale.a, scale.b), Math.max(scale.a, scale.b)];
  for (const { value, text } of list) {
    const x = scale(value);
    if (x < ends[0] - 0.5 || x > ends[1] + 0.5) continue;
    if (grid && x > ends[0] + 1 && x < ends[1] - 1) pen.line(x, top, x, bottom, { stroke: colour.grid });
    pen.line(x, bottom, x, bottom + 4, { stroke: colour.frame });
    if (!labels || !text) continue;
    const width = pen.measure(text);
    let at = x - width / 2;
    at = Math.max(0, Math.min(pen.w - width, at));
    if (at < right + 6) continue;
    pen.text(at, bottom + 16, text, { fill: colour.ink2 });
    right = at + width;
  }
}

/** axisY writes ticks left of a frame; grid lines reach over to right. */
export function axisY(pen, scale, left, right, list, { grid = true } = {}) {
  let last = Infinity;
  for (const { value, text } of [...list].sort((p, q) => scale(q.value) - scale(p.value))) {
    const y = scale(value);
    if (y < Math.min(scale.a, scale.b) - 0.5 || y > Math.max(scale.a, scale.b) + 0.5) continue;
    const ends = [Math.min(scale.a, scale.b), Math.max(scale.a, scale.b)];
    if (grid && y > ends[0] + 1 && y < ends[1] - 1) pen.line(left, y, right, y, { stroke: colour.grid });
    pen.line(left - 4, y, left, y, { stroke: colour.frame });
    if (!text || last - y < 12) continue;
    pen.text(left - 7, y + 4, text, { fill: colour.ink2, align: 'end' });
    last = y;
  }
}

/** frame is the rectangle around a plot. */
export function frame(pen, left, top, right, bottom) {
  pen.rect(left + 0.5, top + 0.5, right - left - 1, bottom - top - 1, { stroke: colour.frame });
}

/** padded widens a log range to whole shares of a decade and to one decade at least. */
export function padded(lo, hi) {
  if (!(lo > 0) || !(hi > 0)) return [1e-6, 1e-3];
  let a = Math.log10(lo) - 0.1, b = Math.log10(hi) + 0.1;
  if (b - a < 1) { const c = (a + b) / 2; a = c - 0.5; b = c + 0.5; }
  return [10 ** a, 10 ** b];
}

/** extent is least and greatest of the finite values of some columns. */
export function extent(...columns) {
  let lo = Infinity, hi = -Infinity;
  for (const column of columns) {
    if (!column) continue;
    for (let i = 0; i < column.length; i++) { const v = column[i]; if (v < lo) lo = v; if (v > hi && v < Infinity) hi = v; }
  }
  return [lo, hi];
}

/** extentPositive is extent of what is over 0. */
export function extentPositive(...columns) {
  let lo = Infinity, hi = -Infinity;
  for (const column of columns) {
    if (!column) continue;
    for (let i = 0; i < column.length; i++) { const v = column[i]; if (v > 0) { if (v < lo) lo = v; if (v > hi && v < Infinity) hi = v; } }
  }
  return [lo, hi];
}

/** nice is the smallest of 1, 1.5, 2, 3, 4, 5, 6, 8 times a power of ten that is not less. */
export function nice(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  for (const m of [1, 1.5, 2, 3, 4, 5, 6, 8, 10]) if (m * power >= value * (1 - 1e-9)) return m * power;
  return 10 * power;
}

/**
 * wide is a range that follows values with calm: it grows when something leaves it and shrinks only when told to, so
 * that no axis moves by itself while a person reads it.
 */
export class Calm {
  constructor() { this.range = null; }

  take(lo, hi, free) {
    if (!(lo <= hi)) return this.range ?? [lo, hi];
    if (free || !this.range) this.range = [lo, hi];
    else this.range = [Math.min(lo, this.range[0]), Math.max(hi, this.range[1])];
    return this.range;
  }
}
