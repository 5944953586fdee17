// The feeding sheet: which jars are to be fed in the next hours, in order, with grams; one tap for each or one for all; what
// to weigh out; which jars can wait; what happened before. For a tablet on the wall, a phone, or a sheet of paper.

import { lotFields } from "./lots.js";
import { overView } from "./over.js";
import { pastView } from "./past.js";
import { nameField, tellOf } from "./who.js";
import { clock, dayAndClock, el, get, jarPath, post, sayWeight } from "./words.js";

const HOURS = [[4, "4 h"], [8, "8 h"], [12, "12 h"], [24, "a day"]], SINCE = [[4, "4 h"], [8, "8 h"], [12, "12 h"], [24, "a day"]];
const AT_ONCE_S = 2 * 3600; // what is fed in one go: due by then
const AGAIN_MS = 20_000, SURE_MS = 4000;
const jarCount = (n) => (n === 1 ? "1 jar" : `${n} jars`);
const options = (pairs, chosen) => pairs.map(([value, words]) => el("option", { value, selected: value === chosen }, words));

/** "20 + 100 + 100 g", with the unit only once. */
const together = (one) => [one.starter_g, one.flour_g].map((g) => sayWeight(g).replace(/ \w+$/, "")).concat(sayWeight(one.water_g)).join(" + ");

