// What if: another window, taper or low-pass for the selected stretch. The server measures again with these options;
// here noise bandwidth, settling and noise of both stand side by side.

import { json, post, arrays, newest } from './server.js';
import { element, choice, say } from './dom.js';
import { Figure } from './figure.js';
import { colour } from './colour.js';
import { linear, logarithmic, ticks, axisX, axisY, frame } from './axes.js';
import { quantity, significant, fixed, UNKNOWN, THIN } from './number.js';

const STEPS = [1, 1.5, 2, 3, 5, 7]; // of a decade, for − and +

export class WhatIf {
  constructor(store, clouds) {
    this.store = store;
    this.clouds = clouds;
    this.form = element('div', { class: 'controls what' });
    this.rows = element('tbody');
    this.caption = element('th', { scope: 'col' });
    this.tableNode = element('table', { class: 'values' }, element('thead', {}, element('tr', {}, this.caption, element('th', { scope: 'col', class: 'solved' }, 'as solved'), element('th', { scope: 'col', class: 'tried' }, 'what if'), element('th', { scope: 'col' }, 'ratio'))), this.rows);
    this.step = new Figure({ name: 'step', title: 'after a step', room: 'tones', draw: (pen) => this.drawStep(pen), table: () => this.stepTable() });
    this.response = new Figure({ name: 'response', title: 'response beside the tone', room: 'tones', draw: (pen) => this.drawResponse(pen), table: () => this.responseTable() });
    this.words = element('p', { class: 'note' });
    this.node = element('div', { class: 'tones-right' }, this.form, this.tableNode, this.words, element('div', { class: 'pair' }, this.step.node, this.response.node));
    this.ask = newest((body) => post('/api/whatif', body), (answer) => this.take(answer), (error) => { this.answer = null; this.cloud = this.course = null; say(this.words, [error.message, error.mend].filter(Boolean).join('; ')); this.show(); });
    store.on('session', () => this.offer());
    store.on('view', () => this.viewed());
  }

  async offer() {
    if (this.choices) return;
    try { this.choices = await json('/api/whatif/choices'); } catch { this.choices = { tapers: [{ name: 'hann' }], lowpasses: [] }; }
    this.read();
    this.build();
    if (this.store.view.trial) this.try();
    else this.show();
  }

  /** read takes the trial from the address: window:hann:0.02 or low-pass:bessel:4:50. */
  read() {
    const { session, view } = this.store;
    const [kind, name, a, b] = (view.trial || '').split(':');
    const low = this.choices.lowpasses[0];
    this.kind = kind === 'low-pass' ? 'low-pass' : 'window';
    this.taper = kind === 'window' && name ? name : session.options?.taper ?? this.choices.tapers[0]?.name ?? 'hann';
    this.window = kind === 'window' && Number(a) > 0 ? Number(a) : (session.window_s || 0.01) * 2;
    this.lowpass = kind === 'low-pass' && name ? name : low?.name;
    this.order = kind === 'low-pass' && Number(a) > 0 ? Number(a) : low?.orders?.[Math.min(3, low.orders.length - 1)] ?? 0;
    this.bandwidth = kind === 'low-pass' && Number(b) > 0 ? Number(b) : 50;
    this.trialText = view.trial;
  }

  viewed() {
    const { store } = this;
    if (store.view.room !== 'tones' || !this.choices) return;
    if (store.view.trial !== this.trialText) { this.read(); this.build(); if (store.view.trial) this.try(); else { this.answer = null; this.cloud = this.course = null; this.clouds.redraw(); } }
    const key = JSON.stringify([store.stretch, this.clouds.channel, this.clouds.emitter]);
    if (key !== this.key) {
      const stretchMoved = this.key && JSON.parse(this.key)[0].join() !== store.stretch.join();
      this.key = key;
      if (this.answer && stretchMoved) this.try(); else if (this.answer) this.fetchCloud();
    }
    this.show();
  }

