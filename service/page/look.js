// Look: artwork and board, finishes, layers, errors, what the eye sees, tilted light.
import { look } from "./api.js";
import { choice, field, fill, group, h, number, percent, say, select, swatch, tint, trouble } from "./dom.js";
import { BASE, boardPicture, errorColour, errorOf, errorPicture, LAYERS, layerPicture, loadLook, tiltedPicture, valueAt } from "./pictures.js";
import { viewer } from "./viewer.js";

const DISTANCES = [["", "as it was scored"], ["300mm", "a book: 30 cm"], ["600mm", "a desk: 60 cm"], ["1000mm", "a table: 1 m"], ["2500mm", "a wall: 2.5 m"]];
const kept = new Map();

/** The pictures of a job, once for a side and a distance. */
export async function picturesOf(job, side = "top", distance = "") {
  const key = `${job.id} ${side} ${distance}`;
  if (kept.get(key)?.gone) kept.delete(key);
  if (!kept.has(key)) {
    const asked = new URLSearchParams({ side, ...(distance ? { viewing_distance: distance } : {}) });
    const loaded = await loadLook(await look(`/v1/jobs/${job.id}/look?${asked}`));
    kept.set(key, loaded);
    if (kept.size > 3) kept.delete(kept.keys().next().value);
  }
  return kept.get(key);
}

/** Which side of a board with two is shown; nothing where there is one. */
export function sideChoice(job, changed) {
  if (!job.bottom) return null;
  return group("Side", {}, h("div", { class: "choices" }, [["top", "top"], ["bottom", "bottom, from outside"]].map(([value, text]) => choice("radio", text, { name: "side", value, checked: value === "top", on: { change: () => changed(value) } }))));
}

