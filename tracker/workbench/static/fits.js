// How well each mark agrees with the solution: residuals and uncertainty by frame, survey residuals.

import { createElement, fill, table } from "./dom.js";
import { EDITED, MEASURED } from "./mark_places.js";
import { plot } from "./plots.js";
import { chooseCamera, chooseMark, subscribe, shown, store, timesOf } from "./store.js";

const RESIDUAL =
  "rms: measured less solved. A vehicle's mark is compared with its place as solved within the uncertainty of its " +
  "survey, a fixed target with its surveyed place. The curves compare with surveyed places: what a survey errs by " +
  "is a constant part of them.";

/**
 * The view of how marks agree with the solution.
 * @param {HTMLElement} root where the page is built
 * @returns {() => void} closes the view
 */
export function view(root) {
  const list = createElement("div", { class: "scroll fits" }),
    about = createElement("div", { class: "plots two" }),
    rest = createElement("div", { class: "fitlower" });
  fill(
    root,
    createElement("div", { class: "page wide" }, createElement("div", { class: "fitdesk" }, list, about), rest),
  );
  let parts = [];
  const build = () => {
    if (!store.results) {
      fill(
        list,
        createElement(
          "p",
          { class: "note" },
          "Analyse the test first: then each mark's agreement with the solution stands here.",
        ),
      );
      fill(about);
      fill(rest);
      return;
    }
    fill(
      list,
      createElement(
        "table",
        {},
        createElement("caption", {}, "Marks of the chosen camera and of the others"),
        createElement(
          "thead",
          {},
          createElement(
            "tr",
            {},
            ["camera", "mark", "seen in", "rms, px", "rejected", "median u, px"].map((t, i) =>
              createElement("th", { scope: "col", class: i > 1 ? "right" : "left" }, t),
            ),
          ),
        ),
        createElement(
          "tbody",
          {},
          shown().flatMap((camera) => (store.tracks[camera]?.marks ?? []).map((mark) => row(camera, mark))),
        ),
      ),
    );
    fill(
      rest,
      createElement("p", { class: "note" }, RESIDUAL),
      createElement(
        "figure",
        { class: "table" },
        createElement("figcaption", {}, "Time and lens of each camera"),
        store.results.clocks.map(([name, time, lens]) =>
          createElement("p", {}, createElement("strong", {}, name), `: time from ${time}; lens ${lens}.`),
        ),
      ),
      table(store.results.cameras),
      table(store.results.survey),
    );
    draw();
  };
  const draw = () => {
    for (const r of list.querySelectorAll("tr[data-mark]"))
      r.classList.toggle("chosen", r.dataset.mark === store.mark && r.dataset.of === store.camera);
    parts.forEach((p) => p.close());
    parts = [];
    const tracks = store.tracks[store.camera],
      mark = tracks?.marks.find((m) => m.name === store.mark);
    if (!mark)
      return void fill(
        about,
        createElement(
          "p",
          { class: "note" },
          "Choose a mark in the table to see its residuals and its uncertainty by frame.",
        ),
      );
    const predicted = tracks.predicted[mark.name],
      time = timesOf(store.camera);
    const residual = (k) =>
      mark[k].map((x, i) => (seen(mark, i) && predicted && predicted[k][i] !== null ? x - predicted[k][i] : null));
    const band = (k) => mark[k].map((x) => (x === null ? null : 1.96 * Math.sqrt(x)));
    const made = [];
    if (predicted) {
      for (const [k, c] of [
        ["u", "uu"],
        ["v", "vv"],
      ]) {
        made.push({
          title: `${mark.name} in ${store.camera}: measured less solved, ${k}`,
          unit: "px",
          lines: [{ of: mark.name, source: k, time, value: residual(k), band: band(c) }],
        });
      }
    }
    for (const [k, word] of [
      ["uu", "u"],
      ["vv", "v"],
    ]) {
      made.push({
        title: `${mark.name} in ${store.camera}: standard uncertainty of ${word}`,
        unit: "px",
        lines: [
          {
            of: mark.name,
            source: word,
            time,
            value: mark[k].map((x, i) => (seen(mark, i) && x !== null ? Math.sqrt(x) : null)),
            band: null,
          },
        ],
      });
    }
    // Together as high as the table beside them.
    const height = Math.max(150, Math.round((0.52 * innerHeight) / (made.length / 2)) - 62);
    parts = made.map((m) => plot(m, height));
    fill(
      about,
      parts.map((p) => p.node),
    );
  };
  build();
  const off = [subscribe("results", build), subscribe("mark", draw), subscribe("camera", draw)];
  return () => {
    off.forEach((f) => f());
    parts.forEach((p) => p.close());
  };
}

const seen = (mark, i) => mark.status[i] === MEASURED || mark.status[i] === EDITED;

function row(camera, mark) {
  const fit = store.results.fits?.[camera]?.[mark.name];
  const used = mark.status.map((_, i) => i).filter((i) => seen(mark, i));
  const predicted = store.tracks[camera].predicted[mark.name];
  const square = predicted
    ? used
        .filter((i) => predicted.u[i] !== null && predicted.u[i] !== undefined)
        .map((i) => (mark.u[i] - predicted.u[i]) ** 2 + (mark.v[i] - predicted.v[i]) ** 2)
    : [];
  const rms = fit ? fit.rms_px : square.length ? Math.sqrt(square.reduce((a, b) => a + b, 0) / square.length) : null;
  const u = used.map((i) => Math.sqrt((mark.uu[i] + mark.vv[i]) / 2)).sort((a, b) => a - b);
  const go = () => {
    chooseCamera(camera);
    chooseMark(mark.name);
  };
  return createElement(
    "tr",
    {
      "data-mark": mark.name,
      "data-of": camera,
      tabindex: "0",
      onclick: go,
      onkeydown: (e) => {
        if (e.key === "Enter") go();
      },
    },
    createElement("td", {}, camera),
    createElement("td", {}, mark.name),
    createElement("td", { class: "right" }, `${used.length}`),
    createElement("td", { class: "right" }, rms === null ? "–" : rms.toFixed(3)),
    createElement("td", { class: "right" }, fit ? `${fit.rejected}` : "–"),
    createElement("td", { class: "right" }, u.length ? u[u.length >> 1].toFixed(3) : "–"),
  );
}
