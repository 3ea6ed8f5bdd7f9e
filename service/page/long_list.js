// A list of thousands of rows of which only those in sight exist, fetched page by page as they come into sight.
import { fill, h } from "./dom.js";

const PAGE = 100;
const BEYOND = 8; // rows made above and below what is in sight

/**
 * A long list. `fetchPage(start, size)` gives rows, `row(entry, index)` the content of one.
 *
 * Rows are list items with their place and the size of the whole set, so that a screen reader knows both.
 */
export function longList({ label, height = window.matchMedia("(max-width: 48rem)").matches ? 124 : 84, fetchPage, row }) {
  const list = h("ul", { class: "long-list", role: "list" });
  const box = h("div", { class: "long-box", tabindex: "0", role: "region", "aria-label": label }, list);
  let count = 0;
  let pages = new Map();
  let made = new Map();
  let turn = 0;

  const entry = (index) => pages.get(Math.floor(index / PAGE))?.[index % PAGE];

  async function load(number, again = false) {
    if (pages.has(number) && !again) return;
    if (!pages.has(number)) pages.set(number, []);
    const asked = turn;
    const found = await fetchPage(number * PAGE, PAGE);
    if (asked !== turn) return;
    pages.set(number, found);
    for (const [index, item] of made) if (Math.floor(index / PAGE) === number) put(item, index);
  }

  function put(item, index) {
    const found = entry(index);
    item.setAttribute("aria-posinset", String(index + 1));
    item.setAttribute("aria-setsize", String(count));
    const mark = JSON.stringify(found ?? null);
    if (item.dataset.mark === mark) return;
    item.dataset.mark = mark;
    const within = item.contains(document.activeElement);
    fill(item, found ? row(found, index) : h("span", { class: "soft" }, "…"));
    if (within) item.querySelector("a, button")?.focus();
  }

  function draw() {
    list.style.setProperty("height", `${count * height}px`);
    const first = Math.max(0, Math.floor(box.scrollTop / height) - BEYOND);
    const last = Math.min(count, Math.ceil((box.scrollTop + box.clientHeight) / height) + BEYOND);
    for (const [index, item] of made) {
      if (index < first || index >= last) {
        item.remove();
        made.delete(index);
      }
    }
    for (let index = first; index < last; index++) {
      if (made.has(index)) continue;
      const item = h("li", { style: { top: `${index * height}px`, height: `${height}px` } });
      const after = [...made.keys()].filter((other) => other > index).sort((a, b) => a - b)[0];
      list.insertBefore(item, after === undefined ? null : made.get(after));
      made.set(index, item);
      put(item, index);
    }
    if (count) for (let number = Math.floor(first / PAGE); number <= Math.floor(Math.max(first, last - 1) / PAGE); number++) load(number).catch(() => pages.delete(number));
  }

  box.addEventListener("scroll", () => requestAnimationFrame(draw));
  new ResizeObserver(draw).observe(box);
  return {
    root: box,
    /** Another set of rows, from the first on. */
    reset(size) {
      turn++;
      count = size;
      pages = new Map();
      for (const item of made.values()) item.remove();
      made = new Map();
      box.scrollTop = 0;
      draw();
    },
    /** The same rows, as they are now: what is in sight is fetched again. */
    async refresh(size) {
      count = size;
      const seen = new Set([...made.keys()].map((index) => Math.floor(index / PAGE)));
      for (const number of [...pages.keys()]) if (!seen.has(number)) pages.delete(number);
      for (const number of seen) await load(number, true);
      draw();
    },
    get made() {
      return made.size;
    },
  };
}
