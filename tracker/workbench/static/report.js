// The report as it leaves the building, and every file of the results.

import { get } from "./api.js";
import { bytes, fill, createElement } from "./dom.js";
import { at, subscribe, store } from "./store.js";

/**
 * The view of report and files.
 * @param {HTMLElement} root where the page is built
 * @returns {() => void} closes the view
 */
export function view(root) {
  const page = createElement("div", { class: "desk report" });
  fill(root, page);
  let serial = 0;
  const build = async () => {
    const mine = ++serial;
    if (!store.results)
      return void fill(page, createElement("p", { class: "note" }, "There is no report yet: analyse the test first."));
    const files = await get(at("/files"));
    if (mine !== serial) return undefined;
    const link = (path, text, main) =>
      createElement(
        "a",
        {
          class: main ? "button main" : "button",
          href: `${at("/files/")}${path.split("/").map(encodeURIComponent).join("/")}?save=1`,
          download: true,
        },
        text,
      );
    const has = (path) => files.some((f) => f.path === path);
    fill(
      page,
      has("report.html")
        ? createElement("iframe", {
            title: "The report",
            src: `${at("/files/report.html")}?of=${store.test.loaded}`,
            sandbox: "allow-same-origin",
          })
        : createElement("p", { class: "note" }, "The report is not written yet."),
      createElement(
        "aside",
        { class: "side" },
        createElement("h2", {}, "Take it with you"),
        createElement(
          "div",
          { class: "buttons" },
          createElement("a", { class: "button main", href: at("/all.zip"), download: true }, "Everything (zip)"),
          has("report.pdf") ? link("report.pdf", "Report (PDF)") : null,
          has("report.html") ? link("report.html", "Report (page)") : null,
        ),
        underWay(),
        store.test.results?.stale
          ? createElement("p", { class: "banner" }, "The record has changed since this report was written.")
          : null,
        FILES.map(([title, of]) => listing(title, files.filter((f) => group(f.path) === of), link)),
      ),
    );
    return undefined;
  };
  build();
  let waiting = waits().join();
  const again = () => {
    if (waits().join() !== waiting) build();
    waiting = waits().join();
  };
  const off = [subscribe("results", build), subscribe("test", again)];
  return () => off.forEach((f) => f());
}

const FILES = [
  ["Numbers", "numbers"],
  ["Marked films", "films"],
  ["Plots and photographs", "pictures"],
  ["ISO/TS 13499 channels", "iso13499"],
  ["Other files", "other"],
];

/** Which part of the results a file belongs to. */
function group(path) {
  const folder = path.split("/")[0];
  if (["films", "pictures", "iso13499"].includes(folder)) return folder;
  const numbers = ["results.json", "results.h5", "motion", "points", "tracks", "mechanics"];
  return numbers.includes(folder) ? "numbers" : "other";
}

/** One part of the results, folded; null without files. */
function listing(title, files, link) {
  if (!files.length) return null;
  return createElement(
    "details",
    {},
    createElement("summary", {}, `${title} (${files.length})`),
    createElement(
      "ul",
      { class: "files" },
      files.map((f) =>
        createElement("li", {}, link(f.path, f.path), createElement("span", { class: "bytes" }, bytes(f.bytes))),
      ),
    ),
  );
}

const waits = () => store.test?.results?.waiting ?? [];

/** What of the report is still to come, or never came; null where it is complete. */
function underWay() {
  if (!waits().length) return null;
  const end =
    store.test.job.state === "running"
      ? "still being written"
      : "missing, as the analysis ended before: analyse again, or `impactfilm report` on the results folder";
  return createElement("p", { class: "banner" }, `${waits().join(", ")}: ${end}.`);
}
