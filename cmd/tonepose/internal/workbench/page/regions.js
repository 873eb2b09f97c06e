// Regions about the pose: three views of where the sensor is, at a stated width. Filled: 95 % by noise, inner line one
// sigma, cross truth; dashed circle: estimated error where the field model is wrong.

import { Figure } from './figure.js';
import { colour } from './colour.js';
import { nice } from './axes.js';
import { quantity } from './number.js';
import { fitting } from './recording.js';

// Chi-square with three degrees of freedom is under 7.815 in 95 of 100 cases (NIST/SEMATECH e-Handbook 1.3.6.7.4).
const P95 = Math.sqrt(7.815);

const VIEWS = [{ u: 0, v: 1, words: 'from above' }, { u: 0, v: 2, words: 'from the front' }, { u: 1, v: 2, words: 'from the side' }];
const AXES = 'xyz';

/** cov3 is the covariance of the position, 3 × 3, from the 21 numbers of the 6 × 6 triangle. */
function cov3(c) {
  return [[c[0], c[1], c[2]], [c[1], c[6], c[7]], [c[2], c[7], c[11]]];
}

export class Regions {
  constructor(store, { name, title, room, compare = false }) {
    this.store = store;
    this.compare = compare;
    this.figure = new Figure({ name, title, room, draw: (pen) => this.draw(pen), table: () => this.table(), summary: () => this.words() });
  }

  refresh() { this.figure.redraw(); }

  words() {
    const p = this.store.shown;
    if (!p?.solved) return 'no pose';
    return `σ x ${quantity(p.sigma_position_m[0], 'm')}, y ${quantity(p.sigma_position_m[1], 'm')}, z ${quantity(p.sigma_position_m[2], 'm')}${p.truth ? `, true error ${quantity(p.truth.error_m, 'm')}` : ''}; shown ±${quantity(this.half ?? NaN, 'm', 1)}`;
  }

  /** scene is what is drawn about which centre. */
  scene() {
    const { store } = this;
    const pose = store.shown;
    if (!pose?.solved || !pose.covariance) return null;
    const before = this.compare && store.trial ? store.trial.before : null;
    const centre = this.compare && pose.truth ? pose.truth.position_m : pose.position_m;
    return { pose, before: before?.solved ? before : null, centre, about: this.compare && pose.truth ? 'the truth (cross)' : 'the pose' };
  }

  /** width is half of what is shown: a round number that holds everything, kept while it fits and is not far too wide. */
  width({ pose, before, centre }) {
    let need = 0;
    for (const p of [pose, before]) {
      if (!p) continue;
      const c = cov3(p.covariance);
      const reach = Math.max(p.use_error && p.error_m ? p.error_m : 0, P95 * Math.sqrt(Math.max(c[0][0], c[1][1], c[2][2])));
      const offset = Math.max(...p.position_m.map((v, i) => Math.abs(v - centre[i])));
      need = Math.max(need, offset + reach);
      if (p.truth && !this.compare) need = Math.max(need, Math.min(3 * need, 1.15 * Math.max(...p.truth.position_m.map((v, i) => Math.abs(v - centre[i])))));
    }
    need *= 1.12;
    if (!this.half || need > this.half || need < this.half / 3) this.half = nice(need);
    return this.half;
  }

  draw(pen) {
    const scene = this.scene();
    if (!scene) { pen.text(0, 14, 'about the pose: no pose', { fill: colour.ink2 }); return; }
    const half = this.width(scene);
    const flagged = scene.pose.use_error && scene.pose.error_m;
    const wide = `±${quantity(half, 'm', half < 1e-3 || nice(half) === half ? 1 : 2)}`;
    const told = flagged ? '; dashed: estimated error' : this.compare ? '; outlines hold 95 % by noise' : '';
    pen.text(0, 13, fitting(pen, pen.w, `about ${scene.about}, ${wide}${told}`, `about ${scene.about}, ${wide}`, wide), { fill: colour.ink });
    const views = this.compare ? VIEWS.slice(0, 2) : VIEWS;
    const gap = pen.w < 340 ? 8 : 12;
    // As many columns as make the views largest.
    let columns = 1, side = 0;
    for (let c = 1; c <= views.length; c++) {
      const s = Math.min((pen.w - gap * (c - 1)) / c, (pen.h - 20 + gap) / Math.ceil(views.length / c) - gap);
      if (s > side) { side = s; columns = c; }
    }
    if (side < 20) return;
    views.forEach((view, i) => this.view(pen, scene, view, (i % columns) * (side + gap), 20 + Math.floor(i / columns) * (side + gap), side, half));
  }

