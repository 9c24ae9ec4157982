// One film on a canvas: the frame, zoom and pan, contrast, and what lies over it.

import { createElement, fill } from "./dom.js";
import { Frames } from "./frames.js";
import { draw as drawOver } from "./overlay.js";
import { pointing } from "./pointing.js";
import { at, chooseCamera, subscribe, store } from "./store.js";
import { options } from "./options.js";
import { timeText } from "./transport.js";

const MOST = 64; // screen pixels a picture element at most

/** One film on a canvas. `view` {scale, x, y}: screen = (image + 0.5) * scale + (x, y). */
export class Pane {
  constructor(camera) {
    this.camera = camera;
    this.film = store.test.films[camera];
    this.canvas = createElement("canvas", {
      tabindex: "0",
      role: "img",
      "aria-label": `Film of camera ${camera}`,
      "data-camera": camera,
    });
    this.title = createElement("span", { class: "where" });
    this.fault = createElement("p", { class: "fault", hidden: true });
    this.node = createElement(
      "section",
      { class: "pane", "data-pane": camera, "aria-label": `Film ${camera}` },
      createElement(
        "header",
        {},
        createElement("strong", {}, camera),
        this.title,
        createElement(
          "span",
          { class: "buttons" },
          this.button("−", "Smaller (-)", () => this.zoom(1 / 1.5)),
          this.button("+", "Larger (+)", () => this.zoom(1.5)),
          this.button("Fit", "Whole picture (f)", () => this.fit()),
          this.button("1:1", "One screen pixel a picture element", () => this.exact()),
        ),
      ),
      createElement("div", { class: "screen" }, this.canvas, this.fault),
    );
    this.picture = document.createElement("canvas");
    this.picture.width = this.film.width;
    this.picture.height = this.film.height;
    this.paint = this.picture.getContext("2d", { alpha: false, willReadFrequently: true });
    this.image = this.paint.createImageData(this.film.width, this.film.height);
    this.words = new Uint32Array(this.image.data.buffer);
    this.pen = this.canvas.getContext("2d", { alpha: false });
    this.view = null; // {scale, x, y}: screen = (image + 0.5) * scale + (x, y)
    this.hand = null; // keyboard pointer, image coordinates
    this.shown = null;
    this.grey = null;
    const place = at(`/frame/${encodeURIComponent(camera)}`);
    this.frames = new Frames(
      place,
      this.film,
      (i, data) => this.arrived(i, data),
      (p) => this.failed(p),
    );
    this.off = [
      subscribe("moment", () => this.follow()),
      subscribe("results", () => this.later()),
      subscribe("mark", () => this.later()),
      subscribe("camera", () => this.later()),
      subscribe("options", () => {
        this.contrast();
        this.later();
      }),
      subscribe("test", () => this.later()),
      subscribe("hand", () => this.later()),
    ];
    this.watch = new ResizeObserver(() => this.resized());
    this.watch.observe(this.node.querySelector(".screen"));
    this.wire();
    this.follow();
  }

  button(text, title, act) {
    return createElement(
      "button",
      { class: "small", title, "aria-label": `${title}, ${this.camera}`, onclick: act },
      text,
    );
  }

  close() {
    this.off.forEach((f) => f());
    this.watch.disconnect();
  }

  follow() {
    this.frames.want(store.frame[this.camera] ?? 0);
  }

  arrived(frame, data) {
    this.fault.hidden = true;
    this.grey = data;
    this.shown = frame;
    this.contrast();
    this.later();
  }

  failed(problem) {
    this.fault.hidden = false;
    fill(this.fault, problem.message);
  }

  /** Grey levels to the picture by the chosen contrast. */
  contrast() {
    if (!this.grey) return;
    const { words, grey } = this,
      { low, high, gamma } = options.contrast[this.camera] ?? options.plain;
    const levels = this.film.bits > 8 ? 65536 : 256,
      white = this.film.white;
    const key = `${low} ${high} ${gamma} ${levels}`;
    if (this.tableKey !== key) {
      this.tableKey = key;
      this.levels = new Uint32Array(levels);
      const from = low * white,
        span = Math.max((high - low) * white, 1e-6);
      for (let g = 0; g < levels; g++) {
        const x = Math.min(1, Math.max(0, (g - from) / span));
        const v = Math.round(255 * Math.pow(x, gamma));
        this.levels[g] = 0xff000000 | (v << 16) | (v << 8) | v;
      }
    }
    const table = this.levels;
    for (let i = 0, n = words.length; i < n; i++) words[i] = table[grey[i]];
    this.paint.putImageData(this.image, 0, 0);
  }

  /** Grey levels between which nearly all of the frame lies, as shares of full scale. */
  spread() {
    if (!this.grey) return [0, 1];
    const white = this.film.white,
      count = new Uint32Array(512);
    for (let i = 0; i < this.grey.length; i += 7) count[Math.min(511, Math.floor((this.grey[i] / white) * 511))]++;
    const all = count.reduce((a, b) => a + b, 0);
    let low = 0,
      high = 511,
      sum = 0;
    for (sum = 0; low < 511 && (sum += count[low]) < 0.005 * all; low++);
    for (sum = 0; high > 0 && (sum += count[high]) < 0.005 * all; high--);
    return [low / 511, Math.max(high, low + 4) / 511];
  }

