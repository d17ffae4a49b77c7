// Starts the bench page: what the tablet kept, what the server sent with the page, and the way between them.

import { App } from "./app.js";
import { newId } from "./clock.js";
import { h, replace } from "./dom.js";
import { startFoot } from "./foot.js";
import { readPack } from "./pack.js";
import { Queue } from "./queue.js";
import { Session } from "./session.js";
import { openStore } from "./store.js";
import { Worklist } from "./worklist.js";

const FRESH_EVERY_MS = 60000;

/** The newer of the pack that came with the page and the one kept: the page may itself come from a cache. */
async function newestPack(store) {
  const sent = JSON.parse(document.getElementById("pack").textContent);
  const key = sent.trial.code;
  const kept = await store.get("packs", key);
  const mine = kept && kept.me.username === sent.me.username;
  if (mine && Date.parse(kept.at) > Date.parse(sent.at)) return kept;
  await store.set("packs", key, sent);
  return sent;
}

async function tabletName(store) {
  const kept = await store.get("choices", "tablet");
  if (kept) return kept;
  const made = newId();
  await store.set("choices", "tablet", made);
  return made;
}

/** Asks now and then, while in sight, what other tablets have measured. */
function keepFresh(app) {
  let etag = "";
  async function look() {
    if (document.visibilityState !== "visible") return;
    try {
      const headers = { Accept: "application/json", ...(etag && { "If-None-Match": etag }) };
      const answer = await fetch(app.pack.urls.pack, { headers, credentials: "same-origin", redirect: "manual", cache: "no-store" });
      if (!answer.ok || !(answer.headers.get("Content-Type") || "").includes("json")) return;
      etag = answer.headers.get("ETag") || "";
      const raw = await answer.json();
      if (raw.me.username !== app.pack.me.username) return; // another account: its page will come with the next load
      await app.store.set("packs", app.pack.key, raw);
      app.takePack(readPack(raw));
    } catch {
      // The network is away: the next look may get through.
    }
  }
  setInterval(look, FRESH_EVERY_MS);
  document.addEventListener("visibilitychange", look);
  addEventListener("online", look);
  look();
}

/** Lets the page open without network, where the browser can: HTTPS or this very machine. */
async function holdPage({ urls, specimens, trial }) {
  if (!window.isSecureContext || !navigator.serviceWorker || !urls.worker) return;
  try {
    await navigator.serviceWorker.register(urls.worker, { scope: urls.list });
    const { active } = await navigator.serviceWorker.ready;
    active.postMessage({
      hold: urls.page, list: urls.list, name: trial.property.name || trial.code,
      codes: specimens.map(({ blind_code: code }) => code),
      photos: trial.property.steps.map(({ photo }) => photo).filter(Boolean),
    });
    await navigator.storage?.persist?.();
  } catch (error) {
    console.warn("The page cannot be held for reloading without network:", error.message);
  }
}

function wireFrame(app) {
  const progress = document.querySelector("[data-progress]");
  const draw = () => replace(progress, `${app.worklist.doneCount} of ${app.worklist.places.length}`);
  document.addEventListener("bench-progress", draw);
  app.queue.addEventListener("change", draw);
  draw();
  const goes = { list: () => app.showList(), setup: () => app.showSetup(), specimen: () => app.showNext() };
  for (const button of document.querySelectorAll("[data-go]")) {
    button.disabled = false;
    button.addEventListener("click", goes[button.dataset.go]);
  }
  addEventListener("hashchange", () => app.start(decodeURIComponent(location.hash.slice(1))));
  addEventListener("beforeunload", (event) => {
    if (app.store.anyLoose) event.preventDefault();
  });
}

async function begin() {
  const place = document.getElementById("bench");
  const store = await openStore();
  await store.tidy();
  const pack = readPack(await newestPack(store));
  const queue = new Queue({ store, submit: pack.urls.submit, tablet: await tabletName(store) });
  await queue.load();
  const session = new Session(store, pack);
  await session.load();
  startFoot({ place: document.getElementById("foot"), queue, signIn: pack.urls.sign_in });
  const worklist = new Worklist(pack, queue.entries());
  const app = new App({ pack, store, queue, session, place, worklist });
  await app.loadDraft();
  queue.addEventListener("answers", ({ detail }) => app.answered(detail));
  queue.addEventListener("elsewhere", () => app.answered([]));
  queue.start();
  wireFrame(app);
  app.start(decodeURIComponent(location.hash.slice(1)));
  keepFresh(app);
  holdPage(pack);
}

begin().catch((error) => {
  console.error(error);
  replace(
    document.getElementById("bench"),
    h("p", { class: "remark grave", role: "alert" },
      `The bench page could not start: ${error.message}. What was saved on this tablet is still there; reload the page, or tell your operator.`),
  );
});
