// A mark's place in every frame of a film, as a table.

import { createElement, showDialog, showStatus, table } from "./dom.js";
import { EDITED, MEASURED, WORDS } from "./mark_places.js";
import { saveText } from "./plots.js";
import { showFrame, store, timesOf } from "./store.js";

const HEAD = ["frame", "time (s)", "u (px)", "v (px)", "u of u (px)", "u of v (px)", "state"];

/**
 * Show the table of a mark; a click on a frame's number goes there.
 * @param {string} camera
 * @param {string} name
 */
export function frameTable(camera, name) {
  const mark = store.tracks[camera]?.marks.find((m) => m.name === name);
  if (!mark) return showStatus(`${name} is not followed in ${camera} yet: analyse the test first.`, "unsure");
  const rows = mark.status.map((status, frame) => row(mark, timesOf(camera)[frame], status, frame));
  const go = (frame) => () => {
    box.close();
    showFrame(camera, frame);
  };
  const block = {
    caption: "Places as filmed, u to the right, v down; standard uncertainties (k = 1).",
    head: HEAD,
    rows: rows.map(([number, ...cells], frame) => [
      createElement("button", { class: "link", onclick: go(frame) }, number),
      ...cells,
    ]),
    align: "rrrrrrl",
  };
  const box = showDialog(
    createElement(
      "dialog",
      { class: "wide", "aria-label": `${name} frame by frame` },
      createElement("h2", {}, `${name} in ${camera}, frame by frame`),
      table(block),
      createElement(
        "div",
        { class: "actions" },
        createElement(
          "button",
          { onclick: () => saveText(`${camera} ${name}.csv`, [HEAD, ...rows].map((r) => r.join(",")).join("\n")) },
          "CSV",
        ),
        createElement("button", { class: "main", onclick: () => box.close() }, "Close"),
      ),
    ),
  );
  return undefined;
}

function row(mark, time, status, frame) {
  const found = status === MEASURED || status === EDITED;
  const number = (value, digits) => (found && Number.isFinite(value) ? value.toFixed(digits) : "");
  return [
    `${frame}`,
    Number.isFinite(time) ? time.toFixed(5) : "",
    number(mark.u[frame], 3),
    number(mark.v[frame], 3),
    number(Math.sqrt(mark.uu?.[frame]), 4),
    number(Math.sqrt(mark.vv?.[frame]), 4),
    WORDS[status],
  ];
}
