// The bench page's one state: which screen is up, what is drafted, and how a tap becomes an entry.

import { newId, stamp } from "./clock.js";
import { replace } from "./dom.js";
import { listScreen } from "./list.js";
import { toCommon, unitNamed } from "./numbers.js";
import { VALUE } from "./pack.js";
import { setupScreen } from "./setup.js";
import { doneScreen, specimenScreen } from "./specimen.js";

const LONGEST_DECISION = 1900; // the record holds 2,000 characters

export class App {
  constructor({ pack, store, queue, session, worklist, place }) {
    Object.assign(this, { pack, store, queue, session, worklist, place });
    this.drafts = new Map();
    this.current = null;
    this.kept = null; // the reading saved last, to be changed with one tap
  }

  // Screens

  start(code) {
    const wanted = code && this.worklist.place(code);
    if (wanted) this.current = wanted;
    if (!this.session.isOn) return this.showSetup();
    if (code && !wanted) return this.showList(`No specimen ${code} in this trial: check the code, or scan its label again.`);
    return wanted ? this.showSpecimen(wanted) : this.showNext();
  }

  show(screen, name) {
    this.screen = name;
    this.shown = screen;
    replace(this.place, screen);
    this.place.parentElement.scrollTop = 0;
    this.shownAt = performance.now();
    for (const button of document.querySelectorAll("[data-go]")) {
      if (button.dataset.go === name) button.setAttribute("aria-current", "page");
      else button.removeAttribute("aria-current");
    }
    const first = this.place.querySelector("[data-first]");
    (first || this.place.querySelector("h1"))?.focus({ preventScroll: true });
  }

  showSetup() {
    this.show(setupScreen(this), "setup");
  }

  showList(said = "") {
    this.show(listScreen(this, said), "list");
  }

  showNext(after = null) {
    const place = this.worklist.next(after);
    if (place) {
      this.showSpecimen(place);
      return;
    }
    this.current = null;
    history.replaceState(null, "", location.pathname);
    this.show(doneScreen(this), "specimen");
  }

  /** Opens one specimen; `how` is "measure", or {amend: reading}, or "look" for one that has a reading. */
  showSpecimen(place, how = this.worklist.isDone(place) ? "look" : "measure") {
    this.current = place;
    history.replaceState(null, "", `#${place.blind_code}`);
    this.show(specimenScreen(this, place, how), "specimen");
  }

  /** Back to where the person was, with what has changed since. */
  refresh() {
    if (this.screen === "setup") this.showSetup();
    else if (this.current) this.showSpecimen(this.current);
    else this.showNext();
  }

  // Drafts: what is typed and not saved, per specimen; the one on screen outlives a reload.

  draft(place, amends = null) {
    const key = amends ? `${place.key} ${amends.entry || amends.reading}` : place.key;
    let draft = this.drafts.get(key);
    if (!draft) {
      draft = { key, texts: {}, units: {}, bound: "", choice: "", mode: "", note: "", photos: [], told: [] };
      this.drafts.set(key, draft);
    }
    return draft;
  }

  keepDraft(place, draft) {
    if (draft.key !== place.key) return;
    const { photos, ...texts } = draft;
    this.store.set("choices", `draft ${this.pack.key}`, { place: place.key, texts });
  }

  async loadDraft() {
    const kept = await this.store.get("choices", `draft ${this.pack.key}`);
    const place = kept && this.worklist.places.find(({ key }) => key === kept.place);
    if (place && !this.worklist.isDone(place)) Object.assign(this.draft(place), kept.texts);
  }

  // Entries

  entry(kind, body, { needs = [], ...more } = {}) {
    const now = new Date();
    const id = newId();
    const { username } = this.pack.me;
    return {
      id, kind, at: now.getTime(), status: "waiting", needs: needs.filter(Boolean), ...more,
      body: {
        id, kind, made_at: stamp(now), trial: this.pack.trial.code,
        by: username, operator: this.session.operator.trim(), ...body,
      },
    };
  }

  /** Keeps entries one after the other, lays them over the list, and says so where only the page holds them. */
  async keep(entry, photos = []) {
    await this.queue.add(entry, photos);
    this.worklist.lay(entry);
    for (const photo of photos) this.worklist.lay(photo.entry);
  }

