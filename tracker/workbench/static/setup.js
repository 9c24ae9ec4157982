// The record as a form: what is missing stands at its field.

import { createElement, fill } from "./dom.js";
import { alsoHeld } from "./held.js";
import { addNamed, formField, namedRows, remover, section, startFields, takeUpTyping, updateFields } from "./form.js";
import { save, store, subscribe } from "./store.js";
import { missingEntries } from "./wanting.js";

const COMPLETE = "✓ No entry is wrong, and nothing is missing for an analysis. Check looks into the films.";

let refresh = () => {};

/**
 * The view of the record as a form.
 * @param {HTMLElement} root where the page is built
 * @returns {() => void} closes the view
 */
export function view(root) {
  const page = createElement("div", { class: "page setup" });
  fill(root, page);
  let built = null;
  const shape = () =>
    JSON.stringify(store.test.raw, (k, v) => (typeof v === "object" ? v : 0)) +
    Object.keys(store.test.raw.vehicles ?? {});
  refresh = () => {
    if (built !== shape()) {
      built = shape();
      const goOn = takeUpTyping(),
        top = page.scrollTop;
      startFields();
      fill(
        page,
        index(),
        createElement(
          "div",
          { class: "sections" },
          problems(),
          conditions(),
          report(),
          vehicles(),
          survey(),
          cameras(),
          accelerometers(),
        ),
      );
      page.scrollTop = top;
      goOn();
      return;
    }
    updateFields();
    page.querySelector(".problems").replaceWith(problems());
  };
  refresh();
  const off = subscribe("test", () => refresh());
  return () => {
    off();
    refresh = () => {};
    startFields();
  };
}

/**
 * Bring the field of a key path into view.
 * @param {string} key
 */
export function focusField(key) {
  const exact = [...document.querySelectorAll("[data-key]")].filter(
    (n) => key === n.dataset.key || key.startsWith(`${n.dataset.key}.`) || key.startsWith(`${n.dataset.key}[`),
  );
  const best = exact.sort((a, b) => b.dataset.key.length - a.dataset.key.length)[0];
  best?.scrollIntoView({ block: "center" });
  (best?.querySelector("input, select") ?? best)?.focus?.();
  best?.classList.add("focused");
  setTimeout(() => best?.classList.remove("focused"), 2500);
}

function problems() {
  const errors = store.test.errors;
  return createElement(
    "section",
    { class: "problems" },
    errors.length
      ? [
          createElement("h2", {}, `Missing or wrong (${errors.length})`),
          createElement(
            "ul",
            {},
            errors.map((e) =>
              createElement(
                "li",
                {},
                createElement("button", { class: "link", onclick: () => focusField(e.key) }, e.place),
                ` ${e.what}; ${e.remedy}. `,
                e.unknown ? remover("this entry", e.unknown) : null,
              ),
            ),
          ),
        ]
      : toDo(),
  );
}

/** What an analysis still needs, and what would make it better. */
function toDo() {
  const { needed, better } = missingEntries(store.test.raw);
  const list = (title, all, kind) =>
    all.length
      ? [
          createElement("h2", { class: kind }, title),
          createElement("ul", {}, all.map((text) => createElement("li", {}, text))),
        ]
      : [];
  return [
    needed.length ? null : createElement("p", { class: "good" }, COMPLETE),
    list(`Still needed for an analysis (${needed.length})`, needed, "needed"),
    list("Would make the numbers better", better, "better"),
  ];
}

function index() {
  const go = (id) => document.getElementById(id)?.scrollIntoView({ block: "start" });
  const items = [
    ["s-test", "Test"],
    ["s-report", "Report"],
    ...Object.keys(store.test.raw.vehicles ?? {}).map((v) => [`s-vehicle-${v}`, v]),
    ["s-survey", "Survey"],
    ["s-cushion", "Crush cushion"],
    ...Object.keys(store.test.raw.cameras ?? {}).map((c) => [`s-camera-${c}`, c]),
    ["s-accelerometers", "Accelerometers"],
  ];
  return createElement(
    "nav",
    { class: "index", "aria-label": "Parts of the record" },
    items.map(([id, text]) => createElement("button", { class: "link", onclick: () => go(id) }, text)),
  );
}

