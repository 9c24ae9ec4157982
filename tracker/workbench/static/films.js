// The films side by side on one time line, with the marks beside them.

import { createElement, fill } from "./dom.js";
import { panel } from "./marks.js";
import { choose, options } from "./options.js";
import { Pane } from "./pane.js";
import { plotStrip } from "./plots.js";
import { subscribe, shown, fetchFilm, store, emit } from "./store.js";
import { transport } from "./transport.js";

/**
 * Films on the page.
 * @type {Pane[]}
 */
export let panes = [];

/**
 * The pane of the chosen camera.
 * @returns {Pane|null}
 */
export const chosen = () => panes.find((p) => p.camera === store.camera) ?? panes[0] ?? null;

/**
 * The view of the films.
 * @param {HTMLElement} root where the page is built
 * @returns {() => void} closes the view
 */
export function view(root) {
  const films = createElement("div", { class: "films" }),
    line = transport(),
    side = panel(chosen),
    strip = plotStrip();
  fill(
    root,
    createElement(
      "div",
      { class: "desk" },
      createElement("div", { class: "stage" }, display(), films, line.node, strip.node),
      side.node,
    ),
  );
  const signature = () =>
    Object.entries(store.test.films)
      .map(([camera, film]) => `${camera} ${film.key ?? film.problem}`)
      .join("|");
  let built = null;
  const build = () => {
    if (built === signature()) return;
    built = signature();
    panes.forEach((p) => p.close());
    panes = shown().map((camera) => new Pane(camera));
    films.style.setProperty("--films", String(Math.max(1, Math.min(panes.length, 3))));
    const missing = Object.entries(store.test.films).filter(([, f]) => f.problem);
    fill(
      films,
      panes.map((p) => p.node),
      missing.map(([camera, f]) =>
        createElement(
          "section",
          { class: "pane" },
          createElement("header", {}, createElement("strong", {}, camera)),
          createElement("p", { class: "fault" }, f.problem),
          f.address ? createElement("button", { onclick: () => fetchFilm(f.address) }, "Fetch it") : null,
        ),
      ),
      panes.length + missing.length
        ? null
        : createElement("p", { class: "note" }, "The record names no film yet: add a camera under Set-up."),
    );
  };
  build();
  const off = subscribe("test", build);
  return () => {
    off();
    panes.forEach((p) => p.close());
    panes = [];
    line.close();
    side.close();
    strip.close();
  };
}

/** What is shown over the films, and their contrast. */
function display() {
  const box = (name, text, title) =>
    createElement(
      "label",
      { title },
      createElement("input", {
        type: "checkbox",
        checked: options[name],
        onchange: (e) => choose(name, e.target.checked),
      }),
      text,
    );
  const number = (name, text, title, values) =>
    createElement(
      "label",
      { title },
      text,
      createElement(
        "select",
        { onchange: (e) => choose(name, Number(e.target.value)) },
        values.map((v) => createElement("option", { value: v, selected: v === options[name] }, `×${v}`)),
      ),
    );
  const stretch = (change) => {
    const pane = chosen();
    if (!pane) return;
    options.contrast[pane.camera] = { ...options.plain, ...options.contrast[pane.camera], ...change(pane) };
    emit("options");
  };
  const low = createElement("input", {
    type: "range",
    min: 0,
    max: 1,
    step: 0.01,
    value: 0,
    "aria-label": "Darkest grey shown",
    oninput: () => stretch(() => ({ low: Math.min(Number(low.value), Number(high.value) - 0.01) })),
  });
  const high = createElement("input", {
    type: "range",
    min: 0,
    max: 1,
    step: 0.01,
    value: 1,
    "aria-label": "Brightest grey shown",
    oninput: () => stretch(() => ({ high: Math.max(Number(high.value), Number(low.value) + 0.01) })),
  });
  const set = (a, b) => {
    low.value = a;
    high.value = b;
  };
  return createElement(
    "div",
    { class: "display", role: "group", "aria-label": "What is shown over the films" },
    box("marks", "Marks", "Marks and hand picks"),
    box("names", "Names", "Names of marks"),
    box("ellipses", "Ellipses, 95 %", "Uncertainty of each place"),
    number("enlarged", "", "Ellipses are drawn larger by this factor", [1, 10, 50, 200]),
    box("residuals", "Residuals", "From the measured place towards where the solution puts the mark"),
    number("gain", "", "Residuals are drawn longer by this factor", [1, 5, 20, 100]),
    box("trails", "Trails", "Where marks were and will be"),
    box("outline", "Outline", "Surveyed points and axes of each vehicle as solved"),
    createElement(
      "span",
      { class: "contrast" },
      "Contrast",
      low,
      high,
      createElement(
        "button",
        {
          class: "small",
          onclick: () =>
            stretch((p) => {
              const [a, b] = p.spread();
              set(a, b);
              return { low: a, high: b };
            }),
        },
        "Stretch",
      ),
      createElement(
        "button",
        {
          class: "small",
          onclick: () =>
            stretch(() => {
              set(0, 1);
              return options.plain;
            }),
        },
        "As filmed",
      ),
    ),
  );
}
