// One collection: progress, its artworks as a long list, what failed, contact sheet, report, package.
import { ask, follow, get } from "./api.js";
import { choice, field, fill, h, moment, number, say, select, trouble } from "./dom.js";
import { inWords, progressOf } from "./collections.js";
import { previewOf, STATES, stateTag, thumbnail } from "./jobs.js";
import { longList } from "./long_list.js";

export async function show(view, [id]) {
  let one = await get(`/v1/collections/${id}`);
  let filter = "";
  let order = "given";
  let refreshing = 0;
  const wrong = h("div");
  const head = h("div", { role: "status" });
  const counts = h("div", { class: "choices" });
  const filters = h("fieldset", { class: "field" }, h("legend", {}, "Show"), counts);
  const sorting = field("Order", select([["given", "as given"], ["error", "worst error first"]]));
  const least = field("Error of at least", h("input", { type: "number", min: "0", step: "any", value: "", inputmode: "decimal" }), { hint: "Shows those that are done, the worst first, down to this." });
  const list = longList({
    label: "Artworks of this collection",
    fetchPage: async (start, size) => (await get(`/v1/collections/${id}/artworks?${asked({ start, limit: size })}`)).artworks,
    row,
  });

  function asked(more) {
    const form = new URLSearchParams({ order: least.control.value ? "error" : order, ...more });
    if (least.control.value) form.set("state", "done");
    else if (filter) form.set("state", filter);
    return form;
  }

  function row(member) {
    const { job } = member;
    const error = job?.score?.s_cielab?.mean;
    const state = job ? job.state : "refused";
    const fault = member.error || job?.error;
    return h(
      "div",
      { class: "member" },
      job && state === "done" && !job.expired ? thumbnail(job, 56) : h("span", { class: "thumb", "aria-hidden": "true" }),
      h("div", { class: "member-name" }, job ? h("a", { href: `#/jobs/${job.id}` }, member.path) : h("strong", {}, member.path), fault ? h("p", { class: "wrong", title: fault.detail }, fault.detail) : null),
      stateTag(state),
      h("span", { class: "figure" }, error === undefined ? "" : `error ${number(error)}`, member.reused ? h("span", { class: "soft" }, " made before") : null),
    );
  }

  /** How many rows the list has: counted by state, or looked for where an error bounds it. */
  async function size() {
    const bound = Number(least.control.value);
    if (!least.control.value || !Number.isFinite(bound)) return filter ? one.counts[filter] : one.artworks;
    // By bisection: they are ordered by error.
    let [low, high] = [0, one.counts.done];
    while (low < high) {
      const middle = (low + high) >> 1;
      const { artworks } = await get(`/v1/collections/${id}/artworks?${asked({ start: middle, limit: 1 })}`);
      const error = artworks[0]?.job?.score?.s_cielab?.mean ?? -1;
      if (error >= bound) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  function tell() {
    fill(
      head,
      progressOf(one),
      h("p", {}, h("strong", {}, inWords(one.counts)), one.reused ? `; ${one.reused} had been made before` : "", one.state === "working" ? (one.seconds_to_go === null ? "; no end in sight yet" : `; about ${duration(one.seconds_to_go)} to go`) : ""),
      h("p", { class: "soft" }, `${one.fab.id}, ${moment(one.created)}`, one.skipped.length ? `; left out as no artworks: ${one.skipped.slice(0, 5).join(", ")}${one.skipped.length > 5 ? " and more" : ""}` : ""),
    );
    const options = [["", `all ${one.artworks}`], ...Object.entries(one.counts).filter(([state, count]) => count || state === filter).map(([state, count]) => [state, `${STATES[state]} ${count}`])];
    const held = counts.contains(document.activeElement);
    fill(counts, options.map(([value, text]) => choice("radio", text, { name: "state", value, checked: value === filter, on: { change: () => ((filter = value), again()) } })));
    if (held) counts.querySelector("input:checked")?.focus();
    stop.hidden = one.state === "ended";
    retry.hidden = !(one.counts.failed + one.counts.cancelled);
    retry.textContent = `Try ${one.counts.failed + one.counts.cancelled} again`;
    view.dataset.state = one.state;
  }

  async function again() {
    try {
      list.reset(await size());
      view.dataset.filter = filter;
    } catch (error) {
      fill(wrong, trouble(error.message));
    }
  }

  const acting = (call) => async () => {
    fill(wrong);
    try {
      await call();
    } catch (error) {
      fill(wrong, trouble(error.message));
    }
  };
  const stop = h("button", { type: "button", on: { click: acting(async () => { one = await get(`/v1/collections/${id}`, { method: "DELETE" }); tell(); say("Stopped."); }) } }, "Stop all");
  const retry = h("button", { type: "button", class: "main", on: { click: acting(async () => { one = await get(`/v1/collections/${id}/retry`, { method: "POST" }); tell(); watch(); await again(); say("They are tried again."); }) } });

  const sheet = h("figure", { class: "sheet" });
  let page = 1;
  async function showSheet() {
    const address = `/v1/collections/${id}/contact-sheet.png?page=${page}&order=${order}`;
    fill(sheet, h("p", { class: "soft", role: "status" }, "A worker draws it …"));
    try {
      const response = await ask(address, { accept: "image/png" });
      const last = !(response.headers.get("Link") || "").includes('rel="next"');
      const picture = URL.createObjectURL(await response.blob());
      const turn = (step) => () => ((page += step), showSheet());
      fill(
        sheet,
        h("img", { src: picture, alt: `Contact sheet, page ${page}: the boards that are done, with names and errors`, on: { load: () => URL.revokeObjectURL(picture) } }),
        h("figcaption", { class: "row" }, h("button", { type: "button", disabled: page === 1, on: { click: turn(-1) } }, "Page before"), h("span", {}, `page ${page}`), h("button", { type: "button", disabled: last, on: { click: turn(1) } }, "Next page")),
      );
    } catch (error) {
      fill(sheet, trouble(error.message));
    }
  }
  const sheets = h("details", { class: "card", on: { toggle: (event) => event.target.open && showSheet() } }, h("summary", {}, "Contact sheet"), sheet);

  const playing = h("details", { class: "card" }, h("summary", {}, "Play as a series"));
  let halt = () => {};
  playing.addEventListener("toggle", async () => {
    halt();
    halt = () => {};
    if (!playing.open) return;
    const { player } = await import("./player.js");
    const made = player(async (start, size) => (await get(`/v1/collections/${id}/artworks?state=done&start=${start}&limit=${size}`)).artworks.filter((member) => !member.job.expired).map((member) => ({ name: member.path, address: previewOf(member.job) })), one.counts.done);
    halt = made.halt;
    const [first] = (await get(`/v1/collections/${id}/artworks?limit=1`)).artworks;
    const moving = first?.job?.kind === "piece" && one.counts.done ? h("p", { class: "row" }, ["webp", "gif"].map((form) => h("a", { class: "button", href: `/v1/collections/${id}/animation.${form}`, download: true }, `Beside its artwork, as ${form === "gif" ? "GIF" : "WebP"}`))) : null;
    fill(playing, playing.querySelector("summary"), made.root, moving);
  });

  const paneling = h("details", { class: "card" }, h("summary", {}, "Lay on a panel"));
  paneling.addEventListener("toggle", async () => {
    if (!paneling.open || paneling.children.length > 1) return;
    const { panelForm } = await import("./panel_form.js");
    paneling.append(h("p", { class: "hint" }, "A panel takes boards that have files for the fab."), panelForm({ collection: id }, { series: true }));
  });

  fill(
    view,
    h("h1", {}, one.name),
    wrong,
    h("section", { class: "card", "aria-label": "Progress" }, head, h("div", { class: "row" }, h("a", { class: "button", href: one.links.package, download: true }, "Download everything (ZIP)"), h("a", { class: "button", href: one.links.report, target: "_blank", rel: "noopener" }, "Report (opens a new tab)"), retry, stop)),
    h("section", { class: "card", "aria-label": "Artworks" }, h("div", { class: "filters" }, filters, sorting, least), list.root),
    sheets,
    playing,
    paneling,
  );
  sorting.control.addEventListener("change", () => {
    order = sorting.control.value;
    page = 1;
    again();
    if (sheets.open) showSheet();
  });
  least.control.addEventListener("change", again);

  let leave = () => {};
  let away = false;
  function watch() {
    leave();
    if (one.state === "ended") return;
    leave = follow(`/v1/collections/${id}/events`, "collection", (told) => {
      const ended = told.state === "ended" && one.state !== "ended";
      one = told;
      tell();
      if (ended) say(`${one.name} has ended: ${inWords(one.counts)}.`);
      // Rows in sight are fetched anew at most once a second, however many jobs end.
      refreshing ||= setTimeout(async () => {
        refreshing = 0;
        if (!away && !least.control.value) await list.refresh(await size()).catch(() => {});
      }, 1000);
    }, (told) => told.state === "ended");
  }
  tell();
  await again();
  watch();
  return () => {
    away = true;
    halt();
    leave();
    clearTimeout(refreshing);
  };
}

const duration = (seconds) => (seconds < 90 ? `${Math.ceil(seconds)} s` : seconds < 5400 ? `${Math.ceil(seconds / 60)} min` : `${number(seconds / 3600, 1)} h`);
