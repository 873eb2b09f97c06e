// The strip of time above all rooms: sigma and estimated error, a lane for each flag, cursor and stretch. All rooms
// show what it selects.

import { element, set } from './dom.js';
import { Figure } from './figure.js';
import { colour } from './colour.js';
import { logarithmic, linear, ticks, axisX, axisY, frame, padded, extentPositive, Calm } from './axes.js';
import { seconds, fixed, decimalsOf, THIN } from './number.js';
import { lanes, gaps, flagsOf, namesOf } from './flags.js';

export class Strip {
  constructor(store, box) {
    this.store = store;
    this.calm = new Calm();
    this.figure = new Figure({
      name: 'strip', title: 'error and flags over time', role: 'slider', interactive: true,
      draw: (pen) => this.draw(pen), table: () => this.table(),
    });
    const node = this.figure.node;
    node.id = 'cursor';
    node.removeAttribute('data-figure');
    node.dataset.figure = 'strip';
    set(node, 'aria-label', 'time of the cursor');
    this.figure.onsize = ([w]) => { this.store.points = Math.max(200, Math.round(w)); };
    box.append(node);
    this.nowButton = element('button', { id: 'now', type: 'button', class: 'plain-link', hidden: true, onclick: () => store.now() }, 'back to now');
    box.append(this.nowButton);
    this.listen(node);
    store.on('series words view session hold', () => this.refresh());
    store.on('session', () => { this.calm.range = null; });
  }

  refresh() {
    const { store } = this;
    this.figure.redraw();
    const [from, to] = store.whole;
    const node = this.figure.node;
    set(node, 'aria-valuemin', from);
    set(node, 'aria-valuemax', to);
    set(node, 'aria-valuenow', store.cursor);
    set(node, 'aria-valuetext', this.words());
    this.nowButton.hidden = !store.streaming || store.following;
  }

  words() {
    const { store } = this;
    const row = store.state?.row;
    const stretch = store.selected ? `, stretch ${this.time(store.view.from)} to ${this.time(store.view.to)}` : '';
    return `${store.following ? 'now, ' : ''}${this.time(store.cursor)}${row !== undefined && row !== null && !store.streaming ? `, row ${row + 1} of ${store.session?.rows}` : ''}${stretch}`;
  }

  /** time writes a time as finely as half a hop asks for. */
  time(value) { return seconds(value, Math.max(1e-6, 10 ** Math.floor(Math.log10(this.store.hop / 2)))); }

  layout(pen) {
    const narrow = pen.w < 500;
    const left = narrow ? 54 : 65, right = pen.w - 1, top = 26, bottom = pen.h - 26;
    const series = this.store.series[this.store.sensor];
    const list = lanes(series, this.store.session);
    const lane = list.length > 2 ? 13 : list.length === 2 ? 15 : 18;
    const laneTop = bottom - Math.max(1, list.length) * lane;
    return { left, right, top, bottom, laneTop, lane, list, series, x: linear(...this.store.spanOf(series, this.store.range), left, right) };
  }

