// What is drawn over a frame: marks, their uncertainty, trails, residuals, outlines, hand picks.

import { options } from "./options.js";
import { label, stroke } from "./pen.js";
import { EDITED, HIDDEN, LOST, MEASURED, picksOf, place } from "./mark_places.js";
import { store } from "./store.js";

const P95 = 2.4477; // radius of the ellipse that holds 95 % of a normal distribution in a plane
const INK = {
  measured: "#ffb13d",
  edited: "#ff7bf0",
  hidden: "#7fd4ff",
  lost: "#ff8d80",
  fixed: "#8ff0a8",
  pick: "#ffffff",
  chosen: "#ffe600",
};

/**
 * Draw marks, trails, residuals and outlines over a frame.
 * @param {Pane} pane
 * @returns {number|null} the frame
 */
export function draw(pane) {
  const { pen, camera, shown } = pane;
  pen.save();
  pen.lineJoin = "round";
  pen.font = "12px system-ui, sans-serif";
  const tracks = store.tracks[camera];
  occupied = [];
  if (tracks && options.outline) outlines(pane, tracks.predicted);
  if (tracks && options.marks) {
    const first = (m) => (m.name === store.mark ? 0 : m.status[shown] & 1 ? 2 : 1); // what is odd keeps its name
    for (const mark of [...tracks.marks].sort((a, b) => first(a) - first(b))) {
      if (options.trails) trail(pane, mark);
      one(pane, mark, tracks.predicted[mark.name]);
    }
  }
  if (options.marks) picks(pane, tracks);
  regions(pane);
  pen.restore();
  return shown;
}

let occupied = []; // boxes of the names drawn so far

/** A name beside a mark where there is room; left out where there is none, unless it must stand. */
function writeName(pen, text, x, y, ink, must) {
  const w = pen.measureText(text).width,
    t = 13;
  const tries = [
    [x + 10, y - 8],
    [x + 10, y + 17],
    [x - w - 10, y - 8],
    [x - w - 10, y + 17],
  ];
  const free = tries.find(([a, b]) => !occupied.some(([c, d, e]) => a < c + e && c < a + w && Math.abs(b - d) < t));
  if (!free && !must) return;
  const [a, b] = free ?? tries[0];
  occupied.push([a, b, w]);
  label(pen, text, a, b, ink);
}

const short = (name) => name.slice(name.indexOf(".") + 1);

function one(pane, mark, predicted) {
  const found = place(mark, pane.shown, predicted, pane.camera);
  if (!found) return;
  const [u, v, status] = found,
    [x, y] = pane.toScreen(u, v),
    { pen } = pane;
  const fixed = mark.name.startsWith("survey."),
    chosen = store.mark === mark.name;
  const ink = chosen
    ? INK.chosen
    : status === HIDDEN
      ? INK.hidden
      : status === LOST
        ? INK.lost
        : status === EDITED
          ? INK.edited
          : fixed
            ? INK.fixed
            : INK.measured;
  shape(pen, x, y, status, ink, chosen);
  if (status === MEASURED || status === EDITED) {
    if (options.ellipses) ellipse(pane, mark, x, y, ink);
    if (options.residuals && predicted) arrow(pane, x, y, predicted, u, v, ink);
  }
  if (options.names || chosen) {
    const condition = status === HIDDEN ? " hidden" : status === LOST ? " lost" : "";
    writeName(pen, short(mark.name) + condition, x, y, ink, chosen);
  }
}

/**
 * The sign of a mark. Measured: open cross. Edited: square. Hidden: dashed diamond. Lost: slanting cross.
 * @param {CanvasRenderingContext2D} pen
 * @param {number} x
 * @param {number} y
 * @param {number} status
 * @param {string} ink
 * @param {boolean} [chosen]
 */
function shape(pen, x, y, status, ink, chosen = false) {
  const r = chosen ? 10 : 8;
  pen.beginPath();
  if (status === HIDDEN) {
    pen.moveTo(x, y - r);
    pen.lineTo(x + r, y);
    pen.lineTo(x, y + r);
    pen.lineTo(x - r, y);
    pen.closePath();
    stroke(pen, ink, 1.5, [3, 3]);
    return;
  }
  if (status === LOST) {
    pen.moveTo(x - r, y - r);
    pen.lineTo(x + r, y + r);
    pen.moveTo(x - r, y + r);
    pen.lineTo(x + r, y - r);
    stroke(pen, ink, 1.5, [3, 3]);
    return;
  }
  if (status === EDITED) pen.rect(x - r, y - r, 2 * r, 2 * r);
  for (const [dx, dy] of [
    [1, 0],
    [-1, 0],
    [0, 1],
    [0, -1],
  ]) {
    pen.moveTo(x + 2 * dx, y + 2 * dy);
    pen.lineTo(x + r * dx, y + r * dy);
  }
  stroke(pen, ink, chosen ? 2 : 1.25);
}

function ellipse(pane, mark, x, y, ink) {
  const i = pane.shown,
    a = mark.uu[i],
    b = mark.uv[i],
    c = mark.vv[i];
  if (a === null || c === null) return;
  const mean = (a + c) / 2,
    apart = Math.hypot((a - c) / 2, b);
  const f = P95 * options.enlarged * pane.view.scale;
  const long = f * Math.sqrt(Math.max(mean + apart, 0)),
    small = f * Math.sqrt(Math.max(mean - apart, 0));
  if (!(long < 1e4)) return;
  pane.pen.beginPath();
  pane.pen.ellipse(x, y, Math.max(long, 0.5), Math.max(small, 0.5), 0.5 * Math.atan2(2 * b, a - c), 0, 2 * Math.PI);
  stroke(pane.pen, ink, 1);
}

