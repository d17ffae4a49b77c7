// The line at the foot: what is saved, what waits, and since when. It is never empty.

import { atTime, stretch } from "./clock.js";
import { h, replace } from "./dom.js";

const EVERY_MS = 5000;

/** The words for a state of the queue: {words, aside, link}. `aside` changes with time alone. */
export function footWords(state, now = Date.now()) {
  const { waiting, since, refused, remarks } = state;
  const heard = [refused && `${refused} refused`, remarks && `${remarks} remark${remarks > 1 ? "s" : ""}`].filter(Boolean);
  const trouble = heard.length ? ` The server: ${heard.join(", ")}, see the list.` : "";
  if (!waiting) {
    if (!state.stored) return { words: `Nothing waits on this tablet.${trouble}` };
    const last = state.lastStored ? `, the last at ${atTime(state.lastStored)}` : "";
    return { words: `All saved and with the server${last}.${trouble}` };
  }
  const where = state.loose ? "in this page only" : "saved on this tablet";
  const many = `${waiting} ${waiting === 1 ? "waits" : "wait"}, ${where}, since ${atTime(since)}`;
  const aside = now - since < 60000 ? "" : `(${stretch(now - since)})`;
  if (state.trouble === "signed-out") return { words: `${many}: signed out.${trouble}`, aside, link: true };
  if (state.trouble === "not-allowed") {
    return { words: `${many}: this account may not enter readings; ask a planner.${trouble}`, aside, link: true };
  }
  if (state.offline) return { words: `${many}: no network.${trouble}`, aside };
  if (state.sending) return { words: `${many}: sending.${trouble}`, aside };
  if (state.trouble) return { words: `${many}: the server does not answer.${trouble}`, aside };
  return { words: `${many}: to be sent again.${trouble}`, aside };
}

export function startFoot({ place, queue, signIn }) {
  const words = h("span", { role: "status", "data-foot": true });
  const aside = h("span", { class: "foot-aside" });
  const link = h("a", { class: "foot-link", href: signIn, hidden: true }, "Sign in again");
  replace(place, words, " ", aside, link);
  const draw = () => {
    const said = footWords(queue.summary());
    if (words.textContent !== said.words) words.textContent = said.words;
    aside.textContent = said.aside || "";
    link.hidden = !said.link;
    const next = location.pathname + location.hash;
    link.href = `${signIn}?next=${encodeURIComponent(next)}`;
  };
  queue.addEventListener("change", draw);
  setInterval(draw, EVERY_MS);
  draw();
}
