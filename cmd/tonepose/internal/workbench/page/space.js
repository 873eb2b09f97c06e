// Room "space": where is the sensor, how sure? The bench in a parallel projection, the pose with its ellipsoid, three
// views about the pose. Drag orbits, the wheel zooms; on the virtual bench sensor and ball can be dragged.

import { arrays, json, newest } from './server.js';
import { element, choice, every } from './dom.js';
import { Room } from './room.js';
import { Figure } from './figure.js';
import { colour, sigmaMap } from './colour.js';
import { logarithmic, ticks, padded, extentPositive } from './axes.js';
import { quantity, fixed, THIN, UNKNOWN } from './number.js';
import { Camera } from './camera.js';
import { namesOf } from './flags.js';
import { cut } from './recording.js';
import { Regions } from './regions.js';
import { drawVolume, drawTriad, drawEmitters, drawPath, drawSlice, drawEllipsoid, magnification } from './scene.js';

const still = matchMedia('(prefers-reduced-motion: reduce)');
const VIEWS = { free: null, above: [0, Math.PI / 2], front: [0, 0], side: [Math.PI / 2, 0] };

export class Space {
  constructor(store) {
    this.store = store;
    this.camera = new Camera();
    this.paths = [];
    this.room = new Room(store, 'space', ['where is the sensor, how sure?', 'where is the sensor, how sure?', 'where, how sure?']);
    this.figure = new Figure({ name: 'space', title: 'emitters, path and pose', room: 'space', interactive: true, key: { height: 152, draw: (pen) => this.drawKey(pen) }, draw: (pen) => this.draw(pen), table: () => this.table(), summary: () => this.words() });
    this.regions = new Regions(store, { name: 'regions', title: 'regions about the pose', room: 'space' });
    this.key = new Figure({ name: 'space-key', title: 'key to space', room: 'space', draw: (pen) => this.drawKey(pen) });
    this.key.node.removeAttribute('tabindex');
    this.controls = element('div', { class: 'controls space-controls' });
    this.about = element('div', { class: 'space-about' }, this.regions.figure.node, this.key.node);
    this.room.inside.append(this.figure.node, this.controls, this.about);
    this.askPaths = newest((from, to, sensors) => Promise.all(sensors.map((sensor) => arrays('/api/path', { sensor, from, to, points: 1500, truth: store.session.sensors[sensor].has_truth || store.session.mode === 'bench' ? 1 : undefined }))),
      (paths, from, to, sensors) => { this.paths = []; sensors.forEach((s, i) => { this.paths[s] = paths[i]; }); this.rangeSigma(); this.refresh(); }, () => {});
    this.askSlice = newest((p) => json('/api/slices', p), (slice) => { this.slice = slice; this.rangeSigma(); this.refresh(); }, (error) => { this.slice = null; this.sliceWords = error.message; this.refresh(); });
    this.refreshKey = every(4, () => this.key.redraw());
    this.build();
    this.listen();
    store.on('session', () => { if (store.streaming) { this.range = null; this.paths = []; } this.fetch(); });
    store.on('tick', () => this.fetch());
    store.on('view', () => this.viewed());
    store.on('state bench', () => this.refresh());
    store.on('words', () => this.say());
  }

  build() {
    const { view } = this.store;
    const label = (text) => element('span', { class: 'label' }, text);
    this.choices = {
      colour: choice('colour of the path', [{ value: 'sigma', words: 'σ' }, { value: 'flag', words: 'flag' }, { value: 'error', words: 'error' }], view.colour ?? 'sigma', (colour) => view.change({ colour })),
      slice: choice('slice', ['none', 'x', 'y', 'z'].map((v) => ({ value: v, words: v })), (view.slice ?? 'none').split(':')[0], (axis) => view.change({ slice: axis === 'none' ? null : axis })),
      scale: choice('ellipsoids', [{ value: 'fit', words: 'fitting' }, ...['1', '100', '500'].map((v) => ({ value: v, words: `× ${v}` }))], view.scale ?? 'fit', (scale) => view.change({ scale: scale === 'fit' ? null : scale })),
      turn: choice('view', [...Object.keys(VIEWS), 'follow'].map((v) => ({ value: v, words: v })), view.follow ? 'follow' : 'free', (name) => this.look(name)),
    };
    this.sliceAt = element('span', { class: 'soft' });
    this.controls.append(label('colour'), this.choices.colour, label('slice'), element('span', { class: 'row' }, this.choices.slice, this.sliceAt), label('ellipsoids'), this.choices.scale, label('view'), this.choices.turn);
    this.readTurn();
  }

