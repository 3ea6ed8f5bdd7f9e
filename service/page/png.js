// Reads 8-bit grey or indexed PNG files to their numbers, which a canvas would turn into colours. Source: ISO/IEC 15948.
import { ask } from "./api.js";

const GREY_OR_INDEXED = [0, 3];

/** `width`, `height` and `pixels` (Uint8Array) of a PNG. */
export async function readPng(address, signal) {
  const response = await ask(address, { signal, accept: "image/png" });
  const data = new Uint8Array(await response.arrayBuffer());
  const view = new DataView(data.buffer);
  let place = 8;
  let header = null;
  const parts = [];
  while (place < data.length) {
    const length = view.getUint32(place);
    const kind = String.fromCharCode(...data.subarray(place + 4, place + 8));
    const body = data.subarray(place + 8, place + 8 + length);
    if (kind === "IHDR") header = { width: view.getUint32(place + 8), height: view.getUint32(place + 12), bits: body[8], type: body[9] };
    if (kind === "IDAT") parts.push(body);
    place += length + 12;
  }
  if (!header || header.bits !== 8 || !GREY_OR_INDEXED.includes(header.type)) throw new Error("The picture is not an 8-bit grey or indexed PNG.");
  const stream = new Blob(parts).stream().pipeThrough(new DecompressionStream("deflate"));
  const raw = new Uint8Array(await new Response(stream).arrayBuffer());
  return { width: header.width, height: header.height, pixels: unfilter(raw, header.width, header.height) };
}

function unfilter(raw, width, height) {
  const pixels = new Uint8Array(width * height);
  for (let y = 0; y < height; y++) {
    const from = y * (width + 1);
    const filter = raw[from];
    const to = y * width;
    if (filter === 0) {
      pixels.set(raw.subarray(from + 1, from + 1 + width), to);
      continue;
    }
    for (let x = 0; x < width; x++) {
      const left = x ? pixels[to + x - 1] : 0;
      const up = y ? pixels[to + x - width] : 0;
      const corner = x && y ? pixels[to + x - width - 1] : 0;
      pixels[to + x] = raw[from + 1 + x] + guess(filter, left, up, corner);
    }
  }
  return pixels;
}

function guess(filter, left, up, corner) {
  if (filter === 1) return left;
  if (filter === 2) return up;
  if (filter === 3) return (left + up) >> 1;
  const sum = left + up - corner;
  const [a, b, c] = [Math.abs(sum - left), Math.abs(sum - up), Math.abs(sum - corner)];
  return a <= b && a <= c ? left : b <= c ? up : corner;
}
