// The numbers of one specimen: a field for each, the unit that its gauge shows, and what was understood.

import { h, picks, replace } from "./dom.js";
import { fromCommon, readNumber, rounded, shown, significant, toCommon, unitNamed } from "./numbers.js";
import { unitsFor } from "./pack.js";

/**
 * One slot's field. `changed()` is called after each change, `done()` when Enter is pressed.
 * Returns {element, input, read(), tell(words, meant), active(bool)}.
 */
export function slotField({ slot, session, draft, amending, changed, done, touched }) {
  // A change of an old reading has a unit of its own and leaves the gauge's as it is.
  const unitNow = () => (amending && draft.units[slot.key]) || session.unit(slot);
  const id = `slot-${slot.key}`;
  const told = h("p", { class: "slot-told", id: `${id}-told`, "aria-live": "polite" });
  const input = h("input", {
    id, type: "text", inputmode: "none", autocomplete: "off", autocapitalize: "none", spellcheck: "false",
    enterkeyhint: "done", class: "slot-input", "data-slot": slot.key,
    "aria-describedby": `${id}-told`, value: draft.texts[slot.key] || "",
    oninput: () => put(input.value),
    onfocus: () => touched(),
    onkeydown: (event) => {
      if (event.key === "Enter") {
        event.preventDefault();
        done();
      }
    },
  });
  const bound = h("span", { class: "slot-bound", "aria-hidden": "true" });
  const unit = h("span", { class: "slot-unit" });
  const units = h("div", { class: "slot-units", hidden: true });
  const element = h(
    "div",
    { class: "slot" },
    h("label", { for: id, class: "slot-name" }, slot.name),
    h("div", { class: "slot-line" }, bound, input, unit),
    units,
    told,
  );

  function put(text) {
    draft.texts[slot.key] = text;
    if (input.value !== text) input.value = text;
    understand();
    changed();
  }

  /** Shows what was understood: the number with its unit, and in the trial's unit where the gauge shows another. */
  function understand() {
    told.classList.remove("is-trouble");
    const text = (draft.texts[slot.key] || "").trim();
    if (!text) {
      replace(told, slot.common !== unitNow() ? `Kept as typed; counted in ${slot.common}.` : "");
      return;
    }
    const read = readNumber(text, session.decimal);
    if (!read.ok) {
      tell(read.words, read.meant);
      return;
    }
    replace(told, bothWays(read, slot, session, unitNow()));
  }

  function tell(words, meant) {
    told.classList.add("is-trouble");
    replace(
      told,
      words,
      meant && h("button", { type: "button", class: "meant", onclick: () => put(meant) }, `${meant} was meant`),
    );
  }

  function drawUnit() {
    const choices = unitsFor(slot, session.instrument(slot.key));
    const now = unitNow();
    if (choices.length < 2) {
      replace(unit, now === "step" ? "" : now);
      return;
    }
    replace(
      unit,
      h(
        "button",
        {
          type: "button", class: "unit-key", "data-unit": slot.key, "aria-expanded": String(!units.hidden),
          "aria-label": `Unit that the gauge shows: ${now}. Change it`,
          onclick: () => {
            units.hidden = !units.hidden;
            drawUnit();
          },
        },
        now,
      ),
    );
    replace(
      units,
      picks({
        legend: "Unit that the gauge shows", name: `unit-${slot.key}`, chosen: now,
        options: choices.map((text) => ({ value: text, label: text })),
        onpick: (text) => {
          if (amending) draft.units[slot.key] = text;
          else session.setUnit(slot, text);
          units.hidden = true;
          drawUnit();
          understand();
          unit.querySelector("button").focus();
        },
      }),
    );
  }

  drawUnit();
  understand();
  return {
    element, input, slot, tell, put,
    text: () => draft.texts[slot.key] || "",
    read() {
      const typed = this.text();
      const read = readNumber(typed, session.decimal);
      return read.ok ? { ...read, typed: typed.trim(), unit: unitNow() } : read;
    },
    active: (is) => element.classList.toggle("is-active", is),
    bound: (sign) => replace(bound, sign),
  };
}

/** "1,5 lbf is 6,672 N": as typed, and in the unit that counts. */
function bothWays(read, slot, session, typedUnit) {
  const { decimal } = session;
  const named = (text) => (text === "step" ? "" : ` ${text}`);
  const own = `${shown(read.text, decimal)}${named(typedUnit)}`;
  const unit = unitNamed(slot.units, typedUnit);
  const other = typedUnit === slot.common ? otherUnit(slot, session) : { text: slot.common, factor: 1, offset: 0 };
  if (!unit || !other) return `Read as ${own}.`;
  const digits = Math.max(3, significant(read.text)) + 1;
  const converted = fromCommon(toCommon(read.number, unit), other);
  return `Read as ${own}, which is ${rounded(converted, digits, decimal)} ${other.text}.`;
}

/** A unit of another system that the gauge may show, so that a wrong one is seen at once. */
function otherUnit(slot, session) {
  const shows = unitsFor(slot, session.instrument(slot.key)).map((text) => unitNamed(slot.units, text));
  return shows.find(({ factor, offset }) => offset || Math.abs(Math.log10(factor) % 1) > 1e-9);
}
