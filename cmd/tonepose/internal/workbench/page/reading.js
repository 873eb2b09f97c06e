// The reading: position with certain digits dark, sigma or estimated error, turn, and the verdict. One sensor stands
// large, two to four a line each, more of them with the chosen one large.

import { element, say, set } from './dom.js';
import { certain, quantity, parts, degrees, sigmaDegrees, knownTo, age, UNKNOWN, THIN, significant } from './number.js';

const AXES = ['x', 'y', 'z'];

export class Reading {
  constructor(store, box, spoken) {
    this.store = store;
    this.box = box;
    this.spoken = spoken;
    this.lines = [];
    this.columns = [1, 1, 1];
    this.narrow = matchMedia('(max-width: 43.7rem)'); // one below the other: points in one column
    store.on('session', () => this.build());
    store.on('words link source', () => this.show());
    setInterval(() => { if (this.store.session && this.age()) this.show(); }, 500); // an old pose grows older
  }

  build() {
    const { sensors, rig } = this.store.session;
    const key = JSON.stringify([sensors.map((s) => s.name), this.store.session.name]);
    if (key === this.key) return;
    this.key = key;
    const many = sensors.length > 1;
    this.box.classList.toggle('many', many);
    this.box.replaceChildren();
    const volume = rig?.volume;
    this.columns = AXES.map((_, i) => (volume ? Math.max(Math.abs(volume.min_m[i]), Math.abs(volume.max_m[i])) * 1e3 : 99)).map((mm) => (mm >= 10 ? 2 : 1));
    if (many) {
      this.box.append(element('div', { class: 'heads label', 'aria-hidden': 'true' }, element('span', {}, 'sensor'),
        ...AXES.map((a) => element('span', {}, element('b', {}, a), ' in mm')), element('span', {}, 'σ of position'), element('span', { class: 'turns' }, 'turn about'), element('span', {}, 'pose at the cursor')));
    }
    this.lines = sensors.map((sensor, index) => this.line(sensor, index, many));
    this.box.append(...this.lines.map((line) => line.node));
  }

  line(sensor, index, many) {
    const axes = AXES.map((axis) => {
      const dark = element('span'), pale = element('span', { class: 'pale' }), lead = element('span', { 'aria-hidden': 'true' });
      const digits = element('div', { class: 'digits', 'data-quantity': axis }, lead, dark, pale);
      const below = element('div', { class: 'below' });
      const told = element('span', { class: 'unseen' });
      return { digits, dark, pale, lead, below, told, node: element('div', { class: 'axis' }, element('div', { class: 'label' }, element('b', {}, axis), ' in mm'), digits, below, told) };
    });
    const sizeLabel = element('div', { class: 'label' }), size = element('span'), unit = element('span', { class: 'unit' }), sizeBelow = element('div', { class: 'below' });
    const turns = AXES.map((axis) => ({ axis, value: element('td'), sigma: element('td') }));
    const label = element('div', { class: 'label' }), word = element('div', { class: 'word' }), why = element('div', { class: 'why' });
    const verdict = element('div', { class: 'verdict' }, label, word, why);
    if (index === this.store.sensor) verdict.id = 'verdict';
    const node = element('div', { class: 'sensor', 'data-sensor': index },
      many ? element('button', { class: 'who', type: 'button', title: sensor.name, onclick: () => this.store.view.change({ sensor: index }) }, sensor.name) : null,
      ...axes.map((a) => a.node),
      element('div', { class: 'size', 'data-quantity': 'sigma' }, sizeLabel, element('div', { class: 'digits' }, size, unit), sizeBelow),
      element('div', { class: 'turn' }, element('div', { class: 'label' }, 'turn about'), element('table', {}, element('tbody', {}, ...turns.map((t) => element('tr', {}, element('th', { scope: 'row' }, t.axis), t.value, t.sigma))))),
      verdict);
    if (many) node.addEventListener('click', () => this.store.view.change({ sensor: index }));
    return { node, axes, sizeLabel, size, unit, sizeBelow, turns, verdict, label, word, why, index, many };
  }

  show() {
    const { store } = this;
    if (!store.session) return;
    for (const line of this.lines) {
      const chosen = line.index === store.sensor;
      if (line.many) {
        set(line.node, 'aria-current', chosen ? 'true' : null);
        line.node.classList.toggle('quiet', this.lines.length > 4 && !chosen);
      }
      line.verdict.id = chosen ? 'verdict' : '';
      const pose = chosen ? store.shown : store.state?.sensors.find((s) => s.sensor === line.index) ?? null;
      this.fill(line, pose, chosen);
    }
  }

