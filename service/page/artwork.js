// Artworks on this side: their size, smaller copies for drafts, and the files of a dropped folder.

const [SMALL_BYTES, SMALL_PIXELS] = [1_500_000, 4_000_000];

async function decoded(file) {
  if (/\.svg$/i.test(file.name)) return null;
  try {
    return await createImageBitmap(file, { imageOrientation: "from-image" });
  } catch {
    return null; // the browser can't, such as TIFF; the service can
  }
}

const sizes = new WeakMap();
const copies = new WeakMap();
/** The longer side of the copy that a quick draft is made of. */
export const QUICK_PX = 800;

/** Width and height in pixels, or null where only the service can tell. */
export function sizeOf(file) {
  if (!sizes.has(file)) sizes.set(file, measured(file));
  return sizes.get(file);
}

const isLarge = (file, [width, height]) => file.size >= SMALL_BYTES || width * height > SMALL_PIXELS;

async function measured(file) {
  const bitmap = await decoded(file);
  if (!bitmap) return null;
  const size = [bitmap.width, bitmap.height];
  copies.set(file, new Map());
  // Decoding a large one takes longest: the copy that somebody waits for is made of the same.
  if (isLarge(file, size)) copies.get(file).set(QUICK_PX, scaled(bitmap, QUICK_PX));
  else bitmap.close();
  return size;
}

/** The artwork, or a smaller copy of one that is large, for a draft; made once, however many drafts ask for it. */
export async function smaller(file, longest) {
  const size = await sizeOf(file);
  if (!size || !isLarge(file, size) || Math.max(...size) <= longest) return file;
  const made = copies.get(file);
  if (!made.has(longest)) made.set(longest, decoded(file).then((bitmap) => scaled(bitmap, longest)));
  return made.get(longest);
}

async function scaled(bitmap, longest) {
  const factor = Math.min(1, longest / Math.max(bitmap.width, bitmap.height));
  const canvas = new OffscreenCanvas(Math.max(1, Math.round(bitmap.width * factor)), Math.max(1, Math.round(bitmap.height * factor)));
  const context = canvas.getContext("2d");
  context.imageSmoothingQuality = "high";
  context.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
  bitmap.close();
  return canvas.convertToBlob({ type: "image/png" });
}

/** The files of what was dropped, folders with all that is in them; each has its path. */
export async function dropped(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.some((entry) => entry.isDirectory)) return [...transfer.files];
  const found = [];
  const walk = async (entry, path) => {
    if (entry.isFile) {
      const file = await new Promise((resolve, reject) => entry.file(resolve, reject));
      file.path = `${path}${entry.name}`;
      found.push(file);
      return;
    }
    const reader = entry.createReader();
    for (;;) {
      const some = await new Promise((resolve, reject) => reader.readEntries(resolve, reject));
      if (!some.length) return;
      for (const one of some) await walk(one, `${path}${entry.name}/`);
    }
  };
  for (const entry of entries) await walk(entry, "");
  return found;
}
