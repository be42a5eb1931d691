import { AT_ONCE, jobLine, listAsked, query, waysOn } from "/static/job_list.js";
import { equal, ok } from "./check.js";

const job = {
  id: 7,
  reference: "HL-0417",
  customer: "Merrick",
  engine: "Tarn 1.8",
  card: "Whinfell 262",
  changed_at: "2026-03-09T12:00:00Z",
  now_title: "True TDC",
  signed_at: "",
  signed_by: "",
  held: "",
  open: true,
};
const same = (text) => text;
const hrefs = (ways) => ways.map((way) => [way.textContent, way.getAttribute("href")]);

export const tests = {
  "other words begin at the newest again": () => {
    const list = listAsked("?words=merrick&before=40");
    equal([list.words, list.before("merrick"), list.before("lind")], ["merrick", "40", null]);
  },
  "only what is asked stands in an address": () =>
    equal([String(query("", null)), String(query("a b", 3))], ["", "words=a+b&before=3"]),
  "older ones stand behind the last that is shown": () => {
    const jobs = Array.from({ length: AT_ONCE + 1 }, (_, at) => ({ id: 900 - at }));
    equal(hrefs(waysOn(jobs, "a", null)), [
      ["Older ones", `/jobs?words=a&before=${901 - AT_ONCE}#list-title`],
    ]);
    equal(hrefs(waysOn(jobs.slice(1), "a", "901")), [["Newest", "/jobs?words=a#list-title"]]);
    equal(waysOn(jobs.slice(1), "", null), []);
  },
  "a line says whose, which, when it changed and where it stands": () => {
    const line = jobLine(job, same);
    for (const words of [
      "HL-0417 · Merrick",
      "2026",
      "Tarn 1.8, card Whinfell 262",
      "True TDC",
      "at the bench now",
    ])
      ok(line.textContent.includes(words), words);
    const signed = jobLine({ ...job, signed_at: "t", signed_by: "Ida" }, same).textContent;
    ok(signed.includes("signed by Ida") && !signed.includes("at the bench now"));
  },
};
