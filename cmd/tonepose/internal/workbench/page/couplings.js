// Room "couplings": do they fit the field model? The matrix of emitter by coil, residuals and quadrature in sigmas.
// Ticks take an emitter or a coil out; the pose without it is shown at once, here and in space.

import { element } from './dom.js';
import { Room } from './room.js';
import { Figure } from './figure.js';
import { colour, coil, signed } from './colour.js';
import { linear, ticks, frame } from './axes.js';
import { fixed, quantity, significant, withSigma, THIN, UNKNOWN } from './number.js';
import { cut } from './recording.js';
import { chi, leftNames } from './reading.js';
import { flagMark } from './tones.js';
import { Regions } from './regions.js';

const FOOT = 22;

export class Couplings {
  constructor(store) {
    this.store = store;
    this.room = new Room(store, 'couplings', ['do they fit the field model?', 'do they fit the field?', 'fit?']);
    this.figure = new Figure({ name: 'couplings', title: 'couplings and residuals', room: 'couplings', draw: (pen) => this.draw(pen, this.shown(), pen.taken), table: () => this.table(), summary: () => this.room.words.textContent });
    this.before = new Figure({ name: 'couplings-as-solved', title: 'couplings and residuals as solved', room: 'couplings', draw: (pen) => this.draw(pen, this.solved(), true), table: () => this.table(this.solved()) });
    this.ticks = element('div', { class: 'ticks', role: 'group', 'aria-label': 'emitters taken in' });
    this.coils = element('div', { class: 'coils', role: 'group', 'aria-label': 'coils taken in' });
    this.main = element('div', { class: 'matrix' }, this.figure.node, this.ticks);
    this.moved = element('h3');
    this.rows = element('tbody');
    this.compare = element('table', { class: 'values' }, element('thead', {}, (this.columns = element('tr'))), this.rows);
    this.regions = new Regions(store, { name: 'leaving-out', title: 'poses with all and without', room: 'couplings', compare: true });
    this.side = element('div', { class: 'without' }, this.coils, this.moved, this.compare, this.regions.figure.node);
    this.beforeBox = element('div', { class: 'as-solved' }, element('h3', {}, 'as solved, all emitters and coils'), this.before.node);
    this.title = element('h3', { class: 'tried-title' });
    this.mainBox = element('div', { class: 'shown' }, this.title, this.main);
    this.room.inside.append(this.beforeBox, this.mainBox, this.side);
    this.figure.onsize = () => this.placeTicks();
    store.on('session', () => this.offer());
    store.on('state', () => { this.figure.redraw(); this.before.redraw(); if (this.room.opened) this.regions.refresh(); });
    store.on('words view', () => this.refresh());
  }

  /** shown is the matrices in view: all sensors when there are several and room, else the chosen one. */
  shown() {
    const { store } = this;
    if (!store.state) return [];
    const own = store.shown;
    if (store.session.sensors.length === 1 || this.figure.box[0] < 480 || store.session.sensors.length > 4) return own?.couplings ? [own] : [];
    return store.state.sensors.map((s) => (s.sensor === store.sensor ? own : s)).filter((s) => s?.couplings);
  }

  solved() { return this.store.solved?.couplings ? [this.store.solved] : []; }

  offer() {
    const { session } = this.store;
    const toggle = (kind, index, name) => {
      const box = element('input', { type: 'checkbox', checked: true, onchange: () => this.take(kind, index, !box.checked) });
      return Object.assign(element('label', { title: name }, box, ' ', element('span', {}, name)), { box, index });
    };
    this.emitterTicks = session.emitters.map((e, i) => toggle('emitters', i, e.name));
    this.ticks.replaceChildren(...this.emitterTicks);
    const own = session.sensors[this.store.sensor]?.channels ?? [];
    this.coilTicks = own.map((c) => toggle('coils', c, session.channels[c].name));
    this.coils.replaceChildren(element('span', { class: 'label' }, 'coils'), ...this.coilTicks);
    this.coilsOf = this.store.sensor;
    this.placeTicks();
  }

  take(kind, index, out) {
    const { left } = this.store.view;
    left[kind] = out ? [...new Set([...left[kind], index])].sort((a, b) => a - b) : left[kind].filter((i) => i !== index);
    this.store.view.left = left;
  }

  /** placeTicks lays the boxes over the rows of the drawing. */
  placeTicks() {
    if (!this.emitterTicks) return;
    const row = this.rowHeight(this.figure.box[1]);
    this.emitterTicks.forEach((label, i) => {
      label.style.top = `${(this.head + (i + 0.5) * row) / 16}rem`;
      label.classList.toggle('small', row < 18);
    });
  }

  /** head is the height above the rows: names of coils, and of sensors where several are shown. */
  get head() { return this.shown().length > 1 ? 44 : 24; }

