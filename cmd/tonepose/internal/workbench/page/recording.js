// Room "recording": are the samples sound? A trace a channel, and the spectrum of the selected stretch.

import { arrays, json, newest } from './server.js';
import { element, every, choice } from './dom.js';
import { Room, gradeOfAnswer } from './room.js';
import { Figure } from './figure.js';
import { colour, coil } from './colour.js';
import { linear, ticks, axisX, frame } from './axes.js';
import { THIN, significant, quantity } from './number.js';
import { withUnit, hatch } from './strip.js';
import { drawSpectrum } from './spectrum.js';
import { steer } from './steer.js';

/** identity gives the mark of a channel: the coil's shape by its place in its sensor, a diamond for drives. */
export function identity(session, channel) {
  const c = session.channels[channel];
  const sensor = c?.sensor === null || c?.sensor === undefined ? null : session.sensors[c.sensor];
  return coil(sensor ? sensor.channels.indexOf(channel) : -1);
}

export class Recording {
  constructor(store) {
    this.store = store;
    this.room = new Room(store, 'recording', ['are the samples sound?', 'are the samples sound?', 'sound?']);
    this.traces = new Figure({ name: 'traces', title: 'traces of the channels', room: 'recording', interactive: true, draw: (pen) => this.drawTraces(pen), table: () => this.tracesTable(), data: () => this.samples(), summary: () => this.room.words.textContent });
    this.spectrum = new Figure({ name: 'spectrum', title: 'spectrum of the stretch', room: 'recording', draw: (pen) => drawSpectrum(pen, this.lines, this.store, this.wanted().channels), table: () => this.spectrumTable(), summary: () => this.spectrumWords() });
    this.asked = {};
    this.faults = element('div', { class: 'note faults' });
    this.choices = element('div', { class: 'controls choosing' });
    this.room.inside.append(this.choices, this.traces.node, this.spectrum.node, this.faults);
    this.traces.onsize = () => this.fetch();
    this.spectrum.onsize = () => this.fetch();
    steer(this.traces, store, () => this.x);
    this.askTraces = newest((p) => arrays('/api/traces', p), (data, p) => { this.data = data; data.range = [p.from, p.to]; this.room.missing(''); this.traces.redraw(); this.say(); }, (error) => this.failed(error));
    this.askSpectrum = newest((p) => arrays('/api/spectrum', p), (data) => { this.lines = data; this.spectrum.redraw(); }, (error) => this.failed(error));
    this.askFaults = newest(() => json('/api/faults'), (faults) => { this.found = faults; this.traces.redraw(); this.listFaults(); }, () => { this.found = {}; });
    this.live = every(3, () => this.fetch());
    store.on('session', () => { this.data = this.lines = null; this.choose(); this.fetch(); this.say(); });
    store.on('view', () => this.fetchChanged());
    store.on('cursor', () => this.traces.redraw());
    store.on('tick', () => this.live());
  }

  /** wanted is what the room shows: channels that fit, the range, the stretch. */
  wanted() {
    const { session, view } = this.store;
    if (!session) return { channels: [], all: 0 };
    const all = session.channels.map((_, i) => i).filter((i) => session.channels[i].role !== 'other');
    let list = [...all.filter((i) => session.channels[i].role === 'pickup'), ...all.filter((i) => session.channels[i].role === 'drive')];
    if (view.channel !== null && this.room.opened && this.only) list = list.filter((i) => i === view.channel);
    const rows = Math.max(1, Math.floor((this.traces.box[1] - 18) / 10.5));
    return { channels: list.slice(0, rows), all: list.length };
  }

  choose() {
    const { session, view } = this.store;
    if (!session) return;
    this.choices.replaceChildren(element('span', { class: 'label' }, 'show'), choice('channels shown', [{ value: 'all', words: 'all channels' }, ...session.channels.map((c, i) => ({ value: i, words: c.name })).filter((_, i) => session.channels[i].role !== 'other').slice(0, 24)], 'all', (value) => {
      this.only = value !== 'all';
      if (this.only) view.change({ channel: value });
      this.fetch();
    }));
  }

  fetchChanged() {
    const key = JSON.stringify([this.store.range, this.store.stretch, this.store.view.room]);
    if (key !== this.key) { this.key = key; this.fetch(); }
    else this.traces.redraw();
  }