  fill(line, pose, chosen) {
    const solved = Boolean(pose?.solved);
    const wrong = solved && pose.use_error && pose.error_m !== null;
    const old = this.age();
    line.node.classList.toggle('stale', old !== null);
    line.axes.forEach((axis, i) => {
      const value = solved ? pose.position_m[i] : NaN;
      const sigma = solved ? (wrong ? pose.error_m : pose.sigma_position_m[i]) : NaN;
      const number = certain(value * 1e3, sigma * 1e3, this.narrow.matches ? Math.max(...this.columns) : this.columns[i]);
      say(axis.lead, number.lead);
      say(axis.dark, number.dark);
      say(axis.pale, number.pale);
      set(axis.digits, 'data-value', solved ? value : null);
      say(axis.below, solved ? `σ ${quantity(pose.sigma_position_m[i], 'm')}` : '');
      say(axis.told, solved ? knownTo(sigma) : 'not known');
    });
    const size = solved ? (wrong ? pose.error_m : pose.sigma_m) : NaN;
    const { text, unit } = parts(size, 'm');
    say(line.sizeLabel, wrong ? 'error of position' : 'σ of position');
    say(line.size, (wrong ? '≈' + THIN : '') + text);
    say(line.unit, unit);
    say(line.sizeBelow, !solved ? '' : wrong ? 'estimated' : 'rms length');
    set(line.size.parentNode.parentNode, 'data-value', solved ? size : null);
    line.turns.forEach((turn, i) => {
      const angle = solved ? pose.rotation_vector_rad?.[i] : NaN;
      const sigma = solved ? (wrong && pose.error_rad ? pose.error_rad : pose.sigma_rotation_rad[i]) : NaN;
      say(turn.value, degrees(angle, sigma));
      say(turn.sigma, solved ? (wrong ? '± ' : 'σ ') + sigmaDegrees(sigma) : '');
    });
    this.judge(line, pose, chosen, old, wrong);
  }

  judge(line, pose, chosen, old, wrong) {
    const { store } = this;
    const trial = chosen && store.trial ? store.trial : null;
    let label = store.following ? 'now' : 'pose at the cursor', word = UNKNOWN, why, grade = 'sound';
    if (pose) {
      grade = pose.grade === 'none' || !pose.solved ? 'none' : pose.grade;
      word = pose.solved ? pose.verdict || 'sound' : 'no pose';
      why = pose.reason || pose.finding || '';
      const next = pose.next && grade !== 'sound' ? pose.next.split(';')[0] : ''; // its first advice; the rest is in help
      if (grade === 'sound' && !trial) why = line.many ? `χ² ${chi(pose)}` : sound(pose);
      else if (!trial && next) why = why ? `${why}; ${next}` : next;
      if (store.following && grade !== 'sound' && pose.since_s !== null && pose.since_s !== undefined) label = `now, and for ${age(pose.since_s)}`;
    } else why = store.session.failed || (store.session.ready ? 'no row here' : 'being read');
    if (trial) {
      label = `without ${leftNames(store)}, at the cursor`;
      why = `χ² ${chi(pose)}; as solved ${chi(trial.before)}, ${trial.before.verdict || 'sound'}. Only shown here; the rig file keeps it`;
    }
    if (old !== null) {
      label = 'last pose';
      word = `${age(old.age)} old`;
      why = old.why;
      grade = 'sound';
    }
    say(line.label, label);
    say(line.word, word);
    line.word.title = word;
    line.word.classList.toggle('long', word.length > 10);
    say(line.why, why);
    line.why.title = why;
    set(line.verdict, 'data-grade', grade);
    line.verdict.classList.toggle('trial', Boolean(trial) && old === null);
    if (chosen) this.speak(wrong ? `${word}, error about ${quantity(pose.error_m, 'm')}` : word);
  }

  /** age tells how old the last pose is when a stream is silent or the server is lost; null while all is well. */
  age() {
    const { store } = this;
    if (store.link === 'lost') return { age: (Date.now() - store.lostAt) / 1e3, why: `the page lost its server at ${clock(store.lostAt)}; it goes on by itself` };
    if (store.streaming && store.following && store.state && ['lost', 'ended', 'waiting'].includes(store.source?.state)) {
      const since = (Date.now() - store.source.heard) / 1e3 + (store.source.since_s || 0);
      return { age: since, why: store.source.state === 'ended' ? 'the source has ended' : `no sample since ${clock(new Date(Date.now() - since * 1e3))}; it goes on by itself` };
    }
    return null;
  }

  /** speak tells a change of the verdict, at most once in two seconds. */
  speak(words) {
    if (words === this.said) return;
    this.said = words;
    if (this.speaking) return;
    this.speaking = setTimeout(() => { this.speaking = 0; say(this.spoken, this.said); }, 2000);
  }
}

function clock(date) { return date.toTimeString().slice(0, 8); }

/** chi writes "12.6 of 18". */
export function chi(pose) {
  if (!pose || pose.chi2 === null || pose.chi2 === undefined) return UNKNOWN;
  return `${pose.chi2 >= 1e5 ? `${significant(pose.chi2 / 1e6, 3)}${THIN}M` : significant(pose.chi2, 3)} of ${pose.dof}`;
}

function sound(pose) {
  let text = `χ² ${chi(pose)}`;
  if (pose.quadrature_dof) text += `, quadrature ${significant(pose.quadrature_chi2, 3)} of ${pose.quadrature_dof}`;
  if (pose.error_m !== null && pose.error_m !== undefined) text += `; estimated error ${quantity(pose.error_m, 'm')}`;
  return text;
}

/** leftNames names what is left out: "e2 and rx1". */
export function leftNames(store) {
  const { emitters, coils } = store.view.left;
  const names = [...emitters.map((e) => store.session.emitters[e]?.name ?? '?'), ...coils.map((c) => store.session.channels[c]?.name ?? '?')];
  return names.length < 2 ? names.join('') : names.slice(0, -1).join(', ') + ' and ' + names[names.length - 1];
}
