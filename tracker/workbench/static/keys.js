// What each key does.

import { createElement } from "./dom.js";

const KEYS = [
  [
    "Films",
    [
      ["← →", "one frame"],
      ["Shift ← →", "ten frames"],
      ["Ctrl or Alt ← →", "a hundred frames"],
      ["0, Home", "to time zero"],
      ["space", "play, stop"],
      ["+ −", "larger, smaller"],
      ["f", "whole picture"],
      ["g", "to the chosen mark"],
      ["[ ]", "the film before, after"],
      ["wheel, drag", "zoom about the pointer, pan"],
    ],
  ],
  [
    "Marks",
    [
      ["j k", "mark after, before"],
      ["p", "pick here: where following starts"],
      ["c", "correct in this frame"],
      ["x", "rule out from here, then to here"],
      ["Delete", "take the pick out"],
      ["n", "new mark; while pointing: skip"],
      ["o", "point at all open ones"],
      ["z", "time zero is this frame"],
      ["w a s d", "while pointing: move the pointer (Shift 10, Alt 0.1 px)"],
      ["Enter", "place it (Alt: without snapping)"],
      ["Escape", "leave"],
    ],
  ],
  [
    "Test",
    [
      ["1 … 6", "Set-up, Films, Motion, Calibration, Verdicts, Report"],
      ["k with Shift", "check"],
      ["r", "analyse"],
      ["Ctrl z, Ctrl Shift z", "undo, do again"],
      ["?", "this list"],
    ],
  ],
];

/** Show the list of keys. */
export function help() {
  const box = createElement(
    "dialog",
    { class: "wide", "aria-label": "Keys" },
    createElement("h2", {}, "Keys"),
    createElement(
      "div",
      { class: "columns" },
      KEYS.map(([title, list]) =>
        createElement(
          "section",
          {},
          createElement("h3", {}, title),
          createElement(
            "dl",
            { class: "keys" },
            list.flatMap(([k, t]) => [
              createElement("dt", {}, createElement("kbd", {}, k)),
              createElement("dd", {}, t),
            ]),
          ),
        ),
      ),
    ),
    createElement(
      "div",
      { class: "actions" },
      createElement("button", { class: "main", onclick: () => box.close() }, "Close"),
    ),
  );
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
}
