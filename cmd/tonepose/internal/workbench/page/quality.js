// Room "quality": may I believe it? Error, sigma and estimated error against time, chi-square in its 95 % band, the
// finding in a sentence; open, the Allan deviation too.

import { json, newest } from './server.js';
import { element } from './dom.js';
import { Room, gradeOfAnswer } from './room.js';
import { Figure } from './figure.js';
import { colour } from './colour.js';
import { linear, logarithmic, ticks, axisX, axisY, frame, padded, extent, extentPositive, Calm } from './axes.js';
import { quantity, significant, integer, UNKNOWN } from './number.js';
import { withUnit, hatch } from './strip.js';
import { steer } from './steer.js';
import { gradeOf, gaps, namesOf } from './flags.js';
import { columnOf } from './clouds.js';
import { chi } from './reading.js';
import { cut } from './recording.js';

export class Quality {
  constructor(store) {
    this.store = store;
    this.calm = { error: new Calm(), chi2: new Calm(), quadrature_chi2: new Calm(), spread: new Calm() };
    this.far = {};
    this.room = new Room(store, 'quality', ['may I believe it?', 'may I believe it?', 'believe it?']);
    this.figure = new Figure({ name: 'quality', title: 'error, σ and χ² against time', room: 'quality', interactive: true, draw: (pen) => this.draw(pen), table: () => this.table(), summary: () => this.room.words.textContent });
    this.allan = new Figure({ name: 'allan', title: 'Allan deviation of the position', room: 'quality', draw: (pen) => this.drawAllan(pen), table: () => this.allanTable(), summary: () => (this.deviation ? `from ${quantity(this.deviation.tau_s[0] ?? NaN, 's')} on` : 'none') });
    this.finding = element('div', { class: 'findings' });
    this.room.inside.append(this.figure.node, element('div', { class: 'quality-side' }, this.finding, this.allan.node));
    steer(this.figure, store, () => this.x);
    this.askAllan = newest((p) => json('/api/allan', p), (data) => { this.deviation = data; this.allan.redraw(); }, (error) => { this.deviation = null; this.allanWords = error.message; this.allan.redraw(); });
    this.allan.onsize = () => this.fetchAllan();
    store.on('session', () => { for (const calm of Object.values(this.calm)) calm.range = null; this.far = {}; });
    store.on('session series rows cursor view', () => { this.figure.redraw(); this.fetchAllan(); });
    store.on('session words view', () => this.say());
  }

  fetchAllan() {
    const { store } = this;
    if (!this.allan.shown || !store.session?.ready) return;
    const [from, to] = store.stretch;
    const key = `${from} ${to} ${store.sensor} ${store.session.version}`;
    if (key === this.allanKey || (store.streaming && performance.now() - (this.allanAt ?? 0) < 2000)) return;
    this.allanKey = key;
    this.allanAt = performance.now();
    this.askAllan({ sensor: store.sensor, from, to });
  }

  say() {
    const { store, room } = this;
    const { session } = store;
    if (!session) return;
    const pose = store.solved;
    if (store.streaming) {
      if (!pose) { room.says(UNKNOWN); return; }
      if (pose.grade === 'sound') room.says('yes');
      else if (pose.grade === 'doubt') room.says(`in doubt: ${pose.flags[0] ?? 'χ² hardly by noise'}`, 'doubt');
      else room.says(`no: ${pose.verdict || 'no pose'}`, 'wrong');
    } else {
      const answer = store.answer('quality');
      if (!answer) { room.says(UNKNOWN); return; }
      room.says(`${answer.answer === '–' ? '' : answer.answer + ': '}${answer.short ?? answer.why}`, gradeOfAnswer(answer));
    }
    if (room.opened) this.list(pose);
  }

  /** list writes what is found wrong, and the reading at the cursor. */
  list(pose) {
    const { session } = this.store;
    const key = JSON.stringify([session.version, pose?.time_s, pose?.verdict]);
    if (key === this.listed) return;
    this.listed = key;
    const row = (name, value) => element('tr', {}, element('th', { scope: 'row', class: 'soft' }, name), element('td', {}, value));
    const answer = this.store.answer('quality');
    this.finding.replaceChildren(
      element('h3', {}, 'at the cursor'),
      element('table', { class: 'values words' }, element('tbody', {},
        row('verdict', pose ? pose.verdict || 'sound' : UNKNOWN), row('χ²', chi(pose)),
        row('quadrature', pose?.quadrature_dof ? `${significant(pose.quadrature_chi2, 3)} of ${pose.quadrature_dof}` : UNKNOWN),
        row('estimated error', pose?.error_m != null ? quantity(pose.error_m, 'm') : UNKNOWN),
        row('true error', pose?.truth ? quantity(pose.truth.error_m, 'm') : 'truth is not known'),
        row('finding', pose?.finding || pose?.reason || 'none'))),
      element('h3', {}, 'whole run'),
      element('table', { class: 'values words' }, element('tbody', {},
        ...(answer ? [row('believed', `${answer.answer}: ${answer.why}`)] : []),
        ...(session.findings ?? []).slice(0, 5).map((f) => row('finding', `${f.words}${f.rows ? `, ${integer(f.rows)} rows` : ''}`)),
        ...session.flags.map((f) => row(f.name, `${integer(f.rows)} rows; ${f.next}`)),
        ...(session.flags.length ? [] : [row('flags', `none in ${integer(session.rows)} rows`)]))));
  }