  draw(pen) {
    const { store } = this;
    const at = this.layout(pen);
    const { left, right, top, bottom, laneTop, series, x } = at;
    this.at = at;
    // The tag of the cursor goes before the title.
    const title = pen.w < 500 ? 'σ of position' : 'σ and, pale, estimated error of position';
    at.free = pen.measure(title) + 12;
    const cursor = x(store.cursor);
    if (cursor < left || cursor - 50 > at.free) pen.text(0, 15, title, { fill: colour.ink2 });
    if (store.view.zoom) this.drawPart(pen, at);
    if (store.selected) this.drawStretch(pen, at);
    if (series && series.time_s.length) {
      this.figure.filled = true;
      const [lo, hi] = this.calm.take(...extentPositive(series.sigma_m, series['sigma_m.min'], series.error_m, series['error_m.max'], series['sigma_m.max'], series['error_m.min']), !store.streaming);
      const y = logarithmic(...padded(lo, hi), laneTop, top);
      axisY(pen, y, left, right, ticks(y, 2, 'm').filter(({ value }) => y(value) < laneTop - 5)); // clear of the lanes' names
      pen.clipped(left, top, right - left, laneTop - top, () => {
        this.curve(pen, series, 'error_m', x, y, { stroke: colour.ink3, width: 1 });
        this.curve(pen, series, 'sigma_m', x, y, { stroke: colour.ink, width: 2 });
      });
      for (const [a, b] of gaps(series, store.hop)) hatch(pen, x(a), top, x(b), laneTop);
    } else {
      pen.text(left + 8, (top + laneTop) / 2 + 4, store.session?.failed || (store.session?.ready === false ? 'being read' : 'no rows yet'), { fill: colour.ink2 });
    }
    this.drawLanes(pen, at);
    pen.line(left, laneTop, right, laneTop, { stroke: colour.rule });
    frame(pen, left, top, right, bottom);
    axisX(pen, x, top, bottom, withUnit(ticks(x, pen.w < 500 ? 4 : 8)), { grid: false });
    if (store.session) this.drawCursor(pen, at);
  }

  curve(pen, series, name, x, y, style) {
    const { time_s: time } = series;
    if (series.header.exact) {
      const points = new Float64Array(2 * time.length);
      for (let i = 0; i < time.length; i++) { points[2 * i] = x(time[i]); const v = series[name][i]; points[2 * i + 1] = v > 0 ? y(v) : NaN; }
      pen.path(points, style);
      return;
    }
    const lo = series[name + '.min'], hi = series[name + '.max'];
    const points = [];
    for (let i = 0; i < time.length; i++) {
      if (!(lo[i] > 0)) { points.push(NaN, NaN); continue; }
      points.push(x(time[i]), y(lo[i]), x(time[i]), y(hi[i]));
    }
    pen.path(points, style);
  }

  drawLanes(pen, { left, right, laneTop, lane, list, x, series }) {
    if (list.length === 0) {
      pen.text(left - 7, laneTop + lane - 5, 'flags', { fill: colour.ink2, align: 'end' });
      const rows = this.store.streaming ? null : this.store.session?.sensors[this.store.sensor]?.rows ?? this.store.session?.rows;
      if (series && rows !== null) pen.text(left + 8, laneTop + lane - 5, this.store.view.zoom ? 'none here' : `none in ${rows} rows`, { fill: colour.ink2 });
      return;
    }
    list.forEach((entry, i) => {
      const y = laneTop + i * lane;
      let name = entry.name;
      while (pen.measure(name) > left - 9 && name.length > 3) name = name.slice(0, -2) + '…';
      pen.text(left - 7, y + lane / 2 + 4, name, { fill: colour.ink, align: 'end' });
      pen.clipped(left, y, right - left, lane, () => {
        for (const [a, b] of entry.spans) bar(pen, entry.grade, x(a), y + 2.5, Math.max(x(b) - x(a), 2), lane - 5);
      });
    });
  }

  /** drawPart shows above the frame which part of the whole is in view. */
  drawPart(pen, { left, right, top }) {
    const whole = linear(...this.store.whole, left, right);
    const [from, to] = this.store.range;
    pen.line(left, top - 3, right, top - 3, { stroke: colour.rule });
    pen.line(whole(from), top - 3, Math.max(whole(to), whole(from) + 3), top - 3, { stroke: colour.ink2, width: 3 });
  }

  drawStretch(pen, { top, bottom, x, left, right, free }) {
    const { from, to } = this.store.view;
    const a = Math.max(left, x(from)), b = Math.min(right, x(to));
    if (b < left || a > right) return;
    pen.rect(a, top, b - a, bottom - top, { fill: colour.sel });
    const style = { stroke: colour.link, width: 3 };
    pen.path([a + 6, top + 1.5, a + 1, top + 1.5, a + 1, bottom - 1.5, a + 6, bottom - 1.5], style);
    pen.path([b - 6, top + 1.5, b - 1, top + 1.5, b - 1, bottom - 1.5, b - 6, bottom - 1.5], style);
    const words = `stretch ${this.short(from)} to ${this.short(to)}`;
    const cursor = x(this.store.cursor);
    const width = pen.measure(words);
    let at = Math.max(b + 8, free);
    if (at < cursor + 40 && at + width > cursor - 40) at = cursor + 46;
    if (at + width > right) at = Math.min(a - 8, cursor - 46) - width;
    if (pen.w >= 500) pen.text(at, 15, words, { fill: colour.link });
  }

