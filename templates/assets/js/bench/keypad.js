// Large keys for gloves. They write into the field that was touched last; a keyboard works as well.

import { h } from "./dom.js";

/** `press(key)` gets "0" to "9", the decimal sign, "back", "clear" or "minus". */
export function keypad({ decimal, minus, press }) {
  const key = (value, face, kind = "", label = null) =>
    h(
      "button",
      { type: "button", class: `key ${kind}`.trim(), "data-key": value, "aria-label": label, onclick: () => press(value) },
      face,
    );
  const digit = (value) => key(value, value);
  return h(
    "div",
    { class: minus ? "keypad with-minus" : "keypad", role: "group", "aria-label": "Keypad" },
    ["1", "2", "3"].map(digit),
    key("back", "⌫", "key-back", "Delete the last sign"),
    ["4", "5", "6"].map(digit),
    key("clear", "Clear", "key-word key-clear"),
    ["7", "8", "9"].map(digit),
    minus && key("minus", "±", "key-minus", "Change the sign"),
    key(decimal, decimal, "key-decimal", decimal === "," ? "Decimal comma" : "Decimal point"),
    key("0", "0", "key-zero"),
  );
}

/** The text after a key. */
export function typed(text, key) {
  if (key === "back") return text.slice(0, -1);
  if (key === "clear") return "";
  if (key === "minus") return text.startsWith("-") ? text.slice(1) : `-${text}`;
  return text + key;
}
