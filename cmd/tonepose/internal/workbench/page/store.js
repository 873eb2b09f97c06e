// What the page knows: the session, the state at the cursor (or the newest one), rows against time, and what is tried
// for a moment. Rooms read it and listen; only this file asks the server for what several rooms share.

import { json, post, arrays, newest, events, Refused } from './server.js';
import { every } from './dom.js';

const COLUMNS = ['sigma_m', 'error_m', 'true_error_m', 'chi2', 'dof', 'quadrature_chi2', 'quadrature_dof', 'spread_m', 'skipped'];
const LIVE_SPAN = 60; // s in the strip while a stream runs
const RECENT = 10; // s in the rooms then
const LIVE_FETCH = 4; // fetches a second of rows against time while a stream runs

export class Store {
  constructor(view) {
    this.view = view;
    this.listeners = new Map();
    this.session = null;
    this.state = null; // as solved
    this.trial = null; // {before, after, …} of what is left out
    this.series = []; // a sensor each, over the range
    this.rows = []; // the same over what the rooms show
    this.source = null;
    this.bench = null;
    this.link = 'up';
    this.hold = false;
    this.points = 1200;
    this.due = 0; // rows that the cursor is to move

    this.askState = newest((time) => json('/api/at', { time }), (state) => this.takeState(state), (error) => this.fail('state', error));
    this.askSeries = newest((range, sensors) => this.fetchSeries(range, sensors), (series) => {
      this.series = series;
      if (this.streaming && !this.view.zoom) this.askRecent(this.recent, this.wanted()); else this.rows = series;
      this.tell('series');
    }, (error) => this.fail('series', error));
    this.askRecent = newest((range, sensors) => this.fetchSeries(range, sensors), (rows) => { this.rows = rows; this.tell('rows'); }, (error) => this.fail('series', error));
    this.askTrial = newest((body) => post('/api/leaveout', body), (trial, body) => {
      if (!this.view.out) return;
      trial.left = { emitters: body.emitters, coils: body.coils };
      this.trial = trial;
      this.refused = null;
      this.tell('state words');
    }, (error) => { this.trial = null; this.refused = error; this.tell('state words'); });
    // Words and numerals change at most five times a second, or no one can read them; figures may be quicker.
    this.tellWords = every(5, () => this.tell('words'));
    this.refreshLive = every(LIVE_FETCH, () => { this.fetchRows(); this.tell('tick'); });
    view.on((changed) => this.viewChanged(changed));
  }

  on(kind, listen) {
    for (const k of kind.split(' ')) this.listeners.set(k, [...(this.listeners.get(k) || []), listen]);
  }

  tell(kinds) { for (const kind of kinds.split(' ')) for (const listen of this.listeners.get(kind) || []) listen(); }

  fail(kind, error) {
    // 502 and 504 come from whatever stands between: the server itself does not answer.
    if (error instanceof Refused && error.status < 502) { this.refusal = error; this.tell('refused'); return; }
    this.setLink('lost');
  }

  setLink(link) {
    if (this.link === link) return;
    this.link = link;
    if (link === 'lost') this.lostAt = new Date();
    this.tell('link');
    if (link === 'lost') this.retry();
    else if (this.session) this.start();
  }

  /** retry looks for the server until it answers again. */
  retry() {
    setTimeout(async () => {
      try { await json('/api/session'); this.setLink('up'); } catch (error) {
        if (error instanceof Refused && error.status < 502) this.setLink('up'); else this.retry();
      }
    }, 1500);
  }

