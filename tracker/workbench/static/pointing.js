// Pointing at marks, regions and bars in a film; every act becomes one change of the record.

import { post } from "./api.js";
import { ask, showStatus } from "./dom.js";
import * as edits from "./edits.js";
import { stroke } from "./pen.js";
import { picksOf, place } from "./mark_places.js";
import { at, chooseMark, subscribe, save, store, emit } from "./store.js";

const SAME = 1.5; // px: two fixed targets are never so close
const FAR = 25; // px: a place farther from the solved one is questioned
const DRAWN = ["flash", "light", "bar", "line"]; // tasks of two ends
const NEAR = 12; // screen pixels within which a mark is met

class Pointing {
  constructor() {
    this.task = null; // {kind: "pick" | "edit" | "flash" | "light" | "bar" | "line", mark, after}
    this.drag = null; // {mark, kind, now}
    this.box = null; // {camera, from, to}
    this.pane = null;
    this.cursor = null;
    this.queue = Promise.resolve(); // clicks wait for the fit of the one before
    subscribe("moment", () => {
      this.drag = null;
    });
  }

  /** Begin a task; the next click or Enter in the chosen film ends it. */
  begin(task) {
    this.task = task;
    this.box = null;
    if (this.pane) this.pane.hand = null;
    document.body.classList.toggle("pointing", Boolean(task));
    if (task) showStatus(task.words);
    emit("pointing");
    emit("hand");
  }

  stop() {
    this.drag = this.box = this.pane = this.cursor = null;
    this.begin(null);
  }

  /** The mark or pick nearest to a place of the picture, if it is near enough. */
  nearest(pane, [u, v]) {
    let best = null,
      least = NEAR / pane.view.scale;
    const tracks = store.tracks[pane.camera];
    for (const pick of picksOf(pane.camera)) {
      const d = Math.hypot(pick.pixel[0] - u, pick.pixel[1] - v);
      if ((pick.frame === pane.shown || !tracks?.marks.length) && d < least) [best, least] = [pick.mark, d];
    }
    for (const mark of tracks?.marks ?? []) {
      const found = place(mark, pane.shown, tracks.predicted[mark.name], pane.camera);
      const d = found ? Math.hypot(found[0] - u, found[1] - v) : Infinity;
      if (d < least) [best, least] = [mark.name, d];
    }
    return best;
  }

  down(pane, pixel, event) {
    if (DRAWN.includes(this.task?.kind)) {
      this.box = { camera: pane.camera, from: pixel, to: pixel };
      return true;
    }
    if (this.task) return true;
    if (store.mark && !event.shiftKey && this.nearest(pane, pixel) === store.mark) {
      this.drag = { camera: pane.camera, now: pixel };
      return true;
    }
    return false;
  }

  move(pane, pixel) {
    if (this.box) this.box.to = pixel;
    if (this.drag) this.drag.now = pixel;
    pane.later();
  }

  up(pane, pixel, event, moved) {
    if (this.box) return void this.boxed(pane);
    if (this.drag) {
      this.drag = null;
      if (moved) this.put(pane, edits.kindHere(pane.camera, store.mark, pane.shown), store.mark, pixel, !event.altKey);
      pane.later();
      return undefined;
    }
    if (this.task) this.later(pane, pixel, !event.altKey);
    return undefined;
  }

  /** Place the task's mark once the act before is done: a quick click goes to the mark asked for then. */
  later(pane, pixel, snapping) {
    const frame = pane.shown;
    this.queue = this.queue.then(() => {
      if (this.task && pane.shown === frame) return this.put(pane, this.task.kind, this.task.mark, pixel, snapping);
      return undefined;
    });
  }

  /** Where the keys begin: at the mark, where anything is known of it, else in the picture's middle. */
  start(pane) {
    const tracks = store.tracks[pane.camera],
      mark = this.task?.mark;
    const own = tracks?.marks.find((m) => m.name === mark);
    const found = own ? place(own, pane.shown ?? 0, tracks.predicted[mark], pane.camera) : null;
    return found?.slice(0, 2) ?? picksOf(pane.camera).find((p) => p.mark === mark)?.pixel ?? pane.centre();
  }

  /** Whether a person stands by a place that another mark has, or that is far from where the mark is expected. */
  async sure(pane, mark, frame, pixel) {
    const off = ([u, v]) => Math.hypot(u - pixel[0], v - pixel[1]);
    const other = picksOf(pane.camera).find((p) => p.mark !== mark && p.frame === frame && off(p.pixel) < SAME);
    if (other) {
      showStatus(`${mark} not placed: ${other.mark} is here; one pixel can't serve two marks.`, "bad");
      return false;
    }
    const tracks = store.tracks[pane.camera],
      own = tracks?.marks.find((m) => m.name === mark);
    const expected = tracks?.predicted[mark],
      known = own && expected?.u[frame] !== null && expected?.u[frame] !== undefined;
    if (!known || off([expected.u[frame], expected.v[frame]]) < FAR) return true;
    const far = off([expected.u[frame], expected.v[frame]]).toFixed(0);
    const note = `It is ${far} px from where the solved motion has ${mark} in this frame.`;
    return Boolean(await ask(`${mark}: so far off?`, [], "Place it there", note));
  }

  click(pane, pixel) {
    const mark = this.nearest(pane, pixel);
    if (mark !== store.mark) chooseMark(mark);
  }

