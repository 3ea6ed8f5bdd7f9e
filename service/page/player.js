// Boards one after the other, in the order of their names: as a series they move. Nothing moves before it is asked to.
import { field, fill, h, say, trouble } from "./dom.js";
import { load } from "./pictures.js";

const MOST = 400;
const AHEAD = 4; // pictures that are fetched before their turn

/** A player of the frames that `fetchFrames(start, size)` names, of which there are `count`. */
export function player(fetchFrames, count) {
  const canvas = h("canvas", { role: "img", "aria-label": "No frame yet" });
  const slider = h("input", { type: "range", min: "1", max: String(Math.max(1, Math.min(count, MOST))), value: "1", "aria-label": "Frame" });
  const rate = field("Frames a second", h("input", { type: "number", min: "0.5", max: "25", step: "0.5", value: "8", inputmode: "decimal" }));
  const told = h("p", { class: "soft" });
  const button = (text, call) => h("button", { type: "button", on: { click: call } }, text);
  const play = button("Play", () => (timer ? halt() : go()));
  const root = h("div", {}, h("div", { class: "player-stage" }, canvas), told, slider, h("div", { class: "row" }, button("Frame before", () => (halt(), show(at - 1))), play, button("Next frame", () => (halt(), show(at + 1))), rate));
  let frames = [];
  let at = 0;
  let timer = 0;
  const pictures = new Map();

  function picture(place) {
    const frame = frames[place];
    if (!pictures.has(place)) pictures.set(place, load(frame.address));
    if (pictures.size > 60) pictures.delete(pictures.keys().next().value);
    return pictures.get(place);
  }

  async function show(place) {
    if (!frames.length) return;
    at = (place + frames.length) % frames.length;
    const asked = at;
    try {
      const shown = await picture(at);
      if (asked !== at) return;
      canvas.width = shown.width;
      canvas.height = shown.height;
      canvas.getContext("2d").drawImage(shown, 0, 0);
    } catch (error) {
      fill(told, trouble(error.message));
      return halt();
    }
    const text = `${at + 1} of ${frames.length}: ${frames[at].name}`;
    told.textContent = text;
    canvas.setAttribute("aria-label", text);
    slider.value = String(at + 1);
    slider.setAttribute("aria-valuetext", text);
    for (let next = 1; next <= Math.min(AHEAD, frames.length - 1); next++) picture((at + next) % frames.length).catch(() => {});
    root.dataset.frame = String(at + 1);
  }

  function go() {
    const each = Math.max(0.5, Math.min(25, Number(rate.control.value) || 8));
    play.textContent = "Pause";
    const turn = async () => {
      await show(at + 1);
      if (timer) timer = setTimeout(turn, 1000 / each);
    };
    timer = setTimeout(turn, 0);
    say("Playing.");
  }

  function halt() {
    clearTimeout(timer);
    timer = 0;
    play.textContent = "Play";
  }

  async function start() {
    try {
      for (let from = 0; from < Math.min(count, MOST); from += 200) frames.push(...(await fetchFrames(from, 200)));
      const order = new Intl.Collator("en", { numeric: true });
      frames.sort((one, two) => order.compare(one.name, two.name));
      frames = frames.slice(0, MOST);
      slider.max = String(Math.max(1, frames.length));
      if (!frames.length) told.textContent = "No board is done yet.";
      await show(0);
      if (count > MOST) told.append(` (the first ${MOST} alone)`);
    } catch (error) {
      fill(told, trouble(error.message));
    }
  }
  slider.addEventListener("input", () => (halt(), show(Number(slider.value) - 1)));
  start();
  return { root, halt };
}
