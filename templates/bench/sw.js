{% load static %}// Lets the bench pages open without network. What is typed waits in the page's own store, not here.

const VERSION = "{{ version }}";
const SHELL = `bench-shell-${VERSION}`;
const PAGES = `bench-pages-${VERSION}`;
const PATIENCE_MS = 4000; // a weak network may neither answer nor fail

{% get_static_prefix as prefix %}const ASSETS = [
  "{% static 'css/paper.css' %}", "{% static 'css/frame.css' %}", "{% static 'css/tables.css' %}",
  "{% static 'css/range.css' %}", "{% static 'css/print.css' %}", "{% static 'css/bench.css' %}",
  "{% static 'css/forms.css' %}", "{% static 'css/bench-pages.css' %}", "{% static 'mark.svg' %}",
  "{{ prefix }}vendor/idb-8.0.4.js",
  ...[
    "app", "ask", "clock", "dom", "foot", "form", "keypad", "list", "main", "measured", "numbers", "pack", "photos", "queue",
    "session", "setup", "slips", "slots", "specimen", "store", "suspects", "worklist",
  ].map((name) => `{{ prefix }}js/bench/${name}.js`),
];
const HELD = new Set(ASSETS.map((path) => new URL(path, location).pathname));
const isEntryPage = (url) => /^\/bench\/(trials\/.+)?$/.test(url.pathname) && !url.pathname.endsWith(".json");
const LOOK = { ignoreVary: true, ignoreSearch: true };

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(Promise.all([holdAssets(), carryPages()]));
});

async function holdAssets() {
  const cache = await caches.open(SHELL);
  await cache.addAll(ASSETS.map((path) => new Request(path, { cache: "reload" })));
}

/** Pages held by the version before are asked for anew; one that cannot be had is kept as it is. */
async function carryPages() {
  const cache = await caches.open(PAGES);
  for (const name of await caches.keys()) {
    if (!name.startsWith("bench-pages-") || name === PAGES) continue;
    const before = await caches.open(name);
    for (const request of await before.keys()) {
      const fresh = isEntryPage(new URL(request.url)) ? await fetchPage(request.url).catch(() => null) : null;
      await cache.put(request.url, fresh || (await before.match(request)));
    }
  }
}

async function fetchPage(url) {
  const answer = await fetch(url, { credentials: "same-origin", redirect: "manual", cache: "no-store" });
  return answer.ok ? answer : null;
}

self.addEventListener("activate", (event) => {
  event.waitUntil(Promise.all([self.clients.claim(), forgetOld()]));
});

/** The style sheets of the version before stay: a page carried over from it names them. */
async function forgetOld() {
  const names = await caches.keys();
  const shells = names.filter((name) => name.startsWith("bench-shell-") && name !== SHELL);
  const pages = names.filter((name) => name.startsWith("bench-pages-") && name !== PAGES);
  await Promise.all([...shells.slice(0, -1), ...pages].map((name) => caches.delete(name)));
}

/** A page asks to be held at once, with the codes whose labels lead to it. */
self.addEventListener("message", (event) => {
  const { hold, codes } = event.data || {};
  if (hold) event.waitUntil(holdPage(hold, codes || []));
});

async function holdPage(path, codes) {
  const cache = await caches.open(PAGES);
  const page = await fetchPage(path).catch(() => null);
  if (page) await cache.put(path, page);
  await cache.put(`/bench/held-codes${path}`, new Response(JSON.stringify({ path, codes })));
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  if (request.mode === "navigate") event.respondWith(openPage(request, url));
  else if (HELD.has(url.pathname)) event.respondWith(fromShell(request));
  else if (request.destination === "image" && url.pathname.startsWith("/bench/")) event.respondWith(image(request));
});

async function fromShell(request) {
  const cache = await caches.open(SHELL);
  return (await cache.match(request, LOOK)) || (await caches.match(request, LOOK)) || fetch(request);
}

/** Photos of scale steps: once seen, there without network. */
async function image(request) {
  const cache = await caches.open(PAGES);
  const held = await cache.match(request, LOOK);
  if (held) return held;
  const answer = await fetch(request);
  if (answer.ok) await cache.put(request, answer.clone());
  return answer;
}

/** The network first; what is held where it does not answer in time, or only with a fault of its own. */
async function openPage(request, url) {
  const cache = await caches.open(PAGES);
  const asked = fetch(request).then(async (answer) => {
    if (answer.ok && !answer.redirected && isEntryPage(url)) await cache.put(url.pathname, answer.clone());
    return answer;
  });
  asked.catch(() => {});
  const held = await cache.match(url.pathname, LOOK);
  if (!held && !url.pathname.startsWith("/bench/s/")) return asked;
  const late = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS));
  const answer = await Promise.race([asked.catch(() => null), late]);
  if (answer && answer.status < 500) return answer;
  return held || (await fromCode(cache, url)) || asked;
}

/** The address on a label: the page held for the trial that has this code, opened at it. */
async function fromCode(cache, url) {
  const code = decodeURIComponent(url.pathname.split("/")[3] || "").toUpperCase();
  for (const request of await cache.keys()) {
    if (!new URL(request.url).pathname.startsWith("/bench/held-codes/")) continue;
    const { path, codes } = await (await cache.match(request)).json();
    if (codes.includes(code)) return Response.redirect(`${path}#${encodeURIComponent(code)}`);
  }
  return null;
}
