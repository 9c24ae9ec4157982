// What an act of pointing changes in the record: a label and a list of {path, value}.

import { ask, showStatus } from "./dom.js";
import { chooseMark, save, store } from "./store.js";

/** @typedef {[string, {path: (string|number)[], value?: any}[]]} Edit label and changes, as `save` takes them */

const raw = () => store.test.raw;
/**
 * The record's table of a camera.
 * @param {string} camera
 * @returns {object}
 */
export const entryOf = (camera) => raw().cameras?.[camera] ?? {};
const split = (mark) => [mark.slice(0, mark.indexOf(".")), mark.slice(mark.indexOf(".") + 1)];
/**
 * Whether a mark is a fixed target of the survey.
 * @param {string} mark
 * @returns {boolean}
 */
export const isFixed = (mark) => mark.startsWith("survey.");

/**
 * The entry that describes a mark: a fixed target of the camera or a marker of a vehicle.
 * @param {string} camera
 * @param {string} mark
 * @returns {object|undefined}
 */
export function describe(camera, mark) {
  const [body, name] = split(mark);
  return isFixed(mark) ? entryOf(camera).survey?.[name] : raw().vehicles?.[body]?.markers?.[name];
}

/**
 * The pattern of a mark.
 * @param {string} camera
 * @param {string} mark
 * @param {object} [fresh] entry of a mark that the record does not hold yet
 * @returns {string}
 */
export const patternOf = (camera, mark, fresh) => (describe(camera, mark) ?? fresh)?.pattern ?? "patch";

/**
 * Where the record's hand pick of a mark stands.
 * @param {string} camera
 * @param {string} mark
 * @returns {string[]}
 */
export function pickPath(camera, mark) {
  return isFixed(mark) ? ["cameras", camera, "survey", split(mark)[1]] : ["cameras", camera, "picks", mark];
}

/**
 * The record's hand pick of a mark.
 * @param {string} camera
 * @param {string} mark
 * @returns {{pixel?: [number, number], frame?: number}|undefined}
 */
export function pickOf(camera, mark) {
  return isFixed(mark) ? entryOf(camera).survey?.[split(mark)[1]] : entryOf(camera).picks?.[mark];
}

/**
 * Whether moving a mark in a frame moves its hand pick or corrects the track there.
 * @param {string} camera
 * @param {string} mark
 * @param {number} frame
 * @returns {"pick"|"edit"}
 */
export function kindHere(camera, mark, frame) {
  const pick = pickOf(camera, mark);
  const followed = store.tracks[camera]?.marks.some((m) => m.name === mark);
  return !followed || !pick?.pixel || (pick.frame ?? 0) === frame ? "pick" : "edit";
}

/**
 * Place a mark's pick, or its place in this one frame.
 * @param {"pick"|"edit"} kind
 * @param {string} camera
 * @param {string} mark
 * @param {number} frame
 * @param {[number, number]} pixel
 * @param {object} [fresh] what else a new target is
 * @returns {Edit}
 */
export function put(kind, camera, mark, frame, pixel, fresh = {}) {
  if (kind === "edit") {
    const list = entryOf(camera).edits ?? [];
    const old = list.findIndex((e) => e.mark === mark && e.frame === frame);
    const value = { mark, frame, pixel };
    return [
      `${mark} corrected in ${camera}, frame ${frame}`,
      [{ path: ["cameras", camera, "edits", old < 0 ? "+" : old], value }],
    ];
  }
  const path = pickPath(camera, mark);
  const label = `${mark} picked in ${camera}, frame ${frame}`;
  if (!pickOf(camera, mark)) return [label, [{ path, value: { ...fresh, pixel, frame } }]];
  return [
    label,
    [
      { path: [...path, "pixel"], value: pixel },
      { path: [...path, "frame"], value: frame },
    ],
  ];
}

