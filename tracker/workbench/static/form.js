// Parts of the record's form.

import { ask, createElement, showStatus } from "./dom.js";
import { errorsAt, field, labelOf, valueAt } from "./fields.js";
import { pasteRows } from "./paste.js";
import { save } from "./store.js";

let fields = [];

/** Forget the fields of an earlier form. */
export function startFields() {
  fields = [];
}

/** Show the record's values and errors in all fields. */
export function updateFields() {
  fields.forEach((one) => one.update());
}

/**
 * Take up what is being typed, to go on with it in a form built again.
 * @returns {() => void} puts the focus, the text and the place in it back
 */
export function takeUpTyping() {
  const old = document.activeElement,
    here = fields.find((one) => one.input === old);
  const range = old instanceof HTMLInputElement ? [old.selectionStart, old.selectionEnd] : [0, 0];
  const text = here?.takeUp() ?? null;
  return () => {
    if (!old?.id) return;
    document.getElementById(old.id)?.focus({ preventScroll: true });
    if (text !== null) fields.find((one) => one.key === here.key)?.goOn(text, range);
  };
}

/**
 * A field of the form.
 * @param {(string|number)[]} path key path in the record
 * @param {string} [hint] an example, shown while the field is empty
 * @param {object} [rest] see `field`; `of`: whose it is, where that is not to be seen
 * @returns {HTMLElement}
 */
export function formField(path, hint = "", { of = "", ...rest } = {}) {
  const label = of ? `${labelOf(path)} of ${of}` : labelOf(path);
  const made = field({ path, label, hint, ...rest });
  fields.push(made);
  return made.node;
}

/**
 * A part of the form with its heading.
 * @param {string} id
 * @param {string} title
 * @param {...Node} parts
 * @returns {HTMLElement}
 */
export function section(id, title, ...parts) {
  return createElement("section", { id, class: "part" }, createElement("h2", {}, title), parts);
}

/**
 * The button that takes an entry out of the record.
 * @param {string} label
 * @param {(string|number)[]} path
 * @returns {HTMLElement}
 */
export function remover(label, path) {
  const count = (key, word) => {
    const held = Object.keys(valueAt([...path, key]) ?? {}).length;
    return held ? ` with ${held} ${word}${held > 1 ? "s" : ""}` : "";
  };
  const all = () => `${label}${count("markers", "marker")}${count("survey", "fixed target")}`;
  return createElement(
    "button",
    {
      class: "small",
      title: `Take ${label} out of the record; Undo brings it back`,
      "aria-label": `Take ${label} out`,
      onclick: async () => {
        const what = all();
        if (await save(`${what} taken out`, [{ path }]))
          showStatus(`${what} is out of the record; Undo brings it back.`);
      },
    },
    path.length > 2 && label !== "this entry" && typeof path.at(-1) === "string" ? "Take out" : `Take ${label} out`,
  );
}

/**
 * Ask for a name and add an entry under it.
 * @param {string} title
 * @param {(string|number)[]} path of the table that it comes into
 * @param {object} value what the entry begins with
 * @param {string} hint an example of a name
 */
export async function addNamed(title, path, value, hint) {
  const got = await ask(title, [{ name: "name", label: "Name", required: true, hint }], "Add");
  if (!got?.name) return;
  const changes = Object.entries(value).map(([k, v]) => ({ path: [...path, got.name, k], value: v }));
  await save(`${got.name} added`, changes);
}

/**
 * A table of named entries.
 * @param {string} title
 * @param {(string|number)[]} path
 * @param {[string, string?, object?][]} columns key, hint and what else a field takes; none: the entry itself is the
 * value
 * @param {"marker"|"target"|"point"} what kind of row that can be pasted
 * @returns {HTMLElement}
 */
export function namedRows(title, path, columns, what) {
  const entries = Object.keys(valueAt(path) ?? {});
  const key = path.map((x) => x).join(".");
  const cells = (name) =>
    columns.length
      ? columns.map(([k, hint, rest]) =>
          createElement("td", {}, formField([...path, name, k], hint, { ...rest, of: name, bare: true })),
        )
      : [
          createElement(
            "td",
            {},
            formField([...path, name], "2.05 m, 0 m, -0.50 m", { kind: "list", of: name, bare: true }),
          ),
        ];
  return createElement(
    "figure",
    { class: "table rows", "data-key": key },
    createElement("figcaption", {}, title, ` (${entries.length})`),
    entries.length
      ? createElement(
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
                createElement("th", { scope: "col" }, "Name"),
                (columns.length ? columns.map(([k]) => [...path, "", k]) : [[...path, ""]]).map((column) =>
                  createElement("th", { scope: "col" }, labelOf(column)),
                ),
                createElement("th", {}, ""),
              ),
            ),
            createElement(
              "tbody",
              {},
              entries.map((name) =>
                createElement(
                  "tr",
                  {},
                  createElement("th", { scope: "row" }, name),
                  cells(name),
                  createElement(
                    "td",
                    {},
                    remover(`${what === "target" ? "fixed target" : what} ${name}`, [...path, name]),
                  ),
                ),
              ),
            ),
          ),
        )
      : null,
    createElement(
      "div",
      { class: "actions" },
      createElement("button", { class: "small", onclick: () => pasteRows(path, what) }, "Add rows"),
      errorsAt(key).length && !entries.length ? createElement("span", { class: "wrong" }, errorsAt(key)[0].what) : null,
    ),
  );
}
