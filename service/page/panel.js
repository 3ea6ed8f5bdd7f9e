// A panel that is done: its picture with a scale, how full it is, what was checked, where each piece lies.
import { get } from "./api.js";
import { fill, h, number, percent } from "./dom.js";
import { load } from "./pictures.js";
import { viewer } from "./viewer.js";

const MARGIN_PX = 60; // round the panel in panel.png

export async function show(body, job) {
  const files = `/v1/jobs/${job.id}/files`;
  const [report, picture] = await Promise.all([get(`${files}/report.json`), load(`${files}/panel.png`)]);
  const { panel, density, counts } = report;
  const shown = viewer({ label: "Panel" });
  const perMm = (picture.width - 2 * MARGIN_PX) / panel.width_mm;
  const place = (piece) => {
    const [left, low, right, high] = piece.box_mm;
    const [x, y] = [MARGIN_PX + ((left + right) / 2) * perMm, MARGIN_PX + (panel.height_mm - (low + high) / 2) * perMm];
    shown.go(Math.round(x), Math.round(y), 2);
  };
  const full = density.filled;
  fill(
    body,
    h(
      "div",
      { class: "bench wide-right" },
      h("div", { class: "card" }, shown.root),
      h(
        "div",
        { class: "stack" },
        h(
          "section",
          { class: "card", "aria-label": "Panel" },
          h("h2", {}, panel.name || "Panel"),
          h("p", {}, `${number(panel.width_mm, 1)} × ${number(panel.height_mm, 1)} mm, ${counts.pieces} pieces, held by ${panel.join}.`),
          h("p", {}, `They cover ${percent(density.share)} of the free area.`, full ? ` ${full.count} where at most ${full.bound} could lie (${full.bound_kind}'s bound, which is no promise).` : ""),
          h("ul", {}, counts.by_piece.map((one) => h("li", {}, `${one.count} of ${one.name}`))),
        ),
        h("section", { class: "card", "aria-label": "Checks" }, h("h2", {}, "Checks"), h("ul", { class: "plain" }, report.checks.map((one) => h("li", {}, h("span", { class: one.ok ? "state done" : "state failed" }, one.ok ? "● holds" : "✕ ask the fab"), ` ${one.text}: ${number(one.found, 1)}, ${one.least ? "at least" : "at most"} ${number(one.limit, 1)}`)))),
        h("section", { class: "card", "aria-label": "Pieces" }, h("h2", {}, "Pieces"), h("ol", { class: "plain low" }, report.pieces.map((piece) => h("li", {}, h("button", { type: "button", class: "quiet", on: { click: () => place(piece) } }, `${piece.number}: ${piece.name}`), h("span", { class: "soft" }, ` at ${number(piece.x_mm, 1)}, ${number(piece.y_mm, 1)} mm${piece.turn ? `, turned by ${piece.turn}°` : ""}`))))),
      ),
    ),
  );
  shown.slider.value = "0";
  shown.slider.parentElement.hidden = true;
  shown.show({ grid: { width_px: picture.width, height_px: picture.height, pitch_um: 1000 / perMm }, left: null, right: { picture, step: 1, smooth: true }, names: ["", "Panel"] });
  body.dataset.shown = "panel";
}
