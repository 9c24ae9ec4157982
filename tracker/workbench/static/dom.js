// Small helpers to build the page.

/** An element: h("div", {class: "row", onclick: f}, "text", child, null). */
export function h(tag, given = {}, ...children) {
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

/** Put new children into an element. */
export function fill(node, ...children) {
  node.replaceChildren(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}

/** A table block {caption, head, rows, align, note} of the report. */
export function table(block, extra = {}) {
  if (!block) return null;
  const side = (i) => (block.align[i] === "l" ? "left" : block.align[i] === "c" ? "number" : "right");
  return h("figure", { class: "table", ...extra },
    h("figcaption", {}, block.caption),
    h("div", { class: "scroll" },
      h("table", {},
        h("thead", {}, h("tr", {}, block.head.map((t, i) => h("th", { scope: "col", class: side(i) }, t)))),
        h("tbody", {}, block.rows.map((row) => h("tr", {}, row.map((t, i) =>
          h(i ? "td" : "th", { class: side(i), scope: i ? null : "row" }, t))))))),
    block.note ? h("p", { class: "note" }, block.note) : null);
}

/** One line at the foot of the page; kind "bad" stays until the next one. */
export function say(text, kind = "") {
  const said = document.getElementById("said");
  said.className = `said ${kind}`;
  said.title = text;
  fill(said, text);
}

/** A dialog with fields; gives {name: text} or null. Each field: {name, label, value, hint, options, required}. */
export function ask(title, fields, action = "Save", note = "") {
  return new Promise((done) => {
    const inputs = {};
    const rows = fields.map((f) => {
      inputs[f.name] = f.options
        ? h("select", { id: `ask-${f.name}` }, f.options.map((o) => h("option", { value: o, selected: o === f.value }, o || "-")))
        : h("input", { id: `ask-${f.name}`, value: f.value ?? "", placeholder: f.hint ?? "", required: f.required, autocomplete: "off", spellcheck: "false", type: "text" });
      return h("label", { class: "row", for: `ask-${f.name}` }, h("span", {}, f.label), inputs[f.name]);
    });
    const box = h("dialog", { class: "ask", "aria-label": title },
      h("form", { method: "dialog", onsubmit: () => { box.returnValue = "yes"; } },
        h("h2", {}, title), note ? h("p", { class: "note" }, note) : null, rows,
        h("div", { class: "actions" },
          h("button", { type: "button", onclick: () => box.close("") }, "Leave"),
          h("button", { class: "main", type: "submit", value: "yes" }, action))));
    box.addEventListener("close", () => {
      const yes = box.returnValue === "yes";
      box.remove();
      done(yes ? Object.fromEntries(Object.entries(inputs).map(([k, i]) => [k, i.value.trim()])) : null);
    });
    document.body.append(box);
    box.showModal();
    Object.values(inputs)[0]?.focus();
  });
}

/** A key path as errors of the record name it: cameras.side.scale[1].length. */
export function keyPath(path) {
  let text = "";
  for (const part of path) {
    if (typeof part === "number") text += `[${part + 1}]`;
    else text += (text ? "." : "") + (/^[A-Za-z0-9_-]+$/.test(part) ? part : `"${part}"`);
  }
  return text;
}

/** Bytes as a person reads them. */
export function bytes(n) {
  return n < 1e3 ? `${n} B` : n < 1e6 ? `${(n / 1e3).toFixed(0)} kB` : `${(n / 1e6).toFixed(1)} MB`;
}
