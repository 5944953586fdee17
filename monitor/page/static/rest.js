// How the monitoring itself is doing: first what needs attention, then the sensors, the rest, and the latest notices.

import { token } from "./glyphs.js";
import { scroll } from "./past.js";
import { phonePlate } from "./phone.js";
import { clock, el, get } from "./words.js";

const STATES = { pending: "waiting to be delivered", sent: "delivered", superseded: "no longer true, not delivered", expired: "too late, not delivered" };
const LOOKS = { feed_now: "feed", overdue: "feed", at_peak: "peak", peak_ahead: "rising", stays_flat: "flat", sensor_silent: "silent", wrong_unit: "silent", sensor_back: "ok", bake_feeding: "feed", bake_moved: "rising", growing: "ok", rest_reminder: "resting", throw_away: "throw_away", feeding_question: "ask" };
const LATEST = 6, EVERY_MS = 15_000;
const sayBytes = (n) => (n < 1e6 ? `${Math.round(n / 1e3)} kB` : `${(n / 1e6).toFixed(1)} MB`);
const line = (look, head, body, small) => el("li", {}, token(look, "small"), el("span", { class: "t" }, el("b", {}, head), small ? el("span", { class: "soft" }, ` ${small}`) : null, body ? el("br") : null, body ?? null));
const plate = (title, rows, ...rest) => el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, title)), rows, ...rest.map((one) => el("div", { class: "in" }, one)));
const table = (label, heads, rows) => scroll(label, el("table", {}, el("thead", {}, el("tr", {}, ...heads.map((t) => el("th", { scope: "col" }, t)))),
  el("tbody", {}, ...rows.map((cells) => el("tr", {}, ...cells.map((cell) => (cell instanceof Node ? cell : el("td", {}, `${cell ?? "–"}`))))))));

export async function healthView(main) {
  main.append(el("div", { class: "tile-row apart" }, el("h1", { tabindex: -1 }, "Health"), el("a", { class: "button other", href: "#/settings" }, "Settings")));
  const body = el("div", { class: "view" });
  main.append(body, phonePlate());
  async function show() {
    const h = await get("api/health");
    const troubled = h.sources.filter((one) => one.trouble), wrong = [...h.troubles, ...(h.watching ? [] : ["Nobody is watching just now."])];
    const count = troubled.length + wrong.length;
    const open = body.querySelector("details")?.open ?? false;
    const old = h.notices.latest.slice(LATEST);
    const notice = (n) => line(LOOKS[n.kind] ?? "look", n.title, el("span", { class: "soft" }, `${n.words}, ${STATES[n.state] ?? n.state}`));
    body.replaceChildren(
      el("section", { class: "plate" }, el("div", { class: "in" }, el("div", { class: "tile-row" }, token(count ? "look" : "ok", "middling"), el("h2", {}, count === 0 ? "All is well" : count === 1 ? "One thing needs attention" : `${count} things need attention`)),
        ...wrong.map((says) => el("p", { class: "bad" }, says)), count ? null : el("p", { class: "soft" }, "The jars are watched, the sensors are heard, notices are sent."))),
      el("div", { class: "two" },
        el("div", { class: "side" },
          plate("Sensors", h.sources.length ? el("ul", { class: "rows" }, ...h.sources.map((s) => line(s.trouble ? "look" : s.connected ? "ok" : "silent", s.name, el("span", {}, s.sentence), `last heard ${s.heard_words ?? "never"}`))) : el("p", { class: "in soft" }, "None has reported yet.")),
          plate("Rejected, doubled or never come, in the last week", h.rejected.length ? el("span") : el("p", { class: "in soft" }, "Nothing: every message was a believable reading."), ...(h.rejected.length ? [table("Rejected", ["Day", "Source", "Why", "How many", "Last"],
            h.rejected.map((r) => [r.day, r.source, el("td", { class: "wrap" }, r.reason), r.count, el("td", { class: "wrap" }, r.last_detail)]))] : []))),
        el("div", { class: "side" },
          plate("The rest", el("ul", { class: "rows" }, line(h.watching ? "ok" : "look", "Watching", h.as_of_s === null ? "nothing written yet" : `last written at ${clock(h.as_of_s)}`),
            line("ok", "Store", `${h.store.items.toLocaleString("en-GB")} readings and reports${h.store.bytes === null ? "" : `, ${sayBytes(h.store.bytes)}`}`),
            line(h.notices.waiting ? "look" : "ok", "Notices", h.notices.waiting ? `${h.notices.waiting} waiting to be delivered` : "none waiting"))),
          h.notices.latest.length ? plate("Notices, latest first", el("ul", { class: "rows" }, ...h.notices.latest.slice(0, LATEST).map(notice)), ...(old.length ? [el("details", { open }, el("summary", {}, `${old.length} more`), el("ul", { class: "rows" }, ...old.map(notice)))] : [])) : el("span"))));
  }
  await show();
  const timer = setInterval(() => show().catch(() => {}), EVERY_MS);
  return () => clearInterval(timer);
}
