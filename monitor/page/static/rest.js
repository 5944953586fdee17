// Trials, and how the watching itself is doing.

import { scroll } from "./past.js";
import { asIfAt, capital, clock, day, el, get } from "./words.js";

const measures = () => ({ rise_ratio: "Rise, times", clock_h_to_peak: "Hours to the peak", equivalent_h_to_peak: capital(asIfAt()),
  clock_h_above_double: "Hours doubled", equivalent_h_above_double: capital(asIfAt()) });
const table = (label, heads, rows) => scroll(label, el("table", {}, el("thead", {}, el("tr", {}, ...heads.map((t) => el("th", { scope: "col" }, t)))),
  el("tbody", {}, ...rows.map((cells) => el("tr", {}, ...cells.map((cell) => (cell instanceof Node ? cell : el("td", {}, `${cell ?? "–"}`))))))));

const STATES = { pending: "waiting to be delivered", sent: "delivered", superseded: "no longer true, not delivered", expired: "too late, not delivered" };
const sayBytes = (n) => (n < 1e6 ? `${Math.round(n / 1e3)} kB` : `${(n / 1e6).toFixed(1)} MB`);
const rows = (entries) => el("ul", { class: "rows" }, ...entries.map(([head, body, foot]) => el("li", {}, el("strong", {}, head),
  body instanceof Node ? body : el("span", {}, body), el("span", { class: "soft" }, foot))));

export async function trialsView(main) {
  const trials = await get("api/trials");
  main.append(el("h1", { tabindex: -1 }, "Trials"));
  if (!trials.length) main.append(el("section", { class: "panel" }, el("p", {}, "No trial has been begun. Jars side by side, compared fairly: jartide trial NAME JAR JAR")));
  for (const trial of trials) {
    main.append(el("section", { class: "panel" }, el("h2", {}, trial.trial), el("p", {}, trial.verdict), el("p", { class: "soft" }, `Since ${day(trial.since_s)}.`),
      table(`Trial ${trial.trial}`, ["Jar", "Cycles", ...Object.values(measures())], trial.jars.map((j) => [j.jar, j.cycles, ...Object.keys(measures()).map((m) => j[m]?.toFixed(2))])),
      trial.comparisons.length ? el("ul", { class: "plain" }, ...trial.comparisons.map((c) => el("li", {}, c.words))) : null));
  }
  return () => {};
}

export async function healthView(main, live) {
  main.append(el("h1", { tabindex: -1 }, "Health"));
  const body = el("div");
  main.append(body);
  async function show() {
    const h = await get("api/health");
    const size = h.store.bytes === null ? "" : `, ${sayBytes(h.store.bytes)}`;
    body.replaceChildren(
      el("section", { class: "panel" }, el("h2", {}, "Watching"), el("p", { class: h.watching ? null : "bad" }, h.watching ? `The daemon is watching; it last wrote at ${clock(h.as_of_s)}.` : "Nobody is watching just now."),
        el("p", {}, `Store: ${h.store.items} readings and told things${size}.`), ...h.troubles.map((says) => el("p", { class: "bad" }, says))),
      el("section", { class: "panel" }, el("h2", {}, "Sources"), h.sources.length ? rows(h.sources.map((s) => [s.name, el("span", { class: s.trouble ? "bad" : null }, s.sentence),
        `last heard ${s.heard_words ?? "never"}`])) : el("p", {}, "None has reported yet.")),
      el("section", { class: "panel" }, el("h2", {}, "Notices"), el("p", {}, `${h.notices.waiting} waiting to be delivered.`), h.notices.latest.length ? rows(h.notices.latest.slice(0, 15).map((n) => [n.title, n.text, `${n.words}, ${STATES[n.state] ?? n.state}`])) : null),
      el("section", { class: "panel" }, el("h2", {}, "Rejected in the last week"), h.rejected.length ? table("Rejected", ["Day", "Source", "Why", "How many", "Last"],
        h.rejected.map((r) => [r.day, r.source, el("td", { class: "wrap" }, r.reason), r.count, el("td", { class: "wrap" }, r.last_detail)])) : el("p", {}, "Nothing: every message was a believable reading.")));
  }
  await show();
  const timer = setInterval(() => show().catch(() => {}), 15000);
  return () => clearInterval(timer);
}
