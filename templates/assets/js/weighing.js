// A reader's own weights: fields and sliders that weigh the stored scores anew at once. Nothing is sent anywhere.
// Without this script the form asks the server, which says the same.

import { query, read, weightOf, written } from "./address.js";
import { rounded, tableOf, weigh } from "./scores.js";

const GAP = "\u00a0";
const HASH = "#weights?"; // weights in the address of a page stay in the browser: a fragment is never sent
const PAUSE_MS = 400; // what is written to the address and read out waits for the hand to rest
const root = document.querySelector("[data-weighing]");

function ordinal(n) {
  const ending = n % 100 >= 10 && n % 100 <= 20 ? "th" : { 1: "st", 2: "nd", 3: "rd" }[n % 10] ?? "th";
  return `${n}${ending}`;
}

function listed(names) {
  return names.length < 2 ? names.join("") : `${names.slice(0, -1).join(", ")} and ${names.at(-1)}`;
}

// Text is changed in place: a new node would have the page's styles looked up anew.
function put(element, text) {
  const node = element.firstChild;
  if (node?.nodeType !== Node.TEXT_NODE || node.nextSibling) element.textContent = text;
  else if (node.data !== text) node.data = text;
}

function share(weight, total) {
  const percent = total > 0 ? (100 * weight) / total : 0;
  return percent > 0 && percent < 1 ? `under 1${GAP}%` : `${rounded(percent, 0)}${GAP}%`;
}

class Weighing {
  constructor(root) {
    const part = (name) => root.querySelector(`[data-part="${name}"]`);
    const data = JSON.parse(document.getElementById("weighing-data").textContent);
    Object.assign(this, { root, part, ...data });
    this.table = tableOf(data.table);
    this.ids = this.criteria.map(({ id }) => id);
    this.weights = new Float64Array(this.ids.length);
    this.fields = this.ids.map((id) => ({
      number: document.getElementById(`w-${id}`),
      slider: document.getElementById(`r-${id}`),
      share: document.getElementById(`s-${id}`),
    }));
    this.rule = root.querySelector('[name="missing"]');
    this.rows = this.blankRows();
    this.listen();
    this.restore();
  }

  // One row for each product that may be ranked; filled from the top, so that nothing moves but text and marks.
  blankRows() {
    const body = this.part("rows");
    const blank = this.part("blank").content.firstElementChild;
    const rows = this.products.filter((_, p) => !this.table.gated[p]).map(() => blank.cloneNode(true));
    body.replaceChildren(...rows);
    return rows.map((row) => ({
      row,
      place: row.querySelector(".place"),
      name: row.querySelector("[data-name]"),
      variant: row.querySelector(".variant"),
      score: row.querySelector("[data-score]"),
      open: row.querySelector("[data-open]"),
      likely: row.querySelector(".likely"),
      mean: row.querySelector(".mean"),
      places: [...row.querySelectorAll("[data-place]")],
      shown: -1,
    }));
  }

  listen() {
    this.fields.forEach(({ number, slider }, c) => {
      slider.hidden = false;
      slider.addEventListener("input", () => {
        this.weights[c] = Number(slider.value);
        number.value = slider.value;
        number.removeAttribute("aria-invalid");
        this.changed();
      });
      number.addEventListener("input", () => {
        const weight = weightOf(number.value.trim());
        number.toggleAttribute("aria-invalid", weight === null);
        if (weight === null) {
          number.setAttribute("aria-invalid", "true");
          this.say(`“${this.criteria[c].name}” has no number from 0 to 100: the weight before it counts.`);
          return;
        }
        this.weights[c] = weight;
        this.changed();
      });
      number.addEventListener("change", () => {
        if (number.hasAttribute("aria-invalid")) {
          number.value = written(this.weights[c]);
          number.removeAttribute("aria-invalid");
          this.say("");
        }
      });
    });
    this.rule?.addEventListener("change", () => this.changed());
    this.part("form").addEventListener("submit", (event) => event.preventDefault());
    for (const hidden of this.root.querySelectorAll("[data-without-script]")) hidden.hidden = true;
    for (const shown of this.root.querySelectorAll("[data-with-script]")) shown.hidden = false;
    for (const start of this.root.querySelectorAll("[data-start]")) start.href = HASH + start.dataset.start;
    addEventListener("hashchange", () => this.restore(true));
  }

  // Takes the weights of the address; without any, those of the first weighting.
  restore(again = false) {
    const { hash, search } = location;
    const own = hash.startsWith(HASH);
    if (again && !own) return;
    const first = this.weightings[0];
    const found = read(own ? hash.slice(HASH.length) : search, this.criteria, first.missing);
    const good = found?.weights ? found : first;
    this.weights.set(good.weights);
    if (this.rule) this.rule.value = good.missing;
    this.missing = good.missing;
    this.fields.forEach(({ number }, c) => {
      number.value = written(this.weights[c]);
      number.removeAttribute("aria-invalid");
    });
    const bad = found?.reason;
    this.say(bad ? `The address holds weights that cannot be used: ${bad}. These are the weights of “${first.name}”.` : "");
    this.show();
    if (own && !again) document.getElementById("weights").scrollIntoView();
    if (own && again && !bad) this.readOut();
  }

