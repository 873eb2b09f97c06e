// Numbers as they are written everywhere: a value ends at the second digit of its sigma, true minus,
// thin space before the unit and in thousands, prefixes instead of exponents. "–" is not known.

export const THIN = '\u2009';
export const UNKNOWN = '–';
const FIGURE = '\u2007'; // as wide as a digit: keeps the decimal point in its column

const prefixes = { '-15': 'f', '-12': 'p', '-9': 'n', '-6': 'µ', '-3': 'm', 0: '', 3: 'k', 6: 'M', 9: 'G' };

const known = (value) => typeof value === 'number' && Number.isFinite(value);

/** fixed writes a value with decimals, a true minus, and thin spaces in thousands from 10 000. */
export function fixed(value, decimals = 0) {
  if (!known(value)) return UNKNOWN;
  let text = Math.abs(value).toFixed(Math.max(0, Math.min(12, decimals)));
  const minus = value < 0 && Number(text) !== 0;
  const [whole, part] = text.split('.');
  const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, THIN) : whole;
  return (minus ? '−' : '') + grouped + (part ? '.' + part : '');
}

/** integer writes a count; thousands are set apart from four digits on. */
export function integer(value) {
  if (!known(value)) return UNKNOWN;
  return (value < 0 ? '−' : '') + String(Math.abs(Math.round(value))).replace(/\B(?=(\d{3})+$)/g, THIN);
}

/** significant writes a value with so many significant digits, without exponent. */
export function significant(value, digits = 3) {
  if (!known(value)) return UNKNOWN;
  if (value === 0) return '0';
  return fixed(value, digits - 1 - exponent(value, digits));
}

/** exponent is the power of ten of the first digit, after rounding to so many digits. */
function exponent(value, digits) {
  return Number(value.toExponential(digits - 1).split('e')[1]);
}

/** quantity writes value in unit with an SI prefix and so many significant digits: 33 µm, 1.2 mm, 4.010 mV. */
export function quantity(value, unit, digits = 2) {
  if (!known(value)) return UNKNOWN;
  const { text, unit: prefixed } = parts(value, unit, digits);
  return text + (prefixed ? THIN + prefixed : '');
}

/** parts is quantity with number and unit apart. */
export function parts(value, unit, digits = 2) {
  if (!known(value)) return { text: UNKNOWN, unit: '' };
  if (value === 0) return { text: '0', unit };
  let power = 3 * Math.floor(exponent(value, digits) / 3);
  power = Math.max(-15, Math.min(9, power));
  if (unit === 'm' && power > -3) power = -3; // lengths of a bench: mm from 1 mm on
  if (unit === '°' || unit === 'rad' || unit === '%' || unit === '' || unit === 'σ') power = 0;
  const scaled = value / 10 ** power;
  const decimals = Math.max(0, digits - 1 - exponent(scaled, digits));
  return { text: fixed(scaled, decimals), unit: prefixes[power] + unit };
}

/**
 * certain splits a value [in the unit shown] by its sigma [same unit]: digits that are certain, and those that sigma
 * covers. Both together end at the second digit of sigma. columns is how many digits stand before the point at least.
 */
export function certain(value, sigma, columns = 1) {
  if (!known(value)) return { lead: '', dark: UNKNOWN, pale: '', text: UNKNOWN, decimals: 0 };
  const sign = value < 0 ? '−' : '+';
  if (!known(sigma) || sigma <= 0) {
    const text = Math.abs(value).toFixed(1);
    return { lead: lead(text, columns), dark: '', pale: sign + text, text: sign + text, decimals: 1 };
  }
  const first = exponent(sigma, 2);
  const decimals = Math.max(0, Math.min(9, 1 - first));
  const digits = Math.abs(value).toFixed(decimals);
  // Dark is what stands left of sigma's first digit.
  const point = digits.indexOf('.') < 0 ? digits.length : digits.indexOf('.');
  let cut = first >= 0 ? point - first - 1 : point + -first;
  cut = Math.max(0, Math.min(digits.length, cut));
  let dark = digits.slice(0, cut);
  if (/^[0.]*$/.test(dark)) { dark = ''; cut = 0; } // leading zeros tell nothing
  return {
    lead: lead(digits, columns),
    dark: dark === '' ? '' : sign + dark,
    pale: (dark === '' ? sign : '') + digits.slice(cut),
    text: sign + digits,
    decimals,
  };
}

function lead(digits, columns) {
  return FIGURE.repeat(Math.max(0, columns - digits.split('.')[0].length));
}

/** withSigma writes "−34.969 mm, σ 23 µm" [both in metres]. */
export function withSigma(value, sigma) {
  if (!known(value)) return UNKNOWN;
  if (!known(sigma)) return `${significant(value * 1e3, 4)}${THIN}mm, σ not known`;
  return `${certain(value * 1e3, sigma * 1e3).text.replace('+', '')}${THIN}mm, σ ${quantity(sigma, 'm')}`;
}

/** knownTo tells in words how far the digits are certain: "known to 0.1 mm" [metres]. */
export function knownTo(sigma) {
  if (!known(sigma) || sigma <= 0) return 'sigma not known';
  return `known to ${quantity(10 ** (exponent(sigma, 2) + 1), 'm', 1)}`;
}

/** degrees writes an angle [rad] with its sigma [rad]: the text ends at sigma's second digit. */
export function degrees(value, sigma) {
  if (!known(value)) return UNKNOWN;
  const deg = (180 / Math.PI) * value;
  const s = (180 / Math.PI) * sigma;
  return fixed(deg, known(s) && s > 0 ? Math.max(0, 1 - exponent(s, 2)) : 2) + '°';
}

/** sigmaDegrees writes a sigma [rad] in degrees. */
export function sigmaDegrees(sigma) {
  return known(sigma) ? significant((180 / Math.PI) * sigma, 2) + '°' : UNKNOWN;
}

/** seconds writes a time with as many decimals as step [s] asks for: 2.145 s. */
export function seconds(value, step = 0.001) {
  if (!known(value)) return UNKNOWN;
  return fixed(value, decimalsOf(step)) + THIN + 's';
}

/** decimalsOf is how many decimals tell steps of this size apart. */
export function decimalsOf(step) {
  let decimals = 0;
  while (decimals < 9 && Math.abs(step * 10 ** decimals - Math.round(step * 10 ** decimals)) > 1e-6 * step * 10 ** decimals) decimals++;
  return decimals;
}

/** age writes how long ago: 0.20 s, 12 s, 3 min. */
export function age(time) {
  if (!known(time)) return UNKNOWN;
  if (time < 10) return fixed(time, time < 1 ? 2 : 1) + THIN + 's';
  if (time < 120) return fixed(time) + THIN + 's';
  return fixed(time / 60) + THIN + 'min';
}
