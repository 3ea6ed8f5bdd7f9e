// Asking the service, whose errors are problem documents (RFC 9457) that say how to mend them.

/** An answer that is an error: `code` never changes, `message` says what is wrong and what to do, `setting` where. */
export class Problem extends Error {
  constructor(status, body) {
    super(body.detail || `The service answered ${status}.`);
    this.status = status;
    this.code = body.code || "";
    this.setting = body.setting || "";
  }
}

const listeners = [];
/** Call this when a key is asked for. */
export const onLockedOut = (call) => listeners.push(call);

/** The response, once it is a success. Raises Problem. */
export async function ask(path, { method = "GET", json, form, headers = {}, signal, accept = "application/json" } = {}) {
  let response;
  try {
    response = await fetch(path, {
      method,
      signal,
      headers: { Accept: accept, ...(json === undefined ? {} : { "Content-Type": "application/json" }), ...headers },
      body: json === undefined ? form : JSON.stringify(json),
    });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Problem(0, { detail: "The service does not answer. See whether it runs, then try again.", code: "away" });
  }
  if (response.ok) return response;
  let body = {};
  try {
    body = await response.json();
  } catch {
    // no problem document: a proxy answered
  }
  const problem = new Problem(response.status, body);
  // A key that is wrong is said in the form that took it.
  if (response.status === 401 && method !== "POST") for (const call of listeners) call(problem);
  throw problem;
}

/** The JSON of the answer. */
export const get = async (path, options) => (await ask(path, options)).json();

/** An answer that a worker gives: followed by its job where it takes longer than a request waits. `own` : nobody else waits for it. */
export async function answer(path, { own = false, ...options } = {}) {
  const response = await ask(path, options);
  const body = await response.json();
  if (response.status !== 202) return body;
  try {
    const job = await ended(body.id, options.signal);
    if (job.state !== "done") throw new Problem(500, job.error || { detail: `It was ${job.state}.` });
    return { job: job.id, ...job.result.answer };
  } catch (error) {
    if (own && error.name === "AbortError") ask(`/v1/jobs/${body.id}`, { method: "DELETE" }).catch(() => {});
    throw error;
  }
}

/** The states of a job that has not ended. */
export const WAITING = ["queued", "running"];

/** A job, once it has ended. */
export function ended(id, signal) {
  return new Promise((resolve, reject) => {
    const is = (job) => !WAITING.includes(job.state);
    const stop = follow(`/v1/jobs/${id}/events`, "job", (job) => is(job) && resolve(job), is, () => get(`/v1/jobs/${id}`, { signal }).then((job) => (is(job) ? resolve(job) : reject(new Problem(0, { detail: "The service does not tell how it goes on. Try again." }))), reject));
    const leave = () => {
      stop();
      reject(new DOMException("no longer wanted", "AbortError"));
    };
    if (signal?.aborted) leave();
    signal?.addEventListener("abort", leave, { once: true });
  });
}

/** The answer of a look or a draft, with the addresses of its pictures. */
export async function look(path, options) {
  const found = await answer(path, options);
  const file = (name) => `/v1/jobs/${found.job}/files/${name}.png`;
  found.pictures ||= {
    artwork: file("artwork"), board: file("board"), clusters: file("clusters"), error: file("error"),
    eye_artwork: file("eye-artwork"), eye_board: file("eye-board"),
  };
  return found;
}

/** Follow server-sent events of this name until `until` says so, or `lost` is called; returns a function that stops. */
export function follow(path, name, each, until, lost = () => {}) {
  const source = new EventSource(path);
  source.addEventListener(name, (event) => {
    const told = JSON.parse(event.data);
    each(told);
    if (until(told)) source.close();
  });
  source.addEventListener("error", () => source.readyState === EventSource.CLOSED && lost()); // otherwise it tries again
  return () => source.close();
}
