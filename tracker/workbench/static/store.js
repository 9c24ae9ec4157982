// What the page knows, and who is notified of changes. One test a page.

import { get, post } from "./api.js";
import { showStatus } from "./dom.js";
import { pressEnded } from "./presses.js";

/** All that the page shows. */
export const store = {
  test: null, // the server's state: raw record, errors, films, job, results
  results: null, // summary of the results
  motion: {}, // plots
  tracks: {}, // camera: marks and predicted places by frame
  revision: "", // the state that the page shows
  choices: { patterns: [], criteria: [], channels: [] }, // what the record may name
  camera: null, // the camera that keys and pointing go to
  time: 0, // s, the moment shown
  frame: {}, // camera: frame shown
  mark: null, // selected mark
};

const listeners = {};

/**
 * Call `listener` at each event: "test", "results", "moment", "mark", "camera", "job".
 * @param {string} event
 * @param {() => void} listener
 * @returns {() => void} ends it
 */
export function subscribe(event, listener) {
  (listeners[event] ??= new Set()).add(listener);
  return () => listeners[event].delete(listener);
}

/**
 * Call the listeners of an event.
 * @param {string} event
 */
export function emit(event) {
  for (const listener of [...(listeners[event] ?? [])]) listener();
}

/**
 * Address of something of this test.
 * @param {string} [path]
 * @returns {string}
 */
export const at = (path = "") => `/api/test/${store.test.id}${path}`;

/**
 * Names of all cameras of the record.
 * @returns {string[]}
 */
export const cameras = () => Object.keys(store.test?.films ?? {});
/**
 * Names of the cameras whose films can be shown.
 * @returns {string[]}
 */
export const shown = () => cameras().filter((c) => store.test.films[c].frames);

/**
 * Show a state that the server sent.
 * @param {object} state
 * @returns {Promise<void>} when its results are there
 */
export async function applyState(state) {
  const before = store.test;
  store.test = state;
  if (!shown().includes(store.camera)) store.camera = shown()[0] ?? null;
  const stamp = state.results && !state.results.problem ? state.results.stamp : null;
  const loaded = before?.id === state.id ? before.loaded : undefined;
  store.test.loaded = stamp;
  clocks();
  for (const camera of shown()) store.frame[camera] ??= frameAt(camera, store.time);
  emit("test");
  if (stamp !== loaded) await load(stamp).catch((problem) => showStatus(problem.message, "bad"));
}

/** Fetch the results; what is shown meanwhile stays. */
async function load(stamp) {
  if (stamp === null) {
    store.results = null;
    store.motion = {};
    store.tracks = {};
  } else {
    const names = shown();
    const [results, motion, ...tracks] = await Promise.all([
      get(at("/results")),
      get(at("/motion")),
      ...names.map((c) => get(at(`/tracks/${encodeURIComponent(c)}`))),
    ]);
    if (store.test?.loaded !== stamp) return; // newer ones are on their way
    store.results = { ...results, stamp };
    store.motion = motion;
    store.tracks = Object.fromEntries(names.map((c, i) => [c, tracks[i]]));
    clocks();
    if (!asked) for (const camera of names) store.frame[camera] = frameAt(camera, 0);
    if (store.camera) store.time = timeOf(store.camera, store.frame[store.camera] ?? 0);
  }
  emit("results");
  emit("moment");
}

let times = {};
let asked = false; // for a moment; until then films stand at time zero

/** Time of every frame of each film: of the results, else by the frame rate and the record's zero. */
function clocks() {
  times = {};
  for (const camera of shown()) {
    const film = store.test.films[camera];
    const known = store.results?.times?.[camera];
    if (known && known.length === film.frames) {
      times[camera] = known;
      continue;
    }
    const zero = store.test.raw.cameras?.[camera]?.time?.zero;
    const first = typeof zero === "number" ? zero : 0;
    const rate = film.rate ?? 1000;
    times[camera] = Array.from({ length: film.frames }, (_, i) => (i - first) / rate);
  }
}

/**
 * Time of every frame of a film, s.
 * @param {string} camera
 * @returns {number[]}
 */
