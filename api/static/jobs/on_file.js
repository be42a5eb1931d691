/**
 * What is on file: engines and cards, who made them where, what is asked where two benches differ, their history.
 */

import { get, post, remove } from "./ask.js";
import { byId, el, note } from "./dom.js";

function when(text) {
  return new Date(text).toLocaleString(document.documentElement.lang, {
    dateStyle: "short",
    timeStyle: "short",
  });
}

const madeBy = (one) => [one.by, one.from_bench && `bench ${one.from_bench}`, when(one.at)].filter(Boolean);

/** What another bench has otherwise, in one sentence. */
export function questionOf(other) {
  const told = other.differs.map(({ what, here, there }) => `${what} ${there}, here ${here}`);
  const whose = other.from_bench ? `The bench ${other.from_bench} has` : "Another version has";
  return `${whose} other values: ${told.join("; ")}. Which is right?`;
}

/**
 * The list of engines or of cards. `about` says of one: `name`, and `told`, what stands in it; `change` opens its form,
 * `changed` is called when the list is to be read again, `who` gives the name of the person.
 */
export function thingsOnFile(path, { about, change, changed, who, spoken }) {
  const open = new Set();

  async function doing(action) {
    try {
      await action();
      byId("file-notes").replaceChildren();
      await changed();
    } catch (problem) {
      byId("file-notes").replaceChildren(note("stop", spoken(problem.message)));
    }
  }

  const button = (words, label, action) =>
    el("button", { type: "button", class: "plain-button", "aria-label": label, onclick: action }, words);

  function question(kept, name) {
    const [, ...others] = kept.asked;
    const right = (one) => {
      const words = one.from_bench ? `What ${one.from_bench} has` : "What stands here";
      return button(words, `${words}: ${name}`, () =>
        doing(() => post(`${path}/${kept.id}/right`, { version: one.version, by: who() })),
      );
    };
    return (
      others.length > 0 &&
      el(
        "div",
        { class: "asked" },
        ...others.map((other) => note("mind", spoken(questionOf(other)))),
        el("div", { class: "row changes" }, ...kept.asked.map(right)),
      )
    );
  }

  function history(kept) {
    const list = el("ul", { class: "file-list" });
    const fill = async () => {
      const { versions } = await get(`${path}/${kept.id}/versions`);
      list.replaceChildren(
        ...versions.map((one) =>
          el(
            "li",
            {},
            el("span", { class: "quiet small" }, madeBy(one).join(", ")),
            el("span", {}, spoken(about(one).told)),
          ),
        ),
      );
    };
    const box = el("details", { class: "small" }, el("summary", {}, "History"), list);
    box.addEventListener("toggle", () => {
      open[box.open ? "add" : "delete"](kept.id);
      if (box.open) fill().catch((problem) => list.replaceChildren(el("li", {}, problem.message)));
    });
    box.open = open.has(kept.id);
    return box;
  }

  return (kept) => {
    const { name, told } = about(kept);
    return el(
      "li",
      {},
      el(
        "div",
        {},
        el("strong", {}, name),
        el("div", { class: "quiet small" }, spoken(told)),
        el("div", { class: "quiet small" }, madeBy(kept).join(", ")),
        question(kept, name),
        history(kept),
      ),
      el(
        "div",
        { class: "changes" },
        button("Change it", `Change ${name}`, () => change(kept)),
        button("Put it away", `Put ${name} away`, () => doing(() => remove(`${path}/${kept.id}`))),
      ),
    );
  };
}
