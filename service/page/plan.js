// Which fab carries an artwork best, before anything is made: fabs ranked, their boards side by side, what to change.
import { answer } from "./api.js";
import { fill, h, number, percent, say, trouble } from "./dom.js";

/** What the uncertainty of the references lets one say of a board beside the best one. */
function standing(board) {
  if (board.place === 1 && board.behind_best.mean === 0) return "best";
  if (board.behind_best.as_good_as_best) return "can't be told from the best";
  return `${number(board.behind_best.mean)} ± ${number(board.behind_best.uncertainty)} behind the best`;
}

const figure = (src, alt, ...caption) => h("figure", {}, h("a", { href: src, target: "_blank", rel: "noopener" }, h("img", { src, alt: `${alt} (opens a new tab)`, loading: "lazy" })), h("figcaption", {}, ...caption));

function boardOf(board, choose) {
  const missing = board.out_of_reach.of_finishes;
  return h(
    "li",
    { "data-fab": board.fab.id, "data-place": board.place },
    figure(
      board.picture,
      `The artwork as ${board.fab.id} would show it`,
      h("strong", {}, `${board.place}. ${board.fab.id}`),
      h("span", { class: "soft" }, ` ${[board.fab.plating, board.fab.solder_mask && `mask ${board.fab.solder_mask}`].filter(Boolean).join("; ")}`),
    ),
    h("p", {}, `error ${number(board.expected_s_cielab.mean)} ± ${number(board.uncertainty)}: `, h("strong", {}, standing(board))),
    h("p", { class: "soft" }, missing ? `${percent(missing)} of the colours lie far from every finish. ` : "", `${board.finishes.needed} finishes carry it. ${board.edges === "dither" ? "A fine mixture" : "Hard regions"}: ${board.edges_reason}.`),
    board.too_thin.length ? h("p", {}, `Too thin: ${board.too_thin.map((one) => `${one.finish} at ${one.places} places (limit ${number(one.limit_mm)} mm)`).join("; ")}.`) : null,
    h("button", { type: "button", "aria-label": `Use ${board.fab.id}`, on: { click: () => choose(board.fab.id) } }, "Use this fab"),
  );
}

/** A section that plans; `wish()` gives the form to send, or null, and `choose` takes the id of a fab. */
export function planner(wish, choose) {
  const told = h("div", { role: "status" });
  const result = h("div", { class: "plan" });
  let gone = new AbortController();
  const make = h("button", { type: "button", on: { click: plan } }, "Compare all fabs");

  async function plan() {
    const form = await wish();
    if (!form) return fill(told, h("p", { class: "soft" }, "Choose an artwork first."));
    gone.abort();
    gone = new AbortController();
    const { signal } = gone;
    make.disabled = true;
    fill(told, h("p", { class: "soft" }, "A worker looks at each fab …"));
    try {
      show(await answer("/v1/plans", { method: "POST", form, signal, own: true }));
      fill(told);
    } catch (error) {
      if (error.name === "AbortError") return;
      fill(result);
      fill(told, trouble(error.message));
    } finally {
      make.disabled = false;
    }
  }

  function show(found) {
    const alike = found.boards.filter((board) => board.place === 1).length;
    const file = (name) => `/v1/jobs/${found.job}/files/${name}`;
    found.files ||= { artwork: file("artwork.png"), page: file("plan.html"), recoloured: file("recoloured.png"), recoloured_svg: found.artwork.format === "SVG" ? file("recoloured.svg") : null };
    for (const board of found.boards) board.picture ||= file(`boards/${board.fab.id}.png`);
    for (const one of found.advice) if (!one.picture.startsWith("/")) one.picture = file(one.picture);
    fill(
      result,
      h("p", {}, `${found.boards.length} fabs, the lowest expected error first, seen from ${number(found.viewing_distance_mm, 0)} mm. `, alike > 1 ? `The first ${alike} can't be told apart by what is known of their finishes: ± is what the error may be off by, in 95 of 100 cases.` : "± is what the error may be off by, in 95 of 100 cases."),
      h("ol", { class: "boards" }, h("li", {}, figure(found.files.artwork, "The artwork", h("strong", {}, "The artwork"))), found.boards.map((board) => boardOf(board, choose))),
      h("h3", {}, "What to change in the artwork"),
      found.advice.length
        ? h("ul", { class: "boards advice" }, found.advice.map((one) => h("li", {}, figure(one.picture, `Places of this: ${one.text}`, one.text))))
        : h("p", {}, "Nothing: no two colours merge, no gradient turns to steps, no stroke is too thin."),
      found.warnings.length ? h("ul", {}, found.warnings.map((text) => h("li", {}, text))) : null,
      h(
        "p",
        { class: "row" },
        h("a", { class: "button", href: found.files.recoloured, download: true }, "Artwork in the best board's colours (PNG)"),
        found.files.recoloured_svg ? h("a", { class: "button", href: found.files.recoloured_svg, download: true }, "The same as a drawing (SVG)") : null,
        h("a", { class: "button", href: found.files.page, target: "_blank", rel: "noopener" }, "The plan by itself (opens a new tab)"),
      ),
      h("p", { class: "hint" }, "The pictures are kept for an hour."),
    );
    result.dataset.boards = String(found.boards.length);
    say(`${found.boards.length} fabs compared. First: ${found.boards[0].fab.id}.`);
  }

  const root = h("section", { class: "card planner", "aria-label": "Which fab?" }, h("h2", {}, "Which fab?"), h("p", { class: "soft" }, "How well each of your fabs would show this artwork at this size, before anything is made."), make, told, result);
  return { root, stop: () => gone.abort(), clear: () => (gone.abort(), fill(told), fill(result)) };
}
