// The common time line of all films: scrub, step, play.

import { createElement, fill, numberText } from "./dom.js";
import { choose, options } from "./options.js";
import { frameAt, subscribe, shown, showFrame, showTime, store, timeOf, timesOf } from "./store.js";

const RATES = [1, 5, 10, 25, 50, 100];

/** Plays the films. `onChange` is called when it starts and stops. */
export const player = {
  on: false,
  toggle() {
    if (this.on) this.stop();
    else this.start();
  },
  start() {
    if (!store.camera) return;
    const last = timesOf(store.camera).length - 1;
    if ((store.frame[store.camera] ?? 0) >= last) showFrame(store.camera, 0);
    this.on = true;
    let from = performance.now(),
      frame = store.frame[store.camera],
      since = from,
      shownSince = 0;
    this.shown = null;
    const step = (now) => {
      if (!this.on) return;
      const due = Math.floor(((now - from) / 1000) * options.rate);
      if (due > 0) {
        from += (due * 1000) / options.rate;
        frame = Math.min(last, store.frame[store.camera] + due);
        showFrame(store.camera, frame);
        shownSince += 1;
        if (now - since > 1000) {
          this.shown = (1000 * shownSince) / (now - since);
          since = now;
          shownSince = 0;
          this.onChange?.();
        }
        if (frame === last) return this.stop();
      }
      requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
    this.onChange?.();
  },
  stop() {
    this.on = false;
    this.onChange?.();
  },
};

/**
 * Go on by a number of frames.
 * @param {number} by
 */
export function step(by) {
  player.stop();
  if (store.camera) showFrame(store.camera, (store.frame[store.camera] ?? 0) + by);
}

/** Go to time zero. */
export function zero() {
  player.stop();
  showTime(0);
}

/**
 * A frame's time in words; null before there is a time zero: without results, only a camera has one to which the record
 * gives it.
 * @param {string} camera
 * @param {number} frame
 * @returns {string|null}
 */
export function timeText(camera, frame) {
  const zero = store.test.raw.cameras?.[camera]?.time?.zero;
  if (!store.results && typeof zero !== "number") return null;
  return `${numberText(timeOf(camera, frame), 4)} s`;
}

/**
 * The time line of all films.
 * @returns {{node: HTMLElement, close: () => void}}
 */
export function transport() {
  const play = createElement(
    "button",
    { class: "small", title: "Play (space)", onclick: () => player.toggle() },
    "Play",
  );
  const range = createElement("input", {
    type: "range",
    id: "moment",
    min: 0,
    step: 1,
    "aria-label": "Frame of the chosen film",
    oninput: () => {
      player.stop();
      showFrame(store.camera, Number(range.value));
    },
  });
  const clock = createElement("output", { class: "clock", for: "moment" });
  const truth = createElement("span", { class: "note rate", role: "status" });
  const marks = createElement("canvas", { class: "spans", "aria-hidden": "true" });
  const go = createElement("input", {
    class: "go",
    type: "text",
    inputmode: "numeric",
    title: "Go to this frame of the chosen film",
    "aria-label": "Go to frame",
    onchange: () => {
      if (/^\d+$/.test(go.value.trim())) showFrame(store.camera, Number(go.value));
    },
  });
  const event = createElement("select", {
    title: "Go to an event of the sequence",
    "aria-label": "Go to an event",
    onchange: () => {
      player.stop();
      if (event.value) showTime(Number(event.value));
      event.value = "";
    },
  });
  const rate = createElement(
    "select",
    {
      title: "Frames shown a second",
      "aria-label": "Frames shown a second",
      onchange: () => choose("rate", Number(rate.value)),
    },
    RATES.map((r) => createElement("option", { value: r, selected: r === options.rate }, `${r} frames/s`)),
  );
  const node = createElement(
    "div",
    { class: "transport" },
    createElement(
      "span",
      { class: "buttons" },
      play,
      [
        [-100, "−100"],
        [-10, "−10"],
        [-1, "−1"],
      ].map(([n, t]) => createElement("button", { class: "small", title: `${n} frames`, onclick: () => step(n) }, t)),
      createElement("button", { class: "small", title: "To time zero (0 or Home)", onclick: zero }, "t = 0"),
      [
        [1, "+1"],
        [10, "+10"],
        [100, "+100"],
      ].map(([n, t]) => createElement("button", { class: "small", title: `+${n} frames`, onclick: () => step(n) }, t)),
      go,
      event,
      rate,
      truth,
    ),
    createElement("div", { class: "line" }, marks, range),
    clock,
  );

  const moment = () => {
    if (!store.camera) return;
    const frame = store.frame[store.camera] ?? 0;
    range.max = timesOf(store.camera).length - 1;
    range.value = frame;
    if (document.activeElement !== go) go.value = frame;
    fill(clock, `${store.camera}  ${timeText(store.camera, frame) ?? `frame ${frame}, no time zero yet`}`);
    range.setAttribute("aria-valuetext", clock.textContent);
  };
  const spans = () => drawSpans(marks);
  const events = () => {
    const known = store.results?.events ?? [];
    event.hidden = !known.length;
    fill(
      event,
      createElement("option", { value: "" }, "Events"),
      known.map((e) => createElement("option", { value: e.time }, `${numberText(e.time, 4)} s  ${e.text}`)),
    );
  };
  marks.addEventListener("click", (e) => {
    const found = eventAt(marks, e.offsetX);
    if (found) showTime(found.time);
  });
  player.onChange = () => {
    const shows = player.on && player.shown && player.shown < 0.9 * options.rate;
    fill(play, player.on ? "Stop" : "Play");
    const skipped = () => (options.rate / player.shown).toFixed(1);
    fill(truth, shows ? `every ${skipped()}th frame is shown, ${player.shown.toFixed(0)} a second` : "");
  };
  const off = [
    subscribe("moment", moment),
    subscribe("camera", () => {
      moment();
      spans();
    }),
    subscribe("test", () => {
      moment();
      spans();
    }),
    subscribe("results", () => {
      spans();
      events();
    }),
    subscribe("mark", spans),
  ];
  const watch = new ResizeObserver(spans);
  watch.observe(marks);
  moment();
  events();
  return {
    node,
    close() {
      player.stop();
      watch.disconnect();
      off.forEach((f) => f());
    },
  };
}

/** The event whose line stands nearest to a place of the canvas (CSS pixels), within 6 pixels; else undefined. */
function eventAt(canvas, place) {
  const width = canvas.getBoundingClientRect().width,
    last = Math.max(1, timesOf(store.camera).length - 1);
  const far = (e) => Math.abs(8 + ((width - 16) * frameAt(store.camera, e.time)) / last - place);
  const near = (store.results?.events ?? []).filter((e) => far(e) < 6);
  return near.sort((a, b) => far(a) - far(b))[0];
}

/** Above the slider: where time zero is, and how many marks are measured, or the chosen mark's state. */
function drawSpans(canvas) {
  const box = canvas.getBoundingClientRect(),
    ratio = window.devicePixelRatio || 1;
  if (box.width < 2 || !store.camera) return;
  canvas.width = box.width * ratio;
  canvas.height = box.height * ratio;
  const pen = canvas.getContext("2d"),
    count = timesOf(store.camera).length,
    w = canvas.width,
    t = canvas.height;
  const style = getComputedStyle(document.body),
    ink = (name) => style.getPropertyValue(name).trim();
  const pad = 8 * ratio,
    x = (f) => pad + ((w - 2 * pad) * f) / Math.max(1, count - 1);
  const tracks = store.tracks[store.camera];
  if (tracks?.marks.length) {
    const one = tracks.marks.find((m) => m.name === store.mark),
      total = tracks.marks.length;
    for (let f = 0; f < count; f++) {
      const share = one
        ? [0.25, 1, 0.12, 1][one.status[f]]
        : tracks.marks.filter((m) => m.status[f] & 1).length / total;
      pen.fillStyle = one?.status[f] === 3 ? ink("--unsure") : ink("--accent");
      pen.globalAlpha = share > 0.5 || !one ? 0.75 : 0.4;
      pen.fillRect(x(f - 0.5), t * (1 - share), Math.max(1, x(1) - x(0)), t * share);
    }
    pen.globalAlpha = 1;
  }
  for (const e of store.results?.events ?? []) {
    const f = frameAt(store.camera, e.time);
    if (f > 0 && f < count - 1) {
      pen.fillStyle = ink("--ink");
      pen.fillRect(x(f) - ratio / 2, 0, ratio, t);
    }
  }
  const z = frameAt(store.camera, 0);
  if (z > 0) {
    pen.fillStyle = ink("--bad");
    pen.fillRect(x(z) - ratio, 0, 2 * ratio, t);
  }
}
