// Asks now and then for the part of the page that changes, while it is in sight.

const place = document.querySelector("[data-part]");
const EVERY_MS = 5000;
let busy = false;

async function look() {
  // A folded part that is open, or a link in focus, is not pulled away from under the reader.
  if (busy || document.visibilityState !== "visible" || place.contains(document.activeElement)) return;
  busy = true;
  try {
    const answer = await fetch(place.dataset.part, { headers: { Accept: "text/html" }, redirect: "error" });
    if (answer.ok) {
      const text = await answer.text();
      if (text !== look.last) place.innerHTML = text;
      look.last = text;
      document.body.dataset.looked = String(Number(document.body.dataset.looked ?? 0) + 1);
    }
  } catch {
    // The network is away or one is signed out: the next look may get through.
  } finally {
    busy = false;
  }
}

if (place) {
  setInterval(look, EVERY_MS);
  document.addEventListener("visibilitychange", look);
}
