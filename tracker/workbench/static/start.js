// The first page: tests opened lately, a folder to open, a new test from films.

import { get, post } from "./api.js";
import { ask, fill, h, say } from "./dom.js";

export function view(root, enter) {
  const lately = h("ul", { class: "recent" }), here = h("div", { class: "browse" });
  const path = h("input", { id: "folder", type: "text", spellcheck: "false", autocomplete: "off", "aria-label": "Folder of the test" });
  fill(root, h("div", { class: "page start" },
    h("h1", {}, "Film analysis of impact tests"),
    h("p", { class: "lead" }, "From the high-speed films of a test: how each vehicle moved, how hard an occupant would have struck the interior, and whether the accelerometers can be believed."),
    h("div", { class: "columns" },
      h("section", {}, h("h2", {}, "Opened lately"), lately),
      h("section", {}, h("h2", {}, "Open a folder, or start a new test from its films"),
        h("form", { class: "open", onsubmit: (e) => { e.preventDefault(); look(path.value); } }, path, h("button", { type: "submit" }, "Look")), here)),
    h("p", { class: "caution" }, "The results inform engineers. Where life safety is at stake they defer to the test standard, local codes, the accredited laboratory and licensed engineers; they replace none of them.")));

  let home = "";
  const brief = (place) => (home && place.startsWith(`${home}/`) ? `~${place.slice(home.length)}` : place);
  const open = async (place) => {
    try { enter((await post("/api/open", { path: place })).id); } catch (problem) { say(problem.message, "bad"); }
  };
  const begin = async (at, films) => {
    const got = await ask("A new test", [{ name: "number", label: "Test number", required: true, hint: "A-12" }], "Begin", `A record is written into ${brief(at)}, with a camera for each of: ${films.join(", ")}.`);
    if (!got?.number) return;
    try { enter((await post("/api/new", { path: at, number: got.number })).id, "setup"); } catch (problem) { say(problem.message, "bad"); }
  };
  let asked = 0; // the last question counts, whichever answer comes last
  const look = async (at) => {
    const mine = ++asked, before = path.value;
    try {
      const seen = await get(`/api/folders?at=${encodeURIComponent(at)}`);
      if (mine !== asked) return;
      if (path.value === before) path.value = brief(seen.at); // what is being typed meanwhile stays
      fill(here,
        h("div", { class: "buttons" },
          seen.record ? h("button", { class: "main", onclick: () => open(seen.at) }, "Open this test") : null,
          !seen.record && seen.films.length ? h("button", { class: "main", onclick: () => begin(seen.at, seen.films) }, `New test from ${seen.films.length} film${seen.films.length > 1 ? "s" : ""}`) : null),
        h("ul", { class: "folders" },
          seen.above ? h("li", {}, h("button", { class: "link", onclick: () => look(seen.above) }, "up to the folder above")) : null,
          seen.folders.map((f) => h("li", {}, h("button", { class: "link", onclick: () => look(`${seen.at}/${f.name}`) }, f.name), f.record ? h("span", { class: "tag" }, "test") : null)),
          seen.films.map((f) => h("li", { class: "film" }, f))));
    } catch (problem) {
      say(problem.message, "bad");
    }
  };
  get("/api/start").then((start) => {
    home = start.home;
    fill(lately, start.recent.length ? start.recent.map((p) => h("li", {}, h("button", { class: "link", onclick: () => open(p) }, p.split("/").at(-2)), h("span", { class: "note" }, brief(p)))) : h("li", { class: "note" }, "None yet."));
    if (!asked && !path.value) look(start.at);
  }).catch((problem) => say(problem.message, "bad"));
  return () => {};
}