  changed() {
    this.say("");
    this.show();
    clearTimeout(this.waits);
    this.waits = setTimeout(() => {
      const path = location.pathname;
      history.replaceState(history.state, "", path + HASH + this.query());
      this.readOut();
    }, PAUSE_MS);
  }

  query() {
    return query(this.ids, this.weights, this.missing);
  }

  readOut() {
    put(this.part("said"), this.part("lead").textContent);
  }

  say(text) {
    const line = this.part("line");
    put(line, text);
    line.hidden = !text;
  }

  show() {
    if (this.rule) this.missing = this.rule.value;
    const total = this.weights.reduce((sum, w) => sum + w, 0);
    this.fields.forEach(({ slider, share: told }, c) => {
      const weight = this.weights[c];
      const text = share(weight, total);
      put(told, text);
      const at = String(Math.floor(Math.min(weight, this.limit) + 0.5));
      if (slider.value !== at) slider.value = at;
      slider.setAttribute("aria-valuetext", `${written(weight)}, ${text} of the weight`);
    });
    const found = weigh(this.table, this.weights, this.missing);
    const order = this.products.map((_, p) => p).filter((p) => found.rank[p] > 0);
    order.sort((a, b) => found.rank[a] - found.rank[b] || found.score[b] - found.score[a] || a - b);
    this.rows.forEach((row, i) => this.fill(row, order[i], found));
    put(this.part("lead"), this.lead(found, order));
    put(this.part("now"), order.slice(0, 3).map((p) => this.short(found, p)).join(" · "));
    this.remark(found);
    const link = this.part("link");
    link.href = `${this.root.dataset.address}?${this.query()}`;
  }

  short(found, p) {
    return `${ordinal(found.rank[p])} ${this.products[p].name} ${rounded(found.score[p], 1)}`;
  }

  fill(row, p, found) {
    row.row.hidden = p === undefined;
    if (p === undefined) return;
    const product = this.products[p];
    if (row.shown !== p) {
      put(row.name, product.name);
      put(row.variant, product.variant);
      row.places.forEach((cell, i) => put(cell, product.places[i]));
      row.shown = p;
    }
    const score = found.score[p];
    const low = Math.min(found.low[p], score);
    const high = Math.max(found.high[p], score);
    const open = high - low > 1e-9;
    put(row.place, ordinal(found.rank[p]));
    put(row.score, rounded(score, 1));
    put(row.open, open ? `${rounded(low, 1)} to ${rounded(high, 1)} by what is missing` : "");
    row.row.classList.toggle("first", found.rank[p] === 1);
    for (const end of ["x1", "x2"]) row.mean.setAttribute(end, `${score.toFixed(1)}%`);
    row.likely.setAttribute("visibility", open ? "visible" : "hidden");
    if (open) {
      row.likely.setAttribute("x1", `${low.toFixed(1)}%`);
      row.likely.setAttribute("x2", `${high.toFixed(1)}%`);
    }
  }

  lead(found, order) {
    if (!order.length) return "No product that may be recommended has a score with these weights.";
    const first = order.filter((p) => found.rank[p] === 1);
    const names = listed(first.map((p) => this.products[p].name));
    const verb = first.length === 1 ? "has" : "share";
    let said = `${names} ${verb} the highest score with these weights, ${rounded(found.score[first[0]], 1)} of 100`;
    if (order.length > first.length) {
      const after = order[first.length];
      said += `; ${this.products[after].name} follows with ${rounded(found.score[after], 1)}`;
    }
    return `${said}.${found.stands === false ? " What is missing could change who leads." : ""}`;
  }

  remark(found) {
    const said = [];
    const all = this.products.map((_, p) => p);
    const name = (p) => this.products[p].name;
    const left = found.dropped.map((c) => this.criteria[c].name);
    if (left.length) said.push(`Left out for all, because a product has no result: ${listed(left)}.`);
    const held = all
      .filter((p) => this.table.gated[p] && found.rankOfAll[p])
      .map((p) => `${name(p)} (${rounded(found.score[p], 1)}, ${ordinal(found.rankOfAll[p])} by score alone)`);
    if (held.length) said.push(`No recommendation, whatever the weights: ${listed(held)}.`);
    const bare = all.filter((p) => !found.rankOfAll[p]).map(name);
    if (bare.length) said.push(`No score with these weights: ${listed(bare)}.`);
    const text = said.join("\n");
    if (text === this.remarks) return;
    this.remarks = text;
    const items = said.map((line) => Object.assign(document.createElement("li"), { textContent: line }));
    this.part("remarks").replaceChildren(...items);
  }
}

if (root) {
  root.weighing = new Weighing(root);
  root.dataset.ready = "yes";
}
