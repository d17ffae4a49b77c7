// Builds elements without markup text, so that nothing typed or received can become markup.

/** An element. `props`: attributes; `on…` functions listen; `class`, `data-…`; true and false switch an attribute. */
export function h(tag, props = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === false || value === null || value === undefined) continue;
    if (typeof value === "function") element.addEventListener(name.slice(2), value);
    else if (name === "value") element.value = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  append(element, children);
  return element;
}

function append(element, children) {
  for (const child of children) {
    if (child === null || child === undefined || child === false || child === "") continue;
    if (Array.isArray(child)) append(element, child);
    else element.append(child);
  }
}

export function replace(element, ...children) {
  element.replaceChildren();
  append(element, children);
}

let groups = 0;

/** One choice of several as large keys: native radio buttons, so that every keyboard and reader works. */
export function picks({ legend, name, options, chosen, onpick, kind = "", hideLegend = false }) {
  const group = `${name}-${(groups += 1)}`;
  return h(
    "fieldset",
    { class: `picks ${kind}`.trim() },
    h("legend", { class: hideLegend ? "unseen" : false }, legend),
    h(
      "div",
      { class: "pick-row" },
      options.map(({ value, label, under, image }) =>
        h(
          "label",
          { class: "pick" },
          h("input", {
            type: "radio", name: group, value, checked: value === chosen, "data-pick": name,
            onchange: () => onpick(value),
          }),
          h(
            "span",
            { class: "pick-face" },
            image && h("img", { src: image.src, alt: image.alt }),
            h("span", { class: "pick-label" }, label),
            under && h("span", { class: "pick-under" }, under),
          ),
        ),
      ),
    ),
  );
}

/** A list in words: "a, b and c". */
export function inWords(items) {
  return items.length < 2 ? items.join("") : `${items.slice(0, -1).join(", ")} and ${items.at(-1)}`;
}
