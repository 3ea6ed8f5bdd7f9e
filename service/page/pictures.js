// Pictures from numbers: the board in its finishes, finishes and layers alone, the error map, tilted light.
import { ask } from "./api.js";
import { readPng } from "./png.js";

const LARGEST_ERROR = 20;
const ERROR_STEPS = 239;

/** A picture file, decoded. */
export async function load(address, signal) {
  const response = await ask(address, { signal, accept: "image/png" });
  return createImageBitmap(await response.blob());
}

/** All that a look has, decoded: bitmaps of the artwork and of what the eye sees, numbers of board, clusters, error. */
export async function loadLook(look, signal) {
  const { pictures } = look;
  const [artwork, board] = await Promise.all([load(pictures.artwork, signal), readPng(pictures.board, signal)]);
  const kept = {};
  const once = (name, read) => () =>
    (kept[name] ||= read(pictures[name], signal).catch((error) => {
      delete kept[name];
      if (![404, 410].includes(error.status)) throw error;
      found.gone = true;
      throw new Error("The pictures of this view are kept for an hour, and are gone now. Reload the page, and they are made again.");
    }));
  const found = {
    look,
    gone: false, // whether the service keeps the pictures no more
    artwork: { picture: artwork, step: look.shown.step_px },
    board,
    clusters: once("clusters", readPng),
    error: once("error", readPng),
    eyeArtwork: once("eye_artwork", load),
    eyeBoard: once("eye_board", load),
  };
  return found;
}

/** The number at a pixel of the board's grid; a pixel of `numbers` is `step` of those wide. */
export function valueAt(numbers, step, x, y) {
  const [column, row] = [Math.min(numbers.width - 1, Math.floor(x / step)), Math.min(numbers.height - 1, Math.floor(y / step))];
  return numbers.pixels[row * numbers.width + column];
}

const rgb = (hex) => [1, 3, 5].map((place) => parseInt(hex.slice(place, place + 2), 16));
const word = ([red, green, blue], alpha = 255) => ((alpha << 24) | (blue << 16) | (green << 8) | red) >>> 0;

/** Numbers as a canvas: `table` has one 32-bit RGBA word for each value. */
export function paint(numbers, table) {
  const canvas = new OffscreenCanvas(numbers.width, numbers.height);
  const image = new ImageData(numbers.width, numbers.height);
  const words = new Uint32Array(image.data.buffer);
  const { pixels } = numbers;
  for (let i = 0; i < pixels.length; i++) words[i] = table[pixels[i]];
  canvas.getContext("2d").putImageData(image, 0, 0);
  return canvas;
}

function tableOf(each) {
  const table = new Uint32Array(256);
  for (let i = 0; i < 256; i++) table[i] = each(i);
  return table;
}

/** The board in its finishes' colours; those that `on` leaves out in a grey that no finish has. */
export function boardPicture(found, on = null) {
  const { finishes } = found.look;
  const grey = word([122, 122, 122], 70);
  const table = tableOf((i) => (i >= finishes.length ? 0 : on && !on.has(finishes[i].id) ? grey : word(rgb(finishes[i].colour))));
  return { picture: paint(found.board, table), step: found.look.shown.step_px };
}

/** Our own colours for what the fab puts down: copper, solder mask, legend; what lies below shows through. */
export const LAYERS = [
  { id: "copper", name: "Copper", file: "Copper,L1", has: (finish) => finish.copper !== "none", colour: [196, 112, 58], alpha: 255 },
  { id: "mask", name: "Solder mask", file: "Soldermask", has: (finish) => !finish.mask_opening, colour: [60, 52, 110], alpha: 150 },
  { id: "legend", name: "Legend", file: "Legend", has: (finish) => finish.legend, colour: [250, 246, 230], alpha: 255 },
];
export const BASE = [226, 219, 190];

