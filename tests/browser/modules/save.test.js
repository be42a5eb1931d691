import { saveText } from "/static/save.js";
import { equal } from "./check.js";

export const tests = {
  "a text is handed over under its name, and the link is taken away again": () => {
    const clicked = [];
    const listen = (event) => {
      event.preventDefault();
      clicked.push([event.target.download, event.target.href.slice(0, 5)]);
    };
    document.addEventListener("click", listen);
    saveText("bench.toml", "[crank]", "application/toml");
    document.removeEventListener("click", listen);
    equal(clicked, [["bench.toml", "blob:"]]);
    equal(document.querySelectorAll("a").length, 0);
  },
};