export async function sheetView(main, live, chosen) {
  const readOnly = document.body.hasAttribute("data-read-only");
  let sheet = null, alive = true, timer = null, hours = 12;
  const done = new Map(); // what was reported here: jar -> { seq, at_s }
  const lots = lotFields("Lot or seed of what is fed next");
  const begin = el("p", { class: "verdict" }), weigh = el("p", { class: "weigh" }), said = el("p", { class: "said", role: "status" });
  const rows = el("ol", { class: "sheet" }), waiting = el("ul", { class: "rows" }), odd = el("div"), printed = el("p", { class: "paper soft" });
  const all = el("button", { type: "button", class: "main", onclick: () => tellAll() }, "All fed");
  const span = el("select", { onchange: () => { hours = Number(span.value); fetchSheet(); } }, ...options(HOURS, hours));
  const groups = el("select", { onchange: () => { location.hash = groups.value ? `#/sheet/${encodeURIComponent(groups.value)}` : "#/sheet"; } });
  const which = el("label", { hidden: true }, "Group", groups);
  main.append(el("h1", { tabindex: -1 }, chosen ? `Feeding sheet, ${chosen}` : "Feeding sheet"), printed,
    el("section", { class: "plate screen", "aria-label": "What to show" }, el("div", { class: "in row" }, el("label", {}, "How far ahead", span), which, nameField(),
      el("button", { type: "button", class: "other", onclick: () => print() }, "Print"))),
    el("section", { class: "plate", "aria-label": "To be fed" }, el("div", { class: "in" }, begin, weigh, odd, said), el("div", { class: "in screen", hidden: readOnly }, lots.node), rows, el("div", { class: "in row screen" }, all)),
    el("section", { class: "plate waits", "aria-label": "Waiting" }, el("div", { class: "in" }, el("h2", {}, "Waiting")), waiting));
  const before = handover(chosen, live), spread = staggering(chosen, live);
  main.append(before.node, spread.node);

  const query = () => new URLSearchParams({ hours, ...(chosen ? { group: chosen } : {}) });
  async function fetchSheet() {
    clearTimeout(timer);
    timer = null;
    try { sheet = await get(`api/sheet?${query()}`); } catch (error) { said.textContent = error.message; return; }
    if (alive) show();
  }

  const due = () => sheet.rows.filter((row) => row.due_s <= sheet.now_s + AT_ONCE_S && !done.has(row.jar));
  function show() {
    const open = due();
    begin.textContent = sheet.begin_words;
    const flours = sheet.weigh.map((one) => `${sayWeight(one.flour_g)} ${one.flour || "flour"}${one.lot ? ` (lot ${one.lot})` : ""}`);
    weigh.replaceChildren(...(flours.length ? [el("b", {}, "Weigh out: "), `${flours.join(", ")}, ${sayWeight(sheet.water_g)} water.`, sheet.untold.length ? ` Grams never given, not in the total: ${sheet.untold.join(", ")}.` : ""] : []));
    odd.replaceChildren(...(sheet.old ? [el("p", { class: "note" }, sheet.old)] : []), ...[...sheet.odd, ...sheet.drifts].map((one) => el("p", { class: "note" }, "Have a look: ", el("a", { href: `#/siblings/${encodeURIComponent(one.jar)}` }, one.words), ".")));
    rows.classList.toggle("two-columns", sheet.rows.length > 40);
    rows.replaceChildren(...sheet.rows.map(row));
    waiting.replaceChildren(...sheet.waiting.map((one) => el("li", {}, el("span", { class: "t" }, el("b", {}, one.jar), ` ${one.why}`, el("span", { class: "soft" }, one.words ? `, about ${one.words}` : "")))));
    waiting.parentElement.hidden = !sheet.waiting.length;
    all.hidden = readOnly || open.length < 2;
    all.textContent = open.length === sheet.rows.length - done.size ? `All ${open.length} fed as written` : `The ${open.length} due: fed as written`;
    printed.textContent = `Printed ${dayAndClock(sheet.now_s)}; next ${sheet.hours} h.`;
    which.hidden = !sheet.groups.length && !chosen;
    if (!chosen) spread.node.hidden = which.hidden; // it speaks of the group above
    groups.replaceChildren(...options([["", "all"], ...sheet.groups.map((name) => [name, name])], chosen ?? ""));
  }

  function row(one) {
    const grams = one.feeding && Object.values(one.feeding).every((g) => g !== null) ? together(one.feeding) : "as usual";
    const told = done.get(one.jar);
    const act = readOnly ? "" : told ? el("button", { type: "button", class: "plain", onclick: () => takeBack(one.jar, told.seq) }, `Fed ${clock(told.at_s)}; take back`)
      : el("button", { type: "button", class: one.now ? "main" : "other", "aria-label": `${one.jar}: fed`, onclick: (event) => tell(one, event.currentTarget) }, "Fed");
    const when = one.now ? `since ${one.due_words}` : `about ${one.due_words}`, more = [one.ahead_words, one.fed_by ? `last fed by ${one.fed_by}` : "", one.group && !chosen && one.group !== one.flour ? one.group : ""].filter(Boolean).map((fact) => `, ${fact}`).join("");
    return el("li", { class: told ? "told" : one.now ? "due" : null }, el("span", { class: "box", "aria-hidden": "true" }), el("b", { class: "who" }, one.jar),
      el("span", { class: "what" }, grams, one.flour ? el("span", { class: "soft" }, ` ${one.flour}`) : ""), el("span", { class: "when soft" }, when, el("span", { class: "more" }, more)), el("span", { class: "act screen" }, act));
  }

  const bodyOf = (one) => ({ ...(one.feeding ?? {}), flour: one.flour, ...lots.told() });
  async function tell(one, button) {
    button.disabled = true;
    try {
      const kept = await tellOf(one.jar, "fed", bodyOf(one));
      done.set(one.jar, { seq: kept.seq, at_s: kept.at_s });
      said.textContent = `${one.jar}: feeding recorded.`;
      show();
    } catch (error) {
      said.textContent = `${one.jar} not recorded: ${error.message}`;
      button.disabled = false;
    }
  }

  let sure = null;
  async function tellAll() {
    if (!sure) {
      all.textContent = "Tap again: all of them are fed";
      sure = setTimeout(() => { sure = null; show(); }, SURE_MS);
      return;
    }
    clearTimeout(sure);
    sure = null;
    all.disabled = true;
    const failed = [];
    let count = 0;
    for (const one of due()) {
      try { const kept = await tellOf(one.jar, "fed", bodyOf(one)); done.set(one.jar, { seq: kept.seq, at_s: kept.at_s }); count += 1; } catch { failed.push(one.jar); }
    }
    all.disabled = false;
    show();
    said.textContent = `${jarCount(count)} recorded as fed.${failed.length ? ` Not recorded: ${failed.join(", ")}.` : ""}`;
  }

  async function takeBack(jar, seq) {
    try { await post(jarPath(jar, "taken_back"), { seq }); done.delete(jar); said.textContent = `${jar}: taken back.`; show(); } catch (error) { said.textContent = `${jar}: ${error.message}`; }
  }

  const later = () => { if (!sure) timer ??= setTimeout(fetchSheet, AGAIN_MS); };
  const off = live.subscribe({ whole: later, message: later });
  await fetchSheet();
  return () => { alive = false; off(); clearTimeout(timer); clearTimeout(sure); before.end(); };
}

