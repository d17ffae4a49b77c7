// The form of one specimen: numbers or a choice, how it failed, note and photos, and one key that goes on.

import { BOUNCE_MS, askReason, askSlips } from "./ask.js";
import { stamp } from "./clock.js";
import { h, picks, replace } from "./dom.js";
import { keypad, typed } from "./keypad.js";
import { MOST_PHOTOS, shrink } from "./photos.js";
import { VALUE, slotsFor } from "./pack.js";
import { shown, toCommon, unitNamed } from "./numbers.js";
import { slotField } from "./slots.js";
import { gaugeSlips, specimenSlips, valueSlips } from "./slips.js";

const AMEND_REASONS = ["Typed wrongly", "Wrong unit", "Wrong failure mode", "Wrong specimen"];
const NO_MODE = "How it ended was not chosen.";
const ANOTHER_LOOK = "Another look, since ratings lay far apart";
const BOUNDS = [
  { value: "", label: "As read" },
  { value: ">", label: "More than", under: "> outlasted the rig or the scale" },
  { value: "<", label: "Less than", under: "< below what the gauge resolves" },
];

/** Builds the form. `amends`: the reading that this one is to replace; `again`: own rating to be looked at anew. */
export function readingForm(app, place, { amends = null, again = null } = {}) {
  const { session, pack, worklist } = app;
  const draft = app.draft(place, amends);
  const { property, method } = pack.trial;
  const slots = slotsFor(pack, place, amends);
  const choice = !slots.some(({ key }) => key === VALUE);
  const act = h("button", { type: "submit", class: "save", "data-do": "save" });
  const said = h("p", { class: "said", role: "alert" });
  let active = 0;
  let saving = false;
  let untouched = true;
  let led = false; // to how it ended, which may lie below the screen

  const fields = slots.map((slot, index) =>
    slotField({
      slot, session, draft, amending: Boolean(amends), changed, done: go,
      touched: () => activate(index, false),
    }),
  );

  function changed() {
    untouched = false;
    replace(said);
    app.keepDraft(place, draft);
    name();
  }

  function activate(index, focus = true) {
    active = index;
    fields.forEach((field, i) => field.active(i === index));
    if (bounds) bounds.hidden = fields[index].slot.key !== VALUE;
    if (focus) fields[index].input.focus({ preventScroll: true });
    name();
  }

  /** The number that is still to be typed apart from the one at hand, or undefined. */
  const openField = () => fields.find((field, index) => index !== active && !field.text().trim());

  function name() {
    const open = fields.length > 1 && openField();
    replace(act, open ? `Next: ${open.slot.name}` : amends ? "Save the change" : "Save");
  }

  function press(key) {
    const field = fields[active];
    field.put(typed(field.text(), key));
  }

  async function go() {
    if (saving || (untouched && performance.now() - app.shownAt < BOUNCE_MS)) return;
    saving = true;
    try {
      await step();
    } finally {
      saving = false;
    }
  }

  async function step() {
    if (fields.length) {
      const here = fields[active].read();
      if (!here.ok) return trouble(fields[active], here);
      const open = openField();
      if (open) return activate(fields.indexOf(open));
    }
    const numbers = {};
    for (const field of fields) {
      const read = field.read();
      if (!read.ok) {
        activate(fields.indexOf(field));
        return trouble(field, read);
      }
      numbers[field.slot.key] = read;
    }
    if (choice && !draft.choice) {
      return replace(said, property.kind === "rating" ? "Choose a step first." : "Choose pass or fail first.");
    }
    if (method.modes.length && !draft.mode && !led) {
      led = true;
      lead();
      return replace(said, "How did it end? Choose it, or tap again to go on without.");
    }
    const found = slips(app, place, { numbers, slots, draft, amends: amends || again });
    let decision = [...draft.told];
    if (found.length) {
      const value = inWords(app, numbers, draft);
      const stands = await askSlips(value, found);
      const told = `Told of ${value}: ${found.join(" ")}`;
      if (!stands) {
        draft.told.push(`${told} Corrected before saving.`);
        app.keepDraft(place, draft);
        if (found.length === 1 && found[0] === NO_MODE) return lead();
        return fields.length ? activate(active) : undefined;
      }
      decision = [...decision, `${told} Kept${stands.why ? `: ${stands.why}` : "."}`];
    }
    let reason = again ? ANOTHER_LOOK : "";
    if (amends) {
      reason = await askReason({
        title: "Why is it changed?", text: "The old reading stays in sight beside the new one.",
        reasons: AMEND_REASONS, action: "Save the change",
      });
      if (!reason) return undefined;
    }
    return app.saveReading(place, { numbers, draft, decision: decision.join("\n"), amends: amends || again, reason });
  }

  /** Brings how it ended into sight where the keys cover it. */
  function lead() {
    const box = form.querySelector(".modes");
    if (box.getBoundingClientRect().bottom > act.getBoundingClientRect().top) box.scrollIntoView({ block: "start" });
  }

  function trouble(field, read) {
    field.tell(read.words, read.meant);
    field.input.focus({ preventScroll: true });
  }

  const bounds = slots.some(({ key }) => key === VALUE) && property.kind === "quantity" && picks({
    legend: "How the value is meant", name: "bound", kind: "bounds", hideLegend: true, chosen: draft.bound, options: BOUNDS,
    onpick: (sign) => {
      draft.bound = sign;
      const field = fields.at(-1);
      field.bound(sign);
      const resolution = session.mainGauge?.resolution;
      if (sign === "<" && !field.text() && resolution) field.put(shown(String(resolution), session.decimal));
      changed();
    },
  });
  fields.at(-1)?.bound(draft.bound);

  const least = property.kind === "rating" ? property.scale_low : property.plausible_low;
  const minus = !choice && (least === null || least === undefined || Number(least) < 0);
  const form = h(
    "form",
    { class: fields.length ? "reading" : "reading no-keypad", novalidate: true, onsubmit: (event) => {
      event.preventDefault();
      go();
    } },
    h("div", { class: "numbers" },
      fields.map(({ element }) => element),
      choice && choices(property, draft, changed),
      fields.length > 0 && bounds,
      fields.length > 0 && keypad({ decimal: session.decimal, minus, press }),
    ),
    h("div", { class: "more" },
      method.modes.length > 0 && modes(method, draft, changed),
      extras(app, place, draft, said),
    ),
    h("div", { class: "act" }, said, act),
  );
  if (fields.length) {
    const empty = fields.findIndex((field) => !field.text());
    const begin = empty >= 0 ? empty : fields.length - 1;
    activate(begin, false);
    fields[begin].input.toggleAttribute("data-first", true);
  } else {
    name();
  }
  return form;
}

