// The first page: tests opened lately, a folder to open, a new test from films.

import { get, post } from "./api.js";
import { ask, fill, createElement, showStatus } from "./dom.js";
import { store } from "./store.js";

const STEPS = [
  "Put the films of a test into a folder, name it here, and begin a new test.",
  "Set-up: surveyed fixed targets, vehicle markers, masses. It says what is still needed.",
  "Films: point at the marks that are not found automatically (o), check (Shift k), analyse (r).",
  "Motion, Calibration, Verdicts: read the numbers, see to the warnings; Report: take it with you.",
  "To try it first: run `impactfilm demo` in a terminal and open its folder here. The key ? lists all keys.",
];

/**
 * The first page.
 * @param {HTMLElement} root where the page is built
 * @param {(id: string, view?: string) => void} enter opens a test
 * @returns {() => void} closes the view
 */
export function view(root, enter) {
  const lately = createElement("ul", { class: "recent" }),
    here = createElement("div", { class: "browse" });
  const wrong = createElement("p", { class: "wrong", role: "alert" });
  const path = createElement("input", {
    id: "folder",
    type: "text",
    spellcheck: "false",
    autocomplete: "off",
    "aria-label": "Folder of the test",
  });
  fill(
    root,
    createElement(
      "div",
      { class: "page start" },
      createElement("h1", {}, "Film analysis of impact tests"),
      createElement(
        "p",
        { class: "lead" },
        "From the high-speed films of a test: how each vehicle moved, how hard an occupant would have struck the " +
          "interior, and whether the accelerometers can be believed.",
      ),
      createElement(
        "div",
        { class: "columns" },
        createElement(
          "section",
          {},
          createElement("h2", {}, "Opened lately"),
          lately,
          createElement("h2", {}, "How a test goes"),
          createElement(
            "ol",
            { class: "steps" },
            STEPS.map((text) => createElement("li", {}, text)),
          ),
        ),
        createElement(
          "section",
          {},
          createElement("h2", {}, "Open a folder, or start a new test from its films"),
          createElement(
            "form",
            {
              class: "open",
              onsubmit: (e) => {
                e.preventDefault();
                browse(path.value);
              },
            },
            path,
            createElement("button", { type: "submit" }, "Look"),
          ),
          wrong,
          here,
        ),
      ),
      createElement(
        "p",
        { class: "caution" },
        "The results inform engineers. Where life safety is at stake they defer to the test standard, local codes, " +
          "the accredited laboratory and licensed engineers; they replace none of them.",
      ),
    ),
  );

  let home = "";
  const brief = (place) => (home && place.startsWith(`${home}/`) ? `~${place.slice(home.length)}` : place);
  const open = async (place) => {
    try {
      enter((await post("/api/open", { path: place })).id);
    } catch (problem) {
      showStatus(problem.message, "bad");
    }
  };
  const begin = async (at, films) => {
    const got = await ask(
      "A new test",
      [
        { name: "number", label: "Test number", required: true, hint: "A-12" },
        { name: "kind", label: "A vehicle", options: store.choices.kinds },
      ],
      "Begin",
      `A record is written into ${brief(at)}, with a camera for each of: ${films.join(", ")}.`,
    );
    if (!got) return;
    if (!got.number) return showStatus("The test needs a number before it can begin.", "bad");
    try {
      enter((await post("/api/new", { path: at, number: got.number, kind: got.kind })).id, "setup");
    } catch (problem) {
      showStatus(problem.message, "bad");
    }
    return undefined;
  };
  let asked = 0; // the last question counts, whichever answer comes last
  const browse = async (at, typing = () => false) => {
    const mine = ++asked,
      before = path.value;
    try {
      const seen = await get(`/api/folders?at=${encodeURIComponent(at)}`);
      if (mine !== asked) return;
      wrong.textContent = "";
      if (path.value === before && !typing()) path.value = brief(seen.at); // what is being typed meanwhile stays
      fill(
        here,
        createElement(
          "div",
          { class: "buttons" },
          seen.record
            ? createElement("button", { class: "main", onclick: () => open(seen.at) }, "Open this test")
            : null,
          !seen.record && seen.films.length
            ? createElement(
                "button",
                { class: "main", onclick: () => begin(seen.at, seen.films) },
                `New test from ${seen.films.length} film${seen.films.length > 1 ? "s" : ""}`,
              )
            : null,
        ),
        createElement(
          "ul",
          { class: "folders" },
          seen.above
            ? createElement(
                "li",
                {},
                createElement("button", { class: "link", onclick: () => browse(seen.above) }, "up to the folder above"),
              )
            : null,
          seen.folders.map((f) =>
            createElement(
              "li",
              {},
              createElement("button", { class: "link", onclick: () => browse(`${seen.at}/${f.name}`) }, f.name),
              f.record ? createElement("span", { class: "tag" }, "test") : null,
            ),
          ),
          seen.films.map((f) => createElement("li", { class: "film" }, f)),
        ),
      );
    } catch (problem) {
      if (mine === asked) wrong.textContent = problem.message;
    }
  };
  get("/api/start")
    .then((start) => {
      home = start.home;
      fill(
        lately,
        start.recent.length
          ? start.recent.map((p) =>
              createElement(
                "li",
                {},
                createElement("button", { class: "link", onclick: () => open(p) }, p.split("/").at(-2)),
                createElement("span", { class: "note" }, brief(p)),
              ),
            )
          : createElement("li", { class: "note" }, "None yet."),
      );
      if (!asked && !path.value) browse(start.at, () => document.activeElement === path);
    })
    .catch((problem) => showStatus(problem.message, "bad"));
  return () => {};
}