  build() {
    const pick = (name, list, value, change) => {
      const select = element('select', { 'aria-label': name, onchange: () => change(select.value) }, ...list.map((o) => element('option', { value: o.value }, o.words)));
      select.value = value;
      return select;
    };
    const turn = (name, value, unit, text, change) => {
      const shown = element('span', { class: 'turned' }, text(value));
      const by = (direction) => { const v = next(value, direction); change(v); };
      return element('span', { class: 'turn-by', role: 'group', 'aria-label': name },
        element('button', { type: 'button', class: 'plain', 'aria-label': `less ${name}`, onclick: () => by(-1) }, '−'), shown,
        element('button', { type: 'button', class: 'plain', 'aria-label': `more ${name}`, onclick: () => by(1) }, '+'));
    };
    const kinds = choice('what if', [{ value: 'window', words: 'window' }, { value: 'low-pass', words: 'low-pass', disabled: this.choices.lowpasses.length === 0 }], this.kind, (kind) => { this.kind = kind; this.commit(); });
    const row = this.kind === 'window'
      ? [pick('taper', this.choices.tapers.map((t) => ({ value: t.name, words: t.name })), this.taper, (taper) => { this.taper = taper; this.commit(); }),
        turn('window', this.window, 's', (v) => quantity(v, 's', 3), (v) => { this.window = Math.max(this.choices.least_window_s ?? 0.001, Math.min(this.choices.greatest_s ?? 1, v)); this.commit(); })]
      : [pick('low-pass', this.choices.lowpasses.flatMap((l) => (l.orders ?? [0]).map((o) => ({ value: `${l.name}:${o}`, words: o ? `${l.name} ${o}` : l.name }))), `${this.lowpass}:${this.order}`, (text) => { const [name, order] = text.split(':'); this.lowpass = name; this.order = Number(order); this.commit(); }),
        turn('bandwidth', this.bandwidth, 'Hz', (v) => `${significant(v, 3)}${THIN}Hz`, (v) => { this.bandwidth = v; this.commit(); })];
    const had = this.form.contains(document.activeElement) ? document.activeElement.getAttribute('aria-label') || document.activeElement.dataset.value : null;
    this.form.toggleAttribute('inert', this.store.streaming);
    this.form.classList.toggle('idle', this.store.streaming);
    this.form.replaceChildren(element('span', { class: 'label' }, 'what if'), kinds, element('span'), element('span', { class: 'row' }, ...row));
    if (had) [...this.form.querySelectorAll('button,select')].find((b) => b.getAttribute('aria-label') === had || (b.dataset.value === had && b.tabIndex === 0))?.focus();
  }

  commit() {
    this.trialText = this.kind === 'window' ? `window:${this.taper}:${this.window}` : `low-pass:${this.lowpass}:${this.order}:${this.bandwidth}`;
    this.build();
    this.store.view.change({ trial: this.trialText });
    this.try();
  }

  try() {
    const [from, to] = this.store.stretch;
    const body = { from_s: from, to_s: to };
    if (this.kind === 'window') Object.assign(body, { window_s: this.window, hop_s: this.window, taper: this.taper });
    else body.lowpass = { kind: this.lowpass, order: this.order || undefined, bandwidth_hz: this.bandwidth };
    say(this.words, 'measuring again');
    this.ask(body);
  }

  take(answer) {
    this.answer = answer;
    say(this.words, answer.command ? answer.command : '');
    this.fetchCloud();
    this.show();
  }

  async fetchCloud() {
    const { id } = this.answer;
    const { channel, emitter } = this.clouds;
    try {
      [this.cloud, this.course] = await Promise.all([arrays('/api/whatif/cloud', { id, channel, points: 400 }), arrays('/api/whatif/phasors', { id, channel, emitter })]);
    } catch { this.cloud = this.course = null; }
    this.clouds.redraw();
  }

  /** lines of the table: name, as solved, what if, ratio. */
  lines() {
    const { answer, clouds, store } = this;
    if (!answer) return [];
    const { run, trial } = answer;
    const tone = (a) => a.tones.find((t) => t.emitter === clouds.emitter && t.channel === clouds.channel) ?? a.tones.find((t) => t.emitter === clouds.emitter);
    const name = `${store.session.emitters[clouds.emitter].name} on ${store.session.channels[clouds.channel].name}`;
    const line = (words, get, unit) => { const a = get(run), b = get(trial); return [words, a, b, a > 0 && b !== null ? b / a : null, unit]; };
    return [
      line('noise bandwidth', (m) => m.enbw_hz, 'Hz'), line('group delay', (m) => m.group_delay_s, 's'),
      line('settles to 1 %', (m) => m.settling_1_percent_s, 's'), line('settles to 0.1 %', (m) => m.settling_01_percent_s, 's'),
      line(`σ of ${name}`, (m) => tone(m)?.sigma_v ?? null, 'V'), line('scatter seen', (m) => tone(m)?.spread_v ?? null, 'V'),
      line('amplitude over σ', (m) => tone(m)?.ratio ?? null, ''),
      ...(run.sigma_m ? [line('σ of position', (m) => m.sigma_m ?? null, 'm')] : []),
      ['next tone', nextTone(run), nextTone(trial), null, ''],
    ];
  }