function conditions() {
  const t = (...p) => ["test", ...p];
  return section(
    "s-test",
    "Test",
    createElement(
      "div",
      { class: "grid" },
      formField(t("number"), "A-12", { required: true }),
      formField(t("title")),
      formField(t("date"), "2026-06-18"),
      formField(t("criteria"), "", { options: ["", ...store.choices.criteria], none: "none" }),
      formField(t("report_units"), "", { options: ["", "us", "si"], none: "si" }),
      formField(t("device"), "", { options: ["", ...store.choices.devices], none: "other" }),
      formField(t("decision"), "", { options: ["", ...store.choices.decisions], none: "guarded" }),
      formField(t("intended", "speed"), "62 mi/h"),
      formField(t("intended", "angle"), "0 deg"),
      formField(t("intended", "offset"), "0 ft"),
      formField(t("speed_trap", "speed"), "61.4 mi/h", { dropsTable: true }),
      formField(t("speed_trap", "u"), "0.3 mi/h", { dropsTable: true }),
      formField(t("photographs"), "at the test's own moments", { kind: "list" }),
      formField(t("slow_motion"), "25 frames a second", { kind: "number" }),
    ),
    alsoHeld(["test"], ["events"]),
  );
}

/** Who made the report and for whom; what is left empty becomes a line to fill in by hand. */
function report() {
  const r = (key, hint = "") => formField(["test", "report", key], hint, { dropsTable: true });
  return section(
    "s-report",
    "Report",
    createElement("p", { class: "note" }, "What stays empty is a blank line in the report, to be filled in by hand."),
    createElement(
      "div",
      { class: "grid" },
      [r("laboratory"), r("address"), r("client"), r("article"), r("site"), r("number"), r("revision")],
      [r("issued", "2026-06-30"), r("analysed_by"), r("checked_by"), r("approved_by")],
      [r("weather"), r("method"), r("deviations", "none")],
    ),
  );
}

function vehicles() {
  const all = Object.keys(store.test.raw.vehicles ?? {});
  return [
    ...all.map((name) => {
      const p = (...rest) => ["vehicles", name, ...rest];
      return section(
        `s-vehicle-${name}`,
        `Vehicle ${name}`,
        createElement(
          "div",
          { class: "grid" },
          formField(p("role"), "", { options: ["", "striking", "struck", "other"] }),
          formField(p("mass"), "2420 lb"),
          formField(p("mass_u"), "6 lb; else 0.25 % of it"),
          formField(p("cg"), "0 m, 0 m, -0.56 m", { kind: "list" }),
          formField(p("cg_u"), "5 mm"),
          formField(p("flail"), "of the criteria", { kind: "list" }),
        ),
        namedRows(
          "Markers, vehicle axes: x forward, y right, z down",
          p("markers"),
          [
            ["at", "0.80 m, -0.45 m, -1.42 m", { kind: "list" }],
            ["pattern", "", { options: ["", ...store.choices.patterns] }],
            ["size", "0.20 m"],
          ],
          "marker",
        ),
        namedRows("Further points whose path is wanted", p("points"), [], "point"),
        alsoHeld(p(), ["outline", "wheels", "rest", "joint", "wheel", "kind", "at_contact", "axes_u"]),
        createElement("div", { class: "actions" }, remover(`vehicle ${name}`, ["vehicles", name])),
      );
    }),
    createElement(
      "div",
      { class: "actions" },
      createElement(
        "button",
        { onclick: () => addNamed("A further vehicle", ["vehicles"], { role: "other" }, "truck") },
        "Add a vehicle",
      ),
    ),
  ];
}

function survey() {
  return [
    section(
      "s-survey",
      "Survey",
      createElement(
        "div",
        { class: "grid" },
        formField(["survey", "ground_u"], "2 mm"),
        formField(["survey", "marker_u"], "1 mm"),
        formField(["survey", "instrument"], "total station"),
        formField(["survey", "scale_u"], "0.02 %"),
        formField(["survey", "datum_u"], "0.05 deg"),
      ),
    ),
    section(
      "s-cushion",
      "Crush cushion",
      createElement(
        "div",
        { class: "grid" },
        formField(["cushion", "length"], "none", { dropsTable: true }),
        formField(["cushion", "length_u"], "5 mm", { dropsTable: true }),
        formField(["cushion", "front_crush"], "0 mm", { dropsTable: true }),
        formField(["cushion", "front_crush_u"], "20 mm", { dropsTable: true }),
      ),
    ),
    store.test.raw.article
      ? section("s-article", "Test article", alsoHeld([], ["article"]), alsoHeld(["article"], ["markers"]))
      : null,
  ];
}