  readTurn() {
    const { view } = this.store;
    const [a, t, z] = (view.turn || '').split(',').map(Number);
    if (Number.isFinite(a) && Number.isFinite(t)) { this.camera.azimuth = (a * Math.PI) / 180; this.camera.tilt = (t * Math.PI) / 180; this.camera.zoom = z > 0 ? z : 1; }
  }

  look(name) {
    const { view } = this.store;
    if (name === 'follow') { view.change({ follow: '1' }); return; }
    if (VIEWS[name]) [this.camera.azimuth, this.camera.tilt] = VIEWS[name];
    view.change({ follow: null });
    this.keepTurn();
  }

  keepTurn() {
    const { camera } = this;
    const deg = (v) => Math.round((v * 180) / Math.PI);
    this.store.view.change({ turn: `${deg(camera.azimuth)},${deg(camera.tilt)},${Number(camera.zoom.toFixed(2))}` });
    this.figure.redraw();
  }

  viewed() {
    const { view } = this.store;
    const key = JSON.stringify([this.store.recent, this.store.sensor]);
    if (key !== this.pathKey) { this.pathKey = key; this.fetch(); }
    this.choices.slice.press((view.slice ?? 'none').split(':')[0]);
    this.choices.colour.press(view.colour ?? 'sigma');
    this.choices.scale.press(view.scale ?? 'fit');
    this.refresh();
    this.say();
  }

  fetch() {
    const { store } = this;
    if (!store.session?.sensors.length || !store.drawable) return;
    const n = store.session.sensors.length;
    const sensors = n <= 4 ? [...Array(n).keys()] : [store.sensor];
    this.askPaths(...store.recent, sensors);
  }

  /** rangeSigma is the span of sigmas that the colours cover; it grows as it must and does not shrink while live. */
  rangeSigma() {
    const columns = this.paths.filter(Boolean).map((p) => p.sigma_m);
    if (this.slice && this.store.view.slice) columns.push(this.slice.sigma_m.flat());
    const [lo, hi] = extentPositive(...columns);
    if (!(hi >= lo)) return;
    const wanted = padded(lo, hi);
    this.range = this.store.streaming && this.range ? [Math.min(wanted[0], this.range[0]), Math.max(wanted[1], this.range[1])] : wanted;
  }

  refresh() {
    this.figure.redraw();
    this.regions.refresh();
    this.refreshKey();
    this.fetchSlice();
  }

  fetchSlice() {
    const { view } = this.store;
    const axis = (view.slice ?? '').split(':')[0];
    const pose = this.store.shown;
    if (!axis || !pose?.solved) { this.slice = axis ? this.slice : null; this.sliceAt.textContent = ''; return; }
    // The slice stands still while a stream moves by less than 5 mm.
    const at = Math.round(pose.position_m['xyz'.indexOf(axis)] * 200) / 200;
    this.sliceAt.textContent = this.slice ? `${axis} = ${fixed(this.slice.at_m * 1e3, 1)}${THIN}mm` : this.sliceWords ?? '';
    const key = `${axis} ${at} ${this.store.sensor} ${this.store.session.version}`;
    if (key === this.sliceKey) return;
    this.sliceKey = key;
    this.askSlice({ sensor: this.store.sensor, axis, at_m: at, cells: 28 });
  }

  say() {
    const { store, room } = this;
    const pose = store.shown;
    if (!store.state) { room.says(UNKNOWN); return; }
    if (!pose?.solved) { room.says('no pose', 'wrong'); return; }
    if (pose.use_error && pose.error_m) { room.says(pose.truth && store.session.mode === 'bench' ? `error ${quantity(pose.truth.error_m, 'm')}, truth known` : `error about ${quantity(pose.error_m, 'm')}`, 'wrong'); return; }
    const outside = pose.flags.includes('outside working volume');
    const sigmas = store.session.sensors.length > 1 && store.session.sensors.length <= 4 ? store.state.sensors.map((s) => (s.solved ? quantity(s.sigma_m, 'm') : UNKNOWN)).join(', ') : quantity(pose.sigma_m, 'm');
    const inside = store.session.rig?.volume ? (outside ? ', outside the volume' : ', inside the volume') : '';
    room.says(`σ ${sigmas}${inside}`, outside ? 'doubt' : pose.grade === 'wrong' ? 'wrong' : pose.grade === 'doubt' ? 'doubt' : 'sound');
  }

