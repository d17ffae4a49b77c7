// Filters and sorting at once: asks for the part of the page that changes and puts it in place. Without this
// script the same links and the same form load the page anew.

let running;

async function show(address, focus) {
  const place = document.querySelector("[data-listing]");
  running?.abort();
  running = new AbortController();
  try {
    const answer = await fetch(address, { headers: { "X-Part": "1" }, redirect: "error", signal: running.signal });
    if (!answer.ok) throw new Error(String(answer.status));
    const text = await answer.text();
    const part = new DOMParser().parseFromString(text, "text/html").querySelector("[data-listing]");
    if (!part) throw new Error("no part");
    place.replaceWith(part);
    // What was in focus is in focus again, so that the keyboard goes on from there.
    document.querySelector(focus)?.focus({ preventScroll: true });
    return true;
  } catch (error) {
    if (error.name === "AbortError") return true;
    location.assign(address); // signed out, or the network is away: the page itself says so
    return false;
  }
}

async function go(address, focus) {
  if (await show(address, focus)) history.replaceState(null, "", address);
}

function filtered(form) {
  const kept = [...new FormData(form)].filter(([, value]) => value !== "");
  const query = new URLSearchParams(kept).toString();
  return `${form.getAttribute("action").split("#")[0]}${query ? `?${query}` : ""}`;
}

document.addEventListener("change", (event) => {
  const form = event.target.closest("[data-listing] form.filters");
  if (form) go(filtered(form), `#${event.target.id}`);
});

document.addEventListener("submit", (event) => {
  const form = event.target.closest("[data-listing] form.filters");
  if (!form) return;
  event.preventDefault();
  go(filtered(form), "form.filters button");
});

document.addEventListener("click", (event) => {
  const link = event.target.closest("[data-listing] thead a[data-sort], [data-listing] .pager a");
  if (!link || event.metaKey || event.ctrlKey || event.shiftKey) return;
  event.preventDefault();
  go(link.href.split("#")[0], link.dataset.sort ? `a[data-sort="${link.dataset.sort}"]` : `.pager a[rel="${link.rel}"]`);
});
