// Weights in an address: written, and read again with distrust. The server's `comparisons/pages/weighing.py` reads alike.

import { RULES } from "./scores.js";

export const MOST = 100; // a weight lies between 0 and this
const LONGEST = 8000; // characters that are read
const NUMBER = /^[0-9]{1,3}(\.[0-9]{1,12})?$/;

/** A weight as an address and a field hold it: no exponent, no trailing noughts. */
export function written(weight) {
  const text = weight.toFixed(10);
  return text.replace(/0+$/, "").replace(/\.$/, "");
}

/** A typed weight as a number; null where it is none from 0 to 100. */
export function weightOf(text) {
  return NUMBER.test(text) && Number(text) <= MOST ? Number(text) : null;
}

export function query(ids, weights, missing) {
  const parts = [];
  ids.forEach((id, c) => {
    if (weights[c] > 0) parts.push(`w.${id}=${written(weights[c])}`);
  });
  return [...parts, `missing=${missing}`].join("&");
}

/**
 * What the query of an address says: {weights, missing}, {reason} where it cannot be used, or null where it
 * holds no weights. criteria: [{id, name}]; missing: the rule where the address names none. What an address
 * says is never repeated.
 */
export function read(text, criteria, missing) {
  if (text.length > LONGEST) return { reason: "it is too long" };
  const pairs = [...new URLSearchParams(text)];
  const given = pairs.filter(([key]) => key.startsWith("w.")).map(([key, value]) => [key.slice(2), value]);
  if (!given.length) return null;
  const at = new Map(criteria.map(({ id }, c) => [id, c]));
  if (given.some(([key]) => !at.has(key))) return { reason: "it names a criterion that is not weighed here" };
  if (new Set(given.map(([key]) => key)).size < given.length) return { reason: "it names a criterion twice" };
  const weights = new Float64Array(criteria.length);
  for (const [key, value] of given) {
    const weight = weightOf(value);
    if (weight === null) return { reason: `“${criteria[at.get(key)].name}” has no number from 0 to 100` };
    weights[at.get(key)] = weight;
  }
  const rule = pairs.find(([key]) => key === "missing")?.[1] ?? missing;
  if (!RULES.includes(rule)) return { reason: "it names no rule for missing results that is known here" };
  if (!weights.some((w) => w > 0)) return { reason: "all of them are zero" };
  return { weights, missing: rule };
}
