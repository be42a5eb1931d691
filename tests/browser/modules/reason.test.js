import { askReason } from "/static/reason.js";
import { equal } from "./check.js";

const DIALOG = `<dialog id="reason-dialog"><form id="reason-form"><h2 id="reason-title"></h2><p id="reason-about"></p>
  <textarea id="reason"></textarea><button type="button" id="reason-leave">Cancel</button>
  <button type="submit" id="reason-send"></button></form></dialog>`;

const byId = (id) => document.getElementById(id);

export const tests = {
  "a reason is given once, and asked empty the next time": () => {
    document.body.innerHTML = DIALOG;
    const given = [];
    askReason("Leave it", "OUT. 3.4° late.", "Leave it", (reason) => given.push(reason));
    equal(
      [byId("reason-dialog").open, byId("reason-about").textContent, byId("reason-send").textContent],
      [true, "OUT. 3.4° late.", "Leave it"],
    );
    byId("reason").value = "Cam is changed next week";
    byId("reason-send").click();
    equal([given, byId("reason-dialog").open], [["Cam is changed next week"], false]);
    askReason("Leave it", "", "Leave it", () => {});
    equal(byId("reason").value, "");
  },
  "cancelled, nothing is done": () => {
    document.body.innerHTML = DIALOG;
    const given = [];
    askReason("Leave it", "", "Leave it", (reason) => given.push(reason));
    byId("reason-leave").click();
    equal([given, byId("reason-dialog").open], [[], false]);
  },
};