  /** start gets the session and all that follows from it. */
  async start() {
    let session;
    try { session = await json('/api/session'); } catch (error) { this.fail('session', error); return; }
    if (this.session && session.mode !== 'run' && session.version !== this.session.version) {
      // Another content: rows and states of the one before would name channels that are no more.
      this.state = this.newest = this.trial = null;
      this.series = this.rows = [];
    }
    this.session = session;
    this.tell('session');
    clearTimeout(this.later);
    if (!session.ready) this.later = setTimeout(() => this.start(), 300);
    if (this.drawable) this.fetchRows();
    if (session.ready || this.streaming) { this.fetchState(); this.leave(); }
    if (session.mode === 'bench') this.fetchBench();
    if (!this.listening) this.listening = events({
      state: (state) => { if (this.following && !this.hold) this.takeState(state); this.newest = state; this.streamed(state); },
      session: (event) => { if (event.version !== this.session?.version) this.start(); },
      source: (source) => { this.source = { ...source, heard: Date.now() }; this.tell('source'); },
      bench: (bench) => { this.bench = bench; this.tell('bench'); },
    }, (up) => { if (up) this.setLink('up'); else if (this.streaming) this.setLink('lost'); });
  }

  streamed(state) {
    if (this.session) this.session.end_s = Math.max(this.session.end_s, state.time_s);
    if (!this.hold) this.refreshLive();
  }

  get streaming() { return this.session?.mode === 'live' || this.session?.mode === 'bench'; }

  /** drawable: there are rows, though of a run that is still being read not yet all. */
  get drawable() { return this.session?.rows > 0 || this.streaming; }

  /** following: the newest state is shown as it comes. */
  get following() { return this.streaming && this.view.t === null; }

  /** atEnd: the cursor is the newest state, at the right end of what is shown. */
  get atEnd() { return this.following && !this.view.zoom; }

  /** cursor is the time that all rooms show [s]. */
  get cursor() {
    if (this.view.t !== null) return this.view.t;
    return this.state ? this.state.time_s : this.session ? this.session.end_s : 0;
  }

  /** whole is the run from begin to end, or what is kept of a stream. */
  get whole() {
    if (!this.session) return [0, 1];
    const { start_s: start, end_s: end } = this.session;
    if (this.streaming) {
      const to = this.hold && this.heldAt ? this.heldAt : Math.max(end, start + 0.5);
      return [Math.max(start, to - LIVE_SPAN), to];
    }
    return end > start ? [start, end] : [start, start + 1];
  }

  /** range is the stretch of time that strip and rooms show. */
  get range() {
    const zoom = (this.view.zoom || '').split(',').map(Number);
    if (zoom.length === 2 && zoom[1] > zoom[0]) return zoom;
    return this.whole;
  }

  /** spanOf is the time that fetched rows were asked for: what a following figure shows, as newer rows are still to come. */
  spanOf(rows, range) { return this.atEnd && rows?.range ? rows.range : range; }

  /** stretch is what the person selected, or the range when nothing is. */
  get stretch() {
    const { from, to } = this.view;
    return from !== null && to !== null && to > from ? [from, to] : this.recent;
  }

  get selected() { const { from, to } = this.view; return from !== null && to !== null && to > from; }

  /** hop is the time between rows. */
  get hop() { return this.session?.hop_s || this.session?.window_s || 0.01; }

  get sensor() { return Math.min(this.view.sensor, Math.max(0, (this.session?.sensors.length ?? 1) - 1)); }

  /** shown is the chosen sensor's part of the state: of the trial where something is left out. */
  get shown() { return this.trial ? this.trial.after : this.solved; }

  /** solved is the chosen sensor's part of the state, as solved. */
  get solved() { return this.state?.sensors.find((s) => s.sensor === this.sensor) ?? null; }

  answer(room) { return (this.state?.answers ?? this.session?.answers)?.find((a) => a.room === room) ?? null; }

  takeState(state) {
    if (this.streaming && state.sensors.length === 0) return; // no window came yet
    this.state = state;
    this.stateAt = performance.now();
    this.setLink('up');
    this.leave();
    this.tell('state');
    if (this.following) this.tellWords(); else this.tell('words cursor');
  }

  fetchState() {
    if (this.following && this.session.mode !== 'run') { if (this.newest) this.takeState(this.newest); else this.askState(this.whole[1]); return; }
    const [from, to] = this.whole;
    if (this.view.t === null) this.view.t = from + 0.5 * (to - from);
    this.askState(Math.max(from, Math.min(to, this.view.t)));
  }

