// The article: what is picked goes in at the cursor, the preview follows, and unsaved text stays in this browser.
// Without this script the same buttons send the form, and nothing is kept in the browser.

const form = document.querySelector("[data-article]");
const field = form.elements.text;
const told = document.querySelector("[data-told]");
const PAUSE_MS = 800;

/** Runs `action` once the calls have paused. */
function paused(action, wait = PAUSE_MS) {
  let timer = 0;
  return () => {
    clearTimeout(timer);
    timer = setTimeout(action, wait);
  };
}

// What is not saved yet.

const key = form.dataset.keptAs;
const notice = document.querySelector("[data-kept-notice]");

function stored() {
  try {
    return JSON.parse(localStorage.getItem(key) ?? "null");
  } catch {
    return null; // storage is switched off, or holds something else
  }
}

function keep() {
  try {
    localStorage.setItem(key, JSON.stringify({ text: field.value, at: new Date().toISOString() }));
    document.querySelector("[data-keeping]").hidden = false;
  } catch {
    document.querySelector("[data-keeping]").hidden = true; // it says so only while it is true
  }
}

function forget() {
  try {
    localStorage.removeItem(key);
  } catch {
    // nothing was kept
  }
  notice.hidden = true;
}

/** Offers what was kept, where it is not what the server holds. A page that brings typed text back holds the newest. */
function offer() {
  if ("unsaved" in form.dataset) {
    keep();
    return;
  }
  const kept = stored();
  if (!kept || typeof kept.text !== "string") return;
  if (kept.text.trim() === field.value.trim()) {
    forget();
    return;
  }
  const when = new Date(kept.at);
  notice.querySelector("[data-kept-when]").textContent = Number.isNaN(when.getTime()) ? "before" : when.toLocaleString();
  notice.querySelector("[data-kept-take]").addEventListener("click", () => {
    field.value = kept.text;
    notice.hidden = true;
    changed();
    field.focus();
  });
  notice.querySelector("[data-kept-drop]").addEventListener("click", forget);
  notice.hidden = false;
}

// The preview.

let asked = 0;

async function show() {
  const mine = (asked += 1);
  const body = new FormData();
  body.set("csrfmiddlewaretoken", form.elements.csrfmiddlewaretoken.value);
  body.set("text", field.value);
  told.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(form.dataset.preview, { method: "POST", body });
    if (answer.ok && !answer.redirected && mine === asked) {
      const open = told.querySelector("details.looks")?.open;
      told.innerHTML = await answer.text(); // our own server's, cleaned there
      const looks = told.querySelector("details.looks");
      if (looks && open !== undefined) looks.open = open;
      linkLines();
    }
  } catch {
    // The network is away: the text stays, and the next look may get through.
  }
  if (mine === asked) told.removeAttribute("aria-busy");
}

/** Marks one line of the text and brings it into sight. */
function mark(number) {
  const lines = field.value.split("\n");
  const line = Math.min(Math.max(number, 1), lines.length);
  const start = lines.slice(0, line - 1).reduce((sum, one) => sum + one.length + 1, 0);
  field.focus();
  field.setSelectionRange(start, start); // a cursor alone makes the field scroll to it
  field.blur();
  field.focus();
  field.setSelectionRange(start, start + lines[line - 1].length);
}

/** A click on a line's number marks that line in the text. */
function linkLines() {
  for (const label of told.querySelectorAll("[data-line] > .line-number")) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "line-number";
    button.textContent = label.textContent;
    button.addEventListener("click", () => mark(Number(button.parentElement.dataset.line)));
    label.replaceWith(button);
  }
}

const showSoon = paused(show);

function changed() {
  keep();
  showSoon();
}

// The pickers.

