// Small helpers to build the page.

/**
 * An element: createElement("div", {class: "row", onclick: f}, "text", child, null).
 * @param {string} tag
 * @param {object} [given] attributes, `value`, and listeners named "on" with their event
 * @param {...any} children nodes, texts, lists of such; null, undefined and false are left out
 * @returns {HTMLElement}
 */
export function createElement(tag, given = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "value") node.value = value;
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}

/**
 * Put new children into an element.
 * @template {Element} T
 * @param {T} node
 * @param {...any} children as of `createElement`
 * @returns {T}
 */
export function fill(node, ...children) {
  node.replaceChildren(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}

/**
 * A table block of the report.
 * @param {{caption: string, head: string[], rows: (string|Node)[][], align: string, note?: string}|null} block
 * @param {object} [extra] further attributes
 * @returns {HTMLElement|null}
 */
export function table(block, extra = {}) {
  if (!block) return null;
  const side = (i) => (block.align[i] === "l" ? "left" : block.align[i] === "c" ? "number" : "right");
  return createElement(
    "figure",
    { class: "table", ...extra },
    createElement("figcaption", {}, block.caption),
    createElement(
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
            block.head.map((t, i) => createElement("th", { scope: "col", class: side(i) }, t)),
          ),
        ),
        createElement(
          "tbody",
          {},
          block.rows.map((row) =>
            createElement(
              "tr",
              {},
              row.map((t, i) => createElement(i ? "td" : "th", { class: side(i), scope: i ? null : "row" }, t)),
            ),
          ),
        ),
      ),
    ),
    block.note ? createElement("p", { class: "note" }, block.note) : null,
  );
}

/**
 * Show one line at the foot of the page; kind "bad" stays until the next one.
 * @param {string} text
 * @param {""|"bad"|"unsure"} [kind]
 */
export function showStatus(text, kind = "") {
  const line = document.getElementById("status");
  line.className = `status ${kind}`;
  line.title = text;
  fill(line, text);
}

/**
 * Show a dialog over the page; closed, it is gone.
 * @param {HTMLDialogElement} box
 * @returns {HTMLDialogElement} the same
 */
export function showDialog(box) {
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
  return box;
}

/**
 * A dialog with fields.
 * @param {string} title
 * @param {{name: string, label: string, value?: string, hint?: string, options?: string[],
 *   required?: boolean}[]} fields
 * @param {string} [action] text of the button that ends it
 * @param {string} [note]
 * @returns {Promise<Object<string, string>|null>} text by name; null where it was left
 */
export function ask(title, fields, action = "Save", note = "") {
  return new Promise((done) => {
    const inputs = {};
    const rows = fields.map((f) => {
      inputs[f.name] = f.options
        ? createElement(
            "select",
            { id: `ask-${f.name}` },
            f.options.map((o) => createElement("option", { value: o, selected: o === f.value }, o || "-")),
          )
        : createElement("input", {
            id: `ask-${f.name}`,
            value: f.value ?? "",
            placeholder: f.hint ?? "",
            required: f.required,
            autocomplete: "off",
            spellcheck: "false",
            type: "text",
          });
      return createElement(
        "label",
        { class: "row", for: `ask-${f.name}` },
        createElement("span", {}, f.label),
        inputs[f.name],
      );
    });
    const box = createElement(
      "dialog",
      { class: "ask", "aria-label": title },
      createElement(
        "form",
        {
          method: "dialog",
          onsubmit: () => {
            box.returnValue = "yes";
          },
        },
        createElement("h2", {}, title),
        note ? createElement("p", { class: "note" }, note) : null,
        rows,
        createElement(
          "div",
          { class: "actions" },
          createElement("button", { type: "button", onclick: () => box.close("") }, "Leave"),
          createElement("button", { class: "main", type: "submit", value: "yes" }, action),
        ),
      ),
    );
    box.addEventListener("close", () => {
      const yes = box.returnValue === "yes";
      done(yes ? Object.fromEntries(Object.entries(inputs).map(([k, i]) => [k, i.value.trim()])) : null);
    });
    showDialog(box);
    Object.values(inputs)[0]?.focus();
  });
}

/**
 * A key path as errors of the record name it: cameras.side.scale[1].length.
 * @param {(string|number)[]} path
 * @returns {string}
 */
export function keyPath(path) {
  let text = "";
  for (const part of path) {
    if (typeof part === "number") text += `[${part + 1}]`;
    else text += (text ? "." : "") + (/^[A-Za-z0-9_-]+$/.test(part) ? part : `"${part}"`);
  }
  return text;
}

/**
 * Bytes as a person reads them.
 * @param {number} n
 * @returns {string}
 */
export function bytes(n) {
  return n < 1e3 ? `${n} B` : n < 1e6 ? `${(n / 1e3).toFixed(0)} kB` : `${(n / 1e6).toFixed(1)} MB`;
}

/**
 * A number as a person reads it: with a minus sign, and none before nothing.
 * @param {number|string} value a number, or one that is written already
 * @param {number} [digits] after the point
 * @returns {string}
 */
export function numberText(value, digits) {
  const text = digits === undefined ? `${value}` : value.toFixed(digits);
  return Number(text) === 0 ? text.replace("-", "") : text.replace(/^-/, "\u2212");
}
