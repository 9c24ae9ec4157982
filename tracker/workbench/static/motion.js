// All curves, with the films small beside them.

import { createElement, fill } from "./dom.js";
import { Pane } from "./pane.js";
import { plot } from "./plots.js";
import { subscribe, shown, store } from "./store.js";
import { transport } from "./transport.js";
import { panes } from "./films.js";

/**
 * The view of all curves.
 * @param {HTMLElement} root where the page is built
 * @returns {() => void} closes the view
 */
export function view(root) {
  const grid = createElement("div", { class: "plots" }),
    films = createElement("div", { class: "films stacked" }),
    line = transport();
  fill(
    root,
    createElement("div", { class: "desk motion" }, grid, createElement("div", { class: "stage" }, films, line.node)),
  );
  let parts = [];
  const small = shown().map((c) => new Pane(c));
  panes.push(...small);
  fill(
    films,
    small.map((p) => p.node),
  );
  const build = () => {
    parts.forEach((p) => p.close());
    parts = Object.values(store.motion).map((given) => plot(given, 170));
    fill(
      grid,
      parts.length
        ? parts.map((p) => p.node)
        : createElement("p", { class: "note" }, "Nothing is determined yet: analyse the test first."),
    );
  };
  build();
  const off = subscribe("results", build);
  return () => {
    off();
    parts.forEach((p) => p.close());
    small.forEach((p) => p.close());
    panes.length = 0;
    line.close();
  };
}
