// Puts the page together: head, views, keys, news from the server.

import { get, listen } from "./api.js";
import { fill, createElement, showStatus } from "./dom.js";
import * as films from "./films.js";
import * as fits from "./fits.js";
import { publish } from "./inspection.js";
import * as setup from "./setup.js";
import { help } from "./keys.js";
import * as edits from "./edits.js";
import * as marks from "./marks.js";
import { showHeadline } from "./headline.js";
import * as motion from "./motion.js";
import { theme } from "./options.js";
import { opener } from "./places.js";
import { pointing } from "./pointing.js";
import * as report from "./report.js";
import { analyse, check, runner } from "./run.js";
import * as start from "./start.js";
import {
  at,
  chooseCamera,
  chooseMark,
  subscribe,
  redo,
  renew,
  shown,
  showFrame,
  store,
  applyState,
  emit,
  timesOf,
  undo,
} from "./store.js";
import { player, step, zero } from "./transport.js";
import * as verdicts from "./verdicts.js";

const VIEWS = {
  setup: ["Set-up", setup],
  films: ["Films", films],
  motion: ["Motion", motion],
  fits: ["Calibration", fits],
  verdicts: ["Verdicts", verdicts],
  report: ["Report", report],
};
const root = document.getElementById("main");
let leave = null,
  now = null,
  source = null;

function show(view, field = null, travelling = false) {
  if (!store.test) view = null;
  if (view === now && view === "setup" && field) return setup.focusField(field);
  leave?.();
  leave = null;
  now = view;
  pointing.stop();
  if (view) {
    address(`#${store.test.id}/${view}`, travelling);
    leave = VIEWS[view][1].view(root);
    if (field && view === "setup") setup.focusField(field);
  } else {
    address("#", travelling);
    leave = start.view(root, enter);
  }
  head();
}

/** The page's address; a step that the browser's Back can undo, unless Back itself led here. */
function address(hash, travelling) {
  const instead = travelling || first;
  first = false;
  if (location.hash === hash || (hash === "#" && !location.hash)) return;
  if (instead) history.replaceState(null, "", hash);
  else history.pushState(null, "", hash);
  if (!travelling) showStatus("");
}

let first = true; // the first view takes the place of the address that was opened

/** Go where the browser's Back, Forward or a typed address lead. */
async function travel() {
  const [id, view] = location.hash.slice(1).split("/");
  try {
    if (!id) {
      source?.close();
      store.test = null;
      show(null, null, true);
    } else if (store.test?.id !== id) await enter(id, VIEWS[view] ? view : null, true);
    else if (VIEWS[view] && view !== now) show(view, null, true);
  } catch (problem) {
    showStatus(problem.message, "bad");
  }
}

async function enter(id, view = null, travelling = false) {
  const state = await get(`/api/test/${id}`);
  Object.assign(store, {
    test: null,
    results: null,
    tracks: {},
    motion: {},
    frame: {},
    time: 0,
    mark: null,
    camera: null,
  });
  const loading = applyState(state);
  source?.close();
  source = listen(at("/events"), news, (silent) => {
    if (silent) showStatus("The workbench does not answer; nothing saved is lost.", "bad");
  });
  document.title = `${state.raw.test?.number ?? "test"} · impactfilm`;
  show(view ?? (state.errors.length && !shown().length ? "setup" : "films"), null, travelling);
  await loading;
}

let renewing = false,
  latest = "";

/** Record, results or analysis have changed. */
async function news(message) {
  store.test.job = message.job;
  emit("job");
  latest = message.revision;
  if (latest === store.revision || renewing) return;
  renewing = true;
  try {
    while (latest !== store.revision) {
      store.revision = latest;
      if (await renew()) showStatus("The record was changed elsewhere; this page shows it as it is now.");
    }
  } catch (problem) {
    showStatus(problem.message, "bad");
  } finally {
    renewing = false;
  }
}

const running = runner();
showHeadline(document.body);

