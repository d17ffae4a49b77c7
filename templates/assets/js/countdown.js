// Countdowns to moments that the server named. They follow the server's clock, so a tablet that slept,
// was reloaded or has a wrong clock shows the same.

const at = document.querySelector("[data-now]");
const ahead = at ? Date.now() - Date.parse(at.dataset.now) : 0; // of this device's clock
const EVERY_MS = 1000;
const STALE_MS = 10 * 60 * 1000;
const opened = Date.now();

function words(ms) {
  const minutes = Math.floor(Math.abs(ms) / 60000);
  const days = Math.floor(minutes / 1440);
  const hours = Math.floor((minutes % 1440) / 60);
  const seconds = Math.floor((Math.abs(ms) % 60000) / 1000);
  const span = days ? `${days} d ${hours} h` : hours ? `${hours} h ${minutes % 60} min` : minutes ? `${minutes} min` : `${seconds} s`;
  return ms >= 0 ? `in ${span}` : `${span} ago`;
}

function show() {
  for (const time of document.querySelectorAll("[data-due]")) {
    time.title ||= time.textContent.trim();
    const text = words(Date.parse(time.dataset.due) - (Date.now() - ahead));
    if (time.textContent !== text) time.textContent = text;
  }
}

function typing() {
  return [...document.querySelectorAll("input, textarea")].some((one) => {
    if (one.type === "checkbox" || one.type === "radio") return one.checked !== one.defaultChecked;
    return one.type === "file" ? one.files.length > 0 : one.type !== "hidden" && one.value !== one.defaultValue;
  });
}

show();
setInterval(show, EVERY_MS);
document.addEventListener("visibilitychange", () => {
  show();
  // What stands on the board may have changed meanwhile; what somebody began to type stays.
  if (document.visibilityState === "visible" && Date.now() - opened > STALE_MS && !typing()) location.reload();
});
