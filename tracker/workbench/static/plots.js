// Curves against time with their bands; a click shows that moment in the films.

import uPlot from "/static/uPlot.esm.js";
import { createElement, fill, numberText } from "./dom.js";
import { choose, options } from "./options.js";
import { subscribe, showTime, store } from "./store.js";

const DASHES = [[], [7, 4], [2, 3], [9, 3, 2, 3]];

const css = (name) => getComputedStyle(document.body).getPropertyValue(name).trim();
const ink = (line) => `--line${(line % 4) + 1}`;

/** One time axis for lines with times of their own. */
function joinLines(lines) {
  const same = lines.every((l) => l.time.length === lines[0].time.length && l.time[0] === lines[0].time[0]);
  if (same) return [lines[0].time, ...lines.flatMap((l) => columns(l, (x) => x))];
  return uPlot.join(lines.map((l) => [l.time, ...columns(l, (x) => x)]));
}

function columns(line) {
  if (!line.band) return [line.value];
  const edge = (sign) =>
    line.value.map((v, i) => (v === null || line.band[i] === null ? null : v + sign * line.band[i]));
  return [line.value, edge(1), edge(-1)];
}

/**
 * A plot in an element.
 * @param {{title: string, unit: string, lines: object[]}} given
 * @param {number|(() => number)} height px; a function is asked again when `within` changes its size
 * @param {HTMLElement|null} [within]
 * @returns {{node: HTMLElement, close: () => void}}
 */
export function plot(given, height, within = null) {
  const box = createElement("div", { class: "plot" }),
    head = createElement("div", { class: "plothead" });
  const node = createElement("figure", { class: "plotbox", "aria-label": `${given.title}, ${given.unit}` }, head, box);
  const series = [{}],
    bands = [],
    clear = { stroke: "transparent", width: 0, points: { show: false } };
  let drawn = null;
  const zoomed = createElement(
    "button",
    { class: "small zoomed", hidden: true, title: "Show all of it again (double click)", onclick: () => whole() },
    "",
  );
  const whole = () => {
    // A stretch of time chosen in one plot is shown in all of them, and so is all of it again.
    for (const u of uPlot.sync("time").plots) u.setScale("x", { min: u.data[0][0], max: u.data[0].at(-1) });
  };
  const sayZoom = (u) => {
    const { min, max } = u.scales.x,
      last = data[0].length - 1;
    const part = max - min < 0.999 * (data[0][last] - data[0][0]);
    zoomed.hidden = !part;
    fill(zoomed, part ? `${numberText(min, 3)} to ${numberText(max, 3)} s: show all` : "");
  };
  given.lines.forEach((line, i) => {
    series.push({
      label: `${line.of}, ${line.source}`,
      stroke: () => css(ink(i)),
      width: 1.6,
      dash: DASHES[i % DASHES.length],
      points: { show: false },
      spanGaps: false,
    });
    if (line.band) {
      const k = series.length;
      series.push({ ...clear }, { ...clear });
      bands.push({ series: [k, k + 1], fill: () => `color-mix(in srgb, ${css(ink(i))} 22%, transparent)` });
    }
  });
  fill(
    head,
    createElement(
      "figcaption",
      {},
      given.title,
      given.unit ? createElement("span", { class: "unit" }, ` ${given.unit}`) : null,
    ),
    createElement(
      "span",
      { class: "save" },
      small("CSV", "Values as a table (CSV)", () => saveValues(given)),
      small("PNG", "The picture (PNG)", () => savePicture(given, drawn)),
    ),
    createElement("span", { class: "break" }),
    given.lines.map((l, i) =>
      createElement(
        "span",
        { class: "key" },
        createElement("i", { class: `dash${i % 4}`, style: `border-color:var(${ink(i)})` }),
        `${l.of}, ${l.source}`,
      ),
    ),
    given.lines.some((l) => l.band)
      ? createElement("span", { class: "key", title: "Standard uncertainty after ±" }, "band 95 %, ± k = 1")
      : null,
    createElement("output", { class: "here" }),
    zoomed,
  );
  const data = joinLines(given.lines),
    grid = { stroke: () => css("--grid"), width: 1 };
  const axis = () => ({
    stroke: () => css("--quiet"),
    grid: { ...grid },
    ticks: { ...grid },
    font: "11px system-ui, sans-serif",
  });
  const make = (size) => {
    drawn = new uPlot(
      {
        ...size,
        series,
        bands,
        legend: { show: false },
        padding: [6, 20, 0, 0],
        scales: { x: { time: false } },
        axes: [
          {
            ...axis(),
            size: 26,
            values: (u, list) => list.map((v, i) => numberText(v) + (i === list.length - 1 ? " s" : "")),
          },
          { ...axis(), size: 52, values: (u, list) => list.map((v) => numberText(v)) },
        ],
        cursor: { sync: { key: "time" }, drag: { x: true, y: false }, points: { show: false }, y: false },
        hooks: { draw: [now], setScale: [(u, key) => key === "x" && sayZoom(u)] },
        pxAlign: 0, // curves are as smooth as the display: no value is rounded to a pixel
      },
      data,
      box,
    );
    drawn.over.addEventListener("mouseup", () => {
      pressed = drawn.select.width;
    });
    drawn.over.addEventListener("click", () => {
      if (!(pressed > 2)) showTime(drawn.posToVal(drawn.cursor.left, "x"));
    });
    value();
  };
  const fit = () => {
    const size = { width: Math.floor(box.clientWidth), height: typeof height === "function" ? height() : height };
    if (size.width < 40) return;
    if (!drawn) make(size);
    else if (size.width !== drawn.width || size.height !== drawn.height) drawn.setSize(size);
  };
  let pressed = 0;
  const now = (u) => {
    const x = Math.round(u.valToPos(store.time, "x", true));
    if (!(x >= u.bbox.left && x <= u.bbox.left + u.bbox.width)) return;
    const c = u.ctx;
    c.save();
    c.strokeStyle = css("--bad");
    c.setLineDash([]);
    c.lineWidth = 1.5 * (window.devicePixelRatio || 1);
    c.beginPath();
    c.moveTo(x, u.bbox.top);
    c.lineTo(x, u.bbox.top + u.bbox.height);
    c.stroke();
    c.restore();
  };
  const value = () => {
    const values = given.lines.map((l) => {
      const i = nearest(l.time, store.time),
        v = l.value[i];
      return v === null || v === undefined || Math.abs(l.time[i] - store.time) > 0.02 ? null : withU(v, l.band?.[i]);
    });
    const out = head.querySelector(".here");
    if (out) fill(out, values.some(Boolean) ? `now ${values.map((s) => s ?? "–").join(" | ")}` : "");
  };
  const watch = new ResizeObserver(fit);
  watch.observe(box);
  if (within) watch.observe(within);
  const off = [
    subscribe("moment", () => {
      drawn?.redraw(false);
      value();
    }),
    subscribe("options", () => drawn?.redraw(false)),
  ];
  return {
    node,
    close() {
      watch.disconnect();
      off.forEach((f) => f());
      drawn?.destroy();
    },
  };
}

