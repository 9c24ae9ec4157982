// Where marks stand in a film: measured, expected, or picked by hand.

import { store } from "./store.js";

/** Status of a mark in a frame, as the results number it. */
export const HIDDEN = 0,
  MEASURED = 1,
  LOST = 2,
  EDITED = 3;
/** A word for each status. */
export const WORDS = ["hidden", "measured", "lost", "edited"];
/** A sign for each status. */
export const GLYPHS = ["◇", "⊕", "✕", "▣"];

/**
 * Where a mark is or would be in a frame.
 * @param {object} mark of the tracks
 * @param {number} frame
 * @param {{u: (number|null)[], v: (number|null)[]}} [predicted]
 * @param {string|null} [camera] whose corrections and ruled-out spans count as the record has them now
 * @returns {[number, number, number]|null} u, v, status; null if nothing is known
 */
export function place(mark, frame, predicted, camera = null) {
  const entry = camera ? (store.test.raw.cameras?.[camera] ?? {}) : {};
  const fix = (entry.edits ?? []).find((e) => e.mark === mark.name && e.frame === frame);
  if (fix) return [...fix.pixel, EDITED];
  const out = (entry.ruled_out ?? []).some(
    (s) => s.mark === mark.name && frame >= (s.first ?? 0) && frame <= (s.last ?? Infinity),
  );
  const status = out ? LOST : mark.status[frame];
  if (mark.u[frame] !== null && mark.u[frame] !== undefined && (status === MEASURED || status === EDITED))
    return [mark.u[frame], mark.v[frame], status];
  if (predicted && predicted.u[frame] !== null && predicted.u[frame] !== undefined)
    return [predicted.u[frame], predicted.v[frame], status];
  for (let i = frame - 1; i >= 0; i--) if (mark.u[i] !== null) return [mark.u[i], mark.v[i], status];
  return null;
}

/**
 * Hand picks of a camera in the record.
 * @param {string} camera
 * @returns {{mark: string, pixel: [number, number], frame: number}[]}
 */
export function picksOf(camera) {
  const entry = store.test.raw.cameras?.[camera] ?? {};
  const all = [
    ...Object.entries(entry.survey ?? {}).map(([n, e]) => [`survey.${n}`, e]),
    ...Object.entries(entry.picks ?? {}),
  ];
  return all
    .filter(([, e]) => Array.isArray(e?.pixel) && e.pixel.length === 2)
    .map(([mark, e]) => ({ mark, pixel: e.pixel, frame: e.frame ?? 0 }));
}
