// One field of the record: its text as typed, saved when it is left, with its error beside it.

import { fill, createElement, keyPath } from "./dom.js";
import { save, store } from "./store.js";

/** How text becomes a value of the record and back. */
const KINDS = {
  text: { read: (t) => t, write: (v) => String(v) },
  number: { read: (t) => (Number.isFinite(Number(t)) ? Number(t) : t), write: (v) => String(v) },
  list: {
    read: (t) => t.split(/[,;]\s*/).map((x) => x.trim()),
    write: (v) => (Array.isArray(v) ? v.join(", ") : String(v)),
  },
  numbers: {
    read: (t) => t.split(/[,;\s]+/).map((x) => (x !== "" && Number.isFinite(Number(x)) ? Number(x) : x)),
    write: (v) => (Array.isArray(v) ? v.join(", ") : String(v)),
  },
  zero: { read: (t) => (/^[\d.]+$/.test(t) ? Number(t) : t), write: (v) => String(v) },
  matrix: {
    read: (t) => {
      const [fx, fy, cx, cy] = t.split(/[,;\s]+/).map(Number);
      return [
        [fx, 0, cx],
        [0, fy, cy],
        [0, 0, 1],
      ];
    },
    write: (v) =>
      Array.isArray(v) && Array.isArray(v[0]) ? [v[0][0], v[1]?.[1], v[0][2], v[1]?.[2]].join(", ") : String(v),
  },
};

/**
 * The record's value at a key path.
 * @param {(string|number)[]} path
 * @returns {any}
 */
export function valueAt(path) {
  return path.reduce((here, part) => (here === undefined || here === null ? undefined : here[part]), store.test.raw);
}

const NAMED = ["vehicles", "cameras", "markers", "points", "survey", "picks", "channels"]; // their entries have names

/**
 * What the form calls an entry of the record; errors call it the same.
 * @param {(string|number)[]} path
 * @returns {string}
 */
export function labelOf(path) {
  const named = (i) =>
    typeof path[i] === "number" ||
    (NAMED.includes(path[i - 1]) && !named(i - 1) && (i > 1 || path[0] !== "survey"));
  return store.choices.labels[path.map((part, i) => (named(i) ? "*" : part)).join(".")] ?? path.at(-1);
}

/**
 * A field of the record, saved when it is left.
 * @param {{path: (string|number)[], label: string, hint?: string, kind?: string,
 *   options?: string[], required?: boolean, dropsTable?: boolean, bare?: boolean}} f
 *   `dropsTable`: with the last value its table goes too; `bare`: without a visible label
 * @returns {{node: HTMLElement, update: () => void, key: string, input: HTMLElement,
 *   takeUp: () => string|null, goOn: (text: string, range: [number, number]) => void}}
 *   `takeUp` gives what is typed and not yet saved; `goOn` puts it into the field of a form built again
 */
export function field(f) {
  const kind = KINDS[f.kind ?? "text"],
    key = keyPath(f.path),
    id = `f-${key}`;
  let given = "", // text of the record
    sent = null; // text on its way to the record
  const put = () => {
    const text = input.value.trim(),
      old = valueAt(f.path);
    if (text === sent) return;
    const value = text === "" ? null : kind.read(text);
    if (JSON.stringify(value) === JSON.stringify(old ?? null)) return;
    const parent = valueAt(f.path.slice(0, -1));
    const alone = value === null && f.dropsTable && parent && Object.keys(parent).length === 1;
    sent = text;
    save(value === null ? `${f.label} taken out` : `${f.label}: ${text}`, [
      { path: alone ? f.path.slice(0, -1) : f.path, value },
    ]).then(() => (sent = null));
  };
  const input = f.options
    ? createElement(
        "select",
        { id, onchange: put },
        f.options.map((o) => createElement("option", { value: o }, o === "" ? (f.none ?? "not given") : o)),
      )
    : createElement("input", {
        id,
        type: "text",
        autocomplete: "off",
        spellcheck: "false",
        placeholder: f.hint ?? "",
        list: f.list ?? null,
        onchange: put,
      });
  const wrong = createElement("span", { class: "wrong", id: `${id}-wrong` });
  const node = createElement(
    f.bare ? "div" : "label",
    { class: f.bare ? "field bare" : "field", for: f.bare ? null : id, "data-key": key },
    f.bare
      ? null
      : createElement(
          "span",
          { class: "label" },
          f.label,
          f.required ? createElement("em", { title: "needed" }, " *") : null,
        ),
    input,
    wrong,
  );
  if (f.bare) input.setAttribute("aria-label", f.label);
  const update = () => {
    const value = valueAt(f.path);
    if (document.activeElement !== input || f.options) {
      const text = value === undefined ? "" : kind.write(value);
      if (f.options && text && !f.options.includes(text)) input.append(createElement("option", { value: text }, text));
      input.value = text;
      given = text;
    }
    const errors = errorsAt(key);
    input.setAttribute("aria-invalid", String(errors.length > 0));
    if (errors.length) input.setAttribute("aria-describedby", wrong.id);
    else input.removeAttribute("aria-describedby");
    fill(wrong, errors.map((e) => `${e.what}; ${e.remedy}`).join(". "));
  };
  update();
  const takeUp = () => {
    const text = input.value === given || f.options ? null : input.value;
    if (text !== null) input.value = given; // leaving the page must not save half a text
    return text;
  };
  const goOn = (text, range) => {
    input.value = text;
    input.setSelectionRange(...range);
    input.addEventListener("blur", put, { once: true }); // to the browser a text put back is no change
  };
  return { node, update, key, input, takeUp, goOn };
}

/**
 * The record's errors at a key or inside it.
 * @param {string} key
 * @returns {{key: string, what: string, remedy: string}[]}
 */
export function errorsAt(key) {
  return store.test.errors.filter((e) => e.key === key || e.key.startsWith(`${key}[`) || e.key.startsWith(`${key}.`));
}