/**
 * Remove the correction in this frame.
 * @param {string} camera
 * @param {string} mark
 * @param {number} frame
 * @returns {Edit|null}
 */
export function unplace(camera, mark, frame) {
  const at = (entryOf(camera).edits ?? []).findIndex((e) => e.mark === mark && e.frame === frame);
  return at < 0
    ? null
    : [`correction of ${mark} in ${camera}, frame ${frame} taken back`, [{ path: ["cameras", camera, "edits", at] }]];
}

/**
 * Leave a mark out in a span of frames.
 * @param {string} camera
 * @param {string} mark
 * @param {number} first
 * @param {number} last
 * @returns {Edit}
 */
export function rule(camera, mark, first, last) {
  const [a, b] = first <= last ? [first, last] : [last, first];
  return [
    `${mark} ruled out in ${camera}, frames ${a} to ${b}`,
    [{ path: ["cameras", camera, "ruled_out", "+"], value: { mark, first: a, last: b } }],
  ];
}

/**
 * Use a mark again in a span that was ruled out.
 * @param {string} camera
 * @param {number} at which of the camera's spans
 * @returns {Edit}
 */
export function unrule(camera, at) {
  const span = entryOf(camera).ruled_out[at];
  return [
    `${span.mark} used again in ${camera}, frames ${span.first ?? 0} to ${span.last ?? "the end"}`,
    [{ path: ["cameras", camera, "ruled_out", at] }],
  ];
}

/** Changes of lists from the back, so that places stay right. */
const fromBack = (list) => list.sort((a, b) => b.path.at(-1) - a.path.at(-1));

/**
 * Leave a mark out of a camera: its pick and its corrections.
 * @param {string} camera
 * @param {string} mark
 * @returns {Edit}
 */
export function remove(camera, mark) {
  const changes = [];
  for (const key of ["edits", "ruled_out"]) {
    (entryOf(camera)[key] ?? []).forEach((e, i) => {
      if (e.mark === mark) changes.push({ path: ["cameras", camera, key, i] });
    });
  }
  return [`${mark} taken out of ${camera}`, [...fromBack(changes), { path: pickPath(camera, mark) }]];
}

/**
 * Another name for a mark, wherever the record names it.
 * @param {string} camera
 * @param {string} mark
 * @param {string} name without the vehicle
 * @returns {Edit}
 */
export function rename(camera, mark, name) {
  const [body, old] = split(mark),
    now = `${body}.${name}`,
    changes = [];
  const cameras = isFixed(mark) ? [camera] : Object.keys(raw().cameras ?? {});
  for (const c of cameras) {
    for (const key of ["edits", "ruled_out"]) {
      (entryOf(c)[key] ?? []).forEach((e, i) => {
        if (e.mark === mark) changes.push({ path: ["cameras", c, key, i, "mark"], value: now });
      });
    }
    const pick = entryOf(c).picks?.[mark];
    if (!isFixed(mark) && pick)
      changes.push({ path: ["cameras", c, "picks", now], value: pick }, { path: ["cameras", c, "picks", mark] });
  }
  const home = isFixed(mark) ? ["cameras", camera, "survey"] : ["vehicles", body, "markers"];
  changes.push({ path: [...home, name], value: describe(camera, mark) }, { path: [...home, old] });
  return [`${mark} renamed ${name}`, changes];
}

/**
 * Ask for another name of a mark, and save it.
 * @param {string} camera
 * @param {string} mark
 */
export async function askRename(camera, mark) {
  const got = await ask(
    `Rename ${mark}`,
    [{ name: "name", label: "New name", value: split(mark)[1], required: true }],
    "Rename",
  );
  if (!got || !got.name || got.name === split(mark)[1]) return;
  if (await save(...rename(camera, mark, got.name))) chooseMark(`${split(mark)[0]}.${got.name}`);
}

/**
 * Ask for a new mark.
 * @param {string} camera
 * @returns {Promise<{mark: string, value?: object}|null>} `value`: the entry of a fixed target, saved with its pick
 */
