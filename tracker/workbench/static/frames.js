// Frames of one film: the newest wish wins, neighbours are fetched ahead, the latest are kept.

import { grey } from "./api.js";

const KEPT_BYTES = 160e6;
const AHEAD = [1, 2, 3, -1];

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
  }

  /** Ask for a frame; a wish that is not met yet is forgotten. */
  want(frame) {
    if (this.wanted !== null && frame !== this.wanted) this.way = Math.sign(frame - this.wanted);
    this.wanted = frame;
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
        const data = await grey(`${this.path}/${next}?film=${this.film.key}`, this.film.bits > 8);
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
