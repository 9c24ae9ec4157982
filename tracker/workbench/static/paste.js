// Many rows at once, as a spreadsheet gives them.

import { createElement, showDialog, showStatus } from "./dom.js";
import { valueAt } from "./fields.js";
import { save, store } from "./store.js";

const HEADS = {
  marker: "name, x, y, z, pattern, size",
  target: "name, x, y, z, pattern, size, u, v, frame",
  point: "name, x, y, z",
};

/**
 * Ask for rows and add them under a path.
 * @param {string[]} path
 * @param {"marker"|"target"|"point"} what
 */
export function pasteRows(path, what) {
  const area = createElement("textarea", {
    rows: 10,
    cols: 70,
    spellcheck: "false",
    "aria-label": "Rows",
    placeholder: HEADS[what],
  });
  const unit = createElement("input", { type: "text", value: "m", size: 5, "aria-label": "Unit of bare numbers" });
  const wrong = createElement("p", { class: "wrong", role: "alert" });
  let replacing = null; // the text that was chosen to replace entries
  const box = createElement(
    "dialog",
    { class: "ask", "aria-label": "Add rows" },
    createElement(
      "form",
      {
        method: "dialog",
        onsubmit: async (event) => {
          event.preventDefault();
          try {
            const changes = rows(area.value, what, unit.value.trim() || "m").map(([name, value]) => ({
              path: [...path, name],
              value,
            }));
            if (!changes.length) throw new Error("There is no row yet.");
            const had = changes.map((c) => c.path.at(-1)).filter((n) => Object.hasOwn(valueAt(path) ?? {}, n));
            if (had.length && replacing !== area.value) {
              replacing = area.value;
              throw new Error(`${had.join(", ")}: in the record already. Add once more to replace, or change names.`);
            }
            if (await save(`${changes.length} rows added to ${path[1]}`, changes)) box.close();
          } catch (error) {
            wrong.textContent = error.message;
          }
        },
      },
      createElement("h2", {}, "Add rows"),
      createElement(
        "p",
        { class: "note" },
        `One row each: ${HEADS[what]}. Columns may be separated by tabs, commas or semicolons; ` +
          "what is not known stays empty.",
      ),
      area,
      createElement("label", { class: "row" }, createElement("span", {}, "Unit of bare numbers"), unit),
      wrong,
      createElement(
        "div",
        { class: "actions" },
        createElement("button", { type: "button", onclick: () => box.close() }, "Leave"),
        createElement("button", { class: "main", type: "submit" }, "Add"),
      ),
    ),
  );
  showDialog(box);
  area.focus();
  showStatus("");
}

/**
 * The entries that rows of text hold. Throws an Error that names the row.
 * @param {string} text
 * @param {"marker"|"target"|"point"} what
 * @param {string} unit of bare numbers
 * @returns {[string, object][]}
 */
export function rows(text, what, unit) {
  const found = [];
  text.split(/\r?\n/).forEach((line, i) => {
    if (!line.trim()) return;
    const cells = line.split(line.includes("\t") ? "\t" : line.includes(";") ? ";" : ",").map((c) => c.trim());
    if (i === 0 && cells[0].toLowerCase() === "name") return;
    const [name, x, y, z, pattern, size, u, v, frame] = cells;
    const length = (t) => (/^[-+−]?[\d.]+(e[-+]?\d+)?$/i.test(t) ? `${t} ${unit}` : t);
    if (!name) throw new Error(`Row ${i + 1} has no name.`);
    if (/\s/.test(name))
      throw new Error(`Row ${i + 1}: "${name}" has spaces; separate columns by commas, semicolons or tabs.`);
    if (found.some(([other]) => other === name)) throw new Error(`Row ${i + 1}: ${name} is there twice.`);
    for (const [word, t] of [
      ["x", x],
      ["y", y],
      ["z", z],
    ])
      if (t && !/\d/.test(t)) throw new Error(`Row ${i + 1} (${name}): ${word} is "${t}", not a length.`);
    const at = x || y || z ? [x, y, z].map((t) => length(t ?? "")) : null;
    if (at?.some((t) => !t)) throw new Error(`Row ${i + 1} (${name}) needs x, y and z.`);
    if (what === "point") {
      if (!at) throw new Error(`Row ${i + 1} (${name}) needs x, y and z.`);
      return void found.push([name, at]);
    }
    if (pattern && !store.choices.patterns.includes(pattern))
      throw new Error(
        `Row ${i + 1} (${name}): ${pattern} is not a pattern; write one of ${store.choices.patterns.join(", ")}.`,
      );
    const entry = { ...(at ? { at } : {}), ...(pattern ? { pattern } : {}), ...(size ? { size: length(size) } : {}) };
    if (what === "target" && u && v) Object.assign(entry, { pixel: [Number(u), Number(v)], frame: Number(frame || 0) });
    found.push([name, entry]);
  });
  return found;
}
