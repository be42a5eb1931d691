/**
 * Asking the server. Whatever goes wrong comes back as one sentence that can be shown to a builder.
 */

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

const UNREACHED = "The server cannot be reached. Nothing was changed; try again when the link is back.";

async function exchange(path, options) {
  let answer;
  try {
    answer = await fetch(path, { headers: { Accept: "application/json", ...options?.headers }, ...options });
  } catch {
    throw new Refused(UNREACHED, 0);
  }
  const body = answer.status === 204 ? null : await answer.json().catch(() => null);
  if (!answer.ok) throw new Refused(sentenceOf(body, answer.status), answer.status, body);
  return body;
}

export function get(path) {
  return exchange(path);
}

function send(method, path, body) {
  const headers = { Accept: "application/json", "Content-Type": "application/json" };
  return exchange(path, { method, headers, body: body === undefined ? "{}" : JSON.stringify(body) });
}

/** Send a form with a file in it. */
export const upload = (path, form) => exchange(path, { method: "POST", body: form });

export const post = (path, body) => send("POST", path, body);
export const patch = (path, body) => send("PATCH", path, body);
export const remove = (path) => exchange(path, { method: "DELETE" });
