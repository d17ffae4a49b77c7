{% load static %}// Lets the bench pages open without network. What is typed waits in the page's own store, not here.

const VERSION = "{{ version }}";
const SHELL = `bench-shell-${VERSION}`;
const PAGES = `bench-pages-${VERSION}`;
const PATIENCE_MS = 4000; // a weak network may neither answer nor fail

const STYLES = {
  paper: "{% static 'css/paper.css' %}", frame: "{% static 'css/frame.css' %}", tables: "{% static 'css/tables.css' %}",
  range: "{% static 'css/range.css' %}", print: "{% static 'css/print.css' %}", bench: "{% static 'css/bench.css' %}",
  forms: "{% static 'css/forms.css' %}", "bench-pages": "{% static 'css/bench-pages.css' %}",
};
{% get_static_prefix as prefix %}const ASSETS = [
  ...Object.values(STYLES), "{% static 'mark.svg' %}", "{{ prefix }}vendor/idb-8.0.4.js",
  ...[
    "app", "ask", "clock", "dom", "foot", "form", "keypad", "list", "main", "measured", "numbers", "pack", "photos", "queue",
    "session", "setup", "slips", "slots", "specimen", "store", "suspects", "worklist",
  ].map((name) => `{{ prefix }}js/bench/${name}.js`),
];
const HELD = new Set(ASSETS.map((path) => new URL(path, location).pathname));
const isEntryPage = (url) => /^\/bench\/(trials\/.+)?$/.test(url.pathname) && !url.pathname.endsWith(".json");
const HELD_CODES = "/bench/held-codes";
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
  const { hold, list, name, codes, photos } = event.data || {};
  if (hold) event.waitUntil(holdPage(hold, { list, name, codes: codes || [], photos: photos || [] }));
});

async function holdPage(path, { list, name, codes, photos }) {
  const cache = await caches.open(PAGES);
  for (const one of [path, list].filter(Boolean)) {
    const page = await fetchPage(one).catch(() => null);
    if (page) await cache.put(one, page);
  }
  await cache.put(HELD_CODES + path, new Response(JSON.stringify({ path, name, codes })));
  for (const photo of photos) {
    if (await cache.match(photo, LOOK)) continue;
    const picture = await fetchPage(photo).catch(() => null);
    if (picture) await cache.put(photo, picture);
  }
}

/** What was told of each page that is held: {path, name, codes}. */
async function heldPages(cache) {
  const asked = (await cache.keys()).filter(({ url }) => new URL(url).pathname.startsWith(HELD_CODES));
  return Promise.all(asked.map(async (request) => (await cache.match(request)).json()));
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

/** Photos of scale steps: there without network, as a page that asks to be held names them. */
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
  if (!held && !url.pathname.startsWith("/bench/s/")) return asked.catch(() => notHeld(cache));
  const late = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS));
  const answer = await Promise.race([asked.catch(() => null), late]);
  if (answer && answer.status < 500) return answer;
  return held || (await fromCode(cache, url)) || asked.catch(() => notHeld(cache));
}

const escaped = (text) => String(text).replace(/[&<>"']/g, (sign) => `&#${sign.charCodeAt(0)};`);

/** Said instead of the browser's own words where a page is not held: what still opens, and that nothing is lost. */
async function notHeld(cache) {
  const pages = (await heldPages(cache)).map(({ path, name }) =>
    `<li><a class="trial" href="${escaped(path)}"><span class="name">${escaped(name || path)}</span></a></li>`);
  const body = `<!doctype html><html lang="en"><head><meta charset="utf-8"><title>No network – Evenhand bench</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
${["paper", "frame", "bench-pages"].map((name) => `<link rel="stylesheet" href="${STYLES[name]}">`).join("")}</head>
<body class="working at-bench"><main><h1>No network</h1>
<p>This page needs the network. What was typed on this tablet is still saved on it, and is sent when the network is back.</p>
${pages.length ? `<p>These trials open without network:</p><ul class="trials">${pages.join("")}</ul>` : "<p>No trial is held on this tablet yet: open one while there is a network.</p>"}
</main></body></html>`;
  return new Response(body, { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
}

/** The address on a label: the page held for the trial that has this code, opened at it. */
async function fromCode(cache, url) {
  const code = decodeURIComponent(url.pathname.split("/")[3] || "").toUpperCase();
  const page = (await heldPages(cache)).find(({ codes }) => codes.includes(code));
  return page ? Response.redirect(`${page.path}#${encodeURIComponent(code)}`) : null;
}