  short(value) { return fixed(Number(value.toFixed(3)), decimalsOf(Number(value.toFixed(3)))) + (value === this.store.view.to ? THIN + 's' : ''); }

  drawCursor(pen, { bottom, left, right, x }) {
    const { store } = this;
    const at = store.atEnd ? right : x(store.cursor);
    if (at < left - 1 || at > right + 1) return;
    pen.line(at, 22, at, bottom, { stroke: colour.ink, width: 2 });
    const words = (store.following ? 'now, ' : '') + this.time(store.cursor);
    const width = pen.measure(words) + 18;
    const from = Math.max(left, Math.min(right - width, at - width / 2));
    pen.rect(from, 3, width, 19, { fill: colour.ink });
    pen.text(from + width / 2, 17, words, { fill: colour.paper, align: 'middle' });
  }

  listen(node) {
    const { store, figure } = this;
    let drag = null;
    const time = (event) => this.at.x.invert(figure.place(event)[0]);
    const pointers = new Map();
    node.addEventListener('pointerdown', (event) => {
      if (!this.at || event.button > 0) return;
      pointers.set(event.pointerId, figure.place(event)[0]);
      node.setPointerCapture(event.pointerId);
      if (pointers.size === 2) { drag = { kind: 'pinch', range: store.range, places: [...pointers.values()], x: this.at.x }; return; }
      const [px] = figure.place(event);
      const { from, to } = store.view;
      const near = event.pointerType === 'touch' ? 22 : 7;
      if (store.selected && Math.abs(this.at.x(from) - px) < near) drag = { kind: 'from' };
      else if (store.selected && Math.abs(this.at.x(to) - px) < near) drag = { kind: 'to' };
      else if (Math.abs(this.at.x(store.cursor) - px) < near || event.pointerType === 'touch' || figure.place(event)[1] < this.at.top) { drag = { kind: 'cursor' }; store.move(time(event)); }
      else drag = { kind: 'new', start: time(event), px };
    });
    node.addEventListener('pointermove', (event) => {
      if (pointers.has(event.pointerId)) pointers.set(event.pointerId, figure.place(event)[0]);
      if (!drag) { this.hover(event); return; }
      const t = Math.max(store.whole[0], Math.min(store.whole[1], time(event)));
      const { from, to } = store.view;
      if (drag.kind === 'cursor') store.move(t);
      if (drag.kind === 'from' && t < to) store.view.change({ from: t });
      if (drag.kind === 'to' && t > from) store.view.change({ to: t });
      if (drag.kind === 'new' && Math.abs(figure.place(event)[0] - drag.px) > 3) store.view.change({ from: Math.min(drag.start, t), to: Math.max(drag.start, t) });
      if (drag.kind === 'pinch' && pointers.size === 2) this.pinch(drag, [...pointers.values()]);
    });
    const end = (event) => {
      pointers.delete(event.pointerId);
      if (drag?.kind === 'new' && event.type === 'pointerup' && Math.abs(figure.place(event)[0] - drag.px) <= 3) store.move(drag.start);
      if (drag && drag.kind !== 'cursor') store.leave();
      drag = null;
    };
    node.addEventListener('pointerup', end);
    node.addEventListener('pointercancel', end);
    node.addEventListener('wheel', (event) => {
      if (!this.at) return;
      event.preventDefault();
      const by = event.deltaY || event.deltaX;
      if (event.shiftKey) this.pan(Math.sign(by) * 0.1);
      else this.zoom(1.2 ** Math.sign(by), time(event));
    }, { passive: false });
  }

