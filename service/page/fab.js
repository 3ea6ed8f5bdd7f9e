// One fab: its references with readings, grade and spread; edits that lose nobody else's, history, imports, photographs.
import { answer, ask, get } from "./api.js";
import { field, fill, h, moment, number, say, select, swatch, trouble } from "./dom.js";

export const GRADES = { spectral: "measured, spectrum", colorimetric: "measured, CIELAB or XYZ", photo: "from a photograph", predicted: "predicted", assumed: "assumed, not measured" };
const NAME = "maskwright-name";

export async function show(view, [asked]) {
  const [id, query] = asked.split("?");
  const path = `/v1/fabs/${encodeURIComponent(id)}`;
  const state = { fab: null, references: null, opened: new Set(), job: new URLSearchParams(query).get("job") || "" };
  const head = h("div");
  const conflict = h("div");
  const cards = h("div", { class: "stack" });
  const history = h("section", { class: "card", "aria-label": "History" });
  const name = field("Your name, for the history", h("input", { type: "text", maxlength: "100", autocomplete: "name", value: localStorage.getItem(NAME) || "" }));
  name.control.addEventListener("change", () => localStorage.setItem(NAME, name.control.value.trim()));
  const by = () => name.control.value.trim();
  const jobs = (await get("/v1/jobs?limit=100")).jobs.filter((job) => job.state === "done" && job.fab.id === id && !job.expired);
  const trial = field("Try edits on", select([["", jobs.length ? "no result" : "no result of this fab yet"], ...jobs.map((job) => [job.id, `${job.artwork.name}, ${moment(job.created)}`])], state.job), { hint: "An edit can be tried on a finished result before it is saved." });

  state.fab = await get(path);

  fill(view, h("h1", {}, id), head, conflict, h("div", { class: "bench wide-right" }, cards, h("div", { class: "stack" }, h("section", { class: "card" }, name, trial), importing(), history)), photographing());

  /** Read the fab anew, and show it. */
  async function load() {
    state.fab = await get(path);
    await showFab();
  }

  async function showFab() {
    fill(head, h("p", {}, state.fab.name), h("p", { class: "soft" }, `${state.fab.fab}. ${state.fab.note} Revision `, h("code", {}, state.fab.revision)));
    const found = await answer(`${path}/references?revision=${state.fab.revision}`);
    state.references = found;
    fill(cards, found.warnings.length ? h("section", { class: "card" }, h("h2", {}, "To look at"), h("ul", {}, found.warnings.map((one) => h("li", {}, one.text)))) : null, state.fab.finishes.map(card));
    await loadHistory();
    view.dataset.revision = state.fab.revision;
  }

  /**
   * Send an edit that names the revision it started from. Where somebody else was there first, both stay whole: the page
   * shows what they changed and asks.
   */
  async function edit(what, send, place, from = state.fab.revision) {
    fill(place);
    fill(conflict);
    try {
      await send({ "If-Match": `"${from}"`, ...(/^[\x20-\x7e]+$/.test(by()) ? { "Edited-By": by() } : {}) });
      await load();
      say(`${what}: saved.`);
      return true;
    } catch (error) {
      if (error.status === 412) await choose(what, send, place, from);
      else fill(place, trouble(error.message));
      return false;
    }
  }

  async function choose(what, send, place, from) {
    const current = await get(path);
    const [{ differences }, { revisions }] = await Promise.all([get(`${path}/diff?from=${from}`), get(`${path}/revisions?limit=1`)]);
    const last = revisions[0];
    const box = h(
      "section",
      { class: "trouble", role: "alertdialog", "aria-label": "Somebody else edited this fab" },
      h("h2", { tabindex: "-1" }, "Somebody else edited this fab meanwhile"),
      h("p", {}, `${last.by || last.owner} ${last.what}, ${moment(last.at)}. Your edit (${what}) is not saved yet, and nothing is lost.`),
      h("ul", {}, differences.map(differenceLine)),
      h(
        "div",
        { class: "row" },
        h("button", { type: "button", class: "main", on: { click: () => edit(what, send, place, current.revision) } }, "Keep theirs, and add my edit"),
        h("button", { type: "button", on: { click: async () => (fill(conflict), await load(), say("Your edit was dropped.")) } }, "Keep theirs, drop mine"),
        h("button", { type: "button", on: { click: () => (fill(conflict), say("Nothing was changed.")) } }, "Decide later"),
      ),
    );
    fill(conflict, box);
    box.querySelector("h2").focus();
  }

  function card(finish) {
    const reference = state.references.references.find((one) => one.finish === finish.id);
    const wrong = h("div");
    const used = new Set(reference.used);
    const aside = new Map(reference.set_aside.map((one) => [one.index, one.reason]));
    const row = (reading, index) => h(
      "tr",
      {},
      h("td", {}, reading.lab ? `Lab ${reading.lab.map((value) => number(value, 1)).join(", ")}` : reading.xyz ? `XYZ ${reading.xyz.map((value) => number(value, 1)).join(", ")}` : `spectrum, ${reading.spectrum.values.length} values`),
      h("td", {}, GRADES[reading.grade], reading.illuminant ? `, ${reading.illuminant}/${reading.observer}` : "", `, ${reading.geometry}`),
      h("td", {}, [reading.date, reading.batch, reading.instrument, reading.source].filter(Boolean).join(", ")),
      h("td", {}, used.has(index) ? "counts" : `set aside: ${aside.get(index) || "another geometry counts"}`),
      h("td", {}, h("button", { type: "button", class: "quiet", "aria-label": `Drop reading ${index + 1} of ${finish.name}`, on: { click: () => edit(`drop a reading of ${finish.id}`, (headers) => ask(`${path}/finishes/${finish.id}/readings/${index}`, { method: "DELETE", headers }), wrong) } }, "drop")),
    );
    const details = h(
      "details",
      { open: state.opened.has(finish.id), on: { toggle: (event) => (event.target.open ? state.opened.add(finish.id) : state.opened.delete(finish.id)) } },
      h("summary", {}, `Readings of ${finish.name} (${finish.readings.length}), and edits`),
      h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": `Readings of ${finish.name}` }, h("table", {}, h("thead", {}, h("tr", {}, ["Reading", "How", "From", "Counts", "Edit"].map((text) => h("th", { scope: "col" }, text)))), h("tbody", {}, finish.readings.map(row)))),
      wrong,
      valueForm(finish, reference),
    );
    return h(
      "section",
      { class: "card finish", "data-finish": finish.id, "aria-label": finish.name },
      h("div", { class: "finish-head" }, h("span", { class: "swatch big", style: { background: reference.srgb }, "aria-hidden": "true" }), h("div", {}, h("h2", {}, finish.name), h("p", { class: "soft" }, `${finish.id}, ${finish.texture}, ${reference.srgb} on a screen`))),
      h(
        "dl",
        { class: "facts" },
        h("dt", {}, "colour"), h("dd", {}, `Lab ${reference.lab.map((value) => number(value, 1)).join(", ")} (D65, 2°)`),
        h("dt", {}, "grade"), h("dd", {}, GRADES[reference.grade], reference.overridden ? "; set by hand" : ""),
        h("dt", {}, "spread"), h("dd", {}, reference.spread === null ? "one reading, so none is known" : `${number(reference.spread)} CIEDE2000 between its readings`),
        h("dt", {}, "may be off by"), h("dd", {}, `${number(reference.uncertainty, 1)} CIEDE2000, in 95 of 100 cases`),
      ),
      reference.overridden ? h("p", {}, `Set by hand${finish.override?.by ? ` by ${finish.override.by}` : ""}${finish.override?.note ? `: ${finish.override.note}` : ""}. `, h("button", { type: "button", class: "quiet", on: { click: () => edit(`take back the colour of ${finish.id}`, (headers) => ask(`${path}/finishes/${finish.id}/override`, { method: "DELETE", headers }), wrong) } }, "Let the readings count again")) : null,
      details,
    );
  }

  /** L, a, b and what they hold under: added as a reading, or set by hand, or tried. */
  function valueForm(finish, reference) {
    const value = (label, given) => field(label, h("input", { type: "number", step: "any", required: true, value: String(Number(given.toFixed(2))), inputmode: "decimal" }));
    const parts = [value("L*", reference.lab[0]), value("a*", reference.lab[1]), value("b*", reference.lab[2])];
    const light = field("Light", select([["D65"], ["D50"], ["A"]]));
    const observer = field("Observer", select([["2", "2°"], ["10", "10°"]]));
    const geometry = field("Geometry", select([["45:0"], ["d:8 SCI", "d:8, gloss included"], ["d:8 SCE", "d:8, gloss excluded"]]));
    const note = field("Note", h("input", { type: "text", maxlength: "200" }));
    const told = h("div", { role: "status" });
    const lab = () => parts.map((part) => Number(part.control.value));
    const under = () => ({ lab: lab(), illuminant: light.control.value, observer: observer.control.value });
    const guarded = (call) => () => {
      const bad = parts.find((part) => !part.control.value.trim() || !Number.isFinite(Number(part.control.value)));
      if (bad) {
        fill(told, trouble("Give all three values as numbers."));
        return bad.control.focus();
      }
      return call();
    };
    const tryIt = async () => {
      if (!trial.control.value) return fill(told, trouble("Choose a result under “Try edits on” first."));
      fill(told, h("p", { class: "soft" }, "A worker scores the result anew …"));
      try {
        const found = await answer(`${path}/preview`, { method: "POST", json: { job: trial.control.value, edits: [{ finish: finish.id, ...under() }], revision: state.fab.revision } });
        const { before, after } = found.s_cielab;
        fill(
          told,
          h("p", {}, h("strong", {}, `Mean error ${number(before.mean)} before, ${number(after.mean)} with it`), ` (a preview; ${found.s_cielab.change > 0 ? "worse" : "better"} by ${number(Math.abs(found.s_cielab.change))}).`),
          found.clusters.moved.length ? h("ul", {}, found.clusters.moved.map((one) => h("li", {}, swatch(one.colour), `${one.colour} would go from ${one.from} to ${one.to}`))) : h("p", {}, "Every colour stays in its finish."),
        );
      } catch (error) {
        fill(told, trouble(error.message));
      }
    };
    return h(
      "form",
      { "aria-label": `A colour for ${finish.name}`, on: { submit: (event) => event.preventDefault() } },
      h("div", { class: "triple" }, parts),
      h("div", { class: "triple" }, light, observer, geometry),
      note,
      h(
        "div",
        { class: "row" },
        h("button", { type: "button", on: { click: guarded(tryIt) } }, "Try it"),
        h("button", { type: "button", on: { click: guarded(() => edit(`add a reading of ${finish.id}`, (headers) => ask(`${path}/finishes/${finish.id}/readings`, { method: "POST", headers, json: { by: by(), reading: { ...under(), geometry: geometry.control.value, origin: "measured", date: today(), source: note.control.value } } }), told)) } }, "Add as a measured reading"),
        h("button", { type: "button", on: { click: guarded(() => edit(`set ${finish.id} by hand`, (headers) => ask(`${path}/finishes/${finish.id}/override`, { method: "PUT", headers, json: { ...under(), by: by(), note: note.control.value } }), told)) } }, "Set by hand"),
      ),
      told,
    );
  }

  function importing() {
    const file = field("Spectrum or colour file", h("input", { type: "file", accept: ".csv,.txt,.cgats,.ti3,.cxf,.xml" }), { hint: "CSV, CGATS.17 / ISO 28178 text, or CxF3; it may be dropped here." });
    const finish = field("Samples that name no finish are", select([["", "an error"], ...state.fab.finishes.map((one) => [one.id, one.name])]));
    const scale = field("A perfect white is", select([["", "as the file says"], ["fraction", "1"], ["percent", "100"]]));
    const told = h("div", { role: "status" });
    let chosen = null;
    const take = async () => {
      const sent = chosen || file.control.files[0];
      if (!sent) return fill(told, trouble("Choose a file first."));
      await importFile(sent, told, { finish: finish.control.value, scale: scale.control.value });
    };
    const box = h("section", { class: "card drop-card", "aria-label": "Import readings" }, h("h2", {}, "Import readings"), file, finish, scale, h("div", { class: "row" }, h("button", { type: "button", class: "main", on: { click: take } }, "Import"), h("a", { class: "button", href: `${path}/export?format=csv`, download: true }, "Export as CSV"), h("a", { class: "button", href: `${path}/export?format=cgats`, download: true }, "as CGATS")), told);
    file.control.addEventListener("change", () => (chosen = null));
    box.addEventListener("dragover", (event) => event.preventDefault());
    box.addEventListener("drop", (event) => {
      event.preventDefault();
      [chosen] = event.dataTransfer.files;
      if (chosen) fill(told, h("p", {}, `${chosen.name} is to be imported.`));
    });
    return box;
  }

  async function importFile(file, told, options = {}) {
    let found = null;
    const done = await edit(`import ${file.name}`, async (headers) => {
      const form = new FormData();
      form.set("file", file, file.name);
      if (by()) form.set("by", by());
      for (const [key, value] of Object.entries(options)) if (value) form.set(key, value);
      found = await get(`${path}/import`, { method: "POST", form, headers });
    }, told);
    if (done) fill(told, h("p", {}, found.finishes.map((one) => `${one.finish}: ${one.added} added${one.left_out ? `, ${one.left_out} known already` : ""}`).join("; ") || "Nothing new in it."));
  }

  function photographing() {
    const box = h("details", { class: "card" }, h("summary", {}, "Photograph of a coupon"));
    box.addEventListener("toggle", async () => {
      if (!box.open || box.children.length > 1) return;
      const { photographForm } = await import("./photograph.js");
      box.append(photographForm(path, importFile));
    });
    return box;
  }

  async function loadHistory() {
    const { revisions, current } = await get(`${path}/revisions?limit=30`);
    const wrong = h("div");
    const back = (revision) => edit(`go back to ${revision}`, (headers) => ask(`${path}/restore`, { method: "POST", headers, json: { revision, by: by() } }), wrong);
    const undo = revisions[0]?.previous;
    fill(
      history,
      h("h2", {}, "History"),
      h("button", { type: "button", disabled: !undo, on: { click: () => back(undo) } }, undo ? `Undo: ${revisions[0].what}` : "Nothing to undo"),
      wrong,
      h("ol", { class: "plain history" }, revisions.map((event) => h(
        "li",
        {},
        h("p", {}, h("strong", {}, event.what), h("span", { class: "soft" }, ` ${event.by || event.owner}, ${moment(event.at)}`)),
        event.revision === current ? h("span", {}, "the current one") : h("button", { type: "button", class: "quiet", "aria-label": `Go back to ${event.revision}: ${event.what}`, on: { click: () => back(event.revision) } }, "go back to this"),
        event.previous ? differences(event) : null,
      ))),
    );
  }

  function differences(event) {
    const list = h("ul");
    const box = h("details", {}, h("summary", {}, "what changed"), list);
    box.addEventListener("toggle", async () => {
      if (!box.open || list.children.length) return;
      try {
        const found = (await get(`${path}/diff?from=${event.previous}&to=${event.revision}`)).differences;
        fill(list, found.map(differenceLine), found.length ? null : h("li", {}, "comments or layout only"));
      } catch (error) {
        fill(list, trouble(error.message));
      }
    });
    return box;
  }

  await showFab();
}

const differenceLine = (one) => h("li", {}, `${one.finish ? `${one.finish}: ` : ""}${one.kind} ${one.key}${one.old ? `, was ${one.old}` : ""}${one.new ? `, is ${one.new}` : ""}`);

const today = () => new Date().toISOString().slice(0, 10);
