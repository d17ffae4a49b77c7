// While work is under way and the page is in sight, asks now and then whether it is done, and then loads the page anew.

const place = document.querySelector("[data-waits]");
const EVERY_MS = 2000;

async function look() {
  if (document.visibilityState !== "visible") return;
  try {
    const answer = await fetch(place.dataset.waits, { headers: { Accept: "application/json" } });
    if (answer.ok && !(await answer.json()).waiting) location.reload();
  } catch {
    // The network is away: the next look may get through.
  }
}

if (place) {
  setInterval(look, EVERY_MS);
  document.addEventListener("visibilitychange", look);
}
