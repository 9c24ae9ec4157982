// What each key does.

import { createElement, showDialog } from "./dom.js";

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

/** What each view is for, and what to look at there. */
const VIEWS = {
  start:
    "Open a test, or name a folder that holds its films and begin a new one. The kind of test says which " +
    "vehicles and article the record begins with; all of it can be changed.",
  setup:
    "The record as a form, quantities as typed with their unit. What an analysis still needs stands at the " +
    "top, what is wrong at its field. Add rows takes a survey sheet as a spreadsheet gives it.",
  films:
    "Point at the marks that are not found automatically, put right what went wrong, rule out what is no " +
    "mark. Length measures on the picture, Frame by frame lists a mark's places. Grey: not seen by this " +
    "camera.",
  motion:
    "Every curve with its 95 % band; readings are k = 1. Drag shows a part, a click goes to that moment in " +
    "the films. Look for bands that widen and for curves that leave the accelerometer's.",
  fits:
    "How well each camera agrees with its survey and each mark with the solution. A residual far outside its " +
    "expected size is a wrong coordinate, a wrong pick or a mark that moved.",
  verdicts:
    "Numbers, criteria, film against accelerometers, and warnings in three grades, each with what to do; a " +
    "click on one leads to its place.",
  report:
    "The report as it leaves the building, and every file of the results by kind.",
};

const GUIDE = {
  setup: "/guide/record",
  films: "/guide/guide#a-mark-that-went-wrong",
  motion: "/guide/guide#the-workbench",
  fits: "/guide/tutorial",
  verdicts: "/guide/criteria",
  report: "/guide/results",
};

/**
 * Show what a view is for, and the list of keys.
 * @param {string|null} view the one that is shown; null is the first page
 */
export function help(view) {
  const box = createElement(
    "dialog",
    { class: "wide", "aria-label": "Help" },
    createElement("h2", {}, "This view"),
    createElement("p", { class: "note" }, VIEWS[view ?? "start"]),
    createElement(
      "p",
      {},
      createElement("a", { href: GUIDE[view] ?? "/guide/guide", target: "_blank" }, "In the guide"),
    ),
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
  showDialog(box);
}
