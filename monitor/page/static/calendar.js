// The secret addresses at which a phone's calendar finds what is expected of a jar and planned for it: to subscribe to, to
// copy, or to replace by new ones. They are fetched only when somebody unfolds this.

import { el, get, post } from "./words.js";

export function calendarFold(jar) {
  const box = el("div"), fold = el("details", {}, el("summary", {}, "In your phone’s calendar"), box);
  fold.addEventListener("toggle", () => fold.open && !box.hasChildNodes() && show(box, jar, () => get("api/calendar")));
  return el("section", { class: "plate" }, el("div", { class: "in" }, fold));
}

async function show(box, jar, ask) {
  let found;
  try { found = await ask(); } catch (error) { box.replaceChildren(el("p", { class: "bad" }, String(error.message))); return; }
  const whole = (path) => new URL(path, found.address ? `${found.address.replace(/\/+$/, "")}/` : document.baseURI).href;
  const said = el("p", { class: "soft", role: "status" });
  const row = (words, path) => {
    const input = el("input", { type: "text", readonly: true, value: whole(path), "aria-label": `Address, ${words}`, onfocus: () => input.select() });
    const copy = async () => {
      input.select();
      try { await navigator.clipboard.writeText(input.value); said.textContent = "Copied."; } catch { said.textContent = "Copy the marked text."; } // browsers let no page copy without TLS
    };
    return el("div", { class: "more-panel" }, el("b", {}, words), input, el("div", { class: "row" },
      el("a", { class: "button other", href: input.value.replace(/^https?:/, "webcal:") }, "Subscribe"), el("button", { type: "button", class: "other", onclick: copy }, "Copy")));
  };
  const revoke = el("button", { type: "button", class: "plain", onclick: () => show(box, jar, () => post("api/calendar/revoked", {})) }, "Give all calendars new addresses");
  box.replaceChildren(
    el("p", { class: "soft" }, "When a jar will probably peak and need feeding, and the feedings of a bake you kept. Calendars refresh every few minutes or once a day: an outlook, not an alarm."),
    row(`only ${jar}`, found.jars[jar]), row("every jar", found.all), said,
    el("p", { class: "soft" }, "Anyone who has an address can look. Old addresses stop working once there are new ones."),
    "readOnly" in document.body.dataset ? "" : revoke);
}
