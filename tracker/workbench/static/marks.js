// Beside the films: the marks of the chosen camera, what can be done with them, the loupe.

import { fill, createElement, showStatus } from "./dom.js";
import * as edits from "./edits.js";
import { EDITED, GLYPHS, MEASURED, WORDS, picksOf, place } from "./mark_places.js";
import { frameTable } from "./frame_table.js";
import { pointing } from "./pointing.js";
import { chooseMark, subscribe, save, showFrame, store } from "./store.js";

/**
 * Marks that the record has for this camera: picked ones first, then those of vehicles not picked yet.
 * @param {string} camera
 * @returns {{mark: string, picked: boolean}[]}
 */
export function marksOf(camera) {
  const raw = store.test.raw,
    picked = picksOf(camera).map((p) => p.mark),
    all = new Set(picked);
  for (const name of Object.keys(edits.entryOf(camera).survey ?? {})) all.add(`survey.${name}`);
  for (const [v, vehicle] of Object.entries(raw.vehicles ?? {}))
    for (const m of Object.keys(vehicle.markers ?? {})) all.add(`${v}.${m}`);
  return [...all].map((mark) => ({ mark, picked: picked.includes(mark) }));
}

/**
 * Begin to point at something in the chosen film.
 * @param {"pick"|"edit"|"flash"|"light"|"bar"|"line"} kind
 * @param {string} [mark]
 * @param {object} [rest] further fields of the task
 */
export function task(kind, mark, rest = {}) {
  const camera = store.camera;
  const words = {
    pick:
      `Point at ${mark} in ${camera}: click it, or move with w a s d and press Enter. ` +
      "Alt: without snapping. Escape leaves.",
    edit: `Put ${mark} right in this frame: click where it is. Escape leaves.`,
    flash: "Drag over the place that the flash lights up. Escape leaves.",
    light: "Drag over the timing light. Escape leaves.",
    bar: "Drag from one end of the known length to the other. Escape leaves.",
    line: "Drag from one end of the length to the other; it lies in the plane of the chosen mark. Escape leaves.",
  }[kind];
  pointing.begin({ kind, mark, words, ...rest });
}

/** Whether the record rules a mark out in a frame: shown at once, before the test is analysed again. */
const ruledOut = (camera, mark, frame) =>
  (edits.entryOf(camera).ruled_out ?? []).some(
    (s) => s.mark === mark && frame >= (s.first ?? 0) && frame <= (s.last ?? Infinity),
  );
/** Whether the record corrects a mark in a frame. */
const corrected = (camera, mark, frame) =>
  (edits.entryOf(camera).edits ?? []).some((e) => e.mark === mark && e.frame === frame);

/** The task of pointing at the first of these marks, which leads to the others; null for none. */
function pointingTasks(marks) {
  const picked = new Set(picksOf(store.camera).map((p) => p.mark)),
    open = marks.filter((m) => !picked.has(m));
  if (!open.length) return null;
  chooseMark(open[0]);
  const left = () => pointingTasks(open.slice(1));
  return {
    kind: "pick",
    mark: open[0],
    words: `Point at ${open[0]} (${open.length} left); n skips it, Escape leaves.`,
    after: left,
    left,
  };
}

/** Point at every mark of the camera that has no pick, one after the other. */
export function pointAll() {
  const first = pointingTasks(marksOf(store.camera).map((m) => m.mark));
  if (first) pointing.begin(first);
}

/** Go on to the next mark without placing this one. */
export function skip() {
  const next = pointing.task?.left?.();
  if (next) pointing.begin(next);
  else pointing.stop();
}

let ruling = null; // first frame of a span being ruled out

/** Begin a span in which the chosen mark is left out, or end it. */
export function ruleOut() {
  const { camera, mark } = store;
  if (!mark) return;
  const frame = store.frame[camera];
  if (ruling?.mark !== mark || ruling.camera !== camera) {
    ruling = { camera, mark, first: frame };
    showStatus(`Ruling ${mark} out from frame ${frame}: go to the last frame and press x again.`);
  } else {
    save(...edits.rule(camera, mark, ruling.first, frame));
    ruling = null;
  }
}

/** Ask for a new mark, then point at it. */
export async function addMark() {
  const made = await edits.askNew(store.camera);
  if (!made) return;
  chooseMark(made.mark);
  task("pick", made.mark, { fresh: made.value });
}

/** Remove the chosen mark's pick. */
export async function deleteMark() {
  const { camera, mark } = store;
  if (mark && edits.pickOf(camera, mark) && (await save(...edits.remove(camera, mark)))) chooseMark(null);
}

/**
 * The panel of marks beside the films.
 * @param {() => Pane|null} chosen the pane of the chosen camera
 * @returns {{node: HTMLElement, close: () => void}}
 */
