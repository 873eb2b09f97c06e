// Colours of the page: the tokens of the style sheet, and the maps for signed values and sigmas.

const tokens = ['paper', 'wash', 'ink', 'ink2', 'ink3', 'frame', 'rule', 'grid', 'coil1', 'coil2', 'coil3', 'estimate', 'band', 'alarm', 'block', 'link', 'sel', 'less', 'middle', 'more', 'lessInk'];

/** colour holds the tokens by name for the scheme in use; renew() after a change of scheme. */
export const colour = { dark: false };

export function renew() {
  const style = getComputedStyle(document.documentElement);
  for (const name of tokens) colour[name] = style.getPropertyValue('--' + name).trim();
  colour.dark = matchMedia('(prefers-color-scheme: dark)').matches;
}

export const shapes = ['circle', 'square', 'triangle'];

/** coil gives shape and colour of the k-th coil of a sensor; a drive is a diamond in ink2. */
export function coil(k) {
  if (k === null || k === undefined || k < 0) return { shape: 'diamond', colour: colour.ink2 };
  return { shape: shapes[k % 3], colour: colour['coil' + ((k % 3) + 1)] };
}

function rgb(hex) {
  return [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));
}

function mix(a, b, share) {
  const from = rgb(a), to = rgb(b);
  return 'rgb(' + from.map((v, i) => Math.round(v + (to[i] - v) * share)).join(',') + ')';
}

/** signed maps −1 … 1 from blue over pale to ochre. */
export function signed(share) {
  const s = Math.max(-1, Math.min(1, share || 0));
  return s < 0 ? mix(colour.middle, colour.less, -s) : mix(colour.middle, colour.more, s);
}

// The same ten stations as in the figures of the command line, from dark to light.
const viridis = ['#440154', '#482878', '#3e4a89', '#31688e', '#26828e', '#1f9e89', '#35b779', '#6dcd59', '#b4de2c', '#fde725'];

/** sigmaMap maps 0 (small, yellow) … 1 (large) and keeps clear of the ends that the ground would swallow. */
export function sigmaMap(share) {
  const s = 1 - Math.max(0, Math.min(1, share || 0));
  const place = (colour.dark ? 0.3 + 0.7 * s : 0.92 * s) * (viridis.length - 1);
  const i = Math.min(viridis.length - 2, Math.floor(place));
  return mix(viridis[i], viridis[i + 1], place - i);
}
