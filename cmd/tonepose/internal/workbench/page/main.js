// The page: title, facts, strip of time, reading, rooms. Each part reads the store and listens to it.

import { element, say, set } from './dom.js';
import { View } from './view.js';
import { Store } from './store.js';
import { Strip } from './strip.js';
import { Reading } from './reading.js';
import { Facts } from './facts.js';
import { Sheet } from './sheet.js';
import { Keys } from './keys.js';
import { Help } from './help.js';
import { Recording } from './recording.js';
import { Tones } from './tones.js';
import { Couplings } from './couplings.js';
import { Space } from './space.js';
import { Quality } from './quality.js';
import { Bench } from './bench.js';
import { Experiments } from './experiments.js';
import { renew } from './colour.js';
import { redrawAll } from './figure.js';
import { age, fixed, THIN, integer } from './number.js';

const $ = (id) => document.getElementById(id);
const ROOMS = ['all', 'recording', 'tones', 'couplings', 'space', 'quality'];

renew();
const view = new View();
const store = new Store(view);
const sheet = new Sheet($('sheet'));
const strip = new Strip(store, $('strip'));
store.strip = strip;
new Reading(store, $('reading'), $('spoken'));
const facts = new Facts(store, $('facts'), sheet);
const help = new Help(store, sheet);
help.keys = new Keys(store, strip, sheet, help);

const experiments = new Experiments(store);
const parts = { recording: new Recording(store), tones: new Tones(store), couplings: new Couplings(store), space: new Space(store), quality: new Quality(store), bench: new Bench(store, experiments), experiment: experiments };

// Title: rooms as tabs, and what belongs to no room.
const tabs = ROOMS.map((room) => element('button', {
  type: 'button', role: 'tab', id: `tab-${room}`, 'aria-controls': 'rooms',
  onclick: () => view.change({ room }),
  onkeydown: (event) => {
    const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!by) return;
    event.preventDefault();
    event.stopPropagation();
    const next = ROOMS[(ROOMS.indexOf(room) + by + ROOMS.length) % ROOMS.length];
    view.change({ room: next });
    $(`tab-${next}`).focus();
  },
}, element('span', {}, room[0]), room.slice(1)));
$('tabs').append(...tabs);
const hold = element('button', { type: 'button', 'aria-pressed': 'false', hidden: true, onclick: () => store.setHold(!store.hold) }, 'hold');
const report = element('a', { href: '/report', hidden: true, title: 'all tables and the recording are read for it, which takes minutes for a million rows' }, 'report');
$('tools').append(element('button', { type: 'button', onclick: () => sheet.take(store.session, store.stretch) }, 'take away'), report, element('button', { type: 'button', class: 'only-narrow', onclick: () => facts.open() }, 'facts'), hold, element('button', { type: 'button', onclick: () => help.open() }, 'help'));

// For fingers: what keys do otherwise.
const touch = (words, label, act) => element('button', { type: 'button', class: 'plain', 'aria-label': label, onclick: act }, words);
$('touch').append(touch('◂ row', 'one row back', () => store.step(-1)), touch('row ▸', 'one row on', () => store.step(1)),
  touch('set stretch', 'set stretch about the cursor', () => { const [a, b] = store.range, d = (b - a) / 8; view.change(store.selected ? { from: null, to: null } : { from: Math.max(store.whole[0], store.cursor - d), to: Math.min(store.whole[1], store.cursor + d) }); }),
  touch('take away', 'take away', () => sheet.take(store.session, store.stretch)));

const narrow = matchMedia('(max-width: 43.7rem)');

