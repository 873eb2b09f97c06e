// What stands in space, drawn: volume with its heights, emitters with their axes, path, slice, ellipsoids, pose.

import { colour, sigmaMap } from './colour.js';
import { step, logarithmic, nice } from './axes.js';
import { fixed, quantity, THIN } from './number.js';
import { ring, ellipses, corners } from './camera.js';

const EDGES = [[0, 1], [0, 2], [1, 3], [2, 3], [4, 5], [4, 6], [5, 7], [6, 7], [0, 4], [1, 5], [2, 6], [3, 7]];

/** drawVolume draws the box and the heights at its leftmost edge. */
export function drawVolume(pen, camera, volume) {
  const box = [volume.min_m, volume.max_m];
  const at = corners(box).map((p) => camera.at(p));
  for (const [i, j] of EDGES) pen.line(...at[i], ...at[j], { stroke: colour.rule });
  const bottom = [0, 1, 2, 3].reduce((a, b) => (at[b][0] < at[a][0] ? b : a));
  const [x, y] = corners(box)[bottom];
  const by = step(volume.max_m[2] - volume.min_m[2], 4);
  const heights = [];
  for (let h = Math.ceil(volume.min_m[2] / by) * by; h <= volume.max_m[2] + 1e-9; h += by) heights.push(h);
  if (heights.length === 0 || heights[0] - volume.min_m[2] > by * 0.2) heights.unshift(volume.min_m[2]);
  let last = Infinity;
  heights.forEach((h, i) => {
    const [px, py] = camera.at([x, y, h]);
    if (last - py < 13 && i > 0) return;
    last = py;
    pen.line(px - 5, py, px, py, { stroke: colour.frame });
    pen.text(px - 8, py + 4, fixed(h * 1e3) + (i === heights.length - 1 ? THIN + 'mm' : ''), { fill: colour.ink2, align: 'end' });
  });
}

/** drawTriad shows where the axes point; they lie in the corner at left and below. */
export function drawTriad(pen, camera, x, y) {
  const length = 32;
  x = Math.max(x, 18 - 43 * Math.min(0, camera.right[0], camera.right[1]));
  [['x', camera.right[0], camera.up[0]], ['y', camera.right[1], camera.up[1]], ['z', 0, camera.up[2]]].forEach(([name, u, v]) => {
    const px = x + u * length, py = y - v * length;
    if (Math.hypot(u, v) < 0.08) return;
    pen.line(x, y, px, py, { stroke: colour.ink2, width: 1.2 });
    const l = Math.hypot(u, v);
    pen.text(px + (9 * u) / l, py - (9 * v) / l + 4, name, { fill: colour.ink, align: 'middle' });
  });
}

/** drawEmitters draws each coil as a circle about its axis with an arrow; those left out are dashed and pale. */
export function drawEmitters(pen, camera, emitters, out, radius) {
  for (const [i, e] of emitters.entries()) {
    const gone = out.includes(i);
    const ink = gone ? colour.frame : colour.ink2;
    const outline = e.outline_m?.length > 2 ? e.outline_m : ring(e.position_m, e.axis, radius * 0.5);
    pen.path(outline.flatMap((p) => camera.at(p)), { stroke: ink, width: 1.4, dash: gone ? [3, 3] : undefined });
    const tip = e.position_m.map((v, k) => v + e.axis[k] * radius * 1.35);
    const [x0, y0] = camera.at(e.position_m), [x1, y1] = camera.at(tip);
    pen.line(x0, y0, x1, y1, { stroke: ink, width: 1.4, dash: gone ? [3, 3] : undefined });
    const l = Math.hypot(x1 - x0, y1 - y0);
    if (l > 8) {
      const [u, v] = [(x1 - x0) / l, (y1 - y0) / l];
      pen.path([x1, y1, x1 - 7 * u - 3 * v, y1 - 7 * v + 3 * u, x1 - 7 * u + 3 * v, y1 - 7 * v - 3 * u], { fill: ink, close: true });
    }
    const side = x1 >= x0 - 4 ? 1 : -1;
    pen.text(x1 + 7 * side, y1 - 5, e.name, { fill: gone ? colour.ink2 : colour.ink, bold: !gone, align: side > 0 ? 'start' : 'end', halo: colour.paper });
  }
}

/** Path keeps what /api/path gave and draws it: truth as a pale band, a casing of ink, colour by sigma, flag or chi-square. */
export function drawPath(pen, camera, path, { by, range, session, cased, thin }) {
  const n = path.time_s.length;
  const place = (x, y, z) => {
    const points = new Float64Array(2 * n);
    for (let i = 0; i < n; i++) { const p = camera.at([x[i], y[i], z[i]]); points[2 * i] = p[0]; points[2 * i + 1] = p[1]; }
    return points;
  };
  if (path.true_x_m) pen.path(place(path.true_x_m, path.true_y_m, path.true_z_m), { stroke: colour.band, width: 8, cap: 'round' });
  const points = place(path.x_m, path.y_m, path.z_m);
  const width = thin ? 1.6 : 2.4;
  if (cased) {
    pen.path(points, { stroke: colour.ink, width: 3.8, cap: 'round' });
    pen.path(points, { stroke: colour.paper, width: 2 });
    return;
  }
  pen.path(points, { stroke: colour.ink, width: width + 1.2, cap: 'round' });
  const scale = logarithmic(range[0], range[1], 0, 1);
  // Runs of the same colour are one stroke each: 24 steps are more than an eye tells apart.
  const doubt = session.handbook.find((f) => f.name === 'in doubt')?.bit;
  const shade = (i) => {
    if (path.flags[i]) return path.flags[i] === doubt ? 'doubt' : 'flag';
    if (by === 'flag') return 'plain';
    const v = by === 'error' ? path.error_m?.[i] : path.sigma_m[i];
    return v > 0 ? Math.round(24 * Math.max(0, Math.min(1, scale(v)))) : 'plain';
  };
  let from = 0, now = n ? shade(0) : null;
  for (let i = 1; i <= n; i++) {
    const next = i < n ? shade(i) : null;
    if (next === now && i < n) continue;
    const run = points.subarray(2 * from, 2 * Math.min(n, i + 1));
    if (now === 'flag' || now === 'doubt') pen.path(run, { stroke: colour.alarm, width: now === 'flag' ? 6 : 3.6, cap: 'butt' });
    else pen.path(run, { stroke: now === 'plain' ? colour.estimate : sigmaMap(now / 24), width });
    from = i;
    now = next;
  }
}