  view(pen, { pose, before, centre }, { u, v }, x, y, side, half) {
    const scale = side / 2 / half, cx = x + side / 2, cy = y + side / 2;
    const at = (p) => [cx + (p[u] - centre[u]) * scale, cy - (p[v] - centre[v]) * scale];
    pen.line(cx, y, cx, y + side, { stroke: colour.grid });
    pen.line(x, cy, x + side, cy, { stroke: colour.grid });
    pen.clipped(x, y, side, side, () => {
      const p = at(pose.position_m), c = cov3(pose.covariance);
      const outline = (cov, place, factor) => ellipse(place, [[cov[u][u], cov[u][v]], [cov[u][v], cov[v][v]]], factor * scale);
      pen.path(outline(c, p, P95), { fill: colour.band, stroke: colour.estimate, width: 1.5, close: true });
      if (!this.compare) pen.path(outline(c, p, 1), { stroke: colour.estimate, width: 1, close: true });
      if (before) { // over the region, which is often the larger
        const q = at(before.position_m);
        pen.path(outline(cov3(before.covariance), q, P95), { stroke: colour.ink2, width: 1.5, dash: [3, 2], close: true });
        pen.line(...q, ...p, { stroke: colour.ink2 });
        pen.circle(...q, 3, { stroke: colour.ink2, width: 1.5, fill: colour.paper });
      }
      pen.circle(...p, 3, { fill: colour.estimate });
      if (pose.use_error && pose.error_m) pen.circle(...p, pose.error_m * scale, { stroke: colour.alarm, width: 2, dash: [4, 3] });
      if (pose.truth) {
        const t = at(pose.truth.position_m);
        const inside = t[0] > x && t[0] < x + side && t[1] > y && t[1] < y + side;
        if (inside) pen.marks('cross', t, 5, { stroke: colour.ink, width: 2.2 });
      }
    });
    pen.text(x + 5, y + 14, `${AXES[v]} ↑`, { fill: colour.ink2 });
    pen.text(x + side - 6, y + side - 6, `${AXES[u]} →`, { fill: colour.ink2, align: 'end' });
    pen.rect(x + 0.5, y + 0.5, side - 1, side - 1, { stroke: colour.frame });
  }

  table() {
    const p = this.store.shown;
    const columns = [{ name: 'axis' }, { name: 'position', unit: 'm' }, { name: 'σ', unit: 'm' }, { name: '95 % radius', unit: 'm' }, { name: 'truth', unit: 'm' }];
    if (!p?.solved) return { columns, rows: [] };
    const rows = [0, 1, 2].map((i) => [AXES[i], p.position_m[i], p.sigma_position_m[i], P95 * p.sigma_position_m[i], p.truth?.position_m[i] ?? null]);
    const turn = [0, 1, 2].map((i) => [`turn about ${AXES[i]} (rad)`, p.rotation_vector_rad?.[i], p.sigma_rotation_rad?.[i], null, null]);
    const quaternion = ['qw', 'qx', 'qy', 'qz'].map((name, i) => [name, p.quaternion[i], null, null, p.truth?.quaternion?.[i] ?? null]);
    return { columns, rows: [...rows, ...turn, ...quaternion] };
  }
}

/** ellipse is the outline d' C⁻¹ d = 1, times factor, of a 2 × 2 covariance. */
function ellipse([cx, cy], [[a, b], [, d]], factor) {
  const mean = (a + d) / 2, spread = Math.hypot((a - d) / 2, b);
  const large = Math.sqrt(Math.max(0, mean + spread)), small = Math.sqrt(Math.max(0, mean - spread));
  const angle = 0.5 * Math.atan2(2 * b, a - d);
  const points = [];
  for (let i = 0; i < 60; i++) {
    const t = (2 * Math.PI * i) / 60;
    const p = large * Math.cos(t), q = small * Math.sin(t);
    points.push(cx + factor * (p * Math.cos(angle) - q * Math.sin(angle)), cy - factor * (p * Math.sin(angle) + q * Math.cos(angle)));
  }
  return points;
}
