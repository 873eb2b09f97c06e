// Phasor planes: a cloud a tone about its mean with the circle of its stated sigma, the chosen one large beside what
// if, and both against time.

import { arrays, newest } from './server.js';
import { element, choice, every, say } from './dom.js';
import { Figure } from './figure.js';
import { colour } from './colour.js';
import { linear, ticks, axisX, axisY, frame, nice, extent } from './axes.js';
import { quantity, fixed, significant } from './number.js';
import { withUnit } from './strip.js';
import { flagMark } from './tones.js';
import { steer } from './steer.js';
import { fitting } from './recording.js';

const WIDE = 1.5; // a cloud this much wider than its sigma is named: with 40 rows noise alone gives 1.35 once in 1000

export class Clouds {
  constructor(store, tones) {
    this.store = store;
    this.tones = tones;
    this.channels = element('div', { class: 'controls row' });
    this.small = new Figure({ name: 'clouds', title: 'phasors of every tone about their mean', room: 'tones', interactive: true, draw: (pen) => this.drawSmall(pen), table: () => this.smallTable(), summary: () => this.words() });
    this.large = new Figure({ name: 'cloud', title: 'phasors of the chosen tone', room: 'tones', draw: (pen) => this.drawLarge(pen), table: () => this.largeTable(), summary: () => this.words() });
    this.course = new Figure({ name: 'phasor-course', title: 'amplitude and phase against time', room: 'tones', interactive: true, draw: (pen) => this.drawCourse(pen), table: () => this.courseTable() });
    this.finding = element('p', { class: 'note finding' });
    this.small.node.style.cursor = 'pointer';
    this.small.node.addEventListener('click', (event) => this.pick(event));
    this.small.node.addEventListener('keydown', (event) => {
      const by = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: 4, ArrowUp: -4 }[event.key];
      if (!by || !this.data) return;
      event.preventDefault();
      event.stopPropagation();
      const n = this.data.header.tones.length;
      store.view.change({ emitter: this.data.header.tones[(this.index + by + n) % n].emitter });
    });
    steer(this.course, store, () => this.x);
    this.askCloud = newest((p) => arrays('/api/cloud', p), (data, p) => { this.data = data; this.channelOf = p.channel; this.redraw(); }, () => {});
    this.askCourse = newest((p) => arrays('/api/phasors', p), (data, p) => { this.line = data; data.range = [p.from, p.to]; this.course.redraw(); }, () => {});
    this.live = every(3, () => this.fetch());
    this.small.onsize = () => this.fetch();
    store.on('session', () => { this.data = this.line = null; this.offer(); this.fetch(); });
    store.on('view', () => this.fetchChanged());
    store.on('cursor', () => this.course.redraw());
    store.on('tick', () => this.live());
  }

  get channel() {
    const { session, view, sensor } = this.store;
    const own = session.sensors[sensor]?.channels ?? [];
    return view.channel !== null && session.channels[view.channel] ? view.channel : own[0] ?? 0;
  }

  get emitter() { return this.store.view.emitter ?? this.data?.header.tones[0]?.emitter ?? 0; }

  get index() { return Math.max(0, this.data?.header.tones.findIndex((t) => t.emitter === this.emitter) ?? 0); }

  offer() {
    const { session, sensor } = this.store;
    const drives = session.channels.map((c, i) => i).filter((i) => session.channels[i].role === 'drive');
    const list = [...(session.sensors[sensor]?.channels ?? []), ...drives.slice(0, 1)];
    this.channels.replaceChildren(element('span', { class: 'label' }, 'channel'), choice('channel', list.map((i) => ({ value: i, words: session.channels[i].name })), this.channel, (channel) => this.store.view.change({ channel })));
  }

  fetchChanged() {
    const { store } = this;
    if (store.view.room !== 'tones') return;
    const key = JSON.stringify([store.stretch, store.range, store.view.channel, store.view.emitter, store.sensor]);
    if (key !== this.key) { this.key = key; this.fetch(); }
    this.redraw();
  }

  fetch() {
    const { store } = this;
    if (!this.small.shown || !store.session || (!store.session.ready && !store.streaming)) return;
    const [from, to] = store.stretch;
    this.askCloud({ sensor: store.sensor, channel: this.channel, from, to, points: 400 });
    const [a, b] = store.recent;
    this.askCourse({ channel: this.channel, emitter: this.emitter, from: a, to: b, points: 600 });
  }

  redraw() {
    this.small.redraw();
    this.large.redraw();
    this.course.redraw();
    say(this.finding, this.words());
  }

  words() {
    if (!this.data) return '';
    const { session } = this.store;
    const wide = this.data.header.tones.filter((t) => t.wider > WIDE);
    if (wide.length === 0) return `every cloud on ${session.channels[this.channel].name} is as wide as its σ says`;
    // Tones with the same cause share a sentence.
    const causes = new Map();
    wide.forEach((t, i) => causes.set(t.cause, [...(causes.get(t.cause) ?? []), { ...t, number: i + 1 }]));
    return [...causes].map(([cause, list]) => {
      const names = list.map((t) => session.emitters[t.emitter].name), most = Math.max(...list.map((t) => t.wider)), least = Math.min(...list.map((t) => t.wider));
      const who = list.length > 3 ? `${list.length} tones scatter` : `${names.join(', ')} ${list.length > 1 ? 'scatter' : 'scatters'}`;
      return `${list.length > 1 ? `${list[0].number} to ${list.at(-1).number}` : list[0].number}: ${who} ${list.length > 1 ? `${significant(least, 2)} to ` : ''}${significant(most, 2)} times ${list.length > 1 ? 'their' : 'its'} σ${cause ? ': ' + cause : ''}.`;
    }).join(' ');
  }

  drawSmall(pen) {
    if (!this.data) return;
    const { tones } = this.data.header;
    const { session } = this.store;
    const columns = pen.w > 340 ? 4 : 3, gap = 14, head = 28;
    const rows = Math.ceil(tones.length / columns);
    const side = Math.max(24, Math.min((pen.w - gap * (columns - 1)) / columns, (pen.h - rows * (head + 8)) / rows));
    this.cells = [];
    let named = 0;
    tones.forEach((tone, i) => {
      const x = (i % columns) * (side + gap), y = Math.floor(i / columns) * (side + head + 8);
      this.cells.push([x, y, side, side + head, tone.emitter]);
      pen.text(x, y + 11, session.emitters[tone.emitter].name, { fill: colour.ink, bold: true });
      const amplitude = Math.hypot(tone.mean_re_v, tone.mean_im_v);
      pen.text(x + side, y + 11, quantity(amplitude, 'V', side < 80 ? 3 : 4), { fill: colour.ink, align: 'end' });
      pen.text(x + side, y + 24, fixed((180 / Math.PI) * Math.atan2(tone.mean_im_v, tone.mean_re_v), 2) + '°', { fill: colour.ink2, align: 'end' });
      if (tone.wider > WIDE) { named++; flagMark(pen, x, y + 15, 'doubt'); pen.text(x + 15, y + 24, String(named), { fill: colour.ink }); }
      this.plane(pen, this.data, tone, x, y + head, side, 3.5 * tone.sigma_v, colour.estimate, tone.emitter === this.emitter, 1.6);
    });
  }

  /** plane draws one cloud about its mean within ±half volts. */
  plane(pen, data, tone, x, y, side, half, ink, chosen, radius, dashed = false) {
    const re = data[`E${tone.emitter}.re`], im = data[`E${tone.emitter}.im`];
    const scale = side / 2 / half, cx = x + side / 2, cy = y + side / 2;
    pen.line(cx, y, cx, y + side, { stroke: colour.grid });
    pen.line(x, cy, x + side, cy, { stroke: colour.grid });
    const [ur, ui] = unit(tone);
    const points = new Float64Array(2 * re.length);
    // Turned so that the amplitude lies along x: scatter along it is scatter of amplitude, across it of phase.
    for (let i = 0; i < re.length; i++) {
      const a = re[i] - tone.mean_re_v, b = im[i] - tone.mean_im_v;
      const px = cx + (a * ur + b * ui) * scale, py = cy - (b * ur - a * ui) * scale;
      points[2 * i] = Math.max(x, Math.min(x + side, px));
      points[2 * i + 1] = Math.max(y, Math.min(y + side, py));
    }
    pen.clipped(x, y, side, side, () => {
      pen.marks('circle', points, radius, { fill: ink });
      pen.circle(cx, cy, tone.sigma_v * scale, { stroke: colour.ink, width: 1.6 });
      // 95 % of two equal normal components lie within √(−2 ln 0.05) = 2.448 sigmas.
      if (dashed) pen.circle(cx, cy, 2.448 * tone.sigma_v * scale, { stroke: colour.ink, width: 1, dash: [4, 3] });
    });
    pen.rect(x + 0.5, y + 0.5, side - 1, side - 1, { stroke: chosen ? colour.ink : colour.frame, width: chosen ? 2 : 1 });
  }

  drawLarge(pen) {
    if (!this.data) return;
    const tone = this.data.header.tones[this.index];
    if (!tone) return;
    const { session } = this.store;
    const side = Math.max(40, Math.min((pen.w - 28) / 2, pen.h - 22));
    const half = nice(3.4 * tone.sigma_v);
    this.plane(pen, this.data, tone, 0, 0, side, half, colour.estimate, false, 2, true);
    pen.text(6, 16, 'as solved', { fill: colour.ink });
    pen.text(side - 6, side - 6, `±${quantity(half, 'V', 2)}`, { fill: colour.ink2, align: 'end' });
    const x = side + 28;
    const trial = this.whatIf?.cloud;
    const tried = trial?.header.tones.find((t) => t.emitter === tone.emitter);
    if (tried) this.plane(pen, trial, tried, x, 0, side, half, colour.coil2, false, 2, true);
    else pen.rect(x + 0.5, 0.5, side - 1, side - 1, { stroke: colour.rule });
    pen.text(x + 6, 16, tried ? 'what if' : 'what if', { fill: tried ? colour.ink : colour.ink2 });
    if (tried) pen.text(x + side - 6, side - 6, `±${quantity(half, 'V', 2)}`, { fill: colour.ink2, align: 'end' });
    const who = `${session.emitters[tone.emitter].name} on ${session.channels[this.channel].name}`;
    pen.text(0, side + 16, fitting(pen, pen.w, `${who} about its mean; circles: 1 σ stated, and 95 % (dashed)`, `${who}; circles: 1 σ, and 95 % (dashed)`, who), { fill: colour.ink2 });
  }

  drawCourse(pen) {
    const { store, line } = this;
    if (!line || !store.session) return;
    const tone = this.data?.header.tones[this.index];
    const left = 48, right = pen.w - 1;
    const each = (pen.h - 20 - 44) / 2;
    if (each < 20) return;
    const x = linear(...store.spanOf(line, store.recent), left, right);
    this.x = x;
    const meanA = tone ? Math.hypot(tone.mean_re_v, tone.mean_im_v) : 0, meanP = tone ? Math.atan2(tone.mean_im_v, tone.mean_re_v) : 0;
    const trial = this.whatIf?.course;
    const degree = (v) => { let d = (180 / Math.PI) * (v - meanP); d -= 360 * Math.round(d / 360); return d; };
    const parts = [
      { title: `amplitude less ${quantity(meanA, 'V', 5)}`, name: 'amplitude_v', value: (v) => v - meanA, unit: 'V' },
      { title: `phase less ${fixed((180 / Math.PI) * meanP, 3)}°`, name: 'phase_rad', value: degree, unit: '°' },
    ];
    parts.forEach((part, k) => {
      const top = 20 + k * (each + 22), bottom = top + each;
      const column = columnOf(line, part.name);
      const [lo, hi] = extent(...column.map((c) => Array.from(c, part.value)));
      if (!(hi >= lo)) return;
      const pad = Math.max((hi - lo) * 0.05, 1e-12);
      const y = linear(lo - pad, hi + pad, bottom, top);
      pen.text(left, top - 6, part.title, { fill: colour.ink });
      if (store.selected) pen.rect(Math.max(left, x(store.view.from)), top, Math.min(right, x(store.view.to)) - Math.max(left, x(store.view.from)), each, { fill: colour.sel });
      const unit = part.unit === 'V' ? scaledUnit(Math.max(Math.abs(lo), Math.abs(hi))) : { factor: 1, name: '°' };
      const shown = linear(y.lo / unit.factor, y.hi / unit.factor, bottom, top);
      axisY(pen, shown, left, right, ticks(shown, Math.max(2, each / 22), unit.name));
      pen.clipped(left, top, right - left, each, () => {
        this.curve(pen, line, part, x, y, { stroke: colour.estimate, width: 1.2 });
        if (trial) this.curve(pen, trial, part, x, y, { stroke: colour.coil2, width: 2 });
      });
      frame(pen, left, top, right, bottom);
      axisX(pen, x, top, bottom, withUnit(ticks(x, 6)), { grid: false, labels: k === 1 });
      const cursor = store.atEnd ? right - 1 : x(store.cursor);
      if (cursor >= left && cursor <= right) pen.line(cursor, top, cursor, bottom, { stroke: colour.ink, width: 1 });
    });
  }

  curve(pen, data, part, x, y, style) {
    const [lo, hi] = columnOf(data, part.name);
    const points = [];
    for (let i = 0; i < data.time_s.length; i++) {
      // A phase that wraps is no line across the plot.
      if (part.unit === '°' && i > 0 && Math.abs(part.value(lo[i]) - part.value(lo[i - 1])) > 180) points.push(NaN, NaN);
      points.push(x(data.time_s[i]), y(part.value(lo[i])));
      if (hi) points.push(x(data.time_s[i]), y(part.value(hi[i])));
    }
    pen.path(points, style);
  }

  pick(event) {
    const [px, py] = this.small.place(event);
    const cell = this.cells?.find(([x, y, w, h]) => px >= x && px <= x + w && py >= y && py <= y + h);
    if (cell) this.store.view.change({ emitter: cell[4] });
  }

  smallTable() {
    const { session } = this.store;
    return {
      columns: [{ name: 'tone' }, { name: 'in phase', unit: 'V' }, { name: 'quadrature', unit: 'V' }, { name: 'σ stated', unit: 'V' }, { name: 'scatter seen', unit: 'V' }, { name: 'ratio' }, { name: 'cause' }],
      rows: (this.data?.header.tones ?? []).map((t) => [session.emitters[t.emitter].name, t.mean_re_v, t.mean_im_v, t.sigma_v, t.spread_v, t.wider, t.cause]),
    };
  }

  largeTable() {
    const columns = [{ name: 'time', unit: 's' }, { name: 'in phase', unit: 'V' }, { name: 'quadrature', unit: 'V' }];
    if (!this.data) return { columns, rows: [] };
    return { columns, rows: Array.from(this.data.time_s, (t, i) => [t, this.data[`E${this.emitter}.re`][i], this.data[`E${this.emitter}.im`][i]]) };
  }

  courseTable() {
    const columns = [{ name: 'time', unit: 's' }, { name: 'amplitude', unit: 'V' }, { name: 'phase', unit: '°' }];
    if (!this.line) return { columns, rows: [] };
    const a = columnOf(this.line, 'amplitude_v')[0], p = columnOf(this.line, 'phase_rad')[0];
    return { columns, rows: Array.from(this.line.time_s, (t, i) => [t, a[i], (180 / Math.PI) * p[i]]) };
  }
}

function unit(tone) {
  const length = Math.hypot(tone.mean_re_v, tone.mean_im_v) || 1;
  return [tone.mean_re_v / length, tone.mean_im_v / length];
}

/** columnOf is a column of a series: [values], or [least, largest] where rows are binned. */
export function columnOf(data, name) {
  return data[name] ? [data[name]] : [data[name + '.min'], data[name + '.max']];
}

function scaledUnit(most) {
  if (most >= 1) return { factor: 1, name: 'V' };
  if (most >= 1e-3) return { factor: 1e-3, name: 'mV' };
  if (most >= 1e-6) return { factor: 1e-6, name: 'µV' };
  return { factor: 1e-9, name: 'nV' };
}

