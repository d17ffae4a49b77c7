// A trial's pack as the page uses it: every list there, steps as a list, units of every number to be typed.

const MOST_STEPS = 10; // more than eleven keys are no longer told apart at a glance

const list = (value) => (Array.isArray(value) ? value : []);
const numberOrNull = (value) => (value === null || value === undefined || value === "" ? null : Number(value));

export function readPack(raw) {
  const { trial } = raw;
  const property = trial.property;
  const method = trial.method || {};
  const units = withUnit(list(raw.units), trial.reading_unit);
  return {
    ...raw,
    key: trial.code,
    at: raw.at || "",
    faults: list(raw.faults),
    specimens: list(raw.specimens),
    readings: list(raw.readings),
    instruments: list(raw.instruments).map((one) => ({
      ...one, range_low: numberOrNull(one.range_low), range_high: numberOrNull(one.range_high),
      resolution: numberOrNull(one.resolution),
    })),
    people: list(raw.people),
    products: list(raw.products),
    runs: list(raw.runs),
    units,
    trial: {
      ...trial,
      quantities: list(trial.quantities),
      property: { ...property, steps: ratingSteps(property) },
      method: { ...method, steps: methodSteps(method.steps), modes: list(method.modes) },
      dimensions: list(trial.dimensions).map((one) => ({ ...one, units: withUnit(list(one.units), one.unit) })),
    },
  };
}

function withUnit(units, text) {
  return units.some((unit) => unit.text === text) ? units : [{ text, factor: 1, offset: 0 }, ...units];
}

/** Steps written as one text, "1. Close the tie. 2. Cut it.", or as lines, become a list. */
export function methodSteps(steps) {
  const lines = Array.isArray(steps) ? steps : String(steps || "").split("\n");
  return lines
    .flatMap((line) => line.split(/\s+(?=\d{1,2}\.\s)/))
    .map((step) => step.replace(/^\s*\d{1,2}\.\s+/, "").trim())
    .filter(Boolean);
}

function ratingSteps(property) {
  if (property.kind !== "rating") return [];
  const anchors = list(property.steps); // steps that have a name or a photo
  const low = Number(property.scale_low);
  const high = Number(property.scale_high);
  if (!(high > low) || high - low > MOST_STEPS) return anchors;
  return Array.from({ length: Math.floor(high - low) + 1 }, (_, i) => {
    const anchor = anchors.find(({ value }) => Number(value) === low + i);
    return { name: "", photo: "", alt: "", ...anchor, value: String(low + i) };
  });
}

/**
 * The numbers to be typed for one specimen, dimensions first; those measured already are not asked again.
 * A reading that is amended shows those of its dimensions whose own readings are known.
 */
export function slotsFor(pack, place, amends = null) {
  const { trial } = pack;
  const have = list(place.have);
  const asked = (dimension) =>
    amends
      ? list(amends.dimensions).some((one) => one.trial === dimension.trial && one.reading)
      : !have.some((one) => one.trial === dimension.trial);
  const slots = trial.dimensions
    .filter(asked)
    .map((dimension) => ({
      key: dimension.trial, name: dimension.name, units: dimension.units, common: dimension.unit,
      low: numberOrNull(dimension.plausible_low), high: numberOrNull(dimension.plausible_high),
    }));
  if (trial.property.kind === "quantity" || needsKeypad(trial.property)) slots.push(mainSlot(pack));
  return slots;
}

const needsKeypad = (property) => property.kind === "rating" && property.steps.length === 0;

export const VALUE = "value";

function mainSlot(pack) {
  const { property, reading_unit: common, dimensions } = pack.trial;
  const quantity = property.kind === "quantity";
  const slot = {
    key: VALUE, name: property.name || property.code, common: quantity ? common : "step", low: null, high: null,
    units: quantity ? pack.units : [{ text: "step", factor: 1, offset: 0 }],
  };
  // Plausible bounds are in the property's unit, which a reading only shares where nothing divides it.
  const own = slot.units.find(({ text }) => text === property.unit);
  if (quantity && !dimensions.length && own) {
    const inCommon = (bound) => (numberOrNull(bound) === null ? null : Number(bound) * own.factor + (own.offset || 0));
    slot.low = inCommon(property.plausible_low);
    slot.high = inCommon(property.plausible_high);
  } else if (!quantity) {
    slot.low = numberOrNull(property.scale_low);
    slot.high = numberOrNull(property.scale_high);
  }
  return slot;
}

/** Instruments that suit a slot: those the server lists for its trial. */
export function instrumentsFor(pack, key) {
  const trial = key === VALUE ? pack.trial.code.split("/").at(-1) : key;
  return pack.instruments.filter((one) => !one.for || one.for.includes(trial));
}

/** Units that this gauge may show for a slot, its own first. */
export function unitsFor(slot, instrument) {
  const known = slot.units.map(({ text }) => text);
  const shows = list(instrument?.units).filter((text) => known.includes(text));
  if (shows.length) return shows;
  if (instrument && known.includes(instrument.unit)) return [instrument.unit];
  return known;
}