export function panel(chosen) {
  const list = createElement("div", {
    class: "marklist",
    role: "listbox",
    "aria-label": "Marks of the chosen camera",
    tabindex: "0",
  });
  const about = createElement("div", { class: "about" }),
    loupe = createElement("canvas", { class: "loupe", width: 300, height: 150, "aria-label": "Loupe, 8 times" });
  const head = createElement("h2", {});
  const node = createElement(
    "aside",
    { class: "side", "aria-label": "Marks" },
    head,
    list,
    about,
    createElement("div", { class: "louper" }, loupe),
  );

  const drawList = () => {
    const camera = store.camera;
    if (!camera) return;
    fill(head, `Marks, ${camera}`);
    const tracks = store.tracks[camera],
      frame = store.frame[camera] ?? 0;
    fill(
      list,
      marksOf(camera).map(({ mark, picked }) => {
        const found = tracks?.marks.find((m) => m.name === mark),
          status = found ? found.status[frame] : null;
        const sigma =
          found && (status === MEASURED || status === EDITED)
            ? Math.sqrt((found.uu[frame] + found.vv[frame]) / 2).toFixed(3)
            : "";
        const out = ruledOut(camera, mark, frame),
          hand = corrected(camera, mark, frame);
        const word = out
          ? "ruled out"
          : hand
            ? "corrected"
            : status !== null && status !== undefined
              ? WORDS[status]
              : picked
                ? "picked"
                : tracks?.marks.length
                  ? "not in view"
                  : "not picked";
        return createElement(
          "div",
          {
            role: "option",
            "aria-selected": String(store.mark === mark),
            class: `mark ${word.replaceAll(" ", "-")}`,
            "data-mark": mark,
            onclick: () => chooseMark(mark === store.mark ? null : mark),
          },
          createElement(
            "span",
            { class: "glyph", "aria-hidden": "true" },
            out ? "✕" : hand ? GLYPHS[EDITED] : (GLYPHS[status] ?? (picked ? "▽" : "·")),
          ),
          createElement("span", { class: "name" }, mark),
          createElement("span", { class: "state" }, word),
          createElement("span", { class: "sigma" }, out || hand ? "" : sigma),
        );
      }),
    );
  };

  const drawAbout = () => {
    const { camera, mark } = store;
    if (!camera) return;
    const frame = store.frame[camera] ?? 0,
      entry = edits.entryOf(camera);
    const b = (text, title, act, off) =>
      createElement("button", { class: "small", title, onclick: act, disabled: off }, text);
    const rows = [
      createElement(
        "div",
        { class: "buttons" },
        b("New mark", "A new marker or fixed target (n)", addMark),
        b("Point at open ones", "Point at all marks without a pick (o)", pointAll),
        b("Flash", "Draw the region of the flash", () => task("flash")),
        b("Timing light", "Draw the region of the timing light", () => task("light")),
        b("Scale bar", "Draw a known length", () => task("bar")),
        b("Length", "Length and angle of a line on the picture", () => task("line")),
        b("Zero here", "Time zero is this frame (z)", () => edits.zeroHere(camera, frame)),
      ),
    ];
    if (mark) {
      const pick = edits.pickOf(camera, mark),
        what = edits.describe(camera, mark) ?? {};
      const fit = store.results?.fits?.[camera]?.[mark];
      const spans = (entry.ruled_out ?? []).map((s, i) => ({ ...s, i })).filter((s) => s.mark === mark);
      const fixes = (entry.edits ?? []).filter((e) => e.mark === mark);
      rows.push(
        createElement("h3", {}, mark),
        createElement(
          "p",
          { class: "note" },
          [
            `${what.pattern ?? "patch"}${what.size ? `, ${what.size}` : ""}`,
            pick?.pixel ? `picked in frame ${pick.frame ?? 0}` : "no pick in this camera",
            ...(fit ? [`rms ${fit.rms_px.toFixed(3)} px over ${fit.frames} frames, ${fit.rejected} rejected`] : []),
          ].join("; "),
        ),
        createElement(
          "div",
          { class: "buttons" },
          b("Pick here", "Where following starts (p)", () => task("pick", mark)),
          b("Correct here", "Its place in this frame by hand (c)", () => task("edit", mark)),
          b(
            ruling?.mark === mark ? "… to here" : "Rule out from here",
            "Not to be used in a span of frames (x)",
            () => {
              ruleOut();
              drawAbout();
            },
          ),
          b("Frame by frame", "Its place in every frame, as a table", () => frameTable(camera, mark)),
          b("Rename", "Another name", () => edits.askRename(camera, mark)),
          b("Take out", "Its pick leaves this camera (Delete)", deleteMark, !pick),
        ),
        spans.map((s) =>
          createElement(
            "p",
            { class: "span" },
            `ruled out, frames ${s.first ?? 0} to ${s.last ?? "the end"} `,
            b("Use again", "Take the span back", () => save(...edits.unrule(camera, s.i))),
          ),
        ),
        fixes.map((e) =>
          createElement(
            "p",
            { class: "span" },
            createElement(
              "button",
              { class: "link", onclick: () => showFrame(camera, e.frame) },
              `corrected in frame ${e.frame}`,
            ),
            " ",
            b("Take back", "Take the correction back", () => save(...edits.unplace(camera, mark, e.frame))),
          ),
        ),
      );
    }
    fill(about, rows);
  };

  const drawLoupe = () => {
    const pen = loupe.getContext("2d");
    let of = pointing.pane,
      at = pointing.cursor;
    if (!at && store.mark) {
      of = chosen();
      at = of ? whereIs(of) : null;
    }
    pen.fillStyle = "#111";
    pen.fillRect(0, 0, loupe.width, loupe.height);
    if (!of?.picture || !at) {
      pen.fillStyle = "#ccc";
      pen.font = "12px system-ui";
      pen.fillText("Close-up: move the pointer over a film", 12, loupe.height / 2);
      return;
    }
    const f = 8,
      w = loupe.width / f,
      t = loupe.height / f;
    pen.imageSmoothingEnabled = false;
    pen.drawImage(of.picture, at[0] + 0.5 - w / 2, at[1] + 0.5 - t / 2, w, t, 0, 0, loupe.width, loupe.height);
    pen.strokeStyle = "#ffe600";
    pen.beginPath();
    pen.moveTo(loupe.width / 2, 0);
    pen.lineTo(loupe.width / 2, loupe.height / 2 - 6);
    pen.moveTo(loupe.width / 2, loupe.height / 2 + 6);
    pen.lineTo(loupe.width / 2, loupe.height);
    pen.moveTo(0, loupe.height / 2);
    pen.lineTo(loupe.width / 2 - 6, loupe.height / 2);
    pen.moveTo(loupe.width / 2 + 6, loupe.height / 2);
    pen.lineTo(loupe.width, loupe.height / 2);
    pen.stroke();
    const u = Math.round(at[0]),
      v = Math.round(at[1]),
      film = of.film;
    const inside = of.grey && u >= 0 && v >= 0 && u < film.width && v < film.height;
    pen.fillStyle = "#fff";
    pen.font = "11px system-ui";
    pen.fillText(
      `u ${at[0].toFixed(1)}  v ${at[1].toFixed(1)}${inside ? `  grey ${of.grey[v * film.width + u]}` : ""}`,
      4,
      loupe.height - 5,
    );
  };

  list.addEventListener("keydown", (event) => {
    if (event.key !== "ArrowDown" && event.key !== "ArrowUp") return;
    event.preventDefault();
    event.stopPropagation();
    const names = marksOf(store.camera).map((m) => m.mark),
      now = names.indexOf(store.mark);
    chooseMark(names[Math.max(0, Math.min(names.length - 1, now + (event.key === "ArrowDown" ? 1 : -1)))]);
    list.querySelector('[aria-selected="true"]')?.scrollIntoView({ block: "nearest" });
  });
  const all = () => {
    drawList();
    drawAbout();
  };
  let due = null;
  const soon = () => {
    due ??= setTimeout(() => {
      due = null;
      all();
    }, 60);
  };
  const off = [
    subscribe("test", all),
    subscribe("camera", all),
    subscribe("mark", () => {
      all();
      drawLoupe();
    }),
    subscribe("results", all),
    subscribe("moment", soon),
    subscribe("cursor", drawLoupe),
    subscribe("drawn", drawLoupe),
  ];
  all();
  drawLoupe();
  return {
    node,
    close() {
      clearTimeout(due);
      off.forEach((f) => f());
    },
  };
}

/**
 * Where the chosen mark is in a pane's frame: measured, expected or picked.
 * @param {Pane} pane
 * @returns {[number, number]|null} px
 */
export function whereIs(pane) {
  const tracks = store.tracks[pane.camera],
    mark = tracks?.marks.find((m) => m.name === store.mark);
  const found = mark ? place(mark, pane.shown ?? 0, tracks.predicted[mark.name], pane.camera) : null;
  return found?.slice(0, 2) ?? picksOf(pane.camera).find((p) => p.mark === store.mark)?.pixel ?? null;
}

/**
 * Bring the chosen mark to the middle of its film.
 * @param {Pane} pane
 */
export function goToMark(pane) {
  const at = whereIs(pane);
  if (at) pane.centreOn(...at, Math.max(pane.view.scale, 4));
}