/** drawSlice paints predicted sigma on one plane, contours labelled. */
export function drawSlice(pen, camera, slice, range) {
  const { axis, at_m: at, u, v, sigma_m: sigma } = slice;
  const index = { x: 0, y: 1, z: 2 };
  const scale = logarithmic(range[0], range[1], 0, 1);
  const point = (a, b) => { const p = [0, 0, 0]; p[index[axis]] = at; p[index[u.name]] = a; p[index[v.name]] = b; return camera.at(p); };
  const half = (list, i, side) => (side < 0 ? (i === 0 ? list[0] : (list[i - 1] + list[i]) / 2) : (i === list.length - 1 ? list[i] : (list[i] + list[i + 1]) / 2));
  for (let j = 0; j < v.values_m.length; j++) {
    for (let i = 0; i < u.values_m.length; i++) {
      const s = sigma[j]?.[i];
      if (!(s > 0)) continue;
      const [a0, a1, b0, b1] = [half(u.values_m, i, -1), half(u.values_m, i, 1), half(v.values_m, j, -1), half(v.values_m, j, 1)];
      const fill = sigmaMap(scale(s));
      pen.path([...point(a0, b0), ...point(a1, b0), ...point(a1, b1), ...point(a0, b1)], { fill, stroke: fill, width: 1, close: true });
    }
  }
  const taken = [];
  for (const level of levels(range)) contour(pen, slice, level, point, scale(level) < 0.5, taken);
}

function levels([lo, hi]) {
  const list = [];
  for (let p = Math.floor(Math.log10(lo)); p <= Math.ceil(Math.log10(hi)); p++) for (const m of [1, 3]) { const v = m * 10 ** p; if (v >= lo && v <= hi) list.push(v); }
  return list.slice(0, 8);
}

// Marching squares over the cells' centres; crossings are interpolated in the logarithm.
function contour(pen, { u, v, sigma_m: sigma }, level, point, light, taken) {
  const l = Math.log(level);
  const at = (j, i) => { const s = sigma[j]?.[i]; return s > 0 ? Math.log(s) - l : NaN; };
  const points = [];
  let label = null;
  for (let j = 0; j + 1 < v.values_m.length; j++) {
    for (let i = 0; i + 1 < u.values_m.length; i++) {
      const c = [[j, i], [j, i + 1], [j + 1, i + 1], [j + 1, i]];
      const cuts = [];
      for (let k = 0; k < 4; k++) {
        const [p, q] = [c[k], c[(k + 1) % 4]];
        const a = at(...p), b = at(...q);
        if ((a < 0) === (b < 0) || a !== a || b !== b) continue;
        const s = a / (a - b);
        cuts.push(point(u.values_m[p[1]] + s * (u.values_m[q[1]] - u.values_m[p[1]]), v.values_m[p[0]] + s * (v.values_m[q[0]] - v.values_m[p[0]])));
      }
      for (let k = 0; k + 1 < cuts.length; k += 2) {
        points.push(...cuts[k], ...cuts[k + 1], NaN, NaN);
        if (!label || cuts[k][0] > label[0]) label = cuts[k];
      }
    }
  }
  if (!label) return;
  pen.path(points, { stroke: light ? '#16191c' : '#ffffff', width: 1.3 });
  if (taken.some(([x, y]) => Math.abs(y - label[1]) < 16 && Math.abs(x - label[0]) < 60)) return;
  taken.push(label);
  const words = quantity(level, 'm', 1), width = pen.measure(words) + 8;
  pen.rect(label[0] - width, label[1] - 8, width, 16, { fill: colour.paper });
  pen.text(label[0] - width / 2, label[1] + 4, words, { fill: colour.ink, align: 'middle' });
}

/** drawEllipsoid draws the 95 % ellipsoid, so many times its size. */
export function drawEllipsoid(pen, camera, pose, times, cased) {
  if (!pose.ellipsoid) return;
  const radii = pose.ellipsoid.radii_m.map((r) => r * times);
  for (const section of ellipses(pose.position_m, radii, pose.ellipsoid.axes)) {
    const points = section.flatMap((p) => camera.at(p));
    if (cased) pen.path(points, { stroke: colour.paper, width: 3.4 });
    pen.path(points, { stroke: colour.ink, width: 1.2 });
  }
}

/** magnification is a round factor that makes the ellipsoid a good part of the volume. */
export function magnification(radius, extent) {
  if (!(radius > 0)) return 1;
  const wanted = (0.1 * extent) / radius;
  if (wanted <= 1.5) return 1;
  const m = nice(wanted / 2);
  return [1, 2, 5].map((k) => k * 10 ** Math.floor(Math.log10(m))).filter((k) => k <= wanted).pop() ?? 1;
}
