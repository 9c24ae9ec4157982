// Numbers, criteria, the accelerometers' trial, and warnings that lead to their place.

import { h, fill, table } from "./dom.js";
import { goTo } from "./places.js";
import { on, store } from "./store.js";

const SIGNS = { pass: "✓", fail: "✗", missed: "–", undetermined: "?", agree: "✓", disagree: "✗" };

export function view(root) {
  const page = h("div", { class: "page wide" });
  fill(root, page);
  const build = () => {
    const r = store.results;
    if (!r) return void fill(page, h("p", { class: "note" }, "There are no results yet. Analyse the test: the numbers, verdicts and warnings then stand here."));
    const striking = [...r.vehicles].sort((a) => (a.role === "striking" ? -1 : 1));
    fill(page,
      store.test.results?.stale ? h("p", { class: "banner" }, "The record has changed since these numbers were worked out. Analyse again to bring them up to date.") : null,
      h("p", { class: "lead" }, r.headline),
      h("div", { class: "columns verdicts" },
        h("div", {}, table(r.conditions), striking.map((v) => [table(v.movement)]), r.crush ? table({ caption: "Crush", head: ["", "value", "at, s"], rows: [r.crush], align: "lcr" }) : null),
        h("div", {}, criteria(r), striking.map((v) => table(v.occupant))),
        h("div", {}, warnings(r), r.cross_check.map(checked))),
      table(r.budget), h("p", { class: "caution" }, r.notes.caution), h("p", { class: "note" }, r.notes.uncertainty), h("p", { class: "note" }, r.notes.axes));
  };
  build();
  return on("results", build);
}

function criteria(r) {
  if (!r.criteria.length) return h("p", { class: "note" }, "No criteria set is named in the record.");
  return h("figure", { class: "table" }, h("figcaption", {}, "Comparison with the criteria"),
    h("div", { class: "scroll" }, h("table", {},
      h("thead", {}, h("tr", {}, ["", "value", "limit", "verdict"].map((t, i) => h("th", { scope: "col", class: i === 1 ? "number" : "left" }, t)))),
      h("tbody", {}, r.criteria.map((c) => h("tr", { title: `${c.name}: ${c.source}${c.note ? `; ${c.note}` : ""}`, class: c.verdict },
        h("th", { scope: "row", class: "left" }, c.row[0]), h("td", { class: "number" }, c.row[1]), h("td", { class: "limit" }, c.row[2]),
        h("td", { class: `verdict ${c.verdict}` }, `${SIGNS[c.verdict]} ${c.words}`)))))));
}

function checked(c) {
  return h("section", {}, h("h2", {}, `Film and accelerometers, ${c.vehicle}`),
    h("p", { class: `verdict ${c.verdict}` }, `${SIGNS[c.verdict]} ${c.words}`), table(c.findings), table(c.metrics));
}

function warnings(r) {
  return h("section", { class: "warnings" }, h("h2", {}, `Warnings (${r.warnings.length})`),
    r.warnings.length ? h("ul", {}, r.warnings.map((w) => h("li", {},
      h("button", { class: "link", onclick: () => goTo(w.where, w.text) }, w.where || "the test"), h("span", {}, ` ${w.text}`)))) : h("p", { class: "note" }, "None."));
}
