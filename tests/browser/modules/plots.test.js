import { draw, library, lookOf, pan, undraw, zoom } from "/static/plots.js";
import { baseLayout } from "/static/figures.js";
import { equal, near, ok } from "./check.js";

const settings = { chosen: { length: "mm", angle: "atdc" } };

function figure(angles) {
  const look = {
    ...lookOf(settings),
    colours: { ink: "#000", ink2: "#444", line: "#888", hair: "#ccc", sheet: "#fff" },
  };
  return {
    data: [{ type: "scatter", mode: "lines", x: [-180, 0, 180, 360], y: [0, 1, 0, 0] }],
    layout: baseLayout(look, "crank degrees", "lift", { meta: { range: [-180, 360], angles } }),
  };
}

async function box() {
  document.body.innerHTML = '<div id="box" style="width: 700px; height: 300px"></div>';
  return document.getElementById("box");
}

export const tests = {
  "the library is fetched once": async () => {
    const first = await library();
    ok(first === (await library()));
  },
  "a lobe's axis names the dead centres": async () => {
    const place = await box();
    await draw(place, figure("lobe"));
    const texts = [...place.querySelectorAll(".xtick text")].map((node) => node.textContent);
    ok(texts.includes("TDC") && texts.includes("BDC"), texts.join());
  },
  "an encoder's axis counts degrees": async () => {
    const place = await box();
    await draw(place, figure("plain"));
    ok([...place.querySelectorAll(".xtick text")].every((node) => node.textContent.endsWith("°")));
  },
  "nearer halves what is shown and everything brings it back": async () => {
    const place = await box();
    await draw(place, figure("lobe"));
    await zoom(place, 0.5);
    near(place._fullLayout.xaxis.range[1] - place._fullLayout.xaxis.range[0], 270, 1);
    await pan(place, 0.25);
    near(place._fullLayout.xaxis.range[0], -45 + 67.5, 1);
    await zoom(place, 0);
    equal(place._fullLayout.xaxis.range.map(Math.round), [-180, 360]);
  },
  "a drawing can be taken away": async () => {
    const place = await box();
    await draw(place, figure("lobe"));
    await undraw(place);
    ok(!place.data);
  },
};
