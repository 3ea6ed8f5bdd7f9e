// All collections, newest first.
import { get } from "./api.js";
import { fill, h, moment, trouble } from "./dom.js";
import { STATES } from "./jobs.js";

/** Counts in words, such as "12 done, 3 failed". */
export const inWords = (counts) => Object.entries(counts).filter(([, count]) => count).map(([state, count]) => `${count} ${STATES[state]}`).join(", ") || "empty";

/** A collection's progress as a bar; its label says the same in words. */
export function progressOf(one) {
  const ended = one.artworks - one.counts.queued - one.counts.running;
  return h("progress", { class: "long", max: Math.max(1, one.artworks), value: ended, "aria-label": `${one.name}: ${ended} of ${one.artworks} ended` });
}

export async function show(view) {
  const list = h("ul", { class: "plain" });
  const more = h("button", { type: "button", hidden: true }, "Show older collections");
  const wrong = h("div");
  let next = "/v1/collections?limit=50";
  async function load() {
    try {
      const page = await get(next);
      list.append(...page.collections.map((one) => h(
        "li",
        { class: "card", "data-collection": one.id },
        h("h2", {}, h("a", { href: `#/collections/${one.id}` }, one.name)),
        h("p", {}, `${one.artworks} artworks: ${inWords(one.counts)}. `, h("span", { class: "soft" }, `${one.fab.id}, ${moment(one.created)}`)),
        progressOf(one),
      )));
      next = page.next;
      more.hidden = !next;
      if (!list.children.length) fill(wrong, h("p", { class: "empty" }, "Nothing here yet. ", h("a", { href: "#/submit" }, "Submit a folder or several files.")));
    } catch (error) {
      fill(wrong, trouble(error.message));
    }
  }
  more.addEventListener("click", load);
  fill(view, h("h1", {}, "Collections"), wrong, list, more);
  await load();
}
