// The spectrum: densities of all channels on one pair of log axes, tones named on top, the mains as a bar, lines
// that nothing explains as open triangles with their frequency.

import { colour } from './colour.js';
import { logarithmic, ticks, axisX, axisY, frame, extentPositive } from './axes.js';
import { quantity, THIN, integer } from './number.js';
import { identity } from './recording.js';

export function drawSpectrum(pen, data, store, channels) {
  if (!data || !store.session || data.hz.length < 2) return;
  const { hz, header } = data;
  const wide = pen.w > 700;
  const left = wide ? 80 : 46, right = pen.w - (wide ? 70 : 52), top = 28, bottom = pen.h - 20;
  if (bottom - top < 12) return;
  const lowest = hz.find((v) => v > 0);
  const x = logarithmic(Math.max(lowest, 10), hz[hz.length - 1], left, right);
  const [lo, hi] = extentPositive(...channels.map((c) => data[`C${c}`]));
  if (!(hi > lo)) return;
  const y = logarithmic(10 ** (Math.floor(Math.log10(lo) * 2) / 2), 10 ** Math.ceil(Math.log10(hi)), bottom, top);
  axisY(pen, y, left, right, ticks(y, Math.max(2, Math.floor((bottom - top) / 16)), ''));
  axisX(pen, x, top, bottom, ticks(x, 6, ''));
  pen.clipped(left, top, right - left, bottom - top, () => {
    // Drives first, so that what they hide is not a pickup.
    for (const channel of [...channels].sort((a, b) => (store.session.channels[a].role === 'drive' ? 0 : 1) - (store.session.channels[b].role === 'drive' ? 0 : 1))) {
      const density = data[`C${channel}`];
      if (!density) continue;
      const points = new Float64Array(2 * hz.length);
      for (let i = 0; i < hz.length; i++) { points[2 * i] = x(hz[i]); points[2 * i + 1] = density[i] > 0 ? y(density[i]) : NaN; }
      pen.path(points, { stroke: identity(store.session, channel).colour, width: 1.1 });
    }
  });
  frame(pen, left, top, right, bottom);
  pen.text(right + 6, top + 12, 'V/√Hz', { fill: colour.ink2 });
  pen.text(right + 6, bottom + 4, 'Hz', { fill: colour.ink2 });
  if (header.spread) pen.text(left + 6, bottom - 6, `mean of ${header.averages} segments spread over the stretch`, { fill: colour.ink2, halo: colour.paper });
  labels(pen, header.lines ?? [], x, top, left, right, wide);
}

function labels(pen, lines, x, top, left, right, wide) {
  const mains = lines.filter((l) => l.kind === 'mains' && x(l.hz) >= left && x(l.hz) <= right);
  const tones = unique(lines.filter((l) => l.kind === 'tone' && x(l.hz) >= left && x(l.hz) <= right));
  let taken = [];
  if (mains.length) {
    const a = x(mains[0].hz), b = Math.max(a + 2, x(mains[mains.length - 1].hz));
    pen.line(a, top - 5, b, top - 5, { stroke: colour.ink, width: 1.5 });
    const words = mains.length > 1 ? `mains, ${mains.length} lines` : 'mains';
    const at = Math.max(left + pen.measure(words) / 2, (a + b) / 2);
    pen.text(at, top - 10, words, { fill: colour.ink2, align: 'middle' });
    taken.push([at - pen.measure(words) / 2, at + pen.measure(words) / 2]);
  }
  for (const tone of tones) pen.line(x(tone.hz), top - 6, x(tone.hz), top, { stroke: colour.ink });
  if (tones.length) {
    const a = x(tones[0].hz), b = x(tones[tones.length - 1].hz);
    const spread = tones.every((t, i) => i === 0 || x(t.hz) - x(tones[i - 1].hz) > pen.measure(t.name) + 6);
    if (spread) for (const t of tones) pen.text(x(t.hz), top - 10, t.name, { fill: colour.ink, align: 'middle' });
    else {
      const words = tones.length > 1 ? `${tones[0].name} … ${tones[tones.length - 1].name}` : tones[0].name;
      const half = pen.measure(words) / 2;
      let at = (a + b) / 2;
      if (taken.length && at - half < taken[0][1] + 6) at = taken[0][1] + 6 + half;
      pen.text(at, top - 10, words, { fill: colour.ink, align: 'middle' });
      taken.push([at - half, at + half]);
    }
    taken.push([a, b]);
  }
  // Unexplained lines, strongest first; the frequency is written while there is room for it.
  const strange = lines.filter((l) => l.kind === 'unexplained' && x(l.hz) >= left && x(l.hz) <= right).sort((p, q) => (q.peak_v ?? 0) - (p.peak_v ?? 0)).slice(0, wide ? 24 : 8);
  for (const line of strange) {
    const at = x(line.hz);
    pen.path([at - 4, top + 2, at + 4, top + 2, at, top + 9], { stroke: colour.ink, width: 1.2, close: true });
    const words = line.hz < 1e4 ? `${integer(line.hz)}${THIN}Hz` : quantity(line.hz, 'Hz', 4);
    const width = pen.measure(words);
    const place = Math.max(left + 2, Math.min(right - width - 2, at - width / 2));
    if (taken.some(([a, b, low]) => low && place < b + 4 && place + width > a - 4)) continue;
    pen.text(place, top + 21, words, { fill: colour.ink, halo: colour.paper });
    taken.push([place, place + width, true]);
  }
}

function unique(tones) {
  const seen = new Map();
  for (const tone of tones) if (!seen.has(tone.name)) seen.set(tone.name, tone);
  return [...seen.values()].sort((a, b) => a.hz - b.hz);
}
