// One jar's card: its stage to be read across the kitchen, the jar, the facts, what can be told, and the curve.

import { CycleChart, calmed, noteMarks } from "./charts.js";
import { jarPicture } from "./jar.js";
import { tellPanel } from "./tell.js";
import { clock, el, get, jarPath, sayLength } from "./words.js";

const ICONS = { unknown: "?", settling: "…", rising: "▲", peaked: "◆", falling: "▼", flat: "▬", resting: "☾", away: "○" };
const AFTERWARDS = "With another starter in it, say so under “Write something down”.";
const LEAST_POINTS = 2; // of a curve: one is no line

export function makeCard(name, live) {
  const readOnly = document.body.hasAttribute("data-read-only");
  const picture = jarPicture();
  const icon = el("span", { "aria-hidden": "true" }), brief = document.createTextNode("");
  const more = el("p", { class: "more" });
  const rise = el("p", { class: "rise" });
  const since = el("p", { class: "since" });
  const facts = el("dl");
  const wrong = el("div");
  const waiting = el("p", { class: "soft", role: "status" });
  const chart = new CycleChart();
  const telling = readOnly ? null : tellPanel(name, live);
  const node = el("article", { class: "card" }, el("h2", {}, name), wrong,
    el("p", { class: "stage" }, icon, " ", brief), more,
    el("div", { class: "glance" }, picture.node, el("div", {}, rise, since)), telling?.question, telling?.node, facts,
    waiting, chart.node, telling?.notebook);
  let curve = null, loading = false, jar = null, alive = true;

  async function load(again = false) {
    if (loading || (curve && !again) || !alive) return;
    loading = true;
    try {
      curve = again ? await get(jarPath(name, "curve")) : (live.curves[name] ?? await get(jarPath(name, "curve")));
      delete live.curves[name];
      if (alive) draw();
    } catch (error) {
      waiting.textContent = String(error.message);
    } finally {
      loading = false;
    }
  }

  function draw() {
    if (!jar) return;
    const levels = curve?.curve.middle_mm ?? [];
    const from_s = jar.fed?.at_s ?? 0;
    const highest = Math.max(...calmed(levels.filter((_, i) => curve.curve.time_s[i] >= from_s + 300)));
    picture.show(jar, curve?.start_mm ?? null, Number.isFinite(highest) && curve.level_known ? highest : null);
    if (!curve) return;
    const few = levels.length < LEAST_POINTS;
    waiting.textContent = !few ? "" : levels.length ? "The first readings have come; the curve begins in a moment." : "Waiting for the first readings.";
    chart.node.hidden = few;
    if (few) return;
    const [marks, spans] = turningPoints(jar);
    const until = Math.max(...spans.map((s) => s.to), 0);
    const says = sentence(jar, curve);
    if (chart.state === curve) { chart.set(marks, spans, until, says); chart.redraw(); }
    else chart.show(curve, marks, spans, until, says);
  }

  return {
    node,
    get jar() { return jar; },
    load: () => load(),
    reload() { if (curve) load(true); },
    end() { alive = false; chart.end(); },
    moved(change) {
      if (!curve) return;
      if (change.fed_at_s !== curve.fed_at_s) { load(true); return; }
      if (chart.merge(curve, change.columns)) draw();
    },
    update(next) {
      const another = jar && curve && (next.fed?.at_s ?? null) !== (curve.fed_at_s ?? null);
      jar = next;
      const mould = jar.throw_away; // whatever its height says
      icon.textContent = mould ? "✕" : (ICONS[jar.stage] ?? "?");
      brief.textContent = mould ? "throw away" : jar.waiting ? "waiting" : jar.stage_brief;
      more.textContent = mould ? `mould or streaks were noted, ${mould.words}` : jar.waiting ? "for the first readings" : rest(jar);
      rise.replaceChildren(...(jar.rise_words ? [`risen ${jar.rise_words}`] : []),
        el("small", {}, jar.level_words ? `${jar.level_words} high, ${jar.slope_words ?? "pace not known"}` : "level not known yet"));
      since.textContent = jar.fed ? (jar.fed.known ? `fed ${jar.fed.ago_words} ago, ${clock(jar.fed.at_s)}` : jar.fed.words) : "";
      facts.replaceChildren(...factsOf(jar).flatMap(([word, says]) => [el("dt", {}, word), el("dd", {}, says)]));
      wrong.replaceChildren(...(mould ? [`${mould.says} ${AFTERWARDS}`] : []).concat(jar.health).map((says) => el("p", { class: "bad" }, says)));
      telling?.update(jar);
      if (another) load(true); // a feeding told or taken back: another cycle's curve
      else draw();
    },
  };
}