  fetch() {
    const { store } = this;
    const { session } = store;
    if (!session || (!session.ready && !store.streaming)) return;
    if (!session.recording && !store.streaming) { this.room.missing('No recording beside this run.', 'Couplings and poses are shown; give the recording to see its samples.'); return; }
    if (session.recording?.missing) { this.room.missing('The recording was not found.', session.recording.why_missing); return; }
    const { channels } = this.wanted();
    if (channels.length === 0) return;
    const [from, to] = store.recent;
    const again = (what, parameters) => {
      // Boxes settle in steps and rooms open: the same question is asked once.
      const key = JSON.stringify([parameters, session.version]);
      if (this.asked[what] === key) return false;
      this.asked[what] = key;
      return true;
    };
    const traces = { channels, from, to, points: Math.round(this.plotWidth(this.traces.box[0])) };
    if (this.traces.shown && again('traces', traces)) this.askTraces(traces);
    const [first, last] = store.streaming && !store.selected ? [Math.max(store.recent[0], store.recent[1] - 1), store.recent[1]] : store.stretch;
    const spectrum = { channels, from: first, to: last, points: Math.round(this.spectrum.box[0]), scale: 'log' };
    if (this.spectrum.shown && again('spectrum', spectrum)) this.askSpectrum(spectrum);
    if (!store.streaming && again('faults', null)) this.askFaults();
  }

  failed(error) {
    if (error.status) this.room.missing(error.wait ? 'Not yet there.' : 'No samples to show.', [error.message, error.mend].filter(Boolean).join('; '));
  }

  plotWidth(w) { return Math.max(40, w - (w > 700 ? 150 : 98)); }

  say() {
    const { store } = this;
    const answer = store.answer('recording');
    const faulty = (this.data?.header.share ?? []).filter((s) => s.clipped > 0 || (s.faults ?? []).length > 0);
    if (answer?.short) this.room.says(answer.short, gradeOfAnswer(answer));
    else if (faulty.length > 0) {
      const names = faulty.slice(0, 2).map((s) => `${store.session.channels[s.channel].name} ${(s.faults ?? [])[0] ?? 'clipped'}`);
      this.room.says(names.join(', ') + (faulty.length > 2 ? ' …' : ''), 'doubt');
    } else this.room.says(answer && answer.grade !== 'sound' && !store.streaming ? answer.why : 'no faults', gradeOfAnswer(store.streaming ? null : answer));
  }

  drawTraces(pen) {
    const { store, data } = this;
    const { session } = store;
    if (!session || !data) return;
    const { channels, all } = this.wanted();
    const wide = pen.w > 700;
    const left = wide ? 80 : 46, right = pen.w - (wide ? 70 : 52);
    const axis = wide;
    const top = 2, bottom = pen.h - (axis ? 37 : 18);
    const x = linear(...store.spanOf(data, store.recent), left, right);
    this.x = x;
    const row = (bottom - top) / channels.length;
    const { start_s: start, step_s: step, exact } = data.header;
    channels.forEach((channel, k) => {
      const mid = top + (k + 0.5) * row, half = row * 0.42;
      const { shape, colour: ink } = identity(session, channel);
      if (k > 0) pen.line(left, top + k * row, right, top + k * row, { stroke: colour.grid });
      pen.clipped(left, top, right - left, bottom - top, () => this.trace(pen, channel, x, mid, half, ink, start, step, exact));
      pen.marks(shape, [7, mid], 4.5, { fill: ink });
      pen.text(16, mid + 4, cut(pen, session.channels[channel].name, left - 18), { fill: colour.ink });
      const share = data.header.share?.find((s) => s.channel === channel);
      const bad = share && (share.clipped > 0 || share.faults?.length);
      pen.text(pen.w, mid + 4, share ? `${significant(100 * share.share, share.share < 0.1 ? 2 : 3)}${THIN}%` : '–', { fill: bad ? colour.alarm : colour.ink2, align: 'end', bold: Boolean(bad) });
    });
    for (const fault of this.found?.events ?? []) this.fault(pen, fault, channels, x, top, row, left, right);
    frame(pen, left, top, right, bottom);
    if (axis) axisX(pen, x, top, bottom, withUnit(ticks(x, 10)), { grid: false });
    const words = all > channels.length ? `${channels.length} of ${all} channels; least and largest a pixel` : 'least and largest a pixel, each to its own height';
    pen.text(left, pen.h - 4, fitting(pen, pen.w - left - pen.measure('of range') - 6, words, 'least and largest a pixel'), { fill: colour.ink2 });
    pen.text(pen.w, pen.h - 4, 'of range', { fill: colour.ink2, align: 'end' });
    const cursor = store.atEnd ? right - 1 : x(store.cursor);
    if (cursor >= left && cursor <= right) pen.line(cursor, top, cursor, bottom, { stroke: colour.ink, width: 1.2 });
  }

