// Tune: click a colour of the art, see where it went and how surely, pin it elsewhere and see that at once.
import { get, look } from "./api.js";
import { field, fill, h, number, percent, say, select, swatch, tint, trouble } from "./dom.js";
import { formOf } from "./job.js";
import { picturesOf, sideChoice } from "./look.js";
import { boardPicture, clusterPicture, errorOf, loadLook, valueAt } from "./pictures.js";
import { viewer } from "./viewer.js";

const NONE = 255;

export async function show(body, job) {
  if (job.kind === "piece") {
    fill(
      body,
      h(
        "section",
        { class: "card" },
        h("h2", {}, "A series is tuned as a whole"),
        h("p", {}, "A piece of a series keeps each colour in the finish that all pieces share; pinned by itself, it would flicker beside the others."),
        h("ul", {}, h("li", {}, h("a", { href: "#/submit" }, "Submit the series again"), " with fewer finishes, or more contrast."), h("li", {}, "To pin a colour in all pieces, send the same artworks to POST /v1/collections with ", h("code", {}, "series=on"), " and ", h("code", {}, "pin=#RRGGBB=finish"), "."), h("li", {}, "The finishes' own colours are tuned where they are: ", h("a", { href: `#/fabs/${job.fab.id}?job=${job.id}` }, `fab ${job.fab.id}`), ".")),
      ),
    );
    body.dataset.shown = "series";
    return undefined;
  }
  let side = "top";
  let found = null; // of the job
  let draft = null; // of the job with these pins
  let pins = [...(job.settings.pin || [])];
  const before = pins.join();
  const undone = [];
  const shown = viewer({ picked: (x, y) => pick(x, y) });
  const wait = h("p", { class: "soft", role: "status" }, "A worker makes the pictures …");
  const details = h("section", { class: "card", "aria-label": "The colour" }, h("h2", {}, "The colour"), h("p", { class: "soft" }, "Click a colour of the artwork, or choose one in the list."));
  const pinned = h("section", { class: "card", "aria-label": "Pins" });
  const colours = h("section", { class: "card list-card" });
  fill(body, h("div", { class: "bench wide-right tuning" }, h("div", { class: "card view-card" }, wait, shown.root), h("div", { class: "stack side-cards" }, sideChoice(job, (one) => ((side = one), start())), details, pinned), colours), job.settings.palette === "shared" ? h("p", { class: "note" }, "This artwork shared one palette with others. With pins it is made by itself, with a palette of its own.") : null, h("p", {}, "The fab's own colours are tuned where its finishes are: ", h("a", { href: `#/fabs/${job.fab.id}?job=${job.id}` }, `fab ${job.fab.id}`), "."));

  async function start() {
    shown.root.hidden = true;
    wait.hidden = false;
    try {
      found = await picturesOf(job, side);
    } catch (error) {
      if (error.name !== "AbortError") fill(details, trouble(error.message));
      return;
    } finally {
      wait.hidden = true;
    }
    shown.root.hidden = false;
    showBoth();
    listColours();
    listPins();
    body.dataset.shown = side;
  }

  const current = () => draft || found;
  const finishOf = (id) => found.look.finishes.find((finish) => finish.id === id);

  function showBoth(left = found.artwork, name = "Artwork") {
    shown.show({ grid: found.look.grid, left, right: stepped(boardPicture(current())), names: [name, draft ? "Draft with these pins" : "Board"] });
  }
  /** A draft's grid is coarser: its pixels are more of the board's. */
  function stepped(right) {
    return { ...right, step: found.look.grid.width_px / right.picture.width };
  }

  async function pick(x, y) {
    const clusters = await found.clusters();
    const id = valueAt(clusters, found.look.shown.step_px, x, y);
    choose(found.look.clusters.find((one) => one.id === id), errorOf(valueAt(await found.error(), found.look.error_map.step_px, x, y)));
  }

  async function choose(cluster, here = null) {
    if (!cluster) {
      fill(details, h("h2", {}, "The colour"), h("p", {}, "There is no colour of the artwork here: it is transparent, or off the board."));
      return;
    }
    showBoth(clusterPicture(found, await found.clusters(), cluster.id), "Where this colour is");
    for (const row of colours.querySelectorAll("tr")) row.toggleAttribute("aria-current", row.dataset.cluster === String(cluster.id));
    const finish = finishOf(cluster.finish);
    const second = finishOf(cluster.second_finish);
    const to = field("Pin it to", select(found.look.finishes.map((one) => [one.id, one.name]), cluster.second_finish || cluster.finish));
    const reach = field("Colours as near as", h("input", { type: "number", min: "0", max: "100", step: "any", value: "5", inputmode: "decimal" }), { hint: "CIEDE2000; all of them go along" });
    fill(
      details,
      h("h2", {}, "The colour"),
      h("p", {}, tint(cluster.colour, h("strong", {}, cluster.colour)), `, ${percent(cluster.share)} of the artwork`),
      h(
        "dl",
        { class: "facts" },
        h("dt", {}, "cluster"), h("dd", {}, `${cluster.id + 1} of ${found.look.clusters.length}`),
        h("dt", {}, "goes to"), h("dd", {}, tint(finish.colour, finish.name), cluster.pinned ? " (pinned)" : ""),
        h("dt", {}, "error"), h("dd", {}, `${number(cluster.delta_e, 1)}, colour against finish`, here === null ? "" : `; ${here >= 20 ? "20 or more" : number(here, 1)} as seen at this place`),
        h("dt", {}, "second choice"), h("dd", {}, second ? tint(second.colour, second.name) : "none"),
        h("dt", {}, "margin"), h("dd", {}, cluster.margin === null ? "–" : `${number(cluster.margin, 1)}, ${cluster.certain ? "surely" : "not surely: the references may be off by"} ${cluster.certain || cluster.uncertainty === null ? "" : number(cluster.uncertainty, 1)}`),
      ),
      h("form", { on: { submit: (event) => (event.preventDefault(), pin(`${cluster.colour}~${Number(reach.control.value)}=${to.control.value}`)) } }, to, reach, h("button", { class: "main" }, "Pin, and see a draft")),
    );
    say(`${cluster.colour} goes to ${finish.name}, error ${number(cluster.delta_e, 1)}.`);
  }

  function pin(text) {
    undone.push([...pins]);
    pins = [...pins.filter((one) => one.slice(0, 7) !== text.slice(0, 7)), text];
    redraft();
  }

  let drafting = new AbortController();
  async function redraft() {
    drafting.abort();
    drafting = new AbortController();
    const { signal } = drafting;
    listPins("A draft is being made …");
    if (pins.join() === before) {
      draft = null;
      showBoth();
      return listPins();
    }
    try {
      const form = formOf(job, { pin: pins, fabrication: null });
      form.set("detail", "fine");
      form.set("side", side);
      draft = await loadLook(await look("/v1/drafts", { method: "POST", form, signal, own: true }), signal);
      showBoth();
      listPins();
      say(`Draft with pins: mean error ${number(draft.look.score.s_cielab.mean)}.`);
      body.dataset.pins = String(pins.length);
    } catch (error) {
      if (error.name === "AbortError") return;
      pins = undone.pop() || pins;
      listPins(null, error.message);
    }
  }

  function listPins(told = "", wrong = "") {
    const was = found.look.score.s_cielab.mean;
    const is = draft?.look.score.s_cielab.mean;
    const changed = pins.join() !== before;
    fill(
      pinned,
      h("h2", {}, "Pins"),
      pins.length ? h("ul", { class: "plain" }, pins.map((text) => h("li", {}, swatch(text.slice(0, 7)), `${text.replace("=", " in ")} `, h("button", { type: "button", class: "quiet", "aria-label": `Take the pin ${text} away`, on: { click: () => (undone.push([...pins]), (pins = pins.filter((one) => one !== text)), redraft()) } }, "take away")))) : h("p", { class: "soft" }, "None."),
      told ? h("p", { class: "soft", role: "status" }, told) : null,
      wrong ? trouble(wrong) : null,
      is === undefined ? null : h("p", { role: "status" }, `Mean error ${number(was)} before, ${number(is)} in the draft.`),
      h(
        "div",
        { class: "row" },
        h("button", { type: "button", class: "main", disabled: !changed, on: { click: make } }, "Make the board with these pins"),
        h("button", { type: "button", disabled: !undone.length, on: { click: () => ((pins = undone.pop()), redraft()) } }, "Undo"),
      ),
    );
  }

  async function make(event) {
    event.target.disabled = true;
    try {
      const made = await get("/v1/jobs", { method: "POST", form: formOf(job, { pin: pins }) });
      location.hash = `#/jobs/${made.id}`;
    } catch (error) {
      listPins("", error.message);
    }
  }

  function listColours() {
    fill(
      colours,
      h("h2", {}, "All colours"),
      h(
        "div",
        { class: "scroll", tabindex: "0", role: "region", "aria-label": "All colours, as a table" },
        h(
          "table",
          {},
          h("thead", {}, h("tr", {}, ["Colour", "Share", "Error", "Finish", "Second choice", "Margin"].map((text) => h("th", { scope: "col" }, text)))),
          h("tbody", {}, found.look.clusters.filter((one) => one.id !== NONE).map((one) => h(
            "tr",
            { "data-cluster": one.id },
            h("td", {}, h("button", { type: "button", class: "quiet", on: { click: () => choose(one) } }, swatch(one.colour), one.colour)),
            h("td", {}, percent(one.share)),
            h("td", {}, number(one.delta_e, 1)),
            h("td", {}, finishOf(one.finish).name),
            h("td", {}, finishOf(one.second_finish)?.name ?? "–"),
            h("td", {}, one.margin === null ? "–" : `${number(one.margin, 1)}${one.certain ? "" : " (unsure)"}`),
          ))),
        ),
      ),
    );
  }

  start();
  return () => drafting.abort();
}