  hover(event) {
    const [px, py] = this.figure.place(event);
    const { store, at } = this;
    if (!at) return;
    const near = (t) => Math.abs(at.x(t) - px) < 7;
    this.figure.node.style.cursor = (store.selected && (near(store.view.from) || near(store.view.to))) || near(store.cursor) || py < at.top ? 'ew-resize' : 'crosshair';
    const lane = py > at.laneTop && py < at.bottom ? at.list[Math.floor((py - at.laneTop) / at.lane)] : null;
    this.figure.node.title = lane ? (lane.folded ? lane.folded.join(', ') : flagsOf(store.session).find((f) => f.name === lane.name)?.meaning ?? '') : '';
  }

  pinch(drag, places) {
    const a = drag.x.invert(drag.places[0]), b = drag.x.invert(drag.places[1]);
    const [p, q] = places;
    if (Math.abs(p - q) < 10) return;
    const a1 = this.at.left, b1 = this.at.right;
    const rate = (b - a) / (q - p);
    this.show(a + (a1 - p) * rate, a + (b1 - p) * rate);
  }

  /** zoom shows factor times the span about a time. */
  zoom(factor, about = this.store.cursor) {
    const [from, to] = this.store.range;
    const middle = Math.max(from, Math.min(to, about));
    this.show(middle - (middle - from) * factor, middle + (to - middle) * factor);
  }

  pan(share) {
    const [from, to] = this.store.range;
    const [first, last] = this.store.whole;
    let by = (to - from) * share;
    by = Math.max(first - from, Math.min(last - to, by));
    this.show(from + by, to + by);
  }

  show(from, to) {
    const [first, last] = this.store.whole;
    const least = Math.min(last - first, 4 * this.store.hop);
    if (to - from < least) return;
    const a = Math.max(first, from), b = Math.min(last, to);
    this.store.view.change({ zoom: b - a > (last - first) * 0.999 ? null : `${a.toFixed(6)},${b.toFixed(6)}` });
  }

  table() {
    const { series, session } = { series: this.store.series[this.store.sensor], session: this.store.session };
    const columns = [{ name: 'time', unit: 's' }, { name: 'σ of position', unit: 'm' }, { name: 'estimated error', unit: 'm' }, { name: 'flags' }];
    if (!series) return { columns, rows: [] };
    const rows = [];
    const sigma = series.sigma_m ?? series['sigma_m.max'], error = series.error_m ?? series['error_m.max'];
    for (let i = 0; i < series.time_s.length; i++) {
      rows.push([series.time_s[i], sigma[i], error[i], namesOf(series.flags[i], session)]);
    }
    return { columns, rows };
  }
}

/** withUnit puts the second's sign at the first and at the last tick, as they are read from either end. */
export function withUnit(list) {
  if (list.length) {
    list[0].text += THIN + 's';
    if (list.length > 1) list[list.length - 1].text += THIN + 's';
  }
  return list;
}

/** bar is a stretch of a flag: filled when wrong, half-filled in doubt, hatched when missing. */
export function bar(pen, grade, x, y, w, h) {
  if (grade === 'wrong') pen.rect(x, y, w, h, { fill: colour.block === colour.alarm ? colour.block : colour.alarm });
  else if (grade === 'doubt') {
    pen.rect(x, y + h / 2, w, h / 2, { fill: colour.alarm });
    pen.rect(x + 0.5, y + 0.5, Math.max(1, w - 1), h - 1, { stroke: colour.alarm });
  } else {
    hatch(pen, x, y, x + w, y + h);
    pen.rect(x + 0.5, y + 0.5, Math.max(1, w - 1), h - 1, { stroke: colour.ink2 });
  }
}

/** hatch marks what is missing. */
export function hatch(pen, x1, y1, x2, y2) {
  pen.clipped(x1, y1, Math.max(1, x2 - x1), y2 - y1, () => {
    for (let x = x1 - (y2 - y1); x < x2; x += 5) pen.line(x, y2, x + (y2 - y1), y1, { stroke: colour.ink2, width: 1 });
  });
}