/** The layers that the finishes' recipes ask for, those that `on` names, over bare laminate. */
export function layerPicture(found, on) {
  const { finishes } = found.look;
  const table = tableOf((i) => {
    if (i >= finishes.length) return 0;
    let colour = BASE;
    for (const layer of LAYERS) {
      if (!on.has(layer.id) || !layer.has(finishes[i])) continue;
      const part = layer.alpha / 255;
      colour = colour.map((value, c) => Math.round(value * (1 - part) + layer.colour[c] * part));
    }
    return word(colour);
  });
  return { picture: paint(found.board, table), step: found.look.shown.step_px };
}

/** The error map on its fixed scale, from dark to light; `error` as numbers. */
export function errorPicture(found, error) {
  const table = tableOf((i) => (i > ERROR_STEPS ? 0 : word(errorColour(i / ERROR_STEPS))));
  return { picture: paint(error, table), step: found.look.error_map.step_px };
}

/** From dark blue over red to pale yellow, with lightness that only rises. */
export function errorColour(share) {
  const stops = [[10, 12, 40], [58, 28, 110], [140, 34, 112], [208, 68, 76], [244, 136, 60], [252, 208, 110], [255, 250, 220]];
  const place = Math.max(0, Math.min(1, share)) * (stops.length - 1);
  const from = Math.min(stops.length - 2, Math.floor(place));
  return stops[from].map((value, c) => Math.round(value + (stops[from + 1][c] - value) * (place - from)));
}

export const errorOf = (step) => (step > ERROR_STEPS ? null : (step / ERROR_STEPS) * LARGEST_ERROR);

/** Pixels of one cluster as a light veil over the artwork, the rest darkened. */
export function clusterPicture(found, clusters, chosen) {
  const table = tableOf((i) => (i === chosen ? 0 : word([0, 0, 0], 170)));
  const canvas = new OffscreenCanvas(clusters.width, clusters.height);
  const context = canvas.getContext("2d");
  context.drawImage(found.artwork.picture, 0, 0, clusters.width, clusters.height);
  context.drawImage(paint(clusters, table), 0, 0);
  return { picture: canvas, step: found.look.shown.step_px };
}

/**
 * The board under a light that is tilted: a plausible rendering, no measurement.
 *
 * Metal has a broad bright band that moves with the tilt and is darker away from it, gloss a narrow white sheen, matte none.
 */
export function tiltedPicture(found, degrees) {
  const { finishes } = found.look;
  const { width, height } = found.board;
  const most = 1600;
  const factor = Math.min(1, most / Math.max(width, height));
  const [w, h] = [Math.max(1, Math.round(width * factor)), Math.max(1, Math.round(height * factor))];
  const canvas = new OffscreenCanvas(w, h);
  const context = canvas.getContext("2d");
  context.drawImage(boardPicture(found).picture, 0, 0, w, h);
  const middle = 0.5 + (degrees / 45) * 0.55;
  const band = (spread, inside, outside) => {
    const gradient = context.createLinearGradient(0, 0, w * 0.35, h);
    for (let i = 0; i <= 16; i++) {
      const away = (i / 16 - middle) / spread;
      const part = Math.exp(-away * away);
      gradient.addColorStop(i / 16, `rgba(${inside.map((value, c) => Math.round(value * part + outside[c] * (1 - part))).join(",")})`);
    }
    return gradient;
  };
  const over = (texture, operation, style) => {
    const table = tableOf((i) => (finishes[i]?.texture === texture ? 0xffffffff : 0));
    const part = new OffscreenCanvas(w, h);
    const drawn = part.getContext("2d");
    drawn.drawImage(paint(found.board, table), 0, 0, w, h);
    drawn.globalCompositeOperation = "source-in";
    drawn.fillStyle = style;
    drawn.fillRect(0, 0, w, h);
    context.globalCompositeOperation = operation;
    context.drawImage(part, 0, 0);
    context.globalCompositeOperation = "source-over";
  };
  over("metallic", "multiply", band(0.34, [255, 255, 255, 1], [92, 86, 84, 1]));
  over("metallic", "lighter", band(0.16, [96, 92, 82, 1], [0, 0, 0, 1]));
  over("gloss", "lighter", band(0.07, [70, 70, 72, 1], [0, 0, 0, 1]));
  return { picture: canvas, step: found.look.shown.step_px / factor, smooth: true };
}
