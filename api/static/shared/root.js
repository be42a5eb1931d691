/**
 * Where this bench's pages are: at the top, or under a prefix where one shop shows several benches.
 */

/** What addresses of this bench begin with; empty at the bench itself. */
export const ROOT = document.body?.dataset.root ?? "";

/** A copy to look at has no live link. */
export const STILL = document.body?.hasAttribute("data-still") ?? false;

/** The whole address of a path; one into a bench by name, or of what all pages share, is whole already. Pure. */
export function addressOf(path, root = ROOT) {
  return /^\/(?!\/|of\/|static\/|pair\b)/.test(path) ? root + path : path;
}

/** Open a page of this bench. */
export function goTo(path) {
  window.location.href = addressOf(path);
}
