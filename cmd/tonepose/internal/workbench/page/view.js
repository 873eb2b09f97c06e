// The view: what the person chose. It lives in the address after "#", so that a link opens the same view again.

const names = ['room', 't', 'from', 'to', 'zoom', 'sensor', 'channel', 'emitter', 'trial', 'out', 'colour', 'slice', 'scale', 'turn', 'follow'];
const numeric = new Set(['t', 'from', 'to', 'sensor', 'channel', 'emitter']);

/** View holds the choices; change() tells those who listen and writes the address. */
export class View {
  constructor() {
    this.listeners = [];
    this.read();
    window.addEventListener('hashchange', () => {
      if (location.hash.slice(1) === this.written) return;
      this.read();
      this.tell(new Set(names));
    });
  }

  read() {
    const query = new URLSearchParams(location.hash.slice(1));
    for (const name of names) {
      const text = query.get(name);
      if (text === null || text === '') this[name] = null;
      else if (numeric.has(name)) this[name] = Number.isFinite(Number(text)) ? Number(text) : null;
      else this[name] = text;
    }
    this.room ??= 'all';
    this.sensor ??= 0;
  }

  /** change takes {name: value}; null forgets a choice. */
  change(values) {
    const changed = new Set();
    for (const [name, value] of Object.entries(values)) {
      if (this[name] === value) continue;
      this[name] = value;
      changed.add(name);
    }
    if (changed.size === 0) return;
    this.write();
    this.tell(changed);
  }

  /** write keeps the address current; not more often than browsers like to be told. */
  write() {
    if (this.timer) return;
    this.timer = setTimeout(() => {
      this.timer = 0;
      const query = new URLSearchParams();
      for (const name of names) {
        if (this[name] === null || (name === 'room' && this.room === 'all') || (name === 'sensor' && this.sensor === 0)) continue;
        query.set(name, typeof this[name] === 'number' ? String(Number(this[name].toFixed(6))) : this[name]);
      }
      this.written = query.toString().replaceAll('%2C', ',');
      history.replaceState(null, '', this.written ? '#' + this.written : location.pathname + location.search);
    }, 120);
  }

  on(listen) { this.listeners.push(listen); }

  tell(changed) { for (const listen of this.listeners) listen(changed); }

  /** left is what is taken out: {emitters: [index], coils: [channel index]}. */
  get left() {
    const out = { emitters: [], coils: [] };
    for (const word of (this.out || '').split(',')) {
      const index = Number(word.slice(1));
      if (word[0] === 'e' && Number.isInteger(index)) out.emitters.push(index);
      if (word[0] === 'c' && Number.isInteger(index)) out.coils.push(index);
    }
    return out;
  }

  set left({ emitters, coils }) {
    const words = [...emitters.map((e) => 'e' + e), ...coils.map((c) => 'c' + c)];
    this.change({ out: words.length ? words.join(',') : null });
  }
}
