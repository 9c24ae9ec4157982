// A button that is pressed stays on the page until it is let go: a state that comes meanwhile waits.

const LONGEST = 5000; // ms that a state waits

let pressed = false,
  waiting = [];

addEventListener("pointerdown", press, true);
for (const end of ["pointerup", "pointercancel", "dragend", "blur"]) addEventListener(end, release, true);

function press(event) {
  pressed = event.target instanceof Element && !!event.target.closest("button, a, label");
}

/** The click comes after the release, so whoever waits goes on after both. */
function release(event) {
  if (event.type === "blur" && event.target !== window) return;
  pressed = false;
  const ready = waiting;
  waiting = [];
  setTimeout(() => ready.forEach((go) => go()));
}

/**
 * Wait until no button is pressed.
 * @returns {Promise<void>}
 */
export function pressEnded() {
  if (!pressed) return Promise.resolve();
  return new Promise((go) => {
    waiting.push(go);
    setTimeout(go, LONGEST);
  });
}