  draw(pen) {
    const { store } = this;
    const list = store.rows.map((s, sensor) => ({ s, sensor })).filter(({ s }) => s);
    if (list.length === 0 || !store.session) return;
    const left = pen.w > 600 ? 60 : 52, right = pen.w - 4;
    this.x = linear(...store.spanOf(list[0].s, store.recent), left, right);
    if (list.length > 1 && !this.room.opened) { this.drawMany(pen, list, left, right); return; }
    const series = store.rows[store.sensor] ?? list[0].s;
    const of = (name) => (series[name] ? mode(series[name]) : store.solved?.[name] ?? '…');
    const panels = [
      ['', (top, bottom) => this.drawError(pen, series, left, right, top, bottom)],
      [`χ² of ${of('dof')}, band holds 95 %`, (top, bottom) => this.drawChi(pen, series, 'chi2', store.solved?.chi2_band, left, right, top, bottom)],
    ];
    // Alone the room has height for what else tells a wrong model.
    if (pen.h > 420) {
      panels.push([`χ² of the quadrature parts, ${of('quadrature_dof')} on average: eddy currents, motion, delays`, (top, bottom) => this.drawChi(pen, series, 'quadrature_chi2', null, left, right, top, bottom)]);
      panels.push(['how far the position moves when single emitters are left out', (top, bottom) => this.drawSpread(pen, series, left, right, top, bottom)]);
    }
    const upper = 20, foot = 20, between = 24;
    const each = (pen.h - upper - foot - between * (panels.length - 1)) / panels.length;
    if (each < 16) return;
    this.legend(pen, left, series);
    panels.forEach(([words, draw], i) => {
      const top = upper + i * (each + between);
      if (words) pen.text(left, top - 7, words, { fill: colour.ink2 });
      draw(top, top + each);
    });
    axisX(pen, this.x, upper, pen.h - foot, withUnit(ticks(this.x, pen.w > 600 ? 10 : 4)), { grid: false });
  }

  hasTruth(series) {
    const column = series.true_error_m ?? series['true_error_m.max'];
    return column && column.some((v) => v > 0);
  }

  legend(pen, left, series) {
    let x = left;
    const entry = (draw, words) => { draw(x); pen.text(x + (words === 'error' ? 10 : 22), 12, words, { fill: colour.ink }); x += pen.measure(words) + (words === 'error' ? 24 : 36); };
    if (this.hasTruth(series)) entry((at) => pen.circle(at + 3, 8, 2.2, { fill: colour.estimate }), 'error');
    entry((at) => pen.line(at, 8, at + 16, 8, { stroke: colour.ink, width: 2 }), 'σ');
    if (x + 110 < pen.w) entry((at) => pen.line(at, 8, at + 16, 8, { stroke: colour.ink2, width: 1.2, dash: [4, 3] }), 'estimated error');
    if (!this.hasTruth(series) && x + 120 < pen.w) pen.text(pen.w - 4, 12, 'truth is not known', { fill: colour.ink2, align: 'end' });
  }

  drawError(pen, series, left, right, top, bottom) {
    const { store, x } = this;
    const columns = ['sigma_m', 'error_m'].flatMap((name) => columnOf(series, name));
    const [, most] = extentPositive(...columns, ...columnOf(series, 'true_error_m'));
    const [least] = extentPositive(...columnOf(series, 'sigma_m'));
    const [lo, hi] = this.calm.error.take(least / 2, most, !store.streaming);
    const y = logarithmic(...padded(lo, hi), bottom, top);
    axisY(pen, y, left, right, ticks(y, Math.max(2, Math.floor((bottom - top) / 26)), 'm'));
    this.stretch(pen, left, right, top, bottom);
    pen.clipped(left, top, right - left, bottom - top, () => {
      this.line(pen, series, 'error_m', y, { stroke: colour.ink2, width: 1.2, dash: [4, 3] });
      this.dots(pen, series, 'true_error_m', y, bottom - 2, false);
      this.line(pen, series, 'sigma_m', y, { stroke: colour.ink, width: 2 });
    });
    for (const [a, b] of gaps(series, store.hop)) if (x(b) - x(a) > 2) hatch(pen, Math.max(left, x(a)), top, Math.min(right, x(b)), bottom);
    frame(pen, left, top, right, bottom);
    this.cursor(pen, left, right, top, bottom);
  }

