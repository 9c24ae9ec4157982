// What tests, and a person at the browser's console, may ask of the page. The page itself uses none of it.

import { panes } from "./films.js";
import { pointing } from "./pointing.js";
import { cameras, showFrame, store } from "./store.js";

const paneOf = (camera) => panes.find((p) => p.camera === camera);

/**
 * Put the inspection at `window.impactfilm`:
 * `state()` a copy of what is shown; `toScreen(camera, u, v)` and `toImage(camera, x, y)` between places of the picture
 * and of its canvas; `panes()` the films on the page; `showFrame(camera, frame)`.
 * @param {() => string|null} viewName name of the view shown
 */
export function publish(viewName) {
  window.impactfilm = Object.freeze({
    state: () => stateOf(viewName()),
    toScreen: (camera, u, v) => paneOf(camera)?.toScreen(u, v),
    toImage: (camera, x, y) => paneOf(camera)?.toImage(x, y),
    panes: () => panes,
    showFrame,
  });
}

function stateOf(view) {
  const shown = panes.map((p) => [p.camera, { shown: p.shown, view: p.view }]);
  return {
    view,
    camera: store.camera,
    mark: store.mark,
    time: store.time,
    frame: { ...store.frame },
    cameras: cameras(),
    job: store.test?.job,
    hash: store.test?.hash,
    tracked: Object.keys(store.tracks),
    errors: store.test?.errors,
    panes: Object.fromEntries(shown),
    task: pointing.task?.mark ?? pointing.task?.kind ?? null,
  };
}
