// Slips told in words before a reading is saved. None blocks: the person decides, and the decision is kept.

import { stretch } from "./clock.js";
import { fromCommon, rounded, shown, toCommon, unitNamed } from "./numbers.js";
import { grubbsSuspect, median, unitSlip } from "./suspects.js";

/** The sentences about the gauge and one typed number. `units`: how the gauge's unit and others convert. */
export function gaugeSlips({ read, unit, bound, instrument, units, decimal, today }) {
  if (!instrument) return [];
  const found = [];
  const name = instrument.name;
  const own = unitNamed(units, instrument.unit);
  const typed = unitNamed(units, unit);
  const text = `${shown(read.text, decimal)} ${unit}`;
  if (own && typed) {
    const value = fromCommon(toCommon(read.number, typed), own);
    const { range_low: low, range_high: high, resolution } = instrument;
    const slack = 1e-9 * Math.max(Math.abs(value), 1);
    const range = `${number(low, decimal)} to ${number(high, decimal)} ${own.text}`;
    if (has(high) && value > high + slack) found.push(`${text} is above the range of ${name} (${range}).`);
    if (has(low) && value < low - slack && bound !== "<") found.push(`${text} is below the range of ${name} (${range}).`);
    if (has(resolution) && typed === own && finer(value, resolution)) {
      found.push(`${text} is finer than ${name} resolves (${number(resolution, decimal)} ${own.text}).`);
    }
  }
  if (instrument.due_on && instrument.due_on < today) {
    found.push(`The calibration of ${name} ran out on ${instrument.due_on}.`);
  }
  return found;
}

const has = (value) => value !== null && value !== undefined && value !== "";
const number = (value, decimal) => (has(value) ? shown(String(Number(value)), decimal) : "…");

function finer(value, resolution) {
  const steps = value / Number(resolution);
  return Math.abs(steps - Math.round(steps)) > 1e-6;
}

/** The sentences about a number against what is plausible and against its siblings. */
export function valueSlips({ value, bound, unitText, typedText, siblings, low, high, quantities, resolution, decimal }) {
  const found = [];
  const around = siblings.length
    ? ` (median ${rounded(median(siblings), 4, decimal)} ${unitText}, ${siblings.length} so far)`
    : "";
  const slip = bound ? null : unitSlip(value, siblings, low, high, quantities);
  if ((low !== null && value < low) || (high !== null && value > high)) {
    const range = `${number(low, decimal)} to ${number(high, decimal)} ${unitText}`;
    const why = slip && !siblings.length ? slip.words.replace(/^[^;]*/, "") : "";
    found.push(`${typedText} is outside the plausible range, ${range}${why}.`);
  }
  if (slip && siblings.length) found.push(`${typedText} is ${slip.words}${around}.`);
  const suspect = bound || slip ? null : grubbsSuspect(value, siblings, resolution);
  if (suspect) {
    found.push(
      `${typedText} lies far from its siblings${around}: suspect by Grubbs’ test at 1 %, n = ${suspect.n}.`,
    );
  }
  return found;
}

/** The sentences about the specimen itself: measured already, too early, too late, out of the work. */
export function specimenSlips({ place, standing, replaces, decimal, now }) {
  const found = [];
  if (standing.length && !replaces && !place.again) {
    const last = standing.at(-1);
    const value = `${last.bound === ">" || last.bound === "<" ? `${last.bound} ` : ""}${shown(last.value, decimal)}`;
    found.push(`${place.blind_code} was measured already: ${`${value} ${last.unit || ""}`.trim()} by ${last.by}.`);
  }
  const from = place.ready_from && Date.parse(place.ready_from) - now;
  const until = place.ready_until && now - Date.parse(place.ready_until);
  if (from > 0) found.push(`Its conditioning and recovery are over in ${stretch(from)}, not yet.`);
  if (!place.ready_from && place.conditioning) found.push(`By the record ${place.conditioning}.`);
  if (until > 0) found.push(`The time in which it should be tested ended ${stretch(until)} ago.`);
  return found;
}
