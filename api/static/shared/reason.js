/**
 * The reason that the sheet prints, asked in a dialogue of the page.
 */

import { byId, put } from "./dom.js";

/** Ask for a reason; `action` is called with it when it is sent, and not at all when it is not. */
export function askReason(title, about, send, action) {
  const dialog = byId("reason-dialog");
  put(byId("reason-title"), title);
  put(byId("reason-about"), about);
  put(byId("reason-send"), send);
  byId("reason").value = "";
  byId("reason-form").onsubmit = (event) => {
    event.preventDefault();
    dialog.close();
    action(byId("reason").value);
  };
  byId("reason-leave").onclick = () => dialog.close();
  dialog.showModal();
}
