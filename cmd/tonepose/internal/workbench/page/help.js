// Help: flags, marks, how numbers are written, keys.

import { element } from './dom.js';
import { KEYS } from './keys.js';

const NUMBERS = [['position', '−34.969 mm, σ 23 µm'], ['sigma', 'two digits: 6.7 µm, 23 µm, 1.2 mm'], ['coupling', '−5.933 nH'], ['angle', '−3.605°, σ 0.012°'], ['χ²', '12.6 of 18: the sum of squares, and what it is on average'], ['≈', 'an estimated error, where the field model is wrong'], ['–', 'not known, with the reason beside it']];
const MARKS = [['sound', 'sound: the row may be used with its sigma'], ['doubt', 'in doubt: kept; flagged, or χ² hardly by noise alone'], ['wrong', 'wrong: estimated error stands for sigma'], ['missing', 'missing: samples or windows']];

export class Help {
  constructor(store, sheet) { this.store = store; this.sheet = sheet; }

  open() {
    const { session } = this.store;
    const body = element('div');
    const table = (title, words, rows) => body.append(element('h3', {}, title), words ? element('p', { class: 'note' }, words) : '', element('table', { class: 'values words' }, element('tbody', {}, ...rows.map(([a, b]) => element('tr', {}, element('th', { scope: 'row' }, a), element('td', {}, b))))));
    table('digits', 'Dark digits are certain. Pale digits lie within sigma, or within the estimated error where that is larger. A number ends at the second digit of its sigma; places keep their column: shorter means less is known.', NUMBERS);
    table('marks', 'The more ink, the worse.', MARKS.map(([grade, words]) => [element('span', {}, element('span', { class: 'mark', 'data-grade': grade }), grade), words.replace(/^\w+( doubt)?: /, '')]));
    table('flags', '', (session?.handbook ?? session?.flags ?? []).map((f) => [f.name, `${f.words ?? f.meaning}; ${f.next}`]));
    table('keys', '', KEYS);
    const box = element('input', { type: 'checkbox', checked: this.keys.letters, onchange: () => this.keys.setLetters(box.checked) });
    body.append(element('p', { class: 'switch' }, element('label', {}, box, ' letter keys')));
    table('mouse and touch', '', [['click', 'cursor'], ['drag in a trace', 'stretch; its handles move it'], ['wheel', 'zoom about the pointer; with shift pan'], ['in space', 'drag orbits, wheel zooms, double click follows'], ['on the virtual bench', 'drag sensor or ball along the table, with shift up and down'], ['two fingers', 'zoom']]);
    this.sheet.open('help', body);
  }
}
