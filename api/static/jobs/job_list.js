/**
 * The list of jobs, newest first, some at once: what is asked of it, a line, links to what stands behind. Pure.
 */

import { el, state } from "./dom.js";

export const AT_ONCE = 50;

/** What the page's address asks: the words, and where the list goes on; other words begin at the newest again. */
export function listAsked(search) {
  const asked = new URLSearchParams(search);
  const words = asked.get("words") ?? "";
  return { words, before: (now) => (now === words ? asked.get("before") : null) };
}

export function query(words, before) {
  return new URLSearchParams({ ...(words && { words }), ...(before && { before }) });
}

/** Links to what stands before and behind the jobs that are shown; of `jobs` one too many was asked for. */
export function waysOn(jobs, words, before) {
  const way = (name, from) =>
    el("a", { class: "plain-button", href: `/jobs?${query(words, from)}#list-title` }, name);
  const older = jobs.length > AT_ONCE && way("Older ones", jobs[AT_ONCE - 1].id);
  return [before && way("Newest", null), older].filter(Boolean);
}

export function jobLine(job, spoken) {
  const standing = job.held
    ? state("quiet", spoken(job.held))
    : job.signed_at
      ? state("live", `signed by ${job.signed_by}`)
      : state("do", job.now_title || "nothing due");
  const day = new Date(job.changed_at).toLocaleDateString(document.documentElement.lang, {
    dateStyle: "medium",
  });
  return el(
    "li",
    {},
    el(
      "a",
      { href: `/jobs/${job.id}`, class: "job-line" },
      el("span", { class: "job-name" }, job.reference, job.customer && ` · ${job.customer}`),
      el("span", { class: "quiet" }, `${day}: `, spoken(`${job.engine}, card ${job.card}`)),
      standing,
      job.open && !job.signed_at && state("there", "at the bench now"),
    ),
  );
}
