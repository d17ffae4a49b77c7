// Questions in a dialog: the person decides, and nothing is lost by answering later.

import { h, picks } from "./dom.js";

export const BOUNCE_MS = 350;

/** Shows a dialog made by `fill(close)`; resolves to what `close` was given, or null. */
function ask(label, fill) {
  return new Promise((resolve) => {
    const dialog = h("dialog", { class: "ask", "aria-label": label });
    const close = (answer) => {
      dialog.close();
      dialog.remove();
      resolve(answer);
    };
    dialog.append(...fill(close).filter(Boolean));
    dialog.addEventListener("cancel", (event) => {
      event.preventDefault();
      close(null);
    });
    document.body.append(dialog);
    dialog.showModal();
    // A second tap of a gloved finger was meant for the screen before, and must not answer.
    const keys = dialog.querySelectorAll(".ask-keys button");
    for (const key of keys) key.disabled = true;
    setTimeout(() => {
      for (const key of keys) key.disabled = false;
    }, BOUNCE_MS);
  });
}

// The heading takes the focus: a text field would raise the tablet's keyboard over the keys.
const heading = (text) => h("h2", { tabindex: "-1", autofocus: true }, text);

const line = (id, label, oninput) => [
  h("label", { for: id, class: "line-label" }, label),
  h("input", { id, type: "text", class: "line", autocomplete: "off", maxlength: 500, oninput }),
];

/** Tells the slips found. Resolves to {why} where the person keeps the value, null where they correct it. */
export function askSlips(value, sentences) {
  return ask("Before this is saved", (close) => {
    let why = "";
    return [
      heading("Before this is saved"),
      h("p", { class: "asked-value" }, value),
      h("ul", { class: "told", id: "told" }, sentences.map((sentence) => h("li", {}, sentence))),
      ...line("why", "Why it stands, if you know (may stay empty)", (event) => {
        why = event.target.value.trim();
      }),
      h(
        "div",
        { class: "ask-keys" },
        h("button", { type: "button", class: "key-plain", "data-do": "correct", onclick: () => close(null) }, "Correct it"),
        h("button", { type: "button", class: "key-strong", "data-do": "stand", onclick: () => close({ why }) }, "It stands: save"),
      ),
    ];
  });
}

/** Asks for a reason, from a few at hand or in own words. Resolves to the text, or null. */
export function askReason({ title, text, reasons, action }) {
  return ask(title, (close) => {
    let chosen = "";
    let own = "";
    const trouble = h("p", { class: "trouble-line", role: "alert" });
    return [
      heading(title),
      text && h("p", {}, text),
      picks({
        legend: "Reason", name: "reason", kind: "column", chosen,
        options: reasons.map((reason) => ({ value: reason, label: reason })),
        onpick: (value) => {
          chosen = value;
        },
      }),
      ...line("reason-own", "More, in your own words", (event) => {
        own = event.target.value.trim();
      }),
      trouble,
      h(
        "div",
        { class: "ask-keys" },
        h("button", { type: "button", class: "key-plain", "data-do": "back", onclick: () => close(null) }, "Back"),
        h(
          "button",
          {
            type: "button", class: "key-strong", "data-do": "reason",
            onclick: () => {
              const reason = [chosen, own].filter(Boolean).join(": ");
              if (reason) close(reason);
              else trouble.textContent = "A reason is needed: choose one or type it.";
            },
          },
          action,
        ),
      ),
    ];
  });
}

/** Asks how a new run begins. Resolves to {reason, carry, anchor}, or null. */
export function askRun({ products }) {
  return ask("A new run", (close) => {
    const answer = { reason: "", carry: "none", anchor: "" };
    const trouble = h("p", { class: "trouble-line", role: "alert" });
    const options = [
      { value: "repeat", label: "Measure every product again", under: "the runs need no link" },
      { value: "anchor", label: "Measure one product in both runs", under: "it links the runs" },
      { value: "none", label: "Decide later", under: "the runs stay apart until then" },
    ];
    const anchors = h("div", { hidden: true });
    if (products.length) {
      anchors.append(
        picks({
          legend: "Product that links the runs", name: "anchor", kind: "column", chosen: "",
          options: products.map(({ code, name }) => ({ value: code, label: name || code })),
          onpick: (value) => {
            answer.anchor = value;
          },
        }),
      );
    } else {
      anchors.append(h("p", {}, "The products are hidden here: the planner names the one that links the runs."));
    }
    return [
      heading("A new run"),
      h("p", {}, "Readings from now on are kept apart from those before, because the method or the rig has changed."),
      ...line("run-reason", "What has changed", (event) => {
        answer.reason = event.target.value.trim();
      }),
      picks({
        legend: "How the runs are to be compared", name: "carry", kind: "column", chosen: "none", options,
        onpick: (value) => {
          answer.carry = value;
          anchors.hidden = value !== "anchor";
        },
      }),
      anchors,
      trouble,
      h(
        "div",
        { class: "ask-keys" },
        h("button", { type: "button", class: "key-plain", "data-do": "back", onclick: () => close(null) }, "Back"),
        h(
          "button",
          {
            type: "button", class: "key-strong", "data-do": "run",
            onclick: () => {
              if (!answer.reason) trouble.textContent = "Say what has changed: it is the reason for the new run.";
              else close(answer);
            },
          },
          "Start the run",
        ),
      ),
    ];
  });
}
