// Flags as lanes over time: which occur, how bad each is, and from when to when.

/** flagsOf are all flags there are, wrong first: a stream may raise any of them later. */
export function flagsOf(session) {
  return [...(session.handbook ?? session.flags)].sort((a, b) => (a.grade === 'wrong' ? 0 : 1) - (b.grade === 'wrong' ? 0 : 1));
}

/** namesOf are the names of the flags set in a mask. */
export function namesOf(mask, session) {
  return flagsOf(session).filter((f) => mask & f.bit).map((f) => f.name).join('; ');
}

/** lanes of the flags that occur in the series, wrong first; more than most are folded into one named "flags". */
export function lanes(series, session, most = 3) {
  if (!series || !session) return [];
  const { time_s: time, flags, header } = series;
  const all = header.flags_all ?? 0;
  const occurring = flagsOf(session).filter((f) => (all & f.bit) !== 0);
  const step = header.exact ? session.hop_s || session.window_s : header.bin_s;
  let list = occurring.map((f) => ({ name: f.name, grade: f.grade, mask: f.bit }));
  if (list.length > most) {
    const rest = list.slice(most - 1);
    list = [...list.slice(0, most - 1), { name: 'flags', grade: rest.some((f) => f.grade === 'wrong') ? 'wrong' : 'doubt', mask: rest.reduce((m, f) => m | f.mask, 0), folded: rest.map((f) => f.name) }];
  }
  for (const lane of list) lane.spans = spans(time, (i) => (flags[i] & lane.mask) !== 0, step);
  const skipped = series.skipped ?? series['skipped.max'];
  if (skipped) {
    const found = [];
    let last = NaN;
    for (let i = 0; i < time.length; i++) {
      // From the row before to this one: their windows tell better than the hop, which may have been turned since.
      if (skipped[i] > 0 && last === last) found.push([last, time[i]]);
      if (skipped[i] === skipped[i]) last = time[i];
    }
    if (found.length) list.push({ name: 'skipped', grade: 'missing', spans: found });
  }
  return list;
}

/** spans joins neighbouring rows for which is(i) into [from, to], half a step beyond the rows at both ends. */
function spans(time, is, step) {
  const list = [];
  for (let i = 0; i < time.length; i++) {
    if (time[i] !== time[i] || !is(i)) continue;
    const last = list[list.length - 1];
    if (last && time[i] - step <= last[1] + 0.6 * step) last[1] = time[i] + step / 2;
    else list.push([time[i] - step / 2, time[i] + step / 2]);
  }
  return list;
}

/** gaps are where the series breaks, NaN rows between others, for longer than the hop between rows [s] tells. */
export function gaps(series, hop) {
  const list = [];
  const { time_s: time } = series;
  const value = series.sigma_m ?? series['sigma_m.max'];
  for (let i = 1; i + 1 < time.length; i++) {
    if (value[i] !== value[i] && value[i - 1] === value[i - 1]) {
      let j = i;
      while (j < time.length && value[j] !== value[j]) j++;
      if (j < time.length && time[j] - time[i - 1] > 1.75 * hop) list.push([time[i - 1], time[j]]);
    }
  }
  return list;
}

/** grades of rows: the worst grade of the flags set in a mask. */
export function gradeOf(mask, session) {
  if (!mask) return 'sound';
  let grade = 'doubt';
  for (const f of session.handbook ?? session.flags) if (mask & f.bit && f.grade === 'wrong') grade = 'wrong';
  return grade;
}
