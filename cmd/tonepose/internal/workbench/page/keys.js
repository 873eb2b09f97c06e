// Keys: everything the mouse can do. Letter keys can be switched off, for those whose tools speak letters.

import { figures } from './figure.js';

const ROOMS = { a: 'all', r: 'recording', t: 'tones', c: 'couplings', s: 'space', q: 'quality' };

/** KEYS is what help shows. */
export const KEYS = [
  ['a r t c s q', 'rooms'], ['← →', 'one row; with shift ten'], ['home, end', 'first row, last row'], ['n, shift n', 'next flag, flag before'], ['[ ]', 'stretch begins, ends here'],
  ['+ −', 'zoom in, out; about the cursor'], [', .', 'pan back, forward'], ['1 2 3 …', 'sensor'], ['space', 'hold, go on (a stream)'], ['d', 'numbers of the figure in focus'], ['x', 'take away'], ['?', 'help'], ['escape', 'closes the sheet, undoes a trial, forgets the stretch'],
  ['in space', 'arrows orbit, + − zoom'],
];

export class Keys {
  constructor(store, strip, sheet, help) {
    Object.assign(this, { store, strip, sheet, help });
    // Storage may be closed to the page; then the keys are on.
    try { this.letters = localStorage.getItem('letter keys') !== 'off'; } catch { this.letters = true; }
    document.addEventListener('keydown', (event) => { if (this.press(event)) event.preventDefault(); });
  }

  setLetters(on) {
    this.letters = on;
    try { localStorage.setItem('letter keys', on ? 'on' : 'off'); } catch { /* not kept */ }
  }

  focused() {
    const node = document.activeElement?.closest?.('.figure');
    if (node) return node.figure;
    const { room } = this.store.view;
    return figures.find((f) => f.shown && f.table && f.node.isConnected && (room === 'all' ? f.name === 'quality' : f.room === room)) ?? figures.find((f) => f.shown);
  }

  press(event) {
    const { store } = this;
    if (event.ctrlKey || event.metaKey || event.altKey || !store.session) return false;
    const target = event.target;
    const typing = target.matches?.('input[type=text], textarea, select');
    if (typing) return false;
    const control = target.matches?.('input, button, summary, a, [role=radio]');
    const key = event.key;
    if (key === 'Escape') return this.escape();
    if (this.sheet.isOpen && target.closest?.('#sheet') && key.startsWith('Arrow')) return false;
    if (key.startsWith('Arrow') && !target.matches?.('input')) {
      if (key === 'ArrowLeft' || key === 'ArrowRight') { store.step((key === 'ArrowLeft' ? -1 : 1) * (event.shiftKey ? 10 : 1)); return true; }
      return false;
    }
    if (key === 'Home' || key === 'End') {
      if (target.matches?.('input') || target.closest?.('#sheet')) return false;
      if (key === 'End' && store.streaming) store.now(); else store.move(store.whole[key === 'Home' ? 0 : 1]);
      return true;
    }
    if (key === ' ') { if (control || !store.streaming) return false; store.setHold(!(store.bench ? store.bench.paused : store.hold)); return true; }
    if (!this.letters) return false;
    if (!event.shiftKey && ROOMS[key]) { store.view.change({ room: ROOMS[key] }); return true; }
    if (/^[1-9]$/.test(key) && Number(key) <= store.session.sensors.length && store.session.sensors.length > 1) { store.view.change({ sensor: Number(key) - 1 }); return true; }
    switch (key) {
      case 'n': store.flag(1); return true;
      case 'N': store.flag(-1); return true;
      case '[': this.edge('from'); return true;
      case ']': this.edge('to'); return true;
      case '+': case '=': this.strip.zoom(1 / 1.5); return true;
      case '-': case '−': this.strip.zoom(1.5); return true;
      case ',': this.strip.pan(-0.2); return true;
      case '.': this.strip.pan(0.2); return true;
      case 'd': { const figure = this.focused(); if (figure) this.sheet.numbers(figure); return true; }
      case 'x': this.sheet.take(store.session, store.stretch); return true;
      case '?': this.help.open(); return true;
      default: return false;
    }
  }

  /** edge begins or ends the stretch at the cursor. */
  edge(which) {
    const { store } = this;
    const { from, to } = store.view;
    const at = store.cursor;
    if (which === 'from') store.view.change({ from: at, to: to !== null && to > at ? to : store.whole[1] });
    else store.view.change({ to: at, from: from !== null && from < at ? from : store.whole[0] });
    store.leave();
  }

  escape() {
    const { store } = this;
    if (this.sheet.isOpen) { this.sheet.close(); return true; }
    if (store.view.out || store.view.trial) { store.view.change({ out: null, trial: null }); return true; }
    if (store.selected) { store.view.change({ from: null, to: null }); return true; }
    if (store.view.zoom) { store.view.change({ zoom: null }); return true; }
    return false;
  }
}
