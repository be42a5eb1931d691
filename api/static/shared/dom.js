/**
 * Building pages out of text. Whatever a device or a person typed goes in as text, never as HTML.
 */

import { addressOf } from "./root.js";

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "data") Object.assign(node.dataset, value);
    else if (name === "href") node.setAttribute(name, addressOf(String(value)));
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

/** An HTML element: `el("p", {class: "quiet", onclick: f}, "text", child)`. */
export function el(name, attributes, ...children) {
  return fill(document.createElement(name), attributes, children);
}

/** The same for SVG. */
export function svg(name, attributes, ...children) {
  return fill(document.createElementNS(SVG, name), attributes, children);
}

export function byId(id) {
  return document.getElementById(id);
}

/** Write text only where it differs: a screen reader is not told twice, nothing is laid out again. */
export function put(node, text) {
  if (node && node.textContent !== text) node.textContent = text;
}

/** Replace the children, unless `key` says that what is there already is the same. */
export function refill(node, key, make) {
  if (node.dataset.key === key) return false;
  node.dataset.key = key;
  renew(node, ...[make()].flat().filter(Boolean));
  return true;
}

const named = (one) => `${one.tagName} ${one.getAttribute("aria-label") ?? one.textContent}`;

/**
 * Replace the children; a keyboard's focus that stood on one of them stands on the same anew. Where that is gone it
 * stands before all that can be pressed: on another button a key that is still held would press what nobody meant.
 */
export function renew(node, ...children) {
  const held = node === document.activeElement ? null : document.activeElement;
  const within = node.contains(held);
  node.replaceChildren(...children);
  if (!within) return;
  const same = [...node.querySelectorAll("a, button, input, select, summary")].find(
    (one) => named(one) === named(held),
  );
  (same ?? node.closest("[tabindex]"))?.focus({ preventScroll: true });
}

export function show(node, shown) {
  if (node) node.hidden = !shown;
}

const SHAPES = {
  live: () => [svg("circle", { cx: 8, cy: 8, r: 6, fill: "currentColor" })],
  quiet: () => [
    svg("circle", { cx: 8, cy: 8, r: 5.5, fill: "none", stroke: "currentColor", "stroke-width": 2 }),
  ],
  stop: () => [
    svg("rect", {
      x: 1.5,
      y: 1.5,
      width: 13,
      height: 13,
      fill: "none",
      stroke: "currentColor",
      "stroke-width": 2,
    }),
    svg("path", { d: "M4.5 4.5l7 7M11.5 4.5l-7 7", stroke: "currentColor", "stroke-width": 2, fill: "none" }),
  ],
  there: () => [svg("path", { d: "M8 1l7 7-7 7-7-7z", fill: "currentColor" })],
  mind: () => [
    svg("path", {
      d: "M8 1.5l7 13H1z",
      fill: "none",
      stroke: "currentColor",
      "stroke-width": 2,
      "stroke-linejoin": "round",
    }),
    svg("path", { d: "M8 6v4.2M8 11.6v1.4", stroke: "currentColor", "stroke-width": 2, fill: "none" }),
  ],
  do: () => [
    svg("path", { d: "M1 8h12M8.5 3l5 5-5 5", stroke: "currentColor", "stroke-width": 2.2, fill: "none" }),
  ],
  back: () => [
    svg("path", { d: "M15 8H3M7.5 3l-5 5 5 5", stroke: "currentColor", "stroke-width": 2.2, fill: "none" }),
  ],
};

/** One of the shapes of the design language; always beside a word, so hidden from screen readers. */
export function sign(kind) {
  return svg(
    "svg",
    { viewBox: "0 0 16 16", class: "sign", "aria-hidden": "true" },
    ...(SHAPES[kind] ?? SHAPES.quiet)(),
  );
}

/** A state: its shape and its word. */
export function state(kind, word) {
  return el("span", { class: "state", data: { kind } }, sign(kind), el("span", {}, word));
}

/** A boxed note: `kind` is `mind`, `stop` or `do`. */
export function note(kind, text, strong = "") {
  return el(
    "p",
    { class: "note", data: { kind } },
    sign(kind),
    el("span", {}, strong && el("strong", {}, `${strong} `), text),
  );
}

/** Wait until what was just put on the page has been painted; a hidden page paints nothing and is not waited for. */
export function painted() {
  const frame = new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
  return document.hidden ? Promise.resolve() : frame;
}
