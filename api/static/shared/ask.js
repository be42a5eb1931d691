/**
 * Asking the server. Whatever goes wrong comes back as one sentence that can be shown to a builder.
 */

import { addressOf } from "./root.js";

/** `body` is what the server said besides the sentence: `code`, `questions`, `may_override`. */
export class Refused extends Error {
  constructor(sentence, status, body = null) {
    super(sentence);
    this.status = status;
    this.code = body?.code ?? "";
    this.questions = body?.questions ?? [];
    this.mayOverride = body?.may_override ?? false;
    this.step = body?.step ?? "";
  }
}

/** The sentence in an error body: ours (`message`), the framework's (`detail`), or one made of the status. */
export function sentenceOf(body, status) {
  const found = body?.message ?? body?.detail;
  if (typeof found === "string") return found;
  if (Array.isArray(found) && found.length) {
    return found
      .map((item) => `${(item.loc ?? []).filter((part) => part !== "body").join(" ")}: ${item.msg}`)
      .join("; ");
  }
  return `The server answered ${status}. Try again; if it stays, look at the server's own log.`;
}

const UNREACHED =
  "The server cannot be reached. Try again when the link is back; what was done already is not done twice.";

const ASK_AGAIN_MS = [400, 1600];

/**
 * A POST whose answer was lost may have been done. It is asked again with the key it had, and the server does it once.
 * The key is kept until an answer comes, so that the same press, made again by hand, is the same request, too.
 */
const unanswered = new Map();

function keyOf(request) {
  if (!unanswered.has(request)) {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    unanswered.set(request, Array.from(bytes, (one) => one.toString(16).padStart(2, "0")).join(""));
  }
  return unanswered.get(request);
}

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

async function answerTo(path, options, waits) {
  try {
    return await fetch(addressOf(path), options);
  } catch {
    if (!waits.length) throw new Refused(UNREACHED, 0);
    await pause(waits[0]);
    return answerTo(path, options, waits.slice(1));
  }
}

async function exchange(path, options, request) {
  const key = request ? { "Request-Key": keyOf(request) } : {};
  const headers = { Accept: "application/json", ...options?.headers, ...key };
  const answer = await answerTo(path, { ...options, headers }, request ? ASK_AGAIN_MS : []);
  unanswered.delete(request);
  const body = answer.status === 204 ? null : await answer.json().catch(() => null);
  if (!answer.ok) throw new Refused(sentenceOf(body, answer.status), answer.status, body);
  return body;
}

export function get(path) {
  return exchange(path);
}

function send(method, path, body) {
  const headers = { Accept: "application/json", "Content-Type": "application/json" };
  const text = body === undefined ? "{}" : JSON.stringify(body);
  return exchange(path, { method, headers, body: text }, method === "POST" ? `${path} ${text}` : null);
}

/** Send a form with a file in it. */
export const upload = (path, form) => {
  const parts = Array.from(form, ([name, part]) =>
    part instanceof File ? [name, part.name, part.size, part.lastModified] : [name, part],
  );
  return exchange(path, { method: "POST", body: form }, `${path} ${JSON.stringify(parts)}`);
};

export const post = (path, body) => send("POST", path, body);
export const remove = (path) => exchange(path, { method: "DELETE" });
