// Room "tones": does every tone stand clear of the noise? Closed: the level of each coil over its noise. Open: clouds of
// phasors, amplitude and phase against time, and what if (whatif.js).

import { element } from './dom.js';
import { Room } from './room.js';
import { Figure } from './figure.js';
import { colour } from './colour.js';
import { logarithmic, ticks, axisX, frame } from './axes.js';
import { integer, significant, THIN, UNKNOWN } from './number.js';
import { identity, cut } from './recording.js';
import { Clouds } from './clouds.js';
import { WhatIf } from './whatif.js';

export class Tones {
  constructor(store) {
    this.store = store;
    this.room = new Room(store, 'tones', ['does every tone stand clear of the noise?', 'clear of the noise?', 'clear?']);
    this.levels = new Figure({ name: 'tones', title: 'level of each tone over its noise', room: 'tones', draw: (pen) => this.draw(pen), table: () => this.table(), summary: () => this.room.words.textContent });
    this.clouds = new Clouds(store, this);
    this.whatIf = new WhatIf(store, this.clouds);
    this.clouds.whatIf = this.whatIf;
    this.room.inside.append(
      element('div', { class: 'tones-left' }, this.clouds.channels, this.clouds.small.node, this.levels.node),
      element('div', { class: 'tones-middle' }, this.clouds.large.node, this.clouds.course.node, this.clouds.finding),
      this.whatIf.node);
    store.on('state', () => this.levels.redraw());
    store.on('words view session', () => this.refresh());
  }

  tones() { return this.store.solved?.tones ?? null; }

  refresh() {
    const tones = this.tones();
    const { room, store } = this;
    if (!tones || tones.length === 0) {
      room.says(UNKNOWN);
      if (store.session?.ready || store.streaming) room.missing(store.state ? 'No phasors at this row.' : 'No row yet.', store.state ? 'The run kept none; solve it again and keep its phasors.' : '');
      return;
    }
    room.missing('');
    const least = tones.reduce((a, b) => (b.clear < a.clear ? b : a));
    const bad = tones.filter((t) => t.grade !== 'sound');
    const name = store.session.emitters[least.emitter].name;
    if (bad.length === 0) room.says(`all, least ${integer(least.clear)}${THIN}σ (${name})`);
    else {
      const worst = bad.some((t) => t.grade === 'wrong') ? 'wrong' : 'doubt';
      room.says(`${bad.length} of ${tones.length} ${worst === 'wrong' ? 'not seen' : 'in doubt'}, least ${significant(least.clear, 2)}${THIN}σ (${name})`, worst);
    }
    this.levels.redraw();
  }

  draw(pen) {
    const tones = this.tones();
    const { session } = this.store;
    if (!tones || !session) return;
    const names = Math.min(70, Math.max(...tones.map((t) => pen.measure(session.emitters[t.emitter].name, 12, true))));
    const narrow = pen.w < 300;
    const left = names + (narrow ? 10 : 64), right = pen.w - 64, top = 20, bottom = pen.h - 20;
    const row = (bottom - top) / tones.length;
    let lo = Infinity, hi = 0;
    for (const t of tones) for (const l of t.levels) { if (l.sigma_v > 0) lo = Math.min(lo, l.sigma_v); hi = Math.max(hi, l.amplitude_v); }
    if (!(lo < Infinity)) lo = 1e-6;
    const range = [10 ** Math.floor(Math.log10(lo) - 0.2), 10 ** Math.ceil(Math.log10(Math.max(hi, lo * 10)))];
    // Held while it fits, so that the axis does not jump as the sensor moves.
    if (!this.range || this.rangeOf !== session.version || range[0] < this.range[0] || range[1] > this.range[1]) this.range = this.range && this.rangeOf === session.version ? [Math.min(range[0], this.range[0]), Math.max(range[1], this.range[1])] : range;
    this.rangeOf = session.version;
    const x = logarithmic(...this.range, left, right);
    if (!narrow) pen.text(left - 8, 14, 'Hz', { fill: colour.ink2, align: 'end' });
    pen.text(left, 14, 'noise, 1 σ', { fill: colour.ink2 });
    pen.text(pen.w, 14, 'all coils', { fill: colour.ink2, align: 'end' });
    tones.forEach((tone, i) => { if (i > 0) pen.line(left, top + i * row, right, top + i * row, { stroke: colour.grid }); });
    axisX(pen, x, top, bottom, ticks(x, 6, 'V'));
    tones.forEach((tone, i) => this.row(pen, tone, top + i * row, row, x, left, names, narrow));
    frame(pen, left, top, right, bottom);
  }

  row(pen, tone, y, height, x, left, names, narrow) {
    const { session } = this.store;
    const mid = y + height / 2, pad = Math.max(1, height * 0.22);
    const emitter = session.emitters[tone.emitter];
    const size = height >= 12 ? 12 : 10;
    pen.text(0, mid + 4, cut(pen, emitter.name, names, size, true), { fill: colour.ink, bold: true, size });
    if (!narrow) pen.text(left - 8, mid + 4, integer(tone.hz ?? emitter.nominal_hz), { fill: colour.ink2, align: 'end', size });
    const sigmas = tone.levels.map((l) => l.sigma_v).filter((s) => s > 0);
    if (sigmas.length) {
      const noise = x(Math.max(...sigmas));
      pen.rect(left + 1, y + pad, Math.max(0, noise - left - 1), height - 2 * pad, { fill: colour.rule });
      pen.line(noise, y + pad, noise, y + height - pad, { stroke: colour.ink2, width: 1.5 });
      const most = x(Math.max(...tone.levels.map((l) => l.amplitude_v)));
      if (most > noise) pen.line(noise, mid, most, mid, { stroke: colour.frame });
    }
    for (const level of tone.levels) {
      const { shape, colour: ink } = identity(session, level.channel);
      pen.marks(shape, [Math.max(left + 4, x(level.amplitude_v)), mid], Math.min(4.8, height / 2.6), { fill: ink });
    }
    const bad = tone.grade !== 'sound';
    pen.text(pen.w, mid + 4, `${tone.clear >= 100 ? integer(tone.clear) : significant(tone.clear, 2)}${THIN}σ`, { fill: bad ? colour.alarm : colour.ink, align: 'end', size, bold: bad });
    if (bad) flagMark(pen, pen.w - 62, mid - 5, tone.grade);
  }

  table() {
    const tones = this.tones() ?? [];
    const { session } = this.store;
    return {
      columns: [{ name: 'tone' }, { name: 'frequency', unit: 'Hz' }, { name: 'channel' }, { name: 'amplitude', unit: 'V' }, { name: 'phase', unit: '°' }, { name: 'σ', unit: 'V' }, { name: 'all coils', unit: 'σ' }],
      rows: tones.flatMap((t) => t.levels.map((l) => [session.emitters[t.emitter].name, t.hz, session.channels[l.channel].name, l.amplitude_v, (180 / Math.PI) * l.phase_rad, l.sigma_v, t.clear])),
    };
  }
}

/** flagMark draws the small square of a grade: filled is wrong, half-filled in doubt. */
export function flagMark(pen, x, y, grade, size = 10) {
  if (grade === 'wrong') pen.rect(x, y, size, size, { fill: colour.alarm });
  else {
    pen.path([x, y, x + size, y, x, y + size], { fill: colour.alarm, close: true });
    pen.rect(x + 0.5, y + 0.5, size - 1, size - 1, { stroke: colour.alarm });
  }
}