  words() {
    const p = this.store.shown;
    if (!p?.solved) return 'no pose';
    return `sensor at x ${fixed(p.position_m[0] * 1e3, 1)}, y ${fixed(p.position_m[1] * 1e3, 1)}, z ${fixed(p.position_m[2] * 1e3, 1)} mm; ${this.room.words.textContent}`;
  }

  /** box is what must be seen: volume and emitters. */
  box() {
    const { session } = this.store;
    const lo = [Infinity, Infinity, Infinity], hi = [-Infinity, -Infinity, -Infinity];
    const take = (p) => p.forEach((v, i) => { lo[i] = Math.min(lo[i], v); hi[i] = Math.max(hi[i], v); });
    if (session.rig?.volume) { take(session.rig.volume.min_m); take(session.rig.volume.max_m); }
    for (const e of session.emitters) take(e.position_m);
    if (!(lo[0] < hi[0])) return [[-0.1, -0.1, 0], [0.1, 0.1, 0.2]];
    return [lo, hi];
  }

  draw(pen) {
    const { store, camera } = this;
    const { session } = store;
    if (!session) return;
    const small = pen.w < 400;
    const box = this.box();
    const pose = store.shown;
    // Where the system asks for no motion, following goes in steps of a second.
    if (!this.stepped || !still.matches || performance.now() - this.stepped > 1000) {
      this.stepped = performance.now();
      camera.follow = store.view.follow && pose?.solved ? pose.position_m : null;
    }
    camera.fit(box, pen.w, pen.h, { left: small ? 50 : 66, right: 18, top: 10, bottom: 14 });
    const extent = Math.max(...box[1].map((v, i) => v - box[0][i]));
    this.extent = extent;
    const trial = store.view.left.emitters;
    const away = store.bench?.knobs?.find((k) => k.id === 'away')?.value ?? [];
    const out = [...trial, ...away.map((v, i) => (v ? i : -1)).filter((i) => i >= 0)];
    if (session.rig?.volume) drawVolume(pen, camera, session.rig.volume);
    const sliced = Boolean(store.view.slice && this.slice && this.range);
    if (sliced) drawSlice(pen, camera, this.slice, this.range);
    drawEmitters(pen, camera, session.emitters, out, extent * 0.07);
    this.figure.filled = this.paths.some((p) => p?.time_s.length);
    for (const [sensor, path] of this.paths.entries()) if (path) drawPath(pen, camera, path, { by: store.view.colour ?? 'sigma', range: this.range ?? [1e-6, 1e-3], session, cased: sliced, thin: sensor !== store.sensor });
    if (store.trial?.path) pen.path(store.trial.path.x_m.flatMap((x, i) => camera.at([x, store.trial.path.y_m[i], store.trial.path.z_m[i]])), { stroke: colour.coil2, width: 2 });
    this.drawBall(pen);
    this.drawPoses(pen, sliced, box[0][2]);
    drawTriad(pen, camera, 30, pen.h - (session.rig?.volume ? 52 : 18));
    if (session.rig?.volume) {
      const size = session.rig.volume.max_m.map((v, i) => fixed((v - session.rig.volume.min_m[i]) * 1e3)).join(' × ');
      pen.text(0, pen.h - 20, 'working volume', { fill: colour.ink2 });
      pen.text(0, pen.h - 5, `${size} mm`, { fill: colour.ink2 });
    }
  }

