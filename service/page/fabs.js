// All fab profiles.
import { get } from "./api.js";
import { fill, h, moment } from "./dom.js";

export async function show(view) {
  const { fabs } = await get("/v1/fabs");
  fill(
    view,
    h("h1", {}, "Fabs"),
    h("p", { class: "soft" }, "Each has its finishes, their colours as they were read, and its limits."),
    h("ul", { class: "plain" }, fabs.map((fab) => h(
      "li",
      { class: "card", "data-fab": fab.id },
      h("h2", {}, h("a", { href: `#/fabs/${fab.id}` }, fab.id)),
      h("p", {}, fab.name),
      h("p", { class: "soft" }, `${fab.fab}. ${fab.finishes.length} finishes, ${fab.plating}${fab.lead_free ? ", lead-free" : ""}; edited ${moment(fab.updated)}`),
    ))),
  );
}