  rowHeight(h) { return Math.max(8, Math.min(52, (h - this.head - FOOT) / Math.max(1, this.store.session?.emitters.length ?? 8))); }

  refresh() {
    const { store, room } = this;
    if (this.coilsOf !== store.sensor && store.session) this.offer();
    const { emitters, coils } = store.view.left;
    this.emitterTicks?.forEach((l) => { l.box.checked = !emitters.includes(l.index); l.classList.toggle('out', !l.box.checked); });
    this.coilTicks?.forEach((l) => { l.box.checked = !coils.includes(l.index); });
    const trying = emitters.length + coils.length > 0;
    this.room.node.classList.toggle('trying', trying);
    const pose = store.shown;
    this.ticks.hidden = !pose?.couplings;
    if (!pose?.couplings) {
      room.says(UNKNOWN);
      if (!store.session?.rig) room.missing('No rig, so no couplings.', 'Without a rig the page shows recording and tones alone. Give one with --rig.');
      else room.missing(store.state ? 'No couplings at this row.' : 'No row yet.', '');
      return;
    }
    room.missing('');
    this.answer(pose, trying);
    if (room.opened) this.showTrial(trying);
    if (this.headWas !== this.head) { this.headWas = this.head; this.placeTicks(); }
    this.figure.redraw();
    this.before.redraw();
  }

  answer(pose, trying) {
    const { store } = this;
    const bad = pose.grade === 'wrong' && (pose.chance ?? 1) < 1e-3, doubt = (pose.chance ?? 1) < 1e-3 || (pose.grade === 'doubt' && pose.flags.length === 0);
    if (store.refused && trying) this.room.says(store.refused.message, 'doubt');
    else if (trying && store.trial) this.room.says(bad ? `without ${leftNames(store)} still not: χ² ${chi(pose)}` : `without ${leftNames(store)} ${doubt ? 'in doubt' : 'they do'}: χ² ${chi(pose)}`, bad ? 'wrong' : doubt ? 'doubt' : 'sound');
    else this.room.says(`${bad ? 'no' : doubt ? 'in doubt' : 'yes'}: χ² ${chi(pose)}`, bad ? 'wrong' : doubt ? 'doubt' : 'sound');
  }

  showTrial(trying) {
    const { store } = this;
    const { trial } = store;
    this.title.replaceChildren(element('b', {}, trying ? `without ${leftNames(store)} ` : 'as solved '), element('span', { class: 'soft' }, 'tick an emitter or a coil to take it in or out'));
    const head = (...words) => this.columns.replaceChildren(element('td'), ...words.map((w) => element('th', { scope: 'col' }, w)));
    if (!trial) {
      this.moved.textContent = store.refused && trying ? store.refused.message : 'couplings that fit worst';
      head('coupling', 'residual', 'quadrature');
      this.rows.replaceChildren(...this.worst().map((l) => element('tr', {}, ...l.map((v) => element('td', {}, v)))));
    } else {
      const { before, after } = trial;
      this.moved.textContent = `pose moves by ${quantity(trial.moved_m, 'm')}`;
      head('all', 'without');
      const worst = (s) => s.couplings.residual_sigma.flat().filter((v) => v !== null).reduce((a, b) => (Math.abs(b) > Math.abs(a) ? b : a), 0);
      const lines = [['χ²', chi(before), chi(after)], ['worst residual', `${fixed(worst(before), 1)}${THIN}σ`, `${fixed(worst(after), 1)}${THIN}σ`],
        ...['x', 'y', 'z'].map((a, i) => [a, mm(before, i), mm(after, i)]),
        ['σ of position', quantity(before.sigma_m, 'm'), quantity(after.sigma_m, 'm')]];
      if (before.truth) lines.push(['error (truth known)', quantity(before.truth.error_m, 'm'), quantity(after.truth?.error_m ?? NaN, 'm')]);
      lines.push(['verdict', before.verdict || 'sound', after.verdict || 'sound']);
      this.rows.replaceChildren(...lines.map((l) => element('tr', {}, ...l.map((v) => element('td', {}, v)))));
    }
    this.regions.refresh();
  }

  /** worst are the couplings with the largest residuals: name, value with its sigma, residual, quadrature. */
  worst(most = 8) {
    const { session } = this.store;
    const c = this.store.solved?.couplings;
    if (!c) return [];
    const list = c.emitters.flatMap((e, i) => c.channels.map((channel, k) => ({ e, channel, value: c.value_h[i]?.[k], sigma: c.sigma_h[i]?.[k], residual: c.residual_sigma[i]?.[k], quadrature: c.quadrature_sigma[i]?.[k] })));
    const sigmas = (v) => (v === null || v === undefined ? UNKNOWN : `${fixed(v, 1)}${THIN}σ`);
    return list.filter((x) => x.residual !== null && x.residual !== undefined).sort((a, b) => Math.abs(b.residual) - Math.abs(a.residual)).slice(0, most)
      .map((x) => [`${session.emitters[x.e].name} on ${session.channels[x.channel].name}`, `${quantity(x.value, 'H', 4)}, σ ${quantity(x.sigma, 'H')}`, sigmas(x.residual), sigmas(x.quadrature)]);
  }

