// All results: jobs, newest first, with their progress.
import { get, WAITING } from "./api.js";
import { fill, h, moment, number, say, trouble } from "./dom.js";

export const STATES = { queued: "waiting", running: "at work", done: "done", failed: "failed", cancelled: "stopped", refused: "refused" };
const SIGNS = { queued: "○", running: "◐", done: "●", failed: "✕", cancelled: "–", refused: "✕" };

/** A state as a sign and a word. */
export const stateTag = (state) =>
  h("span", { class: `state ${state}` }, h("span", { "aria-hidden": "true" }, SIGNS[state] || "?"), ` ${STATES[state] || state}`);

/** How far a job is, as a bar with its stage in words. */
export function progressBar(job) {
  const progress = job.progress;
  if (job.state !== "running" || !progress) return null;
  return h("span", { class: "going" }, h("progress", { max: progress.of, value: progress.done, "aria-label": `Progress of ${job.artwork?.name ?? "the job"}` }), h("span", {}, progress.stage));
}

export async function show(view) {
  const list = h("ul", { class: "jobs" });
  const more = h("button", { type: "button", hidden: true }, "Show older results");
  const panels = h("section");
  const none = h("p", { class: "empty", hidden: true }, "Nothing here yet. ", h("a", { href: "#/submit" }, "Submit an artwork."));
  const wrong = h("div");
  fill(view, h("h1", {}, "Results"), wrong, list, none, more, panels);
  get("/v1/jobs?kind=panel&limit=50").then((page) => {
    if (page.jobs.length) fill(panels, h("h2", {}, "Panels"), h("ul", { class: "plain" }, page.jobs.map((job) => h("li", {}, h("a", { href: `#/jobs/${job.id}` }, job.result ? `${number(job.result.width_mm, 0)} × ${number(job.result.height_mm, 0)} mm, ${job.result.pieces} pieces` : "a panel"), " ", stateTag(job.state), h("span", { class: "soft" }, ` ${job.fab.id}, ${moment(job.created)}`)))));
  }, () => {});
  const rows = new Map();
  let next = null;
  let stopped = false;

  function row(job) {
    const error = job.score?.s_cielab?.mean;
    const item = h(
      "li",
      { "data-job": job.id },
      h(
        "a",
        { href: `#/jobs/${job.id}`, class: "name" },
        job.state === "done" && !job.expired ? thumbnail(job, 64) : h("span", { class: "thumb", "aria-hidden": "true" }),
        h("span", {}, job.artwork?.name ?? "artwork"),
      ),
      stateTag(job.state),
      progressBar(job) || h("span", { class: "figure" }, error === undefined ? "" : `error ${number(error)}`),
      h("span", { class: "soft" }, `${job.fab.id}, ${moment(job.created)}`),
      WAITING.includes(job.state) ? h("button", { type: "button", class: "quiet", "aria-label": `Stop ${job.artwork?.name}`, on: { click: () => stop(job) } }, "Stop") : null,
      job.error ? h("p", { class: "wrong" }, job.error.detail) : null,
    );
    return item;
  }

  async function stop(job) {
    try {
      put(await get(`/v1/jobs/${job.id}`, { method: "DELETE" }));
      say(`${job.artwork?.name} was stopped.`);
    } catch (error) {
      fill(wrong, trouble(error.message));
    }
  }

  function put(job, first = false) {
    const known = rows.get(job.id);
    if (known && known.version === job.version) return;
    const item = row(job);
    if (known) known.item.replaceWith(item);
    else if (first) list.prepend(item);
    else list.append(item);
    rows.set(job.id, { item, version: job.version, state: job.state });
  }

  async function load(path) {
    const page = await get(path);
    for (const job of page.jobs) put(job);
    next = page.next;
    more.hidden = !next;
    none.hidden = rows.size > 0;
  }

  async function look() {
    if (stopped) return;
    try {
      if (!document.hidden) {
        const page = await get("/v1/jobs?limit=50");
        for (const job of page.jobs.toReversed()) put(job, true);
        for (const [id, known] of rows) {
          if (WAITING.includes(known.state) && !page.jobs.some((job) => job.id === id)) put(await get(`/v1/jobs/${id}`));
        }
      }
    } catch (error) {
      if (error.status === 401) return;
    }
    setTimeout(look, [...rows.values()].some((known) => WAITING.includes(known.state)) ? 1000 : 4000);
  }

  more.addEventListener("click", () => load(next).catch((error) => fill(wrong, trouble(error.message))));
  await load("/v1/jobs?limit=50");
  setTimeout(look, 1000);
  return () => (stopped = true);
}

/** A finished job's small picture; of one that an earlier version made, which has none, the whole one. */
export const thumbnail = (job, size) => {
  const whole = () => (image.src = previewOf(job));
  const image = h("img", { src: previewOf(job).replace("preview.png", "thumbnail.png"), alt: "", loading: "lazy", width: size, height: size });
  image.addEventListener("error", whole, { once: true });
  return image;
};

/** Address of a finished job's picture. */
export const previewOf = (job) => `/v1/jobs/${job.id}/files/${job.bottom ? "top/" : ""}preview.png`;
