// Talk to the server on this machine.

/** What the server refused: message is one sentence, status its number. */
export class Refusal extends Error {
  constructor(status, told) {
    const where = told.where ? `${told.where.split("/").pop()}: ` : "";
    super(told.what ? `${where}${told.what}${told.remedy ? `; ${told.remedy}` : ""}.` : `The workbench answered ${status}.`);
    this.status = status;
    this.told = told;
  }
}

async function answer(response) {
  if (response.ok) return response.json();
  let told = {};
  try { told = await response.json(); } catch { /* no words came with it */ }
  throw new Refusal(response.status, told);
}

async function reach(path, options) {
  try {
    return await fetch(path, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refusal(0, { what: "the workbench does not answer", remedy: "start `impactfilm open` again; nothing saved is lost" });
  }
}

export async function get(path) {
  return answer(await reach(path, { cache: "no-store" }));
}

export async function post(path, body = {}) {
  return answer(await reach(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  }));
}

/** Grey levels of a frame as they are in the film. */
export async function grey(path, deep, signal) {
  const response = await reach(path, { cache: "no-store", signal });
  if (!response.ok) return answer(response);
  const data = await response.arrayBuffer();
  return deep ? new Uint16Array(data) : new Uint8Array(data);
}

/** Hear of news: record, results or analysis have changed. */
export function listen(path, hear, silent) {
  const source = new EventSource(path);
  source.onmessage = (event) => { silent(false); hear(JSON.parse(event.data)); };
  source.onerror = () => silent(true);
  return source;
}
