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

/** How a job stands, of one that another bench holds who has it. */
export function jobStanding(job, spoken) {
  if (job.held) return state("quiet", spoken(job.held));
  return job.signed_at
    ? state("live", `signed by ${job.signed_by}`)
    : state("do", job.now_title || "nothing due");
}

export function changedOn(job) {
  return new Date(job.changed_at).toLocaleDateString(document.documentElement.lang, { dateStyle: "medium" });
}

export function jobLine(job, spoken) {
  return el(
    "li",
    {},
    el(
      "a",
      { href: `/jobs/${job.id}`, class: "job-line" },
      el("span", { class: "job-name" }, job.reference, job.customer && ` · ${job.customer}`),
      el("span", { class: "quiet" }, `${changedOn(job)}: `, spoken(`${job.engine}, card ${job.card}`)),
      jobStanding(job, spoken),
      job.open && !job.signed_at && state("there", "at the bench now"),
    ),
  );
}