  show() {
    const { store } = this;
    const [from, to] = store.stretch;
    say(this.caption, store.streaming ? 'of a recording' : `${store.selected ? 'stretch' : 'all'} ${fixed(from, 2)} to ${fixed(to, 2)}${THIN}s`);
    const lines = this.lines();
    if (lines.length === 0) this.rows.replaceChildren(element('tr', {}, element('td', { colspan: '4' }, store.streaming ? 'What if measures a recording again. A stream is recorded with tonepose live --record; open what it recorded.' : 'Choose another window or low-pass: the stretch is measured again with it.')));
    else this.rows.replaceChildren(...lines.map(([name, a, b, ratio, unit]) => element('tr', {}, element('td', {}, name), value(a, unit), value(b, unit), element('td', {}, ratio === null ? '' : significant(ratio, 2)))));
    this.step.redraw();
    this.response.redraw();
  }

  both(pen, name, x, y, values) {
    if (!this.answer) return;
    for (const [kind, ink] of [['run', colour.estimate], ['trial', colour.coil2]]) {
      const part = this.answer[kind][name];
      if (!part) continue;
      const [h, v] = values(part);
      const points = [];
      for (let i = 0; i < h.length; i++) points.push(x(h[i]), y(v[i]));
      pen.path(points, { stroke: ink, width: 2 });
    }
  }

  drawStep(pen) {
    const left = 34, right = pen.w - 8, top = 22, bottom = pen.h - 20;
    if (bottom - top < 20) return;
    const most = this.answer ? Math.max(...['run', 'trial'].map((k) => this.answer[k].step?.time_s.at(-1) ?? 0)) : 0.05;
    const x = linear(0, most * 1e3, left, right), y = linear(0, 1.05, bottom, top);
    pen.text(0, 12, 'after a step', { fill: colour.ink2 });
    axisY(pen, y, left, right, ticks(y, 2));
    axisX(pen, x, top, bottom, ticks(x, 3, 'ms'));
    pen.clipped(left, top, right - left, bottom - top, () => this.both(pen, 'step', x, y, (s) => [s.time_s.map((t) => t * 1e3), s.value]));
    frame(pen, left, top, right, bottom);
  }

  drawResponse(pen) {
    const left = 34, right = pen.w - 8, top = 22, bottom = pen.h - 20;
    if (bottom - top < 20) return;
    const x = logarithmic(1, Math.max(1000, this.answer?.run.response?.hz.at(-1) ?? 1000), left, right), y = linear(-120, 5, bottom, top);
    pen.text(0, 12, 'response beside the tone, dB', { fill: colour.ink2 });
    axisY(pen, y, left, right, [0, -40, -80, -120].map((v) => ({ value: v, text: fixed(v) })));
    axisX(pen, x, top, bottom, ticks(x, 4, 'Hz'));
    pen.clipped(left, top, right - left, bottom - top, () => this.both(pen, 'response', x, y, (r) => [r.hz, r.gain.map((g) => Math.max(-200, 20 * Math.log10(Math.abs(g))))]));
    frame(pen, left, top, right, bottom);
  }

  stepTable() {
    const columns = [{ name: 'as solved: time', unit: 's' }, { name: 'value' }, { name: 'what if: time', unit: 's' }, { name: 'value' }];
    return { columns, rows: this.sideBySide('step', 'time_s', 'value') };
  }

  responseTable() {
    const columns = [{ name: 'as solved: beside the tone', unit: 'Hz' }, { name: 'gain' }, { name: 'what if: beside the tone', unit: 'Hz' }, { name: 'gain' }];
    return { columns, rows: this.sideBySide('response', 'hz', 'gain') };
  }

  sideBySide(part, a, b) {
    const { run, trial } = this.answer ?? {};
    const one = run?.[part], two = trial?.[part];
    const n = Math.max(one?.[a].length ?? 0, two?.[a].length ?? 0);
    return Array.from({ length: n }, (_, i) => [one?.[a][i], one?.[b][i], two?.[a][i], two?.[b][i]]);
  }
}

function value(v, unit) {
  if (typeof v === 'string') return element('td', {}, v);
  if (v === null || v === undefined) return element('td', {}, UNKNOWN);
  return element('td', { 'data-value': v }, unit === '' ? significant(v, 3) : quantity(v, unit, 3));
}

function nextTone(m) {
  return m.next_tone ? `${fixed(m.next_tone.rejection_db)}${THIN}dB` : UNKNOWN;
}

function next(value, direction) {
  const steps = [];
  const decade = Math.floor(Math.log10(value));
  for (let d = decade - 1; d <= decade + 1; d++) for (const s of STEPS) steps.push(Number((s * 10 ** d).toPrecision(3)));
  return direction > 0 ? steps.find((s) => s > value * 1.001) : steps.reverse().find((s) => s < value * 0.999);
}