export async function show(body, job) {
  let here = true;
  let side = "top";
  let found = null;
  let mode = "board";
  const shown = viewer({ picked: (x, y) => tellPlace(x, y) });
  const wait = h("p", { class: "soft", role: "status" }, "A worker makes the pictures …");
  const options = h("div");
  const under = h("div", { class: "under" });
  const worst = h("ol", { class: "worst plain" });
  const modes = group("On the right", {}, h("div", { class: "modes" }, [["board", "Board"], ["finishes", "Finishes, alone or together"], ["layers", "Layers, alone or together"], ["error", "Error map"], ["eye", "What the eye sees from a distance"], ["tilt", "Tilted light (plausible rendering)"]].map(([value, text]) => choice("radio", text, { name: "mode", value, checked: value === mode, on: { change: () => ((mode = value), turn()) } }))));
  const panel = h("div", { class: "card stack" }, sideChoice(job, (one) => ((side = one), start())), modes, options, h("div", {}, h("h2", {}, "Worst places"), worst));
  fill(body, h("div", { class: "bench wide-right" }, h("div", { class: "card" }, wait, shown.root, under), panel));

  async function start() {
    wait.hidden = false;
    shown.root.hidden = true;
    try {
      found = await picturesOf(job, side);
    } catch (error) {
      if (error.name !== "AbortError") fill(under, trouble(error.message));
      wait.hidden = true;
      return;
    }
    if (!here) return;
    wait.hidden = true;
    shown.root.hidden = false;
    fill(under);
    showWorst();
    await turn();
    body.dataset.shown = side;
  }

  async function turn() {
    fill(options);
    try {
      await MODES[mode]();
    } catch (error) {
      if (error.name !== "AbortError") fill(options, trouble(error.message));
    }
    body.dataset.mode = mode;
  }
  const both = (right, name, left = found.artwork, first = "Artwork") => shown.show({ grid: found.look.grid, left, right, names: [first, name] });

  const MODES = {
    board() {
      both(boardPicture(found), "Board");
      fill(options, h("ul", { class: "plain" }, found.look.finishes.filter((finish) => finish.share > 0).map((finish) => h("li", {}, tint(finish.colour, `${finish.name}: ${percent(finish.share)}`)))));
    },
    finishes() {
      const on = new Set(found.look.finishes.map((finish) => finish.id));
      const redraw = () => both(boardPicture(found, on), "Finishes");
      fill(options, toggles("Finishes", found.look.finishes.map((finish) => ({ id: finish.id, name: `${finish.name}, ${percent(finish.share)}`, colour: finish.colour })), on, redraw), h("p", { class: "hint" }, "Each finish is one mask. Those that are off are grey."));
      redraw();
    },
    async layers() {
      const made = job.settings.fabrication === "on" && side === "top" ? await drawnLayers(job) : null;
      const on = new Set(LAYERS.map((layer) => layer.id));
      const redraw = async () => {
        const drawn = made && (await made(on));
        const right = drawn ? { picture: drawn, step: found.look.grid.width_px / drawn.width, smooth: true } : layerPicture(found, on);
        both(right, "Layers");
      };
      const colour = (layer) => `rgb(${layer.colour.join(",")})`;
      fill(
        options,
        toggles("Layers", LAYERS.map((layer) => ({ id: layer.id, name: `${layer.name} (${layer.file},Top)`.replace("Top", side === "top" ? "Top" : "Bot"), colour: colour(layer) })), on, redraw),
        h("p", { class: "hint" }, made ? "As the files for the fab draw them, within its limits." : "As the finishes ask for them. With fabrication files the fab's limits are kept as well."),
      );
      await redraw();
    },
    async error() {
      const error = await found.error();
      both(errorPicture(found, error), "Error");
      const bar = h("canvas", { class: "scale-bar", width: 240, height: 8, role: "img", "aria-label": "The scale, from dark for no error to light for 20 and more" });
      const context = bar.getContext("2d");
      for (let x = 0; x < 240; x++) {
        context.fillStyle = `rgb(${errorColour(x / 239).join(",")})`;
        context.fillRect(x, 0, 1, 8);
      }
      fill(options, bar, h("div", { class: "ticks" }, ["0", "5", "10", "15", "20 and more"].map((text) => h("span", {}, text))), h("p", { class: "hint" }, `CIEDE2000 after both pictures are blurred as the eye blurs them at ${found.look.score.viewing_distance_mm} mm (S-CIELAB). The lighter, the more it differs.`));
    },
    async eye() {
      const distance = field("Seen from", select(DISTANCES));
      const told = h("p", { class: "hint", role: "status" });
      fill(options, distance, told);
      const redraw = async () => {
        told.textContent = "A worker looks from there …";
        try {
          const seen = await picturesOf(job, side, distance.control.value);
          const step = seen.look.error_map.step_px;
          both({ picture: await seen.eyeBoard(), step, smooth: true }, "Board, as seen", { picture: await seen.eyeArtwork(), step, smooth: true }, "Artwork, as seen");
          told.textContent = `What the eye's channels pass at ${seen.look.score.viewing_distance_mm} mm; mean error there ${number(seen.look.score.s_cielab.mean)}.`;
          body.dataset.distance = String(seen.look.score.viewing_distance_mm);
        } catch (error) {
          if (error.name !== "AbortError") fill(options, distance, trouble(error.message));
        }
      };
      distance.control.addEventListener("change", redraw);
      await redraw();
    },
    tilt() {
      const angle = field("Tilt in degrees", h("input", { type: "range", min: "-40", max: "40", value: "0", step: "1" }));
      const metal = found.look.finishes.some((finish) => finish.texture === "metallic" && finish.share > 0);
      const redraw = () => {
        angle.control.setAttribute("aria-valuetext", `${angle.control.value} degrees`);
        both(tiltedPicture(found, Number(angle.control.value)), `Tilted ${angle.control.value}°`);
      };
      angle.control.addEventListener("input", redraw);
      fill(options, angle, h("p", { class: "note" }, "A plausible rendering, not a measurement: metal and gloss change with light and angle, and no score knows of it."), metal ? null : h("p", {}, "No metal shows on this board."));
      redraw();
    },
  };

  function showWorst() {
    const places = found.look.worst;
    shown.mark(places.map((place, i) => ({ x: place.x_px, y: place.y_px, name: String(i + 1) })));
    fill(
      worst,
      places.map((place, i) => {
        const finish = found.look.finishes.find((one) => one.id === place.finish);
        const cluster = found.look.clusters[place.cluster];
        return h("li", {}, h("button", { type: "button", class: "quiet", on: { click: () => (shown.go(place.x_px, place.y_px), tellPlace(place.x_px, place.y_px), say(`Place ${i + 1}`)) } }, `${i + 1}: error ${number(place.delta_e, 1)}`), cluster ? [tint(cluster.colour, cluster.colour), " in "] : null, finish ? tint(finish.colour, finish.name) : "off the board", h("span", { class: "soft" }, ` at ${number(place.x_mm, 1)}, ${number(place.y_mm, 1)}\u00a0mm`));
      }),
      places.length ? null : h("li", {}, "There is no difference."),
    );
  }

  async function tellPlace(x, y) {
    const finish = found.look.finishes[valueAt(found.board, found.look.shown.step_px, x, y)];
    const value = errorOf(valueAt(await found.error(), found.look.error_map.step_px, x, y));
    const pitch = found.look.grid.pitch_um / 1000;
    fill(under, h("p", { role: "status" }, `Pixel ${x}, ${y} (${number((x + 0.5) * pitch, 2)} mm from the left, ${number((y + 0.5) * pitch, 2)} mm from above): `, finish ? tint(finish.colour, finish.name) : "off the board", value === null ? "" : `, error ${value >= 20 ? "20 or more" : number(value, 1)}.`));
  }

  start();
  return () => (here = false);
}

