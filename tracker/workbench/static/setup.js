// The record as a form: what is missing stands at its field.

import { createElement, fill } from "./dom.js";
import { addNamed, formField, namedRows, remover, section, startFields, updateFields } from "./form.js";
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
      const at = document.activeElement?.id,
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
          vehicles(),
          survey(),
          cameras(),
          accelerometers(),
        ),
      );
      page.scrollTop = top;
      if (at) document.getElementById(at)?.focus({ preventScroll: true });
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
                createElement("button", { class: "link", onclick: () => focusField(e.key) }, e.key),
                ` ${e.what}; ${e.remedy}.`,
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
      formField(t("number"), "Number", "A-12", { required: true }),
      formField(t("title"), "Title"),
      formField(t("date"), "Date", "2026-06-18"),
      formField(t("criteria"), "Criteria", "", { options: ["", ...store.choices.criteria], none: "none" }),
      formField(t("report_units"), "Units of reports", "", { options: ["", "us", "si"], none: "si" }),
      formField(t("intended", "speed"), "Intended speed", "62 mi/h"),
      formField(t("intended", "angle"), "Intended angle", "0 deg"),
      formField(t("intended", "offset"), "Intended offset, + right", "0 ft"),
      formField(t("speed_trap", "speed"), "Speed trap", "61.4 mi/h", { dropsTable: true }),
      formField(t("speed_trap", "u"), "its standard uncertainty", "0.3 mi/h", { dropsTable: true }),
      formField(t("photographs"), "Photographs of the report at", "at the test's own moments", { kind: "list" }),
      formField(t("slow_motion"), "Marked films slower than life by", "25 frames a second", { kind: "number" }),
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
          formField(p("role"), "Role", "", { options: ["", "striking", "struck", "other"] }),
          formField(p("mass"), "Test inertial mass", "2420 lb"),
          formField(p("mass_u"), "Its standard uncertainty", "0.25 %"),
          formField(p("cg"), "Centre of gravity x, y, z", "0 m, 0 m, -0.56 m", { kind: "list" }),
          formField(p("flail"), "Flail distance along, across", "of the criteria", { kind: "list" }),
        ),
        namedRows(
          "Markers, vehicle axes: x forward, y right, z down",
          p("markers"),
          [
            ["at", "Surveyed at x, y, z", "0.80 m, -0.45 m, -1.42 m", { kind: "list" }],
            ["pattern", "Pattern", "", { options: ["", ...store.choices.patterns] }],
            ["size", "Size", "0.20 m"],
          ],
          "marker",
        ),
        namedRows("Further points whose path is wanted", p("points"), [], "point"),
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
        formField(["survey", "ground_u"], "Standard uncertainty of fixed targets", "2 mm"),
        formField(["survey", "marker_u"], "of vehicle markers", "1 mm"),
      ),
    ),
    section(
      "s-cushion",
      "Crush cushion",
      createElement(
        "div",
        { class: "grid" },
        formField(["cushion", "length"], "Length before the test", "none"),
        formField(["cushion", "front_crush"], "Of the closing, the striking vehicle's front took", "0 mm"),
      ),
    ),
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
          formField(p("film"), "Film", "overhead.mp4", { required: true }),
          formField(p("frame_rate"), "Frame rate while filming", "1000 1/s"),
          formField(p("exposure"), "Exposure", "0.2 ms"),
          formField(p("bits"), "Significant bits", "those of the file", { kind: "number" }),
          formField(p("position"), "Rough place x, y, z", "-3 m, 0 m, -12 m", { kind: "list" }),
          formField(p("time", "zero"), "Time zero", "contact, flash, or a frame", { kind: "zero" }),
          formField(p("time", "flash_region"), "Flash: u, v, width, height", "drawn in the film", { kind: "numbers" }),
          formField(p("lens", "file"), "Lens: calibrated before", "lens.json", { dropsTable: true }),
          formField(p("lens", "chessboard"), "or chessboard pictures", "lens/*.png", { dropsTable: true }),
          formField(p("lens", "inner_corners"), "inner corners", "9, 6", { kind: "numbers", dropsTable: true }),
          formField(p("lens", "square"), "square", "30 mm", { dropsTable: true }),
          formField(p("lens", "dots"), "or pictures of a board of discs", "lens/*.png", { dropsTable: true }),
          formField(p("lens", "grid"), "discs in a row, rows", "12, 12", { kind: "numbers", dropsTable: true }),
          formField(p("lens", "spacing"), "spacing of the discs", "20 mm", { dropsTable: true }),
          formField(p("lens", "camera_matrix"), "or fx, fy, cx, cy", "px", { kind: "matrix", dropsTable: true }),
          formField(p("lens", "distortion"), "k1, k2, p1, p2, k3", "", { kind: "numbers", dropsTable: true }),
        ),
        namedRows(
          "Fixed targets, ground axes: x along the intended path, y right, z down",
          p("survey"),
          [
            ["at", "Surveyed at x, y, z", "-6 m, -3 m, 0 m", { kind: "list" }],
            ["pattern", "Pattern", "", { options: ["", ...store.choices.patterns] }],
            ["size", "Size", "0.30 m"],
            ["pixel", "Pick u, v", "in the film", { kind: "numbers" }],
            ["frame", "Frame", "0", { kind: "number" }],
          ],
          "target",
        ),
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
        formField(p("vehicle"), "On vehicle", "", {
          options: ["", ...Object.keys(store.test.raw.vehicles ?? {})],
          required: true,
        }),
        formField(p("at"), "At x, y, z, vehicle axes", "0.06 m, 0.03 m, -0.48 m", { kind: "list", required: true }),
        formField(p("file"), "File", "car-accelerometer.csv", { required: true }),
        formField(p("time", "column"), "Time column", "time"),
        formField(p("time", "unit"), "its unit", "s"),
        formField(p("full_scale"), "Full scale", "100 g_0"),
      ),
      createElement(
        "div",
        { class: "grid" },
        store.choices.channels.flatMap((c, k) => [
          formField(p("channels", c, "column"), `${c}: column`, c, { dropsTable: true }),
          formField(p("channels", c, "unit"), `${c}: unit`, k < 3 ? "g_0" : "deg/s", { dropsTable: true }),
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
