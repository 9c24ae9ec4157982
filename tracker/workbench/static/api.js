// Talk to the server on this machine.

/** What the server refused: message is one sentence, status its number. */
export class Refusal extends Error {
  constructor(status, details) {
    const where = details.where ? `${details.where.split("/").pop()}: ` : "";
    super(
      details.what
        ? `${where}${details.what}${details.remedy ? `; ${details.remedy}` : ""}.`
        : `The workbench answered ${status}.`,
    );
    this.status = status;
    this.details = details;
  }
}

async function answer(response) {
  if (response.ok) return response.json();
  let details = {};
  try {
    details = await response.json();
  } catch {
    /* it holds no JSON */
  }
  throw new Refusal(response.status, details);
}

async function reach(path, options) {
  try {
    return await fetch(path, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refusal(0, {
      what: "the workbench does not answer",
      remedy: "start `impactfilm open` again; nothing saved is lost",
    });
  }
}

/**
 * What an address of the workbench answers.
 * @param {string} path
 * @returns {Promise<any>} the JSON it sends; rejects with a `Refusal`
 */
export async function get(path) {
  return answer(await reach(path, { cache: "no-store" }));
}

/**
 * Send JSON to an address of the workbench.
 * @param {string} path
 * @param {object} [body]
 * @returns {Promise<any>} the JSON it answers; rejects with a `Refusal`
 */
export async function post(path, body = {}) {
  return answer(
    await reach(path, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
    }),
  );
}

/**
 * Grey levels of a frame as they are in the film.
 * @param {string} path
 * @param {boolean} deep more than eight bits
 * @param {AbortSignal} signal
 * @returns {Promise<Uint8Array|Uint16Array>}
 */
export async function grey(path, deep, signal) {
  const response = await reach(path, { cache: "no-store", signal });
  if (!response.ok) return answer(response);
  const data = await response.arrayBuffer();
  return deep ? new Uint16Array(data) : new Uint8Array(data);
}

/**
 * Notify of changes: record, results or analysis have changed.
 * @param {string} path
 * @param {(message: {job: object, revision: string}) => void} onMessage
 * @param {(silent: boolean) => void} onSilence whether the workbench has stopped answering
 * @returns {EventSource}
 */
export function listen(path, onMessage, onSilence) {
  const source = new EventSource(path);
  source.onmessage = (event) => {
    onSilence(false);
    onMessage(JSON.parse(event.data));
  };
  source.onerror = () => onSilence(true);
  return source;
}
