// The record as a form: what is missing is said at its field.

import { ask, fill, h } from "./dom.js";
import { errorsAt, field, valueAt } from "./fields.js";
import { PATTERNS } from "./edits.js";
import { pasteRows } from "./paste.js";
import { on, save, store } from "./store.js";

const CRITERIA = ["", "mash2016", "mash2009", "nchrp350", "nchrp230", "en1317", "none"];
const CHANNELS = ["ax", "ay", "az", "roll_rate", "pitch_rate", "yaw_rate"];

let fields = [];
let refresh = () => {};

const f = (path, label, hint = "", rest = {}) => {
  const made = field({ path, label, hint, ...rest });
  fields.push(made);
  return made.node;
};

export function view(root) {
  const page = h("div", { class: "page setup" });
  fill(root, page);
  let built = null;
  const shape = () => JSON.stringify(store.test.raw, (k, v) => (typeof v === "object" ? v : 0)) + Object.keys(store.test.raw.vehicles ?? {});
  refresh = () => {
    if (built !== shape()) {
      built = shape();
      const at = document.activeElement?.id, top = page.scrollTop;
      fields = [];
      fill(page, index(), h("div", { class: "sections" }, problems(), conditions(), vehicles(), survey(), cameras(), accelerometers()));
      page.scrollTop = top;
      if (at) document.getElementById(at)?.focus({ preventScroll: true });
      return;
    }
    fields.forEach((one) => one.update());
    page.querySelector(".problems").replaceWith(problems());
  };
  refresh();
  const off = on("test", () => refresh());
  return () => { off(); refresh = () => {}; fields = []; };
}

/** Bring the field of a key path into view. */
export function lead(key) {
  const exact = [...document.querySelectorAll("[data-key]")].filter((n) => key === n.dataset.key || key.startsWith(`${n.dataset.key}.`) || key.startsWith(`${n.dataset.key}[`));
  const best = exact.sort((a, b) => b.dataset.key.length - a.dataset.key.length)[0];
  best?.scrollIntoView({ block: "center" });
  (best?.querySelector("input, select") ?? best)?.focus?.();
  best?.classList.add("led");
  setTimeout(() => best?.classList.remove("led"), 2500);
}

function problems() {
  const errors = store.test.errors;
  return h("section", { class: "problems" }, errors.length ? [h("h2", {}, `Missing or wrong (${errors.length})`),
    h("ul", {}, errors.map((e) => h("li", {}, h("button", { class: "link", onclick: () => lead(e.key) }, e.key), ` ${e.what}; ${e.remedy}.`)))] : h("p", { class: "good" }, "✓ The record is complete."));
}

function index() {
  const go = (id) => document.getElementById(id)?.scrollIntoView({ block: "start" });
  const items = [["s-test", "Test"], ...Object.keys(store.test.raw.vehicles ?? {}).map((v) => [`s-vehicle-${v}`, v]), ["s-survey", "Survey"], ["s-cushion", "Crush cushion"],
    ...Object.keys(store.test.raw.cameras ?? {}).map((c) => [`s-camera-${c}`, c]), ["s-accelerometers", "Accelerometers"]];
  return h("nav", { class: "index", "aria-label": "Parts of the record" }, items.map(([id, text]) => h("button", { class: "link", onclick: () => go(id) }, text)));
}

function section(id, title, ...parts) {
  return h("section", { id, class: "part" }, h("h2", {}, title), parts);
}

function conditions() {
  const t = (...p) => ["test", ...p];
  return section("s-test", "Test", h("div", { class: "grid" },
    f(t("number"), "Number", "A-12", { required: true }), f(t("title"), "Title"), f(t("date"), "Date", "2026-06-18"),
    f(t("criteria"), "Criteria", "", { options: CRITERIA, none: "none" }), f(t("report_units"), "Units of reports", "", { options: ["", "us", "si"], none: "si" }),
    f(t("intended", "speed"), "Intended speed", "62 mi/h"), f(t("intended", "angle"), "Intended angle", "0 deg"), f(t("intended", "offset"), "Intended offset, + right", "0 ft"),
    f(t("speed_trap", "speed"), "Speed trap", "61.4 mi/h", { lone: true }), f(t("speed_trap", "u"), "its standard uncertainty", "0.3 mi/h", { lone: true }),
    f(t("photographs"), "Photographs of the report at", "at the test's own moments", { kind: "list" }), f(t("slow_motion"), "Marked films slower than life by", "25 frames a second", { kind: "number" })));
}

