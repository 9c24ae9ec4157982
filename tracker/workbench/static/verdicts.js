// Numbers, criteria, the accelerometers' trial, and warnings that lead to their place.

import { createElement, fill, table } from "./dom.js";
import { goTo } from "./places.js";
import { subscribe, store } from "./store.js";

const SIGNS = { pass: "✓", fail: "✗", missed: "–", undetermined: "?", agree: "✓", disagree: "✗" };

/**
 * The view of numbers, criteria and warnings.
 * @param {HTMLElement} root where the page is built
 * @returns {() => void} closes the view
 */
export function view(root) {
  const page = createElement("div", { class: "page wide" });
  fill(root, page);
  const build = () => {
    const r = store.results;
    if (!r)
      return void fill(
        page,
        createElement(
          "p",
          { class: "note" },
          "There are no results yet. Analyse the test: the numbers, verdicts and warnings then stand here.",
        ),
      );
    const striking = [...r.vehicles].sort((a) => (a.role === "striking" ? -1 : 1));
    fill(
      page,
      store.test.results?.stale
        ? createElement(
            "p",
            { class: "banner" },
            "The record has changed since these numbers were worked out. Analyse again to bring them up to date.",
          )
        : null,
      createElement("p", { class: "lead" }, r.headline),
      createElement(
        "div",
        { class: "columns verdicts" },
        createElement(
          "div",
          {},
          table(r.conditions),
          striking.map((v) => [table(v.movement)]),
          r.crush ? table({ caption: "Crush", head: ["", "value", "at, s"], rows: [r.crush], align: "lcr" }) : null,
        ),
        createElement(
          "div",
          {},
          criteria(r),
          striking.map((v) => table(v.occupant)),
        ),
        createElement("div", {}, warnings(r), r.cross_check.map(crossCheckCard)),
      ),
      table(r.budget),
      createElement("p", { class: "caution" }, r.notes.caution),
      createElement("p", { class: "note" }, r.notes.uncertainty),
      createElement("p", { class: "note" }, r.notes.axes),
    );
  };
  build();
  return subscribe("results", build);
}

function criteria(r) {
  if (!r.criteria.length) return createElement("p", { class: "note" }, "No criteria set is named in the record.");
  return createElement(
    "figure",
    { class: "table" },
    createElement("figcaption", {}, "Comparison with the criteria"),
    createElement(
      "div",
      { class: "scroll" },
      createElement(
        "table",
        {},
        createElement(
          "thead",
          {},
          createElement(
            "tr",
            {},
            ["", "value", "limit", "verdict"].map((t, i) =>
              createElement("th", { scope: "col", class: i === 1 ? "number" : "left" }, t),
            ),
          ),
        ),
        createElement(
          "tbody",
          {},
          r.criteria.map((c) =>
            createElement(
              "tr",
              { title: `${c.name}: ${c.source}${c.note ? `; ${c.note}` : ""}`, class: c.verdict },
              createElement("th", { scope: "row", class: "left" }, c.row[0]),
              createElement("td", { class: "number" }, c.row[1]),
              createElement("td", { class: "limit" }, c.row[2]),
              createElement("td", { class: `verdict ${c.verdict}` }, `${SIGNS[c.verdict]} ${c.words}`),
            ),
          ),
        ),
      ),
    ),
  );
}

function crossCheckCard(c) {
  return createElement(
    "section",
    {},
    createElement("h2", {}, `Film and accelerometers, ${c.vehicle}`),
    createElement("p", { class: `verdict ${c.verdict}` }, `${SIGNS[c.verdict]} ${c.words}`),
    table(c.findings),
    table(c.metrics),
  );
}

const GRADES = [
  ["serious", "Serious", "A number may be wrong. Put right what is named, then analyse again."],
  ["caution", "Caution", "The numbers hold within their uncertainty. Look whether the place named is as you meant it."],
  ["information", "Information", "Nothing to do: how something came about."],
];

function warning(w) {
  return createElement(
    "li",
    {},
    createElement("button", { class: "link", onclick: () => goTo(w.where, w.text) }, w.place),
    createElement("span", {}, ` ${w.text}`),
  );
}

function warnings(r) {
  return createElement(
    "section",
    { class: "warnings" },
    createElement("h2", {}, `Warnings (${r.warnings.length})`),
    r.warnings.length
      ? GRADES.map(([grade, title, act]) => {
          const own = r.warnings.filter((w) => w.grade === grade);
          return own.length
            ? [
                createElement("h3", { class: grade }, `${title} (${own.length})`),
                createElement("p", { class: "note" }, act),
                createElement("ul", { class: grade }, own.map(warning)),
              ]
            : null;
        })
      : createElement("p", { class: "note" }, "None."),
  );
}
