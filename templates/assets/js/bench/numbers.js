// Numbers as people type them. A comma and a point are told apart by the sign that the person chose:
// nothing is guessed, since 1,500 may be one and a half or fifteen hundred.

const MOST_CHARACTERS = 40;
const MOST_DIGITS = 20;
const LARGEST = 1e30;
const NAMES = { ".": "a point", ",": "a comma" };
const OTHER = { ".": ",", ",": "." };

/** The decimal sign of the tablet's language: "." or ",". */
export function decimalSign(language = navigator.language) {
  const part = new Intl.NumberFormat(language).formatToParts(1.5).find(({ type }) => type === "decimal");
  return part?.value === "," ? "," : ".";
}

const refuse = (words, meant) => ({ ok: false, words, meant });

/**
 * A typed number. `{ok: true, text, number}`, where `text` has a point and keeps every digit typed;
 * otherwise `{ok: false, words, meant}`: one line, and what may have been meant, in the person's own sign.
 */
export function readNumber(typed, decimal) {
  const text = typed.trim().replace(/^−/, "-");
  if (!text) return refuse("No value yet: type what the gauge shows.");
  if (text.length > MOST_CHARACTERS) {
    return refuse(`Found ${text.length} characters, expected a number of at most ${MOST_DIGITS} digits.`);
  }
  const other = OTHER[decimal];
  if (text.includes(other)) {
    const meant = text.split(other).length === 2 && !text.includes(decimal) ? text.replace(other, decimal) : "";
    return refuse(
      `Found “${text}” with ${NAMES[other]}; the decimal sign chosen here is ${NAMES[decimal]}.`,
      meant && readNumber(meant, decimal).ok ? meant : undefined,
    );
  }
  const match = /^([+-]?)(\d*)(?:\.(\d*))?(?:[eE]([+-]?\d+))?$/.exec(text.replace(decimal, "."));
  if (!match || !(match[2] || match[3])) {
    return refuse(`Found “${text}”, expected a number such as 12${decimal}5.`);
  }
  const [, sign, whole, part = "", exponent] = match;
  if (whole.length + part.length > MOST_DIGITS) {
    return refuse(`Found ${whole.length + part.length} digits, expected at most ${MOST_DIGITS}.`);
  }
  const plain =
    (sign === "-" ? "-" : "") + (whole || "0") + (part ? `.${part}` : "") + (exponent ? `e${Number(exponent)}` : "");
  const number = Number(plain);
  if (!Number.isFinite(number) || Math.abs(number) > LARGEST) {
    return refuse(`Found “${text}”, larger than any gauge reads.`);
  }
  if ((number === 0 && /[1-9]/.test(whole + part)) || (number !== 0 && Math.abs(number) < 1 / LARGEST)) {
    return refuse(`Found “${text}”, smaller than any gauge reads.`);
  }
  return { ok: true, text: plain, number };
}

/** A number's text with the person's decimal sign. */
export function shown(text, decimal) {
  return String(text).replace(".", decimal).replace(/^-/, "−");
}

/** A computed number to so many significant digits, in the person's sign, without trailing noise. */
export function rounded(number, digits, decimal) {
  const text = Number(number.toPrecision(digits));
  const plain = Math.abs(text) >= 1e-6 && Math.abs(text) < 1e15 ? decimalText(text, digits) : String(text);
  return shown(plain, decimal);
}

function decimalText(number, digits) {
  if (number === 0) return "0";
  const before = Math.floor(Math.log10(Math.abs(number))) + 1;
  return number.toFixed(Math.min(20, Math.max(0, digits - before)));
}

/** How many digits of a plain number's text count. */
export function significant(text) {
  return text.replace(/e.*$/i, "").replace(/^-?0*\.?0*/, "").replace(".", "").length || 1;
}

/** Value in the common unit = value * factor + offset. */
export const toCommon = (number, unit) => number * unit.factor + (unit.offset || 0);
export const fromCommon = (number, unit) => (number - (unit.offset || 0)) / unit.factor;

/** The unit named `text` in a list of units, or undefined. */
export const unitNamed = (units, text) => (units || []).find((unit) => unit.text === text);