function cameras() {
  const all = Object.keys(store.test.raw.cameras ?? {});
  return [
    ...all.map((name) => {
      const p = (...rest) => ["cameras", name, ...rest],
        film = store.test.films[name];
      const known = film?.frames
        ? `${film.frames} frames of ${film.width} × ${film.height}, ${film.bits} bits`
        : (film?.problem ?? "");
      return section(
        `s-camera-${name}`,
        `Camera ${name}`,
        createElement("p", { class: film?.problem ? "wrong" : "note" }, known),
        createElement(
          "div",
          { class: "grid" },
          formField(p("film"), "overhead.mp4", { required: true }),
          formField(p("frame_rate"), "1000 1/s"),
          formField(p("exposure"), "0.2 ms"),
          formField(p("bits"), "those of the file", { kind: "number" }),
          formField(p("position"), "-3 m, 0 m, -12 m", { kind: "list" }),
          formField(p("time", "zero"), "contact, flash, or a frame", { kind: "zero" }),
          formField(p("time", "flash_region"), "drawn in the film", { kind: "numbers" }),
          formField(p("lens", "camera_matrix"), "px", { kind: "matrix", dropsTable: true }),
          formField(p("lens", "distortion"), "", { kind: "numbers", dropsTable: true }),
          formField(p("lens", "chessboard"), "lens/*.png", { dropsTable: true }),
          formField(p("lens", "inner_corners"), "9, 6", { kind: "numbers", dropsTable: true }),
          formField(p("lens", "square"), "30 mm", { dropsTable: true }),
          formField(p("lens", "dots"), "lens/*.png", { dropsTable: true }),
          formField(p("lens", "grid"), "12, 12", { kind: "numbers", dropsTable: true }),
          formField(p("lens", "spacing"), "20 mm", { dropsTable: true }),
          formField(p("lens", "file"), "lens.json", { dropsTable: true }),
          formField(p("lens", "date"), "2026-06-01", { dropsTable: true }),
        ),
        namedRows(
          "Fixed targets, ground axes: x along the intended path, y right, z down",
          p("survey"),
          [
            ["at", "-6 m, -3 m, 0 m", { kind: "list" }],
            ["pattern", "", { options: ["", ...store.choices.patterns] }],
            ["size", "0.30 m"],
            ["pixel", "in the film", { kind: "numbers" }],
            ["frame", "0", { kind: "number" }],
          ],
          "target",
        ),
        alsoHeld(p(), ["scale", "straight", "edits", "ruled_out", "aim", "size"]),
        alsoHeld(p("time"), ["timing_light", "gamma", "flash_lag", "flash_lag_u"]),
        createElement("div", { class: "actions" }, remover(`camera ${name}`, ["cameras", name])),
      );
    }),
    createElement(
      "div",
      { class: "actions" },
      createElement(
        "button",
        { onclick: () => addNamed("A further camera", ["cameras"], { film: "" }, "side") },
        "Add a camera",
      ),
    ),
  ];
}

function accelerometers() {
  const all = store.test.raw.accelerometers ?? [];
  const one = (entry, i) => {
    const p = (...rest) => ["accelerometers", i, ...rest];
    return createElement(
      "div",
      { class: "block" },
      createElement("h3", {}, `Accelerometers ${i + 1}`),
      createElement(
        "div",
        { class: "grid" },
        formField(p("vehicle"), "", {
          options: ["", ...Object.keys(store.test.raw.vehicles ?? {})],
          required: true,
        }),
        formField(p("at"), "0.06 m, 0.03 m, -0.48 m", { kind: "list", required: true }),
        formField(p("file"), "car-accelerometer.csv", { required: true }),
        formField(p("time", "column"), "time"),
        formField(p("time", "unit"), "s"),
        formField(p("full_scale"), "100 g_0"),
      ),
      createElement(
        "div",
        { class: "grid" },
        store.choices.channels.flatMap((c, k) => [
          formField(p("channels", c, "column"), c, { of: c, dropsTable: true }),
          formField(p("channels", c, "unit"), k < 3 ? "g_0" : "deg/s", { of: c, dropsTable: true }),
        ]),
      ),
      createElement("div", { class: "actions" }, remover(`accelerometers ${i + 1}`, ["accelerometers", i])),
    );
  };
  const begin = () =>
    save("accelerometers added", [
      {
        path: ["accelerometers", "+"],
        value: { channels: {} }, // what it is stands in its fields as missing until somebody says it
      },
    ]);
  return section(
    "s-accelerometers",
    "Accelerometers",
    all.map(one),
    createElement("div", { class: "actions" }, createElement("button", { onclick: begin }, "Add accelerometers")),
  );
}