/** What the brief word leaves out: "sinking" of "sinking, hungry" leaves "hungry". */
function rest(jar) {
  if (!jar.stage_words.startsWith(jar.stage_brief)) return jar.stage_words;
  return jar.stage_words.slice(jar.stage_brief.length).replace(/^[ ,]+/, "");
}

function factsOf(jar) {
  const out = [];
  if (jar.temperature_words) out.push(["Warmth", jar.temperature_words]);
  const ahead = jar.forecast ?? {};
  if (jar.peak) out.push(["Peak", jar.peak.words + (jar.peak_ratio ? `, ${jar.peak_ratio.toFixed(1)} times` : "")]);
  else if (ahead.peak_at) out.push(["Peak", `${ahead.peak_at.words} (${ahead.peak_at.range_words})`]);
  if (jar.fall) out.push(["Sinking since", jar.fall.words]);
  else if (ahead.fall_at) out.push(["Sinks", `${ahead.fall_at.words} (${ahead.fall_at.range_words})`]);
  if (jar.next_notice) out.push(["Next notice", jar.next_notice.words]);
  if (jar.snoozed_until) out.push(["Snoozed", `until ${jar.snoozed_until.words}`]);
  if (!jar.health.length) out.push(["Sensor", jar.waiting ? "nothing heard yet: does the device send? jartide check listens" : "all well"]);
  if (jar.heard) out.push(["Last reading", jar.heard.words]);
  const notes = (jar.notes ?? []).filter((note) => note.what !== "snooze"), last = notes[notes.length - 1];
  if (last) {
    const others = notes.length > 1 ? el("a", { href: `#/over/${jar.run}:${jar.cycle}` }, `and ${notes.length - 1} more`) : null;
    out.push(["Noted", el("span", {}, `${last.says}, ${last.words} `, others)]);
  }
  return out;
}

function turningPoints(jar) {
  const marks = [], spans = [];
  if (jar.fed?.known) marks.push({ at: jar.fed.at_s, kind: "fed", label: "fed" });
  if (jar.peak) marks.push({ at: jar.peak.at_s, kind: "peak", label: "peak" });
  if (jar.fall) marks.push({ at: jar.fall.at_s, kind: "fall", label: "sinks" });
  marks.push(...noteMarks(jar.notes ?? []));
  const ahead = jar.forecast ?? {};
  for (const [key, label] of [["peak_at", "peak expected"], ["fall_at", "sinks, expected"]]) {
    const span = ahead[key];
    if (span) spans.push({ from: span.earliest_s, to: span.latest_s, likely: span.likely_s, label });
  }
  return [marks, spans];
}

function sentence(jar, curve) {
  const levels = curve.curve.middle_mm;
  const ahead = jar.forecast?.peak_at ? ` The peak is expected ${jar.forecast.peak_at.words}.` : "";
  return `Level over time: ${curve.level_known ? `from ${sayLength(levels[0])} to ${sayLength(levels[levels.length - 1])}` : "no heights known"}` +
    `${jar.peak ? `, peak at ${clock(jar.peak.at_s)}` : ""}${jar.fall ? `, sinking since ${clock(jar.fall.at_s)}` : ""}.${ahead}`;
}