function choices(property, draft, changed) {
  const rating = property.kind === "rating";
  const options = rating
    ? property.steps.map(({ value, name, photo, alt }) => ({
      value, label: value, under: name, image: photo && { src: photo, alt: alt || `Step ${value}` },
    }))
    : [{ value: "pass", label: "Pass" }, { value: "fail", label: "Fail" }];
  return picks({
    legend: property.name || property.code, name: "choice", kind: rating ? "steps" : "verdict", chosen: draft.choice, options,
    onpick: (value) => {
      draft.choice = value;
      changed();
    },
  });
}

function modes(method, draft, changed) {
  return picks({
    legend: "How it ended", name: "mode", kind: "modes", chosen: draft.mode,
    options: [...method.modes].sort((a, b) => Number(b.counts) - Number(a.counts)).map(({ code, name, counts }) => ({
      value: code, label: name || code, under: counts ? "" : "kept in sight, not counted",
    })),
    onpick: (value) => {
      draft.mode = value;
      changed();
    },
  });
}

function extras(app, place, draft, said) {
  const thumbs = h("ul", { class: "thumbs" });
  const draw = () =>
    replace(
      thumbs,
      draft.photos.map((photo, index) =>
        h("li", {},
          h("img", { src: photo.url, alt: `Photo ${index + 1}, not yet saved` }),
          h("button", {
            type: "button", class: "key-plain",
            onclick: () => {
              URL.revokeObjectURL(photo.url);
              draft.photos.splice(index, 1);
              draw();
            },
          }, `Leave out photo ${index + 1}`)),
      ),
    );
  async function take(event) {
    const files = [...event.target.files];
    event.target.value = "";
    for (const file of files) {
      if (draft.photos.length >= MOST_PHOTOS) {
        replace(said, `A reading carries at most ${MOST_PHOTOS} photos.`);
        break;
      }
      try {
        draft.photos.push(await shrink(file));
        replace(said);
      } catch (error) {
        replace(said, error.message);
      }
    }
    draw();
  }
  const file = (id, label, capture) =>
    h("label", { class: "file-key" },
      h("input", { type: "file", id, accept: "image/*", multiple: !capture, capture: capture && "environment", onchange: take }),
      h("span", {}, label));
  draw();
  return h("div", { class: "extras" },
    h("label", { for: "note", class: "line-label" }, "Note"),
    h("textarea", {
      id: "note", rows: 2, maxlength: 2000, value: draft.note,
      oninput: (event) => {
        draft.note = event.target.value;
        app.keepDraft(place, draft);
      },
    }),
    h("div", { class: "file-keys" }, file("photo-take", "Take a photo", true), file("photo-choose", "Choose photos", false)),
    thumbs,
    app.isQuantity && app.pack.urls.traces && h("p", {}, h("a", { class: "key-plain", href: app.pack.urls.traces }, "Read it from a trace file")));
}

/** What is about to be saved, in words. */
function inWords(app, numbers, draft) {
  const main = numbers[VALUE];
  if (!main) return draft.choice;
  const unit = main.unit === "step" ? "" : ` ${main.unit}`;
  return `${draft.bound ? `${draft.bound} ` : ""}${shown(main.text, app.session.decimal)}${unit}`;
}

/** Every sentence that is to be told before this reading is saved. */
function slips(app, place, { numbers, slots, draft, amends }) {
  const { session, worklist, pack } = app;
  const { decimal } = session;
  const now = Date.now();
  const today = stamp(new Date(now)).slice(0, 10);
  const found = specimenSlips({ place, standing: worklist.standing(place), replaces: amends, decimal, now });
  for (const slot of slots) {
    const read = numbers[slot.key];
    const isMain = slot.key === VALUE;
    const bound = isMain ? draft.bound : "";
    const instrument = session.instrument(slot.key);
    found.push(...gaugeSlips({ read, unit: read.unit, bound, instrument, units: slot.units, decimal, today }));
    const unit = unitNamed(slot.units, read.unit);
    if (!unit) continue;
    const own = instrument && unitNamed(slot.units, instrument.unit);
    found.push(...valueSlips({
      value: toCommon(read.number, unit), bound, unitText: slot.common, decimal,
      typedText: `${shown(read.text, decimal)} ${read.unit}`,
      siblings: isMain && pack.trial.property.kind === "quantity" ? worklist.siblings(place) : [],
      low: slot.low, high: slot.high, quantities: isMain ? pack.trial.quantities : [],
      resolution: own && instrument.resolution ? Number(instrument.resolution) * own.factor : 0,
    }));
  }
  if (pack.trial.method.modes.length && !draft.mode) found.push(NO_MODE);
  return found;
}
