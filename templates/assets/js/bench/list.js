// Every specimen of the trial in one's own order: what is done, what waits, and what the server refused.

import { atTime } from "./clock.js";
import { h, picks, replace } from "./dom.js";
import { shown } from "./numbers.js";
import { standing, valueText } from "./measured.js";

const KINDS = { void: "A void", photo: "A photo", run: "A new run", confirm_cautions: "The cautions’ confirmation" };
const NONE = {
  all: (filter) => (filter ? "No code of this trial has these signs." : "No specimens yet."),
  open: (filter) => (filter ? "None of these is left to measure." : "Nothing is left to measure."),
  done: (filter) => (filter ? "None of these is measured." : "Nothing is measured yet."),
};
let shownKind = "all";

export function listScreen(app, said = "") {
  const { worklist, queue } = app;
  const rows = h("ol", { class: "places" });
  const news = h("div", { class: "news" });
  const title = h("h1", { tabindex: "-1" });
  const missed = h("p", { class: "said", role: "alert" }, said);
  let filter = "";
  const draw = () => {
    const held = document.activeElement?.dataset.place; // the row that has the focus keeps it
    replace(title, `${worklist.doneCount} of ${worklist.places.length} measured`);
    const found = worklist.places.filter((place) => {
      const done = worklist.isDone(place);
      if (shownKind === "open" && done) return false;
      if (shownKind === "done" && !done) return false;
      return place.blind_code.toUpperCase().includes(filter) || (place.hint || "").toUpperCase().includes(filter);
    });
    replace(rows, found.length ? found.map((place) => row(app, place)) : h("li", { class: "none" }, NONE[shownKind](filter)));
    if (held) rows.querySelector(`[data-place="${held}"]`)?.focus({ preventScroll: true });
  };
  const drawNews = () => replace(news, refused(app), remarks(queue), waiting(queue));
  drawNews();
  draw();
  const screen = h(
    "div",
    { class: "list" },
    title,
    missed,
    news,
    h("div", { class: "find" },
      h("label", { for: "find", class: "line-label" }, "Find a code"),
      h("input", {
        id: "find", type: "search", class: "line", autocomplete: "off", autocapitalize: "characters",
        oninput: (event) => {
          filter = event.target.value.trim().toUpperCase();
          replace(missed);
          draw();
        },
        onkeydown: (event) => {
          if (event.key !== "Enter" || !filter) return;
          const place = worklist.place(event.target.value);
          if (place) app.showSpecimen(place);
          else replace(missed, `No specimen of this trial has the code ${filter}: check it, or scan its label.`);
        },
      }),
      picks({
        legend: "Which to show", name: "show", hideLegend: true, chosen: shownKind,
        options: [
          { value: "all", label: "All" }, { value: "open", label: "To measure" }, { value: "done", label: "Measured" },
        ],
        onpick: (kind) => {
          shownKind = kind;
          draw();
        },
      })),
    rows,
  );
  screen.redraw = () => {
    drawNews();
    draw();
  };
  return screen;
}

function row(app, place) {
  const { worklist, session } = app;
  const readings = worklist.of(place).filter(({ run }) => !place.run || run === place.run);
  const last = readings.at(-1);
  const done = worklist.isDone(place);
  const words = last
    ? `${valueText(last, session.decimal)} · ${standing(last)}`
    : done ? "measured by another tablet" : place.state || "to measure";
  return h("li", {},
    h("button", {
      type: "button", class: done ? "place is-done" : "place", "data-place": place.blind_code, "data-done": String(done),
      onclick: () => app.showSpecimen(place),
    },
    h("span", { class: "place-code" }, place.blind_code),
    h("span", { class: "place-hint" }, place.again || [place.hint, place.run && `run ${place.run}`].filter(Boolean).join(" · ")),
    h("span", { class: "place-words" }, words)));
}

function refused(app) {
  const entries = app.queue.entries().filter(({ status }) => status === "refused");
  if (!entries.length) return null;
  return h("section", { class: "setup-part", "aria-label": "Refused by the server" },
    h("h2", {}, "Refused by the server"),
    h("ul", { class: "readings" }, entries.map((entry) => {
      const { body } = entry;
      const place = body.specimen && app.worklist.place(body.specimen);
      const what = entry.kind === "reading" ? `${body.specimen}: ${shown(body.value, app.session.decimal)} ${body.unit}`.trim() : KINDS[entry.kind] || entry.kind;
      return h("li", { class: "reading-row", "data-refused": entry.id },
        h("p", { class: "reading-value" }, what),
        h("p", { class: "reading-facts" }, `Typed at ${atTime(entry.at)} by ${body.operator}. The server’s words: ${entry.answer.text}`),
        h("div", { class: "ask-keys" },
          place && entry.kind === "reading" && h("button", {
            type: "button", class: "key-plain", onclick: () => app.showSpecimen(place, "measure"),
          }, "Enter it again"),
          h("button", {
            type: "button", class: "key-plain", "data-do": "aside",
            onclick: async () => {
              await app.queue.setAside(entry);
              app.worklist.update(app.pack, app.queue.entries());
              app.showList();
            },
          }, "Put it aside")));
    })));
}

function remarks(queue) {
  if (!queue.remarks.length) return null;
  for (const remark of queue.remarks) remark.seen = true;
  queue.tell();
  return h("section", { class: "setup-part", "aria-label": "Remarks of the server" },
    h("h2", {}, "The server remarked"),
    h("ul", { class: "readings" }, [...queue.remarks].reverse().map(({ entry, text }) =>
      h("li", { class: "reading-row" }, h("p", {}, entry.body.specimen && h("b", {}, entry.body.specimen, ": "), text)))));
}

function waiting(queue) {
  const entries = queue.entries().filter(({ status }) => status === "waiting");
  if (!entries.length) return null;
  const counts = entries.filter(({ kind }) => kind === "reading").length;
  const rest = entries.length - counts;
  const others = rest ? ` and ${rest} other entr${rest === 1 ? "y" : "ies"}` : "";
  return h("p", { class: "remark send" },
    h("span", {}, `On this tablet wait ${counts} reading${counts === 1 ? "" : "s"}${others}.`),
    h("button", { type: "button", class: "key-plain", onclick: () => queue.flush({ now: true }) }, "Send now"));
}