  trace(pen, channel, x, mid, half, ink, start, step, exact) {
    const lo = this.data[`C${channel}.min`] ?? this.data[`C${channel}`], hi = this.data[`C${channel}.max`] ?? lo;
    if (!lo) return;
    let most = 0;
    for (let i = 0; i < lo.length; i++) { const v = Math.max(Math.abs(lo[i]), Math.abs(hi[i])); if (v > most) most = v; }
    const y = (v) => mid - (most > 0 ? v / most : 0) * half;
    if (exact) {
      const points = new Float64Array(2 * lo.length);
      for (let i = 0; i < lo.length; i++) { points[2 * i] = x(start + i * step); points[2 * i + 1] = y(lo[i]); }
      pen.path(points, { stroke: ink, width: 1.2 });
      return;
    }
    // Down along the largest, back along the least: one closed shape between breaks.
    const width = Math.max(0.5, (x(step) - x(0)) / 2);
    let from = -1;
    for (let i = 0; i <= lo.length; i++) {
      const known = i < lo.length && lo[i] === lo[i];
      if (known && from < 0) from = i;
      if (known || from < 0) continue;
      const points = [];
      for (let k = from; k < i; k++) points.push(x(start + k * step) , Math.min(y(hi[k]), mid - 0.5));
      if (points.length === 2) points.push(points[0] + 2 * width, points[1]);
      for (let k = i - 1; k >= from; k--) points.push(x(start + k * step), Math.max(y(lo[k]), mid + 0.5));
      pen.path(points, { fill: ink, close: true });
      from = -1;
    }
  }

  fault(pen, { channel, start_s: start, stop_s: stop, kind }, channels, x, top, row, left, right) {
    const k = channel === null || channel === undefined ? -1 : channels.indexOf(channel);
    if (channel !== null && channel !== undefined && k < 0) return;
    const a = Math.max(left, x(start)), b = Math.min(right, Math.max(x(stop), x(start) + 2));
    if (b < left || a > right) return;
    const y = k < 0 ? top : top + k * row, h = k < 0 ? row * channels.length : row;
    if (kind === 'gap') hatch(pen, a, y, b, y + h);
    else pen.rect(a, y + h - 4, b - a, 3, { fill: colour.alarm });
  }

  listFaults() {
    const words = this.found?.words ?? [];
    this.faults.textContent = words.length ? words.slice(0, 4).join('; ') + (words.length > 4 ? ` … ${words.length - 4} more` : '') : '';
  }

  spectrumWords() {
    const lines = this.lines?.header.lines ?? [];
    const strange = lines.filter((l) => l.kind === 'unexplained').length;
    return `${lines.filter((l) => l.kind === 'tone').length} tones, ${lines.filter((l) => l.kind === 'mains').length} mains lines, ${strange ? `${strange} unexplained` : 'none unexplained'}; resolution ${quantity(this.lines?.header.resolution_hz ?? NaN, 'Hz')}, mean of ${this.lines?.header.averages} segments${this.lines?.header.spread ? ' spread over the stretch' : ''}`;
  }

  tracesTable() {
    const { session } = this.store;
    const columns = [{ name: 'channel' }, { name: 'least', unit: 'V' }, { name: 'largest', unit: 'V' }, { name: 'share of range', unit: '%' }, { name: 'faults' }];
    return { columns, rows: (this.data?.header.share ?? []).map((s) => [session.channels[s.channel].name, s.min_v, s.max_v, 100 * s.share, [s.clipped ? `${s.clipped} clipped` : '', ...(s.faults ?? [])].filter(Boolean).join('; ')]) };
  }

  /** samples are what is drawn: least and largest of each pixel, or the samples themselves. */
  samples() {
    const { session } = this.store;
    const { channels } = this.wanted();
    const parts = channels.flatMap((c) => (this.data?.[`C${c}`] ? [[`C${c}`, '']] : [[`C${c}.min`, ' least'], [`C${c}.max`, ' largest']]).map(([key, words]) => ({ column: this.data?.[key] ?? [], name: session.channels[c].name + words, unit: 'V' })));
    const { start_s: start, step_s: step } = this.data?.header ?? {};
    return { columns: [{ name: 'time', unit: 's' }, ...parts], rows: Array.from(parts[0]?.column ?? [], (_, i) => [start + i * step, ...parts.map((p) => p.column[i])]) };
  }

  spectrumTable() {
    const { session } = this.store;
    const { channels } = this.wanted();
    const columns = [{ name: 'frequency', unit: 'Hz' }, ...channels.map((c) => ({ name: session.channels[c].name, unit: 'V/√Hz' }))];
    if (!this.lines) return { columns, rows: [] };
    return { columns, rows: Array.from(this.lines.hz, (hz, i) => [hz, ...channels.map((c) => this.lines[`C${c}`]?.[i] ?? null)]) };
  }
}

/** fitting is the first of some wordings that a width has room for, else the last. */
export function fitting(pen, width, ...wordings) { return wordings.find((words) => pen.measure(words) <= width) ?? wordings.at(-1); }

/** cut shortens a text to a width. */
export function cut(pen, text, width, size = 12, bold = false) {
  if (pen.measure(text, size, bold) <= width) return text;
  let short = text;
  while (short.length > 1 && pen.measure(short + '…', size, bold) > width) short = short.slice(0, -1);
  return short + '…';
}