/** arrange puts the rooms that are shown into the page, in the order of reading. */
function arrange() {
  const bench = store.session?.mode === 'bench';
  let room = ROOMS.includes(view.room) ? view.room : 'all';
  if (room === 'all') room = null;
  const list = room && !narrow.matches ? [room] : bench ? ['bench', 'space', 'experiment', 'couplings', 'tones', 'quality', ...(narrow.matches ? ['recording'] : [])] : ['recording', 'tones', 'couplings', 'space', 'quality'];
  const box = $('rooms');
  const several = store.session?.sensors.length > 1;
  const key = JSON.stringify([list, room, narrow.matches, several]);
  for (const name of ROOMS) { set($(`tab-${name}`), 'aria-selected', (room ?? 'all') === name); $(`tab-${name}`).tabIndex = (room ?? 'all') === name ? 0 : -1; }
  set(box, 'aria-labelledby', `tab-${room ?? 'all'}`);
  if (key === box.dataset.key) return;
  box.dataset.key = key;
  box.className = `${room && !narrow.matches ? 'one' : 'all'}${bench ? ' bench' : ''}${several ? ' several' : ''}`;
  const nodes = list.map((name) => parts[name].room.node);
  box.replaceChildren(...nodes);
  for (const [name, part] of Object.entries(parts)) {
    const open = room === name;
    part.room.node.classList.toggle('opened', open);
    part.room.node.style.gridArea = room && !narrow.matches ? 'auto' : name;
    if (part.room.button.type === 'button') set(part.room.button, 'aria-expanded', open);
  }
  if (narrow.matches && room) $(`room-${room}`)?.scrollIntoView({ block: 'nearest' });
}

function title() {
  const { session } = store;
  if (!session) return;
  const name = session.name || (session.mode === 'bench' ? 'virtual bench' : session.mode);
  say($('run'), name);
  $('run').title = name;
  document.title = `${name} – tonepose`;
  let about;
  const { failed } = session;
  const span = session.end_s - session.start_s;
  if (session.mode === 'bench') about = `${session.rig?.name ?? 'bench'}, simulated at ${fixed(session.rig?.sample_rate_hz / 1e3)}${THIN}kHz; truth is known`;
  else if (session.mode === 'live') about = `${store.source?.text || 'live'}; running for ${age(span)}`;
  else if (failed) about = `cannot be read: ${failed}`;
  else if (!session.ready) about = `being read, ${Math.round(100 * (session.progress ?? 0))}${THIN}%`;
  else about = `solved recording, ${fixed(span, span < 10 ? (span % 1 < 0.05 || span % 1 > 0.95 ? 0 : 1) : 0)}${THIN}s, ${integer(session.rows)} rows`;
  if (store.link === 'lost') about = 'the page lost its server; it goes on by itself';
  else if (store.streaming && store.source && !['running', undefined].includes(store.source.state)) about = `${{ paused: 'held', waiting: 'waiting for the source', capturing: `waiting for the clock${store.source.takes_s ? `, ${fixed(store.source.takes_s, 2)}${THIN}s` : ''}`, lost: 'source lost, trying again', ended: 'the source has ended' }[store.source.state] ?? store.source.state}${store.source.text ? `: ${store.source.text}` : ''}`;
  if (store.hold) about = `held; ${about}`;
  say($('about'), about);
  $('about').title = about;
  $('about').classList.toggle('alarmed', Boolean(failed));
  hold.hidden = session.mode !== 'live';
  say(hold, store.hold ? 'go on' : 'hold');
  set(hold, 'aria-pressed', store.hold);
  report.hidden = !session.report;
  document.documentElement.dataset.state = store.link === 'lost' ? 'lost' : session.ready || store.state ? 'ready' : 'loading';
}

store.on('session view', () => { arrange(); title(); });
store.on('link source hold tick', title);
store.on('state', () => { if (document.documentElement.dataset.state === 'loading') title(); });
narrow.addEventListener('change', arrange);
for (const query of ['(prefers-color-scheme: dark)', '(prefers-contrast: more)']) matchMedia(query).addEventListener('change', () => { renew(); redrawAll(); });
window.addEventListener('resize', () => redrawAll());
arrange();
store.start();
