// Facts of the run beside the strip: five lines, each whole on click.

import { element, say } from './dom.js';
import { quantity, integer, fixed, significant, THIN } from './number.js';

export class Facts {
  constructor(store, box, sheet) {
    this.store = store;
    this.sheet = sheet;
    this.lines = [];
    for (let i = 0; i < 5; i++) {
      const name = element('dt'), value = element('button', { type: 'button', onclick: () => this.open() });
      this.lines.push({ name, value });
      box.append(element('div', {}, name, element('dd', {}, value)));
    }
    store.on('session words', () => this.refresh());
  }

  /** facts are the five lines: what tells one run from another, or how a stream is doing. */
  facts() {
    const { session, state, streaming } = this.store;
    const find = (name) => session.facts?.find((f) => f.name === name)?.value;
    const cautions = session.cautions ?? [];
    const caution = ['cautions', cautions.length ? `${cautions.length}: ${cautions[0]}` : 'none'];
    const clock = state?.clock && streaming
      ? (state.clock.captured === false ? 'being captured' : `${fixed(state.clock.ppm, 1)}${state.clock.sigma_ppm > 0 ? ` ± ${significant(state.clock.sigma_ppm, 1)}` : ''}${THIN}ppm`)
      : find('clock') ?? session.clock?.text;
    const list = [['rig', session.rig?.name ?? 'none'], ['clock', clock ?? '–']];
    if (streaming) {
      list.push(['latency', state?.latency_s != null ? quantity(state.latency_s, 's') : '–']);
      list.push(['windows', state ? `${integer(state.solved_windows)} solved, ${integer(state.skipped_windows)} skipped` : '–']);
    } else {
      list.push(['mains', find('mains') ?? session.mains?.text ?? '–']);
      list.push(['rows', find('rows')?.includes(' ') ? find('rows').replace(/^\d+/, integer(session.rows)) : `${integer(session.rows)}, windows of ${quantity(session.window_s, 's')}`]);
    }
    return [...list, caution];
  }

  refresh() {
    if (!this.store.session) return;
    this.facts().forEach(([name, value], i) => {
      say(this.lines[i].name, name);
      say(this.lines[i].value, value);
      this.lines[i].value.title = value;
    });
  }

  open() {
    const { session } = this.store;
    const body = element('div');
    const table = (title, rows) => {
      if (rows.length === 0) return;
      body.append(element('h3', {}, title), element('table', { class: 'values words' }, element('tbody', {}, ...rows.map(([name, value]) => element('tr', {}, element('th', { scope: 'row', class: 'soft' }, name), element('td', {}, String(value)))))));
    };
    table('facts', [...this.facts().slice(0, -1), ...(session.facts ?? []).filter((f) => !['rig', 'clock', 'mains', 'rows'].includes(f.name)).map((f) => [f.name, f.value])]);
    table('cautions', [...(session.cautions ?? []), ...(session.general_cautions ?? [])].map((c, i) => [i + 1, c]));
    table('findings', (session.findings ?? []).map((f) => [f.rows === undefined ? '' : `${integer(f.rows)} rows`, f.words]));
    table('flags', (session.flags ?? []).map((f) => [f.name, `${integer(f.rows)} rows: ${f.meaning}; ${f.next}`]));
    table('options', Object.entries(session.options ?? {}));
    if (session.command) table('made by', [['command', session.command]]);
    this.sheet.open('facts', body);
  }
}
