// The report as it leaves the building, and every file of the results.

import { get } from "./api.js";
import { bytes, fill, h } from "./dom.js";
import { at, on, store } from "./store.js";

export function view(root) {
  const page = h("div", { class: "desk report" });
  fill(root, page);
  let serial = 0;
  const build = async () => {
    const mine = ++serial;
    if (!store.results) return void fill(page, h("p", { class: "note" }, "There is no report yet: analyse the test first."));
    const files = await get(at("/files"));
    if (mine !== serial) return undefined;
    const link = (path, text, main) => h("a", { class: main ? "button main" : "button", href: `${at("/files/")}${path.split("/").map(encodeURIComponent).join("/")}?save=1`, download: true }, text);
    const has = (path) => files.some((f) => f.path === path);
    fill(page,
      has("report.html") ? h("iframe", { title: "The report", src: `${at("/files/report.html")}?of=${store.test.loaded}`, sandbox: "allow-same-origin" }) : h("p", { class: "note" }, "The report is being written."),
      h("aside", { class: "side" }, h("h2", {}, "Take it with you"),
        h("div", { class: "buttons" }, h("a", { class: "button main", href: at("/all.zip"), download: true }, "Everything (zip)"), has("report.pdf") ? link("report.pdf", "Report (PDF)") : null, has("report.html") ? link("report.html", "Report (page)") : null),
        store.test.results?.stale ? h("p", { class: "banner" }, "The record has changed since this report was written.") : null,
        h("h2", {}, "Files"), h("ul", { class: "files" }, files.map((f) => h("li", {}, link(f.path, f.path), h("span", { class: "bytes" }, bytes(f.bytes)))))));
    return undefined;
  };
  build();
  return on("results", build);
}
