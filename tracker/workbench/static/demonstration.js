// The demonstration test, made by a button of the first page.

import { get, post } from "./api.js";
import { ask, showStatus } from "./dom.js";
import { store } from "./store.js";

const PAUSE = 400; // ms between two looks at how far it is
const KINDS = "Invented tests with films, survey, accelerometer file and the truth of every number.";

/**
 * Ask where the demonstration is to lie, and have it made.
 * @param {string} at the folder shown
 * @param {string[]} taken names of the folders in it
 * @param {(place: string) => string} brief how a place is shown
 * @returns {Promise<boolean>} whether it is under way
 */
export async function beginDemo(at, taken, brief) {
  let name = "demo";
  for (let i = 2; taken.includes(name); i += 1) name = `demo-${i}`;
  const got = await ask(
    "The demonstration",
    [
      { name: "path", label: "New folder", value: `${brief(at)}/${name}`, required: true },
      { name: "scenario", label: "A", options: store.choices.scenarios },
    ],
    "Make it",
    `${KINDS} Drawing the films takes about a minute; then it is opened, and Analyse does the rest.`,
  );
  if (!got) return false;
  try {
    await post("/api/demo", got);
    return true;
  } catch (problem) {
    showStatus(problem.message, "bad");
    return false;
  }
}

/**
 * Show how far the demonstration is until it ends.
 * @param {object} line as of `underWay`
 * @param {(folder: string) => void} finished called with the folder of one that is done
 * @returns {() => void} ends the watch, not the work
 */
export function watchDemo(line, finished) {
  let watching = true,
    seen = false;
  const end = () => post("/api/demo/cancel").catch((problem) => showStatus(problem.message, "bad"));
  const look = async () => {
    if (!watching) return;
    try {
      const now = await get("/api/demo");
      if (!watching) return;
      if (now.state === "running") {
        seen = true;
        const parts = Object.entries(now.stages),
          sum = (k) => parts.reduce((s, [, x]) => s + x[k], 0);
        const words = parts.map(([name, [done, total]]) => `${name} ${done} of ${total}`).join(", ");
        line.show(`The demonstration: ${words || "beginning"}`, sum(0), sum(1), end);
        setTimeout(look, PAUSE);
        return;
      }
      line.hide();
      if (!seen) return;
      if (now.state === "done") finished(now.folder);
      else if (now.state === "cancelled") showStatus("Cancelled; the folder of the demonstration is gone again.");
      else if (now.state === "failed") showStatus(`${now.where}: ${now.what}; ${now.remedy}.`, "bad");
    } catch (problem) {
      showStatus(problem.message, "bad");
    }
  };
  look();
  return () => {
    watching = false;
  };
}
