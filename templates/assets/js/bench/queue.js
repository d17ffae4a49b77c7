// Sends what waits, whatever the network does. It knows nothing of the page and needs no service worker.
// Each entry carries an id made here; the server takes each once, so sending again is always safe.
// Windows of one tablet share one store: they tell each other what changed, and one of them sends.

import { stamp } from "./clock.js";

const CHANNEL = "evenhand-bench";
const SENDING = "evenhand-bench-sending";

const BATCH = 40;
const FIRST_PAUSE_MS = 2000;
const LONGEST_PAUSE_MS = 60000;
const PATIENCE_MS = 20000;
const PHOTO_PATIENCE_MS = 90000;

const FURTHER = ["waiting", "refused", "stored", "aside"]; // an entry never goes back

const waits = (entry) => entry.status === "waiting";

export class Queue extends EventTarget {
  constructor({ store, submit, tablet }) {
    super();
    Object.assign(this, { store, submit, tablet });
    this.known = new Map();
    this.pause = FIRST_PAUSE_MS;
    this.trouble = ""; // "", "unreachable", "signed-out", "not-allowed"
    this.nextTry = null;
    this.lastStored = null;
    this.skew = null; // tablet's clock minus the server's, ms
    this.remarks = []; // what the server said of entries that it stored: {entry, text, seen}
    this.others = window.BroadcastChannel ? new BroadcastChannel(CHANNEL) : null;
  }

  /** Reads what earlier pages left. */
  async load() {
    this.learn(await this.store.entries());
  }

  /** Takes entries as the store has them; true where one was new or had changed. */
  learn(entries) {
    let any = false;
    for (const entry of entries) {
      const mine = this.known.get(entry.id);
      if (!mine) this.known.set(entry.id, entry);
      else if (FURTHER.indexOf(entry.status) > FURTHER.indexOf(mine.status)) Object.assign(mine, entry);
      else continue;
      any = true;
    }
    return any;
  }

  /** Looks up what another window of this tablet kept, sent or set aside. */
  async heard(find) {
    const found = await find().catch(() => []); // the store is away: what this window knows still holds
    if (!this.learn(found)) return;
    this.dispatchEvent(new Event("elsewhere"));
    this.tell();
    this.flush();
  }

  say(entries) {
    if (entries.length) this.others?.postMessage(entries.map(({ id }) => id));
  }

