// Check and analyse: what is under way, how far it is, how it ended.

import { get, post } from "./api.js";
import { ask, createElement, fill, showDialog, showStatus } from "./dom.js";
import { goTo } from "./places.js";
import { at, subscribe, store } from "./store.js";
import { missingEntries } from "./wanting.js";

let ended = null,
  failed = null; // the record of which an analysis could not be done

/**
 * What is under way, with the buttons that begin and end it.
 * @returns {{node: HTMLElement, close: () => void}}
 */
export function runner() {
  const node = createElement("div", { class: "run" });
  const draw = () => {
    const job = store.test?.job ?? { state: "idle" };
    const going = job.state === "running",
      stale = store.test?.results?.stale,
      wrong = store.test?.errors.length;
    fill(
      node,
      going ? progress(job) : createElement("span", { class: "jobstate" }, word(job, stale, wrong)),
      createElement("button", { onclick: check, title: "What is missing or doubtful (Shift k)" }, "Check"),
      going
        ? createElement("button", { class: "stop", onclick: cancel, title: "End it; the last results stay" }, "Cancel")
        : createElement(
            "button",
            {
              class: "main",
              onclick: analyse,
              disabled: Boolean(wrong),
              title: wrong ? "The record has errors: see Set-up" : "Analyse the films (r)",
            },
            "Analyse",
          ),
    );
    if (ended === "running" && !going) finish(job);
    ended = job.state;
  };
  draw();
  const off = [subscribe("job", draw), subscribe("test", draw), subscribe("results", draw)];
  return { node, close: () => off.forEach((f) => f()) };
}

function word(job, stale, wrong) {
  if (wrong) return `${wrong} thing${wrong > 1 ? "s" : ""} missing or wrong in the record`;
  if (job.state === "cancelled") return "Cancelled; the last results are whole";
  if (job.state === "failed" && failed && failed !== store.test.hash) return "Record changed since the last attempt";
  if (job.state === "failed") return "The analysis could not be done";
  if (stale) return "Record changed since the last analysis";
  if (store.test?.loaded && store.results?.stamp !== store.test.loaded) return "Reading the results …";
  return store.results ? "Results up to date" : "Not analysed yet";
}

function progress(job) {
  const stages = Object.entries(job.stages),
    [name, [done, total]] = stages.filter(([, [d, t]]) => d < t || !t).at(-1) ?? stages.at(-1) ?? ["starting", [0, 0]];
  return createElement(
    "span",
    { class: "progress", title: stages.map(([n, [d, t]]) => `${n}: ${d}${t ? ` of ${t}` : ""}`).join("\n") },
    createElement("span", {}, total ? `${name}, ${done} of ${total}` : name),
    createElement("progress", { max: total || 1, value: total ? done : null, "aria-label": name }),
  );
}

function finish(job) {
  if (job.state === "done") showStatus("The analysis is done.");
  else if (job.state === "cancelled") showStatus("Cancelled. The last results are as they were.");
  else if (job.state === "failed") failed = store.test.hash;
  if (job.state === "failed") showStatus(`${job.where}: ${job.what}; ${job.remedy}.`, "bad");
}

/** Begin an analysis. */
export async function analyse() {
  if (store.test.errors.length) return showStatus("The record has errors: they are marked under Set-up.", "bad");
  const { needed } = missingEntries(store.test.raw);
  if (needed.length && !(await ask("Still needed for an analysis", [], "Analyse all the same", needed.join(" "))))
    return undefined;
  try {
    await post(at("/analyse"));
    return showStatus("Analysing; go on working, the numbers appear when they are ready.");
  } catch (problem) {
    return showStatus(problem.message, "bad");
  }
}

/** End the analysis under way. */
export async function cancel() {
  try {
    await post(at("/cancel"));
  } catch (problem) {
    showStatus(problem.message, "bad");
  }
}

/** Check the record and show what was found. */
export async function check() {
  showStatus("Checking …");
  const { hash } = store.test;
  try {
    const found = await get(at("/check"));
    // Who has gone on typing is not interrupted by an answer about what was there before.
    if (store.test.hash !== hash) return showStatus("The record was changed while it was checked: check it again.");
    const order = { missing: 0, doubtful: 1, ok: 2 },
      signs = { missing: "✗", doubtful: "?", ok: "✓" };
    found.sort((a, b) => order[a.state] - order[b.state]);
    const count = (s) => found.filter((f) => f.state === s).length;
    showStatus(`Checked: ${count("missing")} missing, ${count("doubtful")} doubtful, ${count("ok")} in order.`);
    const box = createElement(
      "dialog",
      { class: "wide", "aria-label": "Check of the record" },
      createElement("h2", {}, "Check of the record"),
      createElement(
        "div",
        { class: "scroll" },
        createElement(
          "table",
          {},
          createElement(
            "tbody",
            {},
            found.map((f) =>
              createElement(
                "tr",
                {},
                createElement(
                  "td",
                  { class: `verdict ${f.state === "ok" ? "pass" : f.state === "missing" ? "fail" : "undetermined"}` },
                  `${signs[f.state]} ${f.state}`,
                ),
                createElement(
                  "td",
                  {},
                  createElement(
                    "button",
                    {
                      class: "link",
                      onclick: () => {
                        box.close();
                        goTo(f.where, f.text);
                      },
                    },
                    f.place,
                  ),
                ),
                createElement("td", {}, f.text),
              ),
            ),
          ),
        ),
      ),
      createElement(
        "div",
        { class: "actions" },
        createElement("button", { class: "main", onclick: () => box.close() }, "Close"),
      ),
    );
    return showDialog(box);
  } catch (problem) {
    return showStatus(problem.message, "bad");
  }
}
