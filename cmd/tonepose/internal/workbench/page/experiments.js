// Experiments on the virtual bench: what to do, what to watch, what theory says and what the page should read.

import { json, post } from './server.js';
import { element, say } from './dom.js';
import { Room } from './room.js';
import { quantity, significant, UNKNOWN } from './number.js';

export class Experiments {
  constructor(store) {
    this.store = store;
    this.room = new Room(store, 'experiment', '', { open: false });
    this.items = element('ol', { class: 'experiment-list' });
    this.leave = element('button', { type: 'button', class: 'plain-link', hidden: true, onclick: () => this.post('/api/experiments/step', { stop: true }) }, 'all experiments');
    this.room.answer.append(this.leave);
    this.list = element('div', { class: 'bench-scroll' }, element('p', { class: 'soft' }, 'Each sets the bench up, says what to do and what to watch, and what theory expects.'), this.items);
    store.on('session', () => this.fetch());
    store.on('state', () => this.read());
  }

  async fetch() {
    if (this.store.session.mode !== 'bench' || this.all) return;
    try { this.all = (await json('/api/experiments')).experiments ?? []; } catch { this.all = []; }
    this.items.replaceChildren(...this.all.map((e, i) => element('li', {}, element('button', { type: 'button', 'data-id': e.id, onclick: () => this.post('/api/experiments/start', { id: e.id }) }, element('span', { class: 'number' }, String(i + 1)), element('span', {}, e.title)))));
    this.shown = null;
    this.refresh();
  }

  async post(path, body) {
    try { this.store.bench = await post(path, body); this.store.tell('bench'); } catch (error) { this.store.benchRefused = error; this.store.tell('bench'); }
  }

  get running() {
    const now = this.store.bench?.experiment;
    const index = this.all?.findIndex((e) => e.id === now?.id) ?? -1;
    return index < 0 ? null : { index, step: now.step ?? 0, experiment: this.all[index] };
  }

  refresh() {
    const running = this.running;
    this.leave.hidden = !running;
    const key = JSON.stringify([running?.index, running?.step]);
    if (key === this.shown) return;
    this.shown = key;
    const { room } = this;
    if (!running) {
      room.button.textContent = 'experiments';
      say(room.question, this.all?.length ? `${this.all.length} to try` : 'none yet');
      room.inside.replaceChildren(this.list);
      return;
    }
    const { experiment: e, index, step } = running;
    room.button.textContent = `experiment ${index + 1}`;
    say(room.question, e.title);
    const go = (n, doIt) => this.post('/api/experiments/step', { step: n, do: doIt });
    const steps = e.steps.map((s, i) => element('li', { 'aria-current': i === step ? 'step' : null },
      element('button', { type: 'button', class: 'number', 'aria-label': `step ${i + 1}`, onclick: () => go(i, false) }, String(i + 1)),
      element('div', {}, element('p', {}, s.do), s.watch && i === step ? element('p', { class: 'note' }, s.watch) : null,
        s.set && i === step ? element('button', { type: 'button', class: 'plain-link', onclick: () => go(i, true) }, 'do it for me') : null)));
    this.readings = (e.readings ?? []).map((r) => ({ r, cell: element('td') }));
    room.inside.replaceChildren(element('div', { class: 'bench-scroll' },
      element('p', {}, e.question),
      element('ol', { class: 'steps' }, ...steps),
      element('div', { class: 'row' }, element('button', { type: 'button', class: 'plain', disabled: step === 0, onclick: () => go(step - 1, false) }, 'back'), element('button', { type: 'button', class: 'plain', disabled: step >= e.steps.length - 1, onclick: () => go(step + 1, false) }, 'next step')),
      e.readings?.length ? element('table', { class: 'values' }, element('thead', {}, element('tr', {}, element('td'), element('th', { scope: 'col' }, 'theory'), element('th', { scope: 'col' }, 'page'))),
        element('tbody', {}, ...this.readings.map(({ r, cell }) => element('tr', {}, element('td', {}, r.words), element('td', {}, written(r.expected, r.unit)), cell)))) : null,
      e.theory ? element('details', {}, element('summary', {}, 'what theory says'), element('p', {}, e.theory.words), e.theory.formula ? element('p', { class: 'formula' }, e.theory.formula) : null, e.theory.source ? element('p', { class: 'note' }, e.theory.source) : null) : null));
    this.read();
  }

  /** read fills what the page reads now beside what theory expects, twice a second at most. */
  read() {
    const now = performance.now();
    if (!this.readings?.length || now - (this.readAt ?? 0) < 500) return;
    this.readAt = now;
    const pose = this.store.solved;
    for (const { r, cell } of this.readings) say(cell, written(readingOf(r, pose, this.store), r.unit));
  }
}

/**
 * readingOf finds a reading by its name in the state: a path through the pose (sigma_m, sigma_position_m.2,
 * tones.1.levels.2.sigma_v, couplings.value_h.1.2), or one of the few that have names of their own.
 */
function readingOf(reading, pose, store) {
  if (!pose) return null;
  switch (reading.id) {
    case 'true_error_m': return pose.truth?.error_m ?? null;
    case 'true_error_rad': return pose.truth?.error_rad ?? null;
    case 'clear': return pose.tones ? Math.min(...pose.tones.map((t) => t.clear)) : null;
    case 'clock_ppm': return store.state?.clock?.ppm ?? null;
  }
  const path = reading.id.split('.');
  if (path[0] === 'clear') return pose.tones?.find((t) => t.emitter === Number(path[1]))?.clear ?? null;
  const value = path.reduce((part, name) => part?.[name], pose);
  return typeof value === 'number' ? value : null;
}

function written(value, unit) {
  if (value === null || value === undefined || !Number.isFinite(value)) return UNKNOWN;
  if (!unit || unit === '1') return significant(value, 3);
  return unit === 'rad' ? `${significant((value * 180) / Math.PI, 3)}°` : quantity(value, unit, 3);
}
