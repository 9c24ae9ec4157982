// The first numbers of an analysis under way, and this run's numbers beside those of the run before.

import { createElement, fill } from "./dom.js";
import { store, subscribe } from "./store.js";

let closed = null; // the numbers that a person has put away

/**
 * Show the headline numbers of the analysis under way as soon as there are any; where there was a run before, until
 * they are put away.
 * @param {HTMLElement} root where the box is put
 */
export function showHeadline(root) {
  const box = createElement("section", { class: "headline", "aria-label": "Headline numbers", hidden: true });
  root.append(box);
  let shown = null;
  const draw = () => {
    const job = store.test?.job,
      under = job?.state === "running",
      headline = under || (job?.state === "done" && job.headline?.compared) ? job.headline : null,
      text = headline ? JSON.stringify(headline) : null;
    box.hidden = !text || text === closed; // final numbers show again where the first were put away
    if (text === shown) return;
    shown = text;
    if (text) fill(box, ...content(headline, () => ((closed = text), (box.hidden = true))));
  };
  subscribe("job", draw);
  subscribe("test", draw);
}

function content({ draws, compared, rows }, close) {
  const spread = Math.round(100 / Math.sqrt(2 * draws)),
    signs = (text) => text?.replace(">=", "≥").replace("<=", "≤").replace("-", "\u2212"),
    number = (value, u) => createElement("td", { class: "number" }, signs(value && u ? `${value} ± ${u}` : value)),
    head = ["", "this run", compared ? "the run before" : null, ""].filter((t) => t !== null);
  return [
    createElement("h2", {}, draws ? "First numbers" : "Before and after"),
    draws
      ? createElement("p", { class: "note" }, `From the films alone, u to ${spread} %; the rest is being computed.`)
      : null,
    createElement(
      "table",
      {},
      createElement("thead", {}, createElement("tr", {}, head.map((t) => createElement("th", { scope: "col" }, t)))),
      createElement(
        "tbody",
        {},
        rows.map(([label, value, u, unit, last, lastU]) =>
          createElement(
            "tr",
            { class: compared && value !== last ? "changed" : null },
            createElement("th", { scope: "row" }, label),
            number(value, u),
            compared ? number(last, lastU) : null,
            createElement("td", {}, unit),
          ),
        ),
      ),
    ),
    createElement("button", { onclick: close }, "Close"),
  ];
}
