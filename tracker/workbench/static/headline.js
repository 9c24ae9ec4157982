// The first numbers of an analysis under way, before its results are complete.

import { createElement, fill } from "./dom.js";
import { store, subscribe } from "./store.js";

let closed = null; // the numbers that a person has put away

/**
 * Show the headline numbers of the analysis under way as soon as there are any.
 * @param {HTMLElement} root where the box is put
 */
export function showHeadline(root) {
  const box = createElement("section", { class: "headline", "aria-label": "First numbers", hidden: true });
  root.append(box);
  let shown = null;
  const draw = () => {
    const job = store.test?.job,
      headline = job?.state === "running" ? job.headline : null,
      text = headline ? JSON.stringify(headline) : null;
    box.hidden = !text || text === closed;
    if (text === shown) return;
    shown = text;
    if (text) fill(box, ...content(headline, () => ((closed = text), (box.hidden = true))));
  };
  subscribe("job", draw);
  subscribe("test", draw);
}

function content(headline, close) {
  const spread = Math.round(100 / Math.sqrt(2 * headline.draws));
  return [
    createElement("h2", {}, "First numbers"),
    createElement("p", { class: "note" }, `From the films alone, u to ${spread} %; the rest is being computed.`),
    createElement(
      "table",
      {},
      createElement(
        "tbody",
        {},
        headline.rows.map(([label, value, u, unit]) =>
          createElement(
            "tr",
            {},
            createElement("th", { scope: "row" }, label),
            createElement("td", { class: "number" }, value),
            createElement("td", { class: "number" }, u ? `± ${u}` : ""),
            createElement("td", {}, unit),
          ),
        ),
      ),
    ),
    createElement("button", { onclick: close }, "Close"),
  ];
}