  /** Sends at each moment when it may get through. */
  start() {
    addEventListener("online", () => this.flush({ now: true }));
    addEventListener("offline", () => this.tell());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState !== "visible") return;
      this.heard(() => this.store.entries()); // a window that slept heard nothing
      this.flush({ now: true });
    });
    this.others?.addEventListener("message", ({ data }) => this.heard(() => this.store.these(data)));
    this.tell();
    this.flush({ now: true });
  }

  entries() {
    return [...this.known.values()];
  }

  /** Keeps an entry, then sends it in the background. Resolves once it is kept; false if in this page only. */
  async add(entry, photos = []) {
    const kept = await this.store.add(entry, photos);
    this.known.set(entry.id, entry);
    for (const photo of photos) this.known.set(photo.entry.id, photo.entry);
    this.say([entry, ...photos.map((photo) => photo.entry)]);
    this.flush();
    this.tell();
    return kept;
  }

  async setAside(entry) {
    entry.status = "aside";
    await this.store.update(entry);
    this.say([entry]);
    this.tell();
  }

  /** What the foot of the page says. */
  summary() {
    const all = this.entries();
    const waiting = all.filter(waits);
    return {
      waiting: waiting.length,
      since: waiting.length ? Math.min(...waiting.map((entry) => entry.at)) : null,
      refused: all.filter(({ status }) => status === "refused").length,
      stored: all.filter(({ status }) => status === "stored").length,
      lastStored: this.lastStored,
      remarks: this.remarks.filter(({ seen }) => !seen).length,
      trouble: this.trouble,
      offline: navigator.onLine === false,
      sending: Boolean(this.sending),
      nextTry: this.nextTry,
      loose: this.store.anyLoose,
      kept: this.store.kept,
    };
  }

  tell() {
    this.dispatchEvent(new Event("change"));
  }

  /** Sends all that waits. One sending at a time; a call during it makes it look again. */
  async flush({ now = false } = {}) {
    if (this.sending) {
      this.lookAgain = true;
      return;
    }
    if (!now && this.nextTry !== null) return;
    clearTimeout(this.timer);
    this.nextTry = null;
    this.sending = true;
    this.tell();
    try {
      await alone(async () => {
        do {
          this.lookAgain = false;
          await this.sendAll();
        } while (this.lookAgain && !this.trouble);
      });
    } finally {
      this.sending = false;
    }
    const left = this.entries().some(waits);
    if (left && this.trouble !== "signed-out" && this.trouble !== "not-allowed") this.later();
    else if (!this.trouble) this.pause = FIRST_PAUSE_MS;
    this.tell();
  }

  later() {
    const pause = this.pause * (0.75 + Math.random() / 2); // tablets that lost one network do not return as one
    this.pause = Math.min(this.pause * 2, LONGEST_PAUSE_MS);
    this.nextTry = Date.now() + pause;
    this.timer = setTimeout(() => this.flush({ now: true }), pause);
  }

  async sendAll() {
    const tried = new Set();
    let most = BATCH;
    for (;;) {
      const batch = this.batch(tried, most);
      if (!batch.length) break;
      const outcome = await this.send(batch);
      if (outcome === "changed") continue; // by another window: look again at what waits
      if (outcome === "answered") {
        for (const entry of batch) tried.add(entry.id);
        this.trouble = "";
      } else if (outcome === "failed" && batch.length > 1) {
        most = 1; // one entry that the server trips over must not hold the others
      } else if (outcome === "failed") {
        tried.add(batch[0].id);
      } else {
        this.trouble = outcome;
        break;
      }
    }
  }

  /** The next entries that rest on nothing unanswered; a photo goes alone, as it is large. */
  batch(tried, most) {
    const ready = this.entries()
      .filter((entry) => waits(entry) && !tried.has(entry.id))
      .filter((entry) => entry.needs.every((id) => !this.known.has(id) || !waits(this.known.get(id))))
      .sort((a, b) => a.at - b.at);
    const light = ready.filter(({ kind }) => kind !== "photo");
    return light.length ? light.slice(0, most) : ready.slice(0, 1);
  }

  /** Sends a batch: "answered", "failed" (the server tripped), "unreachable", "signed-out" or "not-allowed". */
  async send(batch) {
    const patience = batch[0].kind === "photo" ? PHOTO_PATIENCE_MS : PATIENCE_MS;
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), patience);
    try {
      if (this.learn(await this.store.these(batch.map(({ id }) => id)))) {
        this.dispatchEvent(new Event("elsewhere"));
        this.tell();
        return "changed";
      }
      const entries = await Promise.all(batch.map((entry) => this.content(entry)));
      if (entries.includes(null)) return "changed";
      const begun = Date.now();
      const answer = await fetch(this.submit, {
        method: "POST",
        credentials: "same-origin",
        redirect: "manual",
        signal: stop.signal,
        headers: { "Content-Type": "application/json", "X-CSRFToken": csrfToken(), Accept: "application/json" },
        body: JSON.stringify({ tablet: this.tablet, sent_at: stamp(), entries }),
      });
      if (answer.type === "opaqueredirect" || answer.status === 401) return "signed-out";
      const json = (answer.headers.get("Content-Type") || "").includes("json");
      if (answer.status === 403) return json ? "not-allowed" : "signed-out"; // a token of an ended session
      if ([429, 502, 503, 504].includes(answer.status)) return "unreachable";
      if (!answer.ok || !json) return "failed";
      const { answers, server_time: server } = await answer.json();
      if (server) this.skew = (begun + Date.now()) / 2 - Date.parse(server);
      return (await this.take(batch, answers)) ? "answered" : "failed";
    } catch {
      return "unreachable";
    } finally {
      clearTimeout(timer);
    }
  }

  /** What is sent of an entry; null for a photo that is no longer here, which is then said. */
  async content(entry) {
    if (entry.kind !== "photo") return entry.body;
    const photo = await this.store.photo(entry.id);
    if (photo) return { ...entry.body, media: photo.media, data: await base64(photo) };
    if (!this.learn(await this.store.these([entry.id]))) { // sent by another window it would have changed
      entry.status = "refused";
      entry.answer = { text: "not sent, since the browser has dropped the picture. Take it again." };
      await this.store.update(entry);
      this.tell();
    }
    return null;
  }

  /** Notes each answer on its own entry. What was not answered, or is to come later, keeps waiting. */
  async take(batch, answers) {
    const byId = new Map(answers.map((answer) => [answer.id, answer]));
    const settled = [];
    let any = false;
    for (const entry of batch) {
      const answer = byId.get(entry.id);
      if (!answer) continue;
      any = true;
      if (answer.status === "stored" || answer.status === "already") {
        entry.status = "stored";
        this.lastStored = Date.now();
      } else if (answer.status === "refused" || answer.status === "differs") {
        entry.status = "refused";
      } else {
        continue;
      }
      entry.answer = answer;
      if (answer.status === "stored" && answer.text && !toldHere(entry, answer)) {
        this.remarks.push({ entry, text: answer.text, seen: false });
      }
      const noted = await this.store.update(entry);
      if (noted && entry.kind === "photo" && entry.status === "stored") await this.store.dropPhoto(entry.id);
      settled.push(entry);
    }
    this.say(settled);
    this.dispatchEvent(new CustomEvent("answers", { detail: settled }));
    this.tell();
    return any;
  }
}

// What the tablet tells by itself before saving; the server alone knows the rest.
const TOLD_HERE = new Set([
  "gauge_range", "resolution", "overdue", "implausible", "factor", "suspect", "already", "voided", "conditioning",
]);

/** Whether the server only repeats what the person was told and decided on. */
function toldHere(entry, { text, slips = [] }) {
  const repeats = slips.length > 0 && slips.every(({ kind }) => TOLD_HERE.has(kind));
  const plain = (words) => words.toLowerCase().replace(/\.$/, "");
  return Boolean(entry.body.decision) && repeats && plain(slips.map((slip) => slip.text).join("; ")) === plain(text);
}

/** Runs `work` unless another window of this tablet is at it. Plain HTTP has no locks: there the ids alone guard. */
async function alone(work) {
  let asked = false;
  try {
    await navigator.locks.request(SENDING, { ifAvailable: true }, (lock) => {
      asked = true;
      return lock && work();
    });
  } catch (error) {
    if (asked) throw error;
    await work(); // no locks here, or refused with the store
  }
}

function csrfToken() {
  return document.cookie.match(/(?:^|; )csrftoken=([^;]*)/)?.[1] || "";
}

function base64({ bytes, media }) {
  return new Promise((resolve, reject) => {
    const reader = new FileReader();
    reader.onload = () => resolve(reader.result.slice(reader.result.indexOf(",") + 1));
    reader.onerror = () => reject(reader.error);
    reader.readAsDataURL(new Blob([bytes], { type: media }));
  });
}
