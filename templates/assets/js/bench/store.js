// What the tablet keeps: entries and photos until the server has answered, trial packs, and a few choices.
// Where the browser refuses storage the same calls work in the page's memory, and `kept` is false.

import { openDB } from "../../vendor/idb-8.0.4.js";

const NAME = "evenhand-bench";
const STRICT = { durability: "strict" }; // "saved" is said after the disk has it, as a tablet's battery may end
const PATIENCE_MS = 4000; // some browsers neither open nor refuse
const KEPT_DAYS = 14;

function make(db) {
  db.createObjectStore("entries", { keyPath: "id" });
  db.createObjectStore("photos", { keyPath: "id" });
  db.createObjectStore("packs");
  db.createObjectStore("choices");
}

/** Opens the tablet's store and proves that it takes a row. Never fails: see `kept` and `why`. */
export async function openStore() {
  try {
    const db = await inTime(openDB(NAME, 1, { upgrade: make, blocking: (_, __, event) => event.target.close() }));
    await inTime(db.put("choices", Date.now(), "proof"));
    return new Store(db);
  } catch (error) {
    return new Store(null, error?.name || "no answer");
  }
}

function inTime(promise) {
  return Promise.race([
    promise,
    new Promise((_, reject) => setTimeout(() => reject(new Error("the store did not answer")), PATIENCE_MS)),
  ]);
}

class Store {
  constructor(db, why = "") {
    this.db = db;
    this.why = why;
    this.loose = { entries: new Map(), photos: new Map(), packs: new Map(), choices: new Map() };
  }

  /** Whether what is saved outlives this page. */
  get kept() {
    return this.db !== null;
  }

  /** Whether some entry lives only in this page: no store, or a store that was full. */
  get anyLoose() {
    return [...this.loose.entries.values()].some((entry) => entry.status === "waiting");
  }

  /** Stores an entry with its photos, all or none. Returns false where only this page holds it. */
  async add(entry, photos = []) {
    if (this.db) {
      try {
        const change = this.db.transaction(["entries", "photos"], "readwrite", STRICT);
        change.objectStore("entries").put(entry);
        for (const photo of photos) {
          change.objectStore("entries").put(photo.entry);
          change.objectStore("photos").put({ id: photo.entry.id, media: photo.media, bytes: photo.bytes });
        }
        await change.done;
        return true;
      } catch (error) {
        this.why = error?.name || String(error);
      }
    }
    this.loose.entries.set(entry.id, entry);
    for (const photo of photos) {
      this.loose.entries.set(photo.entry.id, photo.entry);
      this.loose.photos.set(photo.entry.id, { id: photo.entry.id, media: photo.media, bytes: photo.bytes });
    }
    return false;
  }

  /** Writes a changed entry back where it lives. */
  async update(entry) {
    if (this.loose.entries.has(entry.id)) return; // the same object
    try {
      await this.db?.put("entries", entry);
    } catch (error) {
      this.why = error?.name || String(error); // sent again after a reload, which the server knows how to take
    }
  }

  async entries() {
    const stored = this.db ? await this.db.getAll("entries") : [];
    return [...stored, ...this.loose.entries.values()].sort((a, b) => a.at - b.at);
  }

  async photo(id) {
    return this.loose.photos.get(id) || (this.db && (await this.db.get("photos", id)));
  }

  async dropPhoto(id) {
    if (!this.loose.photos.delete(id) && this.db) await this.db.delete("photos", id);
  }

  /** Forgets what the server confirmed long ago; what waits or was refused stays however old. */
  async tidy(now = Date.now()) {
    if (!this.db) return;
    for (const entry of await this.db.getAll("entries")) {
      const settled = entry.status === "stored" || entry.status === "aside";
      if (settled && now - entry.at > KEPT_DAYS * 86400000) await this.db.delete("entries", entry.id);
    }
  }

  get(table, key) {
    return this.db ? this.db.get(table, key) : Promise.resolve(this.loose[table].get(key));
  }

  async set(table, key, value) {
    if (!this.db) {
      this.loose[table].set(key, value);
      return;
    }
    try {
      await this.db.put(table, value, key);
    } catch (error) {
      this.why = error?.name || String(error);
    }
  }
}