  drawPoses(pen, sliced, floor) {
    const { store, camera } = this;
    const poses = store.state?.sensors.map((s) => (s.sensor === store.sensor ? store.shown : s)).filter((s) => s?.solved) ?? [];
    for (const pose of poses) {
      const chosen = pose.sensor === store.sensor;
      const [x, y] = camera.at(pose.position_m);
      if (chosen) {
        const [fx, fy] = camera.at([pose.position_m[0], pose.position_m[1], floor]);
        pen.line(x, y, fx, fy, { stroke: colour.ink, width: 1.3, dash: [2, 3] });
        pen.line(fx - 5, fy, fx + 5, fy, { stroke: colour.ink });
        const wanted = Number(store.view.scale);
        if (wanted > 0) this.times = wanted;
        else {
          const fit = magnification(Math.max(...(pose.ellipsoid?.radii_m ?? [0])), this.extent);
          // It changes only when the ellipsoid would be lost or fill the room.
          const shown = (this.times ?? 0) * Math.max(...(pose.ellipsoid?.radii_m ?? [0])) / this.extent;
          if (!this.times || shown > 0.25 || shown < 0.01 || !store.streaming) this.times = fit;
        }
        drawEllipsoid(pen, camera, pose, this.times, sliced);
        if (store.trial && store.trial.before.solved) { const [bx, by] = camera.at(store.trial.before.position_m); pen.circle(bx, by, 4, { stroke: colour.ink2, width: 1.5, fill: colour.paper }); }
      }
      pen.circle(x, y, chosen ? 5.5 : 4.5, { fill: colour.paper, stroke: colour.ink, width: chosen ? 3 : 2 });
      if (pose.tip_m) pen.circle(...camera.at(pose.tip_m), 2.5, { fill: colour.ink });
      if (store.session.sensors.length > 1) {
        const name = cut(pen, store.session.sensors[pose.sensor].name, 110, 12, chosen), left = x + 11 + pen.measure(name, 12, chosen) > pen.w;
        pen.text(left ? x - 11 : x + 11, y - 8, name, { fill: colour.ink, bold: chosen, halo: colour.paper, align: left ? 'end' : 'start' });
      }
    }
  }

  drawBall(pen) {
    const metal = this.store.bench?.metal;
    this.ball = null;
    if (!metal) return; // carried away
    const [x, y] = this.camera.at(metal.center_m);
    const r = Math.max(5, metal.radius_m * this.camera.scale);
    const [fx, fy] = this.camera.at([metal.center_m[0], metal.center_m[1], this.box()[0][2]]);
    pen.line(x, y, fx, fy, { stroke: colour.ink2, dash: [2, 3] });
    pen.circle(x, y, r, { fill: colour.rule, stroke: colour.ink, width: 1.5 });
    pen.text(x + r + 6, y + 4, 'ball, drag', { fill: colour.ink, halo: colour.paper });
    this.ball = { x, y, r };
  }

  drawKey(pen) {
    const { store } = this;
    const line = (y, draw, words) => { draw(y - 4); pen.text(28, y, words, { fill: colour.ink2 }); };
    const sliced = store.view.slice && this.slice;
    pen.text(0, 12, sliced ? 'slice: predicted σ' : store.view.colour === 'flag' ? 'path: flags alone' : store.view.colour === 'error' ? 'path: estimated error' : 'path: σ of position', { fill: colour.ink });
    let y = 34;
    if (this.range && store.view.colour !== 'flag') {
      const width = Math.min(150, pen.w - 2);
      const x = logarithmic(...this.range, 0, width);
      for (let i = 0; i < width; i += 2) pen.rect(i, 18, 2.5, 8, { fill: sigmaMap(i / width) });
      pen.rect(0.5, 18.5, width - 1, 8, { stroke: colour.frame });
      let right = -10;
      for (const { value, text } of ticks(x, 3, 'm')) {
        if (!text) continue;
        pen.line(x(value), 26, x(value), 30, { stroke: colour.frame });
        const w = pen.measure(text), at = Math.max(0, Math.min(pen.w - w, x(value) - w / 2));
        if (at < right + 6) continue;
        pen.text(at, 42, text, { fill: colour.ink2 });
        right = at + w;
      }
      y = 62;
    }
    const step = Math.max(14, Math.min(18, (pen.h - y - 4) / 4));
    const truth = this.paths.some((p) => p?.true_x_m) || store.shown?.truth;
    const entries = [
      [(m) => pen.rect(0.5, m - 5, 20, 9, { fill: colour.band, stroke: colour.estimate, width: 1.5 }), '95 % region, inside 1 σ'],
      ...(truth ? [[(m) => { pen.rect(0, m - 4, 21, 8, { fill: colour.band }); pen.marks('cross', [10, m], 4.5, { stroke: colour.ink, width: 2 }); }, 'true path, true pose']] : [[() => {}, 'truth not known']]),
      [(m) => pen.rect(6, m - 4, 9, 9, { fill: colour.alarm }), 'flagged; thin: in doubt'],
    ];
    for (const [draw, words] of entries) { if (y > pen.h - 4) return; line(y, draw, words); y += step; }
    if (y <= pen.h + 2 && this.times) pen.text(0, y, `ellipsoid drawn × ${fixed(this.times)}`, { fill: colour.ink2 });
  }

