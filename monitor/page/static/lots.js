// Lots of flour and seed: which is open, opening another, and tracing from a jar to its lots or from a lot to its jars.

import { MOST_LABEL, nameField, nameGiven } from "./who.js";
import { el, get, post } from "./words.js";

const MOST_FLOUR = 100;
const linkTo = (name) => el("a", { href: `#/lots/${encodeURIComponent(name)}` }, name);

export async function lotsView(main, live, of) {
  const readOnly = document.body.hasAttribute("data-read-only");
  const lying = el("ul", { class: "rows" }), said = el("p", { class: "said", role: "status" });
  const flours = el("datalist", { id: "flours" }), names = el("datalist", { id: "jars-and-lots" });
  const flour = el("input", { type: "text", name: "flour", maxlength: MOST_FLOUR, autocomplete: "off", list: "flours", placeholder: "rye" });
  const lot = el("input", { type: "text", name: "lot", maxlength: MOST_LABEL, autocomplete: "off", placeholder: "as on the bag: R-2611" });
  const named = el("input", { type: "text", name: "of", maxlength: MOST_LABEL, autocomplete: "off", list: "jars-and-lots", value: of ?? "" });
  const look = (event) => { event.preventDefault(); location.hash = named.value.trim() ? `#/lots/${encodeURIComponent(named.value.trim())}` : "#/lots"; };
  const found = el("div");
  main.append(el("h1", { tabindex: -1 }, of ? `Lots: ${of}` : "Lots of flour and seed"), flours, names,
    el("section", { class: "plate", "aria-label": "Trace" }, el("div", { class: "in" }, el("form", { class: "row", onsubmit: look }, el("label", { class: "wide" }, "A jar, or a lot", named), el("button", { type: "submit", class: "other" }, "Trace")), found)),
    el("section", { class: "plate", "aria-label": "Open lots" }, el("div", { class: "in" }, el("h2", {}, "Open lots"),
      el("p", { class: "soft" }, "Enter it once, for every jar fed that flour from then on. A feeding can name its own."), said,
      readOnly ? null : el("form", { class: "row", onsubmit: (event) => { event.preventDefault(); open(); } }, el("label", {}, "Flour", flour), el("label", {}, "Its lot", lot), nameField(), el("button", { type: "submit", class: "other" }, "Open this lot"))), lying),
    el("p", {}, el("a", { href: "#/sheet" }, "Feeding sheet")));

  async function show() {
    const all = await get(`api/lots${of ? `?${new URLSearchParams({ of })}` : ""}`);
    const now = new Map();
    for (const one of all.opened) if (!now.has(one.flour.toLowerCase())) now.set(one.flour.toLowerCase(), one);
    lying.replaceChildren(...all.opened.map((one) => el("li", {}, el("span", { class: "t" }, el("b", {}, one.flour), " lot ", linkTo(one.lot),
      el("span", { class: "soft" }, ` since ${one.words}${one.by ? `, ${one.by}` : ""}${now.get(one.flour.toLowerCase()) === one ? "" : "; used up"}`)))));
    flours.replaceChildren(...all.flours.map((value) => el("option", { value })));
    names.replaceChildren(...[...new Set([...all.jars, ...all.opened.map((one) => one.lot)])].map((value) => el("option", { value })));
    if (!of) return;
    found.replaceChildren(
      ...(all.parts.length ? [el("h2", {}, `In ${of}, of all its flour`), el("ul", { class: "rows" }, ...all.parts.map((one) => el("li", {}, el("b", { class: "when" }, one.words),
        el("span", { class: "t" }, one.flour || (one.lot ? "flour" : "from before the first known feeding"), ...(one.lot ? [", lot ", linkTo(one.lot)] : one.flour ? [el("span", { class: "soft" }, ", lot not given")] : [])))))] : []),
      ...(all.got.length ? [el("h2", {}, `Where ${of} went`), el("ul", { class: "rows" }, ...all.got.map((one) => el("li", {}, el("span", { class: "t" }, linkTo(one.jar), el("span", { class: "soft" }, ` ${one.words}`)))))] : []),
      ...(all.parts.length || all.got.length ? [] : [el("p", {}, `Nothing is known about ${of}: no jar has that name, and no feeding that lot.`)]));
  }

  async function open() {
    try {
      const kept = await post("api/lots/opened", { flour: flour.value, lot: lot.value, by: nameGiven() || null });
      said.textContent = `${kept.flour}: lot ${kept.lot} from now on.`;
      lot.value = "";
      await show();
    } catch (error) { said.textContent = `Not recorded: ${error.message}.`; }
  }
  await show();
  return () => {};
}

/** Fields for the flour and the starter of a feeding, folded away, because most feedings use the open lot and the jar's own
 * starter. `told()` returns what goes into the body, `clear()` empties the fields. */
export function lotFields(words, link = "#/lots") {
  const lot = el("input", { type: "text", name: "flour_lot", maxlength: MOST_LABEL, autocomplete: "off", placeholder: "the open one" });
  const seed = el("input", { type: "text", name: "seed", maxlength: MOST_LABEL, autocomplete: "off", placeholder: "this jar's own" });
  const node = el("details", { class: "notebook lots" }, el("summary", {}, words), el("div", { class: "row" }, el("label", {}, "Lot of the flour", lot),
    el("label", {}, "Starter from (a jar or a lot)", seed), el("a", { href: link }, "Trace lots")));
  return {
    node,
    told: () => ({ ...(lot.value.trim() ? { flour_lot: lot.value.trim() } : {}), ...(seed.value.trim() ? { seed: seed.value.trim() } : {}) }),
    clear() { lot.value = seed.value = ""; },
  };
}
