// The frame: which view stands at which address, who is signed in, and where the focus goes.
import { ask, get, onLockedOut } from "./api.js";
import { fill, h, say, trouble } from "./dom.js";

const main = document.getElementById("main");
const places = document.getElementById("places");
const who = document.getElementById("who");

const VIEWS = [
  [/^submit$/, "submit", () => import("./submit.js")],
  [/^jobs$/, "jobs", () => import("./jobs.js")],
  [/^jobs\/([0-9a-f]{32})(?:\/(look|tune|take|panel))?$/, "jobs", () => import("./job.js")],
  [/^collections$/, "collections", () => import("./collections.js")],
  [/^collections\/([0-9a-f]{32})$/, "collections", () => import("./collection.js")],
  [/^fabs$/, "fabs", () => import("./fabs.js")],
  [/^fabs\/([^/]+)$/, "fabs", () => import("./fab.js")],
];
const PLACES = [["submit", "Submit"], ["jobs", "Results"], ["collections", "Collections"], ["fabs", "Fabs"]];

let session = null;
let leave = () => {};
let shown = 0;

async function open() {
  const turn = ++shown;
  const path = placeOf(location.hash) || "submit";
  const found = VIEWS.find(([pattern]) => pattern.test(path));
  leave();
  leave = () => {};
  for (const link of places.querySelectorAll("a")) {
    if (found && link.hash === `#/${found[1]}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  const view = h("div", { class: "view" });
  try {
    if (!found) throw new Error(`There is nothing at ${path}. Choose a place above.`);
    fill(main, view);
    const module = await found[2]();
    const gone = await module.show(view, found[0].exec(path).slice(1), session);
    if (turn !== shown) return gone?.();
    leave = gone || leave;
  } catch (error) {
    if (turn !== shown || error.status === 401) return;
    const [, name] = PLACES.find(([place]) => place === found?.[1]) || [];
    const up = name && found[1] !== path ? h("p", {}, h("a", { href: `#/${found[1]}` }, `All ${name.toLowerCase()}`)) : null;
    fill(view, h("h1", { tabindex: "-1" }, "Maskwright"), trouble(error.message, up));
    fill(main, view);
  }
  const heading = view.querySelector("h1");
  if (heading) {
    document.title = `${heading.textContent} – Maskwright`;
    heading.tabIndex = -1;
    if (turn > 1) heading.focus({ preventScroll: true });
  }
  main.dataset.ready = path;
}

/** What stands after #; as it stands where it can't be decoded. */
function placeOf(hash) {
  const place = hash.replace(/^#\/?/, "");
  try {
    return decodeURIComponent(place);
  } catch {
    return place;
  }
}

function frame() {
  fill(places, session ? PLACES.map(([place, name]) => h("a", { href: `#/${place}` }, name)) : []);
  fill(
    who,
    session?.key
      ? [h("span", { class: "owner" }, session.owner), h("button", { type: "button", class: "quiet", on: { click: signOut } }, "Sign out")]
      : [],
  );
}

async function signOut() {
  await ask("/v1/session", { method: "DELETE" });
  session = null;
  askForKey("");
  say("You are signed out.");
}

/** The form that takes a key. `why` is said beside it. */
function askForKey(why) {
  ++shown;
  leave();
  leave = () => {};
  session = null;
  frame();
  const input = h("input", { type: "password", id: "key", autocomplete: "current-password", required: true, spellcheck: "false", "aria-describedby": "key-hint key-wrong" });
  const wrong = h("p", { class: "wrong", id: "key-wrong", role: "alert", hidden: !why }, why);
  const form = h(
    "form",
    {
      class: "card signin",
      on: {
        submit: async (event) => {
          event.preventDefault();
          try {
            session = await get("/v1/session", { method: "POST", json: { key: input.value } });
            input.value = "";
            frame();
            await open();
          } catch (error) {
            wrong.textContent = error.message;
            wrong.hidden = false;
            input.setAttribute("aria-invalid", "true");
            input.focus();
          }
        },
      },
    },
    h("h1", { tabindex: "-1" }, "Sign in"),
    h("label", { for: "key" }, "Your key"),
    input,
    h("p", { class: "hint", id: "key-hint" }, "It begins with maskwright_. Whoever runs this service makes one with “maskwright keys make”. The browser keeps it in a cookie that scripts can't read, until it is closed."),
    wrong,
    h("button", { class: "main" }, "Sign in"),
  );
  fill(main, form);
  document.title = "Sign in – Maskwright";
  input.focus();
}

async function start() {
  try {
    session = await get("/v1/session");
  } catch (error) {
    if (error.status !== 401) fill(main, h("h1", {}, "Maskwright"), trouble(error.message));
    return;
  }
  frame();
  await open();
}

onLockedOut((problem) => {
  // The first look asks whether a key is needed; later ones say that the one at hand is good no more.
  askForKey(session ? problem.message : "");
});
document.querySelector(".skip").addEventListener("click", (event) => {
  event.preventDefault(); // what stands after # is a place here
  main.focus();
});
window.addEventListener("hashchange", open);
start();