  /** place is what a pointer holds: the sensor, the ball, or the view. */
  grasp(px, py) {
    const { store, camera } = this;
    if (store.session?.mode !== 'bench') return 'view';
    if (this.ball && Math.hypot(px - this.ball.x, py - this.ball.y) < Math.max(14, this.ball.r + 4)) return 'ball';
    const pose = store.shown;
    const place = pose?.truth?.position_m ?? pose?.position_m;
    if (place) { const [x, y] = camera.at(place); if (Math.hypot(px - x, py - y) < 16) return 'sensor'; }
    return 'view';
  }

  listen() {
    const { figure, camera, store } = this;
    const node = figure.node;
    let drag = null;
    const pointers = new Map();
    const send = every(30, (set) => store.turn({ set }));
    node.addEventListener('pointerdown', (event) => {
      const at = figure.place(event);
      pointers.set(event.pointerId, at);
      node.setPointerCapture(event.pointerId);
      if (pointers.size === 2) { const [p, q] = [...pointers.values()]; drag = { kind: 'pinch', apart: Math.hypot(p[0] - q[0], p[1] - q[1]), zoom: camera.zoom }; return; }
      drag = { kind: this.grasp(...at), at };
      const pose = store.shown;
      if (drag.kind === 'sensor') drag.place = [...(pose.truth?.position_m ?? pose.position_m)];
      if (drag.kind === 'ball') drag.place = [...store.bench.metal.center_m];
    });
    node.addEventListener('pointermove', (event) => {
      const at = figure.place(event);
      if (!drag) { const kind = this.grasp(...at); node.style.cursor = kind === 'view' ? 'grab' : 'move'; return; }
      if (pointers.has(event.pointerId)) pointers.set(event.pointerId, at);
      const dx = at[0] - drag.at?.[0], dy = at[1] - drag.at?.[1];
      if (drag.kind === 'pinch') {
        if (pointers.size < 2) return;
        const [p, q] = [...pointers.values()];
        camera.zoom = Math.max(0.5, Math.min(20, (drag.zoom * Math.hypot(p[0] - q[0], p[1] - q[1])) / drag.apart));
        figure.redraw();
        return;
      }
      drag.at = at;
      if (drag.kind === 'view') { camera.orbit(dx * 0.008, dy * 0.008); this.choices.turn.press('free'); figure.redraw(); return; }
      // Along the table; with shift, or seen from the side, up and down.
      const level = event.shiftKey ? null : camera.onLevel(...at, drag.place[2]);
      if (level) drag.place = level;
      else drag.place[2] -= dy / camera.scale / Math.max(0.2, camera.up[2]);
      send(drag.kind === 'ball' ? { metal: true, metal_position: drag.place } : { follow_path: false, sensor_position: drag.place });
    });
    const end = (event) => { pointers.delete(event.pointerId); if (drag?.kind === 'view' || drag?.kind === 'pinch') this.keepTurn(); drag = null; };
    node.addEventListener('pointerup', end);
    node.addEventListener('pointercancel', end);
    node.addEventListener('dblclick', () => store.view.change({ follow: store.view.follow ? null : '1' }));
    const keep = every(4, () => this.keepTurn());
    node.addEventListener('wheel', (event) => {
      event.preventDefault();
      camera.zoom = Math.max(0.5, Math.min(20, camera.zoom * 1.12 ** -Math.sign(event.deltaY)));
      figure.redraw();
      keep();
    }, { passive: false });
    node.addEventListener('keydown', (event) => {
      const by = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, 0.1], ArrowDown: [0, -0.1] }[event.key];
      if (by) camera.orbit(...by);
      else if (event.key === '+' || event.key === '=') camera.zoom = Math.min(20, camera.zoom * 1.2);
      else if (event.key === '-') camera.zoom = Math.max(0.5, camera.zoom / 1.2);
      else return;
      event.preventDefault();
      event.stopPropagation();
      figure.redraw();
      keep();
    });
  }

  table() {
    const { session } = this.store;
    const columns = [{ name: 'sensor' }, { name: 'time', unit: 's' }, { name: 'x', unit: 'm' }, { name: 'y', unit: 'm' }, { name: 'z', unit: 'm' }, { name: 'σ', unit: 'm' }, { name: 'flags' }];
    const rows = [];
    for (const [sensor, p] of this.paths.entries()) {
      if (!p) continue;
      for (let i = 0; i < p.time_s.length; i++) rows.push([session.sensors[sensor].name, p.time_s[i], p.x_m[i], p.y_m[i], p.z_m[i], p.sigma_m[i], namesOf(p.flags[i], session)]);
    }
    return { columns, rows };
  }
}
