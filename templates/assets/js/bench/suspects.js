// Suspect values and slips of unit, as the server looks for them: a question about a record, never a verdict.

const LEAST = 6; // below it Grubbs' limit and the greatest possible statistic all but meet

/** P(|T| <= t) for whole degrees of freedom (Abramowitz and Stegun 1964, 26.7.3 and 26.7.4). */
export function tWithin(t, dof) {
  const angle = Math.atan(t / Math.sqrt(dof));
  const sine = Math.sin(angle);
  const cosine = Math.cos(angle);
  if (dof % 2 === 0) {
    let term = 1;
    let sum = 1;
    for (let k = 2; k <= dof - 2; k += 2) sum += term *= ((k - 1) / k) * cosine * cosine;
    return sine * sum;
  }
  if (dof === 1) return (2 * angle) / Math.PI;
  let term = cosine;
  let sum = cosine;
  for (let k = 3; k <= dof - 2; k += 2) sum += term *= ((k - 1) / k) * cosine * cosine;
  return (2 / Math.PI) * (angle + sine * sum);
}

/** Grubbs' two-sided limit for n >= 3 values (Grubbs 1969; NIST/SEMATECH e-Handbook, 1.3.5.17.1). */
export function grubbsLimit(n, alpha = 0.01) {
  const tail = alpha / (2 * n);
  let low = 0;
  let high = 1;
  while ((1 - tWithin(high, n - 2)) / 2 > tail) high *= 2;
  for (let step = 0; step < 200 && high - low > 1e-12 * high; step += 1) {
    const middle = (low + high) / 2;
    if ((1 - tWithin(middle, n - 2)) / 2 > tail) low = middle;
    else high = middle;
  }
  return (((n - 1) / Math.sqrt(n)) * low) / Math.sqrt(n - 2 + low * low);
}

const mean = (values) => values.reduce((sum, value) => sum + value, 0) / values.length;

export function median(values) {
  const sorted = [...values].sort((a, b) => a - b);
  const middle = sorted.length >> 1;
  return sorted.length % 2 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
}

function deviation(values) {
  const centre = mean(values);
  return Math.sqrt(values.reduce((sum, value) => sum + (value - centre) ** 2, 0) / (values.length - 1));
}

/**
 * Whether `value` is the farthest among itself and its siblings and beyond Grubbs' limit at 1 %.
 * A value within one `resolution` of the others' median is none. Returns {g, limit, n} or null.
 */
export function grubbsSuspect(value, siblings, resolution = 0) {
  const all = [...siblings, value];
  if (all.length < LEAST) return null;
  const spread = deviation(all);
  if (!(spread > 1e-13 * Math.max(...all.map(Math.abs)))) return null;
  const centre = mean(all);
  const g = Math.abs(value - centre) / spread;
  if (siblings.some((other) => Math.abs(other - centre) / spread > g)) return null;
  const limit = grubbsLimit(all.length);
  if (!(g > limit) || Math.abs(value - median(siblings)) <= resolution * (1 + 1e-9)) return null;
  return { g, limit, n: all.length };
}

// A number meant in the second unit but recorded under the first is too large by the factor. The last word is
// the quantity in which such a slip is possible; "" in any. Factors: NIST SP 811:2008, appendix B.
const FACTORS = [
  [10, "a decimal point", "a decimal point", ""],
  [100, "a decimal point by two places", "a decimal point by two places", ""],
  [1000, "a prefix such as kilo or milli", "a prefix such as kilo or milli", ""],
  [1000, "inch for mil", "mil for inch", "length"],
  [25.4, "inch for millimetre", "millimetre for inch", "length"],
  [39.370078740157, "millimetre for mil", "mil for millimetre", "length"],
  [2.54, "inch for centimetre", "centimetre for inch", "length"],
  [12, "foot for inch", "inch for foot", "length"],
  [4.4482216152605, "pound-force for newton", "newton for pound-force", "force"],
  [9.80665, "kilogram-force for newton", "newton for kilogram-force", "force"],
  [101.97162129779, "newton for gram-force", "gram-force for newton", "force"],
  [2.2046226218488, "kilogram-force for pound-force", "pound-force for kilogram-force", "force"],
  [3.5969430896, "newton for ounce-force", "ounce-force for newton", "force"],
  [16, "pound-force for ounce-force", "ounce-force for pound-force", "force"],
  [2.2046226218488, "kilogram for pound", "pound for kilogram", "mass"],
  [16, "pound for ounce", "ounce for pound", "mass"],
  [28.349523125, "ounce for gram", "gram for ounce", "mass"],
  [6.8947572931684, "psi for kilopascal", "kilopascal for psi", "pressure"],
  [14.503773773022, "bar for psi", "psi for bar", "pressure"],
  [60, "minute for second", "second for minute", "time"],
  [60, "hour for minute", "minute for hour", "time"],
  [29.5735295625, "US fluid ounce for millilitre", "millilitre for US fluid ounce", "volume"],
];
const SMALL = 5; // such a factor is told from natural spread only with several siblings

