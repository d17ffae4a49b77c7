// Set once a session: who measures, with which gauges, what they show, and that the cautions were read.

import { askRun } from "./ask.js";
import { stamp, stretch } from "./clock.js";
import { h, picks, replace } from "./dom.js";
import { shown } from "./numbers.js";
import { instrumentsFor, unitsFor } from "./pack.js";

const WRONG_CLOCK_MS = 90000;

export function setupScreen(app) {
  const { pack, session, worklist } = app;
  const { property, method } = pack.trial;
  const said = h("p", { class: "said", role: "alert" });
  const begin = async (event) => {
    event.preventDefault();
    if (session.missing) {
      replace(said, session.missing);
      const open = session.without ? form.querySelector(`[data-gauge="${session.without.key}"]`) : form.querySelector("[data-do='confirm']");
      open?.scrollIntoView({ block: "center" });
      return;
    }
    if (!session.begun || !session.isOn) session.begun = Date.now();
    await session.save();
    if (app.current) app.showSpecimen(app.current);
    else app.showNext();
  };
  const left = worklist.places.length - worklist.doneCount;
  const form = h(
    "form",
    { class: "setup", novalidate: true, onsubmit: begin },
    h("header", {},
      pack.trial.name !== property.name && h("p", { class: "kicker" }, pack.trial.name || pack.trial.code),
      h("h1", { tabindex: "-1" }, property.name || property.code),
      h("p", { class: "facts" }, [
        `${worklist.places.length} specimens, ${left} to measure`,
        method.title && `${method.title}${method.revision ? `, revision ${method.revision}` : ""}`,
        conditionText(pack.trial.condition),
        pack.blind || pack.panel ? "blind: the codes do not tell the product" : "",
      ].filter(Boolean).join(" · "))),
    storageRemarks(app),
    pack.faults.map((fault) => h("p", { class: "remark grave" }, fault)),
    who(app),
    session.needed().map((slot) => gauge(app, slot)),
    session.needed().length > 0 && picks({
      legend: "Decimal sign that you type", name: "decimal", chosen: session.decimal,
      options: [{ value: ".", label: "1.5", under: "a point" }, { value: ",", label: "1,5", under: "a comma" }],
      onpick: (sign) => {
        session.decimal = sign;
        session.save();
      },
    }),
    method.hazardous && cautions(app),
    run(app),
    h("div", { class: "act" }, said, h("button", { type: "submit", class: "save", "data-do": "begin" }, session.isOn ? "Go on" : "Begin")),
  );
  return form;
}

const conditionText = (condition) => (typeof condition === "string" ? condition : condition?.name || "");

/** What the browser refuses or lacks, said before the first reading. */
function storageRemarks({ store, queue }) {
  const remarks = [];
  if (!store.kept) {
    remarks.push(h("p", { class: "remark grave", role: "alert", "data-remark": "storage" },
      "This browser refuses to store anything. Readings are held by this page alone until the server has them: ",
      "do not close or reload it while something waits, or measure with another tablet or browser window."));
  }
  if (!window.isSecureContext) {
    remarks.push(h("p", { class: "remark", "data-remark": "plain-http" },
      "This address is plain HTTP. Readings still wait on the tablet while the page is open",
      store.kept ? " and after it was closed" : "", ". Reloading the page without network needs HTTPS: ask your operator."));
  } else if (!navigator.serviceWorker) {
    remarks.push(h("p", { class: "remark", "data-remark": "no-worker" },
      "This browser cannot reload the page without network. Keep it open while you work."));
  }
  if (Math.abs(queue.skew ?? 0) > WRONG_CLOCK_MS) {
    const side = queue.skew < 0 ? "behind" : "ahead of";
    remarks.push(h("p", { class: "remark", "data-remark": "clock" },
      `The tablet’s clock is ${stretch(queue.skew)} ${side} the server’s. Both times are kept with each reading.`));
  }
  return remarks;
}

