// A working circuit on the same board: its archive, which file is which layer, the net that art may touch.
import { answer } from "./api.js";
import { blame, field, fill, h, say, select } from "./dom.js";

const FUNCTIONS = ["Copper,L1,Top", "Copper,L2,Bot", "Soldermask,Top", "Soldermask,Bot", "Legend,Top", "Legend,Bot", "Profile,NP", "Plated,1,2,PTH", "NonPlated,1,2,NPTH", "Other,not looked at"];

/** The controls of a circuit. `fab` : id of the chosen fab, when it is asked for. `changed` : called when a draft is due. */
export function circuitControls({ fab, changed }) {
  const files = field("Files of a working circuit", h("input", { type: "file", accept: ".zip,.tar,.tgz,.gz,.bz2,.xz" }), { name: "circuit", hint: "One archive of its Gerber and drill files: they give the board, and the art goes around the circuit. Several artworks all lie beside it; a series can't." });
  const net = field("Net that the art may touch", select([["", "none"]]), { name: "circuit_file", hint: "Its copper counts as a colour. Usually ground." });
  const unknown = h("div", { class: "wide layers-to-name" });
  const keepOut = field("Where the art keeps out", h("input", { type: "file", accept: "image/*,.svg,.tif,.tiff" }), { name: "keep_out", hint: "A picture of the board from the top: dark is kept free, as round an antenna." });
  const corner = field("Lower left corner of the artwork, in mm", h("input", { inputmode: "text", placeholder: "the board's middle" }));
  const root = h("details", { class: "wide" }, h("summary", {}, "A working circuit on the same board"), files, unknown, net, corner, keepOut);
  net.hidden = corner.hidden = keepOut.hidden = true;
  let layers = {};

  const chosen = () => files.control.files[0];

  /** The numbers that are written as "x, y". */
  const place = () => corner.control.value.trim().split(/[\s,;]+/).filter(Boolean).map(Number);

  function said() {
    const [x, y] = place();
    const told = { layers, ...(net.control.value ? { net: net.control.value } : {}), ...(Number.isFinite(x) && Number.isFinite(y) ? { artwork: { x, y } } : {}) };
    return new Blob([JSON.stringify(told)], { type: "application/json" });
  }

  async function read() {
    const file = chosen();
    blame(files, "");
    net.hidden = corner.hidden = keepOut.hidden = !file;
    if (!file) return changed();
    const body = new FormData();
    body.set("circuit", file);
    body.set("circuit_file", new Blob([JSON.stringify({ layers })], { type: "application/json" }), "what is said of the circuit");
    body.set("fab", fab());
    try {
      const found = await answer("/v1/circuits", { method: "POST", form: body });
      if (file !== chosen()) return;
      const before = net.control.value;
      fill(net.control, h("option", { value: "" }, "none"), found.nets.map((one) => h("option", { value: one.name.split(" = ")[0] }, one.name)));
      net.control.value = [...net.control.options].some((one) => one.value === before) ? before : "";
      if (found.box_mm) corner.control.placeholder = `the middle of ${found.box_mm.left}, ${found.box_mm.low} to ${found.box_mm.right}, ${found.box_mm.high}`;
      if (found.unknown.length) ask(found);
      else changed();
      if (found.fault) blame(files, `${found.fault.what} ${found.unknown.length ? "Say so below." : found.fault.mend}`);
      say(found.fault ? found.fault.what : "The circuit was read.");
    } catch (error) {
      blame(files, error.message);
      say(error.message);
    }
  }

  /** Ask for each file that doesn't say what it is, with its picture. */
  function ask(found) {
    const picture = (layer) => layer.picture && (layer.picture.startsWith("/") ? layer.picture : `/v1/jobs/${found.job}/files/${layer.picture}`);
    for (const layer of found.layers.filter((one) => !one.function)) {
      const choose = select([["", "which layer is it?"], ...FUNCTIONS.map((one) => [one])]);
      choose.addEventListener("change", () => {
        if (choose.value) layers[layer.name] = choose.value;
        else delete layers[layer.name];
        if ([...unknown.querySelectorAll("select")].every((one) => one.value)) read();
      });
      const box = field(layer.name, choose);
      if (layer.picture) box.prepend(h("img", { src: picture(layer), alt: `What ${layer.name} draws` }));
      unknown.append(box);
    }
  }

  files.control.addEventListener("change", () => {
    layers = {};
    fill(unknown);
    read();
  });
  root.addEventListener("input", (event) => {
    event.stopPropagation(); // a draft is due when the circuit is read
    if (event.target === corner.control) {
      const at = place();
      const wrong = at.length && !(at.length === 2 && at.every(Number.isFinite));
      blame(corner, wrong ? "Write two numbers, such as 20, 30." : "");
      if (!wrong) changed();
    } else if (event.target === net.control || event.target === keepOut.control) changed();
  });

  return {
    root,
    chosen,
    /** Put the circuit and what is said of it into a request for one artwork. */
    addTo(body) {
      if (!chosen()) return;
      body.set("circuit", chosen());
      body.set("circuit_file", said(), "what is said of the circuit");
      if (keepOut.control.files.length) body.set("keep_out", keepOut.control.files[0]);
    },
    blame(text) {
      if (text) root.open = true;
      blame(files, text);
    },
  };
}
