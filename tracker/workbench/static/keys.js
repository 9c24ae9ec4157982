// What each key does.

import { h } from "./dom.js";

const KEYS = [
  ["Films", [["← →", "one frame"], ["Shift ← →", "ten frames"], ["Ctrl or Alt ← →", "a hundred frames"], ["0, Home", "to time zero"], ["space", "play, stop"], ["+ −", "larger, smaller"], ["f", "whole picture"], ["g", "to the chosen mark"], ["[ ]", "the film before, after"], ["wheel, drag", "zoom about the pointer, pan"]]],
  ["Marks", [["j k", "mark after, before"], ["p", "pick here: where following starts"], ["c", "correct in this frame"], ["x", "rule out from here, then to here"], ["Delete", "take the pick out"], ["n", "new mark; while pointing: skip"], ["o", "point at all open ones"], ["z", "time zero is this frame"], ["w a s d", "while pointing: move the pointer (Shift 10, Alt 0.1 px)"], ["Enter", "place it (Alt: without snapping)"], ["Escape", "leave"]]],
  ["Test", [["1 … 6", "Set-up, Films, Motion, Calibration, Verdicts, Report"], ["k with Shift", "check"], ["r", "analyse"], ["Ctrl z, Ctrl Shift z", "undo, do again"], ["?", "this list"]]],
];

export function help() {
  const box = h("dialog", { class: "wide", "aria-label": "Keys" }, h("h2", {}, "Keys"),
    h("div", { class: "columns" }, KEYS.map(([title, list]) => h("section", {}, h("h3", {}, title),
      h("dl", { class: "keys" }, list.flatMap(([k, t]) => [h("dt", {}, h("kbd", {}, k)), h("dd", {}, t)]))))),
    h("div", { class: "actions" }, h("button", { class: "main", onclick: () => box.close() }, "Close")));
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
}
