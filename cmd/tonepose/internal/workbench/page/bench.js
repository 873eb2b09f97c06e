// The virtual bench: a control for each knob that the server names.

import { element, choice, every, say } from './dom.js';
import { Room } from './room.js';
import { quantity, significant, fixed, THIN } from './number.js';

const WORDS = {
  noise: 'noise', mains: 'mains', clock: 'clock offset', clock_ignored: 'ignore it', taper: 'taper', variant: 'bench', drive: 'drive current', away: 'emitters', reversed: 'reverse coil', window: 'window', hop: 'hop',
  metal: 'metal ball', metal_position: 'ball at', metal_radius: 'ball radius', follow_path: 'sensor', sensor_position: 'sensor at', sensor_rotation: 'sensor turned',
};
const TICKS = 200; // steps of a slider

export class Bench {
  constructor(store, experiments) {
    this.store = store;
    this.experiments = experiments;
    this.room = new Room(store, 'bench', 'simulated, in real time', { open: false });
    this.knobs = new Map();
    this.form = element('div', { class: 'knobs' });
    this.words = element('p', { class: 'note', role: 'status' });
    this.running = choice('run', [{ value: 'run', words: 'run' }, { value: 'hold', words: 'hold' }], 'run', (value) => store.turn({ paused: value === 'hold' }));
    this.start = element('button', { type: 'button', class: 'plain', onclick: () => store.turn({ reset: true }) }, 'from start');
    this.room.inside.append(element('div', { class: 'bench-scroll' }, element('div', { class: 'row' }, this.running, this.start), this.form, this.words));
    this.send = every(30, () => { const set = this.pending; this.pending = {}; store.turn({ set }); });
    this.pending = {};
    store.on('bench', () => this.refresh());
    store.on('session', () => { this.shape = null; this.refresh(); });
  }

  set(id, value) {
    this.pending[id] = { ...(typeof value === 'object' && !Array.isArray(value) ? this.pending[id] : null), ...(typeof value === 'object' && !Array.isArray(value) ? value : null) };
    if (typeof value !== 'object' || Array.isArray(value)) this.pending[id] = value;
    this.touched = performance.now();
    this.send();
  }

  refresh() {
    const { bench, session, benchRefused } = this.store;
    if (!bench || !session) return;
    const shape = JSON.stringify([bench.knobs.map((k) => [k.id, k.kind, k.each && k.value.length, k.least, k.greatest]), session.version]);
    if (shape !== this.shape) { this.shape = shape; this.build(); }
    this.running.press(bench.paused ? 'hold' : 'run');
    // A slider that is being dragged is not pulled back by an older answer.
    const on = (id) => bench.knobs.find((k) => k.id === id)?.value === true;
    const busy = performance.now() - (this.touched ?? -1e9) < 400;
    for (const knob of bench.knobs) {
      const control = this.knobs.get(knob.id);
      if (!busy || knob.kind === 'switch') control?.show(knob);
      // The ball's place means nothing without a ball, the sensor's none while it follows its path.
      const idle = (/^metal_/.test(knob.id) && !on('metal')) || (/^sensor_/.test(knob.id) && on('follow_path'));
      control?.nodes.forEach((node) => { node.hidden = idle; });
    }
    say(this.words, benchRefused ? [benchRefused.message, benchRefused.mend].filter(Boolean).join('; ') : '');
    this.store.benchRefused = null;
    this.experiments.refresh();
  }

  build() {
    this.form.replaceChildren();
    this.knobs.clear();
    for (const knob of this.store.bench.knobs) {
      const control = this.control(knob);
      if (!control) continue;
      this.knobs.set(knob.id, control);
      this.form.append(...control.nodes);
      control.show(knob);
    }
  }

  label(knob) { return knob.label && !WORDS[knob.id] ? knob.label : WORDS[knob.id] ?? knob.label ?? knob.id; }

  control(knob) {
    const words = this.label(knob);
    const label = element('span', { class: 'label' }, words);
    if (knob.kind === 'switch' && knob.each) return this.switches(knob, label, words);
    if (knob.kind === 'switch') return this.toggle(knob, label, words);
    if (knob.kind === 'choice') {
      const select = element('select', { 'aria-label': words, onchange: () => this.set(knob.id, select.value) }, ...knob.choices.map((c) => element('option', { value: c.value }, c.words)));
      return { nodes: [element('div', { class: 'knob wide' }, label, select)], show: (k) => { select.value = k.value; } };
    }
    if (knob.kind === 'place' || knob.kind === 'rotation vector') return this.three(knob, label, words);
    if (knob.each) return this.joint(knob, label, words);
    const slider = this.slider(knob, words, (value) => this.set(knob.id, value));
    return { nodes: [element('div', { class: 'knob' }, label, slider.node, slider.text)], show: (k) => slider.show(k.value) };
  }