  toScreen(u, v) {
    return [(u + 0.5) * this.view.scale + this.view.x, (v + 0.5) * this.view.scale + this.view.y];
  }

  toImage(x, y) {
    return [(x - this.view.x) / this.view.scale - 0.5, (y - this.view.y) / this.view.scale - 0.5];
  }

  resized() {
    const box = this.node.querySelector(".screen").getBoundingClientRect();
    if (box.width < 2 || box.height < 2) return;
    const fitted = !this.view || this.fitted;
    this.ratio = window.devicePixelRatio || 1;
    this.size = [box.width, box.height];
    this.canvas.width = Math.round(box.width * this.ratio);
    this.canvas.height = Math.round(box.height * this.ratio);
    if (fitted) this.fit();
    else this.draw();
  }

  fit() {
    if (!this.size) return;
    const [w, t] = this.size,
      scale = Math.min(w / this.film.width, t / this.film.height);
    this.view = { scale, x: (w - scale * this.film.width) / 2, y: (t - scale * this.film.height) / 2 };
    this.fitted = true;
    this.draw();
  }

  exact() {
    const [u, v] = this.centre();
    this.centreOn(u, v, 1 / this.ratio);
  }

  /** Bring a place of the picture to the middle. */
  centreOn(u, v, scale = this.view.scale) {
    const [w, t] = this.size;
    this.view = { scale, x: w / 2 - (u + 0.5) * scale, y: t / 2 - (v + 0.5) * scale };
    this.fitted = false;
    this.draw();
  }

  centre() {
    return this.toImage(this.size[0] / 2, this.size[1] / 2);
  }

  /** Larger or smaller about a point of the screen. */
  zoom(factor, x = this.size[0] / 2, y = this.size[1] / 2) {
    const least = 0.5 * Math.min(this.size[0] / this.film.width, this.size[1] / this.film.height);
    const scale = Math.min(MOST, Math.max(least, this.view.scale * factor));
    const f = scale / this.view.scale;
    this.view = { scale, x: x - (x - this.view.x) * f, y: y - (y - this.view.y) * f };
    this.fitted = false;
    this.draw();
  }

  pan(dx, dy) {
    this.view = { ...this.view, x: this.view.x + dx, y: this.view.y + dy };
    this.fitted = false;
    this.draw();
  }

  /** Draw with the next picture of the screen. */
  later() {
    this.pending ??= requestAnimationFrame(() => {
      this.pending = null;
      this.draw();
    });
  }

  draw() {
    if (!this.view || !this.size) return;
    const { pen, view } = this;
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.fillStyle = getComputedStyle(document.body).getPropertyValue("--well");
    pen.fillRect(0, 0, ...this.size);
    if (this.shown !== null) {
      pen.imageSmoothingEnabled = view.scale < 2;
      pen.drawImage(this.picture, view.x, view.y, this.film.width * view.scale, this.film.height * view.scale);
      drawOver(this);
      pointing.draw(this);
    }
    this.node.classList.toggle("chosen", store.camera === this.camera);
    const time =
      this.shown === null
        ? ""
        : `frame ${this.shown} of ${this.film.frames - 1}   ${timeText(this.camera, this.shown) ?? ""}`;
    fill(this.title, time);
    this.canvas.dataset.frame = this.shown ?? "";
    pointing.drawn(this);
  }

  wire() {
    const place = (event) => {
      const box = this.canvas.getBoundingClientRect();
      return [event.clientX - box.left, event.clientY - box.top];
    };
    this.canvas.addEventListener("focus", () => chooseCamera(this.camera));
    this.canvas.addEventListener(
      "wheel",
      (event) => {
        event.preventDefault();
        this.zoom(Math.exp(-event.deltaY * 0.0015), ...place(event));
      },
      { passive: false },
    );
    this.canvas.addEventListener("pointerdown", (event) => {
      this.canvas.focus({ preventScroll: true });
      this.canvas.setPointerCapture(event.pointerId);
      const start = place(event);
      const grabbed = event.button === 0 && pointing.down(this, this.toImage(...start), event);
      this.drag = { last: start, grabbed, moved: 0 };
    });
    this.canvas.addEventListener("pointermove", (event) => {
      const now = place(event);
      pointing.over(this, this.toImage(...now));
      if (!this.drag) return;
      const [dx, dy] = [now[0] - this.drag.last[0], now[1] - this.drag.last[1]];
      this.drag.moved += Math.abs(dx) + Math.abs(dy);
      this.drag.last = now;
      if (this.drag.grabbed) pointing.move(this, this.toImage(...now));
      else if (this.drag.moved > 3) this.pan(dx, dy);
    });
    this.canvas.addEventListener("pointerup", (event) => {
      const drag = this.drag;
      this.drag = null;
      if (!drag) return;
      const now = this.toImage(...place(event));
      if (drag.grabbed) pointing.up(this, now, event, drag.moved > 3);
      else if (drag.moved <= 3) pointing.click(this, now);
    });
    this.canvas.addEventListener("pointercancel", () => {
      this.drag = null;
      pointing.stop();
    });
    this.canvas.addEventListener("pointerleave", () => pointing.over(this, null));
  }
}
