// One specimen a screen: which one, what to do now, and its form; or what was measured, to be changed.

import { atTime, stretch } from "./clock.js";
import { h } from "./dom.js";
import { readingForm } from "./form.js";
import { measured } from "./measured.js";
import { shown } from "./numbers.js";

/** `how`: "measure", "look", or {amend: reading}. */
export function specimenScreen(app, place, how) {
  const { pack } = app;
  const amends = how.amend || null;
  const looking = how === "look";
  let readings = looking ? measured(app, place) : null;
  const screen = h(
    "article",
    { class: looking ? "specimen looking" : "specimen", "data-specimen": place.blind_code },
    h("header", { class: "which" },
      h("div", { class: "which-code" },
        h("p", { class: "kicker" }, `${app.worklist.indexOf(place) + 1} of ${app.worklist.places.length}${place.run ? `, run ${place.run}` : ""}`),
        h("h1", { class: "code", tabindex: "-1" }, place.blind_code),
        (place.hint || place.again || amends) && h("p", { class: "hint" },
          amends ? `Changing ${shown(amends.typed || amends.value, app.session.decimal)} ${amends.unit || ""}`.trim() : place.again || place.hint)),
      lastKept(app, place)),
    !looking && notReady(place),
    !looking && h("div", { class: "now" }, whatToDo(pack.trial, Boolean(amends))),
    looking ? readings : [measured(app, place, true, amends), readingForm(app, place, { amends, again: amends ? null : lookAgain(app, place) })],
  );
  if (looking) {
    screen.redraw = () => {
      const held = readings.contains(document.activeElement) && document.activeElement.dataset.do;
      const now = measured(app, place);
      readings.replaceWith(now);
      readings = now;
      if (held) readings.querySelector(`[data-do="${held}"]`)?.focus({ preventScroll: true });
    };
  }
  return screen;
}

/** The reading saved a moment ago, with the way back to it. */
function lastKept(app, place) {
  const { kept } = app;
  if (!kept || kept.place.key === place.key) return null;
  const { body } = kept.entry;
  const value = `${body.bound ? `${body.bound} ` : ""}${shown(body.value, app.session.decimal)} ${body.unit}`.trim();
  return h("button", { type: "button", class: "key-plain kept", "data-do": "last", onclick: () => app.showSpecimen(kept.place, "look") },
    h("span", {}, "Kept: ", h("b", {}, body.specimen), " ", value),
    h("span", { class: "kept-do" }, "Change"));
}

function notReady(place) {
  const from = place.ready_from && Date.parse(place.ready_from) - Date.now();
  if (from > 0) {
    const when = `${atTime(place.ready_from)}, in ${stretch(from)}`;
    return h("p", { class: "remark grave" }, `Not ready: its conditioning and recovery end at ${when}.`);
  }
  return place.conditioning ? h("p", { class: "remark grave" }, `Not ready: ${place.conditioning}.`) : null;
}

/** The person's own rating, where another look at it is asked for. */
const lookAgain = (app, place) => (place.again && app.worklist.standing(place).filter(({ mine }) => mine).at(-1)) || null;

let opened = null; // whether the person keeps the steps open

/** Steps and cautions; folded where the work is done and only its record is changed. */
function whatToDo(trial, done) {
  const { method } = trial;
  const wide = !done && matchMedia("(min-width: 45rem) and (min-height: 60rem)").matches;
  return [
    method.steps.length > 0 && h("details", { class: "what", open: done ? false : opened ?? wide, ontoggle: (event) => {
      if (!done) opened = event.target.open;
    } },
    h("summary", {}, "What to do now"),
    h("ol", {}, method.steps.map((step) => h("li", {}, step)))),
    method.cautions && h("details", { class: "cautions", open: wide },
      h("summary", {}, "Cautions"),
      h("p", {}, method.cautions),
      method.hazardous && h("p", {}, "Local codes and a licensed person’s word come before this sheet.")),
  ];
}

/** Nothing is left to measure. */
export function doneScreen(app) {
  const { places } = app.worklist;
  const count = places.length;
  return h("article", { class: "all-done" },
    h("h1", { tabindex: "-1" }, count ? `All ${count} specimens are measured` : "No specimens yet"),
    h("p", {}, count
      ? "What still waits on this tablet is said at the foot of the page. Keep the page open until nothing waits."
      : "The planner has not yet made specimens for this trial."),
    lastKept(app, { key: "" }),
    h("p", { class: "ask-keys" },
      h("button", { type: "button", class: "key-plain", onclick: () => app.showList() }, "See the list"),
      h("a", { class: "key-plain", href: app.pack.urls.list }, "Other trials")));
}
