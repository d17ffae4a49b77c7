// What the tablet keeps: entries and photos until the server has answered, trial packs, and a few choices.
// Where the browser refuses storage the same calls work in the page's memory, and `kept` is false.

import { openDB } from "../../vendor/idb-8.0.4.js";

const NAME = "evenhand-bench";
const STRICT = { durability: "strict" }; // "saved" is said after the disk has it, as a tablet's battery may end
const PATIENCE_MS = 4000; // some browsers neither open nor refuse
const KEPT_DAYS = 14;

const VERSION = 1;
const TABLES = { entries: { keyPath: "id" }, photos: { keyPath: "id" }, packs: {}, choices: {} };

/** Adds the tables that are missing and touches no other: what an older page left waits on. */
function make(db) {
  for (const [name, options] of Object.entries(TABLES)) {
    if (!db.objectStoreNames.contains(name)) db.createObjectStore(name, options);
  }
}

async function open() {
  const ways = { upgrade: make, blocking: (_, __, event) => event.target.close() };
  try {
    return await openDB(NAME, VERSION, ways);
  } catch (error) {
    if (error?.name !== "VersionError") throw error;
    return openDB(NAME, undefined, ways); // a newer page was here, and its tables hold these
  }
}

/** Opens the tablet's store and proves that it takes a row. Never fails: see `kept` and `why`. */
export async function openStore() {
  try {
    const db = await inTime(open());
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

  /** Does something with the store, which is opened anew where the browser or a newer page closed it. */
  async use(work) {
    try {
      return await work(this.db);
    } catch (error) {
      if (error?.name !== "InvalidStateError") throw error;
      this.db = await inTime(open());
      return work(this.db);
    }
  }

  /** Stores an entry with its photos, all or none. Returns false where only this page holds it. */
  async add(entry, photos = []) {
    if (this.db) {
      try {
        await this.use((db) => {
          const change = db.transaction(["entries", "photos"], "readwrite", STRICT);
          change.objectStore("entries").put(entry);
          for (const photo of photos) {
            change.objectStore("entries").put(photo.entry);
            change.objectStore("photos").put({ id: photo.entry.id, media: photo.media, bytes: photo.bytes });
          }
          return change.done;
        });
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

  /** Writes a changed entry back where it lives; false where that failed, and it is sent again after a reload. */
  async update(entry) {
    if (this.loose.entries.has(entry.id)) return true; // the same object
    try {
      if (this.db) await this.use((db) => db.put("entries", entry));
      return true;
    } catch (error) {
      this.why = error?.name || String(error);
      return false;
    }
  }

  async entries() {
    const stored = this.db ? await this.use((db) => db.getAll("entries")) : [];
    return [...stored, ...this.loose.entries.values()].sort((a, b) => a.at - b.at);
  }

  /** These entries as the store has them now: another window of this tablet may have changed them. */
  async these(ids) {
    if (!this.db) return [];
    try {
      const found = await this.use((db) => {
        const { store } = db.transaction("entries");
        return Promise.all(ids.map((id) => store.get(id)));
      });
      return found.filter(Boolean);
    } catch {
      return []; // no store, no other window that shares it
    }
  }

  async photo(id) {
    return this.loose.photos.get(id) || (this.db && (await this.use((db) => db.get("photos", id))));
  }

  async dropPhoto(id) {
    if (!this.loose.photos.delete(id) && this.db) await this.use((db) => db.delete("photos", id));
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
    return this.db ? this.use((db) => db.get(table, key)) : Promise.resolve(this.loose[table].get(key));
  }

  async set(table, key, value) {
    if (!this.db) {
      this.loose[table].set(key, value);
      return;
    }
    try {
      await this.use((db) => db.put(table, value, key));
    } catch (error) {
      this.why = error?.name || String(error);
    }
  }
}
