// Where a warning or an error is about, and the way there.

import { cameras, chooseCamera, chooseMark, showFrame, store } from "./store.js";

let open = () => {};

/**
 * Set how a view is opened.
 * @param {(name: string, key?: string) => void} f
 */
export function opener(f) {
  open = f;
}

/**
 * Lead to the place that `where` names: a camera, a mark in it, a frame, or a field of the record.
 * @param {string} where
 * @param {string} [text] may name mark and frame
 */
export function goTo(where, text = "") {
  const words = `${where} ${text}`;
  const camera = cameras().find((c) => new RegExp(`(^|[^A-Za-z0-9_-])${c}([^A-Za-z0-9_-]|$)`).test(where));
  const mark = camera ? markIn(camera, words) : null;
  const frame = /\bframes? (\d+)/.exec(words);
  if (camera && (mark || frame || !where.includes("cameras."))) {
    chooseCamera(camera);
    open("films");
    if (mark) chooseMark(mark);
    if (frame) showFrame(camera, Number(frame[1]));
    return;
  }
  open("setup", where);
}

function markIn(camera, words) {
  const names = store.tracks[camera]?.marks.map((m) => m.name) ?? [];
  return (
    names.find((n) => new RegExp(`(^|[^A-Za-z0-9_.-])${n.replaceAll(".", "\\.")}([^A-Za-z0-9_-]|$)`).test(words)) ??
    null
  );
}
