// Many rows at once, as a spreadsheet gives them.

import { h, say } from "./dom.js";
import { save } from "./store.js";
import { PATTERNS } from "./edits.js";

const HEADS = {
  marker: "name, x, y, z, pattern, size",
  target: "name, x, y, z, pattern, size, u, v, frame",
  point: "name, x, y, z",
};

/** Ask for rows and add them under `path`. */
export function pasteRows(path, what) {
  const area = h("textarea", { rows: 10, cols: 70, spellcheck: "false", "aria-label": "Rows", placeholder: HEADS[what] });
  const unit = h("input", { type: "text", value: "m", size: 5, "aria-label": "Unit of bare numbers" });
  const wrong = h("p", { class: "wrong", role: "alert" });
  const box = h("dialog", { class: "ask", "aria-label": "Add rows" }, h("form", { method: "dialog", onsubmit: async (event) => {
    event.preventDefault();
    try {
      const changes = rows(area.value, what, unit.value.trim() || "m").map(([name, value]) => ({ path: [...path, name], value }));
      if (!changes.length) throw new Error("There is no row yet.");
      if (await save(`${changes.length} rows added to ${path.join(" ")}`, changes)) box.close();
    } catch (error) {
      wrong.textContent = error.message;
    }
  } }, h("h2", {}, "Add rows"), h("p", { class: "note" }, `One row each: ${HEADS[what]}. Columns may be separated by tabs, commas or semicolons; what is not known stays empty.`), area,
  h("label", { class: "row" }, h("span", {}, "Unit of bare numbers"), unit), wrong,
  h("div", { class: "actions" }, h("button", { type: "button", onclick: () => box.close() }, "Leave"), h("button", { class: "main", type: "submit" }, "Add"))));
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
  area.focus();
  say("");
}

/** [name, entry] of each row. Throws an Error that names the row. */
export function rows(text, what, unit) {
  const found = [];
  text.split(/\r?\n/).forEach((line, i) => {
    if (!line.trim()) return;
    const cells = line.split(line.includes("\t") ? "\t" : line.includes(";") ? ";" : ",").map((c) => c.trim());
    if (i === 0 && cells[0].toLowerCase() === "name") return;
    const [name, x, y, z, pattern, size, u, v, frame] = cells;
    const length = (t) => (/^[-+−]?[\d.]+(e[-+]?\d+)?$/i.test(t) ? `${t} ${unit}` : t);
    if (!name) throw new Error(`Row ${i + 1} has no name.`);
    const at = x || y || z ? [x, y, z].map((t) => length(t ?? "")) : null;
    if (at?.some((t) => !t)) throw new Error(`Row ${i + 1} (${name}) needs x, y and z.`);
    if (what === "point") {
      if (!at) throw new Error(`Row ${i + 1} (${name}) needs x, y and z.`);
      return void found.push([name, at]);
    }
    if (pattern && !PATTERNS.includes(pattern)) throw new Error(`Row ${i + 1} (${name}): ${pattern} is not a pattern; write one of ${PATTERNS.join(", ")}.`);
    const entry = { ...(at ? { at } : {}), ...(pattern ? { pattern } : {}), ...(size ? { size: length(size) } : {}) };
    if (what === "target" && u && v) Object.assign(entry, { pixel: [Number(u), Number(v)], frame: Number(frame || 0) });
    found.push([name, entry]);
  });
  return found;
}
