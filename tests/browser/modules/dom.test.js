import { byId, el, note, put, refill, renew, show, sign, state, svg } from "/static/dom.js";
import { equal, ok } from "./check.js";

export const tests = {
  "what a device sends is text, never HTML": () => {
    document.body.append(el("p", {}, "<img src=x onerror=alert(1)>"));
    equal(
      [document.querySelectorAll("img").length, document.body.textContent],
      [0, "<img src=x onerror=alert(1)>"],
    );
  },
  "attributes that are false or missing are left out": () => {
    const node = el("input", { required: true, disabled: false, id: null });
    equal(
      [node.hasAttribute("required"), node.hasAttribute("disabled"), node.hasAttribute("id")],
      [true, false, false],
    );
  },
  "text is written only where it differs": () => {
    const node = el("p", {}, "same");
    const before = node.firstChild;
    put(node, "same");
    ok(node.firstChild === before);
    put(node, "other");
    equal(node.textContent, "other");
  },
  "a part is made anew only for a new key": () => {
    const node = el("div");
    equal(
      [
        refill(node, "a", () => "x"),
        refill(node, "a", () => "y"),
        node.textContent,
        refill(node, "b", () => null),
        node.textContent,
      ],
      [true, false, "x", true, ""],
    );
  },
  "a keyboard's focus stays on what is the same anew, and else stands before all that can be pressed": () => {
    document.body.innerHTML = "<main tabindex='-1'><div></div><p><button>Elsewhere</button></p></main>";
    const [main, box] = [document.querySelector("main"), document.querySelector("div")];
    const buttons = (...names) => names.map((name) => el("button", {}, name));
    renew(box, ...buttons("Measure again", "Leave it"));
    equal(document.activeElement, document.body);
    box.lastElementChild.focus();
    const before = document.activeElement;
    renew(box, ...buttons("Move it", "Leave it"));
    equal([document.activeElement.textContent, document.activeElement === before], ["Leave it", false]);
    renew(box, ...buttons("Move it"));
    equal(document.activeElement, main);
    document.querySelector("p button").focus();
    renew(box, ...buttons("Measure again"));
    equal(document.activeElement.textContent, "Elsewhere");
  },
  "every kind of state has a shape of its own": () => {
    const shapes = ["live", "quiet", "stop", "there", "mind", "do", "back"].map(
      (kind) => sign(kind).innerHTML,
    );
    equal(new Set(shapes).size, shapes.length);
  },
  "a shape is hidden from screen readers, its word is not": () => {
    const node = state("stop", "lost");
    equal([node.querySelector("svg").getAttribute("aria-hidden"), node.textContent], ["true", "lost"]);
  },
  "a note begins with its strong words": () =>
    equal(note("mind", "turn on.", "Not yet.").textContent, "Not yet. turn on."),
  "hiding and finding": () => {
    document.body.append(el("p", { id: "here" }));
    show(byId("here"), false);
    equal(byId("here").hidden, true);
  },
  "SVG is made in its own name space": () =>
    equal(svg("path", { d: "M0 0" }).namespaceURI, "http://www.w3.org/2000/svg"),
};
