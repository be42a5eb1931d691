/**
 * Handing the browser something to keep.
 */

import { el } from "./dom.js";

/** Let the browser save what is at `href` under `name`. */
export function download(href, name) {
  const link = el("a", { href, download: name });
  document.body.append(link);
  link.click();
  link.remove();
}

/** Let the browser save a text as a file. */
export function saveText(name, text, type) {
  const href = URL.createObjectURL(new Blob([text], { type }));
  download(href, name);
  setTimeout(() => URL.revokeObjectURL(href), 10_000);
}