  drawChi(pen, series, name, band, left, right, top, bottom) {
    const { store } = this;
    const [, most] = extent(...columnOf(series, name));
    const usual = store.solved?.chi2_band ? store.solved.chi2_band[1] * 1.6 : 50;
    // Linear while all is usual; logarithmic once something is far beyond, and then it stays so while live.
    this.far[name] = most > 4 * usual || (store.streaming && this.far[name]);
    const [, hi] = this.calm[name].take(0, Math.max(usual, most), !store.streaming);
    const y = this.far[name] ? logarithmic(Math.max(1, (band?.[0] ?? 2) / 2), hi * 1.5, bottom, top) : linear(0, hi * 1.05, bottom, top);
    if (band) pen.rect(left, Math.max(top, y(band[1])), right - left, Math.min(bottom, y(band[0])) - Math.max(top, y(band[1])), { fill: colour.band });
    axisY(pen, y, left, right, ticks(y, Math.max(2, Math.floor((bottom - top) / 28)), ''), { grid: false });
    pen.clipped(left, top, right - left, bottom - top, () => this.dots(pen, series, name, y, bottom - 2, true));
    frame(pen, left, top, right, bottom);
    this.cursor(pen, left, right, top, bottom);
  }

  drawSpread(pen, series, left, right, top, bottom) {
    const [lo, hi] = this.calm.spread.take(...extentPositive(...columnOf(series, 'spread_m')), !this.store.streaming);
    if (!(hi >= lo)) { pen.text(left + 8, top + 18, 'not known here', { fill: colour.ink2 }); frame(pen, left, top, right, bottom); return; }
    const y = logarithmic(...padded(lo, hi), bottom, top);
    axisY(pen, y, left, right, ticks(y, Math.max(2, Math.floor((bottom - top) / 26)), 'm'));
    pen.clipped(left, top, right - left, bottom - top, () => this.dots(pen, series, 'spread_m', y, bottom - 2, true));
    frame(pen, left, top, right, bottom);
    this.cursor(pen, left, right, top, bottom);
  }

  stretch(pen, left, right, top, bottom) {
    const { store, x } = this;
    if (!store.selected || !this.room.opened) return;
    const a = Math.max(left, x(store.view.from)), b = Math.min(right, x(store.view.to));
    if (b > a) pen.rect(a, top, b - a, bottom - top, { fill: colour.sel });
  }

  cursor(pen, left, right, top, bottom) {
    const at = this.store.atEnd ? right - 1 : this.x(this.store.cursor);
    if (at >= left && at <= right) pen.line(at, top, at, bottom, { stroke: colour.ink, width: 1 });
  }

  line(pen, series, name, y, style) {
    const [lo, hi] = columnOf(series, name);
    if (!lo) return;
    const points = [];
    for (let i = 0; i < series.time_s.length; i++) {
      const px = this.x(series.time_s[i]);
      // Of rows that share a pixel a dashed line follows the largest; a solid one spans them.
      if (!hi || !style.dash) points.push(px, lo[i] > 0 ? y(lo[i]) : NaN);
      if (hi) points.push(px, hi[i] > 0 ? y(hi[i]) : NaN);
    }
    pen.path(points, style);
  }

  /** dots draws rows; those that are flagged are squares in the alarm hue when flagged is true. */
  dots(pen, series, name, y, floor, flagged) {
    const [lo, hi] = columnOf(series, name);
    if (!lo) return;
    const plain = [], bad = [];
    for (let i = 0; i < series.time_s.length; i++) {
      if (!(lo[i] >= 0)) continue;
      const px = this.x(series.time_s[i]);
      const list = flagged && series.flags[i] && gradeOf(series.flags[i], this.store.session) === 'wrong' ? bad : plain;
      list.push(px, Math.min(floor, y(lo[i])));
      if (hi && hi[i] !== lo[i]) list.push(px, Math.min(floor, y(hi[i])));
    }
    const radius = plain.length > 4000 ? 1 : pen.w > 600 ? 2.2 : 1.8;
    pen.marks('circle', plain, radius, { fill: colour.estimate });
    pen.marks('square', bad, radius + 0.6, { fill: colour.alarm });
  }