function who({ pack, session }) {
  if (pack.panel) {
    return h("section", { class: "setup-part" },
      h("h2", {}, "Who rates"),
      h("p", {}, session.operator, ", as signed in. You rate in your own order and see no other ratings."));
  }
  const input = h("input", {
    id: "operator", type: "text", class: "line", autocomplete: "off", maxlength: 100, value: session.operator,
    oninput: () => {
      session.operator = input.value;
    },
  });
  const others = pack.people.filter((name) => name !== session.operator);
  return h("section", { class: "setup-part" },
    h("h2", {}, h("label", { for: "operator" }, "Who measures")),
    input,
    others.length > 0 && picks({
      legend: "Others of the team", name: "person", hideLegend: true, chosen: "",
      options: others.slice(0, 12).map((name) => ({ value: name, label: name })),
      onpick: (name) => {
        session.operator = name;
        input.value = name;
      },
    }));
}

function gauge(app, slot) {
  const { pack, session } = app;
  const today = stamp().slice(0, 10);
  const instruments = instrumentsFor(pack, slot.key);
  const units = h("div");
  const drawUnits = () => {
    const choices = unitsFor(slot, session.instrument(slot.key));
    replace(units, session.gauges[slot.key] !== undefined && choices.length > 1 && picks({
      legend: "Unit that it shows", name: `setup-unit-${slot.key}`, chosen: session.unit(slot),
      options: choices.map((text) => ({ value: text, label: text })),
      onpick: (text) => session.setUnit(slot, text),
    }));
  };
  drawUnits();
  return h("section", { class: "setup-part", "data-gauge": slot.key },
    picks({
      legend: `Instrument for ${slot.name}`, name: `gauge-${slot.key}`, kind: "column headed", chosen: session.gauges[slot.key],
      options: [
        ...instruments.map((one) => ({ value: one.code, label: one.name, under: gaugeFacts(one, today, session.decimal) })),
        { value: "", label: "None", under: "read by eye or counted" },
      ],
      onpick: (code) => {
        session.gauges[slot.key] = code;
        session.save();
        drawUnits();
      },
    }),
    units);
}

function gaugeFacts(one, today, decimal) {
  const number = (value) => shown(value, decimal);
  const has = (value) => value !== null && value !== undefined && value !== "";
  return [
    one.serial && `serial ${one.serial}`,
    has(one.range_low) && has(one.range_high) && `${number(one.range_low)} to ${number(one.range_high)} ${one.unit}`,
    has(one.resolution) && `steps of ${number(one.resolution)} ${one.unit}`,
    one.due_on && (one.due_on < today ? `calibration ran out on ${one.due_on}` : `calibrated until ${one.due_on}`),
  ].filter(Boolean).join(" · ");
}

function cautions(app) {
  const { session, pack } = app;
  const { method } = pack.trial;
  const box = h("div");
  const draw = () => {
    replace(box, session.mustConfirm
      ? h("button", {
        type: "button", class: "key-strong", "data-do": "confirm",
        onclick: async () => {
          await app.confirmCautions();
          await session.save();
          draw();
        },
      }, "I have read this, and what it asks for is in place")
      : h("p", { class: "confirmed" }, "Read and in place: confirmed for this session."));
  };
  draw();
  return h("section", { class: "setup-part" },
    h("h2", {}, "Cautions"),
    h("p", { class: "remark grave" }, method.cautions),
    h("p", {}, "Local codes and a licensed or trained person’s word come before this sheet. If unsure, do not start."),
    box);
}

function run(app) {
  const { pack, session } = app;
  const now = pack.runs.find(({ code }) => code === session.run);
  const part = h("section", { class: "setup-part" });
  const draw = (begun) => replace(part,
    h("h2", {}, "Run"),
    h("p", {}, begun
      ? "A new run has begun: readings from now on belong to it."
      : now ? `Run ${now.code}${now.reason ? `: ${now.reason}` : ""}.` : "One run so far."),
    h("button", {
      type: "button", class: "key-plain", "data-do": "new-run",
      onclick: async () => {
        const answer = await askRun({ products: pack.products });
        if (!answer) return;
        await app.startRun(answer);
        draw(true);
      },
    }, "The method or the rig has changed"));
  draw(Boolean(session.runNeeds));
  return part;
}