/** From the measured place to `gain` times the way to where the solution expects the mark. */
function arrow(pane, x, y, predicted, u, v, ink) {
  const pu = predicted.u[pane.shown],
    pv = predicted.v[pane.shown];
  if (pu === null || pu === undefined) return;
  const f = options.gain * pane.view.scale;
  const dx = (pu - u) * f,
    dy = (pv - v) * f,
    length = Math.hypot(dx, dy);
  if (length < 2 || length > 2000) return;
  const { pen } = pane,
    tip = Math.min(6, length / 2),
    angle = Math.atan2(dy, dx);
  pen.beginPath();
  pen.moveTo(x, y);
  pen.lineTo(x + dx, y + dy);
  for (const turn of [2.6, -2.6]) {
    pen.moveTo(x + dx, y + dy);
    pen.lineTo(x + dx + tip * Math.cos(angle + turn), y + dy + tip * Math.sin(angle + turn));
  }
  stroke(pen, ink, 1.25);
}

function trail(pane, mark) {
  const { pen } = pane,
    now = pane.shown,
    first = Math.max(0, now - options.trail),
    last = Math.min(mark.u.length - 1, now + options.trail);
  pen.beginPath();
  let open = false;
  for (let i = first; i <= last; i++) {
    if (mark.u[i] === null) {
      open = false;
      continue;
    }
    const [x, y] = pane.toScreen(mark.u[i], mark.v[i]);
    if (open) pen.lineTo(x, y);
    else pen.moveTo(x, y);
    open = true;
  }
  pen.globalAlpha = 0.8;
  stroke(pen, INK.measured, 1);
  pen.globalAlpha = 1;
}

/** The outline of each vehicle's surveyed points as the solution puts them, and its axes. */
function outlines(pane, predicted) {
  const { pen, shown } = pane,
    bodies = {};
  for (const [name, where] of Object.entries(predicted)) {
    if (name.startsWith("survey.")) continue;
    const u = where.u[shown],
      v = where.v[shown];
    if (u === null || u === undefined) continue;
    const body = (bodies[name.slice(0, name.indexOf("."))] ??= { points: [], axes: {} });
    if (name.includes(".axis.")) body.axes[name.slice(-1)] = pane.toScreen(u, v);
    else body.points.push(pane.toScreen(u, v));
  }
  for (const body of Object.values(bodies)) {
    const hull = around(body.points);
    if (hull.length > 2) {
      pen.beginPath();
      hull.forEach(([x, y], i) => (i ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      pen.closePath();
      pen.globalAlpha = 0.65;
      stroke(pen, "#d7e3ea", 1, [6, 4]);
      pen.globalAlpha = 1;
    }
    for (const axis of "xyz") {
      if (!body.axes.o || !body.axes[axis]) continue;
      pen.beginPath();
      pen.moveTo(...body.axes.o);
      pen.lineTo(...body.axes[axis]);
      stroke(pen, "#d7e3ea", 1.5);
      label(pen, axis, body.axes[axis][0] + 3, body.axes[axis][1] - 3, "#d7e3ea");
    }
  }
}

/**
 * Convex hull, Andrew's monotone chain.
 * @param {[number, number][]} points
 * @returns {[number, number][]}
 */
function around(points) {
  const sorted = [...points].sort((a, b) => a[0] - b[0] || a[1] - b[1]);
  const cross = (o, a, b) => (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
  const half = (list) => {
    const chain = [];
    for (const p of list) {
      while (chain.length > 1 && cross(chain.at(-2), chain.at(-1), p) <= 0) chain.pop();
      chain.push(p);
    }
    return chain.slice(0, -1);
  };
  return sorted.length < 3 ? sorted : [...half(sorted), ...half(sorted.reverse())];
}

/** Hand picks of the record: a small triangle in the frame of the pick, or always before there are results. */
function picks(pane, tracks) {
  const { pen } = pane;
  for (const pick of picksOf(pane.camera)) {
    const here = pick.frame === pane.shown;
    if (!here && tracks?.marks.length) continue;
    const [x, y] = pane.toScreen(...pick.pixel),
      chosen = store.mark === pick.mark;
    pen.globalAlpha = here ? 1 : 0.45;
    pen.beginPath();
    pen.moveTo(x, y);
    pen.lineTo(x - 5, y - 10);
    pen.lineTo(x + 5, y - 10);
    pen.closePath();
    stroke(pen, chosen ? INK.chosen : INK.pick, 1.25);
    if (!tracks?.marks.length && (options.names || chosen))
      writeName(pen, short(pick.mark), x, y, chosen ? INK.chosen : INK.pick, chosen);
    pen.globalAlpha = 1;
  }
}

function regions(pane) {
  const time = store.test.raw.cameras?.[pane.camera]?.time ?? {};
  for (const [region, word] of [
    [time.flash_region, "flash"],
    [time.timing_light?.region, "timing light"],
  ]) {
    if (!Array.isArray(region) || region.length !== 4) continue;
    const [x, y] = pane.toScreen(region[0] - 0.5, region[1] - 0.5);
    pane.pen.beginPath();
    pane.pen.rect(x, y, region[2] * pane.view.scale, region[3] * pane.view.scale);
    stroke(pane.pen, "#8fe3ff", 1, [5, 3]);
    const below = y < 16; // no room above it
    label(pane.pen, word, x + 2, below ? y + region[3] * pane.view.scale + 14 : y - 4, "#8fe3ff");
  }
}
