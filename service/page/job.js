// One result: how far it is, then looking, tuning and taking away.
import { ask, follow, get, WAITING } from "./api.js";
import { fill, h, moment, number, say, trouble } from "./dom.js";
import { progressBar, stateTag } from "./jobs.js";

const TABS = [["look", "Look", () => import("./look.js")], ["tune", "Tune", () => import("./tune.js")], ["panel", "Panel", () => import("./panel_form.js")], ["take", "Take away", () => import("./take.js")]];
const OF_PANEL = [["look", "Look", () => import("./panel.js")], ["take", "Take away", () => import("./take.js")]];

export async function show(view, [id, tab = "look"], session) {
  let job = await get(`/v1/jobs/${id}`);
  let leave = () => {};
  let stop = () => {};
  const head = h("div", { class: "facts-line" });
  const body = h("div");
  const views = job.kind === "panel" ? OF_PANEL : TABS;
  const called = job.artwork?.name ?? "Panel";
  const tabs = h("nav", { class: "tabs", "aria-label": "Of this result" }, views.map(([name, text]) => h("a", { href: `#/jobs/${id}/${name}`, "aria-current": name === tab ? "page" : undefined }, text)));
  fill(view, h("h1", {}, called), head, tabs, body);

  function tell() {
    const error = job.score?.s_cielab?.mean;
    fill(
      head,
      h("p", {}, stateTag(job.state), " ", progressBar(job), error === undefined ? null : h("span", {}, ` error ${number(error)} from ${job.score.viewing_distance_mm} mm, `), job.result?.width_mm ? `${number(job.result.width_mm, 1)}\u00a0×\u00a0${number(job.result.height_mm, 1)}\u00a0mm, ` : null, h("a", { href: `#/fabs/${job.fab.id}` }, job.fab.id), h("span", { class: "soft" }, `, ${moment(job.created)}`)),
    );
  }

  async function opened() {
    tell();
    tabs.hidden = job.state !== "done";
    if (job.state === "done") {
      if (job.expired) return fill(body, trouble("The files of this result were given up. Submit the artwork again."));
      const module = await (views.find(([name]) => name === tab) || views[0])[2]();
      try {
        leave = (await module.show(body, job, session)) || leave;
      } catch (error) {
        if (error.name !== "AbortError") fill(body, trouble(error.message));
      }
    } else if (job.error) fill(body, trouble(job.error.detail), h("p", {}, again()));
    else if (job.state === "cancelled") fill(body, h("p", {}, "It was stopped. ", again()));
    else {
      fill(
        body,
        h("p", { class: "soft" }, job.state === "queued" ? "It waits for a worker." : "A worker is at it. This page shows it as soon as it is done."),
        h("button", { type: "button", on: { click: () => ask(`/v1/jobs/${id}`, { method: "DELETE" }).then(() => say("Stopped."), (error) => body.append(trouble(error.message))) } }, "Stop it"),
      );
    }
  }

  /** Ask for the same again, of the files that the service still has. */
  function again() {
    if (job.kind === "panel") return h("button", { type: "button", on: { click: () => history.back() } }, "Back, to change the panel");
    if (job.kind !== "convert") return h("span", { class: "soft" }, "Try it again with all of its collection.");
    return h("button", {
      type: "button",
      on: {
        click: async () => {
          try {
            const made = await get("/v1/jobs", { method: "POST", form: formOf(job) });
            location.hash = `#/jobs/${made.id}`;
          } catch (error) {
            body.append(trouble(error.message));
          }
        },
      },
    }, "Try again");
  }

  await opened();
  if (WAITING.includes(job.state)) {
    stop = follow(`/v1/jobs/${id}/events`, "job", (told) => {
      const before = job.state;
      job = told;
      if (job.state === before) return tell();
      opened();
      say(`${called} is ${job.state}.`);
    }, (told) => !WAITING.includes(told.state));
  }
  return () => {
    stop();
    leave();
  };
}

/** A form that asks for a job's conversion again, with other settings where `changes` has them. */
export function formOf(job, changes = {}) {
  const form = new FormData();
  form.set("from_job", job.id);
  form.set("fab", job.fab.id);
  // What is shared with other artworks is chosen for this one alone.
  for (const [name, value] of Object.entries({ ...job.settings, palette: "each", ...changes })) {
    if (value === null || value === "") continue;
    for (const one of Array.isArray(value) ? value : [value]) form.append(name, one);
  }
  return form;
}
