// Lines and words that show on light and dark ground.

/**
 * Stroke twice, so that a line shows on light and dark ground.
 * @param {CanvasRenderingContext2D} pen
 * @param {string} ink
 * @param {number} [width] px
 * @param {number[]} [dash]
 */
export function stroke(pen, ink, width = 1.5, dash = []) {
  pen.setLineDash(dash);
  pen.strokeStyle = "rgba(0,0,0,0.75)";
  pen.lineWidth = width + 2;
  pen.stroke();
  pen.strokeStyle = ink;
  pen.lineWidth = width;
  pen.stroke();
  pen.setLineDash([]);
}

/**
 * A text that shows on light and dark ground.
 * @param {CanvasRenderingContext2D} pen
 * @param {string} text
 * @param {number} x
 * @param {number} y
 * @param {string} ink
 */
export function label(pen, text, x, y, ink) {
  pen.lineWidth = 3;
  pen.strokeStyle = "rgba(0,0,0,0.8)";
  pen.strokeText(text, x, y);
  pen.fillStyle = ink;
  pen.fillText(text, x, y);
}