const COVERAGE = 1.96; // of the bands that the server gives: 95 %, normal distribution

/** A value and its standard uncertainty (k = 1), both to the uncertainty's second digit. */
export function withU(value, band) {
  if (!(band > 0)) return numberText(value.toPrecision(4));
  const u = band / COVERAGE,
    digits = Math.min(9, Math.max(0, 1 - Math.floor(Math.log10(u))));
  return `${numberText(value, digits)} ± ${u.toFixed(digits)}`;
}

const small = (text, title, onclick) => createElement("button", { class: "link", title, onclick }, text);

/** A table of a plot's values: time, then each line with its standard uncertainty. */
function saveValues(given) {
  const unit = given.unit ? ` (${given.unit})` : "",
    quote = (t) => `"${t.replaceAll('"', '""')}"`;
  const rows = given.lines.flatMap((l) =>
    l.time.map((t, i) => {
      const u = l.band?.[i];
      return [quote(`${l.of}, ${l.source}`), t, l.value[i] ?? "", u === null || u === undefined ? "" : u / COVERAGE];
    }),
  );
  const head = ["line", "time (s)", quote(given.title + unit), quote(`u, k = 1${unit}`)];
  const text = [head, ...rows].map((r) => r.join(",")).join("\n");
  saveText(`${given.title}.csv`, text);
}

/**
 * Offer a table as a file.
 * @param {string} name
 * @param {string} text
 */
export function saveText(name, text) {
  save(name, new Blob([text, "\n"], { type: "text/csv" }));
}

function savePicture(given, drawn) {
  if (!drawn) return;
  const from = drawn.ctx.canvas,
    line = 22 * (window.devicePixelRatio || 1);
  const sheet = createElement("canvas", { width: from.width, height: from.height + line });
  const pen = sheet.getContext("2d");
  pen.fillStyle = css("--paper") || "#fff";
  pen.fillRect(0, 0, sheet.width, sheet.height);
  pen.drawImage(from, 0, line);
  pen.fillStyle = css("--ink") || "#000";
  pen.font = `${Math.round(line * 0.6)}px system-ui, sans-serif`;
  const lines = given.lines.map((l) => `${l.of}, ${l.source}`).join("; ");
  pen.fillText(`${store.test.raw.test?.number ?? ""}  ${given.title} ${given.unit}  ${lines}`, 8, line * 0.72);
  sheet.toBlob((blob) => save(`${given.title}.png`, blob));
}

function save(name, blob) {
  const url = URL.createObjectURL(blob);
  createElement("a", { href: url, download: name.replaceAll(/[^\w.,-]+/g, "-") }).click();
  setTimeout(() => URL.revokeObjectURL(url), 1000);
}

function nearest(list, time) {
  let low = 0,
    high = list.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (list[middle] < time) low = middle + 1;
    else high = middle;
  }
  return low;
}

/**
 * One plot under the films, of a quantity that can be chosen.
 * @returns {{node: HTMLElement, close: () => void}}
 */
export function plotStrip() {
  const node = createElement("div", { class: "strip" });
  let inside = null;
  const headHeight = () => node.querySelector(".plothead")?.offsetHeight ?? 24; // it may take two lines
  const build = () => {
    inside?.close();
    inside = null;
    const names = Object.keys(store.motion);
    if (!names.length) {
      fill(node, createElement("p", { class: "note" }, "Curves of motion stand here once the test is analysed."));
      return;
    }
    const name = names.includes(options.plot) ? options.plot : names[0];
    inside = plot(store.motion[name], () => Math.max(90, node.clientHeight - headHeight() - 10), node);
    const pick = createElement(
      "select",
      {
        "aria-label": "Quantity plotted",
        onchange: () => {
          choose("plot", pick.value);
          build();
        },
      },
      names.map((n) => createElement("option", { value: n, selected: n === name }, store.motion[n].title)),
    );
    inside.node
      .querySelector("figcaption")
      .replaceChildren(pick, createElement("span", { class: "unit" }, ` ${store.motion[name].unit}`));
    fill(node, inside.node);
  };
  build();
  const off = subscribe("results", build);
  return {
    node,
    close() {
      off();
      inside?.close();
    },
  };
}