function remover(label, path) {
  return h("button", { class: "small", title: `Take ${label} out of the record`, "aria-label": `Take ${label} out`, onclick: () => save(`${label} taken out`, [{ path }]) }, "Take out");
}

async function add(title, path, value, hint) {
  const got = await ask(title, [{ name: "name", label: "Name", required: true, hint }], "Add");
  if (!got?.name) return;
  const changes = Object.entries(value).map(([k, v]) => ({ path: [...path, got.name, k], value: v }));
  await save(`${path.join(" ")} ${got.name} added`, changes);
}

function vehicles() {
  const all = Object.keys(store.test.raw.vehicles ?? {});
  return [...all.map((name) => {
    const p = (...rest) => ["vehicles", name, ...rest];
    return section(`s-vehicle-${name}`, `Vehicle ${name}`, h("div", { class: "grid" },
      f(p("role"), "Role", "", { options: ["", "striking", "struck", "other"] }), f(p("mass"), "Test inertial mass", "2420 lb"), f(p("mass_u"), "Its standard uncertainty", "0.25 %"),
      f(p("cg"), "Centre of gravity x, y, z", "0 m, 0 m, -0.56 m", { kind: "list" }), f(p("flail"), "Flail distance along, across", "of the criteria", { kind: "list" })),
    rows("Markers, vehicle axes: x forward, y right, z down", p("markers"), [["at", "Surveyed at x, y, z", "0.80 m, -0.45 m, -1.42 m", { kind: "list" }], ["pattern", "Pattern", "", { options: ["", ...PATTERNS] }], ["size", "Size", "0.20 m"]], "marker"),
    rows("Further points whose path is wanted", p("points"), [], "point"),
    h("div", { class: "actions" }, remover(`vehicle ${name}`, ["vehicles", name])));
  }), h("div", { class: "actions" }, h("button", { onclick: () => add("A further vehicle", ["vehicles"], { role: "other" }, "truck") }, "Add a vehicle"))];
}

/** A table of named entries; columns [key, label, hint, rest]; without columns the entry itself is the value. */
function rows(title, path, columns, what) {
  const entries = Object.keys(valueAt(path) ?? {});
  const key = path.map((x) => x).join(".");
  const cells = (name) => (columns.length ? columns.map(([k, label, hint, rest]) => h("td", {}, f([...path, name, k], `${label} of ${name}`, hint, { ...rest, bare: true })))
    : [h("td", {}, f([...path, name], `Place of ${name}`, "2.05 m, 0 m, -0.50 m", { kind: "list", bare: true }))]);
  return h("figure", { class: "table rows", "data-key": key }, h("figcaption", {}, title, ` (${entries.length})`),
    entries.length ? h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Name"), (columns.length ? columns : [["", "At x, y, z"]]).map((c) => h("th", { scope: "col" }, c[1])), h("th", {}, ""))),
      h("tbody", {}, entries.map((name) => h("tr", {}, h("th", { scope: "row" }, name), cells(name), h("td", {}, remover(name, [...path, name]))))))) : null,
    h("div", { class: "actions" }, h("button", { class: "small", onclick: () => pasteRows(path, what) }, "Add rows"), errorsAt(key).length && !entries.length ? h("span", { class: "wrong" }, errorsAt(key)[0].what) : null));
}

function survey() {
  return [section("s-survey", "Survey", h("div", { class: "grid" },
    f(["survey", "ground_u"], "Standard uncertainty of fixed targets", "2 mm"), f(["survey", "marker_u"], "of vehicle markers", "1 mm"))),
  section("s-cushion", "Crush cushion", h("div", { class: "grid" },
    f(["cushion", "length"], "Length before the test", "none"), f(["cushion", "front_crush"], "Of the closing, the striking vehicle's front took", "0 mm")))];
}

