// Who measures with which gauges, set once and kept over reloads until the day's work is over.

import { decimalSign } from "./numbers.js";
import { VALUE, instrumentsFor, slotsFor, unitsFor } from "./pack.js";

const LASTS_MS = 12 * 3600 * 1000;

export class Session {
  constructor(store, pack) {
    this.store = store;
    this.pack = pack;
    this.operator = pack.me.username;
    this.decimal = decimalSign();
    this.gauges = {};
    this.gaugeUnits = {};
    this.confirmed = "";
    this.begun = 0;
    this.run = pack.run || "";
    this.runNeeds = ""; // the entry that opens the run, until the server has answered it
    this.runAt = 0;
  }

  get name() {
    return `session ${this.pack.key}`;
  }

  async load() {
    const [kept, habits, units] = await Promise.all([
      this.store.get("choices", this.name), this.store.get("choices", "habits"), this.store.get("choices", "units"),
    ]);
    this.gaugeUnits = units || {};
    if (habits?.decimal) this.decimal = habits.decimal;
    if (kept?.username === this.pack.me.username && Date.now() - kept.begun < LASTS_MS) {
      Object.assign(this, kept);
    } else if (kept) {
      this.gauges = kept.gauges;
    }
    if (this.pack.panel) this.operator = this.pack.me.username;
    this.followRun();
    for (const { key } of this.needed()) {
      const suits = instrumentsFor(this.pack, key);
      const kept = this.gauges[key];
      if (kept !== "" && !suits.some(({ code }) => code === kept)) {
        delete this.gauges[key];
        if (suits.length === 1) this.gauges[key] = suits[0].code;
      }
    }
  }

  async save() {
    const { operator, decimal, gauges, gaugeUnits, confirmed, begun, run, runNeeds, runAt } = this;
    await Promise.all([
      this.store.set("choices", this.name, {
        operator, gauges, confirmed, begun, run, runNeeds, runAt, username: this.pack.me.username,
      }),
      this.store.set("choices", "habits", { decimal }),
      this.store.set("choices", "units", gaugeUnits),
    ]);
  }

  /** The numbers for which a gauge is chosen: every dimension and the value itself. */
  needed() {
    return slotsFor(this.pack, { have: [] });
  }

  get mustConfirm() {
    const { method } = this.pack.trial;
    if (!method.hazardous || this.confirmed === String(method.revision)) return false;
    const told = this.pack.cautions_confirmed_at; // on another tablet, or before this one forgot
    return !(told && Date.now() - Date.parse(told) < LASTS_MS);
  }

  /** The first number whose gauge was not chosen, or undefined. */
  get without() {
    return this.needed().find(({ key }) => this.gauges[key] === undefined);
  }

  /** What keeps the work from beginning, in words; "" when nothing does. */
  get missing() {
    if (!this.operator.trim()) return "Say who measures.";
    const { without } = this;
    if (without) return `Choose the instrument for ${without.name}, or that there is none.`;
    if (this.mustConfirm) return "Confirm the cautions before work begins.";
    return "";
  }

  get isOn() {
    return this.begun > 0 && Date.now() - this.begun < LASTS_MS && !this.missing;
  }

  instrument(key) {
    return this.pack.instruments.find(({ code }) => code === this.gauges[key]);
  }

  /** The unit that the gauge of this slot was last seen to show. */
  unit(slot) {
    const instrument = this.instrument(slot.key);
    const choices = unitsFor(slot, instrument);
    const last = this.gaugeUnits[this.gaugeKey(slot, instrument)];
    if (choices.includes(last)) return last;
    return !instrument && choices.includes(slot.common) ? slot.common : choices[0];
  }

  /** A gauge's code is its programme's own. */
  gaugeKey(slot, instrument) {
    return `${this.pack.trial.code.split("/")[0]} ${instrument?.code || slot.common}`;
  }

  async setUnit(slot, text) {
    this.gaugeUnits[this.gaugeKey(slot, this.instrument(slot.key))] = text;
    await this.save();
  }

  /** A run asked for here counts at once, under its entry's id until the server has given it a code. */
  async runAsked(id) {
    Object.assign(this, { run: id, runNeeds: id, runAt: Date.now() });
    await this.save();
  }

  runBegan(code) {
    Object.assign(this, { run: code || "", runNeeds: "", runAt: Date.now() });
    this.save();
  }

  /** The pack's run, unless one was opened here after the pack was made. */
  followRun() {
    if (!this.runNeeds && !(this.runAt > Date.parse(this.pack.at))) this.run = this.pack.run || "";
  }

  get mainGauge() {
    return this.instrument(VALUE);
  }
}
