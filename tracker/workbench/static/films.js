// The films side by side on one time line, with the marks beside them.

import { h, fill } from "./dom.js";
import { panel } from "./marks.js";
import { choose, options } from "./options.js";
import { Pane } from "./pane.js";
import { plotStrip } from "./plots.js";
import { on, shown, store, tell } from "./store.js";
import { transport } from "./transport.js";

export let panes = [];

/** The pane of the chosen camera. */
export const chosen = () => panes.find((p) => p.camera === store.camera) ?? panes[0] ?? null;

export function view(root) {
  const films = h("div", { class: "films" }), line = transport(), side = panel(chosen), strip = plotStrip();
  fill(root, h("div", { class: "desk" }, h("div", { class: "stage" }, display(), films, line.node, strip.node), side.node));
  const signature = () => shown().map((c) => `${c} ${store.test.films[c].key}`).join("|");
  let built = null;
  const build = () => {
    if (built === signature()) return;
    built = signature();
    panes.forEach((p) => p.close());
    panes = shown().map((camera) => new Pane(camera));
    films.style.setProperty("--films", String(Math.max(1, Math.min(panes.length, 3))));
    const missing = Object.entries(store.test.films).filter(([, f]) => f.problem);
    fill(films, panes.map((p) => p.node), missing.map(([camera, f]) => h("section", { class: "pane" }, h("header", {}, h("strong", {}, camera)), h("p", { class: "fault" }, f.problem))),
      panes.length + missing.length ? null : h("p", { class: "note" }, "The record names no film yet: add a camera under Set-up."));
  };
  build();
  const off = on("test", build);
  return () => { off(); panes.forEach((p) => p.close()); panes = []; line.close(); side.close(); strip.close(); };
}

/** What is shown over the films, and their contrast. */
function display() {
  const box = (name, text, title) => h("label", { title }, h("input", { type: "checkbox", checked: options[name], onchange: (e) => choose(name, e.target.checked) }), text);
  const number = (name, text, title, values) => h("label", { title }, text, h("select", { onchange: (e) => choose(name, Number(e.target.value)) },
    values.map((v) => h("option", { value: v, selected: v === options[name] }, `×${v}`))));
  const stretch = (change) => {
    const pane = chosen();
    if (!pane) return;
    options.contrast[pane.camera] = { ...options.plain, ...options.contrast[pane.camera], ...change(pane) };
    tell("options");
  };
  const low = h("input", { type: "range", min: 0, max: 1, step: 0.01, value: 0, "aria-label": "Darkest grey shown", oninput: () => stretch(() => ({ low: Math.min(Number(low.value), Number(high.value) - 0.01) })) });
  const high = h("input", { type: "range", min: 0, max: 1, step: 0.01, value: 1, "aria-label": "Brightest grey shown", oninput: () => stretch(() => ({ high: Math.max(Number(high.value), Number(low.value) + 0.01) })) });
  const set = (a, b) => { low.value = a; high.value = b; };
  return h("div", { class: "display", role: "group", "aria-label": "What is shown over the films" },
    box("marks", "Marks", "Marks and hand picks"), box("names", "Names", "Names of marks"),
    box("ellipses", "Ellipses, 95 %", "Uncertainty of each place"), number("enlarged", "", "Ellipses are drawn so many times larger", [1, 10, 50, 200]),
    box("residuals", "Residuals", "From the measured place towards where the solution puts the mark"), number("gain", "", "Residuals are drawn so many times longer", [1, 5, 20, 100]),
    box("trails", "Trails", "Where marks were and will be"), box("outline", "Outline", "Surveyed points and axes of each vehicle as solved"),
    h("span", { class: "contrast" }, "Contrast", low, high,
      h("button", { class: "small", onclick: () => stretch((p) => { const [a, b] = p.spread(); set(a, b); return { low: a, high: b }; }) }, "Stretch"),
      h("button", { class: "small", onclick: () => stretch(() => { set(0, 1); return options.plain; }) }, "As filmed")));
}
