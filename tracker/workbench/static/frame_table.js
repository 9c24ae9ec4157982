// A mark's place in every frame of a film, as a table.

import { createElement, showStatus } from "./dom.js";
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
  if (!mark) return showStatus(`${name} is not followed in ${camera} yet: analyse the test first.`, "doubt");
  const rows = mark.status.map((status, frame) => row(mark, timesOf(camera)[frame], status, frame));
  const box = createElement(
    "dialog",
    { class: "wide", "aria-label": `${name} frame by frame` },
    createElement("h2", {}, `${name} in ${camera}, frame by frame`),
    createElement("p", { class: "note" }, "Places as filmed, u to the right, v down; standard uncertainties (k = 1)."),
    createElement(
      "div",
      { class: "scroll tall" },
      createElement(
        "table",
        { class: "frames" },
        createElement(
          "thead",
          {},
          createElement(
            "tr",
            {},
            HEAD.map((t) => createElement("th", { scope: "col" }, t)),
          ),
        ),
        createElement(
          "tbody",
          {},
          rows.map((cells, frame) =>
            createElement(
              "tr",
              {},
              createElement(
                "th",
                { scope: "row" },
                createElement(
                  "button",
                  {
                    class: "link",
                    onclick: () => {
                      box.close();
                      showFrame(camera, frame);
                    },
                  },
                  cells[0],
                ),
              ),
              cells.slice(1).map((t) => createElement("td", {}, t)),
            ),
          ),
        ),
      ),
    ),
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
  );
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
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