function cameras() {
  const all = Object.keys(store.test.raw.cameras ?? {});
  return [...all.map((name) => {
    const p = (...rest) => ["cameras", name, ...rest], film = store.test.films[name];
    const known = film?.frames ? `${film.frames} frames of ${film.width} × ${film.height}, ${film.bits} bits` : film?.problem ?? "";
    return section(`s-camera-${name}`, `Camera ${name}`, h("p", { class: film?.problem ? "wrong" : "note" }, known), h("div", { class: "grid" },
      f(p("film"), "Film", "overhead.mp4", { required: true }), f(p("frame_rate"), "Frame rate while filming", "1000 1/s"), f(p("exposure"), "Exposure", "0.2 ms"),
      f(p("bits"), "Significant bits", "those of the file", { kind: "number" }), f(p("position"), "Rough place x, y, z", "-3 m, 0 m, -12 m", { kind: "list" }),
      f(p("time", "zero"), "Time zero", "contact, flash, or a frame", { kind: "zero" }), f(p("time", "flash_region"), "Flash: u, v, width, height", "drawn in the film", { kind: "numbers" }),
      f(p("lens", "file"), "Lens: calibrated before", "lens.json", { lone: true }), f(p("lens", "chessboard"), "or chessboard pictures", "lens/*.png", { lone: true }),
      f(p("lens", "inner_corners"), "inner corners", "9, 6", { kind: "numbers", lone: true }), f(p("lens", "square"), "square", "30 mm", { lone: true }),
      f(p("lens", "camera_matrix"), "or fx, fy, cx, cy", "px", { kind: "matrix", lone: true }), f(p("lens", "distortion"), "k1, k2, p1, p2, k3", "", { kind: "numbers", lone: true })),
    rows("Fixed targets, ground axes: x along the intended path, y right, z down", p("survey"), [["at", "Surveyed at x, y, z", "-6 m, -3 m, 0 m", { kind: "list" }], ["pattern", "Pattern", "", { options: ["", ...PATTERNS] }], ["size", "Size", "0.30 m"],
      ["pixel", "Pick u, v", "in the film", { kind: "numbers" }], ["frame", "Frame", "0", { kind: "number" }]], "target"),
    h("div", { class: "actions" }, remover(`camera ${name}`, ["cameras", name])));
  }), h("div", { class: "actions" }, h("button", { onclick: () => add("A further camera", ["cameras"], { film: "" }, "side") }, "Add a camera"))];
}

function accelerometers() {
  const all = store.test.raw.accelerometers ?? [];
  const one = (entry, i) => {
    const p = (...rest) => ["accelerometers", i, ...rest];
    return h("div", { class: "block" }, h("h3", {}, `Accelerometers ${i + 1}`), h("div", { class: "grid" },
      f(p("vehicle"), "On vehicle", "", { options: ["", ...Object.keys(store.test.raw.vehicles ?? {})], required: true }), f(p("at"), "At x, y, z, vehicle axes", "0.06 m, 0.03 m, -0.48 m", { kind: "list", required: true }),
      f(p("file"), "File", "car-accelerometer.csv", { required: true }), f(p("time", "column"), "Time column", "time"), f(p("time", "unit"), "its unit", "s"), f(p("full_scale"), "Full scale", "100 g_0")),
    h("div", { class: "grid" }, CHANNELS.flatMap((c, k) => [f(p("channels", c, "column"), `${c}: column`, c, { lone: true }), f(p("channels", c, "unit"), `${c}: unit`, k < 3 ? "g_0" : "deg/s", { lone: true })])),
    h("div", { class: "actions" }, remover(`accelerometers ${i + 1}`, ["accelerometers", i])));
  };
  const begin = () => save("accelerometers added", [{ path: ["accelerometers", "+"], value: { vehicle: Object.keys(store.test.raw.vehicles ?? { car: 1 })[0], at: ["0 m", "0 m", "0 m"], file: "accelerometer.csv", time: { column: "time", unit: "s" }, channels: { ax: { column: "ax", unit: "g_0" } } } }]);
  return section("s-accelerometers", "Accelerometers", all.map(one), h("div", { class: "actions" }, h("button", { onclick: begin }, "Add accelerometers")));
}
