import { onLargeButton, pressesButton, wantsSpace } from "/static/hands.js";
import { equal, pause } from "./check.js";

const key = (name, target = document.body, more = {}) => ({
  key: name,
  target,
  repeat: false,
  ctrlKey: false,
  altKey: false,
  metaKey: false,
  ...more,
});

export const tests = {
  "the space bar presses from anywhere": () => equal(pressesButton(key(" "), ""), true),
  "a foot switch's key presses, another does not": () =>
    equal([pressesButton(key("b"), "b"), pressesButton(key("c"), "b")], [true, false]),
  "a held key presses once": () => equal(pressesButton(key(" ", document.body, { repeat: true }), ""), false),
  "a shortcut does not press": () =>
    equal(pressesButton(key(" ", document.body, { ctrlKey: true }), ""), false),
  "a focused button or field keeps its own space": () => {
    document.body.innerHTML = "<button></button><select></select><input><a href='#'></a><p></p>";
    equal([...document.body.children].map(wantsSpace), [true, true, true, true, false]);
  },
  "typing the foot switch's letter does not press": () => {
    document.body.innerHTML = "<input type='text'>";
    equal(pressesButton(key("b", document.querySelector("input")), "b"), false);
  },
  "a trembling foot presses once": async () => {
    document.body.innerHTML = "<button>Go</button>";
    const button = document.querySelector("button");
    let pressed = 0;
    onLargeButton(button, { chosen: { footKey: "" } }, () => {
      pressed += 1;
    });
    button.click();
    button.click();
    equal(pressed, 1);
    await pause(550);
    button.click();
    equal(pressed, 2);
  },
  "a key that is held on a button presses it once": () => {
    document.body.innerHTML = "<button>Go</button><button>Away</button>";
    onLargeButton(document.querySelector("button"), { chosen: { footKey: "" } }, () => {});
    const again = (repeat) =>
      new KeyboardEvent("keydown", { key: "Enter", repeat, bubbles: true, cancelable: true });
    const away = document.body.lastElementChild;
    equal([away.dispatchEvent(again(false)), away.dispatchEvent(again(true))], [true, false]);
  },
  "a button that waits cannot be pressed by a key": () => {
    document.body.innerHTML = "<button aria-disabled='true'>Wait</button>";
    let pressed = 0;
    onLargeButton(document.querySelector("button"), { chosen: { footKey: "" } }, () => {
      pressed += 1;
    });
    document.body.dispatchEvent(new KeyboardEvent("keydown", { key: " ", bubbles: true }));
    document.querySelector("button").click();
    equal(pressed, 0);
  },
};
