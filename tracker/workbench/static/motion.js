// All curves, with the films small beside them.

import { h, fill } from "./dom.js";
import { Pane } from "./pane.js";
import { plot } from "./plots.js";
import { on, shown, store } from "./store.js";
import { transport } from "./transport.js";
import { panes } from "./films.js";

export function view(root) {
  const grid = h("div", { class: "plots" }), films = h("div", { class: "films stacked" }), line = transport();
  fill(root, h("div", { class: "desk motion" }, grid, h("div", { class: "stage" }, films, line.node)));
  let parts = [];
  const small = shown().map((c) => new Pane(c));
  panes.push(...small);
  fill(films, small.map((p) => p.node));
  const build = () => {
    parts.forEach((p) => p.close());
    parts = Object.values(store.motion).map((given) => plot(given, 170));
    fill(grid, parts.length ? parts.map((p) => p.node) : h("p", { class: "note" }, "Nothing is determined yet: analyse the test first."));
  };
  build();
  const off = on("results", build);
  return () => { off(); parts.forEach((p) => p.close()); small.forEach((p) => p.close()); panes.length = 0; line.close(); };
}
