// A photograph of a coupon beside a chart: corners that can be dragged, readings, and how far they can be trusted.
import { answer, ask } from "./api.js";
import { field, fill, h, number, say, trouble } from "./dom.js";
import { GRADES } from "./fab.js";

const CORNERS = ["upper left", "upper right", "lower right", "lower left"];
const WHOSE = [["coupon", "corners", "coupon"], ["chart", "chart_corners", "chart's corner patches"]];
const COLOURS = { coupon: "#ffb000", chart: "#3ad0ff" };
const DASHES = { coupon: [], chart: [10, 6] };

/** The form; `importFile(file, told)` adds a file of readings to the fab. */
export function photographForm(path, importFile) {
  const photo = field("Photograph", h("input", { type: "file", accept: "image/*,.tif,.tiff" }), { hint: "Coupon and 24-patch chart in one plane; JPEG, PNG or TIFF." });
  const second = field("Second photograph, for bare metal", h("input", { type: "file", accept: "image/*,.tif,.tiff" }), { hint: "In a diffuse tent, without polarisers. May be left out." });
  const map = field("Patch map of the coupon", h("input", { type: "file", accept: ".json" }), { hint: "patch_map.json, which the coupon came with." });
  const batch = field("Batch", h("input", { type: "text", maxlength: "200" }));
  const coupon = field("Coupon", h("input", { type: "text", maxlength: "200" }));
  const told = h("div", { role: "status" });
  const marking = h("div");
  const out = h("div");
  let marks = null; // { coupon, chart }: four [x, y] each, in pixels of the upright picture
  let picture = null;
  let touched = false;

  const canvas = h("canvas", { class: "photo", role: "img", "aria-label": "The photograph with the corners of coupon and chart" });
  const handles = h("div", { class: "handles" });

  async function showPhoto() {
    const [file] = photo.control.files;
    marks = null;
    touched = false;
    fill(out);
    fill(marking);
    if (!file) return;
    try {
      picture = await createImageBitmap(file, { imageOrientation: "from-image" });
    } catch {
      picture = null;
      fill(marking, h("p", { class: "hint" }, "This browser can't show that file; the corners are looked for without your help."));
      return;
    }
    fill(marking, h("p", { class: "hint" }, "Corners are looked for. Where that fails, or to mend them, set them here: drag, or choose one and use the arrow keys (Shift moves by 10)."), h("div", { class: "photo-box" }, canvas, handles), h("button", { type: "button", on: { click: byHand } }, "Set the corners by hand"));
    draw();
  }

  function byHand() {
    const [w, t] = [picture.width, picture.height];
    const box = (left, top, right, bottom) => [[left * w, top * t], [right * w, top * t], [right * w, bottom * t], [left * w, bottom * t]].map((one) => one.map(Math.round));
    marks ||= { coupon: box(0.08, 0.15, 0.48, 0.85), chart: box(0.56, 0.25, 0.92, 0.75) };
    touched = true;
    draw();
    handles.querySelector("button")?.focus();
  }

  function draw() {
    if (!picture) return;
    const factor = Math.min(1, 1400 / Math.max(picture.width, picture.height));
    canvas.width = Math.round(picture.width * factor);
    canvas.height = Math.round(picture.height * factor);
    const context = canvas.getContext("2d");
    context.drawImage(picture, 0, 0, canvas.width, canvas.height);
    if (marks) {
      for (const [whose] of WHOSE) {
        for (const [width, colour] of [[6, "#000"], [3, COLOURS[whose]]]) {
          context.lineWidth = width;
          context.strokeStyle = colour;
          context.setLineDash(DASHES[whose]);
          context.beginPath();
          marks[whose].forEach(([x, y], i) => context[i ? "lineTo" : "moveTo"](x * factor, y * factor));
          context.closePath();
          context.stroke();
        }
      }
    }
    place();
  }

  function place() {
    if (!marks) return fill(handles);
    const wanted = WHOSE.flatMap(([whose]) => CORNERS.map((corner, i) => [whose, corner, i]));
    if (handles.children.length !== wanted.length) {
      fill(handles, wanted.map(([whose, corner, i]) => handleOf(whose, corner, i)));
    }
    wanted.forEach(([whose, corner, i], number) => {
      const [x, y] = marks[whose][i];
      const handle = handles.children[number];
      handle.style.setProperty("left", `${(x / picture.width) * 100}%`);
      handle.style.setProperty("top", `${(y / picture.height) * 100}%`);
      handle.setAttribute("aria-label", `${whose}, ${corner} corner, at ${Math.round(x)}, ${Math.round(y)}`);
    });
  }

  function handleOf(whose, corner, i) {
    const handle = h("button", { type: "button", class: `corner ${whose}` }, whose === "coupon" ? String(i + 1) : "abcd"[i]);
    const move = (x, y) => {
      marks[whose][i] = [Math.max(0, Math.min(picture.width - 1, x)), Math.max(0, Math.min(picture.height - 1, y))];
      touched = true;
      draw();
    };
    handle.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 10 : 1;
      const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
      if (!moves[event.key]) return;
      event.preventDefault();
      const [x, y] = marks[whose][i];
      move(x + moves[event.key][0], y + moves[event.key][1]);
    });
    handle.addEventListener("pointerdown", (event) => handle.setPointerCapture(event.pointerId));
    handle.addEventListener("pointermove", (event) => {
      if (!handle.hasPointerCapture(event.pointerId)) return;
      const box = canvas.getBoundingClientRect();
      move(((event.clientX - box.left) / box.width) * picture.width, ((event.clientY - box.top) / box.height) * picture.height);
    });
    return handle;
  }

  function form() {
    const sent = new FormData();
    sent.set("photo", photo.control.files[0]);
    sent.set("map", map.control.files[0]);
    if (second.control.files[0]) sent.set("second", second.control.files[0]);
    if (batch.control.value.trim()) sent.set("batch", batch.control.value.trim());
    if (coupon.control.value.trim()) sent.set("coupon", coupon.control.value.trim());
    // What was found, and not touched, is found again.
    if (marks && touched) for (const [whose, name] of WHOSE) sent.set(name, marks[whose].map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" "));
    return sent;
  }

  async function read() {
    if (!photo.control.files[0] || !map.control.files[0]) return fill(told, trouble("Choose a photograph and the coupon's patch map first."));
    fill(told, h("p", { class: "soft" }, "A worker reads it …"));
    fill(out);
    try {
      const found = await answer(`${path}/photograph`, { method: "POST", form: form() });
      fill(told);
      showReadings(found);
      say(`${found.readings.length} patches were read.`);
    } catch (error) {
      fill(told, trouble(error.message, picture && !touched ? " The corners can be set by hand below." : ""));
    }
  }

  function showReadings(found) {
    if (picture) {
      const [quality] = found.photographs;
      marks = { coupon: quality.marks.coupon, chart: quality.marks.chart };
      draw();
    }
    const quality = (one) => h(
      "li",
      {},
      h("strong", {}, one.name),
      h("p", { class: "leave-one-out" }, `Leave-one-out error: mean ${number(one.mean)}, 95th percentile ${number(one.p95)}, worst ${number(one.worst)} CIEDE2000. Each patch of the chart was left out of the fit in turn, and predicted.`),
      h("p", { class: "soft" }, `Light: at most ${number(one.fall)} times as much at one place as at another. Veil taken off: ${number(one.veil * 100, 1)} % of the white.`),
    );
    fill(
      out,
      h("ul", { class: "plain" }, found.photographs.map(quality)),
      found.warnings.length ? h("ul", {}, found.warnings.map((text) => h("li", {}, text))) : null,
      h("div", { class: "scroll low", tabindex: "0", role: "region", "aria-label": "Readings of the photograph" }, h(
        "table",
        {},
        h("thead", {}, h("tr", {}, ["Finish", "Patch", "L*, a*, b*", "Grade"].map((text) => h("th", { scope: "col" }, text)))),
        h("tbody", {}, found.readings.map((one) => h("tr", {}, h("td", {}, one.finish), h("td", {}, String(one.repeat)), h("td", {}, (one.reading.lab || one.reading.xyz).map((value) => number(value, 1)).join(", ")), h("td", {}, GRADES[one.reading.grade] || "from a photograph")))),
      )),
      h("button", { type: "button", class: "main", on: { click: add } }, `Add these ${found.readings.length} readings to the fab`),
    );
  }

  async function add(event) {
    event.target.disabled = true;
    try {
      const response = await ask(`${path}/photograph`, { method: "POST", form: form(), accept: "text/csv" });
      if (response.status === 202) return fill(told, trouble("No worker had time for it. Try again."));
      const name = `${photo.control.files[0].name.replace(/\.[^.]*$/, "")}.csv`;
      await importFile(new File([await response.blob()], name, { type: "text/csv" }), told);
    } catch (error) {
      fill(told, trouble(error.message));
    } finally {
      event.target.disabled = false;
    }
  }

  photo.control.addEventListener("change", showPhoto);
  return h("div", {}, h("div", { class: "filters" }, photo, second, map), h("div", { class: "pair" }, batch, coupon), h("button", { type: "button", class: "main", on: { click: read } }, "Read the photograph"), told, marking, out);
}
