// What the page asks its server: JSON, arrays of numbers, and the events of a stream.

/** Refused is an answer with an error: what is wrong, what to do, and whether to wait. */
export class Refused extends Error {
  constructor(status, answer) {
    super(answer.error || `the server answered ${status}`);
    this.status = status;
    this.mend = answer.mend || '';
    this.wait = Boolean(answer.wait);
  }
}

/** address joins a path and parameters; lists become 0,3, what is undefined is left out. */
export function address(path, parameters = {}) {
  const query = new URLSearchParams();
  for (const [key, value] of Object.entries(parameters)) {
    if (value === undefined || value === null) continue;
    query.set(key, Array.isArray(value) ? value.join(',') : value);
  }
  const text = query.toString();
  return text ? `${path}?${text}` : path;
}

async function answer(response) {
  if (response.ok && response.status !== 202) return response; // 202: not known yet
  let body = {};
  try { body = await response.json(); } catch { /* an answer without words */ }
  throw new Refused(response.status, body);
}

/** json asks for an object. */
export async function json(path, parameters, signal) {
  return (await answer(await fetch(address(path, parameters), { signal }))).json();
}

/** post sends an object and gets one. */
export async function post(path, body, signal) {
  const response = await fetch(path, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body), signal });
  return (await answer(response)).json();
}

const types = { f64: Float64Array, f32: Float32Array, u32: Uint32Array, i16: Int16Array, u8: Uint8Array };

/** arrays asks for columns of numbers: {header, NAME: TypedArray …}; NaN is no value. */
export async function arrays(path, parameters, signal) {
  const response = await answer(await fetch(address(path, parameters), { signal }));
  return unpack(await response.arrayBuffer());
}

/** unpack reads length, JSON header and the arrays after it, each aligned to eight bytes. */
function unpack(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const columns = { header };
  let offset = 4 + length;
  for (const part of header.arrays) {
    const Type = types[part.type];
    columns[part.name] = new Type(buffer, offset, part.length);
    offset += Math.ceil((part.length * Type.BYTES_PER_ELEMENT) / 8) * 8;
  }
  return columns;
}

/**
 * newest keeps one request of a kind under way: one that is asked meanwhile waits, one that waits is replaced, so a
 * quick hand never queues. done gets the answer of the last one asked, or fail its error.
 */
export function newest(ask, done, fail = () => {}) {
  let busy = false, waiting = null;
  const run = async (args) => {
    busy = true;
    try { done(await ask(...args), ...args); } catch (error) { fail(error, ...args); }
    busy = false;
    if (waiting) { const next = waiting; waiting = null; run(next); }
  };
  return (...args) => { if (busy) waiting = args; else run(args); };
}

/** events listens to the server; listeners by name, and link(up) when the connection goes or returns. */
export function events(listeners, link) {
  const source = new EventSource('/api/events');
  for (const [name, listen] of Object.entries(listeners)) {
    source.addEventListener(name, (event) => listen(JSON.parse(event.data)));
  }
  source.onopen = () => link(true);
  source.onerror = () => {
    link(false);
    // A refused reader is closed for good; ask again as EventSource does for a broken line.
    if (source.readyState === EventSource.CLOSED) setTimeout(() => events(listeners, link), 2000);
  };
  return source;
}