  drawMany(pen, list, left, right) {
    const { store } = this;
    const foot = 20, each = (pen.h - foot) / list.length;
    for (const [i, { s, sensor }] of list.entries()) {
      const top = i * each + 16, bottom = (i + 1) * each - 4;
      if (bottom - top < 10) continue;
      const pose = store.state?.sensors.find((p) => p.sensor === sensor);
      pen.text(left, top - 4, cut(pen, store.session.sensors[sensor].name, right - left - 96, 12, sensor === store.sensor), { fill: colour.ink, bold: sensor === store.sensor });
      pen.text(right, top - 4, pose ? `χ² ${chi(pose)}` : '', { fill: colour.ink2, align: 'end' });
      const columns = ['sigma_m', 'error_m'].flatMap((name) => columnOf(s, name));
      const y = logarithmic(...padded(...extentPositive(...columns)), bottom, top);
      axisY(pen, y, left, right, ticks(y, 2, 'm'));
      pen.clipped(left, top, right - left, bottom - top, () => {
        this.line(pen, s, 'error_m', y, { stroke: colour.ink3, width: 1 });
        this.line(pen, s, 'sigma_m', y, { stroke: colour.ink, width: 2 });
      });
      frame(pen, left, top, right, bottom);
      this.cursor(pen, left, right, top, bottom);
      if (i === list.length - 1) axisX(pen, this.x, top, bottom, withUnit(ticks(this.x, 4)), { grid: false });
    }
  }

  drawAllan(pen) {
    const data = this.deviation;
    const left = 60, right = pen.w - 8, top = 24, bottom = pen.h - 38;
    if (bottom - top < 20) return;
    pen.text(0, 13, 'Allan deviation of the position over the stretch', { fill: colour.ink });
    if (!data?.tau_s?.length) { pen.text(0, 32, this.allanWords ?? 'too few rows', { fill: colour.ink2 }); return; }
    const x = logarithmic(...padded(data.tau_s[0], data.tau_s.at(-1)), left, right);
    const y = logarithmic(...padded(...extentPositive(...data.deviation_m)), bottom, top);
    axisY(pen, y, left, right, ticks(y, 4, 'm'));
    axisX(pen, x, top, bottom, ticks(x, 5, 's'));
    const inks = [colour.coil1, colour.coil2, colour.coil3], shapes = ['circle', 'square', 'triangle'];
    pen.clipped(left, top, right - left, bottom - top, () => data.axes.forEach((_, k) => {
      const points = data.tau_s.flatMap((t, i) => [x(t), data.deviation_m[k][i] > 0 ? y(data.deviation_m[k][i]) : NaN]);
      data.tau_s.forEach((t, i) => { if (data.low_m?.[k]?.[i] > 0) pen.line(x(t), y(data.low_m[k][i]), x(t), y(data.high_m[k][i]), { stroke: inks[k] }); });
      pen.path(points, { stroke: inks[k], width: 1.5 });
      pen.marks(shapes[k], points, 3.5, { fill: inks[k] });
    }));
    frame(pen, left, top, right, bottom);
    let at = left;
    data.axes.forEach((name, k) => { pen.marks(shapes[k], [at + 4, pen.h - 9], 4, { fill: inks[k] }); pen.text(at + 12, pen.h - 5, name, { fill: colour.ink }); at += 36; });
    pen.text(right, pen.h - 5, 'averaging time', { fill: colour.ink2, align: 'end' });
  }

  allanTable() {
    const data = this.deviation;
    const columns = [{ name: 'averaging time', unit: 's' }, ...(data?.axes ?? []).map((a) => ({ name: a, unit: 'm' }))];
    return { columns, rows: (data?.tau_s ?? []).map((t, i) => [t, ...data.deviation_m.map((d) => d[i])]) };
  }

  table() {
    const s = this.store.rows[this.store.sensor];
    const names = ['sigma_m', 'error_m', 'true_error_m', 'chi2', 'quadrature_chi2', 'spread_m'];
    const columns = [{ name: 'time', unit: 's' }, { name: 'σ of position', unit: 'm' }, { name: 'estimated error', unit: 'm' }, { name: 'true error', unit: 'm' }, { name: 'χ²' }, { name: 'quadrature' }, { name: 'spread of emitters', unit: 'm' }, { name: 'flags' }];
    if (!s) return { columns, rows: [] };
    return { columns, rows: Array.from(s.time_s, (t, i) => [t, ...names.map((n) => (s[n] ?? s[n + '.max'])?.[i]), namesOf(s.flags[i], this.store.session)]) };
  }
}

/** mode is the value that most rows have. */
function mode(column) {
  const counts = new Map();
  for (const v of column) if (v === v) counts.set(v, (counts.get(v) ?? 0) + 1);
  let best = '…', most = 0;
  for (const [v, n] of counts) if (n > most) { best = v; most = n; }
  return best;
}