  /**
   * Stores one reading and shows the next specimen. `numbers`: slot key to {text, typed, number, unit}.
   * `amends`: the reading it replaces, for `reason`; then only what differs is sent.
   */
  async saveReading(place, { numbers, draft, decision, amends, reason }) {
    const { [VALUE]: main, ...others } = numbers;
    const gauge = (key) => this.session.gauges[key] || "";
    const body = {
      specimen: place.blind_code, value: main ? main.text : draft.choice, typed: main ? main.typed : draft.choice,
      bound: main ? draft.bound : "", unit: main && this.isQuantity ? main.unit : "",
      instrument: main ? amends?.instrument ?? gauge(VALUE) : "", failure_mode: draft.mode, note: draft.note.trim(),
      decision: decision.slice(0, LONGEST_DECISION), run: amends?.run ?? (place.run || this.session.run),
      order: this.worklist.measuredHere + 1,
    };
    if (amends) {
      Object.assign(body, { replaces: amends.reading || amends.entry, replace_reason: reason });
      await this.amendDimensions(place, amends, others, reason);
    } else {
      body.dimensions = Object.entries(others).map(([key, { text, typed, unit }]) => ({
        trial: key, value: text, typed, unit, instrument: gauge(key),
      }));
    }
    if (this.pack.panel) body.rater = this.pack.me.username;
    const entry = this.entry("reading", body, {
      needs: [amends && !amends.reading ? amends.entry : "", this.session.runNeeds],
      number: this.commonNumber(main),
      againAsked: Boolean(place.again),
    });
    entry.body.taken_at = entry.body.made_at;
    const photos = draft.photos.map(({ bytes, media }) => ({
      bytes, media,
      entry: this.entry("photo", { specimen: place.blind_code, entry: entry.id, caption: "" }, { needs: [entry.id] }),
    }));
    await this.keep(entry, photos);
    this.drafts.delete(draft.key);
    this.store.set("choices", `draft ${this.pack.key}`, null);
    this.kept = { place, entry };
    this.showNext(place);
  }

  /** A dimension is a reading of its own trial: where it is typed anew it replaces that one. */
  async amendDimensions(place, amends, others, reason) {
    const [programme] = this.pack.trial.code.split("/");
    for (const [key, { text, typed, unit }] of Object.entries(others)) {
      const before = amends.dimensions.find(({ trial }) => trial === key);
      if (before.value === text && before.unit === unit) continue;
      await this.keep(this.entry("reading", {
        trial: `${programme}/${key}`, specimen: place.blind_code, value: text, typed, unit, bound: "",
        instrument: before.instrument || "", replaces: before.reading, replace_reason: reason,
      }));
    }
  }

  get isQuantity() {
    return this.pack.trial.property.kind === "quantity";
  }

  commonNumber(main) {
    if (!main || !this.isQuantity) return main ? main.number : null;
    const unit = unitNamed(this.pack.units, main.unit);
    return unit ? toCommon(main.number, unit) : null;
  }

  async voidReading(reading, reason) {
    const key = reading.reading || reading.entry;
    await this.keep(this.entry("void", { reading: key, reason }, { needs: [reading.reading ? "" : reading.entry] }));
    this.refresh();
  }

  async confirmCautions() {
    const { method } = this.pack.trial;
    this.session.confirmed = String(method.revision);
    await this.keep(this.entry("confirm_cautions", { revision: this.session.confirmed, text: method.cautions }));
  }

  async startRun({ reason, carry, anchor }) {
    const entry = this.entry("run", { reason, carry, anchor });
    await this.keep(entry);
    await this.session.runAsked(entry.id);
  }

  /** Takes what the server answered on these entries. */
  answered(entries) {
    this.worklist.update(this.pack, this.queue.entries());
    const run = entries.find(({ id }) => id === this.session.runNeeds);
    if (run) this.session.runBegan(run.status === "stored" ? run.answer.run : this.pack.run);
    this.shown?.redraw?.(); // a screen that says where readings stand; the person stays where they are on it
    this.progress();
  }

  progress() {
    document.dispatchEvent(new Event("bench-progress"));
  }

  /** Takes a newer pack from the server without disturbing what is being typed. */
  takePack(pack) {
    this.pack = pack;
    this.session.pack = pack;
    this.worklist.update(pack, this.queue.entries());
    if (this.current) this.current = this.worklist.places.find(({ key }) => key === this.current.key) || null;
    this.session.followRun();
    this.progress();
  }
}
