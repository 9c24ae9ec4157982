// Films or a folder dropped on the first page, or chosen there.
//
// The browser gives names and lengths of what is dropped, not where it lies. It is looked for among the folders
// near the one shown; what isn't there can be copied into a new folder.

import { post } from "./api.js";
import { ask, bytes, showStatus } from "./dom.js";
import { store } from "./store.js";

/**
 * Let films and folders be dropped on an element.
 * @param {HTMLElement} root
 * @param {(files: File[], folder: string|null) => void} take gets the files, and the name of a dropped folder
 */
export function acceptDrops(root, take) {
  root.addEventListener("dragover", (event) => {
    event.preventDefault();
    root.classList.add("dropping");
  });
  root.addEventListener("dragleave", (event) => {
    if (!root.contains(event.relatedTarget)) root.classList.remove("dropping");
  });
  root.addEventListener("drop", async (event) => {
    event.preventDefault();
    root.classList.remove("dropping");
    const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
    const folder = entries.find((entry) => entry.isDirectory);
    take(folder ? await filesIn(folder) : [...event.dataTransfer.files], folder?.name ?? null);
  });
}

/** The files that lie in a dropped folder itself. */
async function filesIn(folder) {
  const reader = folder.createReader(),
    files = [];
  for (;;) {
    const some = await new Promise((done, fail) => reader.readEntries(done, fail));
    if (!some.length) return files;
    for (const entry of some) if (entry.isFile) files.push(await new Promise((done, fail) => entry.file(done, fail)));
  }
}

/**
 * Find dropped films, or copy them into a new folder that the user names.
 * @param {File[]} files
 * @param {string|null} folder name of the folder that was dropped
 * @param {string} at the folder shown
 * @param {(place: string) => string} brief how a place is shown
 * @param {object} line as of `underWay`
 * @returns {Promise<{at: string, copied: boolean}|null>} the folder in which they lie; null where they don't
 */
export async function placeOf(files, folder, at, brief, line) {
  const ends = (file, ending) => file.name.toLowerCase().endsWith(ending);
  const taken = files.filter((file) => store.choices.endings.some((ending) => ends(file, ending))),
    list = taken.map((file) => ({ name: file.name, size: file.size }));
  if (!list.length) {
    showStatus("No film is among what was dropped.", "bad");
    return null;
  }
  try {
    const { folders } = await post("/api/dropped", { files: list, near: at });
    const found = folders.find((place) => folder === null || place.split("/").pop() === folder);
    if (found) {
      const others = folders.length > 1 ? `; also in ${folders.filter((f) => f !== found).map(brief).join(", ")}` : "";
      showStatus(`Found in ${brief(found)}${others}.`);
      return { at: found, copied: false };
    }
    if (files.some((file) => file.name === "record.toml")) {
      showStatus(`A browser doesn't reveal where ${folder ?? "the folder"} lies: type its path to open it.`, "bad");
      return null;
    }
    return await copy(taken, list, folder, at, brief, line);
  } catch (problem) {
    showStatus(problem.message, "bad");
    return null;
  }
}

async function copy(files, list, folder, at, brief, line) {
  const total = files.reduce((sum, file) => sum + file.size, 0);
  const got = await ask(
    "Copy into a new folder",
    [{ name: "path", label: "New folder", value: `${brief(at)}/${folder ?? "new-test"}`, required: true }],
    `Copy ${bytes(total)}`,
    `A browser doesn't reveal where these files lie, and they are in none of the folders near ${brief(at)}: ` +
      `${list.map((file) => file.name).join(", ")}. To leave them where they are, leave this and type their folder.`,
  );
  if (!got?.path) return null;
  const begun = await post("/api/arrivals", { path: got.path, files: list });
  let before = 0,
    under = null,
    stopped = false;
  const stop = () => {
    stopped = true;
    under?.abort();
  };
  let whole = true;
  for (let i = 0; i < files.length && whole && !stopped; i += 1) {
    const show = (done) => line.show(`Copying ${files[i].name}`, before + done, total, stop);
    show(0);
    under = new XMLHttpRequest();
    whole = await sent(under, `/api/arrivals/${begun.id}/${i}`, files[i], show);
    before += files[i].size;
  }
  line.hide();
  await post(`/api/arrivals/${begun.id}`, { keep: whole && !stopped });
  if (stopped) showStatus("Cancelled; what was copied is gone again.");
  else if (!whole) showStatus("The files could not be copied whole; what was copied is gone again.", "bad");
  return whole && !stopped ? { at: begun.at, copied: true } : null;
}

/** Send one file; whether it arrived whole. */
function sent(request, path, file, show) {
  return new Promise((done) => {
    request.open("PUT", path);
    request.upload.onprogress = (event) => show(event.loaded);
    request.onload = () => done(request.status === 200 && JSON.parse(request.responseText).whole === true);
    request.onerror = request.onabort = () => done(false);
    request.send(file);
  });
}