/** Puts a piece in place of what is marked, or at the cursor; a picture stands on lines of its own. */
function insert({ markdown, apart }) {
  const { selectionStart: from, selectionEnd: to, value } = field;
  let piece = markdown;
  if (apart) {
    const before = value.slice(0, from).trimEnd() ? "\n\n" : "";
    piece = `${before}${markdown}\n\n`;
  } else if (from > 0 && from === to && !/[\s([“]/.test(value[from - 1])) {
    piece = ` ${markdown}`;
  }
  field.setRangeText(piece, apart ? to : from, to, "end");
  changed();
  field.focus();
}

function say(picker, answer) {
  const line = picker.querySelector("[data-comes-to]");
  if (!line) return;
  line.classList.toggle("not", Boolean(answer.why));
  line.textContent = answer.why ?? answer.text;
  if (answer.aside) {
    const under = document.createElement("span");
    under.className = "under";
    under.textContent = answer.aside;
    line.append(under);
  }
}

async function picked(picker) {
  const address = new URL(form.dataset.pick, location.href);
  address.searchParams.set("do", picker.dataset.picker);
  for (const one of picker.querySelectorAll("select, input:not([type=file])")) {
    if (one.value && !one.closest("fieldset")) address.searchParams.set(one.name, one.value);
  }
  const marked = field.value.slice(field.selectionStart, field.selectionEnd).trim();
  if (picker.dataset.picker === "tie" && marked && !form.elements["tie-words"].value) {
    address.searchParams.set("tie-words", marked.slice(0, 1000));
  }
  try {
    const answer = await fetch(address, { headers: { Accept: "application/json" } });
    return answer.ok && !answer.redirected ? await answer.json() : { why: "The server did not answer: look whether you are still signed in." };
  } catch {
    return { why: "The server cannot be reached now." };
  }
}

/** Shows only what the chosen kind asks for, and of the trials only those that it can speak of. */
function narrow(picker) {
  const what = picker.querySelector("select[name$='-what']");
  if (!what) return;
  const option = what.selectedOptions[0];
  const slots = (option?.dataset.slots ?? "").split(" ");
  const trials = (option?.dataset.trials ?? "").split(" ").filter(Boolean);
  for (const box of picker.querySelectorAll("[data-slot]")) {
    box.hidden = !what.value || !slots.includes(box.dataset.slot);
    if (box.dataset.slot !== "trial") continue;
    for (const one of box.querySelectorAll("option[data-kinds]")) {
      const fits = !trials.length || one.dataset.kinds.split(" ").some((kind) => trials.includes(kind));
      one.hidden = one.disabled = !fits;
      if (!fits && one.selected) box.querySelector("select").value = "";
    }
  }
}

for (const picker of document.querySelectorAll("[data-picker]")) {
  const look = async () => {
    const boxes = [...picker.querySelectorAll("[data-slot]")].filter((box) => !box.hidden);
    const what = picker.querySelector("select[name$='-what'], select[name='picture-path']");
    const ready = what?.value && boxes.every((box) => box.querySelector("select").value);
    say(picker, ready && picker.dataset.picker !== "picture" ? await picked(picker) : { text: "" });
  };
  narrow(picker);
  picker.addEventListener("change", (event) => {
    if (event.target.closest("fieldset")) return;
    narrow(picker);
    look();
  });
}

form.addEventListener("submit", async (event) => {
  const button = event.submitter;
  const picker = button?.closest("[data-picker]");
  form.elements.at.value = String(field.selectionEnd);
  if (button?.value === "preview") {
    event.preventDefault();
    await show();
    told.scrollIntoView({ block: "nearest" });
  } else if (picker && button.value === picker.dataset.picker) {
    event.preventDefault();
    const answer = await picked(picker);
    say(picker, answer);
    if (answer.markdown) insert(answer);
  }
});

field.addEventListener("input", changed);
form.elements["tie-words"]?.addEventListener("keydown", (event) => {
  if (event.key === "Enter") {
    event.preventDefault(); // Enter would save the article
    form.querySelector("button[value=tie]").click();
  }
});
document.querySelector("[data-keeping]").hidden = false;
offer();
linkLines();
const wanted = /^#line-(\d{1,7})$/.exec(location.hash);
if (wanted) mark(Number(wanted[1])); // another page led to this line
