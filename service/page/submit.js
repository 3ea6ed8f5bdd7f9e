// Submit: artworks, fab, size and settings, with a draft that answers to each of them.
import { get, look } from "./api.js";
import { blame, bytes, choice, field, fill, fresh, group, h, number, percent, say, select, swatch, tint, trouble } from "./dom.js";
import { circuitControls } from "./circuit.js";
import { boardPicture, loadLook } from "./pictures.js";
import { QUICK_PX, dropped, sizeOf, smaller } from "./artwork.js";
import { planner } from "./plan.js";
import { viewer } from "./viewer.js";

const WAIT_MS = 220; // somebody may be typing
const SHORT_MS = 30;
const FINE_MS = 900;
const FINE_PX = 2400;

const calledAfter = ([first, ...more]) => `${first.name.slice(0, 150)}${more.length ? ` and ${more.length} more` : ""}`;

export async function show(view, _, session) {
  const fabs = (await get("/v1/fabs")).fabs;
  const state = { files: [], chosen: null, aspect: null, given: "width", finishes: null, drawn: null };
  const left = new AbortController(); // when another place is opened

  // What is submitted.
  const picker = h("input", { type: "file", multiple: true, id: fresh("files"), class: "unseen", accept: "image/*,.svg,.tif,.tiff" });
  const folder = h("input", { type: "file", multiple: true, webkitdirectory: true, id: fresh("folder"), class: "unseen" });
  const list = h("ul", { class: "files" });
  const drop = h(
    "div",
    { class: "drop" },
    h("p", {}, h("strong", {}, "Drop artworks here"), ", one or many, or a folder"),
    h("div", { class: "row" }, picker, h("label", { for: picker.id, class: "button" }, "Choose files"), folder, h("label", { for: folder.id, class: "button" }, "Choose a folder")),
    h("p", { class: "hint" }, `PNG, JPEG, TIFF, WebP, BMP, GIF or SVG, each up to ${bytes(session.max_upload_bytes)}. Only what you have the rights to.`),
    h("p", { class: "wrong", hidden: true }),
  );

  // How it is made.
  const fab = field("Fab", select(fabs.map((one) => [one.id, `${one.id}: ${one.name}`])), { name: "fab" });
  const width = field("Width in mm", h("input", { type: "number", min: "0.1", max: "1200", step: "any", value: "60", inputmode: "decimal" }), { name: "width" });
  const height = field("Height in mm", h("input", { type: "number", min: "0.1", max: "1200", step: "any", value: "", inputmode: "decimal" }), { name: "height" });
  const radios = (legend, name, options, chosen, hint) => {
    const box = group(legend, { name, hint }, h("div", { class: "choices" }, options.map(([value, text]) => choice("radio", text, { name: `${name}-choice`, value, checked: value === chosen }))));
    box.value = () => box.querySelector("input:checked").value;
    return box;
  };
  const edges = radios("Edges", "edges", [["auto", "as the artwork asks"], ["threshold", "hard regions"], ["dither", "fine mixture"]], "auto", "Hard regions keep flat art sharp; a mixture shows shades that no finish has.");
  const cost = h("p", { class: "hint" });
  const quality = group("Fine mixture", { name: "quality" }, h("div", { class: "choices" }, choice("checkbox", "move its dots until the eye gains no more", { value: "best" })), cost);
  const colours = field("Number of colours", select([["auto", "as many as it needs"], ...Array.from({ length: 23 }, (_, i) => [i + 2]), [32], [48], [64]]), { name: "clusters" });
  const finishes = group("Finishes", { name: "forbid", hint: "Those that are off are not used." }, h("div", { class: "choices" }));
  const background = field("Behind transparent places", h("select"), { name: "background" });
  const assignment = radios("Colours", "assignment", [["faithful", "faithful"], ["contrast", "more contrast"]], "faithful");
  const amount = field("How much contrast", h("input", { type: "range", min: "0", max: "1", step: "0.05", value: "0.5" }), { name: "" });
  amount.hidden = true;
  const board = field("Board", select([["rectangle", "rectangle"], ["rectangle:2mm", "rectangle, corners of 2 mm"], ["disc", "disc"], ["silhouette", "shape of the artwork"], ["silhouette:1.5mm", "shape of the artwork, 1.5 mm larger"]]), { name: "board" });
  const use = field("It is for", select([["wall", "a wall or a shelf"], ["handheld", "the hand"], ["worn", "wearing"], ["child", "a child"]]), { name: "use", hint: "Decides which cautions apply." });
  const fabrication = group("Files for the fab", { name: "fabrication" }, h("div", { class: "choices" }, choice("checkbox", "make layers, Gerber and drill files (takes longer)", { value: "on" })));
  const pitch = field("One pixel of the masks, in µm", h("input", { type: "number", min: "5", max: "100", step: "any", value: "20", inputmode: "decimal" }), { name: "pitch", hint: "5 to 100. Large boards need a coarser one: the masks may have 400 million pixels." });
  const together = group("Of several artworks", { name: "series", hint: "An animated file by itself can be a series, too." }, h("div", { class: "choices" }, choice("checkbox", "one palette for all", { value: "palette" }), choice("checkbox", "a series: each follows on the one before", { value: "series" })));
  const isSeries = () => together.querySelector("[value=series]").checked;
  const bottom = field("Artwork of the other side", h("input", { type: "file", accept: "image/*,.svg,.tif,.tiff" }), { name: "bottom", hint: "As it is seen from behind. Goes along when one artwork is submitted." });
  const circuit = circuitControls({ fab: () => fab.control.value, changed: () => (sizeByCircuit(), state.chosen && again()) });

  const wrong = h("div", { class: "wrong-place" });
  const send = h("button", { class: "main", disabled: true }, "Submit");
  const form = h(
    "form",
    { class: "card controls", novalidate: true, "aria-label": "How it is made" },
    fab,
    h("div", { class: "pair" }, width, height),
    edges,
    quality,
    colours,
    finishes,
    background,
    assignment,
    amount,
    h("details", { class: "wide" }, h("summary", {}, "Board, use, files for the fab, pixel, other side"), board, use, fabrication, pitch, together, bottom),
    circuit.root,
    wrong,
    send,
  );

  // What it will look like.
  const shown = viewer({ left: "Artwork", right: "Draft" });
  const told = h("div", { class: "figures", "aria-live": "off" });
  const busy = h("p", { class: "soft", role: "status" }, "Choose an artwork, and a draft of its board appears here.");
  const draft = h("section", { class: "card draft", "aria-label": "Draft" }, h("h2", {}, "Draft"), shown.root, busy, told);
  shown.root.hidden = true;

  // Which fab: of the settings, those that count for a plan.
  const plan = planner(async () => {
    if (!state.chosen) return null;
    const body = settings();
    for (const name of [...new Set(body.keys())]) if (!["width", "height", "edges"].includes(name)) body.delete(name);
    body.set("artwork", await smaller(state.chosen, 1600), state.chosen.name);
    return body;
  }, (id) => {
    fab.control.value = id;
    fab.control.dispatchEvent(new Event("change", { bubbles: true }));
    form.dispatchEvent(new Event("input", { bubbles: true }));
    fab.control.focus();
    say(`${id} is chosen.`);
  });

  fill(view, h("h1", {}, "Submit"), h("div", { class: "bench submit" }, h("section", { class: "card artworks", "aria-label": "Artworks" }, drop, list), draft, form), plan.root);

  const NOT_DRAWN = [fabrication, quality, together, bottom]; // no draft shows them

  const chosenFab = () => fabs.find((one) => one.id === fab.control.value);

  function showFinishes() {
    const one = chosenFab();
    fill(
      finishes.querySelector(".choices"),
      one.finishes.map((finish) => choice("checkbox", finish.name, { value: finish.id, checked: true })),
    );
    fill(background.control, h("option", { value: "" }, `the fab's choice (${one.background})`), one.finishes.map((finish) => h("option", { value: finish.id }, finish.name)));
    state.finishes = one.id;
    colourFinishes(one);
  }

  async function colourFinishes(one) {
    try {
      const { references } = await get(`/v1/fabs/${encodeURIComponent(one.id)}/references`);
      if (!references || state.finishes !== one.id) return;
      for (const reference of references) {
        const input = finishes.querySelector(`input[value="${CSS.escape(reference.finish)}"]`);
        input?.after(swatch(reference.srgb));
      }
    } catch {
      // without its colour a finish still has its name
    }
  }

  /** The settings as the form says them. */
  function settings() {
    const given = new FormData();
    given.set("fab", fab.control.value);
    const side = state.given === "width" ? width : height;
    const covers = circuit.chosen() && !state.sized; // art covers a circuit's board, unless its size is said
    if (side.control.value.trim() && !covers) given.set(state.given, `${Number(side.control.value)}mm`);
    if (edges.value() !== "auto") given.set("edges", edges.value());
    if (colours.control.value !== "auto") given.set("clusters", colours.control.value);
    for (const box of finishes.querySelectorAll("input:not(:checked)")) given.append("forbid", box.value);
    if (background.control.value) given.set("background", background.control.value);
    if (assignment.value() === "contrast") given.set("assignment", `contrast:${amount.control.value}`);
    if (!quality.hidden && quality.querySelector("input").checked) given.set("quality", "best");
    if (pitch.control.value.trim() !== "20") given.set("pitch", `${pitch.control.value.trim()}um`);
    if (board.control.value !== "rectangle") given.set("board", board.control.value);
    if (use.control.value !== "wall") given.set("use", use.control.value);
    return given;
  }

  // The draft: one at a time, the last wish first; a finer one when nothing changes for a while, which any change ends.
  let timer = 0;
  let working = null;
  let wish = 0;

  function again(detail = "quick", wait = WAIT_MS) {
    clearTimeout(timer);
    if (working?.detail === "fine") working.gone.abort();
    timer = setTimeout(() => make(detail), wait);
  }

  async function make(detail) {
    if (!state.chosen || left.signal.aborted) return;
    if (working && !working.gone.signal.aborted) {
      wish = detail;
      return;
    }
    const mine = { detail, gone: new AbortController() };
    const { signal } = mine.gone;
    working = mine;
    wish = 0;
    const file = state.chosen;
    busy.textContent = detail === "quick" ? "Making a draft …" : "Refining it …";
    const began = performance.now();
    try {
      const body = settings();
      body.delete("quality"); // shows on the result's own grid alone
      body.set("detail", detail);
      body.set("artwork", await smaller(file, detail === "quick" ? QUICK_PX : FINE_PX), file.name);
      circuit.addTo(body);
      const found = await look("/v1/drafts", { method: "POST", form: body, signal, own: true });
      const loaded = await loadLook(found, signal);
      if (signal.aborted) return;
      if (file === state.chosen) {
        clearBlame();
        showDraft(loaded, detail);
        draft.dataset.detail = detail;
        draft.dataset.milliseconds = String(Math.round(performance.now() - began));
      }
      if (!wish && detail === "quick") again("fine", FINE_MS);
    } catch (error) {
      if (error.name === "AbortError") return;
      if (state.drawn !== state.chosen) {
        // What is shown is another artwork's.
        shown.root.hidden = true;
        fill(told);
      }
      busy.textContent = "There is no draft of this: see what is wrong beside it.";
      blameFor(error);
    } finally {
      if (working === mine) {
        working = null;
        if (wish) again(wish, 0);
      }
    }
  }

  function showDraft(loaded, detail) {
    const { look: found } = loaded;
    state.drawn = state.chosen;
    shown.root.hidden = false;
    shown.show({ grid: found.grid, left: loaded.artwork, right: boardPicture(loaded), names: ["Artwork", "Draft"] });
    if (state.aspect === null && !circuit.chosen()) {
      state.aspect = found.grid.width_mm / found.grid.height_mm;
      follow();
    }
    busy.textContent = detail === "quick" ? "A quick draft on a coarse grid; it is being refined." : "A draft on a coarser grid than the board's. The result's score can differ a little.";
    const used = found.finishes.filter((finish) => finish.share > 0).sort((one, two) => two.share - one.share);
    fill(
      told,
      h("p", { class: "score" }, h("strong", {}, number(found.score.s_cielab.mean)), ` mean error seen from ${found.score.viewing_distance_mm} mm (S-CIELAB)`),
      h("p", {}, `${number(found.grid.width_mm, 1)} × ${number(found.grid.height_mm, 1)} mm. ${found.edges.reason}`),
      h("ul", { class: "shares" }, used.map((finish) => h("li", {}, tint(finish.colour, `${finish.name}: ${percent(finish.share)}`)))),
      detail === "fine" && found.warnings.length ? h("details", {}, h("summary", {}, `Warnings: ${found.warnings.length}`), h("ul", {}, found.warnings.map((text) => h("li", {}, String(text))))) : null,
    );
    say(`Draft ready. Mean error ${number(found.score.s_cielab.mean)}.`);
  }

  /** Beside a circuit art covers the board, unless somebody says how large it is. */
  function sizeByCircuit() {
    const covers = circuit.chosen() && !state.sized;
    for (const side of [width, height]) {
      side.control.placeholder = covers ? "the board's" : "";
      if (covers) side.control.value = "";
    }
    if (!covers && !width.control.value && !height.control.value) {
      width.control.value = "60";
      follow();
    }
    price();
  }

  /** What the search for a better mixture costs: measured, a second for a million pixels on one core. */
  function price() {
    const [across, down, pixel] = [width, height, pitch].map((one) => Number(one.control.value));
    const million = (across * down) / (pixel * pixel);
    const here = across > 0 && down > 0 && pixel > 0 && !circuit.chosen() ? `, about ${million < 1 ? "1" : number(million, 0)} s here` : "";
    cost.textContent = `Photographs gain most. The result takes a second longer for each million pixels${here}; a draft doesn't show it.`;
  }

  /** The other side, by the artwork's proportions. */
  function follow() {
    if (!state.aspect) return;
    const [from, to] = state.given === "width" ? [width, height] : [height, width];
    const value = Number(from.control.value);
    if (!from.control.value || !Number.isFinite(value)) return;
    to.control.value = String(Number((state.given === "width" ? value / state.aspect : value * state.aspect).toFixed(2)));
    price();
  }

  const boxes = [...form.querySelectorAll("[data-setting]")];
  function clearBlame() {
    for (const box of boxes) blame(box, "");
    blame(drop, "");
    fill(wrong);
  }
  function blameFor(error) {
    clearBlame();
    const setting = ["width", "height"].includes(error.setting) ? state.given : error.setting;
    const box = boxes.find((one) => setting && one.dataset.setting === setting);
    if (box) {
      blame(box, error.message);
      box.closest("details")?.setAttribute("open", "");
    } else if (setting === "artwork") blame(drop, error.message);
    else if (error.code === "circuit" || setting === "circuit_file") circuit.blame(error.message);
    else if (error.code === "artwork" || error.code === "too-large") blame(drop, error.message);
    else fill(wrong, trouble(error.message));
    say(error.message);
  }

  async function take(files) {
    const given = files.filter((file) => !file.name.startsWith("."));
    const found = given.filter((file) => file.size);
    const empty = given.filter((file) => !file.size).map((file) => file.name);
    const left = `${empty.slice(0, 5).join(", ")}${empty.length > 5 ? " and more" : ""}: left out, for nothing is in it. Save it again from the program that made it.`;
    if (!found.length) return empty.length ? blame(drop, left) : undefined;
    state.files = found;
    fill(list, found.length > 200 ? [] : found.map((file, place) => row(file, place)));
    if (found.length > 1) list.prepend(h("li", { class: "soft" }, `${found.length} files, submitted as one collection`));
    if (empty.length) list.prepend(h("li", { class: "wrong" }, left));
    send.disabled = false;
    send.textContent = found.length > 1 ? `Submit ${found.length} files as a collection` : "Submit";
    await choose(found.find((file) => /\.(png|jpe?g|tiff?|webp|bmp|gif|svg)$/i.test(file.name)) || found[0]);
  }

  const row = (file) =>
    h("li", {}, h("button", { type: "button", class: "quiet", on: { click: () => choose(file) } }, file.webkitRelativePath || file.name), h("span", { class: "soft" }, ` ${bytes(file.size)}`));

  async function choose(file) {
    state.chosen = file;
    state.aspect = null;
    again("quick", 0); // which needs no more than the one side that is given
    [...list.querySelectorAll("button")].forEach((button) => button.toggleAttribute("aria-current", button.textContent === (file.webkitRelativePath || file.name)));
    const size = await sizeOf(file);
    if (file !== state.chosen) return;
    plan.clear();
    if (size) state.aspect = size[0] / size[1];
    follow();
  }

  picker.addEventListener("change", () => take([...picker.files]));
  folder.addEventListener("change", () => take([...folder.files]));
  drop.addEventListener("dragover", (event) => {
    event.preventDefault();
    drop.classList.add("over");
  });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", async (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    take(await dropped(event.dataTransfer));
  });

  for (const [side, box] of [["width", width], ["height", height]]) {
    box.control.addEventListener("input", () => {
      state.given = side;
      state.sized = true;
      follow();
    });
  }
  fab.control.addEventListener("change", showFinishes);
  form.addEventListener("input", (event) => {
    quality.hidden = edges.value() === "threshold";
    amount.hidden = assignment.value() !== "contrast";
    price();
    if (state.chosen && !NOT_DRAWN.some((box) => box.contains(event.target))) again("quick", event.target.type === "number" ? WAIT_MS : SHORT_MS);
  });

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!state.files.length) return;
    send.disabled = true;
    clearBlame();
    try {
      const body = settings();
      if (fabrication.querySelector("input").checked) body.set("fabrication", "on");
      if (state.files.length === 1 && !isSeries()) {
        body.set("artwork", state.files[0], state.files[0].name);
        if (bottom.control.files.length) body.set("bottom", bottom.control.files[0]);
        circuit.addTo(body);
        const job = await get("/v1/jobs", { method: "POST", form: body });
        location.hash = `#/jobs/${job.id}`;
      } else {
        const path = (file) => file.webkitRelativePath || file.path || file.name;
        if (isSeries()) body.set("series", "on");
        else if (together.querySelector("[value=palette]").checked) body.set("palette", "shared");
        body.set("name", path(state.files[0]).includes("/") ? path(state.files[0]).split("/")[0] : calledAfter(state.files));
        for (const file of state.files) body.append("artwork", file, path(file));
        circuit.addTo(body);
        const collection = await get("/v1/collections", { method: "POST", form: body });
        location.hash = `#/collections/${collection.id}`;
      }
    } catch (error) {
      blameFor(error);
      send.disabled = false;
    }
  });

  showFinishes();
  price();
  return () => {
    clearTimeout(timer);
    left.abort();
    working?.gone.abort();
    plan.stop();
  };
}
