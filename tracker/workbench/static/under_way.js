// What the first page has under way: what it is, how far it is, and the button that ends it.

import { createElement, fill } from "./dom.js";

/**
 * A line for work under way; hidden until there is some.
 * @returns {{node: HTMLElement, show: (text: string, done: number, total: number, end: () => void) => void,
 *   hide: () => void}}
 */
export function underWay() {
  const text = createElement("span", {}),
    bar = createElement("progress", { "aria-label": "How far it is" }),
    stop = createElement("button", { class: "stop small" }, "Cancel");
  const node = createElement("div", { class: "underway", role: "status", hidden: true }, text, bar, stop);
  return {
    node,
    show(words, done, total, end) {
      node.hidden = false;
      fill(text, words);
      bar.max = total || 1;
      if (total) bar.value = done;
      else bar.removeAttribute("value");
      stop.onclick = end;
    },
    hide() {
      node.hidden = true;
    },
  };
}