/** [factor, words where too large, words where too small] of the slips that these quantities know. */
function lookedFor(quantities) {
  const found = [];
  for (const [factor, over, under, quantity] of FACTORS) {
    for (const [name, power] of [["", 1], ...quantities]) {
      if (name !== quantity || !power) continue;
      found.push([factor ** Math.abs(power), ...(power > 0 ? [over, under] : [under, over])]);
    }
  }
  return found;
}

const times = (factor, power) => {
  const plain = Number(factor.toPrecision(4));
  return power === 1 ? `${plain} times` : `1/${plain} of`;
};

const outside = (value, low, high) => (low !== null && value < low) || (high !== null && value > high);

function logSpread(ratios) {
  if (ratios.length < 2) return 0;
  const logs = ratios.map(Math.log);
  if (ratios.length < 4) return deviation(logs);
  const centre = median(logs);
  return 1.4826 * median(logs.map((log) => Math.abs(log - centre)));
}

/**
 * Whether a slip of unit or decimal point explains why `value` differs from its siblings, or leaves the
 * plausible range where it has none. `quantities`: what the unit is made of, as [name, power]. Returns
 * {words, corrected} or null. The rules are the analysis' own (`unit_slip`), which a test holds against this.
 */
export function unitSlip(value, siblings, low = null, high = null, quantities = []) {
  if (!Number.isFinite(value)) return null;
  if (quantities.some(([name]) => name === "celsius")) return scaleSlip(value, siblings, low, high);
  if (value === 0) return null;
  const slips = lookedFor(quantities);
  if (!siblings.length) return rangeSlip(value, low, high, slips);
  const centre = median(siblings);
  const ratios = siblings.map((other) => other / centre);
  const ratio = value / centre;
  if (centre === 0 || !(ratio > 0) || !Number.isFinite(ratio) || ratios.some((one) => !(one > 0))) return null;
  const spread = logSpread(ratios);
  const far = Math.abs(Math.log(ratio));
  if (spread > Math.log(1.35) || far < 5 * spread) return null;
  const reach = Math.min(Math.max(3 * spread, Math.log(1.06)), Math.log(1.5));
  const inside = low !== null && high !== null && low <= centre && centre <= high;
  if (inside && low <= value && value <= high && far <= 6 * spread) return null;
  const fits = [];
  for (const [factor, over, under] of slips) {
    if ((factor < SMALL && siblings.length < 3) || Math.log(factor) < 6 * spread) continue;
    for (const [power, words] of [[1, over], [-1, under]]) {
      const miss = Math.abs(Math.log(ratio) - power * Math.log(factor));
      if (miss <= reach) {
        fits.push([miss, factor ** power, value / factor ** power, `${times(factor, power)} its siblings; ${words}`]);
      }
    }
  }
  return first(fits);
}

/** The closest fit; among equals the smaller factor, then the words in order, as the analysis sorts them. */
function first(fits) {
  if (!fits.length) return null;
  const before = (a, b) => {
    const at = [0, 1, 3].find((i) => a[i] !== b[i]);
    return at !== undefined && a[at] < b[at];
  };
  const [, , corrected, words] = fits.reduce((best, fit) => (before(fit, best) ? fit : best));
  return { words, corrected };
}

function rangeSlip(value, low, high, slips) {
  if (!outside(value, low, high)) return null;
  const side = high !== null && value > high ? "above" : "below";
  const fits = [];
  slips.forEach(([factor, over, under], order) => {
    for (const [power, words] of [[1, over], [-1, under]]) {
      const corrected = value / factor ** power;
      if (outside(corrected, low, high)) continue;
      const plain = Number(factor.toPrecision(4));
      fits.push([order, factor ** power, corrected, `${side} the plausible range; ${words} would explain it (${plain})`]);
    }
  });
  return first(fits);
}

function scaleSlip(value, siblings, low, high) {
  const candidates = [
    [(value - 32) / 1.8, "degrees Fahrenheit recorded as Celsius"],
    [value - 273.15, "kelvin recorded as degrees Celsius"],
    [1.8 * value + 32, "a Fahrenheit reading converted twice"],
    [value / 10, "a decimal point"],
    [value * 10, "a decimal point"],
  ];
  if (siblings.length) {
    const centre = median(siblings);
    const spread = 1.4826 * median(siblings.map((other) => Math.abs(other - centre)));
    const reach = Math.min(Math.max(3 * spread, 2), 5);
    if (Math.abs(value - centre) <= Math.max(3 * reach, 6 * spread)) return null;
    const fits = candidates.map(([c, words]) => [Math.abs(c - centre), c, c, `unlike its siblings; ${words}`]);
    return first(fits.filter(([miss]) => miss <= reach));
  }
  if (!outside(value, low, high)) return null;
  const fits = candidates.map(([c, words], i) => [i, c, c, `outside the plausible range; ${words}`]);
  return first(fits.filter(([, c]) => !outside(c, low, high)));
}
