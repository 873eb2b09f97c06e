// A figure: a canvas that follows its box, a name and a one-line summary for those who do not see it, its table of
// numbers, and its drawing as SVG, PNG and CSV to take away.

import { element, set } from './dom.js';
import { CanvasPen, SvgPen } from './pen.js';
import { colour } from './colour.js';

/** figures are all figures on the page, in the order of reading. */
export const figures = [];

const waiting = new Set();
let frame = 0, last = 0;
const LEAST = 1000 / 30; // ms: not more than 30 drawings a second

function flush(now) {
  frame = 0;
  if (now - last < LEAST - 2) { frame = requestAnimationFrame(flush); return; }
  last = now;
  const list = [...waiting];
  waiting.clear();
  for (const figure of list) figure.paint();
}

/** unit is how many CSS pixels one unit of drawing takes: the page is drawn larger where its text is. */
export function unit() {
  return parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
}

export class Figure {
  /**
   * name is the file name without ending, title its name in words; draw(pen) draws; table() gives
   * {columns: [{name, unit}], rows: [[…]]}; data() the same for the file, where it has more than a person would read;
   * summary() tells it in one line; key {height, draw} explains it below what is taken away.
   */
  constructor({ name, title, room, draw, table, data, summary, interactive, role, key, least = 24 }) {
    Object.assign(this, { name, title, room, draw, table, summary, key, data: data ?? table });
    this.canvas = element('canvas', { 'aria-hidden': 'true' });
    this.node = element('figure', { class: 'figure', 'data-figure': name, tabindex: '0', role: role || 'figure', 'aria-label': title }, this.canvas);
    if (interactive) this.node.classList.add('touchable');
    this.least = least;
    this.node.figure = this;
    this.box = [0, 0];
    new ResizeObserver(() => this.measure()).observe(this.node);
    figures.push(this);
  }

  measure() {
    const u = unit();
    const box = [this.node.clientWidth / u, this.node.clientHeight / u];
    if (box[0] === this.box[0] && box[1] === this.box[1]) return;
    this.box = box;
    this.onsize?.(box);
    this.redraw();
  }

  /** redraw draws at the next free frame; when many ask, once. */
  redraw() {
    waiting.add(this);
    if (!frame) frame = requestAnimationFrame(flush);
  }

  get shown() { return this.box[0] > 0 && this.box[1] >= this.least; }

  paint() {
    if (!this.shown || !this.node.isConnected) return;
    const [w, h] = this.box;
    this.draw(new CanvasPen(this.canvas, w, h, unit() * (window.devicePixelRatio || 1)));
    // Figures say when they are filled with data; when each first was, is kept for whoever measures.
    if (this.filled && !this.first) { this.first = performance.now(); performance.mark(`first ${this.name}`); }
    if (this.summary && !this.telling) {
      // What a screen reader is told may lag: figures change thirty times a second, words need not.
      this.telling = setTimeout(() => { this.telling = 0; set(this.node, 'aria-label', `${this.title}: ${this.summary()}`); }, 500);
    }
  }

  /** place is where an event lies, in units of drawing. */
  place(event) {
    const box = this.canvas.getBoundingClientRect(), u = unit();
    return [(event.clientX - box.left) / u, (event.clientY - box.top) / u];
  }

  size() {
    return this.shown ? this.box : [640, 360];
  }

  /** drawTaken draws figure and key with a pen of the height of both. */
  drawTaken(pen, h) {
    const below = pen.h - h;
    pen.h = h;
    this.draw(pen);
    if (this.key) pen.shifted(h + 12, below - 12, () => this.key.draw(pen));
  }

  svg() {
    const [w, h] = this.size();
    const pen = new SvgPen(w, h + (this.key?.height ?? 0), this.title, this.summary ? this.summary() : '', colour.paper);
    this.drawTaken(pen, h);
    return new Blob([pen.toString()], { type: 'image/svg+xml' });
  }

  png() {
    const [w, h] = this.size();
    const canvas = document.createElement('canvas');
    const pen = new CanvasPen(canvas, w, h + (this.key?.height ?? 0), 3);
    pen.taken = true;
    pen.rect(0, 0, w, pen.h, { fill: colour.paper });
    this.drawTaken(pen, h);
    return new Promise((done) => canvas.toBlob(done, 'image/png'));
  }

  csv() {
    const { columns, rows } = this.data();
    const head = columns.map(({ name, unit }) => quoted(unit ? `${name} (${unit})` : name)).join(',');
    const lines = rows.map((row) => row.map((v) => (v === null || v === undefined || v !== v ? '' : quoted(v))).join(','));
    return new Blob([[head, ...lines].join('\r\n') + '\r\n'], { type: 'text/csv' });
  }
}

// RFC 4180; a leading = + - @ of a text would be a formula to a spreadsheet, so text that begins so gets a quote before it.
function quoted(value) {
  let text = String(value);
  if (typeof value === 'string' && /^[=+\-@]/.test(text)) text = "'" + text;
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

/** redrawAll draws every figure that is shown, as after a change of colours. */
export function redrawAll() {
  for (const figure of figures) figure.redraw();
}