export const timesOf = (camera) => times[camera] ?? [0];
/**
 * Time of a frame, s.
 * @param {string} camera
 * @param {number} frame
 * @returns {number}
 */
export const timeOf = (camera, frame) => times[camera]?.[frame] ?? 0;

/**
 * The frame nearest to a time.
 * @param {string} camera
 * @param {number} time s
 * @returns {number}
 */
export function frameAt(camera, time) {
  const list = timesOf(camera);
  let low = 0,
    high = list.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((list[middle] ?? -Infinity) < time) low = middle + 1;
    else high = middle;
  }
  return low > 0 && Math.abs((list[low - 1] ?? Infinity) - time) <= Math.abs((list[low] ?? Infinity) - time)
    ? low - 1
    : low;
}

/**
 * Show the moment of a camera's frame in all films.
 * @param {string} camera
 * @param {number} frame
 */
export function showFrame(camera, frame) {
  const last = timesOf(camera).length - 1;
  const wanted = Math.max(0, Math.min(last, Math.round(frame)));
  asked = true;
  store.time = timeOf(camera, wanted);
  for (const other of shown()) store.frame[other] = other === camera ? wanted : frameAt(other, store.time);
  emit("moment");
}

/**
 * Show a moment in all films.
 * @param {number} time s
 */
export function showTime(time) {
  if (!store.camera) return;
  showFrame(store.camera, frameAt(store.camera, time));
}

/**
 * The camera that keys and pointing go to.
 * @param {string} camera
 */
export function chooseCamera(camera) {
  if (store.camera === camera) return;
  store.camera = camera;
  emit("camera");
}

/**
 * The mark that is looked at.
 * @param {string|null} mark
 */
export function chooseMark(mark) {
  store.mark = mark;
  emit("mark");
}

let line = Promise.resolve();

/**
 * Save changes to the record, one after the other.
 * @param {string} label
 * @param {{path: (string|number)[], value?: any}[]} changes
 * @returns {Promise<boolean>} whether they are saved
 */
export function save(label, changes) {
  const now = line.then(() => send("/record", { label, changes }, label));
  line = now.catch(() => false);
  return now;
}

/**
 * Read the state again, in line with the saves, so that no older state comes after a newer one.
 * @returns {Promise<boolean>} whether the record had changed
 */
export function renew() {
  const now = line.then(async () => {
    const before = store.test,
      state = await get(at());
    await pressEnded();
    if (store.test === before && !isShown(state)) await applyState(state);
    return before.hash !== state.hash;
  });
  line = now.catch(() => false);
  return now;
}

/** Whether the page shows this state already, as after its own change. */
function isShown(state) {
  const { loaded, ...known } = store.test;
  return loaded !== undefined && JSON.stringify(known) === JSON.stringify(state);
}

/**
 * Undo the last change of the record.
 * @returns {Promise<boolean>}
 */
export const undo = () => step("/undo", "Undone");
/**
 * Make the change that was undone last again.
 * @returns {Promise<boolean>}
 */
export const redo = () => step("/redo", "Done again");

function step(path, word) {
  const label = path === "/undo" ? store.test?.undo : store.test?.redo;
  if (!store.test || label === null) return Promise.resolve(false);
  const now = line.then(() => send(path, {}, `${word}: ${label}`));
  line = now.catch(() => false);
  return now;
}

/**
 * Let a film be fetched from its address.
 * @param {string} address
 * @returns {Promise<boolean>}
 */
export function fetchFilm(address) {
  showStatus(`Fetching ${address} …`);
  const now = line.then(() => send("/fetch", { address }, `Fetched ${address}`));
  line = now.catch(() => false);
  return now;
}

async function send(path, body, label) {
  try {
    const state = await post(at(path), { hash: store.test.hash, ...body });
    await pressEnded();
    await applyState(state);
    showStatus(label);
    return true;
  } catch (problem) {
    if (problem.status === 409) await applyState(await get(at()));
    showStatus(problem.message, "bad");
    return false;
  }
}