function head() {
  const test = store.test,
    raw = test?.raw.test ?? {};
  const modes = { system: "Light or dark: as the system", light: "Light", dark: "Dark" };
  const scheme = createElement(
    "select",
    { "aria-label": "Light or dark", title: "Light or dark", onchange: (e) => theme(e.target.value) },
    Object.entries(modes).map(([k, t]) =>
      createElement("option", { value: k, selected: k === theme() }, k === "system" ? "Auto" : t),
    ),
  );
  fill(
    document.getElementById("head"),
    createElement(
      "button",
      {
        class: "mark",
        title: "To the first page",
        onclick: () => {
          source?.close();
          store.test = null;
          show(null);
        },
      },
      "impactfilm",
    ),
    test
      ? createElement(
          "span",
          { class: "which", title: `${raw.title ?? ""}\n${test.folder}` },
          createElement("strong", {}, raw.number ?? "no number"),
          ` ${raw.title ?? ""}`,
        )
      : createElement("span", { class: "which" }),
    test
      ? createElement(
          "nav",
          { "aria-label": "Views" },
          Object.entries(VIEWS).map(([k, [t]], i) => {
            const count = k === "setup" ? test.errors.length : k === "verdicts" ? store.results?.warnings.length : 0;
            return createElement(
              "button",
              { "aria-current": k === now ? "page" : null, title: `${t} (${i + 1})`, onclick: () => show(k) },
              t,
              count
                ? createElement(
                    "span",
                    { class: "count", title: k === "setup" ? "errors of the record" : "warnings" },
                    count,
                  )
                : null,
            );
          }),
        )
      : null,
    test ? running.node : null,
    test
      ? createElement(
          "span",
          { class: "buttons" },
          createElement(
            "button",
            { class: "small", disabled: test.undo === null, title: `Undo ${test.undo ?? ""} (Ctrl z)`, onclick: undo },
            "Undo",
          ),
          createElement(
            "button",
            {
              class: "small",
              disabled: test.redo === null,
              title: `Do again ${test.redo ?? ""} (Ctrl Shift z)`,
              onclick: redo,
            },
            "Redo",
          ),
        )
      : null,
    createElement(
      "button",
      { class: "small", title: "What this view is for, and keys (?)", onclick: () => help(now) },
      "Help",
    ),
    scheme,
  );
}

function typing(node) {
  return (
    node && (node.matches("input:not([type=checkbox]):not([type=range]), textarea, select") || node.isContentEditable)
  );
}

function next(list, item, by) {
  return list[(list.indexOf(item) + by + list.length) % list.length];
}

const PLAIN = {
  " ": () => player.toggle(),
  0: zero,
  Home: zero,
  End: () => showFrame(store.camera, timesOf(store.camera).length - 1),
  "+": () => films.chosen()?.zoom(1.5),
  "=": () => films.chosen()?.zoom(1.5),
  "-": () => films.chosen()?.zoom(1 / 1.5),
  f: () => films.chosen()?.fit(),
  g: () => films.chosen() && marks.goToMark(films.chosen()),
  "[": () => chooseCamera(next(shown(), store.camera, -1)),
  "]": () => chooseCamera(next(shown(), store.camera, 1)),
  j: () => pickMark(1),
  k: () => pickMark(-1),
  p: () => store.mark && marks.task("pick", store.mark),
  c: () => store.mark && marks.task("edit", store.mark),
  x: () => marks.ruleOut(),
  Delete: () => marks.deleteMark(),
  n: () => (pointing.task ? marks.skip() : marks.addMark()),
  o: () => marks.pointAll(),
  z: () => edits.zeroHere(store.camera, store.frame[store.camera]),
};
const FILM_VIEWS = ["films", "motion"];

function pickMark(by) {
  const names = marks.marksOf(store.camera).map((m) => m.mark);
  if (names.length) chooseMark(store.mark ? next(names, store.mark, by) : names[0]);
}

document.addEventListener("keydown", (event) => {
  if (document.querySelector("dialog[open]") || !store.test) {
    if (event.key === "?" && !typing(document.activeElement) && !document.querySelector("dialog[open]")) help(now);
    return;
  }
  const field = typing(document.activeElement);
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !field) {
    event.preventDefault();
    if (event.shiftKey) redo();
    else undo();
    return;
  }
  if (field) return;
  const here = FILM_VIEWS.includes(now);
  if (here && pointing.key(event, films.chosen())) return event.preventDefault();
  if (here && (event.key === "ArrowLeft" || event.key === "ArrowRight")) {
    event.preventDefault();
    step((event.key === "ArrowLeft" ? -1 : 1) * (event.ctrlKey || event.altKey ? 100 : event.shiftKey ? 10 : 1));
    return;
  }
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const view = Object.keys(VIEWS)[Number(event.key) - 1];
  if (view) show(view);
  else if (event.key === "?") help(now);
  else if (event.key === "r") analyse();
  else if (event.key === "K") check();
  else if (here && PLAIN[event.key]) {
    if (event.key === " " && document.activeElement?.matches("button, a, input")) return;
    event.preventDefault();
    PLAIN[event.key]();
  }
});

opener((view, field) => {
  if (view !== now || field) show(view, field);
});
subscribe("test", head);
subscribe("results", head);
theme();
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => theme());
publish(() => now);
window.addEventListener("popstate", travel);
// The browser would open a file that is dropped beside its place.
for (const drag of ["dragover", "drop"]) window.addEventListener(drag, (event) => event.preventDefault());

const [wanted, view] = location.hash.slice(1).split("/");
get("/api/start")
  .then(async (begin) => {
    store.choices = begin.choices;
    history.replaceState(null, "", `/${location.hash}`);
    const id = wanted || begin.first;
    try {
      if (id) await enter(id, VIEWS[view] ? view : null);
      else show(null);
    } catch (problem) {
      if (wanted) show(null);
      showStatus(problem.message, "bad");
    }
  })
  .catch((problem) => showStatus(problem.message, "bad"));