export async function askNew(camera) {
  const bodies = [...Object.keys(raw().vehicles ?? {}), "survey (fixed target)"];
  const got = await ask(
    "A new mark",
    [
      { name: "body", label: "On", options: bodies },
      { name: "name", label: "Name", required: true, hint: "roof1" },
      { name: "pattern", label: "Pattern", options: store.choices.patterns },
      { name: "size", label: "Size", hint: "0.20 m" },
      { name: "at", label: "Surveyed at x, y, z", hint: "0.80 m, -0.45 m, -1.42 m" },
    ],
    "Go on to point at it",
    "Vehicle axes for marks on a vehicle, ground axes for fixed targets: x forward, y right, z down.",
  );
  if (!got) return null;
  const fixed = got.body.startsWith("survey");
  const at = got.at ? got.at.split(/[,;]\s*/) : null;
  const value = { ...(at ? { at } : {}), pattern: got.pattern, ...(got.size ? { size: got.size } : {}) };
  const mark = `${fixed ? "survey" : got.body}.${got.name}`;
  if (fixed) return { mark, value };
  return (await save(`marker ${mark} added`, [{ path: ["vehicles", got.body, "markers", got.name], value }]))
    ? { mark }
    : null;
}

/**
 * Save a region of light that was drawn.
 * @param {string} camera
 * @param {"flash"|"light"} kind
 * @param {number[]} box u, v, width, height, px
 */
export async function region(camera, kind, box) {
  if (kind === "flash") {
    await save(`flash region drawn in ${camera}`, [
      { path: ["cameras", camera, "time", "flash_region"], value: box },
      { path: ["cameras", camera, "time", "zero"], value: "flash" },
    ]);
    return;
  }
  const old = entryOf(camera).time?.timing_light ?? {};
  const got = await ask("Timing light", [
    { name: "rate", label: "It blinks at", value: old.rate ?? "100 1/s", required: true },
    { name: "duty", label: "Lit for this share of the period", value: String(old.duty ?? 0.5) },
  ]);
  if (!got) return;
  const value = { region: box, rate: got.rate, duty: Number(got.duty) || 0.5 };
  await save(`timing light drawn in ${camera}`, [{ path: ["cameras", camera, "time", "timing_light"], value }]);
}

/**
 * Ask what a line drawn is, and save it as a scale bar.
 * @param {string} camera
 * @param {number} frame
 * @param {[number, number]} from
 * @param {[number, number]} to
 */
export async function bar(camera, frame, from, to) {
  const got = await ask("Scale bar", [
    { name: "length", label: "Known length (none: only level or plumb)", hint: "2 m" },
    { name: "along", label: "Along ground axis", options: ["x", "y", "z", ""] },
    { name: "depth", label: "Distance of the plane of motion", hint: "14 m" },
    { name: "on", label: "On the vehicle", options: ["", ...Object.keys(raw().vehicles ?? {})] },
    { name: "plane", label: "Plane stands at", hint: "0.86 m" },
  ]);
  if (!got) return;
  const given = Object.fromEntries(Object.entries(got).filter(([, v]) => v));
  const pixels = [from, to].map((p) => p.map((x) => Math.round(x * 100) / 100));
  await save(`scale bar drawn in ${camera}`, [
    { path: ["cameras", camera, "scale", "+"], value: { pixels, frame, ...given } },
  ]);
}

/**
 * Save that time zero of a camera is a frame.
 * @param {string} camera
 * @param {number} frame
 */
export async function zeroHere(camera, frame) {
  if (
    await save(`time zero of ${camera} set to frame ${frame}`, [
      { path: ["cameras", camera, "time", "zero"], value: frame },
    ])
  ) {
    showStatus(`Time zero of ${camera} is frame ${frame}; analyse to bring everything to it`);
  }
}
