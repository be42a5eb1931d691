import { Refused, get, post, sentenceOf } from "/static/ask.js";
import { equal, ok } from "./check.js";

async function withFetch(answer, action) {
  const real = window.fetch;
  window.fetch = answer;
  try {
    return await action();
  } finally {
    window.fetch = real;
  }
}

const answered = (status, body) => async () =>
  new Response(JSON.stringify(body), { status, headers: { "Content-Type": "application/json" } });

async function refusal(answer) {
  return withFetch(answer, async () => {
    try {
      await post("/api/x");
    } catch (problem) {
      return problem;
    }
    throw new Error("nothing was refused");
  });
}

export const tests = {
  "the server's own sentence is passed on": () =>
    equal(sentenceOf({ code: "x", message: "Turn on." }, 409), "Turn on."),
  "a list of mistakes becomes one sentence": () =>
    equal(sentenceOf({ detail: [{ loc: ["body", "gauge"], msg: "is missing" }] }, 422), "gauge: is missing"),
  "an answer without words gets a sentence with its status": () => ok(sentenceOf(null, 502).includes("502")),
  "a refusal carries status, code and questions": async () => {
    const problem = await refusal(
      answered(422, { code: "ask", message: "Is it so?", questions: [{ code: "rod" }], may_override: true }),
    );
    ok(problem instanceof Refused);
    equal(
      [problem.message, problem.status, problem.code, problem.questions.length, problem.mayOverride],
      ["Is it so?", 422, "ask", 1, true],
    );
  },
  "a server out of reach is a sentence, not a fault of the page": async () => {
    const problem = await refusal(async () => {
      throw new TypeError("failed");
    });
    equal(problem.status, 0);
    ok(problem.message.includes("cannot be reached"));
  },
  "an error page that is not JSON is survived": async () =>
    equal((await refusal(async () => new Response("<html>", { status: 500 }))).status, 500),
  "a good answer is its body": async () =>
    equal(await withFetch(answered(200, { a: 1 }), () => get("/api/x")), { a: 1 }),
  "a POST whose answer was lost is asked again with the key it had, and the next has another": async () => {
    const keys = [];
    const losing = async (_path, { headers }) => {
      keys.push(headers["Request-Key"]);
      if (keys.length === 1) throw new TypeError("the link was lost");
      return new Response("{}", { status: 201 });
    };
    await withFetch(losing, () => post("/api/x"));
    await withFetch(losing, () => post("/api/x"));
    equal([keys.length, keys[0] === keys[1], keys[1] === keys[2]], [3, true, false]);
    ok(/^[0-9a-f]{32}$/.test(keys[0]));
  },
  "a button pressed twice sends one key": async () => {
    const keys = [];
    const slow = async (_path, { headers }) => {
      keys.push(headers["Request-Key"]);
      return new Response("{}", { status: 201 });
    };
    await withFetch(slow, () => Promise.all([post("/api/x", { a: 1 }), post("/api/x", { a: 1 })]));
    equal([keys.length, keys[0] === keys[1]], [2, true]);
  },
  "no content is nothing": async () =>
    equal(
      await withFetch(
        async () => new Response(null, { status: 204 }),
        () => post("/api/x"),
      ),
      null,
    ),
};
