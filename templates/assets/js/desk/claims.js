// The claims' grid: arrow keys go from cell to cell, and a cell's form opens in place. Without this module
// every link leads to the same form on a page of its own.

const AMOUNTS = {
  at_least: ["value"], at_most: ["value"], nominal: ["value", "tolerance_minus", "tolerance_plus"],
  between: ["low", "high"], yes: [],
};

// Of the amounts only those show that the chosen sense has; one that holds something always shows.
function fit(form) {
  const sense = form.elements.sense;
  if (!sense) return;
  const shown = AMOUNTS[sense.value] ?? [];
  for (const name of ["value", "low", "high", "tolerance_minus", "tolerance_plus"]) {
    const input = form.elements[name];
    if (input) input.closest(".field").hidden = !shown.includes(name) && input.value === "";
  }
}

function fitAll(root) {
  for (const form of root.querySelectorAll("[data-claim-form]")) {
    fit(form);
    form.addEventListener("change", () => fit(form));
  }
}

// A column of amounts shows the one that its sense has, unless something stands in the others.
function fitColumn(table) {
  const sense = table.closest("form").elements.sense;
  const tell = () => {
    const filled = [...table.querySelectorAll(".of-value input, .of-low input, .of-high input")].some((i) => i.value);
    if (filled) delete table.dataset.sense;
    else table.dataset.sense = sense.value;
  };
  sense.addEventListener("change", tell);
  tell();
}

const grid = document.querySelector("[data-grid]");

function move(event) {
  const steps = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };
  const step = steps[event.key];
  const cell = event.target.closest("td, tbody th");
  if (!step || !cell || event.altKey || event.ctrlKey || event.metaKey) return;
  let row = cell.parentElement;
  let column = [...row.children].indexOf(cell);
  for (;;) {
    const rows = [...row.parentElement.children];
    row = rows[rows.indexOf(row) + step[0]];
    column += step[1];
    const next = row?.children[column];
    if (!next) return;
    const link = next.querySelector("a, button");
    if (link) {
      event.preventDefault();
      link.focus();
      link.scrollIntoView({ block: "nearest", inline: "nearest" });
      return;
    }
  }
}

let dialog;
let opener; // the id of the cell that the dialog was opened from

function show(text, address) {
  const page = new DOMParser().parseFromString(text, "text/html");
  const part = page.querySelector("[data-in-place]");
  if (!part) {
    location.assign(address);
    return;
  }
  const head = document.createElement("h2");
  head.id = "in-place-head";
  head.textContent = page.querySelector("h1").textContent;
  const told = page.querySelectorAll("main > .remark[role]");
  dialog.replaceChildren(head, ...told, part);
  fitAll(dialog);
  if (!dialog.open) dialog.showModal();
  dialog.querySelector("[role=alert], .wrong input, .wrong select, form input:not([type=hidden]), form select")?.focus();
}

function refresh(text) {
  const page = new DOMParser().parseFromString(text, "text/html");
  const fresh = page.querySelector("[data-grid]");
  const frame = grid.querySelector(".wide");
  const at = frame && [frame.scrollLeft, frame.scrollTop];
  grid.replaceChildren(...fresh.childNodes);
  if (at) grid.querySelector(".wide").scrollTo(...at);
  document.querySelectorAll("main > .remark[role]").forEach((one) => one.remove());
  grid.before(...page.querySelectorAll("main > .remark[role]"));
  document.querySelector("main .facts").replaceWith(page.querySelector("main .facts"));
  dialog.close();
}

async function open(link) {
  opener = link.closest("td")?.id ?? "";
  const answer = await fetch(link.href, { headers: { Accept: "text/html" } });
  show(await answer.text(), link.href);
}

async function send(event) {
  const form = event.target;
  if (form.method !== "post") return;
  event.preventDefault();
  const data = new FormData(form, event.submitter);
  const address = form.action;
  const button = event.submitter;
  if (button) button.disabled = true;
  try {
    const answer = await fetch(address, { method: "POST", body: data, headers: { Accept: "text/html" } });
    const text = await answer.text();
    if (answer.redirected && new URL(answer.url).pathname === location.pathname) refresh(text);
    else show(text, answer.url);
  } catch {
    // the network is away: the form stays as it is, and says so
    let line = dialog.querySelector(".unsent");
    if (!line) {
      line = document.createElement("p");
      line.className = "remark grave unsent";
      line.setAttribute("role", "alert");
      form.prepend(line);
    }
    line.textContent = "Not saved: the server did not answer. What you typed is still here; try again.";
  } finally {
    if (button) button.disabled = false;
  }
}

if (grid && "HTMLDialogElement" in window) {
  dialog = document.createElement("dialog");
  dialog.className = "in-place";
  dialog.setAttribute("aria-labelledby", "in-place-head");
  document.querySelector("main").append(dialog);
  grid.addEventListener("click", (event) => {
    const link = event.target.closest("[data-in-place-link]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
    event.preventDefault();
    open(link);
  });
  grid.addEventListener("keydown", move);
  dialog.addEventListener("submit", send);
  dialog.addEventListener("click", (event) => {
    if (event.target.closest("[data-leave]")) {
      event.preventDefault();
      dialog.close();
    }
    const link = event.target.closest("[data-in-place] a:not([data-leave])");
    if (link && new URL(link.href).pathname.includes("/claims/")) {
      event.preventDefault();
      fetch(link.href).then(async (answer) => show(await answer.text(), link.href));
    }
  });
  dialog.addEventListener("close", () => {
    dialog.replaceChildren();
    const cell = opener && document.getElementById(opener);
    cell?.querySelector("a")?.focus();
  });
}
fitAll(document);
document.querySelectorAll("[data-amounts]").forEach(fitColumn);
