// Ids and times made on the tablet. `crypto.randomUUID` needs HTTPS; `getRandomValues` does not.

/** A random UUID, version 4 (RFC 9562, section 5.4). */
export function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}

const two = (number) => String(Math.floor(Math.abs(number))).padStart(2, "0");

/** The tablet's own time with its offset from UTC: 2026-03-03T08:30:18+01:00. */
export function stamp(date = new Date()) {
  const offset = -date.getTimezoneOffset();
  const day = `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
  const time = `${two(date.getHours())}:${two(date.getMinutes())}:${two(date.getSeconds())}`;
  return `${day}T${time}${offset < 0 ? "-" : "+"}${two(offset / 60)}:${two(offset % 60)}`;
}

/** Hour and minute, with the day where it is not today. */
export function atTime(when, now = new Date()) {
  const date = new Date(when);
  const time = `${two(date.getHours())}:${two(date.getMinutes())}`;
  if (date.toDateString() === now.toDateString()) return time;
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())} ${time}`;
}

/** A stretch of time in words: "under a minute", "12 min", "3 h 5 min", "2 days 4 h". */
export function stretch(ms) {
  const minutes = Math.floor(Math.abs(ms) / 60000);
  if (minutes < 1) return "under a minute";
  if (minutes < 60) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
  const days = Math.floor(hours / 24);
  return hours % 24 ? `${days} days ${hours % 24} h` : `${days} days`;
}