  /** slider is a native range; its tick is where the knob stood at the start. */
  slider(knob, words, change) {
    const { least, greatest, kind } = knob;
    const span = kind === 'log' ? Math.log(greatest / least) : greatest - least;
    const low = kind === 'log0' ? (knob.least > 0 ? knob.least : greatest / 1e4) : least;
    const within = (value) => Math.max(least, Math.min(greatest, value)); // the ends, whatever rounding makes of them
    const toValue = (share) => {
      if (kind === 'log') return within(least * Math.exp(share * span));
      if (kind === 'log0') return share <= 0 ? 0 : within(low * (greatest / low) ** ((share * TICKS - 1) / (TICKS - 1)));
      return within(least + share * span);
    };
    const toShare = (value) => {
      if (kind === 'log') return Math.log(value / least) / span;
      if (kind === 'log0') return value <= 0 ? 0 : (1 + (TICKS - 1) * Math.max(0, Math.log(value / low) / Math.log(greatest / low))) / TICKS;
      return (value - least) / span;
    };
    const input = element('input', { type: 'range', min: 0, max: TICKS, step: 1, 'aria-label': words });
    const text = element('output', { class: 'knob-value' });
    const tick = element('span', { class: 'tick', 'aria-hidden': 'true' });
    const node = element('span', { class: 'slide' }, tick, input);
    const show = (value) => {
      const share = Math.max(0, Math.min(1, toShare(value)));
      if (document.activeElement !== input || Math.abs(Number(input.value) / TICKS - share) > 1.5 / TICKS) input.value = Math.round(share * TICKS);
      this.paint(input, share, text, value, knob);
    };
    input.addEventListener('input', () => {
      const share = Number(input.value) / TICKS, value = toValue(share);
      this.paint(input, share, text, value, knob);
      change(value);
    });
    if (typeof knob.start === 'number') tick.style.left = `${(100 * Math.max(0, Math.min(1, toShare(knob.start)))).toFixed(1)}%`;
    else tick.hidden = true;
    return { node, text, show };
  }

  paint(input, share, text, value, knob) {
    input.style.setProperty('--share', `${(share * 100).toFixed(1)}%`);
    const words = written(value, knob.unit);
    say(text, words);
    input.setAttribute('aria-valuetext', words);
  }

  /** joint is one slider for all parts of a knob, such as the current of every emitter. */
  joint(knob, label, words) {
    const slider = this.slider({ ...knob, start: Array.isArray(knob.start) ? knob.start[0] : knob.start ?? 1 }, words, (value) => {
      this.set(knob.id, Object.fromEntries(knob.value.map((_, i) => [i, value])));
    });
    return { nodes: [element('div', { class: 'knob' }, label, slider.node, slider.text)], show: (k) => slider.show(Math.max(...k.value)) };
  }

  switches(knob, label, words) {
    const { session } = this.store;
    const names = knob.each === 'emitter' ? session.emitters.map((e) => e.name) : knob.each === 'coil' ? session.sensors.flatMap((s) => s.channels.map((c) => session.channels[c].name)) : [];
    const inverse = knob.id === 'away'; // ticked is "there", as in the room of couplings
    if (!inverse) {
      const buttons = knob.value.map((_, i) => element('button', { type: 'button', class: 'plain', 'aria-pressed': 'false', onclick: () => this.set(knob.id, { [i]: buttons[i].getAttribute('aria-pressed') !== 'true' }) }, names[i] ?? String(i + 1)));
      return { nodes: [element('div', { class: 'knob wide' }, label, element('span', { class: 'choice', role: 'group', 'aria-label': words }, ...buttons))], show: (k) => k.value.forEach((v, i) => buttons[i].setAttribute('aria-pressed', Boolean(v))) };
    }
    const boxes = knob.value.map((_, i) => element('input', { type: 'checkbox', onchange: () => this.set(knob.id, { [i]: !boxes[i].checked }) }));
    return { nodes: [element('div', { class: 'knob wide' }, label, element('span', { class: 'boxes', role: 'group', 'aria-label': words }, ...boxes.map((box, i) => element('label', {}, box, names[i] ?? String(i + 1)))))], show: (k) => k.value.forEach((v, i) => { boxes[i].checked = !v; }) };
  }

  toggle(knob, label, words) {
    const pairs = { follow_path: [['path', true], ['at rest, drag', false]], metal: [['away', false], ['near, drag', true]] }[knob.id] ?? [['no', false], ['yes', true]];
    const group = choice(words, pairs.map(([w, value]) => ({ value: String(value), words: w })), String(Boolean(knob.value)), (value) => this.set(knob.id, value === 'true'));
    return { nodes: [element('div', { class: 'knob wide' }, label, group)], show: (k) => group.press(String(Boolean(k.value))) };
  }

  /** three are the parts of a place or a turn: the keyboard's way to what is dragged in space. */
  three(knob, label, words) {
    const turn = knob.kind === 'rotation vector';
    let now = [...(knob.value ?? [0, 0, 0])];
    const sliders = ['x', 'y', 'z'].map((axis, i) => {
      const range = knob.low ? [knob.low[i], knob.high[i]] : [knob.least, knob.greatest];
      return this.slider({ kind: 'linear', least: range[0], greatest: range[1], unit: turn ? 'turn' : 'm', start: knob.start?.[i] }, `${words} ${axis}`, (value) => { now[i] = value; this.set(knob.id, [...now]); if (knob.id === 'sensor_position') this.pending.follow_path = false; });
    });
    const details = element('details', {}, element('summary', {}, label), ...sliders.map((s, i) => element('div', { class: 'knob' }, element('span', { class: 'label axis-name' }, 'xyz'[i]), s.node, s.text)));
    return { nodes: [details], show: (k) => { if (!k.value) return; now = [...k.value]; if (details.open) k.value.forEach((v, i) => sliders[i].show(v)); else details.ontoggle = () => now.forEach((v, i) => sliders[i].show(v)); } };
  }
}

function written(value, unit) {
  if (unit === 'ppm') return `${fixed(value, 1)}${THIN}ppm`;
  if (unit === 'of nominal') return `${fixed(value * 100)}${THIN}%`;
  if (unit === 'turn') return `${fixed((value * 180) / Math.PI, 1)}°`;
  if (unit === 'V/√Hz') return value === 0 ? `0${THIN}V/√Hz` : quantity(value, 'V/√Hz', 2);
  if (unit === 'm') return `${fixed(value * 1e3, 1)}${THIN}mm`;
  if (!unit || unit === '1') return significant(value, 2);
  return quantity(value, unit, 2);
}
