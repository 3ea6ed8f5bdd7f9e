// Lay results on one panel for the fab: a form whose panel is a job of its own.
import { get } from "./api.js";
import { choice, field, group, fill, h, select, trouble } from "./dom.js";

/** The form; `piece` says what lies on the panel: { job } or { collection }. `count` is what is offered first. */
export function panelForm(piece, { series = false } = {}) {
  const mm = (label, value) => field(label, h("input", { type: "number", min: "1", step: "any", value: String(value), inputmode: "decimal" }));
  const [width, height, rail, spacing] = [mm("Panel's width in mm", 100), mm("Panel's height in mm", 100), mm("Rails in mm", 8), mm("Between pieces in mm", 2.4)];
  const many = field("How many", h("input", { type: "number", min: "1", step: "1", value: "", inputmode: "numeric" }), { hint: series ? "of each; one if nothing is said" : "as many as fit if nothing is said" });
  const join = field("Held by", select([["tabs", "breakaway tabs"], ["scores", "scores (rectangles, edge to edge)"], ["loose", "nothing: routed free"]]));
  const more = group("Also", {}, h("div", { class: "choices" }, choice("checkbox", "numbers on the back", { value: "numbering", checked: true }), choice("checkbox", "fiducial marks", { value: "fiducials" }), choice("checkbox", "tooling holes", { value: "tooling_holes" })));
  const told = h("div", { role: "status" });
  const form = h(
    "form",
    {
      novalidate: true,
      "aria-label": "A panel",
      on: {
        submit: async (event) => {
          event.preventDefault();
          fill(told);
          const scored = join.control.value === "scores";
          const wanted = {
            size: [Number(width.control.value), Number(height.control.value)],
            join: join.control.value,
            spacing: scored ? 0 : Number(spacing.control.value),
            rails: { all: Number(rail.control.value) },
            pieces: [{ ...piece, count: many.control.value ? Number(many.control.value) : series ? 1 : "fill" }],
          };
          for (const box of more.querySelectorAll("input:checked")) wanted[box.value] = {};
          try {
            const job = await get("/v1/panels", { method: "POST", json: wanted });
            location.hash = `#/jobs/${job.id}`;
          } catch (error) {
            fill(told, trouble(error.message));
          }
        },
      },
    },
    h("div", { class: "triple" }, width, height, rail),
    h("div", { class: "triple" }, join, spacing, many),
    more,
    h("button", { class: "main" }, "Lay them on a panel"),
    told,
    h("p", { class: "hint" }, "Breaking pieces out makes glass dust and sharp edges: work wet or with extraction, wear a dust mask and goggles. Local codes and licensed practice decide."),
  );
  return form;
}

/** A result's tab: the form, or first the files for the fab where it has none. */
export async function show(body, job) {
  if (job.settings.fabrication === "on") {
    fill(body, h("section", { class: "card" }, h("h2", {}, "Many of it on one panel"), panelForm({ job: job.id })));
    return;
  }
  const { formOf } = await import("./job.js");
  const told = h("div");
  const make = async (event) => {
    event.target.disabled = true;
    try {
      const made = await get("/v1/jobs", { method: "POST", form: formOf(job, { fabrication: "on" }) });
      location.hash = `#/jobs/${made.id}/panel`;
    } catch (error) {
      fill(told, trouble(error.message));
      event.target.disabled = false;
    }
  };
  fill(body, h("section", { class: "card" }, h("h2", {}, "Many of it on one panel"), h("p", {}, "A panel is made of results that have files for the fab. This one has none yet."), h("button", { type: "button", class: "main", on: { click: make } }, "Make this board again, with files for the fab"), told));
}