  /** draw draws matrices and residuals; named writes the emitters, where no boxes to tick stand beside them. */
  draw(pen, poses, named) {
    const { store } = this;
    const { session } = store;
    if (!session || poses.length === 0) return;
    const n = session.emitters.length, row = this.rowHeight(pen.h);
    const names = 52, plots = this.plotsOf(pen.w, poses.length, poses[0].couplings.channels.length);
    const plotWidth = plots ? Math.min(150, Math.max(90, pen.w * 0.2)) : 0;
    const width = pen.w - names - plots * (plotWidth + 22) - (plots ? 12 : 0);
    const groups = poses.length, gap = groups > 1 ? 8 : 0;
    const cellsWide = poses.reduce((a, p) => a + p.couplings.channels.length, 0);
    const cell = Math.min(96, (width - gap * (groups - 1)) / cellsWide);
    const top = poses.length > 1 ? 44 : 24, bottom = top + n * row;
    let most = 0;
    for (const p of poses) for (const v of p.couplings.value_h.flat()) most = Math.max(most, Math.abs(v ?? 0));
    let x = names;
    if (named) session.emitters.forEach((e, i) => pen.text(names - 8, top + (i + 0.5) * row + 4, cut(pen, e.name, names - 10, 12, true), { fill: colour.ink, bold: true, align: 'end' }));
    for (const pose of poses) {
      if (groups > 1) {
        const wide = pose.couplings.channels.length * cell, chosen = pose.sensor === store.sensor;
        pen.text(x, 13, cut(pen, session.sensors[pose.sensor].name, wide - 4, 12, chosen), { fill: colour.ink, bold: chosen });
        pen.line(x, 19, x + wide, 19, { stroke: chosen ? colour.ink : colour.rule, width: chosen ? 2 : 1 });
      }
      this.matrix(pen, pose, x, top, cell, row, most, store.trial && pose === store.trial.after);
      x += pose.couplings.channels.length * cell + gap;
    }
    pen.text(names, bottom + 16, 'nH', { fill: colour.ink2 });
    x += 22 - gap;
    const own = poses.find((p) => p.sensor === store.sensor) ?? poses[0];
    if (plots > 0) this.residuals(pen, own, 'residual_sigma', 'residual in σ', x, x + plotWidth, top, bottom, row);
    if (plots > 1) this.residuals(pen, own, 'quadrature_sigma', 'quadrature in σ', x + plotWidth + 22, x + 2 * plotWidth + 22, top, bottom, row);
  }

  plotsOf(w, groups, coils) {
    if (w - 52 - coils * groups * 34 < 112) return 0;
    return w > 420 && groups === 1 ? 2 : 1;
  }

  matrix(pen, pose, left, top, cell, row, most, trial) {
    const { couplings } = pose;
    const { session, view } = this.store;
    const out = view.left;
    // Names stand beside all marks or beside none, smaller where they must.
    const widest = (size) => Math.max(...couplings.channels.map((channel) => pen.measure(session.channels[channel].name, size))) + 14;
    const size = [12, 10].find((s) => widest(s) + 4 <= cell);
    couplings.channels.forEach((channel, k) => {
      const { shape, colour: ink } = coil(k);
      const x = left + k * cell;
      if (size) {
        const name = session.channels[channel].name, width = pen.measure(name, size) + 14;
        pen.marks(shape, [x + cell / 2 - width / 2 + 5, top - 13], size * 0.375, { fill: ink });
        pen.text(x + cell / 2 - width / 2 + 14, top - 9, name, { fill: colour.ink, size });
      } else pen.marks(shape, [x + cell / 2, top - 13], 4.5, { fill: ink });
    });
    const digits = cell > 52 ? 4 : 3;
    couplings.emitters.forEach((emitter, e) => {
      const y = top + e * row;
      couplings.channels.forEach((channel, k) => {
        const x = left + k * cell;
        const value = couplings.value_h[e]?.[k];
        const gone = trial && (out.emitters.includes(emitter) || out.coils.includes(channel));
        const bad = (couplings.flags?.[e]?.[k] ?? []).length > 0;
        if (value === null || value === undefined) { pen.rect(x + 1, y + 1, cell - 2, row - 2, { stroke: colour.rule }); pen.text(x + cell / 2, y + row / 2 + 4, UNKNOWN, { fill: colour.ink2, align: 'middle' }); return; }
        // The square root lets small couplings keep a hue.
        const share = Math.sign(value) * Math.sqrt(Math.abs(value) / (most || 1));
        if (gone) pen.rect(x + 1, y + 1, cell - 2, row - 2, { stroke: colour.rule });
        else pen.rect(x + 1, y + 1, cell - 2, row - 2, { fill: signed(share) });
        if (row >= 11) pen.text(x + cell / 2 + 22 * Math.min(1, cell / 60), y + row / 2 + 4, nano(value, digits), { fill: gone ? colour.ink2 : colour.lessInk, align: 'end', size: row < 14 || cell < 40 ? 10 : 12 });
        if (bad) flagMark(pen, x + 3, y + 3, 'doubt', 6);
      });
    });
  }

