// What was measured of one specimen: every reading in sight, and the ways to change what it says.

import { askReason } from "./ask.js";
import { atTime } from "./clock.js";
import { h } from "./dom.js";
import { shown } from "./numbers.js";

const VOID_REASONS = ["Slipped in the grip", "Wrong specimen", "The rig was not set up right", "Damaged before the test"];

/** Its readings, with keys unless `quiet`. Nothing for a panel but one's own: the pack holds no others. */
export function measured(app, place, quiet = false, without = null) {
  const readings = app.worklist.of(place).filter((reading) => reading !== without); // that one is in the form
  if (!readings.length && quiet) return null;
  const rows = readings.map((reading) => row(app, place, reading, quiet));
  return h("section", { class: "measured", "aria-label": "Readings of this specimen" },
    !quiet && h("h2", {}, readings.length ? "Measured" : "Measured by another tablet"),
    readings.length > 0 && h("ul", { class: "readings" }, rows),
    !quiet && h("div", { class: "ask-keys" },
      h("button", { type: "button", class: "key-plain", "data-do": "again", onclick: () => app.showSpecimen(place, "measure") }, "Measure it again"),
      h("button", { type: "button", class: "key-strong", "data-do": "next", "data-first": true, onclick: () => app.showNext(place) }, "Next specimen")));
}

export function valueText(reading, decimal) {
  const bound = reading.bound === ">" || reading.bound === "<" ? `${reading.bound} ` : "";
  return `${bound}${shown(reading.value, decimal)} ${reading.unit || ""}`.trim();
}

/** Where a reading stands, in words. */
export function standing(reading) {
  const { here } = reading;
  if (here?.status === "refused") return `refused: ${here.answer.text}`;
  if (here?.status === "aside") return "refused and put aside";
  if (reading.void) return `void: ${reading.void}`;
  if (reading.replaced) return "replaced by a later reading";
  if (here?.status === "waiting") return "waits on this tablet";
  return "with the server";
}

function row(app, place, reading, quiet) {
  const open = !reading.void && !reading.replaced && !reading.dropped;
  const mode = app.pack.trial.method.modes.find(({ code }) => code === reading.mode);
  const photos = reading.photos ? `${reading.photos} photo${reading.photos > 1 ? "s" : ""}` : "";
  const facts = [reading.by, reading.at && atTime(reading.at), mode && (mode.name || mode.code), mode && !mode.counts && "not counted", photos];
  const names = new Map(app.pack.trial.dimensions.map(({ trial, name }) => [trial, name]));
  const others = (reading.dimensions || []).map(
    ({ trial, value, unit }) => `${names.get(trial) || trial} ${shown(value, app.session.decimal)} ${unit}`,
  );
  const remark = reading.here?.status === "stored" && reading.here.answer.text;
  return h("li", { class: open ? "reading-row" : "reading-row is-past" },
    h("p", { class: "reading-value" }, valueText(reading, app.session.decimal)),
    h("p", { class: "reading-facts" }, [...others, ...facts, standing(reading)].filter(Boolean).join(" · ")),
    reading.note && h("p", { class: "reading-facts" }, reading.note),
    remark && h("p", { class: "remark" }, remark),
    !quiet && open && h("div", { class: "ask-keys" },
      h("button", { type: "button", class: "key-plain", "data-do": "amend", onclick: () => amend(app, place, reading) }, "Amend"),
      h("button", { type: "button", class: "key-plain", "data-do": "void", onclick: () => voidIt(app, reading) }, "Void")));
}

/** Opens the form filled with what the reading says. */
function amend(app, place, reading) {
  const text = (value) => String(value).replace(".", app.session.decimal);
  const quantity = app.pack.trial.property.kind === "quantity";
  const numbers = [...(reading.dimensions || []).map((one) => ({ ...one, key: one.trial })), { ...reading, key: "value" }];
  Object.assign(app.draft(place, reading), {
    texts: Object.fromEntries(numbers.map(({ key, value }) => [key, text(value)])),
    units: Object.fromEntries(numbers.map(({ key, unit }) => [key, unit])),
    choice: quantity ? "" : reading.value,
    bound: reading.bound === "=" ? "" : reading.bound || "",
    mode: reading.mode || "",
    note: reading.note || "",
  });
  app.showSpecimen(place, { amend: reading });
}

async function voidIt(app, reading) {
  const reason = await askReason({
    title: "Why is it void?", text: `${valueText(reading, app.session.decimal)} stays in sight and does not count.`,
    reasons: VOID_REASONS, action: "Make it void",
  });
  if (reason) await app.voidReading(reading, reason);
}
