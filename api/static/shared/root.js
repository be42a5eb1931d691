/**
 * Where this bench's pages are: at the top, or under a prefix where one shop shows several benches.
 */

/** What addresses of this bench begin with; empty at the bench itself. */
export const ROOT = document.body?.dataset.root ?? "";

/** A copy to look at has no live link. */
export const STILL = document.body?.hasAttribute("data-still") ?? false;

/** The whole address of a path; one into a bench by name, or of what all pages share, is whole already. Pure. */
export function addressOf(path, root = ROOT) {
  return /^\/(?!\/|of\/|static\/|pair\b|api\/shop\/)/.test(path) ? root + path : path;
}

/** Where a measurement is told of: `12` of this bench, `west:12` of another one of the shop. Pure. */
export function measurementPath(name) {
  const [bench, number] = String(name).includes(":") ? String(name).split(":") : ["", name];
  return `${bench && `/of/${bench}`}/api/measurements/${number}`;
}

/** Whether a measurement is named as one of another bench. Pure. */
export const isElsewhere = (name) => /^[a-z]\w*:[1-9]\d*$/.test(String(name));

/** Open a page of this bench. */
export function goTo(path) {
  window.location.href = addressOf(path);
}
