// The sheet: one place beside the rooms for the numbers of a figure, for what can be taken away, and for help.

import { element } from './dom.js';
import { figures } from './figure.js';
import { fixed, UNKNOWN } from './number.js';

const MOST = 2000; // rows shown; the CSV has all

export class Sheet {
  constructor(box) {
    this.box = box;
    this.title = element('h2');
    this.links = element('span');
    this.body = element('div', { class: 'body', tabindex: '0', role: 'region', 'aria-label': 'contents of the sheet' });
    box.append(element('header', {}, this.title, this.links, element('button', { type: 'button', class: 'plain', onclick: () => this.close() }, 'close')), this.body);
    box.addEventListener('keydown', (event) => { if (event.key === 'Escape') { event.stopPropagation(); this.close(); } });
  }

  open(title, body, links = [], beside = null) {
    if (this.box.hidden) this.from = document.activeElement;
    this.title.textContent = title;
    this.links.replaceChildren(...links);
    this.body.replaceChildren(body);
    this.body.scrollTop = 0;
    const box = beside?.getBoundingClientRect();
    this.box.classList.toggle('left', Boolean(box) && box.left + box.width / 2 > window.innerWidth / 2);
    this.box.setAttribute('aria-label', title);
    this.box.hidden = false;
    this.body.focus({ preventScroll: true });
  }

  get isOpen() { return !this.box.hidden; }

  close() {
    if (this.box.hidden) return;
    this.box.hidden = true;
    this.shown = null;
    clearInterval(this.timer);
    this.from?.focus?.({ preventScroll: true });
  }

  /** numbers shows the table of a figure beside it. */
  numbers(figure) {
    if (this.isOpen && this.shown === figure) { this.close(); return; }
    this.open(figure.title, this.tableOf(figure), takeLinks(figure), figure.node);
    this.shown = figure;
  }

  tableOf(figure) {
    const { columns, rows } = figure.table();
    const scales = columns.map((c, i) => scaleOf(c, rows, i));
    const table = element('table', { class: 'values' },
      element('caption', { class: 'unseen' }, figure.title),
      element('thead', {}, element('tr', {}, ...columns.map((c, i) => element('th', { scope: 'col' }, c.unit ? `${c.name} (${scales[i].unit})` : c.name)))),
      element('tbody', {}, ...rows.slice(0, MOST).map((row) => element('tr', {}, ...row.map((v, i) => {
        const text = cell(v, scales[i]);
        return element(i === 0 ? 'th' : 'td', i === 0 ? { scope: 'row' } : { 'data-value': typeof v === 'number' ? v : null }, text);
      })))));
    if (rows.length <= MOST) return table;
    return element('div', {}, element('p', { class: 'note' }, `the first ${MOST} of ${rows.length} rows; the CSV has all`), table);
  }

  /** take lists every figure that is shown, with its files. */
  take(session, stretch) {
    const body = element('div');
    const list = figures.filter((f) => f.shown && f.table && f.node.isConnected);
    body.append(element('table', { class: 'values words' },
      element('thead', {}, element('tr', {}, element('th', { scope: 'col' }, 'figure'), element('th', { scope: 'col' }, 'as'))),
      element('tbody', {}, ...list.map((f) => element('tr', {}, element('td', {}, f.title), element('td', {}, ...takeLinks(f)))))));
    if (session?.mode === 'run') {
      const tables = ['poses', 'couplings', 'phasors', 'integrity'];
      const query = `from=${stretch[0]}&to=${stretch[1]}`;
      body.append(element('h3', {}, 'tables, the stretch selected'), element('p', {}, ...tables.flatMap((t) => [element('a', { href: `/api/rows.csv?table=${t}&${query}`, download: `${t}.csv` }, t), '  '])));
    }
    body.append(element('h3', {}, 'this view'), element('p', {}, element('a', { href: location.href }, 'a link that reopens it')));
    this.open('take away', body);
  }
}

const PREFIXED = new Set(['m', 'V', 'H', 'V/√Hz', 'T', 'A']);

/** scaleOf gives a column its prefix and decimals: seven digits of its largest value. */
function scaleOf({ unit }, rows, i) {
  let most = 0;
  for (const row of rows) if (typeof row[i] === 'number' && Math.abs(row[i]) > most && row[i] < Infinity) most = Math.abs(row[i]);
  if (most === 0) return { factor: 1, unit, decimals: 0 };
  const power = PREFIXED.has(unit) ? Math.max(-12, Math.min(0, 3 * Math.floor(Math.log10(most) / 3))) : 0;
  const whole = Math.floor(Math.log10(most / 10 ** power)) + 1;
  return { factor: 10 ** -power, unit: { '-12': 'p', '-9': 'n', '-6': 'µ', '-3': 'm', 0: '' }[power] + unit, decimals: Math.max(0, Math.min(9, 7 - Math.max(1, whole))) };
}

function cell(value, scale) {
  if (value === null || value === undefined || (typeof value === 'number' && !Number.isFinite(value))) return UNKNOWN;
  if (typeof value !== 'number') return String(value);
  return Number.isInteger(value) && scale.factor === 1 ? fixed(value) : fixed(value * scale.factor, scale.decimals);
}

function takeLinks(figure) {
  const kinds = [['SVG', () => figure.svg()], ['PNG', () => figure.png()], ['CSV', () => figure.csv()]];
  return kinds.flatMap(([name, make]) => [element('button', {
    type: 'button', class: 'plain-link', 'aria-label': `${figure.title} as ${name}`,
    onclick: async () => save(await make(), `${figure.name}.${name.toLowerCase()}`),
  }, name), ' ']);
}

function save(blob, name) {
  const url = URL.createObjectURL(blob);
  const link = element('a', { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 10000);
}