/** The link of a notice that a jar differs from its siblings, or a sensor from its neighbours: its curve over theirs, or its
 * past once the cycle is over. */
export async function siblingsView(main, live, jar) {
  const sheet = await get("api/sheet?hours=0"), apart = [...sheet.odd, ...sheet.drifts].filter((one) => one.jar === jar && one.curves.length);
  main.append(...apart.map((one) => el("p", { class: "verdict" }, `${one.words}.`)));
  return apart.length ? overView(main, live, apart[0].curves.join(","), apart[0].measure) : pastView(main, live, jar);
}

/** What happened in the past hours, fetched when it is opened. */
function handover(group, live) {
  let ago = 8;
  const list = el("ul", { class: "rows" }), says = el("p", { class: "in soft", role: "status" });
  const span = el("select", { onchange: () => { ago = Number(span.value); show(); } }, ...options(SINCE, ago));
  const node = el("details", { class: "plate handover" }, el("summary", { class: "in" }, "What happened before"), el("div", { class: "in row screen" }, el("label", {}, "In the last", span)), says, list);
  async function show() {
    try {
      const since_s = Math.round(live.now_s() - ago * 3600), found = await get(`api/handover?${new URLSearchParams({ ...(group ? { group } : {}), ...(ago === 8 ? {} : { since_s }) })}`);
      says.textContent = found.happened.length ? `Since ${found.words}, the latest first.` : `Nothing since ${found.words}.`;
      list.replaceChildren(...found.happened.map((one) => el("li", {}, el("b", { class: "when" }, one.words), el("span", { class: "t" }, el("b", {}, one.jar), ` ${one.what}`, one.by ? el("span", { class: "soft" }, `, ${one.by}`) : ""))));
    } catch (error) { says.textContent = error.message; }
  }
  node.addEventListener("toggle", () => { if (node.open) show(); });
  return { node, end() {} };
}

/** Feedings of one group spread over oven times, or one jar after another. */
function staggering(group, live) {
  if (!group) return { node: el("p", { class: "soft small screen" }, "To spread the feedings of one group over oven times, choose the group above.") };
  const times = el("input", { type: "text", name: "ovens", placeholder: "05:00 06:30 08:00", inputmode: "text" }), says = el("p", { class: "soft", role: "status" });
  const list = el("ol", { class: "sheet" });
  const ready = () => times.value.split(/[\s,;]+/).filter(Boolean).map((text) => {
    const found = /^(\d{1,2}):(\d{2})$/.exec(text);
    if (!found) throw new Error(`${text}: write hours as 05:00`);
    const now = live.now_s(), [h, m] = clock(now).split(":").map(Number), ahead = ((Number(found[1]) - h) * 60 + Number(found[2]) - m) * 60 - (now % 60);
    return Math.round(now + (ahead > 0 ? ahead : ahead + 86_400));
  });
  async function plan() {
    try {
      says.textContent = "…";
      const made = await get(`api/stagger?${new URLSearchParams({ group, ...(times.value.trim() ? { ready_s: ready().join(",") } : {}) })}`);
      const missed = made.rows.find((one) => !one.met), sum = (key) => sayWeight(made.rows.reduce((all, one) => all + one[key], 0));
      says.textContent = made.rows.length ? `Weigh out ${sum("flour_g")} flour, ${sum("water_g")} water.${missed ? ` ${missed.jar}: ${missed.because}` : ""}` : "There is no jar to plan for.";
      list.replaceChildren(...made.rows.map((one) => el("li", {}, el("span", { class: "box", "aria-hidden": "true" }), el("b", { class: "who" }, one.jar), el("span", { class: "what" }, together(one)),
        el("span", { class: one.met ? "when soft" : "when bad" }, `${one.feed_words === "now" ? "feed now" : `feed ${one.feed_words}`}, ${made.aim === "peak" ? "peak" : "due"} ${one.met ? one.wanted_words : `${one.likely_words}, not ${one.wanted_words}`}`), el("span", { class: "act" }))));
    } catch (error) { says.textContent = error.message; }
  }
  return { node: el("details", { class: "plate spread" }, el("summary", { class: "in" }, `Spread the feedings of ${group}`), el("div", { class: "in" }, el("div", { class: "row" }, el("label", { class: "wide" }, "Ovens at (empty: one jar after another)", times), el("button", { type: "button", class: "other", onclick: plan }, "Plan")), says), list) };
}
