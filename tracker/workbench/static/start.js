// The first page: tests opened lately, a folder to open, a new test from films.

import { get, post } from "./api.js";
import { beginDemo, watchDemo } from "./demonstration.js";
import { ask, fill, createElement, showStatus } from "./dom.js";
import { acceptDrops, placeOf } from "./dropped.js";
import { store } from "./store.js";
import { underWay } from "./under_way.js";

const STEPS = [
  "Put the films of a test into a folder, open it here or drop it on this page, and begin a new test.",
  "Set-up: surveyed fixed targets, vehicle markers, masses. It says what is still needed.",
  "Films: point at the marks that are not found automatically (o), check (Shift k), analyse (r).",
  "Motion, Calibration, Verdicts: read the numbers, see to the warnings; Report: take it with you.",
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
  const wrong = createElement("p", { class: "wrong", role: "alert" }),
    line = underWay();
  const chooser = createElement("input", {
    type: "file",
    multiple: true,
    hidden: true,
    "aria-label": "Films",
    onchange: () => {
      take([...chooser.files], null);
      chooser.value = "";
    },
  });
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
      line.node,
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
          createElement("h2", {}, "To try it first"),
          createElement(
            "div",
            { class: "buttons" },
            createElement("button", { onclick: () => tryFirst() }, "Make the demonstration"),
            createElement("a", { class: "button", href: "/guide/tutorial", target: "_blank" }, "Tutorial"),
            createElement("a", { class: "button", href: "/guide/guide", target: "_blank" }, "Guide"),
          ),
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
          createElement(
            "p",
            { class: "note" },
            "Or drop a folder or films anywhere on this page, or ",
            createElement("button", { class: "link", onclick: () => chooser.click() }, "choose films"),
            ".",
            chooser,
          ),
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

  let home = "",
    listing = null; // what the folder shown holds
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
  let asked = 0, // the last question counts, whichever answer comes last
    listed = Promise.resolve(); // ends with the listing under way
  const browse = (at, typing) => (listed = list(at, typing));
  const list = async (at, typing = () => false) => {
    const mine = ++asked,
      before = path.value;
    try {
      const seen = await get(`/api/folders?at=${encodeURIComponent(at)}`);
      if (mine !== asked) return;
      wrong.textContent = "";
      listing = seen;
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
  let unwatch = () => {};
  const watch = () => {
    unwatch();
    unwatch = watchDemo(line, open);
  };
  const tryFirst = async () => {
    await listed;
    const taken = listing ? listing.folders.map((f) => f.name) : [];
    if (await beginDemo(listing?.at ?? start.at, taken, brief)) watch();
  };
  const take = async (files, folder) => {
    await listed; // what is dropped is sought near the folder last asked for
    const place = await placeOf(files, folder, listing?.at ?? start.at, brief, line);
    if (!place) return;
    await browse(place.at);
    if (listing?.at === place.at && !listing.record && listing.films.length) await begin(place.at, listing.films);
  };
  acceptDrops(root.firstElementChild, take);
  watch();
  let start = { at: "~" };
  listed = get("/api/start")
    .then((answer) => {
      start = answer;
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
      return asked || path.value ? null : browse(start.at, () => document.activeElement === path);
    })
    .catch((problem) => showStatus(problem.message, "bad"));
  return () => {
    unwatch();
  };
}