  fetchRows() {
    this.askSeries(this.range, this.wanted());
  }

  /** wanted are the sensors whose rows are shown: all of a few, else the chosen one. */
  wanted() {
    const many = this.session.sensors.length;
    return many > 1 && many <= 4 ? [...Array(many).keys()] : [this.sensor];
  }

  /** recent is what the rooms show: the range, or of a stream that is not zoomed some seconds that end now, or hold the cursor. */
  get recent() {
    const [from, to] = this.range;
    if (!this.streaming || this.view.zoom) return [from, to];
    const end = this.view.t === null ? to : Math.min(to, Math.max(this.view.t + 0.2 * RECENT, from + RECENT));
    return [Math.max(from, end - RECENT), end];
  }

  async fetchSeries([from, to], sensors) {
    const list = await Promise.all(sensors.map((sensor) => arrays('/api/series', { sensor, columns: COLUMNS, from, to, points: this.points })));
    const series = [];
    sensors.forEach((sensor, i) => { list[i].range = [from, to]; series[sensor] = list[i]; });
    return series;
  }

  /** leave asks for the pose without what the view leaves out. */
  leave() {
    const { emitters, coils } = this.view.left;
    if (emitters.length + coils.length === 0 || !this.state) {
      if (this.trial || this.refused) { this.trial = null; this.refused = null; this.tell('state words'); }
      return;
    }
    const [from, to] = this.stretch;
    this.askTrial({ time_s: this.state.time_s, sensor: this.sensor, emitters, coils, ...(this.streaming ? {} : { from_s: from, to_s: to, points: 300 }) });
  }

  async fetchBench() {
    try { this.bench = await json('/api/bench'); this.tell('bench'); } catch (error) { this.fail('bench', error); }
  }

  /** turn sets knobs of the virtual bench. */
  async turn(values) {
    try { this.bench = await post('/api/bench', values); this.tell('bench'); } catch (error) { this.benchRefused = error; this.tell('bench'); }
  }

  viewChanged(changed) {
    if (!this.session) return;
    if (changed.has('t')) this.fetchState();
    if (changed.has('zoom') || changed.has('sensor') || (changed.has('t') && this.streaming)) this.fetchRows();
    if (changed.has('out') || changed.has('sensor')) this.leave();
    if (changed.has('sensor')) this.tell('state words');
    this.tell('view');
  }

  /** move puts the cursor at a time; a stream that is moved no longer follows. */
  move(time) {
    const [from, to] = this.whole;
    this.view.change({ t: Math.max(from, Math.min(to, time)) });
  }

  now() { this.setHold(false); this.view.change({ t: null, zoom: null }); this.fetchState(); }

  /** setHold stops what is shown; on the virtual bench, the bench itself. */
  setHold(hold) {
    if (this.session?.mode === 'bench') { if (hold !== Boolean(this.bench?.paused)) this.turn({ paused: hold }); return; }
    if (!this.streaming || hold === this.hold) return;
    this.hold = hold;
    this.heldAt = this.session.end_s;
    if (!hold && this.newest && this.following) this.takeState(this.newest);
    this.tell('hold');
  }

  /** step moves the cursor by rows; those that are asked for while the server answers add up, until it is moved elsewhere. */
  async step(rows) {
    this.due += rows;
    if (this.due !== rows) return;
    while (this.due !== 0) {
      const due = this.due, from = this.cursor;
      let time = null;
      try { time = (await json('/api/step', { time: from, rows: due })).time_s; } catch (error) { this.fail('step', error); }
      if (time === null || this.cursor !== from) this.due = 0;
      else { this.move(time); this.due -= due; }
    }
  }

  /** flag moves the cursor to the next row, or the one before, where a flag begins. */
  async flag(direction) {
    try {
      const { time_s: time } = await json('/api/next', { time: this.cursor, direction, sensor: this.sensor });
      if (time !== null) this.move(time);
      return time !== null;
    } catch (error) { this.fail('next', error); return false; }
  }
}