  residuals(pen, pose, name, title, left, right, top, bottom, row) {
    const { couplings } = pose;
    const values = couplings[name];
    if (!values) return;
    const out = this.store.trial && pose === this.store.trial.after ? this.store.view.left : { emitters: [], coils: [] };
    let most = 4;
    for (const v of values.flat()) if (v !== null && Number.isFinite(v)) most = Math.max(most, Math.abs(v));
    // Steps of a few spans: the axis moves seldom, and what lies beyond 500 sigmas is written out.
    const span = [4, 8, 20, 50, 100, 200, 500].find((s) => s >= most * 1.05) ?? 500;
    const x = linear(-span, span, left, right);
    const zero = Math.round(x(0));
    pen.rect(x(-2), top, x(2) - x(-2), bottom - top, { fill: colour.wash });
    for (const v of [-span / 2, span / 2]) pen.line(x(v), top, x(v), bottom, { stroke: colour.grid });
    pen.line(zero, top, zero, bottom, { stroke: colour.frame });
    pen.text((left + right) / 2, top - 9, title, { fill: colour.ink2, align: 'middle' });
    const written = { '-1': -Infinity, 1: -Infinity }; // the last height at which a value beyond the axis stands
    couplings.emitters.forEach((emitter, e) => {
      const mid = top + (e + 0.5) * row;
      if (out.emitters.includes(emitter)) { pen.text((left + right) / 2, mid + 4, 'left out', { fill: colour.ink2, align: 'middle', halo: colour.paper }); return; }
      couplings.channels.forEach((channel, k) => {
        const v = values[e]?.[k];
        if (v === null || v === undefined || !Number.isFinite(v)) return;
        const { shape, colour: ink } = coil(k);
        const n = couplings.channels.length;
        const y = mid + (n > 1 ? (k / (n - 1) - 0.5) * Math.min(12, row * 0.45) : 0);
        const beyond = Math.abs(v) > span;
        pen.marks(shape, [x(Math.max(-span, Math.min(span, v))), y], Math.min(4, row / 4), { fill: ink });
        if (!beyond || y - written[Math.sign(v)] < 11) return;
        written[Math.sign(v)] = y;
        pen.text(v > 0 ? right - 8 : left + 8, y + 4, significant(v, 2), { fill: colour.ink, align: v > 0 ? 'end' : 'start' });
      });
    });
    frame(pen, left, top, right, bottom);
    const list = right - left < 110 ? [-span / 2, 0, span / 2].map((v) => ({ value: v, text: fixed(v) })) : ticks(x, 4);
    for (const { value, text } of list) {
      pen.line(x(value), bottom, x(value), bottom + 4, { stroke: colour.frame });
      pen.text(x(value), bottom + 16, text, { fill: colour.ink2, align: 'middle' });
    }
  }

  table(poses = this.shown()) {
    const { session } = this.store;
    const columns = [{ name: 'emitter' }, { name: 'coil' }, { name: 'coupling', unit: 'H' }, { name: 'σ', unit: 'H' }, { name: 'model', unit: 'H' }, { name: 'residual', unit: 'σ' }, { name: 'quadrature', unit: 'σ' }];
    return {
      columns,
      rows: poses.flatMap(({ couplings: c }) => c.emitters.flatMap((e, i) => c.channels.map((ch, k) => [session.emitters[e].name, session.channels[ch].name, c.value_h[i]?.[k], c.sigma_h[i]?.[k], c.model_h?.[i]?.[k], c.residual_sigma?.[i]?.[k], c.quadrature_sigma?.[i]?.[k]]))),
    };
  }
}

function mm(pose, i) {
  return withSigma(pose.position_m[i], pose.sigma_position_m[i]).split(',')[0];
}

/** nano writes a coupling in nH with so many digits, at most three decimals. */
function nano(value, digits) {
  const nh = value * 1e9;
  const whole = Math.max(1, Math.floor(Math.log10(Math.max(1, Math.abs(nh)))) + 1);
  return fixed(nh, Math.max(0, digits - whole));
}

