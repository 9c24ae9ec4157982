// How films are shown; kept in this browser.

import { emit } from "./store.js";

const KEY = "impactfilm-options";
const usual = {
  marks: true,
  names: true,
  ellipses: true,
  enlarged: 50,
  trails: false,
  trail: 40,
  residuals: true,
  gain: 20,
  outline: true,
  rate: 25,
  plot: "vx",
};

function read() {
  try {
    return JSON.parse(localStorage.getItem(KEY)) ?? {};
  } catch {
    return {};
  }
}

/** How films are shown. */
export const options = { ...usual, ...read(), contrast: {}, plain: { low: 0, high: 1, gamma: 1 } };

/**
 * Change an option; this browser remembers it.
 * @param {string} name
 * @param {any} value
 */
export function choose(name, value) {
  options[name] = value;
  const kept = Object.fromEntries(Object.keys(usual).map((k) => [k, options[k]]));
  try {
    localStorage.setItem(KEY, JSON.stringify(kept));
  } catch {
    /* it is only a convenience */
  }
  emit("options");
}

/**
 * Light, dark, or as the system has it.
 * @param {"light"|"dark"|"system"} [next] without it nothing changes
 * @returns {string} what holds now
 */
export function theme(next) {
  if (next !== undefined) {
    try {
      localStorage.setItem("impactfilm-theme", next);
    } catch {
      /* as above */
    }
  }
  let now = next;
  try {
    now ??= localStorage.getItem("impactfilm-theme");
  } catch {
    /* as above */
  }
  if (now === "light" || now === "dark") document.documentElement.dataset.theme = now;
  else delete document.documentElement.dataset.theme;
  emit("options");
  return now ?? "system";
}
