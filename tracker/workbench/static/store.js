// What the page knows, and who wants to hear of changes. One test a page.

import { get, post } from "./api.js";
import { say } from "./dom.js";

export const store = {
  test: null, // the server's state: raw record, errors, films, job, results
  results: null, // summary of the results
  motion: {}, // plots
  tracks: {}, // camera: marks and predicted places by frame
  turn: "",
  camera: null, // the camera that keys and pointing go to
  time: 0, // s, the moment shown
  frame: {}, // camera: frame shown
  mark: null, // selected mark
};

const ears = {};

/** Hear of an event: "test", "results", "moment", "mark", "camera", "job". */
export function on(event, hear) {
  (ears[event] ??= new Set()).add(hear);
  return () => ears[event].delete(hear);
}

export function tell(event) {
  for (const hear of [...(ears[event] ?? [])]) hear();
}

/** Address of something of this test. */
export const at = (path = "") => `/api/test/${store.test.id}${path}`;

/** Names of the cameras whose films can be shown. */
export const cameras = () => Object.keys(store.test?.films ?? {});
export const shown = () => cameras().filter((c) => store.test.films[c].frames);

/** Take up a state that the server sent. */
export async function take(state) {
  const before = store.test;
  store.test = state;
  if (!shown().includes(store.camera)) store.camera = shown()[0] ?? null;
  const stamp = state.results && !state.results.problem ? state.results.stamp : null;
  const loaded = before?.id === state.id ? before.loaded : undefined;
  store.test.loaded = stamp;
  clocks();
  for (const camera of shown()) store.frame[camera] ??= frameAt(camera, store.time);
  tell("test");
  if (stamp !== loaded) await load(stamp).catch((problem) => say(problem.message, "bad"));
}

/** Fetch the results; what is shown meanwhile stays. */
async function load(stamp) {
  if (stamp === null) {
    store.results = null;
    store.motion = {};
    store.tracks = {};
  } else {
    const names = shown();
    const [results, motion, ...tracks] = await Promise.all(
      [get(at("/results")), get(at("/motion")), ...names.map((c) => get(at(`/tracks/${encodeURIComponent(c)}`)))]);
    if (store.test?.loaded !== stamp) return; // newer ones are on their way
    store.results = { ...results, stamp };
    store.motion = motion;
    store.tracks = Object.fromEntries(names.map((c, i) => [c, tracks[i]]));
    clocks();
    if (!asked) for (const camera of names) store.frame[camera] = frameAt(camera, 0);
    if (store.camera) store.time = timeOf(store.camera, store.frame[store.camera] ?? 0);
  }
  tell("results");
  tell("moment");
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

export const timesOf = (camera) => times[camera] ?? [0];
export const timeOf = (camera, frame) => times[camera]?.[frame] ?? 0;

/** The frame nearest to a time. */
export function frameAt(camera, time) {
  const list = timesOf(camera);
  let low = 0, high = list.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((list[middle] ?? -Infinity) < time) low = middle + 1; else high = middle;
  }
  return low > 0 && Math.abs((list[low - 1] ?? Infinity) - time) <= Math.abs((list[low] ?? Infinity) - time) ? low - 1 : low;
}

/** Show the moment of a camera's frame in all films. */
export function showFrame(camera, frame) {
  const last = timesOf(camera).length - 1;
  const wanted = Math.max(0, Math.min(last, Math.round(frame)));
  asked = true;
  store.time = timeOf(camera, wanted);
  for (const other of shown()) store.frame[other] = other === camera ? wanted : frameAt(other, store.time);
  tell("moment");
}

export function showTime(time) {
  if (!store.camera) return;
  showFrame(store.camera, frameAt(store.camera, time));
}

export function chooseCamera(camera) {
  if (store.camera === camera) return;
  store.camera = camera;
  tell("camera");
}

export function chooseMark(mark) {
  store.mark = mark;
  tell("mark");
}

let line = Promise.resolve();

/** Save changes [{path, value}] to the record, one after the other; true when they are saved. */
export function save(label, changes) {
  const now = line.then(() => send("/record", { label, changes }, label));
  line = now.catch(() => false);
  return now;
}

/** Read the state again, in line with the saves, so that no older state comes after a newer one. */
export function renew() {
  const now = line.then(async () => {
    const before = store.test, state = await get(at());
    if (store.test === before) await take(state);
    return before.hash !== state.hash;
  });
  line = now.catch(() => false);
  return now;
}

export const undo = () => step("/undo", "Undone");
export const redo = () => step("/redo", "Done again");

function step(path, word) {
  const label = path === "/undo" ? store.test?.undo : store.test?.redo;
  if (!store.test || label === null) return Promise.resolve(false);
  const now = line.then(() => send(path, {}, `${word}: ${label}`));
  line = now.catch(() => false);
  return now;
}

async function send(path, body, label) {
  try {
    await take(await post(at(path), { hash: store.test.hash, ...body }));
    say(label);
    return true;
  } catch (problem) {
    if (problem.status === 409) await take(await get(at()));
    say(problem.message, "bad");
    return false;
  }
}
