// How films are shown; kept in this browser.

import { tell } from "./store.js";

const KEY = "impactfilm-options";
const usual = { marks: true, names: true, ellipses: true, enlarged: 50, trails: false, trail: 40, residuals: true, gain: 20, outline: true, rate: 25, plot: "vx" };

function read() {
  try { return JSON.parse(localStorage.getItem(KEY)) ?? {}; } catch { return {}; }
}

export const options = { ...usual, ...read(), contrast: {}, plain: { low: 0, high: 1, gamma: 1 } };

export function choose(name, value) {
  options[name] = value;
  const kept = Object.fromEntries(Object.keys(usual).map((k) => [k, options[k]]));
  try { localStorage.setItem(KEY, JSON.stringify(kept)); } catch { /* it is only a convenience */ }
  tell("options");
}

/** Light, dark, or as the system has it. */
export function theme(next) {
  if (next !== undefined) {
    try { localStorage.setItem("impactfilm-theme", next); } catch { /* as above */ }
  }
  let now = next;
  try { now ??= localStorage.getItem("impactfilm-theme"); } catch { /* as above */ }
  if (now === "light" || now === "dark") document.documentElement.dataset.theme = now;
  else delete document.documentElement.dataset.theme;
  tell("options");
  return now ?? "system";
}
