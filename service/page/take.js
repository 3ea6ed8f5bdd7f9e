// Take away: package, masks, pictures, layers, report, cautions, and a link that ends by itself.
import { ask, get } from "./api.js";
import { bytes, field, fill, h, moment, say, select, trouble } from "./dom.js";

const KINDS = [
  ["Masks", (path) => /(^|\/)masks\//.test(path)],
  ["Pictures", (path) => /^(top\/|bottom\/)?[^/]+\.png$|^views\//.test(path)],
  ["For the fab", (path) => path.startsWith("fabrication/")],
  ["Report and data", () => true],
];

export async function show(body, job, session) {
  const [{ files }, report] = await Promise.all([get(`/v1/jobs/${job.id}/files`), get(`/v1/jobs/${job.id}/files/report.json`)]);
  const groups = KINDS.map(([name]) => [name, []]);
  for (const file of files) groups[KINDS.findIndex(([, is]) => is(file.path))][1].push(file);

  const cautions = report.cautions || [];
  const warnings = (report.warnings || []).map(String);
  const notes = h(
    "section",
    { class: "card", "aria-label": "Cautions" },
    h("h2", {}, "Cautions"),
    cautions.length ? h("ul", {}, cautions.map((one) => h("li", {}, one.text, h("span", { class: "soft" }, ` Because ${one.because}. ${one.source}`)))) : h("p", {}, "None of those that this program knows applies to these settings."),
    h("p", { class: "hint" }, "Not safety or legal advice: local codes and licensed practice decide."),
    warnings.length ? [h("h3", {}, "To look at"), h("ul", {}, warnings.map((text) => h("li", {}, text)))] : null,
  );

  const listed = groups.filter(([, found]) => found.length).map(([name, found]) => h(
    "section",
    { class: "card" },
    h("h2", {}, name),
    h("ul", { class: "plain takes" }, found.map((file) => h("li", {}, h("a", { href: file.href, download: file.path.split("/").pop() }, file.path), h("span", { class: "soft" }, ` ${bytes(file.bytes)}`)))),
  ));

  fill(
    body,
    h("p", { class: "apart" }, h("a", { class: "button", href: job.links.package, download: true }, "Download everything (ZIP)")),
    h("div", { class: "bench wide-right" }, h("div", { class: "stack" }, listed), h("div", { class: "stack" }, notes, sharing(job, files, session))),
  );
}

function sharing(job, files, session) {
  const what = field("What", select([["", "everything, as a ZIP"], ...files.map((file) => [file.path])]));
  const most = session.link_days * 86400;
  const long = field("For how long", select([[3600, "an hour"], [86400, "a day"], [604800, "a week"], [2592000, "30 days"]].filter(([seconds]) => seconds <= most), "86400"));
  const out = h("div", { role: "status" });
  const form = h(
    "form",
    {
      class: "card",
      "aria-label": "Share by link",
      on: {
        submit: async (event) => {
          event.preventDefault();
          try {
            const made = await get(`/v1/jobs/${job.id}/links`, { method: "POST", json: { path: what.control.value || null, seconds: Number(long.control.value) } });
            const link = field("The link", h("input", { type: "text", readonly: true, value: new URL(made.href, location.href).href }), { hint: `Needs no key, and ends ${moment(made.expires)}.` });
            const copy = h("button", { type: "button", on: { click: async () => (link.control.select(), await navigator.clipboard?.writeText(link.control.value), say("Copied.")) } }, "Copy");
            fill(out, link, copy);
          } catch (error) {
            fill(out, trouble(error.message));
          }
        },
      },
    },
    h("h2", {}, "Share by link"),
    what,
    long,
    h("div", { class: "row" }, h("button", { class: "main" }, "Make a link"), h("button", {
      type: "button",
      on: {
        click: async () => {
          try {
            await ask(`/v1/jobs/${job.id}/links`, { method: "DELETE" });
            fill(out, h("p", {}, "All links of this result lead nowhere now."));
          } catch (error) {
            fill(out, trouble(error.message));
          }
        },
      },
    }, "End all its links")),
    out,
  );
  return form;
}