  /** Place a mark: snapped to its fitted centre where there is one. */
  async put(pane, kind, mark, pixel, snapping = true) {
    const task = this.task,
      frame = pane.shown,
      camera = pane.camera;
    let placed = { ok: false, pixel: pixel.map((x) => Math.round(x * 100) / 100), why: "" };
    if (snapping) {
      showStatus(`Looking for ${mark} …`);
      try {
        placed = await post(at("/snap"), {
          camera,
          frame,
          pixel,
          mark,
          pattern: edits.patternOf(camera, mark, task?.fresh),
        });
      } catch (problem) {
        placed.why = problem.message;
      }
    }
    if (!(await this.sure(pane, mark, frame, placed.pixel))) return;
    const saved = await save(...edits.put(kind, camera, mark, frame, placed.pixel, task?.fresh));
    if (!saved) return;
    const near = placed.ok
      ? `snapped to its centre, u = ${placed.u.join(" and ")} px`
      : placed.why
        ? `not snapped: ${placed.why}`
        : "as pointed";
    showStatus(`${mark} placed in ${camera}, frame ${frame}: ${near}`, placed.ok || !snapping ? "" : "unsure");
    if (task && task === this.task) {
      const next = task.after?.();
      if (next) this.begin(next);
      else this.stop();
    }
  }

  async boxed(pane) {
    const { from, to } = this.box,
      task = this.task;
    this.stop();
    if (Math.hypot(from[0] - to[0], from[1] - to[1]) < 2)
      return showStatus(
        task.kind === "bar" || task.kind === "line"
          ? "Drag from one end of the length to the other."
          : "Drag from one corner of the light to the other.",
        "unsure",
      );
    if (task.kind === "line") return void (await showLength(pane, from, to));
    if (task.kind === "bar") return void (await edits.bar(pane.camera, pane.shown, from, to));
    const [u, v] = [0, 1].map((k) => Math.max(0, Math.round(Math.min(from[k], to[k]))));
    const size = [0, 1].map((k) => Math.max(1, Math.round(Math.abs(to[k] - from[k]))));
    return void (await edits.region(pane.camera, task.kind, [u, v, ...size]));
  }

  over(pane, pixel) {
    this.pane = pane;
    this.cursor = pixel;
    emit("cursor");
  }

  /** Keys while a task is on: w a s d move the keyboard pointer, Enter places, Escape leaves. */
  key(event, pane) {
    if (event.key === "Escape" && (this.task || this.drag)) {
      this.stop();
      return true;
    }
    if (!this.task || !pane?.view) return false;
    const way = { w: [0, -1], a: [-1, 0], s: [0, 1], d: [1, 0] }[event.key.toLowerCase()];
    if (way) {
      const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
      pane.hand = (pane.hand ?? this.start(pane)).map((x, k) => x + step * way[k]);
      this.over(pane, pane.hand);
      if (this.box) this.box.to = pane.hand;
      pane.later();
      return true;
    }
    if (event.key !== "Enter") return false;
    const hand = pane.hand ?? this.start(pane);
    if (DRAWN.includes(this.task.kind)) {
      if (this.box) {
        this.box.to = hand;
        this.boxed(pane);
      } else {
        this.box = { camera: pane.camera, from: hand, to: hand };
        showStatus("Now the other end, then Enter.");
      }
    } else {
      this.later(pane, hand, !event.altKey);
    }
    return true;
  }

  draw(pane) {
    const { pen } = pane;
    if (this.drag?.camera === pane.camera) cross(pane, this.drag.now, "#ffe600");
    if (this.task && pane.hand && store.camera === pane.camera) cross(pane, pane.hand, "#ffe600");
    if (this.box?.camera === pane.camera) {
      const a = pane.toScreen(...this.box.from),
        b = pane.toScreen(...this.box.to);
      pen.beginPath();
      if (this.task?.kind === "bar" || this.task?.kind === "line") {
        pen.moveTo(...a);
        pen.lineTo(...b);
      } else pen.rect(a[0], a[1], b[0] - a[0], b[1] - a[1]);
      stroke(pen, "#ffe600", 1.5);
    }
  }

  drawn() {
    emit("drawn");
  }
}

/** Show how long a drawn line is, and how it lies. */
async function showLength(pane, from, to) {
  try {
    const line = { camera: pane.camera, frame: pane.shown, from, to, mark: store.mark };
    const { picture, ground, plane } = await post(at("/line"), line);
    const inGround = ground ? `; ${ground} (k = 1) in a plane ${plane}` : "; no length: the camera has no solved place";
    showStatus(`Line in ${pane.camera}, frame ${pane.shown}: ${picture}${inGround}.`, "unsure");
  } catch (problem) {
    showStatus(problem.message, "bad");
  }
}

function cross(pane, pixel, ink) {
  const [x, y] = pane.toScreen(...pixel),
    { pen } = pane;
  pen.beginPath();
  for (const [dx, dy] of [
    [1, 0],
    [-1, 0],
    [0, 1],
    [0, -1],
  ]) {
    pen.moveTo(x + 4 * dx, y + 4 * dy);
    pen.lineTo(x + 16 * dx, y + 16 * dy);
  }
  stroke(pen, ink, 1.5);
}

/** Of the whole page. */
export const pointing = new Pointing();
