// What else the record holds: entries without fields of their own, each with the button that takes it out.

import { createElement } from "./dom.js";
import { valueAt } from "./fields.js";
import { remover } from "./form.js";
import { store } from "./store.js";

const SHOWN = 90; // characters of an entry

/**
 * Entries of a table that the form has no fields for; null without any.
 * @param {(string|number)[]} path of the table
 * @param {string[]} keys which of its entries
 * @returns {HTMLElement|null}
 */
export function alsoHeld(path, keys) {
  const table = valueAt(path) ?? {};
  const rows = keys.flatMap((key) => {
    const value = table[key],
      word = store.choices.groups[key] ?? store.choices.labels[`${path[0]}.*.${key}`] ?? key.replaceAll("_", " ");
    if (value === undefined) return [];
    const isList = Array.isArray(value) && typeof value[0] === "object";
    return isList
      ? value.map((entry, i) => row(`${word} ${i + 1}`, [...path, key, i], entry))
      : [row(word, [...path, key], value)];
  });
  return rows.length ? createElement("ul", { class: "held", "aria-label": "Also in the record" }, rows) : null;
}

function row(label, path, value) {
  const text = brief(value);
  return createElement(
    "li",
    {},
    createElement("span", {}, label),
    createElement("span", { class: "what" }, text.length > SHOWN ? `${text.slice(0, SHOWN)} …` : text),
    remover(label, path),
  );
}

/** A value in words: names of entries with what they are. */
function brief(value) {
  if (Array.isArray(value)) return value.map(brief).join(", ");
  if (value === null || typeof value !== "object") return String(value);
  return Object.entries(value)
    .map(([k, v]) => `${k.replaceAll("_", " ")} ${brief(v)}`)
    .join("; ");
}
