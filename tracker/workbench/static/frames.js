// Frames of one film: the newest wish wins, neighbours are fetched ahead, the latest are kept.

import { grey } from "./api.js";

const KEPT_BYTES = 160e6;
const AHEAD = [1, 2, 3, -1];
const PAUSE = 150; // ms after a leap before neighbours are fetched

/** Fetches frames of a film: the newest wish wins. */
export class Frames {
  /**
   * @param path address of the film's frames without the frame number
   * @param film {frames, width, height, bits, key}
   * @param arrived called with (frame, grey levels) when the wanted frame is there
   */
  constructor(path, film, arrived, failed) {
    this.path = path;
    this.film = film;
    this.arrived = arrived;
    this.failed = failed;
    this.held = new Map();
    this.most = Math.max(8, Math.floor(KEPT_BYTES / (film.width * film.height * (film.bits > 8 ? 2 : 1))));
    this.wanted = null;
    this.busy = false;
    this.way = 1;
    this.rest = 0;
    this.ahead = null; // the frame being fetched that nobody waits for
  }

  /** Ask for a frame; a wish that is not met yet is forgotten. */
  want(frame) {
    const by = this.wanted === null ? 1 : frame - this.wanted;
    if (by) this.way = Math.sign(by);
    if (by) this.rest = performance.now() + (Math.abs(by) > 3 ? PAUSE : 0);
    this.wanted = frame;
    if (this.ahead !== null && this.ahead !== frame) this.stop?.abort(); // a person waits for another one
    const held = this.held.get(frame);
    if (held) {
      this.held.delete(frame);
      this.held.set(frame, held);
      this.arrived(frame, held);
    }
    this.go();
  }

  async go() {
    if (this.busy) return;
    this.busy = true;
    try {
      for (let next = this.next(); next !== null; next = this.next()) {
        this.ahead = next === this.wanted ? null : next;
        this.stop = new AbortController();
        const data = await grey(
          `${this.path}/${next}?film=${this.film.key}`,
          this.film.bits > 8,
          this.stop.signal,
        ).catch((problem) => {
          if (problem.name === "AbortError") return null;
          throw problem;
        });
        this.ahead = null;
        if (!data) continue;
        this.keep(next, data);
        if (next === this.wanted) this.arrived(next, data);
      }
    } catch (problem) {
      this.failed(problem);
    } finally {
      this.busy = false;
    }
  }

  next() {
    if (this.wanted === null) return null;
    if (!this.held.has(this.wanted)) return this.wanted;
    const wait = this.rest - performance.now();
    if (wait > 0) {
      // after a leap the next one is more likely elsewhere than near
      clearTimeout(this.later);
      this.later = setTimeout(() => this.go(), wait);
      return null;
    }
    for (const step of AHEAD) {
      const near = this.wanted + step * this.way;
      if (near >= 0 && near < this.film.frames && !this.held.has(near)) return near;
    }
    return null;
  }

  keep(frame, data) {
    this.held.set(frame, data);
    if (this.held.size > this.most) this.held.delete(this.held.keys().next().value);
  }
}
