// Building elements without text that becomes markup: the page's policy lets no string turn into script.

const present = (children) => children.flat().filter((child) => child !== undefined && child !== null && child !== false);

/** An element. `props`: `on` has listeners, `style` declarations, `set` properties; the rest are attributes. */
export function h(tag, props = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null || value === false) continue;
    if (name === "on") for (const [event, call] of Object.entries(value)) element.addEventListener(event, call);
    else if (name === "style") for (const [key, text] of Object.entries(value)) element.style.setProperty(key, text);
    else if (name === "set") Object.assign(element, value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...present(children));
  return element;
}

/** Put these in place of what an element holds. */
export function fill(element, ...children) {
  element.replaceChildren(...present(children));
  return element;
}

/** Tell people who can't see the change. */
export function say(text) {
  const said = document.getElementById("said");
  said.textContent = "";
  setTimeout(() => (said.textContent = text), 50);
}

let counted = 0;
/** An id that no other element has. */
export const fresh = (prefix) => `${prefix}-${++counted}`;

/** A control with its label before it, a hint, and room for what is wrong with it. `control` has an id afterwards. */
export function field(label, control, { hint = "", name = "", wide = false } = {}) {
  control.id ||= fresh("field");
  const wrong = h("p", { class: "wrong", id: `${control.id}-wrong`, hidden: true });
  const told = hint ? h("p", { class: "hint", id: `${control.id}-hint` }, hint) : null;
  if (told) control.setAttribute("aria-describedby", told.id);
  const box = h("div", { class: wide ? "field wide" : "field", "data-setting": name }, h("label", { for: control.id }, label), control, told, wrong);
  box.control = control;
  return box;
}

/** Several controls under one name. */
export function group(legend, { name = "", hint = "" } = {}, ...children) {
  const id = fresh("group");
  return h(
    "fieldset",
    { class: "field", "data-setting": name, "aria-describedby": hint ? `${id}-hint` : undefined },
    h("legend", {}, legend),
    ...children,
    hint ? h("p", { class: "hint", id: `${id}-hint` }, hint) : null,
    h("p", { class: "wrong", id: `${id}-wrong`, hidden: true }),
  );
}

/** Say beside a field what is wrong with it; "" takes it back. */
export function blame(box, text) {
  const wrong = box.querySelector(":scope > .wrong");
  wrong.textContent = text;
  wrong.hidden = !text;
  const control = box.control;
  if (!control) return;
  const hint = document.getElementById(`${control.id}-hint`) ? `${control.id}-hint` : "";
  const described = [hint, text ? wrong.id : ""].filter(Boolean).join(" ");
  if (described) control.setAttribute("aria-describedby", described);
  else control.removeAttribute("aria-describedby");
  if (text) control.setAttribute("aria-invalid", "true");
  else control.removeAttribute("aria-invalid");
}

/** A check box or a radio button with its label after it. */
export function choice(type, label, props = {}, ...before) {
  return h("label", { class: "choice" }, h("input", { type, ...props }), ...before, h("span", {}, label));
}

/** A list to choose one of: pairs of value and text, or values that are their own text. */
export function select(pairs, chosen = "") {
  return h("select", {}, pairs.map(([value, text = value]) => h("option", { value, selected: String(value) === chosen }, text)));
}

/** What is wrong, as a box of its own. */
export function trouble(text, ...more) {
  return h("div", { class: "trouble", role: "alert" }, h("strong", {}, "That did not work. "), text, ...more);
}

/** A small square of a colour; the name beside it says the same. */
export const swatch = (colour) => h("span", { class: "swatch", style: { background: colour }, "aria-hidden": "true" });

/** A colour and what it is called, which stay together where the line ends. */
export const tint = (colour, ...text) => h("span", { class: "tint" }, swatch(colour), h("span", {}, text));

export const number = (value, digits = 2) =>
  value === null || value === undefined ? "–" : Number(value).toLocaleString("en", { minimumFractionDigits: digits, maximumFractionDigits: digits });
export const percent = (share) => (share > 0 && share < 0.001 ? "under 0.1\u00a0%" : `${number(share * 100, 1)}\u00a0%`);
export const bytes = (size) => (size < 1e6 ? `${number(size / 1e3, 1)}\u00a0kB` : `${number(size / 1e6, 1)}\u00a0MB`);
export const moment = (text) => (text ? new Date(text).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" }) : "–");
