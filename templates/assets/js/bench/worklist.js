// What is to be measured and what has been: the server's pack with this tablet's entries laid over it.

import { readNumber, toCommon, unitNamed } from "./numbers.js";

export class Worklist {
  constructor(pack, entries) {
    this.update(pack, entries);
  }

  update(pack, entries) {
    this.pack = pack;
    // A specimen that is measured again in a later run has a place of its own there.
    this.places = pack.specimens
      .map((place) => ({ ...place, run: place.run || "", key: `${place.blind_code} ${place.run || ""}`.trim() }))
      .sort((a, b) => a.position - b.position);
    this.readings = new Map(this.places.map((place) => [place.blind_code, []]));
    this.runCodes = new Map();
    this.byKey = new Map(); // a reading by its code, and by the entry that made it
    const have = new Map(this.places.map((place) => [place.blind_code, place.have || []]));
    for (const reading of pack.readings) {
      this.hold({ dimensions: have.get(reading.specimen), ...reading, from: "server", photos: 0 });
    }
    this.measuredHere = 0;
    for (const entry of [...entries].sort((a, b) => a.at - b.at)) this.lay(entry);
  }

  hold(reading) {
    this.readings.get(reading.specimen)?.push(reading);
    for (const key of [reading.reading, reading.entry]) if (key) this.byKey.set(key, reading);
  }

  /** Lays one entry of this tablet over the pack, if it belongs to this trial. */
  lay(entry) {
    const { body, kind } = entry;
    if (body.trial !== this.pack.trial.code) {
      if (kind === "reading" && body.replaces) this.layDimension(entry);
      return;
    }
    if (this.pack.panel && body.by !== this.pack.me.username) return; // another rater's, on this same tablet
    if (kind === "reading") {
      this.measuredHere += 1;
      const known = this.find(entry.id);
      if (known) Object.assign(known, { here: entry, dimensions: dimensionsOf(entry).length ? dimensionsOf(entry) : known.dimensions });
      else this.layReading(entry);
    } else if (kind === "run" && entry.answer?.run) {
      this.runCodes.set(entry.id, entry.answer.run);
    } else if (kind === "void") {
      const reading = this.find(body.reading);
      if (reading && entry.status !== "refused" && entry.status !== "aside") reading.void ||= body.reason;
    } else if (kind === "photo") {
      const reading = this.find(body.entry);
      if (reading) reading.photos += 1;
    }
  }

  /** A dimension typed anew: what it replaces is "<code of the reading>-d<its number>", or a code of its own. */
  layDimension({ body, status }) {
    if (status === "refused" || status === "aside") return;
    for (const reading of this.readings.get(body.specimen) || []) {
      reading.dimensions = (reading.dimensions || []).map((one) =>
        one.reading === body.replaces ? { ...one, value: body.value, unit: body.unit } : one);
    }
  }

  layReading(entry) {
    const { body } = entry;
    const dropped = entry.status === "refused" || entry.status === "aside";
    const old = body.replaces && this.find(body.replaces);
    if (old && !dropped) old.replaced = true;
    this.hold({
      reading: entry.answer?.reading || "", entry: entry.id, specimen: body.specimen, value: body.value,
      typed: body.typed, unit: body.unit, bound: body.bound, by: body.operator, at: body.taken_at,
      mode: body.failure_mode, note: body.note, number: entry.number, instrument: body.instrument,
      dimensions: old ? old.dimensions : dimensionsOf(entry), run: this.runCodes.get(body.run) || body.run, void: "", replaced: false, mine: true, dropped, here: entry, from: "here", photos: 0,
    });
  }

  /** The reading with this code or made by this entry. */
  find(key) {
    return this.byKey.get(key);
  }

  /** The place of a code: the one still to be measured where there are several. */
  place(code) {
    const typed = code.trim();
    const all = this.places.filter(({ blind_code: blind }) => blind === typed || blind === typed.toUpperCase());
    return all.find((place) => !this.isDone(place)) || all.at(-1);
  }

  indexOf(place) {
    return this.places.findIndex(({ key }) => key === place.key);
  }

  of(place) {
    return this.readings.get(place.blind_code);
  }

  /** Readings that stand: neither void nor replaced nor refused, and of the run that the place belongs to. */
  standing(place) {
    return this.of(place).filter(
      (reading) => !reading.void && !reading.replaced && !reading.dropped && (!place.run || reading.run === place.run),
    );
  }

  /** Measured here or said so by the server, and not asked for again. */
  isDone(place) {
    const standing = this.standing(place);
    if (place.again && !standing.some(({ from, here }) => from === "here" && here.againAsked)) return false;
    if (standing.length) return true;
    return place.done && this.of(place).length === 0;
  }

  get doneCount() {
    return this.places.filter((place) => this.isDone(place)).length;
  }

  /** The next place to measure after this one in the planned order, from the start again at the end. */
  next(after) {
    const from = after ? this.indexOf(after) + 1 : 0;
    return [...this.places.slice(from), ...this.places.slice(0, from)].find((place) => !this.isDone(place));
  }

  /** Numbers of like specimens in the reading unit, without this one's own. */
  siblings(place) {
    const numbers = [];
    for (const other of this.places) {
      if (other.blind_code === place.blind_code || (place.group !== undefined && other.group !== place.group)) continue;
      for (const reading of this.standing(other)) {
        const number = this.number(reading);
        if (number !== null && !(reading.bound === ">" || reading.bound === "<")) numbers.push(number);
      }
    }
    return numbers;
  }

  /** A reading in the trial's unit, or null. */
  number(reading) {
    if (typeof reading.number === "number") return reading.number;
    const unit = unitNamed(this.pack.units, reading.unit);
    const read = readNumber(String(reading.value), ".");
    return unit && read.ok ? toCommon(read.number, unit) : null;
  }
}

/** The dimensions sent with a reading; the server names their readings after it. */
function dimensionsOf({ body, answer }) {
  return (body.dimensions || []).map((one, i) => ({
    ...one, reading: answer?.reading ? `${answer.reading}-d${i + 1}` : "",
  }));
}