function toggles(legend, entries, on, changed) {
  const boxes = entries.map((entry) => choice("checkbox", entry.name, { value: entry.id, checked: on.has(entry.id), on: { change: (event) => ((event.target.checked ? on.add(entry.id) : on.delete(entry.id)), changed()) } }, swatch(entry.colour)));
  const set = (all) => {
    for (const [i, box] of boxes.entries()) {
      box.querySelector("input").checked = all;
      if (all) on.add(entries[i].id);
      else on.delete(entries[i].id);
    }
    changed();
  };
  return h("fieldset", { class: "field" }, h("legend", {}, legend), h("div", { class: "choices" }, boxes), h("div", { class: "row" }, h("button", { type: "button", class: "quiet", on: { click: () => set(true) } }, "all on"), h("button", { type: "button", class: "quiet", on: { click: () => set(false) } }, "all off")));
}

/** The layers of the fabrication files as pictures: a function of those that are on, or null where there are none. */
async function drawnLayers(job) {
  const drawing = await drawingOf(`/v1/jobs/${job.id}/files/fabrication/assembly.svg`);
  if (!drawing) return null;
  const groups = { copper: "copper-top", mask: "solder-mask-top", legend: "legend-top" };
  const colours = Object.fromEntries(LAYERS.map((layer) => [layer.id, `rgb(${layer.colour.join(",")})`]));
  const pictures = {};
  for (const [id, name] of Object.entries(groups)) pictures[id] = await groupPicture(drawing, name, colours[id]);
  const drawn = new Map();
  return async (on) => {
    const key = [...on].sort().join();
    if (!drawn.has(key)) {
      const first = Object.values(pictures).find(Boolean);
      const canvas = new OffscreenCanvas(first.width, first.height);
      const context = canvas.getContext("2d");
      context.fillStyle = `rgb(${BASE.join(",")})`;
      context.fillRect(0, 0, canvas.width, canvas.height);
      if (on.has("copper") && pictures.copper) context.drawImage(pictures.copper, 0, 0);
      if (on.has("mask") && pictures.mask) {
        // The file draws openings: the mask is everywhere else.
        const mask = new OffscreenCanvas(canvas.width, canvas.height);
        const inside = mask.getContext("2d");
        inside.fillStyle = colours.mask;
        inside.fillRect(0, 0, mask.width, mask.height);
        inside.globalCompositeOperation = "destination-out";
        inside.drawImage(pictures.mask, 0, 0);
        context.globalAlpha = LAYERS.find((layer) => layer.id === "mask").alpha / 255;
        context.drawImage(mask, 0, 0);
        context.globalAlpha = 1;
      }
      if (on.has("legend") && pictures.legend) context.drawImage(pictures.legend, 0, 0);
      drawn.set(key, canvas);
    }
    return drawn.get(key);
  };
}

async function groupPicture(whole, name, colour) {
  const drawing = whole.cloneNode(true);
  const root = drawing.documentElement;
  for (const element of [...root.children]) {
    if (element.localName === "title") continue;
    if (element.id !== name) element.remove();
    else {
      element.setAttribute("fill", colour);
      element.setAttribute("fill-opacity", "1");
    }
  }
  const [, , width, height] = root.getAttribute("viewBox").split(/\s+/).map(Number);
  const factor = 2000 / Math.max(width, height);
  root.setAttribute("width", String(Math.round(width * factor)));
  root.setAttribute("height", String(Math.round(height * factor)));
  const address = URL.createObjectURL(new Blob([new XMLSerializer().serializeToString(drawing)], { type: "image/svg+xml" }));
  try {
    const image = new Image();
    image.src = address;
    await image.decode();
    const canvas = new OffscreenCanvas(image.width, image.height);
    canvas.getContext("2d").drawImage(image, 0, 0);
    return canvas;
  } finally {
    URL.revokeObjectURL(address);
  }
}

/** An SVG file as a document that runs nothing, or null: the page's policy bars making one from text. */
function drawingOf(address) {
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open("GET", address);
    request.responseType = "document";
    request.onload = () => resolve(request.status === 200 ? request.responseXML : null);
    request.onerror = () => resolve(null);
    request.send();
  });
}
