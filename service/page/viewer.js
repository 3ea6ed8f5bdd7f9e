// Two pictures of one board under a divider: zoom and pan to the pixel, a scale in mm, marks, and a choice of place.
import { fill, h, number } from "./dom.js";

const LARGEST = 40; // device pixels for a pixel of the board
const KEYS = "Drag or use the arrow keys to move, the wheel or + and − to zoom, 0 to see all.";

/** A viewer; `picked(x, y)` is told which pixel of the grid was chosen. */
export function viewer({ left = "Artwork", right = "Board", picked = null, label = "Artwork and board" } = {}) {
  const canvas = h("canvas", { tabindex: "0", role: "img", "aria-label": `${label}. ${KEYS}` });
  const names = [h("span", { class: "side", "aria-hidden": "true" }, left), h("span", { class: "side right", "aria-hidden": "true" }, right)];
  const slider = h("input", { type: "range", min: "0", max: "100", value: "50", "aria-label": "Divider between artwork and board", "aria-valuetext": "" });
  const scale = h("span", { class: "soft zoomed" });
  const handle = h("div", { class: "handle", "aria-hidden": "true" });
  const stage = h("div", { class: "stage" }, canvas, ...names, handle);
  const button = (text, name, call) => h("button", { type: "button", class: "tool", "aria-label": name, title: name, on: { click: call } }, text);
  const tools = h(
    "div",
    { class: "tools" },
    button("−", "Zoom out", () => zoomBy(1 / 1.5)),
    button("+", "Zoom in", () => zoomBy(1.5)),
    button("all", "See all", () => fit()),
    button("1:1", "One pixel of the screen for each of the board", () => setZoom(1)),
    scale,
  );
  const root = h("div", { class: "viewer" }, stage, h("div", { class: "divider" }, slider), tools);

  const state = { left: null, right: null, width: 0, height: 0, pitch: 0, zoom: 1, x: 0, y: 0, marks: [], at: null, fitted: true };
  let asked = false;

  function size() {
    const box = stage.getBoundingClientRect();
    const ratio = window.devicePixelRatio || 1;
    const [width, height] = [Math.max(1, Math.round(box.width * ratio)), Math.max(1, Math.round(box.height * ratio))];
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
      if (state.fitted) fit();
    }
    draw();
  }

  function fit() {
    if (!state.width) return;
    state.zoom = Math.min(canvas.width / state.width, canvas.height / state.height);
    state.x = state.width / 2;
    state.y = state.height / 2;
    state.fitted = true;
    draw();
  }

  function setZoom(zoom, at) {
    const least = Math.min(1, canvas.width / state.width, canvas.height / state.height) / 2;
    const next = Math.max(least, Math.min(LARGEST, zoom));
    if (at) {
      // What is under the pointer stays there.
      const [x, y] = toGrid(at[0], at[1]);
      state.x = x - (at[0] - canvas.width / 2) / next;
      state.y = y - (at[1] - canvas.height / 2) / next;
    }
    state.zoom = next;
    state.fitted = false;
    keepInside();
    draw();
  }
  const zoomBy = (factor, at) => setZoom(state.zoom * factor, at);

  function keepInside() {
    state.x = Math.max(0, Math.min(state.width, state.x));
    state.y = Math.max(0, Math.min(state.height, state.y));
  }

  const toGrid = (x, y) => [state.x + (x - canvas.width / 2) / state.zoom, state.y + (y - canvas.height / 2) / state.zoom];
  const toCanvas = (x, y) => [(x - state.x) * state.zoom + canvas.width / 2, (y - state.y) * state.zoom + canvas.height / 2];

  function draw() {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      paint();
    });
  }

  function paint() {
    const context = canvas.getContext("2d");
    context.clearRect(0, 0, canvas.width, canvas.height);
    const share = Number(slider.value) / 100;
    const cut = Math.round(canvas.width * share);
    const part = (source, from, to) => {
      if (!source || to <= from) return;
      context.save();
      context.beginPath();
      context.rect(from, 0, to - from, canvas.height);
      context.clip();
      const [x, y] = toCanvas(0, 0);
      context.imageSmoothingEnabled = state.zoom * source.step < 1.5 || Boolean(source.smooth);
      context.drawImage(source.picture, x, y, source.picture.width * source.step * state.zoom, source.picture.height * source.step * state.zoom);
      context.restore();
    };
    part(state.left, 0, cut);
    part(state.right, cut, canvas.width);
    paintMarks(context);
    const both = state.left && state.right;
    handle.hidden = !both;
    handle.style.setProperty("left", `${share * 100}%`);
    names[0].hidden = !state.left || share < 0.12;
    names[1].hidden = !state.right || share > 0.88;
    slider.setAttribute("aria-valuetext", `${names[0].textContent} ${Math.round(share * 100)} percent, ${names[1].textContent} ${Math.round(100 - share * 100)} percent`);
    paintScale(context);
  }

  function paintMarks(context) {
    const ratio = window.devicePixelRatio || 1;
    const all = state.at ? [...state.marks, { ...state.at, chosen: true }] : state.marks;
    all.forEach((mark) => {
      const [x, y] = toCanvas(mark.x + 0.5, mark.y + 0.5);
      if (!mark.chosen) {
        context.fillStyle = "rgba(0,0,0,.6)";
        context.beginPath();
        context.arc(x, y, 12 * ratio, 0, 2 * Math.PI);
        context.fill();
      }
      for (const [width, colour] of [[5, "#000"], [2.5, "#fff"]]) {
        context.lineWidth = width * ratio;
        context.strokeStyle = colour;
        context.beginPath();
        if (mark.chosen) {
          const reach = Math.max(9 * ratio, state.zoom);
          context.moveTo(x - 2 * reach, y);
          context.lineTo(x - reach / 2, y);
          context.moveTo(x + reach / 2, y);
          context.lineTo(x + 2 * reach, y);
          context.moveTo(x, y - 2 * reach);
          context.lineTo(x, y - reach / 2);
          context.moveTo(x, y + reach / 2);
          context.lineTo(x, y + 2 * reach);
        } else context.arc(x, y, 12 * ratio, 0, 2 * Math.PI);
        context.stroke();
      }
      if (mark.name) {
        context.font = `600 ${13 * ratio}px system-ui, sans-serif`;
        context.textAlign = "center";
        context.textBaseline = "middle";
        context.lineWidth = 3 * ratio;
        context.strokeStyle = "#000";
        context.fillStyle = "#fff";
        context.strokeText(mark.name, x, y);
        context.fillText(mark.name, x, y);
      }
    });
  }

  function paintScale(context) {
    if (!state.pitch || !state.width) return;
    const ratio = window.devicePixelRatio || 1;
    const perMm = (state.zoom * 1000) / state.pitch;
    const wanted = (110 * ratio) / perMm;
    const power = 10 ** Math.floor(Math.log10(wanted));
    const length = [5, 2, 1].map((step) => step * power).find((step) => step <= wanted) || power;
    const [x, y, width] = [12 * ratio, canvas.height - 14 * ratio, length * perMm];
    const text = length >= 1 ? `${length} mm` : `${Number((length * 1000).toPrecision(3))} µm`;
    context.fillStyle = "rgba(0,0,0,.72)";
    context.fillRect(x - 6 * ratio, y - 20 * ratio, Math.max(width, 40 * ratio) + 12 * ratio, 28 * ratio);
    context.fillStyle = "#fff";
    context.fillRect(x, y, width, 3 * ratio);
    context.fillRect(x, y - 5 * ratio, ratio, 8 * ratio);
    context.fillRect(x + width - ratio, y - 5 * ratio, ratio, 8 * ratio);
    context.font = `${12 * ratio}px system-ui, sans-serif`;
    context.textAlign = "left";
    context.textBaseline = "alphabetic";
    context.fillText(text, x + 3 * ratio, y - 6 * ratio);
    fill(scale, `bar ${text}, a pixel of the board is ${number(state.pitch, state.pitch % 1 ? 1 : 0)} µm`);
    root.dataset.scale = text;
    root.dataset.zoom = state.zoom.toFixed(3);
  }

  // Pointers: one moves the picture or the divider, two zoom.
  const pointers = new Map();
  let began = null;
  const place = (event) => {
    const box = canvas.getBoundingClientRect();
    return [((event.clientX - box.left) * canvas.width) / box.width, ((event.clientY - box.top) * canvas.height) / box.height];
  };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    pointers.set(event.pointerId, place(event));
    const near = Math.abs(place(event)[0] - (canvas.width * slider.value) / 100) < 14 * (window.devicePixelRatio || 1);
    began = { at: place(event), moved: false, divider: near && !handle.hidden };
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!pointers.has(event.pointerId)) return;
    const [x, y] = place(event);
    const before = pointers.get(event.pointerId);
    if (pointers.size === 2) {
      const other = [...pointers].find(([id]) => id !== event.pointerId)[1];
      const spread = (one) => Math.hypot(one[0] - other[0], one[1] - other[1]);
      zoomBy(spread([x, y]) / Math.max(1, spread(before)), [(x + other[0]) / 2, (y + other[1]) / 2]);
      began.moved = true;
    } else if (began.divider) {
      slider.value = String((x / canvas.width) * 100);
      began.moved = true;
      draw();
    } else {
      if (Math.hypot(x - began.at[0], y - began.at[1]) > 4) began.moved = true;
      if (began.moved) {
        state.x -= (x - before[0]) / state.zoom;
        state.y -= (y - before[1]) / state.zoom;
        state.fitted = false;
        keepInside();
        draw();
      }
    }
    pointers.set(event.pointerId, [x, y]);
  });
  const up = (event) => {
    const known = pointers.delete(event.pointerId);
    if (known && event.type === "pointerup" && began && !began.moved && pointers.size === 0) pick(...toGrid(...place(event)));
  };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoomBy(Math.exp(-event.deltaY * 0.0015), place(event));
  }, { passive: false });
  canvas.addEventListener("keydown", (event) => {
    const step = (canvas.width / state.zoom) * (event.shiftKey ? 0.02 : 0.1);
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (moves[event.key]) {
      state.x += moves[event.key][0];
      state.y += moves[event.key][1];
      state.fitted = false;
      keepInside();
      draw();
    } else if (event.key === "+" || event.key === "=") zoomBy(1.5);
    else if (event.key === "-") zoomBy(1 / 1.5);
    else if (event.key === "0") fit();
    else if (event.key === "Enter" && picked) pick(state.x, state.y);
    else return;
    event.preventDefault();
  });
  slider.addEventListener("input", draw);

  function pick(x, y) {
    if (!picked || x < 0 || y < 0 || x >= state.width || y >= state.height) return;
    state.at = { x: Math.floor(x), y: Math.floor(y) };
    draw();
    picked(state.at.x, state.at.y);
  }

  new ResizeObserver(size).observe(stage);

  return {
    root,
    slider,
    /** Show pictures of a grid. Each is { picture, step, smooth }, its pixels `step` pixels of the grid wide. */
    show({ grid, left: one, right: two, names: [first, second] = [left, right] }) {
      const changed = grid.width_px !== state.width || grid.height_px !== state.height;
      Object.assign(state, { left: one, right: two, width: grid.width_px, height: grid.height_px, pitch: grid.pitch_um });
      names[0].textContent = first;
      names[1].textContent = second;
      canvas.setAttribute("aria-label", `${first} and ${second}. ${KEYS}${picked ? " Enter chooses the colour in the middle." : ""}`);
      if (changed) {
        stage.style.setProperty("aspect-ratio", String(Math.max(0.6, Math.min(1.9, grid.width_px / grid.height_px))));
        state.at = null;
        size();
        fit();
      }
      draw();
    },
    mark(marks) {
      state.marks = marks;
      draw();
    },
    /** Look at a pixel closely. */
    go(x, y, zoom = 8) {
      state.x = x + 0.5;
      state.y = y + 0.5;
      state.zoom = Math.max(state.zoom, Math.min(LARGEST, zoom));
      state.fitted = false;
      draw();
    },
  };
}
